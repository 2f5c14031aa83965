"""The pages: their commands run, their examples have the shape of real messages, and every command they name exists."""

import json
import os
import re
import shlex
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import jsonschema
import pytest
from paho.mqtt.client import topic_matches_sub

from daq.app.delivery.contract import SCHEMAS

ROOT = Path(__file__).parents[2]


def is_ours(path: Path) -> bool:
    """Return True if a page belongs to the project, not to an installed package or a cache."""
    return not any(part.startswith(".") or part == "site-packages" for part in path.relative_to(ROOT).parts)


README = (ROOT / "README.md").read_text("utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")
LABORATORY = (ROOT / "config/README.md").read_text("utf-8")
SUBSCRIBE = (ROOT / "config/SUBSCRIBE.md").read_text("utf-8")
PAGES = {str(p.relative_to(ROOT)): p.read_text("utf-8") for p in sorted(ROOT.rglob("*.md")) if is_ours(p)}


def blocks(text: str) -> list[str]:
    """Return the shell blocks of a page."""
    return re.findall(r"^```sh\n(.*?)^```$", text, flags=re.MULTILINE | re.DOTALL)


def command_of(marker: str) -> str:
    found = re.search(rf"<!-- command: {marker} -->\n```sh\n(.*?)```", README, flags=re.DOTALL)
    assert found, f"README.md has no command marked {marker!r}"
    return found[1].strip()


@pytest.fixture
def bench(tmp_path, monkeypatch):
    """An environment in which the README's lines run: `daq` on the path, simulated instruments on three ports."""
    scripts = Path(sys.executable).parent
    monkeypatch.setenv("PATH", f"{scripts}{os.pathsep}{os.environ['PATH']}")
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "home"))
    monkeypatch.setenv("NO_COLOR", "1")
    monkeypatch.chdir(tmp_path)
    started = []
    for kind, name, more in (
        ("rotational", "bench-1", ["--serial", "R-1042", "--fluid", "clear-glaze", "--geometry", "coaxial-12"]),
        ("rotational", "bench-2", ["--serial", "R-1043", "--fluid", "white-glaze", "--geometry", "cylinder-9"]),
        ("thermometer", "thermo-1", ["--serial", "T-0310"]),
    ):
        command = [sys.executable, "-m", "simulators.host", kind, "--pty", str(tmp_path / name), "--temperature", "25"]
        process = subprocess.Popen([*command, *more], stdout=subprocess.PIPE, text=True, cwd=ROOT)
        started.append(process)
        assert process.stdout.readline().startswith("ready")
    yield tmp_path
    for process in started:
        process.terminate()
        process.wait(10)
        process.stdout.close()


def run(line: str, folder: Path, codes: tuple[int, ...] = (0,)) -> str:
    done = subprocess.run(["bash", "-c", line], cwd=folder, capture_output=True, text=True, timeout=60)
    assert done.returncode in codes, f"{line}\nexit {done.returncode}\n{done.stdout}\n{done.stderr}"
    assert "Traceback" not in done.stderr, done.stderr
    return done.stdout


def make_quick(lab: Path) -> None:
    """Shorten the README's method from minutes to seconds and set the ports of the simulated instruments."""
    for file in (lab / "instruments").glob("*.toml"):
        text = re.sub(r"^port = .*$", f'port = "{lab.parent / file.stem}"', file.read_text(), flags=re.MULTILINE)
        file.write_text(text)
    method = lab / "methods" / "clear-glaze-qc.toml"
    text = method.read_text()
    for slow, quick in (
        ('hold = "30 s"', 'hold = "1 s"'),
        ('stop = "60 s"', 'stop = "8 s"'),
        ('span = "30 s"', 'span = "3 s"'),
    ):
        assert slow in text
        text = text.replace(slow, quick)
    method.write_text(text)


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_the_commands_of_the_readme_run(bench):
    (first,) = [b for b in blocks(README) if "daq serve --page &" in b]
    (day,) = [b for b in blocks(LABORATORY) if "daq serve &" in b]
    # Without the page: another program may have its port.
    lines = [line.partition("#")[0].strip().replace(" --page", "") for line in first.splitlines()]
    lines += [text for line in day.splitlines() if (text := line.partition("#")[0].strip()) not in lines]
    exports: list[str] = []
    run_id = ""
    daemon = None
    ran = 0
    try:
        for line in filter(None, lines):
            text = line.replace("3f2a", run_id[:8]).replace("/media/daq.sqlite", str(bench / "copy.sqlite"))
            if text == "daq verify kept.json":
                continue  # no consumer kept a message here; tests/cli/test_falsified.py compares one
            if text.startswith("export "):
                exports.append(text)
            elif text.endswith("&"):
                arguments = shlex.split(text.rstrip("& "))
                daemon = subprocess.Popen(
                    ["bash", "-c", "; ".join([*exports, "exec " + shlex.join(arguments)])], stderr=subprocess.DEVNULL
                )
                wait_until((bench / "home/daq/control").exists)
            else:
                # No broker runs here, which the doctor reports; the second run is shorter than the 60 s of its limits.
                judged = text.startswith(("daq run", "daq reportable"))
                codes = (0, 1) if text == "daq doctor" else (0, 10) if judged else (0,)
                if text.startswith("daq archive"):
                    codes = (2,)  # the example's daemon.toml has no period after which journals may go
                run("; ".join([*exports, text]), bench, codes)
                if text.startswith("daq init"):
                    make_quick(bench / "lab")
                if text.startswith("daq run"):
                    listed = json.loads(run("; ".join([*exports, "daq runs --json"]), bench))
                    run_id = listed[0]["run"]
            ran += 1
    finally:
        if daemon is not None:
            daemon.send_signal(signal.SIGTERM)
            assert daemon.wait(20) == 0
    assert ran >= 10
    assert (bench / "copy.sqlite").stat().st_size > 10_000
    exported = (bench / "g-1041.csv").read_text().splitlines()
    assert len(exported) > 50
    assert "viscosity [mPa.s]" in exported[0]


@pytest.mark.slow
def test_an_unknown_instrument_has_a_driver_after_four_commands(bench):
    (block,) = [b for b in blocks(LABORATORY) if "daq driver new" in b]
    port = bench / "scale"
    command = [
        sys.executable,
        "-m",
        "simulators.host",
        "balance",
        "--pty",
        str(port),
        "--control",
        str(bench / "control"),
    ]
    scale = subprocess.Popen(command)
    try:
        wait_until(port.exists)
        # A load that dries: every line of the capture has another value, and none is one that the next lines do not resemble.
        command_to(bench / "control", "load 412.345")
        command_to(bench / "control", "dry 6")
        outputs = []
        for line in block.splitlines():
            outputs.append(run(line.replace("/dev/ttyUSB0", str(port)), bench))
            if "driver new" in line:
                filled_in(bench / "kiln-scale.toml")
    finally:
        scale.terminate()
        scale.wait(20)
    assert len(outputs) == 4
    assert "10 of 10 lines of the capture are understood" in outputs[1]
    assert "none failed" in outputs[2]
    assert re.search(r"^3 readings, 0 lines rejected", outputs[3], re.MULTILINE), outputs[3][-600:]


def filled_in(description: Path) -> None:
    """Remove the remarks of a description whose proposals are right."""
    text = description.read_text()
    assert "# FILL IN:" in text
    description.write_text("".join(row for row in text.splitlines(keepends=True) if "# FILL IN:" not in row))


def command_to(control: Path, command: str) -> None:
    """Send a command to a simulator."""
    with socket.socket(socket.AF_UNIX) as s:
        s.settimeout(60)
        s.connect(str(control))
        s.sendall(command.encode() + b"\n")
        assert not s.makefile().readline().startswith("error")


def wait_until(condition, seconds: float = 90.0) -> None:
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline
        time.sleep(0.05)


QUICK_TESTS = '.venv/bin/python -m pytest -q -m "not slow" -n 3 --dist loadfile'


def test_the_two_commands_install_everything_they_need():
    for marker, extra, last in (("demo", "demo,page", ".venv/bin/daq demo"), ("tests", "test", QUICK_TESTS)):
        first, install, program = command_of(marker).split(" && ")
        assert first == "python3 -m venv .venv"
        assert install == f".venv/bin/python -m pip install -q -c .ci/constraints.txt -e '.[{extra}]'"
        assert program == last


def test_ci_calls_the_test_command_of_the_readme():
    assert "<!-- command: tests -->" in (ROOT / ".ci/run").read_text()


@pytest.mark.slow
@pytest.mark.timeout(400)
def test_the_demo_shows_every_kind_of_outcome_and_the_historian_has_each_result_once(tmp_path):
    messages = tmp_path / "messages"
    command = [sys.executable, "-m", "daq", "demo", "--messages", str(messages)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=380, env=os.environ | {"PYTHONUTF8": "1"})
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stderr == ""
    out = done.stdout
    assert "Simulated instruments" in out
    # Piped, it prints plain lines.
    assert not {"\x1b", "\r"} & set(out)
    assert "bench-1  G-1041  clear glaze, a batch as it should be\n" in out
    assert "✓ VALID  ├●┤ WITHIN limits" in out
    topics = re.split(r"^\S+/lab/v1/result/(\S+)$", out, flags=re.MULTILINE)[1:]
    received = [
        (bench, line.split()[0], re.split(r"\s{2,}", line.strip())[-1])
        for bench, rows in zip(topics[::2], topics[1::2], strict=True)
        for line in rows.splitlines()
        if line.startswith("#")
    ]
    assert {verdict for _, _, verdict in received} == {"within", "outside", "no limits", "not comparable"}, out
    assert len(received) == 7
    assert len({(bench, number) for bench, number, _ in received}) == 7, "a sequence number came twice"
    assert "advice:" in out
    assert "as advised" in out
    assert "stopped and read back" in out
    assert "mPa·s at min⁻¹: " in out
    assert "asked for G-1041 again" in out
    examples = {file.stem: json.loads(file.read_text()) for file in messages.iterdir()}
    table = SUBSCRIBE.partition("| topic, after")[2].partition("\n\n")[0]
    kinds = set(re.findall(r"^\| `(\w+)[/`]", table, re.MULTILINE))
    # The broker of the demonstration speaks MQTT 3.1.1, which has no response topics; it has no collector.
    # No person signs in it.
    assert set(examples) == kinds - {"schema", "answer", "collected", "signature"}, "one of each kind in the table"
    schemas = {s.name: json.loads(s.text()) for s in SCHEMAS}
    schemas |= {"flat": schemas["result-flat"], "last": schemas["result"]}
    for kind, message in examples.items():
        jsonschema.validate(message.get("data", message), schemas[kind])
    example = examples["result"]["data"]
    assert example["validity"] == "valid", example["reasons"]
    shown = [json.loads(text) for text in re.findall(r"Part of one:\n\n```json\n(.*?)```", SUBSCRIBE, re.DOTALL)]
    assert {part["type"] for part in shown} <= {"lab.result.v1", "lab.reportable.v1", "lab.signature.v1"}
    assert len(shown) >= 2
    for part in shown:
        if (kind := part["type"].split(".")[1]) in examples:
            assert_part_of(part, examples[kind])


def assert_part_of(part, whole, key="message"):
    """Assert that the README's example has the shape of a real message; numbers and identities may differ."""
    assert type(part) is type(whole), key
    if isinstance(part, dict):
        assert part.keys() <= whole.keys(), key
        for name in part:
            assert_part_of(part[name], whole[name], name)
    elif isinstance(part, list):
        for a, b in zip(part, whole, strict=True):
            assert_part_of(a, b, key)
    elif key in ("low", "high", "unit", "quantity", "type", "product", "specversion"):
        assert part == whole, key


def test_the_historian_s_subscription_matches_the_topics():
    (line,) = [b for b in blocks(SUBSCRIBE) if b.startswith("mosquitto_sub") and "result" in b]
    pattern = shlex.split(line)[shlex.split(line).index("-t") + 1]
    assert topic_matches_sub(pattern, "glaze-works/kiln-street/quality/lab/v1/result/bench-1")
    assert not topic_matches_sub(pattern, "glaze-works/kiln-street/quality/lab/v1/status")


@pytest.mark.parametrize("name", PAGES)
def test_every_command_named_in_a_page_exists(name):
    from daq.app.cli import COMMANDS

    known = {name for name, _, _ in COMMANDS} | {"is"}
    named = set(re.findall(r"^\s*daq(?: --\w+ \S+)* ([a-z]+)\b", "\n".join(blocks(PAGES[name])), re.MULTILINE))
    named |= set(re.findall(r"`daq ([a-z]+)", PAGES[name]))
    assert named <= known, named - known


@pytest.mark.parametrize("name", PAGES)
def test_every_link_and_file_named_in_a_page_exists(name):
    folder = (ROOT / name).parent
    links = {target for target in re.findall(r"\]\(([^)#]+)\)", PAGES[name]) if "://" not in target}
    paths = set(re.findall(r"`((?:daq|tests|drivers|simulators|config)/[\w/.-]+?)/?`", PAGES[name]))
    missing = {x for x in links if not (folder / x).exists()} | {x for x in paths if not (ROOT / x).exists()}
    assert missing == set()


def test_the_pages_for_beginners_are_short():
    assert len(README.splitlines()) < 120
    assert len(DEVELOPERS.splitlines()) < 150


def test_the_simulator_line_of_the_developers_page_runs(tmp_path):
    (block,) = [b for b in blocks(DEVELOPERS) if "simulators.host" in b]
    line = block.strip().replace("/tmp/bench", str(tmp_path / "bench")).replace("python ", f"{sys.executable} ", 1)
    process = subprocess.Popen(shlex.split(line), stdout=subprocess.PIPE, text=True, cwd=ROOT)
    assert process.stdout.readline().startswith("ready")
    process.terminate()
    process.wait(10)
    process.stdout.close()
