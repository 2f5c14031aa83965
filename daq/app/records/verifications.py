"""Verifications and controls of an instrument from the audit trail, for a run that starts and for a person."""

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final

from daq.adapters.store.audit import AuditEntry
from daq.adapters.store.newest_runs import LATEST, VerifyingRun, newest_of_kind, run_started_seq, verifying_runs
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import newest_revision, revisions
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.fitted import fits_of, with_fits
from daq.app.setup.orders import RunOrder
from daq.core.context import ControlLimits, RequiredControl
from daq.core.driver import Identity
from daq.core.encoding import decode
from daq.laboratory.bench.checklists import SHIFT_NS
from daq.laboratory.bench.repeatcause import Handover
from daq.laboratory.chartlimits import ChartLimits, ChartName, control_quantity
from daq.laboratory.configuration import Fitted
from daq.methods.files.fluid import Fluid
from daq.methods.files.instrument import ControlOfShift, Instrument
from daq.methods.messages.doubting import Doubt
from daq.methods.planning.compile import FixedControlLimits, InstrumentHistory
from daq.methods.planning.standing import (
    AuditedVerification,
    Pair,
    Standing,
    StoredControl,
    day,
    required_control,
    standing,
)

NO_END: Final = 2**63 - 1
"""Largest integer of SQLite."""
REFITTED: Final = "geometry_fitted"
"""Name of the change with which a person records that a geometry was fitted; others only note the file."""
CONTROLS_READ: Final = 20
"""Number of verifications and controls that are read at once, newest first."""
DAY_NS: Final = 86_400_000_000_000
"""Largest age of a torque at rest that is used for the drift of the zero."""


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


@dataclass(frozen=True, slots=True)
class InDoubt:
    """A failed verification or control, and the results since the last pass before it, which are in doubt."""

    failed: Entry
    last_pass: Entry | None
    results: tuple[tuple[str, str], ...]
    """Ids of result and run, oldest first."""


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
    for e in (_entry(reader, e) for e in audited):
        first = found.get(e.detail.run)
        found[e.detail.run] = e if first is None else replace(first, detail=e.detail)
    return list(found.values())


def _entry(reader: Reader, e: AuditEntry) -> Entry:
    detail = decode(AuditedVerification, json.loads(e.detail))
    attribution, method, began, simulated = _start_of(reader, detail.run)
    unknown = attribution == "not_authorised"
    passed = bool(detail.passed) and not unknown and bool(method)
    return Entry(e.seq, e.utc_ns, e.who, detail, unknown, method, began, simulated, passed)


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


def standing_of(found: Sequence[Entry], instrument: Instrument | None, pair: Pair, now_utc_ns: int) -> Standing:
    """Return the verification status of a pair now; without the instrument's file no interval is known.

    A pass on a simulated instrument counts for a simulated one only.
    """
    every = None if instrument is None or instrument.verification is None else instrument.verification.every
    judged = [e.detail.verified(e.utc_ns) for e in found if e.passed is not None and _counts_for(e, instrument)]
    return standing(judged, now_utc_ns=now_utc_ns, every_ns=every, pair=pair)


def _counts_for(e: Entry, instrument: Instrument | None) -> bool:
    return not e.passed or instrument is None or e.simulated == instrument.simulated


def in_doubt(reader: Reader, instrument: str, found: Sequence[Entry]) -> InDoubt | None:
    """Return the newest failed verification with every result since the last pass of its pair; None if none failed."""
    failed = next((e for e in reversed(found) if e.passed is False), None)
    return None if failed is None else doubt_by(reader, instrument, found, failed)


def failures_after(reader: Reader, found: Sequence[Entry], run: str, seq: int) -> list[Entry]:
    """Return the failed verifications and controls, and the withdrawn controls, that put a result in doubt.

    A control puts only results of its own measuring geometry in doubt.

    Args:
        reader: the database.
        found: all verifications and controls of the instrument.
        run: the run of the result; a verification or control puts no other one in doubt.
        seq: number of the audit entry of the run's first result.
    """
    if any(e.detail.run == run for e in found):
        return []
    near = [e for e in found if e.doubt is not None and _reaches(found, e, seq)]
    return [e for e in near if not e.is_control or _may_be_of(reader, run, e.detail)]


def _reaches(found: Sequence[Entry], e: Entry, seq: int) -> bool:
    after, until = _reach(found, e)
    return after < seq and (until is None or seq <= until)


def _reach(found: Sequence[Entry], e: Entry, *, however: bool = False) -> tuple[int, int | None]:
    """Return the audit entries between which results are in doubt by an entry; None means without an end.

    A failure puts the results since the last pass in doubt, a withdrawn control those until the next pass.  With
    `however` the reach is that of both, however a control is judged.
    """
    after = _seq(_last_pass(found, e)) if e.passed is False or not e.is_control or however else e.seq
    if not (e.is_control and (however or (e.has_passed and not e.passed))):
        return after, e.seq
    pair = _pair(e)
    later = [o.seq for o in found if o.is_control and o.passed and o.seq > e.seq and _pair(o) == pair]
    return after, later[0] if later else None


def _may_be_of(reader: Reader, run: str, control: AuditedVerification) -> bool:
    """Return whether a result may be of instrument and measuring geometry of a control; True where it is not known."""
    newest = reader.newest_result(run)
    if newest is None:
        return True
    data = json.loads(newest.data)
    geometry = data.get("geometry") or {}
    own = Pair(data["origin"].get("serial") or "", geometry.get("name") or "", geometry.get("serial") or "")
    # As a failure, which counts also where a serial number is known on one side only.
    return own.counts(replace(control.verified(0), passed=False))


def window(found: Sequence[Entry], e: Entry) -> tuple[int, int]:
    """Return the numbers of the audit entries between which results can be in doubt by a verification or control."""
    after, until = _reach(found, e)
    return after, NO_END if until is None else until


def _last_pass(found: Sequence[Entry], failed: Entry) -> Entry | None:
    """Return the last pass, of the same kind and pair, before a failed verification or control."""
    pair = _pair(failed)
    same = [e for e in found if e.is_control == failed.is_control and e.seq < failed.seq]
    passes = [e for e in same if e.passed and _pair(e) == pair]
    return passes[-1] if passes else None


def _seq(e: Entry | None) -> int:
    return 0 if e is None else e.seq


def doubt_by(
    reader: Reader, instrument: str, found: Sequence[Entry], failed: Entry, *, however: bool = False
) -> InDoubt:
    """Return a verification or control with every result of the instrument that it puts in doubt if it failed.

    With `however` these are all results that it could put in doubt, however it is judged.
    """
    after, until = _reach(found, failed, however=however)
    results = _results_between(reader, instrument, after, until)
    if failed.is_control:
        results = [(result, run) for result, run in results if _may_be_of(reader, run, failed.detail)]
    return InDoubt(failed, _last_pass(found, failed), tuple(results))


def _pair(e: Entry) -> tuple[Pair, bool]:
    """Return instrument and measuring geometry, and whether they were simulated."""
    detail = e.detail
    # A geometry with a serial number is the same under another name.
    pair = Pair(detail.serial, "" if detail.geometry_serial else detail.geometry, detail.geometry_serial)
    return pair, e.simulated


def _results_between(reader: Reader, instrument: str, after: int, before: int | None = None) -> list[tuple[str, str]]:
    """Return results (with their runs) of an instrument committed between two audit entries, without its checks."""
    own = {json.loads(e.detail)["run"] for e in reader.verifications(instrument)}
    return [(r, run) for r, run in reader.results_since(instrument, after, before) if run not in own]


def control_of(
    reader: Reader, instrument: Instrument, pair: Pair, now_utc_ns: int, *, before: int = LATEST
) -> RequiredControl | None:
    """Return the control of the shift that the file of an instrument requires; None where it requires none.

    The shift begins with the newest handover, and is `SHIFT_NS` long at most.  A control counts from the newest change
    of the fitted geometry on.

    Args:
        reader: the database.
        instrument: the instrument's file, with the fitted geometry.
        pair: the instrument with its measuring geometry.
        now_utc_ns: the time (UTC, ns).
        before: number of an audit entry; entries from it on do not count.
    """
    asked = instrument.control
    if asked is None:
        return None
    newest = _newest_control(reader, instrument, asked, pair, before)
    fits = [s.audit_seq for s in revisions(reader, Fitted.kind, instrument.name) if s.what == REFITTED]
    return required_control(
        asked.fluid,
        [] if newest is None else [newest],
        pair=pair,
        now_utc_ns=now_utc_ns,
        after_seq=max((newest_of_kind(reader, Handover.kind, before), *(seq for seq in fits if seq < before))),
        longest_ns=SHIFT_NS,
    )


@dataclass(frozen=True, slots=True)
class ControlOfBench:
    """The required control of an instrument with the measuring geometry that is fitted; "" without one."""

    instrument: str
    geometry: str
    found: RequiredControl

    @property
    def words(self) -> str:
        """Instrument and geometry."""
        return f"{self.instrument} with {self.geometry}" if self.geometry else self.instrument


def required_controls(reader: Reader, catalogue: Catalogue, now_utc_ns: int) -> list[ControlOfBench]:
    """Return the required control of each instrument whose file requires one, as it is now."""
    named = {name for name, i in catalogue.instruments.items() if i.control is not None}
    if not named:
        return []
    seen = {i.name: i.serial for i in reader.instruments()}
    fitted = with_fits(catalogue, fits_of(reader, named)).instruments
    out = []
    for name in sorted(named):
        instrument = fitted[name]
        found = control_of(
            reader, instrument, pair_of(instrument, seen.get(name) or instrument.expect_serial), now_utc_ns
        )
        if found is not None:
            out.append(ControlOfBench(name, instrument.fitted or "", found))
    return out


def _newest_control(
    reader: Reader, instrument: Instrument, asked: ControlOfShift, pair: Pair, before: int
) -> StoredControl | None:
    """Return the control of a pair whose run ended last, as it is judged now; None without one.

    A later judgement of an older control comes after newer ones in the audit trail, so the search ends at the entry
    with which a run itself ended.
    """
    judged: dict[str, StoredControl | None] = {}
    page_before = before
    while page := verifying_runs(reader, instrument.name, before=page_before, limit=CONTROLS_READ):
        for check in page:
            if check.fluid != asked.fluid or check.detail.get("kind") != "control":
                continue
            if check.run not in judged:
                judged[check.run] = _stored_control(reader, check, asked, pair, simulated=instrument.simulated)
            first = reader.results(check.run)
            if judged[check.run] is not None and first and first[0].id == check.detail["result"]:
                return _last_begun(judged.values())
        page_before = page[-1].seq
    return _last_begun(judged.values())


def _last_begun(found: Iterable[StoredControl | None]) -> StoredControl | None:
    return max((c for c in found if c is not None), key=lambda c: c.began_seq, default=None)


def _stored_control(
    reader: Reader, check: VerifyingRun, asked: ControlOfShift, pair: Pair, *, simulated: bool
) -> StoredControl | None:
    """Return a control as this judgement has it; None where it does not count for the pair.

    Nor does one of another method, or a pass on a simulated instrument for a real one.
    """
    detail, run = decode(AuditedVerification, check.detail), reader.run(check.run)
    if run is None or run.method_id != asked.method:
        return None
    passed = None if detail.passed and run.attribution == "not_authorised" else detail.passed
    if passed and run.simulated != simulated:
        return None
    verified = replace(detail.verified(run.began_utc_ns), passed=passed is True)
    return StoredControl(verified, passed, run_started_seq(reader, check.run)) if pair.counts(verified) else None


def fixed_control_limits(reader: Reader, instrument: Instrument, fluid: Fluid) -> FixedControlLimits | None:
    """Return the limits that a person fixed for a control fluid on an instrument with its fitted geometry, or None.

    Limits from simulated points are none for a real instrument.
    """
    name = ChartName(
        fluid=fluid.id,
        instrument=instrument.name,
        geometry=instrument.fitted or "",
        quantity=control_quantity(fluid.lot),
    )
    stored = newest_revision(reader, ChartLimits.kind, name.id)
    if stored is None:
        return None
    record = ChartLimits.model_validate(stored.data, strict=False)
    if record.simulated != instrument.simulated:
        return None
    limits = ControlLimits(
        centre=record.centre,
        standard_deviation=record.sigma,
        unit=record.unit,
        fixed_by=stored.who,
        fixed_on=day(stored.utc_ns),
    )
    return FixedControlLimits(record.method, limits)


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
    method = catalogue.method(order.method_id, order.method_version)
    since: list[tuple[str, str]] = []
    limits = None
    if method.verification is not None or method.control:
        of_kind = [e for e in checks(reader, instrument.name) if e.is_control] if method.control else found
        alike = (e for e in of_kind if e.passed and _counts_for(e, instrument))
        passes = [e.seq for e in alike if pair.counts(e.detail.verified(e.utc_ns))]
        since = _results_between(reader, instrument.name, passes[-1] if passes else 0)
    if method.control and order.fluid:
        limits = fixed_control_limits(reader, instrument, catalogue.fluid(order.fluid))
    return InstrumentHistory(
        today=day(now_utc_ns),
        standing=standing_of(found, instrument, pair, now_utc_ns),
        condition=order.condition or "as_found",
        results_since_pass=tuple(result for result, _ in since),
        last_torque_at_rest=_last_torque_at_rest(reader, instrument.name, serial, now_utc_ns),
        control=control_of(reader, instrument, pair, now_utc_ns),
        control_limits=limits,
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
