"""Tell for one mutant whether the capture of its instrument, with notes of the display, refuses it."""

import copy
import math
import random
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache
from typing import Any

from daq.app.setup.driver_choice import chosen_driver
from daq.core.driver import Driver, Values
from daq.core.errors import SettingError
from daq.core.units import UNITS
from daq.descriptions.capture import Capture, Piece
from daq.descriptions.load import check_description, load_description
from daq.testing import check_driver
from daq.testing.bench import Simulator
from daq.testing.talk import Example, is_reading, record, requests_of, transcribe, values_of
from tests.campaigns.guesses.captures import Person
from tests.campaigns.guesses.judge import simulated
from tests.campaigns.mutants.changes import mutants
from tests.campaigns.mutants.reasons import reason
from tests.support.dialects.instruments import DIALECTS, FOLDER
from tests.support.instruments.built_in import BUILT_IN
from tests.support.instruments.driver_cases import CASES

MOST_NOTES = 150
LAST = 40
"""Number of pieces at the end of a capture that have notes in any case: there the motor turns."""
Tables = dict[str, Any]


@dataclass(slots=True)
class Judged:
    """Outcome for one description.

    Attributes:
        killed: key, change and check of each mutant that is refused.
        alike: key, change and reason of each one that was not given to the kit, because it reads the capture alike.
        survivors: key, change, reason and difference of each other one.
    """

    killed: list[tuple[str, str, str]] = field(default_factory=list)
    alike: list[tuple[str, str, str]] = field(default_factory=list)
    survivors: list[tuple[str, str, str, str]] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Instrument:
    """A description with a simulator: its tables, the options of its driver, and its capture."""

    raw: Tables
    options: dict[str, Any]
    capture: Callable[[], Capture]


def _built_in(driver: str, options: dict[str, Any], kind: str, given: dict[str, Any]) -> Instrument:
    return Instrument(
        copy.deepcopy(dict(BUILT_IN[driver].raw)), options, lambda: noted_capture(driver, options, kind, given)
    )


def _dialect(name: str, make: Callable[..., Simulator], options: dict[str, Any]) -> Instrument:
    description = load_description(FOLDER / f"{name}.toml")

    def capture() -> Capture:
        return with_notes(description.driver(options), record(description.driver(options), make(seed=7), readings=40))

    return Instrument(copy.deepcopy(dict(description.raw)), options, capture)


INSTRUMENTS: dict[str, Instrument] = {
    name: _built_in(name, *rest) for name, *rest in reversed(CASES) if name in BUILT_IN
} | {name: _dialect(name, make, options) for name, (make, options) in DIALECTS.items() if "," not in name}
"""Every built-in description, and those of dialects: frames of bytes, blocks of lines, several readings in a line."""


def noted_capture(driver: str, options: dict[str, Any], kind: str, given: dict[str, Any]) -> Capture:
    """Return a capture of a simulator with values that change, faults and actions, and a note of the display a reading."""
    make = chosen_driver(driver, options)
    person = Person(
        kind, make(), simulated(kind, given, 7), random.Random(f"mutants {driver} {options}"), everything=True
    )
    capture = person.captured()
    shift = capture.pieces[-1].t + 1_000_000_000
    more = record(make(), simulated(kind, given, 7), readings=4)
    capture.pieces += [Piece(p.t + shift, p.way, p.data) for p in more.pieces]
    return with_notes(make(), capture)


def with_notes(driver: Driver, capture: Capture) -> Capture:
    """Return the capture with the display's text behind each piece that completes a reading, where it has changed."""
    out, polls = Capture(about=dict(capture.about)), driver.poll()
    size = len(polls) if isinstance(polls, tuple) else 1
    shown: list[str] = []
    last = len(capture.pieces) - LAST
    for at, piece in enumerate(capture.pieces):
        out.pieces.append(piece)
        if piece.way != "<" or (len(shown) >= MOST_NOTES and at < last):
            continue
        examples = [e for e in transcribe(driver, out, "").examples[-size:] if is_reading(e.meaning)]
        values: dict[int, float] = {}
        for e in examples:
            values |= values_of(e.meaning)
        units = {i: driver.channels[i].unit.removeprefix("1") for i in sorted(values)}
        text = "  ".join(f"{values[i]:.6f} {unit}".rstrip() for i, unit in units.items())
        if len(examples) == size and values and text not in shown[-1:]:
            out.pieces.append(Piece(piece.t, "=", text.encode()))
            shown.append(text)
    return out


@cache
def capture_of(name: str) -> Capture:
    """Return the capture of an instrument with its notes."""
    return INSTRUMENTS[name].capture()


def killed_by(tables: Tables, options: dict[str, Any], capture: Capture, ignored: frozenset[str] = frozenset()) -> str:
    """Return "loading", or the name of the first check of the kit that fails; "" for a survivor."""
    try:
        description = check_description(tables)
        description.driver(options)
    except SettingError:
        return "loading"
    # A described driver has no state of its own, so one object serves for all checks, and its memory needs no check.
    driver = description.driver(options)
    report = check_driver(
        lambda: driver, capture=capture, until_failed=True, accepted=ignored, left_out=frozenset({"growth", "state"})
    )
    return next((f.name for f in report.failed if f.name not in ignored), "")


def judged(name: str, every: int = 1, first: int = 0, *, alike: bool = True) -> Judged:
    """Return the outcome of every n-th mutant of a description from the first one.

    Without `alike` a mutant with a reason that reads the capture alike is not given to the kit, whose checks of damaged
    lines take most of the time.
    """
    one = INSTRUMENTS[name]
    capture = capture_of(name)
    # The time at which a simulated answer arrives in a stream is none of a real line.
    accepted = frozenset({"times"}) if killed_by(one.raw, one.options, capture) == "times" else frozenset()
    fails = killed_by(one.raw, one.options, capture, accepted)
    if fails:
        raise AssertionError(f"{name}: the description itself fails: {fails}")
    out = Judged()
    for number, (key, what, tables) in enumerate(mutants(one.raw)):
        if number % every != first or same_meaning(tables, one.raw):
            continue
        why = reason_of(name, key, what, tables)
        if not alike and why and is_loaded(tables, one.options) and not difference(tables, name):
            out.alike.append((key, what, why))
            continue
        check = killed_by(tables, one.options, capture, accepted)
        if check:
            out.killed.append((key, what, check))
        else:
            out.survivors.append((key, what, why, difference(tables, name)))
    return out


def reason_of(name: str, key: str, what: str, tables: Tables) -> str:
    """Return why a mutant may survive, as `reason`; that of a unit only where both drivers have a value of its channel."""
    why = reason(key, what, INSTRUMENTS[name].raw)
    channel = re.fullmatch(r"channel\[(\d+)\]\.unit", key)
    if not why or channel is None or not is_loaded(tables, INSTRUMENTS[name].options):
        return why
    driver = check_description(tables).driver(INSTRUMENTS[name].options)
    theirs = transcribe(driver, capture_of(name), "").examples
    at = int(channel[1])
    both = all(any(at in values_of(e.meaning) for e in examples) for examples in (original(name)[1], theirs))
    return why if both else ""


def is_loaded(tables: Tables, options: dict[str, Any]) -> bool:
    """Return True where the checks of the file accept a mutant."""
    try:
        check_description(tables).driver(options)
    except SettingError:
        return False
    return True


def same_meaning(tables: Tables, raw: Tables) -> bool:
    """Return True where a mutant is the same description: a key has its default."""
    try:
        return check_description(tables).tables == check_description(raw).tables
    except SettingError:
        return False


def difference(tables: Tables, name: str) -> str:
    """Return what a mutant reads otherwise in the capture: values, rejections, faults, answers; "" where it reads the capture alike."""
    one = INSTRUMENTS[name]
    ours, talk = original(name)
    other = check_description(tables).driver(one.options)
    found = []
    same_units = {c.name: c.unit for c in ours.channels} == {c.name: c.unit for c in other.channels}
    theirs = transcribe(other, capture_of(name), "").examples
    if len(theirs) != len(talk):
        found.append("lines")
    for e, f in zip(talk, theirs, strict=False):
        if e.meaning == f.meaning and e.frame == f.frame and same_units:
            continue
        before, now = _named(e, ours), _named(f, other)
        if any(not math.isclose(before.get(name, math.inf), value, rel_tol=1e-9) for name, value in now.items()):
            found.append("values")
        elif before.keys() != now.keys():
            found.append("rejections")
        elif getattr(e.meaning, "faults", None) != getattr(f.meaning, "faults", None) or isinstance(f.meaning, Values):
            found.append("faults")
        else:
            found.append("answers")
    if requests_of(ours) != requests_of(other):
        found.append("requests")
    return ", ".join(dict.fromkeys(found))


@cache
def original(name: str) -> tuple[Driver, list[Example]]:
    """Return the driver of an instrument and what it reads in the capture."""
    driver = check_description(INSTRUMENTS[name].raw).driver(INSTRUMENTS[name].options)
    return driver, list(transcribe(driver, capture_of(name), "").examples)


def _named(e: Example, driver: Driver) -> dict[tuple[str, str], float]:
    """Return the values of a line in SI units, by name and dimension of their channels."""
    found = {}
    for i, value in values_of(e.meaning).items():
        own = UNITS[driver.channels[i].unit]
        found[driver.channels[i].name, own.dimension] = value * own.factor + own.offset
    return found
