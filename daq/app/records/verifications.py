"""Verifications of an instrument from the audit trail, and the results that a failed one puts in doubt."""

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

from daq.adapters.store.audit import AuditEntry
from daq.adapters.store.reading import Reader
from daq.core.encoding import decode
from daq.methods.planning.standing import AuditedLevel, AuditedVerification, Pair, Standing, standing

if TYPE_CHECKING:
    from daq.methods.files.instrument import Instrument

_NUMBER: Final = (float, type(None))
_TYPES: Final = dict.fromkeys(
    ("run", "result", "condition", "fluid", "lot", "certificate", "geometry", "geometry_serial", "serial"), (str,)
) | {"passed": (bool, type(None)), "results_in_doubt": (int,)}
_OF_A_LEVEL: Final = {"torque_percent": _NUMBER, "deviation_percent": _NUMBER, "accepted": (bool, type(None))}
"""Types of the values of a verification and of its levels; others, such as a whole number, are left to `decode`."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One verification in the audit trail."""

    seq: int
    utc_ns: int
    who: str
    detail: AuditedVerification
    not_authorised: bool = False
    """The operator of its run had no authorisation for its method."""

    @property
    def passed(self) -> bool | None:
        """True if it passed; None if it was not decided, or passed without an authorisation."""
        return None if self.detail.passed and self.not_authorised else self.detail.passed


@dataclass(frozen=True, slots=True)
class InDoubt:
    """A failed verification, and the results since the last pass before it, which are in doubt."""

    failed: Entry
    last_pass: Entry | None
    results: tuple[tuple[str, str], ...]
    """Ids of result and run, oldest first."""


def entries(reader: Reader, instrument: str) -> list[Entry]:
    """Return all verifications of an instrument, oldest first: each as judged last, at the time of its run."""
    found: dict[str, Entry] = {}
    not_authorised = reader.not_authorised(instrument)
    for e in (_entry(e, not_authorised) for e in reader.verifications(instrument)):
        first = found.get(e.detail.run)
        found[e.detail.run] = e if first is None else replace(first, detail=e.detail)
    return list(found.values())


def _entry(e: AuditEntry, not_authorised: frozenset[str]) -> Entry:
    detail = _detail(json.loads(e.detail))
    return Entry(e.seq, e.utc_ns, e.who, detail, detail.run in not_authorised)


def _detail(data: Any) -> AuditedVerification:
    """Return the detail of an audit entry; `decode` does the same for any dataclass, and takes ten times as long."""
    try:
        own, levels = {name: data[name] for name in _TYPES}, [{n: x[n] for n in _OF_A_LEVEL} for x in data["levels"]]
        plain = all(type(own[name]) in allowed for name, allowed in _TYPES.items())
        plain = plain and all(type(x[n]) in allowed for x in levels for n, allowed in _OF_A_LEVEL.items())
        if plain and len(data) == len(own) + 1 and all(len(x) == len(_OF_A_LEVEL) for x in data["levels"]):
            return AuditedVerification(**own, levels=tuple(AuditedLevel(**x) for x in levels))
    except (KeyError, TypeError):
        pass
    return decode(AuditedVerification, data)  # names the key that is wrong


def pair_of(instrument: "Instrument", serial: str | None) -> Pair:
    """Return an instrument with the measuring geometry that is fitted."""
    fitted = instrument.geometry
    return Pair(serial or "", instrument.fitted or "", "" if fitted is None else fitted.serial or "")


def standing_of(found: Sequence[Entry], instrument: "Instrument | None", pair: Pair, now_utc_ns: int) -> Standing:
    """Return the verification status of a pair now; without the instrument's file no interval is known."""
    every = None if instrument is None or instrument.verification is None else instrument.verification.every
    judged = [e.detail.verified(e.utc_ns) for e in found if e.passed is not None]
    return standing(judged, now_utc_ns=now_utc_ns, every_ns=every, pair=pair)


def in_doubt(reader: Reader, instrument: str, found: Sequence[Entry]) -> InDoubt | None:
    """Return the newest failed verification with every result since the last pass of its pair; None if none failed."""
    failed = next((e for e in reversed(found) if e.passed is False), None)
    return None if failed is None else doubt_by(reader, instrument, found, failed)


def failures_after(found: Sequence[Entry], run: str, seq: int) -> list[Entry]:
    """Return the failed verifications that put a result in doubt.

    Args:
        found: all verifications of the instrument.
        run: the run of the result; a verification puts no other verification in doubt.
        seq: number of the audit entry of the run's first result.
    """
    if any(e.detail.run == run for e in found):
        return []
    return [e for e in found if e.passed is False and e.seq >= seq > _seq(_last_pass(found, e))]


def _last_pass(found: Sequence[Entry], failed: Entry) -> Entry | None:
    """Return the last pass of the pair of a failed verification before it."""
    pair = _pair(failed)
    passes = [e for e in found if e.passed and e.seq < failed.seq and _pair(e) == pair]
    return passes[-1] if passes else None


def _seq(e: Entry | None) -> int:
    return 0 if e is None else e.seq


def doubt_by(reader: Reader, instrument: str, found: Sequence[Entry], failed: Entry) -> InDoubt:
    """Return a failed verification with every result of the instrument since the last pass of its pair."""
    last_pass = _last_pass(found, failed)
    results = results_between(reader, instrument, found, _seq(last_pass), failed.seq)
    return InDoubt(failed, last_pass, tuple(results))


def _pair(e: Entry) -> Pair:
    detail = e.detail
    # A geometry with a serial number is the same under another name.
    return Pair(detail.serial, "" if detail.geometry_serial else detail.geometry, detail.geometry_serial)


def results_between(
    reader: Reader, instrument: str, found: Sequence[Entry], after: int, before: int | None = None
) -> list[tuple[str, str]]:
    """Return results (with their runs) of an instrument committed between two audit entries, without verifications."""
    own = {e.detail.run for e in found}
    return [(r, run) for r, run in reader.results_since(instrument, after, before) if run not in own]
