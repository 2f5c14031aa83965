"""The journal: records are read as written, every damaged bit is detected, and its blocks are chained."""

import hashlib
import json
import struct
import zlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.core.effects import Noted, Send
from daq.core.encoding import decode, encode
from daq.core.errors import JournalError
from daq.core.events import (
    ClockAnchor,
    LinkDown,
    LinkUp,
    OperatorCommand,
    Received,
    Sent,
    StoreFault,
    Tick,
)
from daq.core.extent import Extent
from daq.core.header import Header
from daq.core.journal import JournalWriter, read_records
from daq.core.journal_block import chain
from daq.core.plan import Keep, Plan, Rule
from tests.support.runs.scripts import plan_of, seconds, step, turns

HEADER = Header(run="a-run", plan=plan_of(step(Rule("above", "a", "torque")), companions=("probe",)), drivers={})
EVENTS = [
    ClockAnchor(-5, 1_772_000_000_000_000_000, "boot"),
    LinkUp(0, "lead"),
    LinkUp(1, "probe"),
    OperatorCommand(2, "begin", "a person", {"why": "µ"}),
    Sent(3, "lead", b"read\r\n"),
    Received(4, "lead", bytes(range(256))),
    Received(5, "probe", b""),
    Tick(6),
    LinkDown(7, "probe", "unplugged – gone"),
    StoreFault(1 << 62, "disk full"),
]


def written(*events, blocks=1):
    writer = JournalWriter(["lead", "probe"])
    writer.header(HEADER, -5)
    cuts = []
    for i, event in enumerate(events):
        writer.event(event)
        if blocks > 1 and i % blocks == 0:
            cuts.append(writer.cut())
    cuts.append(writer.cut())
    return writer, [c for c in cuts if c is not None]


def test_records_are_read_as_written():
    _, (block,) = written(*EVENTS)
    records = list(read_records(block.raw))
    assert records[0].header == HEADER
    assert [r.event for r in records[1:]] == EVENTS
    assert [r.index for r in records] == list(range(len(EVENTS) + 1))
    assert (block.records, block.first_t, block.last_t) == (len(records), -5, 1 << 62)


def test_a_record_is_laid_out_as_documented():
    writer = JournalWriter(["lead", "probe"])
    writer.event(Received(0x0102030405060708, "probe", b"ab"))
    record = struct.pack("<BBqI", 1, 1, 0x0102030405060708, 2) + b"ab"
    assert writer.cut().raw == record + struct.pack("<I", zlib.crc32(record))


def test_chunks_of_one_instant_and_link_are_one_record_unless_something_came_between():
    _, (block,) = written(
        Received(1, "lead", b"a"), Received(1, "lead", b"b"), Received(1, "probe", b"c"), Received(1, "lead", b"d"),
        Received(2, "lead", b"e"), Tick(2), Received(2, "lead", b"f"),
    )  # fmt: skip
    found = [r.event.data for r in read_records(block.raw) if isinstance(r.event, Received)]
    assert found == [b"ab", b"c", b"d", b"e", b"f"]


def test_writing_does_not_change_the_event():
    first = Received(1, "lead", b"a")
    written(first, Received(1, "lead", b"b"))
    assert first.data == b"a"


def test_an_effect_settles_what_was_received_before_it():
    writer = JournalWriter(["lead", "probe"])
    writer.header(HEADER, 0)
    writer.event(Received(1, "lead", b"a"))
    writer.effect(Send("lead", b"x"), 1)  # not recorded: the Sent that follows is
    writer.effect(Noted(1, "code", {"detail": "text"}), 1)
    writer.event(Received(1, "lead", b"b"))
    found = [r.event or r.effect for r in read_records(writer.cut().raw)][1:]
    assert found == [
        Received(1, "lead", b"a"),
        'Noted {"code":"code","parameters":{"detail":"text"},"t":1}',
        Received(1, "lead", b"b"),
    ]


def test_blocks_are_chained_and_join_to_the_same_journal():
    _, (whole,) = written(*EVENTS)
    writer, blocks = written(*EVENTS, blocks=3)
    assert len(blocks) > 2
    assert b"".join(b.raw for b in blocks) == whole.raw
    digest = ""
    for block in blocks:
        digest = chain(digest, block.raw)
        assert block.digest == digest
    assert writer.digest == digest
    assert chain("", b"abc") == hashlib.sha256(b"abc").hexdigest()
    assert writer.cut() is None


@pytest.mark.slow
def test_every_flipped_bit_is_named_with_its_record():
    _, (block,) = written(*EVENTS)
    ends, offset = [], 0
    while offset < len(block.raw):
        offset += struct.calcsize("<BBqI") + struct.unpack_from("<I", block.raw, offset + 10)[0] + 4
        ends.append(offset)
    for n in range(8 * len(block.raw)):
        broken = bytearray(block.raw)
        broken[n // 8] ^= 1 << n % 8
        with pytest.raises(JournalError) as caught:
            list(read_records(bytes(broken)))
        assert caught.value.record == next(i for i, end in enumerate(ends) if n // 8 < end)


@pytest.mark.parametrize("cut", [1, 5, 17, 30])
def test_a_journal_that_ends_inside_a_record_is_named(cut):
    _, (block,) = written(*EVENTS)
    with pytest.raises(JournalError, match="ends inside this record") as caught:
        list(read_records(block.raw[:-cut]))
    assert caught.value.record == len(EVENTS) - (1 if cut > 27 else 0)


def test_an_unknown_kind_cannot_be_decoded():
    record = struct.pack("<BBqI", 77, 255, 0, 0)
    with pytest.raises(JournalError, match="record 0: cannot be decoded: unknown kind 77"):
        list(read_records(record + struct.pack("<I", zlib.crc32(record))))


# ---- the plan in the header


@pytest.mark.slow
@settings(derandomize=True, max_examples=200)
@given(st.floats(allow_nan=False), st.floats(0, 1e9), st.integers(0, 1 << 60))
def test_a_plan_comes_back_bit_for_bit(low, revolutions, ns):
    rule = Rule("any", "any", rules=(Rule("above", "a", "torque", low=low, after=Extent(ns), hold=turns(revolutions)),))
    keep = Keep("event", "mean", seconds(1.5), event=rule, keep_part=True)
    plan = plan_of(step(rule, keep, speed=abs(low)), companions=("probe",))
    text = json.dumps(encode(plan, exact=True))
    assert decode(Plan, json.loads(text), exact=True) == plan
    assert float(low).hex() in text


def test_whole_numbers_where_the_plan_wants_floats_come_back_as_floats():
    plan = plan_of(step(Rule("above", "a", "torque", low=5), speed=12))
    again = decode(Plan, json.loads(json.dumps(encode(plan, exact=True))), exact=True)
    assert again == plan
    assert isinstance(again.steps[0].speed, float)
