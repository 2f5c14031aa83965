"""Keys and scans from the bytes of a terminal: no code that a scanner sends is a command."""

import pytest
from hypothesis import given, seed, settings
from hypothesis import strategies as st

from daq.app.screens.bench.bench_keys import GAP_S, KEYS, SEQUENCES, Keyboard, Typed, command_of
from daq.laboratory.bench.flow import OFFERED

#: A code by ISO/IEC 15417: any ASCII characters, with control characters and Escape, or the sequence of a key.
codes = st.one_of(
    st.binary(max_size=30).map(lambda b: bytes(c & 0x7F for c in b)),
    st.text(max_size=20).map(lambda t: t.encode("utf-8")),
    st.lists(st.sampled_from([*SEQUENCES, b"A", b"\r"]), min_size=1, max_size=4).map(b"".join),
)
endings = st.sampled_from([b"\r", b"\n", b"\r\n", b"\t"])


def inputs(*pieces):
    """Return the inputs of pieces, each (bytes, seconds after the piece before)."""
    keyboard, now, found = Keyboard(), 0.0, []
    for data, after in pieces:
        now += after
        found += keyboard.feed(data, now)
    return [*found, *keyboard.settle(now + 1.0)]


@pytest.mark.parametrize("count", [20, pytest.param(1000, marks=pytest.mark.slow)])
def test_no_scan_is_a_key(count):
    @seed(20261129)
    @settings(max_examples=count, deadline=None, database=None)
    @given(codes, endings, st.floats(0.0001, GAP_S * 0.9))
    def scanned(code, ending, pause):
        data = code + ending
        for pieces in ([(data, 1.0)], [(bytes([byte]), 1.0 if i == 0 else pause) for i, byte in enumerate(data)]):
            assert [t for t in inputs(*pieces) if t.kind == "key"] == []

    scanned()


@pytest.mark.parametrize("sequence", SEQUENCES)
def test_a_function_key_is_a_key_only_alone(sequence):
    key = [Typed("key", SEQUENCES[sequence])]
    assert inputs((sequence, 1.0)) == key
    assert inputs(*[(bytes([b]), 1.0 if i == 0 else 0.001) for i, b in enumerate(sequence)]) == key
    assert inputs((sequence + b"\r", 1.0)) == []
    assert inputs((sequence, 1.0), (b"\r", GAP_S * 0.9)) == []
    assert inputs((sequence * 2, 1.0)) == []
    assert inputs((b"G-1\r", 1.0), (sequence, 1.0)) == [Typed("text", "G-1"), *key]


def test_a_scan_and_a_typed_id_are_one_text():
    assert inputs((b"G-1042\r", 1.0)) == [Typed("text", "G-1042")]
    typed = [(bytes([b]), 0.2) for b in b"G-104X\x7f2\r"]
    assert inputs(*typed) == [Typed("text", "G-1042")]
    assert inputs((b"\r\n\t ", 1.0)) == []
    assert inputs(("Töpfer\r".encode(), 1.0)) == [Typed("text", "Töpfer")]
    assert inputs((b"A\x1b[CB\x1b[[AC\x1bOPD\x03\x04\r", 1.0)) == [Typed("text", "ABCD")]


def test_a_key_does_not_end_a_text():
    keyboard = Keyboard()
    keyboard.feed(b"a lump", 0.0)
    assert keyboard.settle(1.0) == []
    keyboard.feed(b"\x1bOQ", 2.0)
    assert keyboard.settle(3.0) == [Typed("key", "F2")]
    assert keyboard.line == "a lump"


def test_every_command_has_a_key_of_its_own_in_each_stage():
    for commands in OFFERED.values():
        keys = [KEYS[c] for c in commands]
        assert len(set(keys)) == len(keys)
        assert {KEYS["leave"]}.isdisjoint(keys)
        for command in commands:
            assert command_of(KEYS[command], commands) == command
    assert set(KEYS.values()) <= set(SEQUENCES.values())
    assert command_of("F12", OFFERED["choosing"]) == ""
