"""`daq driver new` recognises checksums, blocks, states, line ends and full scale, or it asks."""

import random

import pytest

from daq.app.workshop.described_device import DescribedDevice
from daq.core.checksums import crc
from daq.core.driver import Identity, Reject
from daq.core.errors import SettingError
from daq.descriptions.capture import Capture, Piece
from daq.descriptions.guessing.enteredunits import entered_unit
from daq.descriptions.guessing.finding.catalogue import ALGORITHMS, CRCS
from daq.descriptions.guessing.finding.checksum import FoundChecksum, find_checksum
from daq.testing.talk import is_reading, transcribe
from tests.support.captures import MS, answered, described, polled, streamed
from tests.support.dialects.instruments import WeighingTerminal


@pytest.mark.parametrize(("width", "polynomial", "initial", "reflected", "final", "check"), CRCS)
def test_the_parameters_of_the_catalogue_give_its_check_value(width, polynomial, initial, reflected, final, check):
    """The catalogue gives with each CRC that of ``123456789`` (Cook, catalogue of parametrised CRC algorithms)."""
    made = crc(width, polynomial, initial=initial, reflected=reflected, final=final)
    assert made.of(b"123456789") == check


@pytest.mark.parametrize("share", range(3))
def test_every_checksum_of_the_catalogue_is_found_and_proved(share):
    for name in list(ALGORITHMS)[share::3]:
        rng = random.Random(name)
        kind = ALGORITHMS[name]
        decimal = kind.values & (kind.values - 1) != 0
        used = FoundChecksum(
            name, "decimal" if decimal else "hex", "upper", kind.decimals if decimal else 2 * kind.size, "*", False, 0
        )
        frames = [content + used.tail(content) for content in (b"W %8.3f g" % rng.uniform(0, 600) for _ in range(9))]
        found = find_checksum(frames)
        assert found is not None, name
        other = b"W   17.125 g, never seen"
        assert found.tail(other) == used.tail(other), name
        assert found.sure, name


def test_a_checksum_is_written_as_proved_only_where_enough_different_lines_prove_it():
    used = FoundChecksum("lrc", "hex", "upper", 2, "*", False, 0)
    lines = [content + used.tail(content) for content in (b"W %.2f g" % (7.31 * n) for n in range(2, 30))]
    _, guess = described(streamed(lines))
    assert any("lrc, 2 hexadecimal digits after '*', proved by 28 different lines" in f for f in guess.findings)
    assert not any("checksum" in point for point in guess.open_points)
    frames = [content + used.tail(content) for content in (b"W 1.25 g", b"W 2.50 g", b"W 31.75 g")]
    found = find_checksum(frames, enough_bits=0.0)
    assert found is not None
    assert not found.sure
    assert found.needed > found.lines == 3


def test_the_same_check_value_in_every_line_is_no_evidence():
    used = FoundChecksum("xor", "hex", "upper", 2, "*", False, 0)
    frames = [content + used.tail(content) for content in (b"W 12 g", b"W 21 g", b"W 30 g", b"W 03 g")]
    assert len({frame[-2:] for frame in frames}) == 1
    assert find_checksum(frames) is None


@pytest.mark.parametrize(
    ("own", "sent", "wanted"), [(b"\r", b"\r\n", r"--end '\\r'"), (b"\r\n", b"\r\n", r"--end '\\r'")]
)
def test_many_answers_with_one_error_name_the_line_end_to_set(own, sent, wanted):
    talk = [(b"W?" + sent, b"?E02" if n else b"W 1.25 g") for n in range(24)]
    with pytest.raises(SettingError, match=rf"23 of 24 answers are the same error \(\?E02\).*{wanted}"):
        described(polled(talk, own))


def test_one_error_to_every_request_names_the_end_of_the_answers():
    with pytest.raises(SettingError, match=r"refuses every request.*requests end with \\r, .*--end '\\n'"):
        described(polled([(b"W?\r", b"ERR 3")] * 6, b"\n"))


def test_an_error_to_another_request_is_no_wrong_line_end():
    talk = [(b"X\r\n", b"?E02")] * 12 + [(b"W?\r\n", b"W %d.25 g" % n) for n in range(4)]
    make, _ = described(polled(talk))
    assert make().decode(b"W 7.25 g") == (7.25,)


def test_a_block_of_lines_is_one_reading():
    instrument = WeighingTerminal(seed=5)
    pieces = []
    for n in range(24):
        data = instrument.advance(2.0)
        pieces.append(Piece(n * 2_000 * MS, "<", data))
    make, guess = described(Capture(pieces))
    assert any("a reading is a block of 4 lines" in finding for finding in guess.findings)
    driver = make()
    assert 'begin = "No. "' in guess.text
    assert 'ignore = ["Works", "Date"]' in guess.text
    rows = [e.meaning for e in transcribe(driver, Capture(pieces), "").examples if is_reading(e.meaning)]
    tare = [c.name for c in driver.channels if c.unit == "g"]
    assert len(tare) == 1
    wanted = [(float(n), gross, kilos * 1000, net) for n, (gross, kilos, net) in enumerate(instrument.readings, 1)]
    assert rows == [pytest.approx(row) for row in wanted]
    block = b"7\r\nGross    512.34 kg\r\nTare       1234 g\r\nNet     511.106 kg"
    assert isinstance(driver.decode(block.replace(b"Gross", b"Tare")), Reject)


@pytest.mark.parametrize(
    "written", ["2031-05-{day:02d} 10:{minute:02d}", "{day:02d}.05.2031  9:{minute:02d}:07", "9:{minute:02d}"]
)
@pytest.mark.parametrize("asked", [False, True])
def test_a_block_begins_behind_the_date_before_it(written, asked):
    rng = random.Random(written)
    pieces, wanted = [], []
    for n in range(20):
        gross, net = rng.randrange(-900, 90_000) / 100, rng.randrange(0, 9_000) / 1000
        lines = [written.format(day=n % 28 + 1, minute=n), f"Gross {gross:9.2f} kg", f"Net {net:8.3f} kg"]
        pieces += [Piece(n * 2_000 * MS, ">", b"P\r\n")] if asked else []
        pieces.append(Piece((n * 2_000 + 20) * MS, "<", b"".join(line.encode() + b"\r\n" for line in lines)))
        wanted.append((gross, net))
    make, guess = described(Capture(pieces))
    assert 'begin = "Gross "' in guess.text
    assert "lines = 2" in guess.text
    # A time alone may be a measured one.
    assert [q.key.split(" ")[0] for q in guess.questions].count("meaning") == (written == "9:{minute:02d}")
    make, guess = answered(Capture(pieces), meaning="ignored")
    assert not any("time of day" in point for point in guess.open_points)
    examples = transcribe(make(), Capture(pieces), "").examples
    assert [e.meaning for e in examples if is_reading(e.meaning)] == [pytest.approx(row) for row in wanted]
    others = [e.meaning.reason for e in examples if not is_reading(e.meaning)]
    assert others == ["ignored: date"] * len(wanted)


@pytest.mark.parametrize("written", ["0:{0:02d}:{1:05.2f}", "1:{0:02d}"])
def test_an_elapsed_time_before_a_block_is_a_question(written):
    """A flow cup's timer sends the efflux time in the first line."""
    rng, pieces = random.Random(written), []
    for n in range(20):
        lines = [written.format(rng.randrange(60), rng.uniform(0, 59)), f"Temp {rng.uniform(20, 30):.1f}"]
        lines += [f"Cup {rng.uniform(3, 6):.2f}"]
        pieces.append(Piece(n * 2_000 * MS, "<", b"".join(line.encode() + b"\r\n" for line in lines)))
    guess = described(Capture(pieces))[1]
    assert any("not a measured time" in point for point in guess.open_points)


def test_a_number_without_a_name_before_the_lines_is_no_date():
    block = b"%d.50\r\nGross %9.2f kg\r\nNet %8.3f kg\r\n"
    pieces = [Piece(n * 2_000 * MS, "<", block % (n, n * 1.7, n * 1.3)) for n in range(1, 20)]
    assert "[line.date]" not in described(Capture(pieces))[1].text


def test_a_line_with_an_answer_behind_it_is_no_block():
    pieces = []
    for n in range(12):
        pieces += [Piece(n * 1000 * MS, ">", b"ID\r\n"), Piece((n * 1000 + 5) * MS, "<", b"SN 2094-A\r\n")]
        pieces.append(Piece((n * 1000 + 6) * MS, "<", b"ST %.2f g\r\n" % (n * 1.37)))
    _, guess = described(Capture(pieces))
    assert "lines = " not in guess.text


WORDS = ("0000", "0080", "00A0", "0000", "1080", "0020", "0000", "0081")


def test_a_word_of_hexadecimal_digits_is_a_question_and_then_bits():
    capture = streamed([b"T %.1f C;%s" % (20 + 1.7 * n, word.encode()) for n, word in enumerate(WORDS * 2)])
    make, guess = described(capture)
    assert any("what the hexadecimal digits are" in point for point in guess.open_points)
    assert isinstance(make().decode(b"T 21.5 C;4000"), Reject)
    bits = {"0": "ok", "5": "unsteady", "7": "probe", "12": "keys_used"}
    make, guess = answered(capture, hex="bits", bit=bits)
    assert not any("bits" in point for point in guess.open_points)
    driver = make()
    assert driver.decode(b"T 21.5 C;0001") == (21.5,)
    assert [fault for _, fault in driver.decode(b"T 21.5 C;0080").faults] == ["probe"]
    assert [fault for _, fault in driver.decode(b"T 21.5 C;1021").faults] == ["unsteady", "keys_used"]
    assert isinstance(driver.decode(b"T 21.5 C;0002"), Reject)  # a bit that was never seen


@pytest.mark.parametrize(
    ("line", "answers", "fact"),
    [
        (b"GAUGE SN=R-12 FS=1003", {"full": "uN.m"}, 1003.0),
        (b"GAUGE SN=R-12 FS=7.187 mN.m", {"full": "yes"}, 7187.0),
        (b"GAUGE SN=R-12 FS=574900 dyn.cm", {"full": "yes"}, 57490.0),
        (b"GAUGE SN=R-12 FS=1003", {"full": "no"}, None),
        (b"GAUGE SN=R-12 FS=1003", {}, None),
    ],
)
def test_torque_and_speed_with_the_full_scale_of_an_identity(line, answers, fact):
    readings = [b"TQ=%.1f %% SPEED=%.2f rpm" % (10 + 3.3 * n, 12 + n) for n in range(12)]
    talk = [pair for text in readings for pair in ((b"R\r\n", text), (b"ID?\r\n", line))]
    make, guess = answered(polled(talk), name="torque", range="0 to 1000", baud="9600", **answers)
    driver = make()
    assert [(c.name, c.unit) for c in driver.channels] == [("torque", "%"), ("speed", "/min")]
    identity = driver.decode(line, driver.identify()).identity
    assert identity == Identity("made", "R-12", "", {} if fact is None else {"full_scale_uN_m": pytest.approx(fact)})
    if answers:
        assert guess.open_points == []


def test_the_full_scale_of_another_answer_is_a_second_identity_request():
    readings = [b"TQ=%.1f %% SPEED=%.2f rpm" % (10 + 3.3 * n, 12 + n) for n in range(12)]
    other = ((b"SN\r\n", b"NR R-12"), (b"FS?\r\n", b"FS=1003 uN.m"))
    make, guess = answered(polled([pair for text in readings for pair in ((b"R\r\n", text), *other)]), full="yes")
    assert 'identify = ["who", "scale"]' in guess.text
    driver = make()
    assert driver.poll().data == b"R\r\n"
    assert DescribedDevice(driver).receive(b"FS?\r\n").startswith(b"FS=")


@pytest.mark.parametrize(
    ("line", "unit", "wrong"),
    [
        ("SPEED {:.1f} V {:.2f} mV", "/min", "V"),
        ("D {:.4f} PH {:.2f} pH", "g/cm3", "[pH]"),
        ("T {:.1f},P {:.2f} kPa", "K", "Pa.s"),
    ],
)
def test_the_name_of_the_next_number_is_not_taken_for_a_unit(line, unit, wrong):
    capture = streamed([line.format(100 + 7.3 * n, 1.1 * n).encode() for n in range(1, 12)])
    _, guess = described(capture)
    assert guess.text.count(f'unit = "{wrong}"') <= wrong.count("pH")  # that of the second number
    assert any("the UCUM unit of" in point for point in guess.open_points)
    make, guess = answered(capture, unit=unit, range="0 to 5000")
    assert make().channels[0].unit == entered_unit(unit)[0]


def test_a_number_behind_the_word_ph_is_one_only_where_it_has_the_form():
    for texts, unit in (
        (("6.50", "7.25", "13.9"), "[pH]"),
        (("650", "725", "610"), "1"),
        (("65.0", "7.2", "6.1"), "1"),
    ):
        make, _ = described(streamed([b"PH=%s" % text.encode() for text in texts]))
        assert make().channels[0].unit == unit


def test_a_comma_that_may_separate_two_numbers_is_a_question():
    capture = streamed([b"%d,%d" % (20 + n, 51 + 3 * n) for n in range(10)])
    _, guess = described(capture)
    assert any("one number with a decimal comma, or two numbers" in point for point in guess.open_points)
    for answer, values in (("yes", (21.54,)), ("no", (21.0, 54.0))):
        make, guess = answered(capture, comma=answer)
        assert make().decode(b"21,54") == values
        assert not any("comma" in point for point in guess.open_points)


@pytest.mark.parametrize(
    ("text", "code", "factor"),
    [
        ("g/cm3", "g/mL", 1.0), ("kg.m-3", "kg/m3", 1.0), ("kg/m\u00b3", "kg/m3", 1.0), ("\u00b0C", "Cel", 1.0), ("rpm", "/min", 1.0),
        ("U/min", "/min", 1.0), ("mN\u00b7m", "mN.m", 1.0), ("Nm", "N.m", 1.0), ("cP", "mPa.s", 1.0), ("l/min", "L/min", 1.0),
        ("0.1 \u00b0C", "Cel", 0.1), ("0,01 %", "%", 0.01), ("lb", "kg", 0.45359237), ("N/mm2", "bar", 10.0), ("", "1", 1.0),
        ("\u00b5S/cm", "uS/cm", 1.0), ("MOhm", "Ohm", 1e6), ("ml/s", "L/h", 3.6),
    ],
)  # fmt: skip
def test_units_are_entered_in_ucum_and_as_they_are_usually_written(text, code, factor):
    """Factors: SI brochure (2019); pound: NIST SP 811 (2008), appendix B."""
    assert entered_unit(text) == (code, pytest.approx(factor))


@pytest.mark.parametrize("text", ["m/s", "furlong", "g/", "/", "s-1", "g..m", "1e40 g", "[pH]/s", "kg m", "."])
def test_a_unit_that_is_unknown_or_of_several_quantities_is_refused_with_a_reason(text):
    with pytest.raises(ValueError, match=r"unit|quotients|may be a|factor"):
        entered_unit(text)
