"""Corrections and notes of persons as lines of `daq show`."""

from daq.app.cli.common import SHOWN_ID
from daq.app.records.history import History
from daq.app.screens.text import local_time, plain, spaced
from daq.quality.digits import NOTHING


def correction_lines(found: History) -> list[str]:
    """Return one line for each correction: its time, person and reason, and what it changed."""
    out = []
    for d in found.declarations:
        words = [_change(c) for c in d.data["changes"]] if d.data["state"] == "corrected" else ["annulled"]
        change = f"{local_time(d.utc_ns)} by {plain(d.who)}: {', '.join(words)}"
        out.append(f"{change}; because {plain(d.because)}; result {d.data['result'][:SHOWN_ID]}")
    return out


def _change(c: dict[str, str]) -> str:
    before, after = (plain(c[k]) or NOTHING for k in ("before", "after"))
    return f"{spaced(c['name'])} {before} to {after}"


def note_lines(found: History) -> list[str]:
    """Return one line for each note of a person."""
    return [f"{local_time(n.utc_ns)} {plain(n.who)}: {plain(n.data['text'])}" for n in found.notes]
