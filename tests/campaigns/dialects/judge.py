"""Judge the description that comes of a random dialect and of true answers: right, a question, refused, or wrong."""

import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from daq.core.driver import Channel, Decoded, Driver, Part, Values
from daq.core.errors import SettingError
from daq.core.units import UNITS, convert
from daq.descriptions.capture import Capture
from daq.descriptions.guessing.guess import Guess, guess_description
from daq.descriptions.load import check_description
from daq.testing import check_driver
from daq.testing.talk import is_reading, transcribe
from tests.campaigns.dialects.captures import captured
from tests.campaigns.dialects.dialect import Dialect, Quantity, drawn
from tests.campaigns.dialects.speaker import Emitted, Speaker
from tests.campaigns.dialects.truth import answer

SYNONYMS = {"level": "length"}
"""Names of channels that the program gives by the unit."""
ROUNDS = 40
Rows = Sequence[tuple[float, frozenset[str], Emitted]]
"""Value, faults and true reading of each reading of a channel."""
Outcome = Literal["right", "question", "refused", "kit", "incomplete", "wrong"]


@dataclass(frozen=True, slots=True)
class Verdict:
    """Outcome for one dialect.

    ``question``: an open point is left.  ``refused``: no description is made, with the reason.  ``kit``: the kit refuses the
    description.  ``incomplete``: a quantity or a reading is missing, and no value is wrong.
    """

    outcome: Outcome
    why: str = ""
    text: str = ""
    asked: int = 0


def asked_through(dialect: Dialect, capture: Capture, emitted: list[Emitted]) -> tuple[Guess, int]:
    """Return the description after all questions are answered as far as the dialect has an answer."""
    given: dict[str, str] = {}
    unknown: set[str] = set()
    while True:
        guess = guess_description("drawn", capture, "drawn.capture", given)
        question = next((q for q in guess.questions if q.key not in unknown), None)
        if question is None:
            return guess, len(given)
        found = answer(question, dialect, emitted)
        if found is None:
            unknown.add(question.key)
        else:
            question.check(found)
            given[question.key] = found


def judged(seed: int, *, answers: bool = True, kit: bool = True) -> Verdict:
    """Return the verdict on the dialect of a seed; with `answers` the questions are answered."""
    dialect = drawn(seed)
    speaker = Speaker(dialect, 1)
    capture = captured(dialect, speaker, ROUNDS)
    other = Speaker(dialect, 2)
    second = captured(dialect, other, ROUNDS)
    try:
        if answers:
            guess, count = asked_through(dialect, capture, speaker.emitted)
        else:
            guess, count = guess_description("drawn", capture, "drawn.capture"), 0
        description = check_description(tomllib.loads(guess.text), "drawn.toml")
    except SettingError as error:
        return Verdict("refused", str(error))
    found = compared(dialect, description.driver, [(capture, speaker.emitted), (second, other.emitted)])
    if guess.open_points:
        why = "; ".join(guess.open_points)
        return Verdict("question", why, guess.text, count)
    if kit and found.outcome != "wrong":
        report = check_driver(description.driver, capture=capture)
        if not report.passed:
            return Verdict("kit", report.text(everything=False), guess.text, count)
    elif kit and not check_driver(description.driver, capture=capture).passed:
        return Verdict("kit", found.why, guess.text, count)
    return Verdict(found.outcome, found.why, guess.text, count)


def compared(dialect: Dialect, made: object, talks: Sequence[tuple[Capture, list[Emitted]]]) -> Verdict:
    """Return whether a driver reads what the instrument sent."""
    rows: list[tuple[Mapping[str, float], frozenset[str], Emitted]] = []
    readings = 0
    for capture, emitted in talks:
        driver: Driver = made()  # type: ignore[operator]
        readings += len(emitted)
        examples = [e for e in transcribe(driver, capture, "").examples if is_reading(e.meaning)]
        for e in examples:
            one = _emitted(e.frame, driver.framing.begin, dialect.end.encode(), emitted)
            if one is None:
                return Verdict("wrong", f"{e.frame!r} is no reading")
            rows.append((*_values(driver, e.meaning), one))
    driver = made()  # type: ignore[operator]
    left = {q.name: q for q in dialect.quantities}
    for channel in driver.channels:
        own = [(values[channel.name], faults, emitted) for values, faults, emitted in rows if channel.name in values]
        found = _channel(channel, own, left)
        if found is not None:
            return found
    if left:
        return Verdict("incomplete", f"{', '.join(left)} is read by no channel")
    if len(rows) * 2 < readings:
        return Verdict("incomplete", f"{len(rows)} of {readings} readings are read")
    if dialect.check is not None and not made().has_checksum:  # type: ignore[operator]
        return Verdict("wrong", "the checksum is not checked")
    if dialect.full_scale is not None and "full_scale_uN_m" not in str(driver.options):
        return Verdict("incomplete", "the full scale of the torque is not read")
    return Verdict("right")


def _channel(channel: Channel, own: Rows, left: dict[str, Quantity]) -> Verdict | None:
    """Return the fault of a channel with the readings `own`; its quantity is removed from `left`."""
    match = next((q for q in left.values() if _agrees(q.name, q.unit, channel.unit, own)), None)
    if match is None:
        return Verdict("wrong", f"channel {channel.name} is no quantity of the instrument") if own else None
    del left[match.name]
    if channel.name not in (match.name, SYNONYMS.get(match.name)):
        return Verdict("incomplete", f"{match.name} is the channel {channel.name}")
    for value, faults, emitted in own:
        if emitted.faults and not faults:
            return Verdict(
                "wrong", f"{emitted.raw!r} has the fault {emitted.faults}, and {channel.name} is {value}, valid"
            )
    return None


def _emitted(frame: bytes, begin: bytes, end: bytes, emitted: list[Emitted]) -> Emitted | None:
    """Return the reading of a frame, which may be without its begin and its end."""
    whole = {first + frame + last for first in (b"", begin) for last in (b"", end)}
    found = next((one for one in emitted if one.raw in whole), None)
    return found or next((one for one in emitted if frame in one.raw.split(end)), None)


def _values(driver: Driver, meaning: Decoded) -> tuple[dict[str, float], frozenset[str]]:
    names = [c.name for c in driver.channels]
    if isinstance(meaning, Part):
        values, faults = {names[i]: v for i, v in meaning.values if v is not None}, meaning.faults
    elif isinstance(meaning, Values):
        values, faults = {n: v for n, v in zip(names, meaning.values, strict=True) if v is not None}, meaning.faults
    else:
        row = meaning if isinstance(meaning, tuple) else ()
        values, faults = dict(zip(names, row, strict=False)), ()
    return values, frozenset(str(fault) for _, fault in faults)


def _agrees(name: str, own: str, unit: str, rows: Sequence[tuple[float, frozenset[str], Emitted]]) -> bool:
    if UNITS[own].dimension != UNITS[unit].dimension or not rows:
        return False
    for value, _, emitted in rows:
        true = emitted.values[name]
        if true is None or not math.isclose(convert(true, own, unit), value, rel_tol=1e-6, abs_tol=1e-9):
            return False
    return True
