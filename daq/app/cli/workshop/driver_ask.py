"""Ask the questions on a capture one by one on a terminal, with the lines concerned."""

from collections.abc import Callable

from daq.app.cli.printing import hung
from daq.app.screens.text import plain
from daq.core.errors import DaqError
from daq.descriptions.capture import Capture
from daq.descriptions.guessing.guess import Guess, guess_description
from daq.descriptions.guessing.questions import Question

UNKNOWN = ("", "?")
"""Answers for "I do not know"."""
COLUMNS = 80
"""Width of the questions; the lines of the instrument stay whole."""


def ask_through(
    kind: str, capture: Capture, file: str, *, read: Callable[[str], str] = input, show: Callable[[str], None] = print
) -> Guess:
    """Return the description after all questions; one without an answer leaves its remark in the file.

    Args:
        kind: the kind of instrument.
        capture: its capture.
        file: name of the capture.
        read: reads one answer; the end of the input leaves all further questions open.
        show: writes one line.

    Raises:
        SettingError: no description can be made from the capture.
    """
    given: dict[str, str] = {}
    unknown: set[str] = set()
    guess = guess_description(kind, capture, file)
    show("Press Enter where you do not know: the point stays open in the file.")
    number = 0
    while (question := next((q for q in guess.questions if q.key not in unknown), None)) is not None:
        number += 1
        _show(number, question, show)
        answer = _answer(question, read, show)
        if answer is None:
            unknown.add(question.key)
            continue
        try:
            guess = guess_description(kind, capture, file, given | {question.key: answer})
        except DaqError as error:
            show(f"  this does not fit the capture: {plain(str(error))}")
            unknown.add(question.key)
        else:
            given[question.key] = answer
    return guess


def _show(number: int, question: Question, show: Callable[[str], None]) -> None:
    show("")
    for row in hung(plain(question.text), f"{number}. ", COLUMNS):
        show(row)
    for line, part in zip(question.lines, question.parts, strict=True):
        marked = f"   <- {plain(part)}" if part and part != line else ""
        show(f"     {plain(line)}{marked}")
    lead = "   answers: "
    for answer in plain(question.answers).split("; ") if question.answers else ():
        for row in hung(answer, lead, COLUMNS):
            show(row)
        lead = " " * len(lead)


def _answer(question: Question, read: Callable[[str], str], show: Callable[[str], None]) -> str | None:
    """Return an answer that is understood; None where the person does not know."""
    while True:
        try:
            answer = read("   > ").strip()
        except EOFError:
            return None
        if answer in UNKNOWN:
            return None
        try:
            question.check(answer)
        except ValueError as error:
            show(f"   {plain(str(error))}")
        else:
            return answer
