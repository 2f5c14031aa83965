"""Readings computed again from a journal that the test writes."""

import functools
import operator
from dataclasses import replace
from typing import Any

import pytest

from daq.adapters.paths import examples_dir
from daq.app.records.readings import Readings
from daq.app.records.replaying import maker
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.drivers import Drivers
from daq.core.errors import SettingError, StoreError
from daq.core.events import ClockAnchor, LinkUp, OperatorCommand, Received, Sent
from daq.core.journal import JournalWriter
from daq.core.pipeline import Pipeline
from daq.testing.bench import header_of
from simulators.thermometer.thermometer import Thermometer

SECOND = 10**9


def line(celsius: float) -> bytes:
    """Return a line of the thermometer; its checksum is the exclusive or of all bytes before the star."""
    content = f"T {celsius:+.3f} ok".encode()
    return content + b"*%02X\r\n" % functools.reduce(operator.xor, content)


def journal(chunks: list[tuple[int, bytes]], **changes: Any) -> bytes:
    catalogue = Catalogue.load(examples_dir())
    instrument = catalogue.instrument("thermo-1")
    plan = catalogue.compile(catalogue.method("thermometer-log"), instrument)
    driver = catalogue.make_driver(instrument)
    header = header_of(plan, {"thermo-1": driver})
    recorded = replace(header.drivers["thermo-1"], **changes)
    writer = JournalWriter(["thermo-1"])
    writer.header(replace(header, drivers={"thermo-1": recorded}), SECOND)
    pipeline = Pipeline(plan, {"thermo-1": driver})
    asked = driver.identify()
    for event in (
        ClockAnchor(SECOND, 1_764_000_000 * SECOND, "a-boot"),
        LinkUp(SECOND, "thermo-1"),
        OperatorCommand(SECOND, "begin", "m.keeper"),
        Sent(SECOND, "thermo-1", asked.data),
        # The driver drops the first line after the port was opened: it may be incomplete.
        Received(SECOND, "thermo-1", line(0.0) + Thermometer().receive(asked.data)),
        *(Received(SECOND + t, "thermo-1", data) for t, data in chunks),
    ):
        writer.event(event)
        for effect in pipeline.step((event,)):
            writer.effect(effect, event.t)
    block = writer.cut()
    assert block is not None
    return block.raw


def test_every_line_of_a_large_chunk_is_a_reading():
    sent = [20.0 + i / 8 for i in range(40)]
    raw = journal([(SECOND, b"".join(map(line, sent))), (2 * SECOND, line(30.0))])
    found = list(Readings(raw, maker(Drivers.find())))
    assert [r.values["temperature"] for r in found] == [*sent, 30.0]
    assert {r.begin_s for r in found[:-1]} == {1.0}
    assert found[-1].begin_s == 2.0
    assert found[-1].utc_ns == (1_764_000_000 + 2) * SECOND
    assert {r.state for r in found} == {"measuring"}


def test_a_line_in_two_chunks_is_one_reading_at_the_time_of_the_second():
    whole = line(25.0)
    raw = journal([(SECOND, whole[:5]), (SECOND + 1000, whole[5:])])
    (reading,) = Readings(raw, maker(Drivers.find()))
    assert reading.values == {"temperature": 25.0}
    assert reading.t == 2 * SECOND + 1000


def test_a_probe_without_contact_has_no_value_and_a_fault():
    content = b"T --- open"
    raw = journal([(SECOND, content + b"*%02X\r\n" % functools.reduce(operator.xor, content))])
    (reading,) = Readings(raw, maker(Drivers.find()))
    assert reading.values == {"temperature": None}
    assert reading.faults == ("temperature: probe",)


def test_an_empty_journal_is_refused():
    with pytest.raises(StoreError, match="the journal of this run is empty"):
        Readings(b"", maker(Drivers.find()))


def test_a_driver_that_is_no_longer_installed_is_named():
    with pytest.raises(SettingError, match="there is no driver 'scales'"):
        Readings(journal([], kind="scales", options={}), maker(Drivers.find()))
