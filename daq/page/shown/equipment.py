"""Words of equipment in the language of a page, from the English sentences of the daemon."""

import re
from typing import Final

from daq.page.shown.benches import fitted_words, without_commands
from daq.page.texts.texts import Texts

OUT: Final = re.compile(
    r"(?P<piece>.+?)(?:, recorded as (?P<other>.+?))? is out of service, by (?P<who>.+?), "
    r"(?P<at>\d{4}-\d\d-\d\dT[\d:.]+Z): "
    r"(?P<reason>.*?); when it can be used again, a person who reviews puts it back: "
    r"daq equipment back .+? --because TEXT(?:; |$)",
    re.DOTALL,
)
"""A piece that is out of service (`OutOfService.words`); several are joined by semicolons."""
DUE: Final = (
    (re.compile(r"FAILED"), "work.equipment.failed"),
    (re.compile(r"never passed"), "work.equipment.never_passed"),
    (re.compile(r"OVERDUE: never passed"), "work.equipment.overdue_never"),
    (re.compile(r"OVERDUE: none is recorded for this serial number"), "work.equipment.overdue_none"),
    (re.compile(r"OVERDUE(?: since|:) (?P<day>[\d-]+)"), "work.equipment.overdue"),
    (re.compile(r"no day stated \((?P<certificate>.*)\)"), "work.equipment.no_day"),
    (re.compile(r"out of service: (?P<reason>.*)", re.DOTALL), "work.equipment.out"),
    (re.compile(r"in service"), "work.equipment.in_service"),
)
"""Patterns of the states of a piece (`daq.app.laboratory.equipment.inventory`), and the keys of their texts."""


def out_words(t: Texts, text: str) -> str:
    """Return why equipment must not be used, without the command that puts it back; an unknown sentence as it is."""
    found = list(OUT.finditer(text))
    if not found or "".join(match[0] for match in found) != text:
        return without_commands(t, text)
    return " ".join(
        t(
            "bench.help.out_of_service",
            piece=fitted_words(t, match["piece"]),
            who=match["who"],
            at=t.moment(match["at"]),
            reason=match["reason"],
        )
        for match in found
    )


def due_words(t: Texts, text: str) -> str:
    """Return the state of a piece, or the day when it is due; an unknown sentence is shown as it is."""
    for pattern, key in DUE:
        found = pattern.fullmatch(text)
        if found is not None:
            given = found.groupdict()
            return t(key, **(given | {"day": t.day(given["day"])} if "day" in given else given))
    return t.day(text)
