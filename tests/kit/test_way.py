"""The way from an unknown instrument to a driver, command by command, over real pseudo-terminals and TCP."""

import io
import json
import resource
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from daq.app.cli import main
from daq.descriptions.capture import Capture, Piece, read_capture
from tests.support import sentences

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parents[2]
DAQ = [sys.executable, "-m", "daq"]


@pytest.fixture
def started():
    processes = []

    def start(*command, ready="ready", **more):
        process = subprocess.Popen([*map(str, command)], stdout=subprocess.PIPE, text=True, cwd=ROOT, **more)
        processes.append(process)
        if ready:
            assert process.stdout.readline().startswith(ready)
        return process

    yield start
    for process in processes:
        process.terminate()
        process.wait(20)
        process.stdout.close()


@pytest.fixture
def daq(tmp_path, monkeypatch, capsys):
    """The command line in this process and in an empty folder: starting Python each time would take most of the test."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("NO_COLOR", "1")

    def run(*args, codes=(0,), typed=""):
        monkeypatch.setattr(sys, "stdin", io.StringIO(typed))
        code = main([str(a) for a in args])
        output = "".join(capsys.readouterr())
        assert code in codes, f"{args}\nexit {code}\n{output}"
        return output

    return run


def host(kind, port):
    return [sys.executable, "-m", "simulators.host", kind, "--pty", port]


def test_from_a_polled_balance_to_its_driver_and_back(tmp_path, daq, started):
    started(*host("balance", tmp_path / "port"), "--control", tmp_path / "control")
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as control:
        # The load dries by more than 1 g/s, so that every line differs.
        control.connect(str(tmp_path / "control"))
        for command in (b"load 600\n", b"dry 100\n"):
            control.sendall(command)
            assert control.recv(100) == b"done\n"
    requests = ("--send", "mass?", "--send", "identity?", "--rounds", "6", "--every", "0.1")
    output = daq("capture", "port", *requests, "-o", "scale.capture")
    assert "next: daq driver new NAME --from scale.capture" in output
    capture = read_capture((tmp_path / "scale.capture").read_text(), "scale.capture")
    assert capture.sent == [b"mass?\r\n", b"identity?\r\n"] * 6
    assert b"serial=B-0207" in capture.received
    assert capture.about["settings"] == "9600 baud, 8N1"

    output = daq("driver", "new", "scale", "--from", "scale.capture")
    assert "wrote scale.toml" in output
    assert "every line has a checksum: xor" in output
    assert "next: daq driver check scale.toml\n" in output
    assert "exists already" in daq("driver", "new", "scale", "--from", "scale.capture", codes=(2,))

    assert "FAILED filled in" in daq("driver", "check", "scale.toml", codes=(1,))
    made = tmp_path / "scale.toml"
    made.write_text("".join(row for row in made.read_text().splitlines(keepends=True) if "# FILL IN:" not in row))
    output = daq("driver", "check", "scale.toml")
    assert "none failed" in output
    assert "next: daq driver try scale.toml PORT" in output
    output = daq("driver", "try", "scale.toml", "port", "--readings", "3")
    assert "instrument: scale, serial B-0207" in output
    assert output.count("mass ") == 3
    assert 'driver = "scale.toml"' in output

    # The description reads the lines that it simulates, and the capture.
    for what in ("scale.toml", "scale.capture"):
        started(*DAQ, "simulate", tmp_path / what, "--pty", tmp_path / "pretend")
        output = daq("driver", "try", "scale.toml", "pretend", "--readings", "2")
        assert output.count("mass ") == 2
        assert ", 0 lines rejected" in output


def test_a_stream_over_tcp(daq, started):
    process = started(*DAQ, "simulate", "thermometer", "--tcp", "127.0.0.1:0", ready="")
    address = process.stdout.readline().split("tcp ")[1].split(";")[0]
    url = f"socket://{address}"
    output = daq("capture", url, "--send", "id", "--rounds", "1", "--for", "6", "-o", "t.capture")
    assert output.count(" ok*") >= 3
    output = daq("driver", "new", "kiln-thermo", "--from", "t.capture")
    assert "readings come unasked" in output
    assert "next: daq driver check kiln-thermo.toml --capture t.capture" in output
    output = daq("driver", "try", "thermometer", url, "--readings", "1")
    assert output.count("temperature ") == 1


def test_a_value_that_never_changes_is_no_capture_for_a_description(daq, started):
    process = started(*DAQ, "simulate", "thermometer", "--tcp", "127.0.0.1:0", "--set", "temperature=21.5", ready="")
    url = f"socket://{process.stdout.readline().split('tcp ')[1].split(';')[0]}"
    daq("capture", url, "--send", "id", "--rounds", "1", "--for", "4", "-o", "t.capture")
    output = daq("driver", "new", "kiln-thermo", "--from", "t.capture", codes=(2,))
    assert "let the value change" in output
    output = daq("driver", "try", "thermometer", url, "--readings", "1")
    assert "temperature 21.5000 \u00b0C" in output


def test_what_is_typed_is_sent_and_what_the_display_shows_is_noted(tmp_path, daq, started):
    started(*host("balance", tmp_path / "port"))
    typed = "mass?\n= 12.5 g\n\\q\nidentity?\n"
    output = daq("capture", "port", "--type", "-o", "typed.capture", typed=typed)
    assert "not sent: unknown escape" in output
    capture = read_capture((tmp_path / "typed.capture").read_text(), "typed.capture")
    assert capture.sent == [b"mass?\r\n", b"identity?\r\n"]
    assert [text for _, text in capture.shown] == ["12.5 g"]
    assert b"serial=B-0207" in capture.received


def test_ctrl_c_ends_a_capture_and_keeps_it(tmp_path, started):
    started(*host("thermometer", tmp_path / "port"))
    process = started(*DAQ, "capture", tmp_path / "port", "-o", tmp_path / "t.capture", ready="listening")
    path = tmp_path / "t.capture"
    deadline = time.monotonic() + 30
    while not path.exists() or b" < T" not in path.read_bytes():
        assert time.monotonic() < deadline
        time.sleep(0.05)
    process.send_signal(signal.SIGINT)
    assert process.wait(30) == 0
    assert "next: daq driver new" in process.stdout.read()
    assert not read_capture(path.read_text(), "t").cut


def test_a_capture_that_cannot_be_written_any_more_ends_with_what_it_has(tmp_path, started):
    started(*host("thermometer", tmp_path / "port"))
    path = tmp_path / "t.capture"

    def little_space():
        # As a full disk: no file may grow beyond this, and Python gets an error, not the signal.
        resource.setrlimit(resource.RLIMIT_FSIZE, (500, 500))

    command = [*DAQ, "capture", tmp_path / "port", "--for", "60", "-o", path]
    process = started(*command, ready="", preexec_fn=little_space, stderr=subprocess.STDOUT)
    assert process.wait(50) == 0
    output = process.stdout.read()
    assert "ended early: the file cannot be written: File too large; its content so far can be used" in output
    assert "Traceback" not in output
    assert len(read_capture(path.read_text(), "t").pieces) >= 2


def test_good_text_where_nothing_comes_and_where_there_is_nothing(tmp_path, daq, started):
    started(*host("balance", tmp_path / "port"))
    output = daq("capture", "port", "--for", "0.3", codes=(1,))
    assert "nothing came" in output
    assert "many instruments speak only when asked" in output
    assert "no such device" in daq("capture", "nowhere", "-o", "n.capture", codes=(13,))
    assert not (tmp_path / "n.capture").exists()
    assert not (tmp_path / "new.capture").exists()  # the same command can be given again
    (tmp_path / "new.capture").write_text("")
    assert "exists already" in daq("capture", "port", "--for", "0.1", codes=(2,))
    assert "no such file" in daq("driver", "new", "x", "--from", "none.capture", codes=(2,))
    assert "no reading came" in daq("driver", "try", "thermometer", "port", "--for", "0.5", codes=(1,))
    output = daq("driver", "check", "balence", codes=(2,))
    assert "did you mean 'balance'?" in output
    assert "or name a description file" in output
    output = daq("driver", "check", "modbus", codes=(2,))
    assert "give it with --option NAME=VALUE, or name an instrument's file" in output
    output = daq("simulate", "modbus", "--pty", "p", codes=(2,))
    assert "written in Python, and only a description or a capture can be simulated" in output
    assert "there is no channel 'weight'" in daq("simulate", "balance", "--pty", "p", "--set", "weight=1", codes=(2,))


def test_a_failing_driver_has_an_exit_code_and_json_for_scripts(tmp_path, daq):
    (tmp_path / "bad.toml").write_text(
        'format = 1\nkind = "bad"\n[[channel]]\nname = "a"\nunit = "1"\nlow = 0\nhigh = 1\n'
        '[poll]\nrequests = ["a"]\n[request.a]\nsend = "A"\n[line.a]\nsays = "reading"\npattern = "A {a:number}"\n'
    )
    (tmp_path / "bad.capture").write_text(
        "# daq capture 1\n 0.0 > A\\r\\n\n 0.1 < B 0.5\\r\\n\n 1.0 > A\\r\\n\n 1.1 < B 0.6\\r\\n\n"
    )
    output = daq("driver", "check", "bad.toml", codes=(1,))
    assert "FAILED understands" in output
    assert "none of 2 lines is a reading" in output
    report = json.loads(daq("driver", "check", "bad.toml", "--json", codes=(1,)))
    assert not report["passed"]
    assert [c["name"] for c in report["checks"] if c["outcome"] == "failed"] == ["understands"]


def test_the_schema_is_printed(daq):
    schema = json.loads(daq("driver", "schema"))
    assert "channel" in schema["properties"]


@pytest.mark.parametrize(
    ("port", "output"),
    [
        ("nowhere", "no such device; is the cable plugged in?\n  devices now: "),
        ("plain.txt", "this is no serial device"),
        ("wash://there", "write /dev/NAME, usb:VENDOR:PRODUCT[:SERIAL], socket://HOST:PORT or rfc2217://HOST:PORT"),
        ("socket://there", "write socket://HOST:NUMBER"),
        ("socket://127.0.0.1:{closed}", "check that the instrument or its converter is on, its address"),
        ("usb:f1a2:0001:NOT-THERE", sentences.NO_SUCH_ADAPTER),
    ],
)
@pytest.mark.parametrize("command", ["capture", "try"])
def test_a_port_that_cannot_be_opened_is_said_with_what_to_do(tmp_path, daq, command, port, output):
    (tmp_path / "plain.txt").write_text("x")
    with socket.socket() as closed:
        closed.bind(("127.0.0.1", 0))
        port = port.format(closed=closed.getsockname()[1])
        given = ("capture", port) if command == "capture" else ("driver", "try", "thermometer", port)
        assert output in daq(*given, codes=(13,))
    assert not (tmp_path / "new.capture").exists()


def test_a_port_that_another_program_holds_is_said_with_who_holds_it(tmp_path, daq, started):
    started(*host("balance", tmp_path / "port"))
    holder = started(*DAQ, "capture", tmp_path / "port", "-o", tmp_path / "held.capture", ready="listening")
    output = daq("driver", "try", "balance", "port", codes=(13,))
    assert f"process {holder.pid} (" in output
    assert "end that program" in output


@pytest.mark.parametrize(
    "given",
    [("--baud", "0"), ("--for", "-1"), ("--for", "nan"), ("--rounds", "0"), ("--every", "soon"), ("--wait", "-0.1")],
)
def test_numbers_that_make_no_sense_are_refused(tmp_path, daq, given):
    with pytest.raises(SystemExit):
        daq("capture", "port", *given)
    assert not (tmp_path / "new.capture").exists()


def test_noise_and_refusals_are_named_and_lead_to_no_driver(tmp_path, daq, started):
    noise = bytes(range(128, 250)) * 4
    (tmp_path / "noise.capture").write_text(Capture([Piece(0, ">", b"W?\r\n"), Piece(10**6, "<", noise)]).text())
    started(*DAQ, "simulate", tmp_path / "noise.capture", "--pty", tmp_path / "noise")
    output = daq("capture", "noise", "--send", "W?", "--rounds", "1", "-o", "a.capture")
    assert "the baud rate (9600),\n  the data bits or the parity are wrong" in output
    assert "--baud 19200 or --bits 7 --parity E" in output
    assert "daq driver new" not in output
    (tmp_path / "no.capture").write_text(Capture([Piece(0, ">", b"W?\r\n"), Piece(10**6, "<", b"\x15")]).text())
    started(*DAQ, "simulate", tmp_path / "no.capture", "--pty", tmp_path / "no")
    output = daq("capture", "no", "--send", "W?", "--rounds", "2", "--every", "0.1", "-o", "b.capture")
    assert "(NAK) is all that it answers" in output
    assert "daq driver new" not in output


def test_what_is_no_description_is_said_to_be_what_it_is(tmp_path, daq, started):
    good = Capture([Piece(0, ">", b"W?\r\n"), Piece(10**6, "<", b"W 1.5 g\r\n")]).text()
    (tmp_path / "a.capture").write_text(good)
    for command in (("driver", "check", "a.capture"), ("driver", "try", "a.capture", "port")):
        assert "is a capture, no driver; `daq driver new NAME --from a.capture`" in daq(*command, codes=(2,))
    (tmp_path / "empty").write_text("")
    (tmp_path / "bytes").write_bytes(b"\xff\xfe")
    assert "its first line must be" in daq("driver", "check", "balance", "--capture", "empty", codes=(2,))
    assert "it is not text in UTF-8" in daq("driver", "new", "x", "--from", "bytes", codes=(2,))
    assert "neither a capture" in daq("simulate", "empty", "--pty", "p", codes=(2,))
    (tmp_path / "asked.capture").write_text(good.split(" < ")[0].rsplit("\n", 1)[0] + "\n")
    output = daq("driver", "check", "balance", "--capture", "asked.capture", codes=(2,))
    assert "nothing came from the instrument" in output
    (tmp_path / "cut.capture").write_text(good * 1 + "    9.000000 < W 2.")
    assert "its last line was cut off" in daq("driver", "new", "x", "--from", "cut.capture")


def test_an_instruments_file_stands_for_its_driver_and_options(tmp_path, daq):
    daq("init", "lab")
    output = daq("driver", "check", "lab/instruments/bath-1.toml")
    assert "none failed" in output
    (tmp_path / "lab/instruments/odd.toml").write_text('name = "odd"\ndriver = "modbus"\n[options]\naddress = 999\n')
    assert "lab/instruments/odd.toml: options" in daq("driver", "check", "lab/instruments/odd.toml", codes=(2,))


def test_where_no_reading_comes_the_last_bytes_are_shown(tmp_path, daq, started):
    started(*host("balance", tmp_path / "port"), "--control", tmp_path / "control")
    output = daq("driver", "try", "thermometer", "port", "--for", "0.5", codes=(1,))
    assert "no reading came; `daq capture port` shows what does" in output
    started(*DAQ, "simulate", "thermometer", "--pty", tmp_path / "other")
    output = daq("driver", "try", "level", "other", "--for", "4", codes=(1,))
    assert "last bytes: 'T " in output
    assert "`daq capture other --baud 4800` shows" in output


def test_a_port_that_is_lost_ends_the_trial_and_the_capture_with_a_word_on_it(tmp_path, started):
    line = started(*DAQ, "simulate", "thermometer", "--pty", tmp_path / "port")
    trial = started(*DAQ, "driver", "try", "thermometer", tmp_path / "port", ready="temperature")
    line.terminate()
    output, _ = trial.communicate(timeout=60)
    assert trial.returncode == 1
    assert "the port was lost: the device is gone" in output
    assert "next: see to the cable" in output
    line = started(*DAQ, "simulate", "thermometer", "--pty", tmp_path / "other")
    capture = started(*DAQ, "capture", tmp_path / "other", "-o", tmp_path / "t.capture", ready="listening")
    assert " < T" in capture.stdout.readline()
    line.terminate()
    output, _ = capture.communicate(timeout=60)
    assert capture.returncode == 0
    assert "ended early: the device is gone" in output
    assert read_capture((tmp_path / "t.capture").read_text(), "t").received
