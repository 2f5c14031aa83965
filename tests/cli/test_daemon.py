"""Commands beside a daemon that holds the state directory, and the screen on a real terminal."""

import json
import os
import pty
import signal
import subprocess
import sys
import threading

import pytest

from daq.adapters.paths import holder, socket_path
from daq.app.daemon.daemon_client import ask
from daq.app.daemon.protocol import AskStatus, StatusAnswer
from daq.process.logins import own_login
from tests.support.processes.laboratory import eventually

INSTRUMENT = """
name = "bench-1"
driver = "rotational"
port = "/dev/none-such"
"""


@pytest.fixture
def served(shift, tmp_path):
    """Run a daemon on the shift's state with a disconnected instrument; yield the configuration folder."""
    folder = tmp_path / "config"
    (folder / "instruments").mkdir(parents=True)
    (folder / "daemon.toml").write_text('[log]\nformat = "json"\n')
    (folder / "instruments" / "bench-1.toml").write_text(INSTRUMENT)
    with subprocess.Popen(
        [sys.executable, "-m", "daq", "--config", str(folder), "--state", str(shift.state), "serve"],
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stderr is not None
        log = ""
        for line in process.stderr:
            log += line
            if '"serving"' in line:
                break
        else:
            pytest.fail(f"the daemon does not serve: {log}")
        # A thread reads the rest of the log, so that the daemon never waits for a full pipe.
        reading = threading.Thread(target=process.stderr.read)
        reading.start()
        yield folder
        process.send_signal(signal.SIGTERM)
        assert process.wait(30) == 0
        reading.join()


@pytest.mark.slow
def test_a_second_daemon_is_refused_with_the_pid_of_the_first(cli, shift, served):
    pid = holder(shift.state)
    done = cli("--config", served, "--state", shift.state, "serve")
    assert done.returncode == 13
    assert f"process {pid} holds this state directory" in done.stderr


@pytest.mark.slow
def test_backup_goes_through_the_daemon(cli, shift, served, tmp_path):
    copy = tmp_path / "copy.db"
    done = cli("--config", served, "--state", shift.state, "backup", copy)
    assert done.returncode == 0, done.stderr
    assert copy.exists()
    again = cli("--config", served, "--state", shift.state, "backup", copy)
    assert again.returncode == 13
    assert "never overwrites" in again.stderr


@pytest.mark.slow
def test_restore_is_refused_while_the_daemon_runs(cli, shift, served, tmp_path):
    done = cli("--config", served, "--state", shift.state, "restore", tmp_path / "copy.db")
    assert done.returncode == 13
    assert "holds this state directory" in done.stderr


@pytest.mark.slow
def test_runs_can_be_listed_while_the_daemon_runs(cli, shift, served):
    assert len(json.loads(cli("--config", served, "--state", shift.state, "runs", "--json").stdout)) == 4


@pytest.mark.slow
def test_an_act_goes_through_the_daemon(cli, shift, served):
    added = cli("--state", shift.state, "sample", "add", "G-1050")
    assert (added.returncode, added.stderr) == (0, "")
    assert [s["id"] for s in json.loads(cli("--state", shift.state, "sample", "list", "--json").stdout)] == ["G-1050"]
    again = cli("--state", shift.state, "sample", "add", "G-1050")
    assert again.returncode == 2
    assert "there is a sample 'G-1050' already" in again.stderr


@pytest.mark.slow
def test_a_run_is_corrected_through_the_daemon(cli, shift, served):
    where = ("--config", served, "--state", shift.state)
    done = cli(*where, "correct", shift.within, "--sample", "G-1O41", "--product", "", "--because", "mistyped")
    assert (done.returncode, done.stderr) == (0, "")
    assert [r["corrected"] for r in json.loads(cli(*where, "runs", "--sample", "G-1O41", "--json").stdout)] == [True]
    assert cli(*where, "note", shift.within, "second bucket").returncode == 0
    assert cli(*where, "annul", shift.within, "--because", "spilled").returncode == 0


@pytest.mark.slow
def test_persons_act_through_the_daemon_and_failed_log_ins_slow_down_the_next(cli, shift, served, tmp_path):
    (tmp_path / "password").write_text("blue celadon\n")
    (tmp_path / "wrong").write_text("blue seladon\n")

    def daq(*args):
        done = cli("--config", served, "--state", shift.state, *args)
        return done.returncode, done.stderr

    login = ("--role", "administer", "--login", own_login())
    assert daq("person", "add", "chief", *login, "--password-file", tmp_path / "password") == (0, "")
    assert daq("person", "add", "a.firing", "--role", "measure") == (0, "")
    found = json.loads(cli("--state", shift.state, "person", "list", "--json").stdout)
    assert [(p["id"], p["changed_by"]) for p in found] == [("a.firing", "chief"), ("chief", own_login())]
    as_chief = ("--as", "chief", "--as-password-file")
    lock = ("person", "lock", "a.firing", "--because", "left")
    code, text = daq(*lock, *as_chief, tmp_path / "wrong")
    assert (code, text) == (2, "daq: the log-in is refused; the next one is possible in 1 s\n")
    # The daemon remembers the failure from one request to the next.
    for expected in ("2 s", "4 s", "8 s"):
        eventually(lambda: "next one" in daq(*lock, *as_chief, tmp_path / "wrong")[1], what=expected)
    code, text = daq(*lock, *as_chief, tmp_path / "password")
    assert (code, "the last one failed; try again in" in text) == (2, True)
    assert daq(*lock) == (0, "")


@pytest.mark.slow
def test_doctor_asks_the_daemon(cli, shift, served):
    done = cli("--config", served, "--state", shift.state, "doctor")
    assert done.returncode == 1
    assert f"ok     daemon: process {holder(shift.state)} serves bench-1" in done.stdout
    assert "WRONG  instrument bench-1: connecting" in done.stdout
    assert "WRONG  port of bench-1: /dev/none-such: there is no such device" in done.stdout


SHOW = """
from tests.support.views import MEASURING, changed, result
from daq.app.screens.live import RunScreen
from daq.app.screens.run_view import RunEnd
screen = RunScreen()
with screen:
    for second in range(3):
        screen.show(changed(run_s=float(second)))
    screen.finish(RunEnd(run="3f2a91bc-0", outcome="complete", reason="", motor="still", result_id="r"), result())
"""


def on_terminal(code, **environment):
    main, device = pty.openpty()
    env = os.environ | {"TERM": "xterm-256color", "COLUMNS": "80", "LINES": "30"} | environment
    env = {k: v for k, v in env.items() if v}
    with subprocess.Popen([sys.executable, "-c", code], stdout=device, stderr=device, env=env) as process:
        os.close(device)
        out = b""
        try:
            while chunk := os.read(main, 65536):
                out += chunk
        except OSError:  # Linux: EIO when the last writer has closed
            pass
        assert process.wait(30) == 0
    os.close(main)
    return out.decode()


def test_on_a_terminal_the_screen_is_redrawn_in_place_and_the_result_stays():
    text = on_terminal(SHOW, NO_COLOR="")
    assert "\x1b[?25l" in text  # DEC private mode 25: the cursor is hidden while the screen changes ...
    assert text.rindex("\x1b[?25h") > text.rindex("\x1b[?25l")  # ... and shown again
    assert text.count("usable 10..100 %") >= 3
    assert "\x1b[2K" in text  # ECMA-48 EL: lines are erased before they are written anew
    end = text[text.rindex("\x1b[?25h") :]
    assert "VALID" in end
    assert "daq show 3f2a91bc" in end
    assert "usable" not in end


def test_a_dumb_terminal_gets_lines_of_text():
    text = on_terminal(SHOW, TERM="dumb")
    assert "\x1b" not in text
    assert text.startswith("00:00 measuring 3/9 up-10; ")


GEOMETRY = """
[geometries.coaxial-15]
kind = "coaxial_cylinders"
inner_radius = 15.0
outer_radius = 16.2705
length = 45.0
"""


def _asked_status(shift):
    return ask(socket_path(shift.state), AskStatus(), StatusAnswer).status


@pytest.mark.slow
def test_changed_files_take_effect_by_reload_and_by_a_signal_and_an_error_is_named(cli, shift, served):
    path = served / "instruments" / "bench-1.toml"
    path.write_text(INSTRUMENT + GEOMETRY)
    done = cli("--config", served, "--state", shift.state, "reload")
    assert (done.returncode, done.stdout) == (0, "instrument bench-1: changed, in effect\n")
    assert cli("--config", served, "--state", shift.state, "reload").stdout == "nothing has changed\n"
    fitted = cli("--config", served, "--state", shift.state, "fit", "bench-1", "coaxial-15", "--serial", "K-7")
    assert (fitted.returncode, fitted.stdout) == (0, "coaxial-15 (serial number K-7) is fitted to bench-1\n")
    assert cli("--config", served, "--state", shift.state, "fit", "bench-1", "coaxial-16").returncode == 2

    path.write_text(INSTRUMENT + GEOMETRY + "colour = 1\n")
    done = cli("--config", served, "--state", shift.state, "reload")
    assert (done.returncode, "bench-1.toml: geometries.coaxial-15.colour" in done.stdout) == (2, True)
    doctor = cli("--config", served, "--state", shift.state, "doctor").stdout
    assert "WRONG  configuration of the daemon" in doctor
    assert "fitted to bench-1: coaxial-15 (serial number K-7)" in doctor
    # A stop must reach the daemon whatever the files hold.
    assert cli("--config", served, "--state", shift.state, "stop", "bench-1").returncode == 0
    refused = cli(
        "--config", served, "--state", shift.state, "run", "any", "--instrument", "bench-1", "--sample", "S-1"
    )
    assert (refused.returncode, "geometries.coaxial-15.colour" in refused.stderr) == (2, True), refused.stderr

    path.write_text(INSTRUMENT + GEOMETRY)
    pid = holder(shift.state)
    assert pid is not None
    os.kill(pid, signal.SIGHUP)
    eventually(lambda: _asked_status(shift).configuration == (), what="the reload by a signal")
    assert _asked_status(shift).instruments["bench-1"].fitted == "coaxial-15 (serial number K-7)"


@pytest.mark.slow
def test_the_daemon_makes_a_report(cli, shift, served, tmp_path):
    file = tmp_path / "record.pdf"
    where = ("--config", served, "--state", shift.state)
    done = cli(*where, "report", shift.within, "-o", file)
    assert done.returncode == 0, done.stderr
    assert cli(*where, "trace", file).returncode == 0
