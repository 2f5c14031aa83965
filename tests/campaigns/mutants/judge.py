"""Tell for one mutant whether the capture of its instrument, with notes of the display, refuses it."""

import random
from typing import Any

from daq.app.setup.driver_choice import chosen_driver
from daq.core.driver import Driver
from daq.core.errors import SettingError
from daq.descriptions.capture import Capture, Piece
from daq.descriptions.load import check_description
from daq.testing import check_driver
from daq.testing.checks.checks_values import values_of
from daq.testing.talk import is_reading, record, transcribe
from tests.campaigns.guesses.captures import Person
from tests.campaigns.guesses.judge import simulated

SPOKEN = {"[pH]": "pH", "/min": "1/min"}


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
    """Return the capture with the display's text behind each piece that completes a reading without fault."""
    out, polls = Capture(about=dict(capture.about)), driver.poll()
    size = len(polls) if isinstance(polls, tuple) else 1
    for piece in capture.pieces:
        out.pieces.append(piece)
        if piece.way != "<":
            continue
        examples = [e for e in transcribe(driver, out, "").examples[-size:] if is_reading(e.meaning)]
        values: dict[int, float] = {}
        for e in examples:
            values |= values_of(e.meaning)
        if len(values) == len(driver.channels) and len(out.pieces) < 240:
            units = [SPOKEN.get(c.unit, c.unit) for c in driver.channels]
            text = "  ".join(f"{values[i]:.6f} {unit}".replace(" 1", "") for i, unit in enumerate(units))
            out.pieces.append(Piece(piece.t, "=", text.encode()))
    return out


def killed_by(tables: dict[str, Any], options: dict[str, Any], capture: Capture) -> set[str]:
    """Return "loading", or the names of the failed checks of the kit; none for a survivor."""
    try:
        description = check_description(tables)
        description.driver(options)
    except SettingError:
        return {"loading"}
    report = check_driver(lambda: description.driver(options), capture=capture)
    return {f.name for f in report.failed}
