"""The control of a shift that the file of an instrument requires, and the limits that a person fixed for it."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from daq.adapters.store.forms.result_values import values_of
from daq.adapters.store.newest_runs import LATEST, VerifyingRun, newest_of_kind, run_started_seq, verifying_runs
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import StoredRecord, newest_revision, revisions
from daq.app.records.checks.audited_checks import audited_check, pair_of
from daq.app.setup.fitted import fits_of, with_fits
from daq.core.context import ControlLimits, RequiredControl
from daq.laboratory.bench.checklists import SHIFT_NS
from daq.laboratory.bench.repeatcause import Handover
from daq.laboratory.chartlimits import ChartLimits, ChartName, control_quantity
from daq.laboratory.configuration import Fitted
from daq.methods.planning.standing import Pair, StoredControl, day, required_control

if TYPE_CHECKING:
    from daq.app.setup.catalogue import Catalogue
    from daq.methods.files.fluid import Fluid
    from daq.methods.files.instrument import ControlOfShift, Instrument
    from daq.methods.planning.compile import FixedControlLimits

REFITTED: Final = frozenset({"geometry_fitted", "constants_recorded"})
"""Names of the changes with which a person records a geometry or constants; others only note the file."""
CONTROLS_READ: Final = 20
"""Number of verifications and controls that are read at once, newest first."""


def control_of(
    reader: Reader, instrument: "Instrument", pair: Pair, now_utc_ns: int, *, before: int = LATEST
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
    fits = [s.audit_seq for s in revisions(reader, Fitted.kind, instrument.name) if s.what in REFITTED]
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


def required_controls(reader: Reader, catalogue: "Catalogue", now_utc_ns: int) -> list[ControlOfBench]:
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
    reader: Reader, instrument: "Instrument", asked: "ControlOfShift", pair: Pair, before: int
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
                judged[check.run] = _stored_control(reader, check, asked, pair, instrument)
            first = reader.results(check.run)
            if judged[check.run] is not None and first and first[0].id == check.detail["result"]:
                return _last_begun(judged.values())
        page_before = page[-1].seq
    return _last_begun(judged.values())


def _last_begun(found: Iterable[StoredControl | None]) -> StoredControl | None:
    return max((c for c in found if c is not None), key=lambda c: c.began_seq, default=None)


def _stored_control(
    reader: Reader, check: VerifyingRun, asked: "ControlOfShift", pair: Pair, instrument: "Instrument"
) -> StoredControl | None:
    """Return a control as this judgement has it; None where it does not count for the pair.

    Nor does one of another method, or a pass on a simulated instrument for a real one.
    """
    e = audited_check(reader, check.seq)
    if e.method != asked.method or not e.counts_for(instrument):
        return None
    verified = replace(e.detail.verified(e.began_utc_ns), passed=e.passed is True)
    return StoredControl(verified, e.passed, run_started_seq(reader, check.run)) if pair.counts(verified) else None


def fixed_control_limits(reader: Reader, instrument: "Instrument", fluid: "Fluid") -> "FixedControlLimits | None":
    """Return the limits that a person fixed for a control fluid on an instrument with its fitted geometry, or None.

    Limits from simulated points are none for a real instrument.  Limits of one geometry do not hold for another
    specimen of it with another serial number: then the answer has no limits, so that those of the fluid's file are not
    taken either.
    """
    name = ChartName(
        fluid=fluid.id,
        instrument=instrument.name,
        geometry=instrument.fitted or "",
        quantity=control_quantity(fluid.lot),
    )
    found = chart_limits_of(reader, name.id)
    if found is None:
        return None
    record, stored = found
    geometry = instrument.geometry
    serial = "" if geometry is None else geometry.serial or ""
    if record.simulated != instrument.simulated:
        return None
    from daq.methods.planning.compile import FixedControlLimits  # a run that starts needs it, a list does not

    if serial not in record.serials:
        return FixedControlLimits(record.method, None)
    limits = ControlLimits(
        centre=record.centre,
        standard_deviation=record.sigma,
        unit=record.unit,
        fixed_by=stored.who,
        fixed_on=day(stored.utc_ns),
    )
    return FixedControlLimits(record.method, limits)


def chart_limits_of(reader: Reader, chart: str) -> tuple[ChartLimits, StoredRecord] | None:
    """Return the limits that a person fixed for a chart (by its id), and their record; None without any.

    Limits that were stored before serial numbers were have those of the results from which they were fixed.
    """
    stored = newest_revision(reader, ChartLimits.kind, chart)
    if stored is None:
        return None
    record = ChartLimits.model_validate(stored.data, strict=False)
    if "serials" not in stored.data:
        results = (reader.newest_result(run) for run in record.runs)
        data = [values_of(r) for r in results if r is not None]
        serials = {(d.get("geometry") or {}).get("serial") or "" for d in data}
        record = record.model_copy(update={"serials": tuple(sorted(serials)) or ("",)})
    return record, stored
