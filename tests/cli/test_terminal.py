"""No line is wider than a real terminal, and a screen that changes is redrawn in place."""

import re

import pytest

from daq.adapters.paths import examples_dir
from daq.app.screens.text import width
from tests.cli.terminal import drive
from tests.support.processes.laboratory import Simulator

pytestmark = pytest.mark.slow
SIZES = [(80, 24), (120, 40)]
STEP = 'settle = "0.1 s"\nlongest = "1 min"\nkeep = [{ at = "end", span = "1 s" }]\n'
METHODS = {
    "short": f'claim = "at_time"\n[[steps]]\nname = "reading"\nspeed = 30\nstop = "3 s"\n{STEP}',
    "doubtful": f'claim = "at_time"\n[[steps]]\nname = "reading"\nspeed = 2\nstop = "3 s"\n{STEP}',
    "pre-shear": (
        'claim = "at_time"\n[conditioning]\nrest = "1 s"\n[conditioning.preshear]\nspeed = 30\ntime = "1 s"\n'
        f'[[steps]]\nname = "reading"\nspeed = 30\nstop = "2 s"\n{STEP}'
    ),
    "seek": (
        'claim = "at_time"\n[[steps]]\nname = "seek"\nspeed = 10\nsettle = "0.1 s"\nlongest = "1 min"\n'
        '[steps.seek]\nlow = 40\nhigh = 80\nslowest = 0.5\ntries = 6\nspan = "0.1 rev"\n'
    ),
    "weigh": (
        'claim = "at_time"\nresult = "mass"\n[[steps]]\nname = "weighing"\nstop = "3 s"\nlongest = "1 min"\n'
        'keep = [{ at = "end", span = "2 s" }]\n'
    ),
}


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    """A configuration of quick methods with simulated instruments in real time."""
    folder = tmp_path_factory.mktemp("lab")
    config = folder / "config"
    (config / "methods").mkdir(parents=True)
    (config / "instruments").mkdir()
    (config / "daemon.toml").write_text("enable = []\n")
    for name, text in METHODS.items():
        (config / "methods" / f"{name}.toml").write_text(f'id = "{name}"\nversion = "1"\ntitle = "{name}"\n{text}')
    options = {
        "bench-1": ("rotational", "--serial", "R-1042", "--fluid", "clear-glaze", "--geometry", "coaxial-12"),
        "balance-1": ("balance", "--serial", "B-0207"),
    }
    started = {name: Simulator(folder, name, *more, scale=1) for name, more in options.items()}
    for name, simulator in started.items():
        simulator.wait_ready()
        text = (examples_dir() / "instruments" / f"{name}.toml").read_text("utf-8")
        text = re.sub(r"^port = .*$", f'port = "{simulator.port}"', text, flags=re.MULTILINE)
        text = re.sub(r"^\[companions\]\n(?:.+\n)*", "", text, flags=re.MULTILINE)
        (config / "instruments" / f"{name}.toml").write_text(text, "utf-8")
    yield config
    for simulator in started.values():
        simulator.stop()


def checked(screen, columns):
    assert screen.too_wide == []
    assert max(width(line) for line in screen.text().splitlines()) <= columns
    return screen.text()


@pytest.mark.parametrize(("columns", "rows"), SIZES[:1])
@pytest.mark.parametrize(
    ("method", "seen", "last"),
    [
        ("short", ("■ inside   usable 10..100 %", "✓ Good so far"), "✓ VALID"),
        ("doubtful", ("◀ BELOW: too little torque", "? Uncertain"), "? DOUBTFUL"),
        ("pre-shear", ("\npre-shear ", "\nrest "), "✓ VALID"),
        ("seek", ("try 1 of at most 6", "target 40..80 %", "╞"), "viscosity"),
        ("weigh", ("weighing", "mass "), "✓ VALID"),
    ],
)
def test_a_run(lab, tmp_path, method, seen, last, columns, rows):
    instrument = "balance-1" if method == "weigh" else "bench-1"
    command = (
        "--config",
        lab,
        "--state",
        tmp_path / "s",
        "run",
        method,
        "--instrument",
        instrument,
        "--sample",
        "釉薬-1",
    )
    screen, _ = drive(*command, columns=columns, rows=rows)
    text = checked(screen, columns)
    assert last in text
    drawn = "\n".join(screen.seen)
    for words_seen in seen:
        assert words_seen in drawn, drawn[-4000:]
    assert screen.redrawn > 5
    assert text.splitlines()[1].startswith("sample 釉薬-1")  # no redrawn row is left


@pytest.mark.parametrize(("columns", "rows"), SIZES[1:])
def test_the_demonstration(tmp_path, columns, rows):
    screen, code = drive("demo", "--keep", tmp_path / "kept", columns=columns, rows=rows, timeout=110)
    text = checked(screen, columns)
    assert code == 0, text
    assert text.splitlines()[0].startswith("Simulated instruments")  # no redrawn row is left
    beside = [view for view in screen.seen if re.search(r"bench-1 .*SIMULATED │ bench-2 .*SIMULATED", view)]
    assert len(beside) > 20
    assert max(len(view.splitlines()) for view in beside) <= rows
    for words in (("runs",), ("show", "last"), ("verification", "bench-1"), ("health", "bench-1"), ("outbox",)):
        other, _ = drive("--state", tmp_path / "kept" / "state", *words, columns=columns, rows=rows)
        assert checked(other, columns)


@pytest.mark.parametrize(("columns", "rows"), SIZES)
@pytest.mark.parametrize(
    "words",
    [
        ("plan", "--instrument", "bench-1", "--viscosity", "800 mPa.s"),
        ("check",),
        ("check", "--all"),
        ("doctor",),
        ("driver", "list"),
        ("schemas",),
    ],
)
def test_a_command(tmp_path, words, columns, rows):
    screen, _ = drive("--state", tmp_path / "state", *words, columns=columns, rows=rows)
    assert checked(screen, columns)


def test_a_line_wider_than_the_terminal_is_detected():
    screen, _ = drive("--version", columns=5, rows=24)
    assert screen.too_wide != []
