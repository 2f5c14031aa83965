"""The guide to a new driver in daq/descriptions/README.md: run every command in order, and compare every output."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parents[2]
README = (ROOT / "daq/descriptions/README.md").read_text("utf-8")
EXAMPLES = {"guide": ("draught_gauge.py", 8), "guide 2": ("wash_viscometer.py", 5)}
"""Name of each part of the page, its instrument, and its number of steps."""
EACH = pytest.mark.parametrize("part", EXAMPLES)


def guide(part: str) -> str:
    return README.partition(f"<!-- {part}: begin -->")[2].partition(f"<!-- {part}: end -->")[0]


def steps(part: str) -> list[tuple[str, str]]:
    """Return pairs of commands and the output below them."""
    return re.findall(r"^```sh\n(.*?)^```\n\n```text\n(.*?)^```$", guide(part), flags=re.MULTILINE | re.DOTALL)


def normal(text: str) -> str:
    """Return the text without the parts that vary between runs: times, values of the gauge, time-outs of a busy machine."""
    for pattern, instead in (
        (r"^ +\d+\.\d{6} ", "TIME "),
        (r"^pressure -?\d+(\.\d+)? Pa( \(.*\))?$", "pressure VALUE Pa"),
        (r"temperature \d+\.\d+ °C  < M .*$", "temperature VALUE °C  < LINE"),
        (r"\b\d+ time-outs", "N time-outs"),
        (r"^\d+ files checked", "N files checked"),
    ):
        text = re.sub(pattern, instead, text, flags=re.MULTILINE)
    return text


@pytest.fixture
def place(tmp_path, part):
    gauge = subprocess.Popen(
        [sys.executable, ROOT / "tests/kit" / EXAMPLES[part][0], tmp_path / "port"], stdout=subprocess.PIPE, text=True
    )
    assert gauge.stdout.readline() == "ready\n"
    yield tmp_path
    gauge.terminate()
    gauge.wait(20)
    gauge.stdout.close()


@EACH
@pytest.mark.timeout(240)
def test_every_command_of_the_guide_gives_the_output_below_it(place, part):
    scripts = place / "scripts"
    scripts.mkdir()
    (scripts / "daq").write_text(f'#!/bin/sh\nexec "{sys.executable}" -m daq "$@"\n')
    (scripts / "daq").chmod(0o755)
    environment = os.environ | {
        "PATH": f"{scripts}{os.pathsep}{os.environ['PATH']}",
        "PYTHONPATH": str(ROOT),
        "NO_COLOR": "1",
        "XDG_STATE_HOME": str(place / "home"),
    }
    environment.pop("DAQ_CONFIG", None)
    found = steps(part)
    assert len(found) == EXAMPLES[part][1]
    for commands, output in found:
        done = subprocess.run(
            ["bash", "-c", commands], cwd=place, capture_output=True, text=True, timeout=120, env=environment
        )
        printed = done.stdout + done.stderr
        assert "Traceback" not in printed
        assert done.returncode == 0, f"{commands}\n{printed}"
        assert normal(printed) == normal(output), commands


@EACH
def test_no_command_of_the_guide_is_left_out(part):
    assert guide(part).count("```sh\n") == len(steps(part)) == guide(part).count("```text\n")


@pytest.mark.parametrize("name", [(b"raught", b"draught-gauge", b"DG-0815"), (b"ash", b"wash-viscometer", b"WV-0207")])
def test_the_instruments_of_the_guide_exist_nowhere_else(name):
    others = [
        path
        for folder in ("daq", "drivers", "simulators", "config")
        for path in (ROOT / folder).rglob("*")
        if path.is_file() and path.suffix in (".py", ".toml", ".txt") and name[0] in path.read_bytes()
    ]
    # The balance's draught shield is no gauge.
    assert [p for p in others if name[1] in p.read_bytes() or name[2] in p.read_bytes()] == []


def test_the_entry_points_and_keys_named_behind_the_guide_exist():
    section = README.partition("## A new driver")[2].partition("\n## ")[0]
    schema = (ROOT / "daq/descriptions/schema.json").read_text("utf-8")
    table = section.partition("| the instrument | key |")[2].partition("\n### Types")[0]
    keys = set(re.findall(r"`(?:\[\w+\] )?([a-z_]+)(?: = [^`]*)?`", table))
    assert keys >= {"echo", "byte_pause", "wake", "shared", "lag", "special", "stale_after", "start", "on_link_loss"}
    for key in keys - {"address"}:
        assert f'"{key}"' in schema, key
