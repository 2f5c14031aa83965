"""Find what a correction of a run changes: of its own result, of its samples, and in who may have measured it."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any, Final

from daq.adapters.store.reading import Reader
from daq.adapters.store.rows import RunRecord
from daq.app.laboratory.laboratory import Laboratory, find
from daq.app.records.attempts import in_order_of_starts
from daq.app.records.judged.judging import Tried, causes_of, judged, samples_left, tried, tried_of_sample, waits_after
from daq.app.records.judged.product_versions import ProductVersion, VersionOf, version_of_run
from daq.app.records.replaying import ROUNDING_TOLERANCE
from daq.core.errors import SettingError, coded
from daq.laboratory.declarations import Declaration, Left
from daq.laboratory.people import Person
from daq.methods.concluding.reportable import Reportable
from daq.methods.messages.comparing import differences
from daq.methods.messages.result import ResultData

JUDGED: Final = (
    "quantity", "value", "unit", "reported", "quality", "validity", "faults", "uncertainty", "corrected",
    "verdict", "dry_content", "verification",
)  # fmt: skip
"""Parts of a result whose change needs a reviewer."""
REPORTED: Final = ("value", "unit", "reported", "decided", "verdict", "limits")
"""Parts of a reportable result whose change needs one."""


@dataclass(frozen=True, slots=True)
class Sides:
    """A run before and after a correction.

    Attributes:
        before, now: the run as declared.
        data_before, data_now: its result.
        version: the version of its product after the correction; None: that of before.
    """

    before: RunRecord
    now: RunRecord
    data_before: ResultData
    data_now: ResultData
    version: ProductVersion | None = None


def judged_otherwise(reader: Reader, sides: Sides) -> list[str]:
    """Return the names of what a reviewer must see: parts of the result that change, and states of its samples.

    `reportable` and `repeat` mean that the reportable result of one of the samples changes, or whether it waits for a
    cause; `outside` that the run is outside its limits, or a sample of it waits already; `authorisation` that the run
    counts no more, or counts again, by the persons who measured.
    """
    a, b = sides.data_before.model_dump(mode="json"), sides.data_now.model_dump(mode="json")
    # Both sides as JSON: a number that was written and read is the same number.
    out = [name for name in JUDGED if any(differences(name, a[name], b[name], ROUNDING_TOLERANCE))]
    states = [_of_sample(reader, sides, sample) for sample in dict.fromkeys((sides.before.sample, sides.now.sample))]
    if any(before.reported != now.reported for before, now in states):
        out.append("reportable")
    if any(before.waits != now.waits for before, now in states):
        out.append("repeat")
    outside = "outside" in (a["verdict"]["verdict"], b["verdict"]["verdict"])
    if outside or any(before.waits or now.waits for before, now in states):
        out.append("outside")
    if sides.before.attribution != sides.now.attribution:
        out.append("authorisation")
    return out


def left_by(reader: Reader, declared: Declaration, sides: Sides, because: str) -> tuple[Left, ...]:
    """Return the samples that the run has left, with the one that it leaves now."""
    kept = tuple(m for m in declared.moved if m.sample != sides.now.sample)
    sample = sides.before.sample
    if sample in ("", sides.now.sample) or any(m.sample == sample for m in kept):
        return kept
    waits = bool(_state(reader, sides, sample, after=False).waits)
    valid = sides.data_before.validity == "valid"
    outside = waits or (valid and sides.data_before.verdict.verdict.value == "outside")
    return (*kept, Left(sample=sample, to=sides.now.sample, because=because, outside=outside))


@dataclass(frozen=True, slots=True)
class _State:
    """Reportable result of the run's test of a sample, and the run after which it waits for a cause."""

    reported: Mapping[str, Any]
    waits: str


def _of_sample(reader: Reader, sides: Sides, sample: str) -> tuple[_State, _State]:
    return _state(reader, sides, sample, after=False), _state(reader, sides, sample, after=True)


def _state(reader: Reader, sides: Sides, sample: str, *, after: bool) -> _State:
    """Return the state of a sample; with `after` as it is once the correction is stored."""
    test = sides.before.method_id
    runs = tried_of_sample(reader, sample)
    if after:
        runs = [t for t in runs if t.run.id != sides.now.id]
        if sides.now.sample == sample:
            runs.append(_as_corrected(reader, sides))
        runs = in_order_of_starts(reader, runs, lambda t: t.run)
    products = {t.run.product for t in runs if t.moved is None and t.run.product}
    runs = [t for t in runs if t.run.method_id == test]
    version_of = _versions(reader, sides) if after else lambda run: version_of_run(reader, run)
    found = judged(sample, runs, version_of, test)
    # Runs of its other tests that name another product leave no test of the sample a value.
    parts = _parts(found) | {"several_products": len(products) > 1}
    return _State(parts, waits_after(sample, runs, version_of, causes_of(reader)))


def _as_corrected(reader: Reader, sides: Sides) -> Tried:
    t = tried(reader, sides.now)
    data = sides.data_now.model_dump(mode="json")
    attempt = replace(t.attempt[0], value=data["value"], unit=data["unit"], validity=data["validity"])
    joined = sides.now.sample != sides.before.sample or bool(samples_left(reader, sides.now.id))
    return replace(t, attempt=(attempt, data), joined=joined)


def _versions(reader: Reader, sides: Sides) -> VersionOf:
    def version_of(run: RunRecord) -> ProductVersion | None:
        if run.id == sides.now.id and sides.version is not None:
            return sides.version
        return version_of_run(reader, run)

    return version_of


def _parts(found: Reportable) -> dict[str, Any]:
    counted = [a.run for a in found.attempts if a.counted]
    return {name: getattr(found, name) for name in REPORTED} | {"counted": counted}


def not_authorised(laboratory: Laboratory, reader: Reader, started: RunRecord, operator: str) -> tuple[str, ...]:
    """Return who had no authorisation for the method of a run: the one who measured, or the operator as corrected.

    Raises:
        SettingError: the run was measured by a known person, or people are switched on, and the operator is no person.
    """
    found = find(reader, Person, operator)
    known = laboratory.catalogue.daemon.people.required or started.attribution != "unattributed"
    if found is None and known and operator != started.operator:
        raise coded(
            SettingError(f"there is no person {operator!r}; `daq person list` lists them", key="operator"),
            "unknown_name",
            what="person",
            name=operator,
        )
    day = datetime.fromtimestamp(started.began_utc_ns / 1e9, UTC).astimezone().date().isoformat()
    out = [started.operator] if started.attribution == "not_authorised" else []
    if found is not None and operator != started.operator and not found.record.authorised(started.method_id, day):
        out.append(operator)
    return tuple(out)
