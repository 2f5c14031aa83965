"""A trial: which ports it may open, what it keeps, and how it ends, whatever the instrument sends."""

import errno
import hashlib
import json
import os
import pty
import random
import signal
import struct
import threading

import pytest

from daq.adapters.ports import resolving
from daq.adapters.ports.resolving import SerialDevice
from daq.app.daemon.trials import free_ports, starting, trial_file
from daq.app.daemon.trials.starting import TrialProcess
from daq.app.daemon.trials.trial_file import LONGEST_S, TrialReport, read_report, write_report
from daq.app.laboratory.acts import carry_out
from daq.app.workshop import live_trial
from daq.core.errors import LinkError, SettingError, StoreError
from daq.core.portname import UsbAdapter
from daq.descriptions.capture import Capture, Piece, load_capture
from daq.laboratory.trials import DriverTrial
from daq.testing.report import Finding, Report
from tests.support.laboratories import audited, laboratory, staffed

ORDER = DriverTrial(kind="kiln-scale", port="/dev/serial/by-id/scale", seconds=1)
BEGAN = TrialReport(id="t", kind="kiln-scale", port=ORDER.port, began_utc_ns=0)


def no_audit(_ident):
    """Store nothing."""


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
                trials.start(ORDER.model_copy(update={"port": port}), 0, no_audit)
        assert processes.commands == []
        assert not (ports / trial_file.FILE).exists()
        free = ORDER.model_copy(update={"port": str(ports / "ttyA"), "send": "--state /x"})
        ident = trials.start(free, 7, no_audit)
        assert processes.commands[0][1:] == ["-m", starting.MODULE, str(ports), str(ports / "ttyA")]
        assert processes.orders == [free.model_dump(mode="json")]
        assert read_report(ports, 8).id == ident
        assert (ports / trial_file.FILE).stat().st_mode & 0o777 == 0o600
        with pytest.raises(SettingError, match="a trial goes on"):
            trials.start(free, 0, no_audit)
        processes.ended = True
        assert trials.start(free, 0, no_audit) != ident


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
                    trials.start(ORDER.model_copy(update={"port": port}), 0, no_audit)
            else:
                trials.start(ORDER.model_copy(update={"port": port}), 0, no_audit)
        assert [command[-1] for command in processes.commands] == [path for path in listed if path not in own]
        # A listed name that fits several adapters names none.
        monkeypatch.setattr(free_ports, "names", lambda: ["usb:f1a2:0001"])
        instruments["bench-1"] = instruments["bench-1"].model_copy(update={"port": str(ports / "stable-b")})
        with pytest.raises(SettingError, match="is the port of bench-1"):
            trials.start(ORDER.model_copy(update={"port": "usb:f1a2:0001"}), 0, no_audit)
        instruments["bench-1"] = instruments["bench-1"].model_copy(update={"port": "/dev/none"})
        with pytest.raises(SettingError, match="fits more than one adapter"):
            trials.start(ORDER.model_copy(update={"port": "usb:f1a2:0001"}), 0, no_audit)


@pytest.mark.parametrize("at", [(starting.subprocess, "Popen"), (starting, "write_report")])
def test_a_trial_that_cannot_be_started_has_failed_and_says_why(ports, monkeypatch, at):
    def refuse(*_, **__):
        raise OSError(errno.ENOSPC, "no space left on device")

    with laboratory(ports) as lab:
        trials = TrialProcess(ports, lambda: lab.catalogue)
        with monkeypatch.context() as patch:
            patch.setattr(*at, refuse)
            with pytest.raises(LinkError, match="cannot be started: no space left on device"):
                trials.start(ORDER.model_copy(update={"port": str(ports / "ttyA")}), 0, no_audit)
    found = read_report(ports, 0)
    assert (found is None) == (at[1] == "write_report")
    assert found is None or (found.stage, "no space left" in found.reason) == ("failed", True)


def test_a_trial_is_audited_and_needs_the_daemon(tmp_path):
    class Trials:
        def start(self, order, _utc_ns, audit):
            ident = f"trial at {order.port}"
            audit(ident)
            return ident

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


def test_a_trial_is_in_the_audit_trail_before_anything_of_it_starts(ports, monkeypatch):
    processes, heard = Started(), []
    monkeypatch.setattr(starting.subprocess, "Popen", processes)

    def audit(ident):
        assert processes.commands == []
        assert not (ports / trial_file.FILE).exists()
        heard.append(ident)

    def refuse(_ident):
        raise StoreError("the disk is full")

    with laboratory(ports) as lab:
        trials = TrialProcess(ports, lambda: lab.catalogue)
        free = ORDER.model_copy(update={"port": str(ports / "ttyA")})
        with pytest.raises(StoreError):
            trials.start(free, 0, refuse)
        assert processes.commands == []
        assert read_report(ports, 0) is None
        ident = trials.start(free, 0, audit)
        assert heard == [ident]
        # One that is refused is not audited.
        with pytest.raises(SettingError, match="a trial goes on"):
            trials.start(free, 0, audit)
        processes.ended = True
        with pytest.raises(SettingError, match="there are no lines of a trial"):
            trials.start(free.model_copy(update={"description": "x", "captured": True}), 0, audit)
        assert heard == [ident]


def test_a_second_check_takes_the_lines_of_the_trial_that_the_person_saw(ports, monkeypatch):
    """Another person begins a trial at another port while a description is corrected: its lines are other ones."""
    processes = Started()
    monkeypatch.setattr(starting.subprocess, "Popen", processes)
    with laboratory(ports) as lab:
        trials = TrialProcess(ports, lambda: lab.catalogue)
        free = ORDER.model_copy(update={"port": str(ports / "ttyA")})
        again = free.model_copy(update={"description": "x", "captured": True})
        seen = trials.start(free, 0, no_audit)
        (ports / trial_file.CAPTURE_FILE).write_text("")
        processes.ended = True
        other = trials.start(free, 1, no_audit)
        with pytest.raises(SettingError, match="another trial was started"):
            trials.start(again.model_copy(update={"of": seen}), 2, no_audit)
        third = trials.start(again.model_copy(update={"of": other}), 3, no_audit)
        # The check is a trial itself: a further one names it.  Without a name, the newest lines are taken.
        with pytest.raises(SettingError, match="load the screen again"):
            trials.start(again.model_copy(update={"of": other}), 4, no_audit)
        trials.start(again.model_copy(update={"of": third}), 5, no_audit)
        trials.start(again, 6, no_audit)


def test_the_act_refuses_old_lines_without_a_description_and_audits_the_digest_of_one(tmp_path):
    orders = []

    class Trials:
        def start(self, order, _utc_ns, audit):
            audit("t")
            orders.append(order)
            return "t"

    with staffed(tmp_path) as lab:
        lab.trials = Trials()
        order = {"kind": "kiln-scale", "port": "/dev/ttyUSB7", "captured": True}
        with pytest.raises(SettingError, match="description"):
            carry_out(lab, "driver_trial", order)
        carry_out(lab, "driver_trial", order | {"description": "kind = 1"})
        detail = json.loads(audited(lab)[-1].detail)
        assert detail["description"] == hashlib.sha256(b"kind = 1").hexdigest()
        assert orders[0].description == "kind = 1"


def test_a_corrected_description_is_checked_with_the_same_lines_and_its_values_are_beside_them(monkeypatch, tmp_path):
    monkeypatch.setattr(live_trial, "check_driver_apart", lambda *_, **__: Report("x", [Finding("a", "passed", "")]))
    before = tmp_path / trial_file.CAPTURE_FILE
    monkeypatch.setattr(live_trial, "_captured", lambda *_: (captured(*weights()), ""))
    first = live_trial.try_out(ORDER, "/dev/none", BEGAN, lambda _: None, before)
    assert first.stage == "done", first
    assert len(first.values) == len(first.lines) == 24
    # The first line after opening may be incomplete; the description says so.
    assert first.values[:2] == ("", "mass 101.37 g")
    assert first.values[-1] == "mass 131.51 g"

    def never(*_):
        raise AssertionError("no port is opened")

    monkeypatch.setattr(live_trial, "_captured", never)
    again = ORDER.model_copy(update={"captured": True})
    wrong = again.model_copy(update={"description": first.description.replace("kind", "kid", 1)})
    failed = live_trial.try_out(wrong, "", BEGAN, lambda _: None, before)
    assert (failed.stage, failed.description) == ("failed", wrong.description)
    no_toml = live_trial.try_out(again.model_copy(update={"description": "= ["}), "", BEGAN, lambda _: None, before)
    assert no_toml.stage == "failed"
    assert any("is no TOML" in line for line in no_toml.remarks)
    better = again.model_copy(update={"description": first.description.replace("mass", "net_weight")})
    second = live_trial.try_out(better, "", BEGAN, lambda _: None, before)
    assert second.stage == "done", second
    assert second.lines == first.lines
    assert second.values == tuple(text.replace("mass", "net_weight") for text in first.values)


def test_the_newest_lines_and_their_values_are_shown_while_the_capture_goes_on():
    pieces = captured(*weights(50)).pieces
    for description in ("", live_trial.guess_description("kiln-scale", captured(*weights()), "x").text):
        beside = live_trial._Beside(ORDER.model_copy(update={"description": description}))
        for count in (1, 10, 50):
            report = live_trial._so_far(BEGAN, pieces[:count], beside)
            assert len(report.lines) == len(report.values) == min(count, live_trial.NEWEST)
            assert report.left_out == count - len(report.lines)
            if count >= 10:
                assert f"{100 + (count - 1) * 1.37:.6g}" in report.values[-1]
    # Hostile lines have no values, and end nothing.
    rng = random.Random(3)
    noise = captured(*(rng.randbytes(rng.randrange(1, 90)) for _ in range(60))).pieces
    report = live_trial._so_far(BEGAN, noise, live_trial._Beside(ORDER))
    assert len(report.values) == live_trial.NEWEST
    assert all(text.isprintable() for text in (*report.lines, *report.values))


def test_the_lines_that_are_kept_fit_in_their_file(tmp_path):
    capture = captured(*[bytes([n % 256]) * 250 for n in range(4000)])
    text = live_trial._kept_text(capture)
    assert len(text) <= trial_file.LARGEST
    trial_file.write_private(tmp_path / "x", text)
    kept = load_capture(tmp_path / "x")
    assert kept.pieces == capture.pieces[: len(kept.pieces)]
    assert len(kept.pieces) > 500


def test_the_stages_follow_each_other_and_end_with_description_and_findings(monkeypatch):
    found = Report(
        "kiln-scale", [Finding("contract", "passed", "good"), Finding("units", "failed", "no unit", do="add")]
    )
    monkeypatch.setattr(live_trial, "check_driver_apart", lambda *_, **__: found)
    last, kept = tried(monkeypatch, captured(*weights()))
    # The values are beside the lines before the checks, which take longest.
    assert [(r.stage, bool(r.values)) for r in kept] == [("describing", False), ("checking", False), ("checking", True)]
    assert "kiln-scale" in last.description
    assert any("ST,GS" in line for line in last.lines)
    assert last.stage == "done", last
    assert (last.passed, [f.name for f in last.findings]) == (1, ["filled in", "units"])
    assert (last.findings[0].outcome, last.findings[1].do) == ("failed", "add")


@pytest.mark.parametrize("request_", [b"", b"\x01\x03"], ids=["stream", "polled"])
@pytest.mark.parametrize("seal", [True, False])
def test_frames_of_bytes_end_in_a_description_that_a_person_has_to_complete(monkeypatch, request_, seal):
    """The description of frames names no quantity: it does not load, and no value is beside the bytes."""
    pieces = []
    for number in range(24):
        frame = b"\xaa\x55\x04" + struct.pack(">f", 100 + 1.37 * number)
        frame += bytes([sum(frame) % 256]) if seal else b""
        t = 300_000_000 * number
        pieces += [Piece(t, ">", request_)] if request_ else []
        pieces.append(Piece(t + 5_000_000, "<", frame))
    report, kept = tried(monkeypatch, Capture(pieces))
    assert [one.stage for one in kept] == ["describing", "checking"]
    assert (report.stage, report.reason) == ("failed", "the description is not complete; correct it with an editor")
    assert report.passed == 0
    assert report.values == ()
    assert 'bytes = "AA 55 04 ' in report.description
    assert any("it sends frames of bytes" in remark for remark in report.remarks)
    assert any("name, UCUM unit and range" in remark for remark in report.remarks)
    assert set(live_trial._Beside(ORDER).values(pieces)) == {""}


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
            order = ORDER.model_copy(update={"port": device, "seconds": 2})
            trials.start(order, lab.clock.utc_ns(), no_audit)
            process, while_it_read = trials._process, []
            while process.poll() is None:
                now = read_report(tmp_path, lab.clock.utc_ns())
                while_it_read.append(now.stage == "capturing" and any(now.values))
                over.wait(0.05)
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
    files = sorted(p.name for p in tmp_path.iterdir() if p.name.startswith("trial"))
    assert files == sorted([trial_file.FILE, trial_file.CAPTURE_FILE])
    assert len(report.values) == len(report.lines)
    assert any(f"{100 + 1.37:.6g}" in text for text in report.values)
    assert any(while_it_read), "lines and values were there before the end"
