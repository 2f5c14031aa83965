"""Lines of the rotational instrument, byte by byte."""

import dataclasses

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulators.rotational import RotationalInstrument, Specification
from tests.simulators.lines import ask, crc16_xmodem, request, texts


@pytest.fixture
def instrument():
    return RotationalInstrument(seed=2)


# Check value of CRC-16/XMODEM in the catalogue of parametrised CRC algorithms: "123456789" gives 0x31C3.
def test_the_tests_own_checksum_is_crc_16_xmodem():
    assert crc16_xmodem(b"123456789") == 0x31C3


@pytest.mark.parametrize(
    ("text", "answer"),
    [
        ("who", "is rotational serial=R-1042 firmware=1.2 fs=1000.0"),
        ("speed 12.5", "ok speed 12.500"),
        ("speed 12.34567", "ok speed 12.346"),
        ("speed 0", "no range"),
        ("speed -5", "ok speed -5.000"),
        ("speed -500", "no range"),
        ("speed 200.001", "no range"),
        ("speed fast", "no command"),
        ("speed", "no command"),
        ("speed nan", "no command"),
        ("speed 1e2", "no command"),
        ("bath 25.0", "ok bath 25.000"),
        ("bath 4.9", "no range"),
        ("bath 90.1", "no range"),
        ("stream 100", "ok stream 100"),
        ("stream 0", "ok stream 0"),
        ("stream 49", "no range"),
        ("stream 60001", "no range"),
        ("stream 99.5", "no range"),
        ("stream", "no command"),
        ("WHO", "no command"),
        ("who ", "no command"),
        ("", "no command"),
        ("h\xe4lt", "no command"),
    ],
)
def test_answers(instrument, text, answer):
    assert ask(instrument, text) == answer


def test_a_wrong_or_missing_checksum_is_not_obeyed(instrument):
    for line in (b"turn#0000\r\n", b"turn\r\n", b"\r\n", request("turn").lower(), b"turn#\r\n"):
        assert texts(instrument.receive(line)) == ["no checksum"]
    assert instrument.state()["running"] is False


def test_an_instrument_without_a_bath_says_so():
    instrument = RotationalInstrument(dataclasses.replace(Specification(), has_bath=False))
    assert ask(instrument, "bath 25.0") == "no bath"


def test_lines_may_come_in_pieces_and_joined(instrument):
    stream = request("who") + request("speed 5") + request("halt")
    whole = instrument.receive(stream)
    pieces = b"".join(instrument.receive(stream[i : i + 1]) for i in range(len(stream)))
    assert pieces == whole
    assert len(texts(whole)) == 3


def test_a_line_too_long_is_refused_and_the_next_one_heard(instrument):
    longest = request("x" * 89)
    assert len(longest) == 96
    assert texts(instrument.receive(longest)) == ["no command"]
    for length in (90, 91, 92, 95, 96, 400):
        stream = request("y" * length) + request("halt")
        assert texts(instrument.receive(stream)) == ["no checksum", "ok halt"]
        assert texts(b"".join(instrument.receive(bytes([b])) for b in stream)) == ["no checksum", "ok halt"]


def test_endless_noise_is_not_hoarded(instrument):
    for _ in range(100):
        assert instrument.receive(b"z" * 1000) == b""
    assert texts(instrument.receive(b"\r\n" + request("halt"))) == ["no checksum", "ok halt"]


def test_readings_keep_their_form():
    instrument = RotationalInstrument(seed=2)
    for _ in range(100):
        instrument.advance(0.1)
        answer = ask(instrument, "read")
        word, torque, speed, temperature, flags = answer.split(" ")
        assert (word, speed, flags) == ("val", "0.000", "-")
        assert torque != "-0.00"
        assert [len(number.partition(".")[2]) for number in (torque, speed, temperature)] == [2, 3, 3]


def test_a_stream_comes_unasked_at_its_interval_and_answers_come_in_between(instrument):
    instrument.advance(0.07)
    assert ask(instrument, "stream 250") == "ok stream 250"
    assert instrument.due_in_s() == pytest.approx(0.25)
    assert instrument.advance(0.249) == b""
    lines = texts(instrument.advance(0.001))
    assert lines == [ask(instrument, "read")]
    assert ask(instrument, "halt") == "ok halt"
    assert len(texts(instrument.advance(10.0))) == 40
    assert ask(instrument, "stream 0") == "ok stream 0"
    assert instrument.due_in_s() is None
    assert instrument.advance(10.0) == b""


def test_a_stream_is_the_same_however_time_is_cut():
    def stream(pieces):
        instrument = RotationalInstrument(seed=2)
        instrument.receive(request("stream 70"))
        return b"".join(instrument.advance(7.0 / pieces) for _ in range(pieces))

    assert stream(1) == stream(7) == stream(700)
    assert len(texts(stream(1))) == 100


LINES = st.one_of(
    st.sampled_from(["who", "read", "speed 7", "speed -1", "turn", "halt", "zero", "bath 30"]).map(request),
    st.binary(max_size=120).map(lambda noise: noise + b"\r\n"),
    st.binary(max_size=120),
)


@given(st.lists(LINES, max_size=12), st.data())
def test_any_bytes_cut_anyhow_get_the_same_checked_answers(pieces, data):
    stream = b"".join(pieces)
    whole = RotationalInstrument(seed=2).receive(stream)
    assert len(texts(whole)) == stream.count(b"\r\n")
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=6)))
    other = RotationalInstrument(seed=2)
    parts = [stream[a:b] for a, b in zip([0, *cuts], [*cuts, len(stream)], strict=True)]
    assert b"".join(other.receive(part) for part in parts) == whole
