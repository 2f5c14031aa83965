"""What the audit trail tells of an instrument's verifications, for a run that is about to begin and for a person."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from daq.adapters.store.audit import AuditEntry
from daq.adapters.store.reading import Reader
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.orders import RunOrder
from daq.core.driver import Identity
from daq.core.encoding import decode
from daq.methods.files.instrument import Instrument
from daq.methods.planning.compile import Known
from daq.methods.planning.standing import AuditedVerification, Standing, day, standing

DAY_NS: Final = 86_400_000_000_000
"""A torque at rest older than this says nothing of the zero's drift."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One verification as it was audited."""

    seq: int
    utc_ns: int
    who: str
    detail: AuditedVerification

    @property
    def passed(self) -> bool | None:
        """None where it was not decided."""
        return self.detail.passed


@dataclass(frozen=True, slots=True)
class InDoubt:
    """A failed verification, and what was measured since the last pass before it."""

    failed: Entry
    last_pass: Entry | None
    results: tuple[tuple[str, str], ...]
    """Result and run of each, oldest first."""


def entries(reader: Reader, instrument: str) -> list[Entry]:
    """All verifications of an instrument, oldest first."""
    return [_entry(e) for e in reader.verifications(instrument)]


def _entry(e: AuditEntry) -> Entry:
    return Entry(e.seq, e.utc_ns, e.who, decode(AuditedVerification, json.loads(e.detail)))


def standing_of(found: Sequence[Entry], instrument: Instrument | None, serial: str | None, now_utc_ns: int) -> Standing:
    """How an instrument stands now; without its file no interval is known."""
    every = None if instrument is None or instrument.verification is None else instrument.verification.every
    judged = [e.detail.verified(e.utc_ns) for e in found if e.passed is not None]
    return standing(judged, now_utc_ns=now_utc_ns, every_ns=every, serial=serial)


def in_doubt(reader: Reader, instrument: str, found: Sequence[Entry]) -> InDoubt | None:
    """The newest failed verification with every result since the last pass before it; None where none failed."""
    failed = next((e for e in reversed(found) if e.passed is False), None)
    if failed is None:
        return None
    passes = [e for e in found if e.passed and e.seq < failed.seq]
    last_pass = passes[-1] if passes else None
    results = _results_between(reader, instrument, found, 0 if last_pass is None else last_pass.seq, failed.seq)
    return InDoubt(failed, last_pass, tuple(results))


def _results_between(
    reader: Reader, instrument: str, found: Sequence[Entry], after: int, before: int | None = None
) -> list[tuple[str, str]]:
    """Results (with their runs) of an instrument committed between two audit entries, verifications left out."""
    own = {e.detail.run for e in found}
    later = set() if before is None else {result for result, _ in reader.results_since(instrument, before)}
    return [(r, run) for r, run in reader.results_since(instrument, after) if run not in own and r not in later]


def known(reader: Reader, catalogue: Catalogue, order: RunOrder, identity: Identity | None, now_utc_ns: int) -> Known:
    """What is known of an instrument when a run on it begins.

    Raises:
        SettingError: the method is not known.
    """
    instrument = catalogue.instrument(order.instrument)
    serial = identity.serial if identity is not None else instrument.expect_serial
    found = entries(reader, instrument.name)
    since: list[tuple[str, str]] = []
    if catalogue.method(order.method_id, order.method_version).verification is not None:
        passes = [e.seq for e in found if e.passed]
        since = _results_between(reader, instrument.name, found, passes[-1] if passes else 0)
    return Known(
        today=day(now_utc_ns),
        standing=standing_of(found, instrument, serial, now_utc_ns),
        order=order.order or "as_found",
        results_since_pass=tuple(result for result, _ in since),
        last_torque_at_rest=_last_torque_at_rest(reader, instrument.name, serial, now_utc_ns),
    )


def _last_torque_at_rest(reader: Reader, instrument: str, serial: str | None, now_utc_ns: int) -> float | None:
    newest = reader.last_result(instrument)
    if newest is None or now_utc_ns - newest.created_utc_ns > DAY_NS:
        return None
    data = json.loads(newest.data)
    if data["origin"].get("serial") != serial:
        return None
    seen: float | None = data["conditions"].get("torque_at_rest_percent")
    return seen
