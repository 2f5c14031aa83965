"""The start of the command line: imports, help, options and exit codes."""

import json
import os
import subprocess
import sys
from types import SimpleNamespace

import pytest

from daq.app import cli as command_line
from daq.core.errors import DaqError, LinkError, SettingError

HEAVY = ("pydantic", "numpy", "scipy", "rich", "asyncio", "sqlite3", "serial", "structlog", "aiomqtt", "amqtt")


def imported_by(*args: str) -> set[str]:
    code = (
        "import sys, io, json, contextlib\n"
        "from daq.app.cli import main\n"
        "with contextlib.redirect_stdout(io.StringIO()), contextlib.suppress(SystemExit):\n"
        f"    main({list(args)!r})\n"
        "print(json.dumps(sorted(sys.modules)))"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)
    return {name.partition(".")[0] for name in json.loads(out.stdout)}


@pytest.mark.parametrize("args", [("--help",), ("--version",), ()])
def test_no_heavy_module_is_imported_before_the_command_is_known(args):
    assert imported_by(*args).isdisjoint(HEAVY)


def test_the_check_for_heavy_modules_detects_them():
    assert "pydantic" in imported_by("check")


@pytest.mark.slow
def test_help_names_every_command_and_the_cautions(cli):
    done = cli("--help")
    assert done.returncode == 0
    for name, text, _ in command_line.COMMANDS:
        assert f"{name} " in done.stdout
        assert text in done.stdout
    assert "not a safety function" in done.stdout


@pytest.mark.parametrize("name", [name for name, _, _ in command_line.COMMANDS])
def test_every_command_has_help(cli, name):
    done = cli(name, "--help")
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith(f"usage: daq {name}")
    assert "--config" in done.stdout
    assert "--state" in done.stdout


@pytest.mark.parametrize(
    ("args", "expected"),
    [
        (("measure",), "there is no command 'measure'"),
        (("runs", "--limit", "0"), "'0' is not a number"),
        (("runs", "--limit", "many"), "'many' is not a number"),
        (("runs", "--colour"), "unrecognized arguments: --colour"),
        (("show",), "RUN"),
        (("export", "x", "--format", "xlsx"), "invalid choice: 'xlsx'"),
        (("replay", "x", "--flip-bit", "one"), "invalid int value: 'one'"),
        (("backup",), "FILE"),
        (("init",), "DIR"),
    ],
)
def test_wrong_use_is_reported_with_exit_code_2(cli, args, expected):
    done = cli(*args)
    assert done.returncode == 2
    assert expected in done.stderr
    assert "Traceback" not in done.stderr


def test_no_command_shows_the_help(cli):
    done = cli()
    assert done.returncode == 2
    assert "commands:" in done.stdout


def test_version(cli):
    assert cli("--version").stdout.startswith("daq ")


def test_global_options_are_accepted_before_and_after_the_command(cli, shift):
    for args in (("--state", shift.state, "runs", "--json"), ("runs", "--json", "--state", shift.state)):
        done = cli(*args)
        assert done.returncode == 0, done.stderr
        assert len(json.loads(done.stdout)) == 4


def test_the_option_after_the_command_has_priority(cli, shift, tmp_path):
    done = cli("--state", tmp_path / "nowhere", "runs", "--json", "--state", shift.state)
    assert len(json.loads(done.stdout)) == 4


@pytest.mark.parametrize(
    ("raised", "code", "expected"),
    [
        (SettingError("is wrong", file="a.toml", key="b"), 2, "daq: a.toml: b: is wrong\n"),
        (LinkError("the cable is out"), 13, "daq: the cable is out\n"),
        (DaqError("it failed"), 13, "daq: it failed\n"),
        (KeyboardInterrupt(), 130, ""),
        (
            ZeroDivisionError("division by zero"),
            13,
            "daq: ZeroDivisionError: division by zero; this is a fault in daq; with DAQ_DEBUG=1 set it says where\n",
        ),
    ],
)
def test_errors_become_exit_codes(monkeypatch, capsys, raised, code, expected):
    def fail(_args):
        raise raised

    broken = SimpleNamespace(arguments=lambda _parser: None, run=fail)
    monkeypatch.setattr(command_line.importlib, "import_module", lambda _name: broken)
    assert command_line.main(["runs"]) == code
    assert capsys.readouterr().err == expected


@pytest.mark.slow
def test_a_closed_output_pipe_gives_no_error_message(shift):
    with subprocess.Popen(
        [sys.executable, "-m", "daq", "--state", str(shift.state), "export", shift.within],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=os.environ | {"PYTHONUNBUFFERED": "1"},
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.readline()
        process.stdout.close()
        written = process.stderr.read()
        process.wait(60)
    assert written == b""
    assert process.returncode == 13
