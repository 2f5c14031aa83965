"""`daq driver new` asks whether a '-' is a sign, and whether digits behind letters are a number, and follows the answer."""

import random

from daq.core.driver import Reject, Values
from daq.testing import check_driver
from tests.support.captures import answered, described, polled

R = random.Random(7)
RISES = [(b"T", b"%dC - %02d" % (15 + 3 * i % 80, i % 13)) for i in range(24)]
TORQUES = [
    (
        b"RD",
        b"TQ%+05d NS%05d ST%03o" % (R.randint(-30, 999), R.choice([0, 600, 1200, 3000, 12000]), R.choice([0, 8, 128])),
    )
    for _ in range(30)
]


def test_a_dash_between_a_unit_and_a_number_is_a_question():
    """`21C - 08` was read as -8, with the 21 as a state."""
    _, guess = described(polled(RISES))
    assert any("whether the '-' before" in point for point in guess.open_points)
    hexadecimal = next(q for q in guess.questions if q.key.startswith("hex "))
    assert hexadecimal.text == "What is 15C in these lines: hexadecimal digits (348), or none?"
    made, guess = answered(
        polled(RISES), hex="decimal", sign="no", baud="9600", digits="decimal", unit={"0": "Cel", "1": "ignored"},
        state="ok", range="-50 to 200",
    )  # fmt: skip
    assert made().decode(b"21C - 08", None) == (21.0,)
    assert isinstance(made().decode(b"21C + 08", None), Reject)


def test_a_dash_is_a_sign_where_a_person_says_so():
    made, _ = answered(
        polled(RISES), hex="decimal", sign="yes", baud="9600", digits="decimal", unit={"0": "Cel", "1": "mm"},
        range="-50 to 200",
    )  # fmt: skip
    assert made().decode(b"21C - 08", None) == (21.0, -8.0)


def test_numbers_with_another_sign_are_no_question():
    talk = [(b"T", b"L%s%02d mm" % (b"+-"[i % 2 :][:1], i)) for i in range(20)]
    assert not [q for q in described(polled(talk))[1].questions if q.key.startswith("sign ")]


def test_whole_numbers_directly_behind_letters_are_read():
    """`NS06000` was a state of its own for each speed; a new speed was refused, and the speed was no channel."""
    made, guess = answered(
        polled(TORQUES), numbered="number", baud="9600", digits="decimal", bit={"4": "torque: over_range", "9": "ok"},
        unit={"0": "0.1 %", "1": "0.01 rpm", "2": "bits"}, name="torque", range="-10 to 200", hex="bits",
    )  # fmt: skip
    driver = made()
    assert [c.name for c in driver.channels] == ["torque", "speed"]
    assert driver.decode(b"TQ+0452 NS04500 ST000", None) == (45.2, 45.0)
    # Octal digits are bits of hexadecimal ones, of which each has three: 010 is the weight 16.
    over = driver.decode(b"TQ+0452 NS04500 ST010", None)
    assert over == Values((None, 45.0), (("torque", "over_range"),))
    assert isinstance(driver.decode(b"TQ+0452 NS04500 ST001", None), Reject)
    assert not guess.open_points
    assert check_driver(made, capture=polled(TORQUES)).passed


def test_words_stay_states_where_a_person_says_so():
    made, _ = answered(
        polled(TORQUES), numbered="text", baud="9600", state="ok", unit="0.1 %", name="torque", range="-10 to 200"
    )
    assert [c.name for c in made().channels] == ["torque"]
    assert isinstance(made().decode(b"TQ+0452 NS04501 ST000", None), Reject)
