"""Captures of invented instruments, and their descriptions after questions are answered."""

import tomllib

from daq.descriptions.capture import Capture, Piece
from daq.descriptions.guessing.guess import guess_description
from daq.descriptions.load import check_description

MS = 1_000_000


def streamed(lines, end=b"\r\n", every_ms=500):
    """Return the capture of lines that come unasked."""
    return Capture([Piece(i * every_ms * MS, "<", line + end) for i, line in enumerate(lines)])


def polled(talk, end=b"\r\n"):
    """Return the capture of requests, which have no line end of their own, and answers."""
    pieces = []
    for i, (request, answer) in enumerate(talk):
        pieces += [Piece(i * 300 * MS, ">", request), Piece((i * 300 + 20) * MS, "<", answer + end)]
    return Capture(pieces)


def described(capture, answers=None):
    """Return the function that makes the driver, and the guess."""
    guess = guess_description("made", capture, "made.capture", answers)
    return check_description(tomllib.loads(guess.text), "made.toml").driver, guess


def answered(capture, **by_kind):
    """Answer each question by the first word of its key, until none of these is left."""
    given = {}
    while True:
        make, guess = described(capture, given)
        question = next((q for q in guess.questions if q.key.split(" ")[0] in by_kind), None)
        if question is None:
            return make, guess
        answer = by_kind[question.key.split(" ")[0]]
        given[question.key] = answer[question.key.rpartition("/")[2]] if isinstance(answer, dict) else answer
