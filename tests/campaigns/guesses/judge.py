"""Judge the description that is made from a capture: right, a question to a person, refused, or wrong."""

import random
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from daq.app.setup.driver_choice import chosen_driver
from daq.core.driver import Decoded, Driver, Part, Values
from daq.core.errors import SettingError
from daq.core.faults import FAULTS
from daq.core.units import UNITS, convert
from daq.descriptions.capture import Capture
from daq.descriptions.guessing.guess import Guess, guess_description
from daq.descriptions.load import check_description
from daq.testing import check_driver
from daq.testing.talk import is_reading, transcribe
from simulators.kinds import KINDS
from tests.campaigns.guesses.captures import Person

Outcome = Literal["right", "question", "refused", "kit", "wrong"]


@dataclass(frozen=True, slots=True)
class Verdict:
    """Outcome for one capture.

    ``question``: a number is read otherwise than by the known driver, and an open point names it.  ``refused``: no
    description is made, and the reason says what to do.  ``kit``: the kit refuses the description.
    """

    outcome: Outcome
    why: str = ""
    text: str = ""


def simulated(kind: str, given: dict[str, object], seed: int) -> object:
    """Return a simulator of the kind with its default options and those given."""
    entry = KINDS[kind]
    options = {o.name: o.default for o in entry.options} | given
    if entry.serial:
        options["serial"] = entry.serial
    return entry.make(seed, **options)


def judged(
    driver: str, options: dict[str, object], kind: str, given: dict[str, object], seed: int, *, kit: bool = True
) -> Verdict:
    """Return the verdict on one capture of a built-in simulator.

    Without `kit` only a description with a wrong value is given to the kit, which takes most of the time.
    """
    known = chosen_driver(driver, options)
    rng = random.Random(f"{driver} {options} {seed}")
    capture = Person(kind, known(), simulated(kind, given, seed), rng).captured()
    other = Person(kind, known(), simulated(kind, given, seed + 1), rng, everything=True).captured()
    try:
        guess = guess_description("guessed", capture, "guessed.capture")
        description = check_description(tomllib.loads(guess.text), "guessed.toml")
    except SettingError as error:
        return Verdict("refused", str(error))
    found = compared(guess, description.driver, known, [capture, other])
    if kit or found.outcome == "wrong":
        report = check_driver(description.driver, capture=capture)
        if not report.passed:
            return Verdict("kit", report.text(everything=False), guess.text)
    return found


def compared(guess: Guess, made: object, known: object, captures: Sequence[Capture]) -> Verdict:
    """Return the verdict on a description, by the good readings of the known driver in `captures`."""
    asked = False
    if known().has_checksum and not made().has_checksum and not any("checksum" in p for p in guess.open_points):
        return Verdict("wrong", "the checksum is not checked, and no open point names it", guess.text)
    for capture in captures:
        new, old = made(), known()
        ours = {e.frame.removeprefix(b"$"): e.meaning for e in transcribe(new, capture, "").examples}
        rows = [
            (values_of(new, ours.get(e.frame.removeprefix(b"$"))), values_of(old, e.meaning))
            for e in transcribe(old, capture, "").examples
            if is_reading(e.meaning) and not _faulty(e.meaning)
        ]
        rows = [(mine, true) for mine, true in rows if mine]
        left = [c.name for c in old.channels]
        for channel in new.channels:
            values = [(mine[channel.name], true) for mine, true in rows if channel.name in mine]
            found = next((name for name in left if _agrees(old, channel.unit, name, values)), None)
            if found is not None:
                left.remove(found)
            if found is not None or not values:
                continue
            if not any(f" {channel.name} (" in point or f" {channel.name} of" in point for point in guess.open_points):
                return Verdict("wrong", f"no open point names {channel.name}", guess.text)
            if channel.unit != "1" and not any("the same quantity" in point for point in guess.open_points):
                return Verdict("wrong", f"{channel.name} in {channel.unit} is none of the instrument's", guess.text)
            asked = True
    return Verdict("question" if asked else "right", "", guess.text)


def values_of(driver: Driver, meaning: Decoded | None) -> dict[str, float]:
    """Return the values of a reading or of a part of one, by channel."""
    names = [c.name for c in driver.channels]
    if isinstance(meaning, Part):
        return {names[i]: v for i, v in meaning.values if v is not None}
    row = meaning.values if isinstance(meaning, Values) else meaning if isinstance(meaning, tuple) else ()
    return {name: v for name, v in zip(names, row, strict=False) if v is not None}


def _faulty(meaning: Decoded) -> bool:
    faults = meaning.faults if isinstance(meaning, Values | Part) else ()
    return any(not FAULTS[fault].keeps_value for _, fault in faults)


def _agrees(known: Driver, unit: str, name: str, values: Sequence[tuple[float, dict[str, float]]]) -> bool:
    """Return True where a made channel is a known one, in its own unit or as a plain number, in every reading."""
    own = next(c.unit for c in known.channels if c.name == name)
    for value, true in values:
        if name not in true:
            continue
        wanted = convert(true[name], own, unit) if UNITS[own].dimension == UNITS[unit].dimension else true[name]
        if abs(value - wanted) > 1e-6 * max(1.0, abs(wanted)):
            return False
    return any(name in true for _, true in values)
