"""A trial: which ports it may open, what it keeps, and how it ends, whatever the instrument sends."""

import errno
import json
import os
import pty
import random
import signal
import threading

import pytest

from daq.adapters.ports import resolving
from daq.adapters.ports.resolving import SerialDevice
from daq.app.daemon.trials import starting, trial_file
from daq.app.daemon.trials.starting import TrialProcess
from daq.app.daemon.trials.trial_file import LONGEST_S, TrialReport, read_report, write_report
from daq.app.laboratory.acts import carry_out
from daq.app.setup import free_ports
from daq.app.workshop import live_trial
from daq.core.errors import LinkError, SettingError
from daq.core.portname import UsbAdapter
from daq.descriptions.capture import Capture, Piece
from daq.laboratory.trials import DriverTrial
from daq.testing.report import Finding, Report
from tests.support.laboratories import audited, laboratory, staffed

ORDER = DriverTrial(kind="kiln-scale", port="/dev/serial/by-id/scale", seconds=1)
BEGAN = TrialReport(id="t", kind="kiln-scale", port=ORDER.port, began_utc_ns=0)


def captured(*lines):
    return Capture([Piece(10**8 * (i + 1), "<", line) for i, line in enumerate(lines)])


def weights(count=24):
    return [b"ST,GS,%+9.2f g\r\n" % (100 + i * 1.37) for i in range(count)]


def tried(monkeypatch, capture, order=ORDER):
    """Return the last report of a trial whose port gives this capture, and those before it."""
    monkeypatch.setattr(live_trial, "_captured", lambda *_: (capture, ""))
    kept = []
    return live_trial.try_out(order, "/dev/none", BEGAN, kept.append), kept


class Started:
    """Processes that are started, and do nothing."""

    def __init__(self):
        self.commands, self.orders, self.ended = [], [], False

    def __call__(self, command, **_):
        self.commands.append(command)
        return self

    @property
    def stdin(self):
        return self

    def __enter__(self):
        return self

    def __exit__(self, *_):
        return None

    def write(self, data):
        self.orders.append(json.loads(data))

    def poll(self):
        return 0 if self.ended else None


@pytest.fixture
def ports(tmp_path, monkeypatch):
    """Three listed ports: one free, one of bench-1 under another name, one that is only there."""
    for name in ("ttyA", "ttyB", "ttyC"):
        (tmp_path / name).touch()
    (tmp_path / "stable-b").symlink_to(tmp_path / "ttyB")
    monkeypatch.setattr(free_ports, "names", lambda: [str(tmp_path / "ttyA"), str(tmp_path / "stable-b")])
    return tmp_path


def with_ports(lab, ports):
    """Give bench-1 the device of the second listed port."""
    instruments = lab.catalogue.instruments
    instruments["bench-1"] = instruments["bench-1"].model_copy(update={"port": str(ports / "ttyB")})
    return lab


def test_only_a_listed_port_without_an_instrument_is_opened(ports, monkeypatch):
    processes = Started()
    monkeypatch.setattr(starting.subprocess, "Popen", processes)
    with laboratory(ports) as lab:
        catalogue = with_ports(lab, ports).catalogue
        trials = TrialProcess(ports, lambda: catalogue)
        for port, words in {
            str(ports / "ttyC"): "is no port that this machine lists",
            str(ports / "ttyB"): "is no port that this machine lists",
            str(ports / "stable-b"): "is the port of bench-1, which the daemon serves",
            "socket://127.0.0.1:4000": "is no port that this machine lists",
            f"{ports}/../{ports.name}/ttyA": "is no port that this machine lists",
            "/etc/passwd": "is no port that this machine lists",
        }.items():
            with pytest.raises(SettingError, match=words):
                trials.start(ORDER.model_copy(update={"port": port}), 0)
        assert processes.commands == []
        assert not (ports / trial_file.FILE).exists()
        free = ORDER.model_copy(update={"port": str(ports / "ttyA"), "send": "--state /x"})
        ident = trials.start(free, 7)
        assert processes.commands[0][1:] == ["-m", starting.MODULE, str(ports), str(ports / "ttyA")]
        assert processes.orders == [free.model_dump(mode="json")]
        assert read_report(ports, 8).id == ident
        assert (ports / trial_file.FILE).stat().st_mode & 0o777 == 0o600
        with pytest.raises(SettingError, match="a trial goes on"):
            trials.start(free, 0)
        processes.ended = True
        assert trials.start(free, 0) != ident


def test_ports_are_listed_with_the_instruments_that_have_them(ports):
    with laboratory(ports) as lab:
        found = free_ports.listed_ports(with_ports(lab, ports).catalogue.instruments.values())
    assert found == {str(ports / "ttyA"): "", str(ports / "stable-b"): "bench-1"}


@pytest.mark.parametrize("wanted", ["usb:f1a2:0001", "usb:F1A2:0001", "usb:f1a2:0001:7", "usb:f1a2:0002", "usb:wrong"])
def test_a_port_that_may_be_that_of_an_instrument_is_not_free(ports, monkeypatch, wanted):
    # A second adapter of the same kind is plugged in after the daemon opened the port of the first one.
    present = [("ttyA", 1, "7"), ("ttyB", 1, "7"), ("ttyC", 2, "9")]
    plugged = [
        SerialDevice(str(ports / name), UsbAdapter(0xF1A2, product, serial)) for name, product, serial in present
    ]
    monkeypatch.setattr(resolving, "devices", lambda: plugged)
    listed = [str(ports / name) for name, _, _ in present]
    monkeypatch.setattr(free_ports, "names", lambda: listed)
    processes = Started()
    processes.ended = True
    monkeypatch.setattr(starting.subprocess, "Popen", processes)
    with laboratory(ports) as lab:
        instruments = lab.catalogue.instruments
        instruments["bench-1"] = instruments["bench-1"].model_copy(update={"port": wanted})
        trials = TrialProcess(ports, lambda: lab.catalogue)
        number = wanted.split(":")[2:3]
        own = [path for path, (_, product, _) in zip(listed, present, strict=True) if number == [f"{product:04}"]]
        assert [path for path, name in free_ports.listed_ports(instruments.values()).items() if name] == own
        for port in listed:
            if port in own:
                with pytest.raises(SettingError, match="is the port of bench-1"):
                    trials.start(ORDER.model_copy(update={"port": port}), 0)
            else:
                trials.start(ORDER.model_copy(update={"port": port}), 0)
        assert [command[-1] for command in processes.commands] == [path for path in listed if path not in own]
        # A listed name that fits several adapters names none.
        monkeypatch.setattr(free_ports, "names", lambda: ["usb:f1a2:0001"])
        instruments["bench-1"] = instruments["bench-1"].model_copy(update={"port": str(ports / "stable-b")})
        with pytest.raises(SettingError, match="is the port of bench-1"):
            trials.start(ORDER.model_copy(update={"port": "usb:f1a2:0001"}), 0)
        instruments["bench-1"] = instruments["bench-1"].model_copy(update={"port": "/dev/none"})
        with pytest.raises(SettingError, match="fits more than one adapter"):
            trials.start(ORDER.model_copy(update={"port": "usb:f1a2:0001"}), 0)


@pytest.mark.parametrize("at", [(starting.subprocess, "Popen"), (starting, "write_report")])
def test_a_trial_that_cannot_be_started_has_failed_and_says_why(ports, monkeypatch, at):
    def refuse(*_, **__):
        raise OSError(errno.ENOSPC, "no space left on device")

    with laboratory(ports) as lab:
        trials = TrialProcess(ports, lambda: lab.catalogue)
        with monkeypatch.context() as patch:
            patch.setattr(*at, refuse)
            with pytest.raises(LinkError, match="cannot be started: no space left on device"):
                trials.start(ORDER.model_copy(update={"port": str(ports / "ttyA")}), 0)
    found = read_report(ports, 0)
    assert (found is None) == (at[1] == "write_report")
    assert found is None or (found.stage, "no space left" in found.reason) == ("failed", True)


def test_a_trial_is_audited_and_needs_the_daemon(tmp_path):
    class Trials:
        def start(self, order, _utc_ns):
            return f"trial at {order.port}"

    with staffed(tmp_path) as lab:
        order = {"kind": "kiln-scale", "port": "/dev/ttyUSB7", "send": "P"}
        with pytest.raises(SettingError, match="needs the daemon"):
            carry_out(lab, "driver_trial", order)
        lab.trials = Trials()
        assert carry_out(lab, "driver_trial", order) == {"id": "trial at /dev/ttyUSB7"}
        entry = audited(lab)[-1]
        assert (entry.what, entry.who, entry.subject, json.loads(entry.detail)["send"]) == (
            "driver_tried", "administer", "/dev/ttyUSB7", "P",
        )  # fmt: skip
        for wrong in (
            {"seconds": 61},
            {"seconds": 0},
            {"baud": 1},
            {"kind": "Kiln"},
            {"kind": "../x"},
            {"parity": "X"},
        ):
            with pytest.raises(SettingError):
                carry_out(lab, "driver_trial", order | wrong)


def test_the_stages_follow_each_other_and_end_with_description_and_findings(monkeypatch):
    found = Report(
        "kiln-scale", [Finding("contract", "passed", "good"), Finding("units", "failed", "no unit", do="add")]
    )
    monkeypatch.setattr(live_trial, "check_driver_apart", lambda *_, **__: found)
    last, kept = tried(monkeypatch, captured(*weights()))
    assert [r.stage for r in kept] == ["describing", "checking"]
    assert "kiln-scale" in last.description
    assert any("ST,GS" in line for line in last.lines)
    assert last.stage == "done", last
    assert (last.passed, [(f.name, f.do) for f in last.findings]) == (1, [("units", "add")])


@pytest.mark.parametrize(
    "lines",
    [
        [b""],
        [b"\x00" * 5000],
        [b"\xff\xfe\x1b[31m\x1b]0;x\x07<script>\r\n"] * 30,
        [b"A" * 300 + b"\r\n"] * 400,
        [b"'''\"\"\"\\\\ = [x]\r\n"] * 20,
        [bytes(random.Random(7).randrange(256) for _ in range(200)) for _ in range(60)],
    ],
)
def test_whatever_comes_the_report_is_bounded_printable_and_ends(monkeypatch, tmp_path, lines):
    monkeypatch.setattr(live_trial, "check_driver_apart", lambda *_, **__: Report("x"))
    last, kept = tried(monkeypatch, captured(*lines))
    for report in (*kept, last):
        write_report(tmp_path, report)
        assert read_report(tmp_path, 1) == report
        assert len(report.lines) <= trial_file.MOST_LINES
        for text in (*report.lines, *report.remarks, report.reason):
            assert len(text) <= trial_file.LONGEST_LINE
            assert text.isprintable(), text
        assert all(c.isprintable() or c == "\n" for c in report.description)
    assert last.stage in ("done", "failed")


def test_a_port_that_cannot_be_opened_is_named(monkeypatch):
    def refuse(*_):
        raise LinkError("/dev/none: permission denied")

    monkeypatch.setattr(live_trial, "_captured", refuse)
    report = live_trial.try_out(ORDER, "/dev/none", BEGAN, lambda _: None)
    assert (report.stage, report.reason) == ("failed", "/dev/none: permission denied")


def test_a_trial_that_was_killed_has_failed_after_its_time(tmp_path):
    write_report(tmp_path, BEGAN)
    assert read_report(tmp_path, LONGEST_S * 10**9).stage == "capturing"
    assert read_report(tmp_path, (LONGEST_S + 6) * 10**9).stage == "failed"


@pytest.mark.parametrize("content", [b"", b"{}", b"[" * 100_000, b"\xff", b'{"id": 1}'])
def test_a_damaged_file_is_named(tmp_path, content):
    (tmp_path / trial_file.FILE).write_bytes(content)
    with pytest.raises(SettingError, match="cannot be read; begin another trial"):
        read_report(tmp_path, 0)


@pytest.mark.slow
def test_a_real_process_reads_a_real_port_and_only_that(tmp_path, monkeypatch):
    ours, theirs = pty.openpty()
    device = os.ttyname(theirs)
    monkeypatch.setattr(free_ports, "names", lambda: [device])
    over = threading.Event()

    def speak():
        while not over.is_set():
            for line in weights(8):
                os.write(ours, line)
                over.wait(0.02)

    speaker = threading.Thread(target=speak)
    speaker.start()
    try:
        with laboratory(tmp_path) as lab:
            trials = TrialProcess(tmp_path, lambda: lab.catalogue)
            order = ORDER.model_copy(update={"port": device})
            trials.start(order, lab.clock.utc_ns())
            process = trials._process
            assert process.wait(200) in (0, -signal.SIGALRM)
            report = read_report(tmp_path, lab.clock.utc_ns())
            trials.close()
    finally:
        over.set()
        speaker.join()
        os.close(ours)
        os.close(theirs)
    assert report.stage == "done", report
    assert report.passed > 5, report
    assert report.received > 100, report.reason
    assert "kiln-scale" in report.description, report
    assert sorted(p.name for p in tmp_path.iterdir() if p.name.startswith("trial")) == [trial_file.FILE]
