"""Descriptions of dialects read simulators that share nothing with them; the kit passes them, and fails each wrong one."""

import ast
import tomllib
from pathlib import Path

import pytest

from daq.app.workshop.described_device import DescribedDevice
from daq.core.driver import Driver, Identity, Reject
from daq.core.effects import Send
from daq.core.errors import DriverError
from daq.core.frames import make_framer
from daq.core.link import Link
from daq.core.linkeffects import ExpectedInstrument
from daq.core.linkstates import IdentityCheck, LinkState, Purpose
from daq.descriptions.load import check_description
from daq.testing import assert_conforms, check_driver, conformance
from daq.testing.rig import Rig
from daq.testing.talk import record, requests_of, transcribe
from tests.support.dialects import instruments
from tests.support.dialects.instruments import DIALECTS, FOLDER, DensityMeter, MoistureMeter

EACH = pytest.mark.parametrize("name", DIALECTS)


def text_of(name):
    return (FOLDER / f"{name.partition(',')[0]}.toml").read_text("utf-8")


def made(name, changes=()):
    text = text_of(name)
    for old, new in changes:
        assert old in text, "the description has changed"
        text = text.replace(old, new)
    description = check_description(tomllib.loads(text))
    return lambda: description.driver(DIALECTS[name][1])


def read(driver: Driver, instrument):
    """Return what a driver reads of a simulator, flat: the rows of several readings of a line one after another."""
    talk = transcribe(driver, record(driver, instrument), "simulator")
    rows = []
    for e in talk.readings:
        rows += getattr(e.meaning, "readings", (e.meaning,))
        assert driver._decode_any(e.frame, e.asked) == e.meaning, "the fast path and the full decoder differ"
    return rows, talk


def test_the_simulators_share_nothing_with_the_program():
    """import-linter forbids imports of daq in `simulators`; here in the file of those that are beside the tests."""
    tree = ast.parse(Path(instruments.__file__).read_text("utf-8"))
    named = {n.name for node in ast.walk(tree) if isinstance(node, ast.Import) for n in node.names}
    named |= {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    assert {name.partition(".")[0] for name in named} == {"pathlib", "simulators"}


@EACH
def test_every_value_is_read_as_the_instrument_has_it(name):
    instrument = DIALECTS[name][0](seed=3)
    rows, _ = read(made(name)(), instrument)
    assert len(rows) >= 20
    for row, true in zip(rows, instrument.readings, strict=False):
        assert row == pytest.approx(true, rel=1e-12), name


@pytest.mark.slow
@EACH
def test_a_right_description_conforms(name):
    instrument = DIALECTS[name][0](seed=1)
    read(made(name)(), instrument)
    report = assert_conforms(
        made(name), simulator=DIALECTS[name][0], expected=instrument.readings[:5] if name != "tilt" else ()
    )
    assert len([f for f in report.findings if f.outcome == "passed"]) >= 22, report.text()


#: Dialect, changes of its file, check of the kit that must fail.
WRONG = [
    ("density", [("{density:f32be}", "{density:f32le}")], "values shown"),
    ("density", [("{temperature:i16le}", "{temperature:i16be}")], "values shown"),
    ("density", [("scale = 0.01", "scale = 0.1")], "values shown"),
    ("density", [("reflected = true, final = 0xFFFF", "reflected = true")], "understands"),
    ("density", [("skip = 2\n", "skip = 3\n")], "understands"),
    ("density", [('written = "little_endian"', 'written = "big_endian"')], "understands"),
    ("density", [("adds = 3", "adds = 4")], "understands"),
    ("density", [("AA 55 {:length} A0", "AA 55 {:length} A1")], "understands"),
    ("density", [("{full_scale:u32be}", "{full_scale:u16be}")], "understands"),
    ("density", [('ignored = "7-4"', 'ignored = "7-5", spare = "4"'), ("fields.probe.means", "fields.spare.means = { 1 = '' }\nfields.probe.means")], "understands"),
    ("density, stream", [("AA 55 {:length} B0", "AA 55 {:length} B1")], "understands"),
    ("moisture", [("signed_bits = 16, scale = 0.01", "scale = 0.01")], "over range"),
    ("moisture", [('name = "xor"', 'name = "sum"')], "understands"),
    ("moisture", [("covers_mark = true", "covers_mark = false")], "understands"),
    ("moisture", [('mark = "\\u0003"', 'mark = "\\u0004"')], "understands"),
    ("moisture", [("modulus = 100", "modulus = 97")], "understands"),
    ("moisture", [("channels as hex 2", "channels as hex 3")], "understands"),
    ("moisture", [("3}W{value:whole}", "3}X{value:whole}")], "understands"),
    ("printer", [("lines = 4", "lines = 3")], "understands"),
    ("printer", [("lines = 4", "lines = 5"), ("mass:padded} kg", "mass:padded} kg\\r\\n{:text}")], "understands"),
    ("printer", [('"Date ", "Works "', '"Date "')], "understands"),
    ("tilt", [('complement = "twos"', 'complement = "ones"')], "understands"),
    ("tilt", [('after = "$"\n', "")], "understands"),
    ("tilt", [('ignored = "7-3"', 'ignored = "5-3"')], "understands"),
    ("tilt", [('complement = "twos" }', 'complement = "twos" }\nskip = 1'), ('after = "$"\n', ""), ('mark = "*"', 'mark = "*"\ncovers_mark = true')], "understands"),
]  # fmt: skip
FIRST = {case[0]: i for i, case in reversed([*enumerate(WRONG)])}


@pytest.mark.parametrize(
    ("name", "changes", "check"),
    [pytest.param(*c, id=f"{c[0]}-{i}", marks=() if FIRST[c[0]] == i and c[2] == "understands" else pytest.mark.slow) for i, c in enumerate(WRONG)],
)  # fmt: skip
def test_the_kit_fails_a_wrong_description(name, changes, check, monkeypatch):
    kind = DIALECTS[name][0]
    instrument = kind(seed=1)
    read(made(name)(), instrument)
    monkeypatch.setattr(conformance, "CHECKS", [one for one in conformance.CHECKS if one[0] in ("understands", check)])
    report = check_driver(
        made(name, changes), simulator=kind, expected=instrument.readings[:5] if check == "values shown" else ()
    )
    assert check in [f.name for f in report.failed], report.text()
    assert report.finding(check).do


def test_a_line_that_has_the_checksum_of_the_others_is_not_left_unchecked(monkeypatch):
    monkeypatch.setattr(conformance, "CHECKS", [one for one in conformance.CHECKS if one[0] == "checksum"])
    text = """
        format = 1
        kind = "small"
        identify = "who"
        checksum = { name = "xor", mark = "*" }
        channel = [{ name = "mass", unit = "g", low = 0, high = 100 }]
        poll = { requests = ["read"] }
        request = { read = { send = "R" }, who = { send = "I" } }
        line.value = { says = "reading", pattern = "V {mass:number}" }
        line.it = { says = "identity", pattern = "I {serial:word}", checksum = "none" }
    """

    class Scale(instruments.Timed):
        def receive(self, data):
            text = b"I S-1" if data == b"I\r\n" else b"V %d.%d" % (self.rng.randrange(90), self.rng.randrange(9))
            check = 0
            for byte in text:
                check ^= byte
            return text + b"*%02X\r\n" % check

    for changed, failed in ((text, True), (text.replace(', checksum = "none"', ""), False)):
        report = check_driver(check_description(tomllib.loads(changed)).driver, simulator=Scale)
        assert ("checksum" in [f.name for f in report.failed]) == failed, report.text()


@pytest.mark.parametrize("answers_both", [True, False])
def test_the_serial_number_of_one_answer_and_the_full_scale_of_another_are_one_identity(answers_both):
    driver, instrument, due = made("density")(), DensityMeter(), []

    def emit(effect):
        if isinstance(effect, Send):
            answer = instrument.receive(effect.data)
            due.append(answer if answers_both or b"\x91" not in answer[3:4] else b"")

    link = Link("meter", driver, emit, purpose=Purpose.RUN, expected=ExpectedInstrument("TG-31 A"))
    link.open(0)
    link.port_open(0)
    t = 0
    while t < 20_000_000_000 and link.state is LinkState.IDENTIFYING:
        t += 10_000_000
        for item in link.receive(t, due.pop(0) if due else b""):
            link.take(t, item)
        link.tick(t)
    found = link.identification
    assert found.check is (IdentityCheck.SAME if answers_both else IdentityCheck.NO_ANSWER)
    if answers_both:
        facts = {"full_scale_kg_m3": 3000.5}
        assert found.identity == Identity("density", "TG-31 A", "1.07", facts)
    else:
        assert found.identity is None


def test_values_are_sent_in_tenths_and_confirmed_in_tenths():
    driver, instrument = made("moisture")(), MoistureMeter()
    instrument.receive(driver.wake)
    for value, sent in ((25.0, b"+0250"), (-3.1, b"-0031"), (0.0, b"+0000"), (149.96, b"+1500")):
        request = driver.action("bath", value)
        assert request.data.startswith(b":007W" + sent)
        (frame,) = make_framer(driver.framing).feed(0, instrument.receive(request.data))
        assert driver.decode(frame, request).value == pytest.approx(int(sent) / 10)
        assert instrument.set[-1] == pytest.approx(int(sent) / 10)
    for value in (150.3, -20.3, float("nan")):
        with pytest.raises(DriverError):
            driver.action("bath", value)


def test_lines_of_the_simulation_are_read_back_and_its_requests_recognised():
    for name in DIALECTS:
        driver = made(name)()
        device, framer = DescribedDevice(driver), make_framer(driver.framing)
        framer.feed(0, b"\r\n")
        for request in requests_of(driver):
            if driver.wake:
                device.receive(driver.wake)
            (frame,) = framer.feed(0, device.receive(request.data))
            assert not isinstance(driver.decode(frame, request), Reject), (name, request)
        if driver.streams:
            lines = framer.feed(0, device.advance(10.0))
            assert lines
            assert all(not isinstance(driver.decode(line), Reject) for line in lines)


def test_only_a_sleeping_instrument_is_woken_and_never_before_an_answer():
    for interval_s, woken in ((1.0, 1), (6.0, 4)):
        instrument = MoistureMeter()
        driver = made("moisture")()
        talk = transcribe(driver, record(driver, MoistureMeter()), "simulator")
        assert talk.readings
        rig = Rig(driver, talk)
        rig.exchange.interval_ns = round(interval_s * 1e9)
        pending = []

        def send(_, data, pending=pending, instrument=instrument, rig=rig, driver=driver):
            assert not (data == driver.wake and pending), "woken between a request and its answer"
            instrument.advance(rig.t / 1e9 - instrument.now)
            answer = instrument.receive(data)
            rig.exchange.sent(rig.t)
            pending[:] = [answer] if answer else []

        exchange, rig.t = rig.exchange, 0
        exchange.send = send
        exchange.link_up(0)
        exchange.start_polling(0)
        t = 0
        while t < 20_000_000_000:
            if pending:
                t += 20_000_000
                rig.t = t
                data = pending.pop()
                assert list(exchange.receive(t, data))
            due = exchange.wake_at
            t = rig.t = max(t, due)
            exchange.tick(t)
        assert instrument.lost == 0
        assert exchange.counters.timeouts == 0
        assert len(instrument.woken) == woken
        assert not any(awake for _, awake in instrument.woken)
