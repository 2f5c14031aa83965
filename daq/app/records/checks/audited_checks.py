"""Verifications and controls of an instrument from the audit trail, each as it is judged now."""

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from daq.adapters.store.audit import AuditEntry
from daq.adapters.store.reading import Reader
from daq.core.encoding import decode
from daq.methods.files.instrument import Instrument
from daq.methods.messages.doubting import Doubt
from daq.methods.planning.standing import AuditedVerification, Pair


@dataclass(frozen=True, slots=True)
class Entry:
    """One verification or control in the audit trail."""

    seq: int
    utc_ns: int
    who: str
    detail: AuditedVerification
    not_authorised: bool = False
    """The operator of its run had no authorisation for its method."""
    method: str = ""
    """Id of the method of its run."""
    began_utc_ns: int = 0
    """Start of its run."""
    simulated: bool = False
    """It was measured on a simulated instrument: it says nothing about a real one."""
    has_passed: bool = False
    """It passed when its run ended, whatever a correction made of it."""

    @property
    def passed(self) -> bool | None:
        """True if it passed; None if it was not decided, or passed without an authorisation."""
        return None if self.detail.passed and self.not_authorised else self.detail.passed

    def counts_for(self, instrument: Instrument | None) -> bool:
        """Return whether it counts for an instrument: a pass on a simulated one does for such a one only."""
        return not self.passed or instrument is None or self.simulated == instrument.simulated

    @property
    def is_control(self) -> bool:
        """True if it is a control of a shift, and no verification."""
        return self.detail.kind == "control"

    @property
    def doubt(self) -> Doubt | None:
        """The fault of the results that it puts in doubt; None where it puts none in doubt."""
        if self.passed is False:
            return "control_failed_later" if self.is_control else "verification_failed_later"
        # Results were Good because this control had passed.
        return "control_withdrawn_later" if self.is_control and self.has_passed and not self.passed else None


def checks(reader: Reader, instrument: str) -> list[Entry]:
    """Return all verifications and controls of an instrument, oldest first: each as judged last, at its run's time."""
    return _judged_last(reader, reader.verifications(instrument))


def entries(reader: Reader, instrument: str) -> list[Entry]:
    """Return all verifications of an instrument, oldest first: each as judged last, at the time of its run."""
    # Controls are many more: one each shift.
    found = (e for e in reader.verifications(instrument) if json.loads(e.detail).get("kind") != "control")
    return _judged_last(reader, found)


def _judged_last(reader: Reader, audited: Iterable[AuditEntry]) -> list[Entry]:
    found: dict[str, Entry] = {}
    for e in (audited_check(reader, e.seq, e.utc_ns, e.who, json.loads(e.detail)) for e in audited):
        first = found.get(e.detail.run)
        found[e.detail.run] = e if first is None else replace(first, detail=e.detail)
    return list(found.values())


def audited_check(reader: Reader, seq: int, utc_ns: int, who: str, detail: Mapping[str, Any]) -> Entry:
    """Return a verification or control from its audit entry: number, time (UTC, ns), person and decoded detail."""
    found = decode(AuditedVerification, detail)
    attribution, method, began, simulated = _start_of(reader, found.run)
    unknown = attribution == "not_authorised"
    passed = bool(found.passed) and not unknown and bool(method)
    return Entry(seq, utc_ns, who, found, unknown, method, began, simulated, passed)


def _start_of(reader: Reader, run: str) -> tuple[str, str, int, bool]:
    """Return attribution, id of the method and start of a run, and whether it was simulated.

    An archive of other runs has the first audit entry only.
    """
    found = reader.run(run)
    if found is not None:
        return found.attribution, found.method_id, found.began_utc_ns, found.simulated
    rows = reader.query(
        "SELECT utc_ns, detail FROM audit WHERE subject = ? AND what = 'run_started' ORDER BY seq LIMIT 1", [run]
    )
    if not rows:
        return "", "", 0, False
    started = json.loads(rows[0]["detail"])
    attribution, method = str(started.get("attribution", "")), str(started.get("method_id", ""))
    return attribution, method, int(rows[0]["utc_ns"]), bool(started.get("simulated"))


def pair_of(instrument: Instrument, serial: str | None) -> Pair:
    """Return an instrument with the measuring geometry that is fitted."""
    fitted = instrument.geometry
    return Pair(serial or "", instrument.fitted or "", "" if fitted is None else fitted.serial or "")
