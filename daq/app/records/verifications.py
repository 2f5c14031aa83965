"""Verifications of an instrument from the audit trail, for a run that is about to start and for a person."""

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from daq.adapters.store.audit import AuditEntry
from daq.adapters.store.reading import Reader
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.orders import RunOrder
from daq.core.driver import Identity
from daq.core.encoding import decode
from daq.methods.files.instrument import Instrument
from daq.methods.planning.compile import InstrumentHistory
from daq.methods.planning.standing import AuditedVerification, Pair, Standing, day, standing

DAY_NS: Final = 86_400_000_000_000
"""Largest age of a torque at rest that is used for the drift of the zero."""


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
    for e in (_entry(reader, e) for e in reader.verifications(instrument)):
        first = found.get(e.detail.run)
        found[e.detail.run] = e if first is None else replace(first, detail=e.detail)
    return list(found.values())


def _entry(reader: Reader, e: AuditEntry) -> Entry:
    detail = decode(AuditedVerification, json.loads(e.detail))
    return Entry(e.seq, e.utc_ns, e.who, detail, _attribution(reader, detail.run) == "not_authorised")


def _attribution(reader: Reader, run: str) -> str:
    """Return the attribution of a run; an archive of other runs has the audit entry of its start only."""
    found = reader.run(run)
    if found is not None:
        return found.attribution
    rows = reader.query(
        "SELECT detail FROM audit WHERE subject = ? AND what = 'run_started' ORDER BY seq LIMIT 1", [run]
    )
    return str(json.loads(rows[0]["detail"]).get("attribution", "")) if rows else ""


def pair_of(instrument: Instrument, serial: str | None) -> Pair:
    """Return an instrument with the measuring geometry that is fitted."""
    fitted = instrument.geometry
    return Pair(serial or "", instrument.fitted or "", "" if fitted is None else fitted.serial or "")


def standing_of(found: Sequence[Entry], instrument: Instrument | None, pair: Pair, now_utc_ns: int) -> Standing:
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


def window(found: Sequence[Entry], failed: Entry) -> tuple[int, int]:
    """Return the numbers of the audit entries between which results are in doubt by a failed verification."""
    return _seq(_last_pass(found, failed)), failed.seq


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
    results = _results_between(reader, instrument, found, _seq(last_pass), failed.seq)
    return InDoubt(failed, last_pass, tuple(results))


def _pair(e: Entry) -> Pair:
    detail = e.detail
    # A geometry with a serial number is the same under another name.
    return Pair(detail.serial, "" if detail.geometry_serial else detail.geometry, detail.geometry_serial)


def _results_between(
    reader: Reader, instrument: str, found: Sequence[Entry], after: int, before: int | None = None
) -> list[tuple[str, str]]:
    """Return results (with their runs) of an instrument committed between two audit entries, without verifications."""
    own = {e.detail.run for e in found}
    return [(r, run) for r, run in reader.results_since(instrument, after, before) if run not in own]


def instrument_history(
    reader: Reader, catalogue: Catalogue, order: RunOrder, identity: Identity | None, now_utc_ns: int
) -> InstrumentHistory:
    """Return the history of an instrument at the start of a run on it.

    Raises:
        SettingError: the method is not known.
    """
    instrument = catalogue.instrument(order.instrument)
    serial = identity.serial if identity is not None else instrument.expect_serial
    found = entries(reader, instrument.name)
    pair = pair_of(instrument, serial)
    since: list[tuple[str, str]] = []
    if catalogue.method(order.method_id, order.method_version).verification is not None:
        passes = [e.seq for e in found if e.passed and pair.counts(e.detail.verified(e.utc_ns))]
        since = _results_between(reader, instrument.name, found, passes[-1] if passes else 0)
    return InstrumentHistory(
        today=day(now_utc_ns),
        standing=standing_of(found, instrument, pair, now_utc_ns),
        condition=order.condition or "as_found",
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
