"""The signatures in force under runs and records, as lines of a report."""

from collections.abc import Iterable
from typing import Final

from daq.app.laboratory.laboratory import find
from daq.app.laboratory.reporting.measured_facts import moment_words
from daq.app.records.signatures import RUN, Releases
from daq.app.screens.text import sentence
from daq.laboratory.reportables import ReportableRecord
from daq.laboratory.signing import Meaning, Signature
from daq.methods.parts.statement import distinct
from daq.quality.digits import SHOWN_ID

OF_CUSTOMERS: Final[frozenset[Meaning]] = frozenset({"reviewed", "released"})
"""Meanings of the signatures by which a certificate is authorised; those who measured are not named on it."""


def signature_lines(releases: Releases, subjects: Iterable[tuple[str, str]]) -> tuple[str, ...]:
    """Return one line for each signature in force: meaning, name and time, with the record where there are several.

    Args:
        releases: the signatures of a database.
        subjects: kind and id of each run or record.

    Raises:
        StoreError: a signature cannot be read.
    """
    given = list(subjects)
    out = []
    for of, ident in given:
        about = "" if len(given) == 1 else f"run {ident[:SHOWN_ID]}: " if of == RUN else f"{ident}: "
        out += [about + _line(s) + _doubt(releases, s) for s in releases.in_force(of, ident)]
    return tuple(out)


def authorisation_lines(releases: Releases, of: str, ident: str) -> tuple[str, ...]:
    """Return the lines of a certificate: one for each person who reviewed or released the run or the record.

    ISO/IEC 17025, 7.8.2.1 o), demands the persons who authorise the report.

    Raises:
        StoreError: a signature cannot be read.
    """
    return tuple(_line(s) for s in releases.in_force(of, ident) if s.meaning in OF_CUSTOMERS)


def _line(s: Signature) -> str:
    because = f" ({s.because})" if s.because else ""
    return f"Signed as {s.meaning} by {s.name or s.by}, {moment_words(s.signed_at)}{because}"


def _doubt(releases: Releases, s: Signature) -> str:
    """Return the words after a release that a failed verification blocks."""
    if s.meaning != "released":
        return ""
    names = [s.subject]
    if s.of == ReportableRecord.kind:
        kept = find(releases.reader, ReportableRecord, s.subject)
        names = [] if kept is None else [a.run for a in kept.record.data.attempts if a.counted]
    runs = (releases.reader.run(name) for name in names)
    doubts = distinct(doubt for run in runs if run is not None for doubt in releases.doubts(run))
    return f"; RELEASE BLOCKED: {sentence(doubts)}" if doubts else ""
