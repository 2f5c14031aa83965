"""Corrections, notes of persons and disagreements as lines of `daq show`."""

from collections.abc import Mapping, Sequence
from typing import Any, Final

from daq.app.records.history import History
from daq.app.screens.styled_lines import Line, wrapped
from daq.app.screens.text import local_time, plain, spaced
from daq.quality.digits import NOTHING, SHOWN_ID

PIPED_COLUMNS = 100
"""Width of text and drawings where the output is piped; tables are then as wide as their content."""
MOST_DISAGREEMENTS = 10
"""Largest number of disagreements that are shown."""


def correction_lines(found: History) -> list[str]:
    """Return one line for each correction: its time, person and reason, and what it changed."""
    out = []
    for d in found.declarations:
        words = [_change(c) for c in d.data["changes"]] if d.data["state"] == "corrected" else ["annulled"]
        words = words or ["published again as Uncertain"]
        change = f"{local_time(d.utc_ns)} by {plain(d.who)}: {', '.join(words)}"
        out.append(f"{change}; because {plain(d.because)}; result {d.data['result'][:SHOWN_ID]}")
    return out


def _change(c: dict[str, str]) -> str:
    before, after = (plain(c[k]) or NOTHING for k in ("before", "after"))
    return f"{spaced(c['name'])} {before} to {after}"


def report_lines(reports: Sequence[Mapping[str, Any]]) -> list[str]:
    """Return one line for each report that shows the run, a withdrawn one with the reason."""
    out = []
    for r in reports:
        words = f"{plain(r['title'])}, number {r['number']}, {r['made']['at']} by {plain(r['made']['who'])}"
        gone = r["withdrawn"]
        out.append(words if gone is None else f"WITHDRAWN {gone['at']} ({plain(gone['because'])}): {words}")
    return out


def note_lines(found: History) -> list[str]:
    """Return one line for each note of a person."""
    return [f"{local_time(n.utc_ns)} {plain(n.who)}: {plain(n.data['text'])}" for n in found.notes]


def signature_lines(found: History) -> list[str]:
    """Return one line for each signature: its time, person and meaning, and its withdrawal."""
    out = []
    for s in found.signatures:
        named = f" ({plain(s.data.get('name'))})" if s.data.get("name") else ""
        line = f"{plain(s.data.get('signed_at'))} by {plain(s.data.get('by'))}{named}: {plain(s.data.get('meaning'))}"
        line += f"; because {plain(s.data.get('because'))}" if s.data.get("because") else ""
        if s.data.get("state") != "in_force":
            line += f"; withdrawn {local_time(s.utc_ns)} by {plain(s.who)}, because {plain(s.because) or NOTHING}"
        out.append(line)
    return out


RELEASES: Final = {
    "released": ("released", "good"),
    "release_blocked": ("RELEASE BLOCKED: put in doubt after it by a verification or a control", "bad"),
    "release_withdrawn": ("RELEASE WITHDRAWN", "warn"),
    "rejected": ("REJECTED: it is not released", "bad"),
}
"""Line of a state of release, with its style."""


def release_line(found: History) -> list[Line]:
    """Return the line about the release of a run; none where it was never released."""
    return [] if found.release is None else [[RELEASES[found.release]]]


def disagreement_lines(texts: Sequence[str], columns: int | None) -> list[Line]:
    """Return the disagreements of a run, to be shown before anything else of it."""
    room = PIPED_COLUMNS if columns is None else columns
    if not texts:
        return []
    say = "DO NOT USE THIS RESULT: what is stored of this run does not agree with the audit trail"
    lines = wrapped(say, room, "", "bad")
    for text in texts[:MOST_DISAGREEMENTS]:
        lines += wrapped(plain(text), room, "  ", "bad")
    if len(texts) > MOST_DISAGREEMENTS:
        lines += wrapped(f"and {len(texts) - MOST_DISAGREEMENTS} more; `daq verify` lists them", room, "  ", "bad")
    return [*lines, []]
