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


FOUND: Final = re.compile(
    r"calibration (?P<certificate>.+) of (?P<day>\d{4}-\d\d-\d\d): found outside of its tolerance and not adjusted"
)
"""The reason for which a calibration takes a piece out of service."""


def reason_words(t: Texts, reason: str) -> str:
    """Return why a piece is out of service: that of a calibration in the language, that of a person as it is."""
    found = FOUND.fullmatch(reason)
    if found is None:
        return reason
    return t("work.equipment.out_by_calibration", certificate=found["certificate"], day=t.day(found["day"]))


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
            reason=reason_words(t, match["reason"]),
        )
        for match in found
    )


def due_words(t: Texts, text: str) -> str:
    """Return the state of a piece, or the day when it is due; an unknown sentence is shown as it is."""
    for pattern, key in DUE:
        found = pattern.fullmatch(text)
        if found is not None:
            given = found.groupdict()
            if "reason" in given:
                given["reason"] = "; ".join(reason_words(t, one) for one in given["reason"].split("; "))
            return t(key, **(given | {"day": t.day(given["day"])} if "day" in given else given))
    return t.day(text)
