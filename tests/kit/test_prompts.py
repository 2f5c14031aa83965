"""`daq driver new` where a prompt follows each answer, and the kit where blanks part thousands."""

import random

import pytest

from daq.descriptions.capture import Capture, Piece
from daq.testing import check_driver
from tests.support.captures import MS, answered, described


def prompted(prompt, end=b"\r\n", count=20):
    r = random.Random(3)
    pieces = []
    for i in range(count):
        line = b"%.2f g" % r.uniform(1, 999) + end + prompt
        pieces += [Piece(i * 500 * MS, ">", b"R\r"), Piece((i * 500 + 20) * MS, "<", line)]
    return Capture(pieces)


@pytest.mark.parametrize("end", [b"\r\n", b"\r", b"\n"])
@pytest.mark.parametrize("prompt", [b">", b"> ", b"*", b":", b">>"])
def test_a_prompt_is_a_part_of_the_line_end(prompt, end):
    """Before, it was the beginning of the next line, and the first line was one of another kind."""
    made, guess = answered(prompted(prompt, end), baud="9600", range="0 to 1000", same="yes")
    assert made().framing.ends == (end + prompt,)
    assert not guess.open_points
    report = check_driver(made, capture=prompted(prompt, end))
    assert report.passed, report.text(everything=False)
    assert report.finding("understands").message.startswith("20 lines, 20 of them readings")


def test_text_behind_some_answers_is_no_prompt():
    capture = prompted(b">")
    capture.pieces[9] = Piece(capture.pieces[9].t, "<", b"12.50 g\r\n")
    capture.pieces[13] = Piece(capture.pieces[13].t, "<", b"13.50 g\r\n?")
    assert described(capture)[0]().framing.ends == (b"\r\n",)


@pytest.mark.parametrize("other", [b"12.50 g\r\n", b"12.50 g", b"12.50 g\r\n13.50 g\r\n>", b"ERR\r\n"])
@pytest.mark.parametrize("at", [1, 3, 21, 37])
def test_a_prompt_that_one_answer_does_not_have_is_no_part_of_the_line_end(other, at):
    """A line without it would be a part of the next one; only the capture may stop before the last prompt."""
    capture = prompted(b">")
    capture.pieces[at] = Piece(capture.pieces[at].t, "<", other)
    assert described(capture)[0]().framing.ends == (b"\r\n",)


@pytest.mark.parametrize("last", [b"12.50 g\r\n", b"12.5", b"12.50 g\r\n>"])
def test_a_capture_may_stop_before_the_last_prompt(last):
    capture = prompted(b">")
    capture.pieces[-1] = Piece(capture.pieces[-1].t, "<", last)
    assert described(capture)[0]().framing.ends == (b"\r\n>",)


@pytest.mark.parametrize(("least", "padded", "passed"), [(1, True, False), (1, False, True), (100, False, False)])
def test_thousands_parted_by_a_blank_are_not_left_unread(least, padded, passed):
    """`2 034.50` was read as 34.5 where the 2 was left unread; a counter before the number stays a note.

    A note of the display is needed where all numbers behind the counter have three digits.
    """
    r = random.Random(5)
    pieces = []
    for i in range(24):
        number = r.uniform(least, 999)
        line = b"M %d %s g\r\n" % (r.randrange(1, 9), b"%06.2f" % number if padded else b"%.2f" % number)
        pieces += [Piece(i * 500 * MS, ">", b"R\r\n"), Piece((i * 500 + 20) * MS, "<", line)]
    made, _ = answered(Capture(pieces), unit="ignored", baud="9600", range="0 to 1000", digits="decimal")
    assert [c.name for c in made().channels] == ["mass"]
    report = check_driver(made, capture=Capture(pieces))
    assert report.passed is passed, report.text(everything=False)
    assert ("whole numbers" in [f.name for f in report.failed]) is not passed
