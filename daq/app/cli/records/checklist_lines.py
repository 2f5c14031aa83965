"""The checklist of a run as lines of `daq show`."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from daq.adapters.store.records import StoredRecord
from daq.app.records.run_checklist import RunChecklist
from daq.app.screens.bench.bench_words import ITEMS, measured_text
from daq.app.screens.text import local_time, plain, spaced
from daq.core.units import symbol
from daq.laboratory.bench.benchstate import Checked, How
from daq.quality.digits import SHOWN_ID

GROUPS: Final[Mapping[How, str]] = MappingProxyType(
    {
        "measured": "confirmed by the daemon",
        "counted": "confirmed by the daemon",
        "together": "attested together, with one key",
        "earlier": "confirmed before",
        "skipped": "SKIPPED",
    }
)
"""Words for the ways in which an item was confirmed."""
HEADINGS: Final[Mapping[str, str]] = MappingProxyType(
    {"opening": "start of the shift", "before": "before the run", "after": "after the run"}
)
"""Words for the lists of a checklist."""


def checklist_lines(found: RunChecklist | None) -> list[str]:
    """Return one line for each list of a checklist and each way of confirming; empty without a checklist."""
    if found is None:
        return []
    if found.is_damaged:
        return ["the record is damaged: `daq verify`"]
    out = [f"before the run {_by(found.started)}"]
    if found.repeat_of:
        out.append(
            f"repeat of run {plain(found.repeat_of[:SHOWN_ID])}: {plain(found.reason) or 'asked for by the product'}"
        )
    for name, heading in HEADINGS.items():
        items = found.items[name]
        for words in dict.fromkeys(GROUPS.values()):
            shown = [_words(item) for item in items if GROUPS[item.how] == words]
            out += [f"{heading}, {words}: {', '.join(shown)}"] if shown else []
    after = "not confirmed" if found.finished is None else _by(found.finished)
    return [*out, f"after the run {after}"]


def _by(stored: StoredRecord) -> str:
    return f"{local_time(stored.utc_ns)} by {plain(stored.who)}"


def _words(item: Checked) -> str:
    words = ITEMS.get(item.code) or spaced(item.code)
    if item.how == "measured" and (item.value is not None or item.age_s is not None):
        words += f" {measured_text(item)}"
    elif item.how == "counted" and item.value is not None:
        words += f" {item.value:g} {symbol(item.unit)}"
    return words if item.met else f"{words} NOT MET"
