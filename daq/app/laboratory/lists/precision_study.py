"""Repeatability and reproducibility of a method, from the stored results of a sample that several groups measured."""

import statistics
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from typing import Any, Final, Literal

from daq.adapters.clock import utc_text
from daq.adapters.store.agreement.one_run import disagreements_of_sample
from daq.adapters.store.reading import Reader
from daq.adapters.store.rows import RunRecord
from daq.app.laboratory.lists.charting import method_of_result
from daq.app.records.judged.judging import Tried, tried_of_sample
from daq.app.records.signatures import Releases
from daq.core.errors import SettingError, StoreError
from daq.laboratory.controlchart import LeftOut
from daq.methods.concluding.reportable import as_replicates
from daq.methods.parts.statement import Statement, distinct, state
from daq.quality.digits import SHOWN_ID
from daq.quality.replicates import Precision, precision

GroupedBy = Literal["instrument", "operator", "day"]
NOT_STATED: Final = "not stated"


@dataclass(frozen=True, slots=True)
class Group:
    """The results of one instrument, operator or day, oldest first, in the unit of the study; with their runs."""

    name: str
    values: tuple[float, ...]
    runs: tuple[str, ...]

    @property
    def mean(self) -> float:
        """The mean of the results."""
        return statistics.fmean(self.values)

    @property
    def deviation(self) -> float | None:
        """The standard deviation of the results; None for a single one."""
        return statistics.stdev(self.values) if len(self.values) > 1 else None


@dataclass(frozen=True, slots=True)
class Period:
    """The time from which a study takes runs, by their starts (UTC ns).

    Attributes:
        since, until: the bounds that a person gave; None: none.
        first, last: starts of the first and the last run that counts; None where none counts.
        outside: number of runs of the sample outside the bounds.
    """

    since: int | None = None
    until: int | None = None
    first: int | None = None
    last: int | None = None
    outside: int = 0

    def has(self, run: RunRecord) -> bool:
        """Return whether a run began within the bounds."""
        early = self.since is not None and run.began_utc_ns < self.since
        return not early and (self.until is None or run.began_utc_ns <= self.until)

    def as_json(self) -> dict[str, Any]:
        """Return it as JSON values, times as ISO 8601 in UTC."""
        times = {n: getattr(self, n) for n in ("since", "until", "first", "last")}
        return {n: None if t is None else utc_text(t) for n, t in times.items()} | {"outside": self.outside}


ALL_TIMES: Final = Period()


@dataclass(frozen=True, slots=True)
class PrecisionStudy:
    """The precision of a method, as the results of one sample show it.

    Attributes:
        sample: id of the sample.
        by: what tells the groups apart.
        method: id, version, choices and vessel of the method; "" without a result that counts.
        geometry, quantity, unit: those of the results.
        simulated: whether the results were measured on simulated instruments.
        groups: the groups in the order of their first results.
        found: the figures; None with fewer than two groups, or without two results in one of them.
        left_out: runs of the period that do not count, and why.
        period: the period of the results.
    """

    sample: str
    by: GroupedBy
    method: str
    geometry: str
    quantity: str
    unit: str
    simulated: bool
    groups: tuple[Group, ...]
    found: Precision | None
    left_out: tuple[LeftOut, ...]
    period: Period

    def as_json(self) -> dict[str, Any]:
        """Return it as JSON values, with mean and standard deviation of each group."""
        groups = [asdict(g) | {"mean": g.mean, "deviation": g.deviation} for g in self.groups]
        figures = None
        if self.found is not None:
            more = {name: getattr(self.found, name) for name in ("s_R", "r_limit", "R_limit")}
            figures = asdict(self.found) | more | {"f": self.found.f if self.found.s_r > 0 else None}
        left_out = [{"name": x.name, "why": [s.model_dump(mode="json") for s in x.why]} for x in self.left_out]
        own = {n: getattr(self, n) for n in ("sample", "by", "method", "geometry", "quantity", "unit", "simulated")}
        return own | {"groups": groups, "found": figures, "left_out": left_out, "period": self.period.as_json()}


def precision_study(
    reader: Reader,
    sample: str,
    by: GroupedBy = "instrument",
    *,
    method: str = "",
    period: Period = ALL_TIMES,
) -> PrecisionStudy:
    """Return repeatability and reproducibility from the results of a sample (ISO 5725-2, one level).

    A result is the newest one of a run, so corrections and annulments count.  The first valid result of each filling
    counts, of one method with one measuring geometry and the same choices.  A rejected result and one in doubt do not
    count, nor does a simulated one beside real ones.  No result is left out as an outlier.

    Args:
        reader: the database.
        sample: id of the sample.
        by: what tells the groups apart; the day is that of the start, in local time.
        method: id of the method; "" means that of the first valid result of the period.
        period: only runs that began between its bounds count, both included.

    Raises:
        SettingError: the sample has no run, or none in the period.
        StoreError: stored data do not agree with the audit trail, or a signature cannot be read.
    """
    runs = [t for t in tried_of_sample(reader, sample) if t.moved is None]
    if not runs:
        raise SettingError(f"there is no run of sample {sample!r}; `daq runs` lists them")
    period = replace(period, outside=sum(not period.has(t.run) for t in runs))
    runs = [t for t in runs if period.has(t.run)]
    if not runs:
        raise SettingError(
            f"none of the {period.outside} runs of sample {sample!r} began in this period; `daq runs` lists them"
        )
    changed = disagreements_of_sample(reader.path, sample, [t.run.id for t in runs])
    if changed:
        raise StoreError(
            f"sample {sample}: no figures, because stored data do not agree with the audit trail: {changed[0].text}; "
            "`daq verify` lists all"
        )
    objections = dict(_objections(Releases(reader), runs))
    attempts = as_replicates([t.attempt for t in runs if not objections[t.run.id]], method)
    why = objections | {a.run: a.why for a in attempts}
    counted = [t for t in runs if not why[t.run.id]]
    group_of = GROUPS[by]
    groups: dict[str, list[tuple[float, str]]] = {}
    for t in counted:
        groups.setdefault(group_of(t.run) or NOT_STATED, []).append((t.attempt[0].value or 0.0, t.run.id))
    made = tuple(Group(name, tuple(v for v, _ in own), tuple(r for _, r in own)) for name, own in groups.items())
    enough = len(made) > 1 and max(len(g.values) for g in made) > 1
    data = (counted[0].data or {}) if counted else {}
    began = [t.run.began_utc_ns for t in counted]
    return PrecisionStudy(
        sample=sample,
        by=by,
        method=method_of_result(data) if data else "",
        geometry=(data.get("geometry") or {}).get("name") or "",
        quantity=data.get("quantity", ""),
        unit=data.get("unit", ""),
        simulated=any(t.data is not None and t.data["simulated"] for t in counted),
        groups=made,
        found=precision([g.values for g in made]) if enough else None,
        left_out=tuple(LeftOut(t.run.id[:SHOWN_ID], why[t.run.id]) for t in runs if why[t.run.id]),
        period=replace(period, first=min(began, default=None), last=max(began, default=None)),
    )


def _objections(releases: Releases, runs: list[Tried]) -> Iterator[tuple[str, tuple[Statement, ...]]]:
    """Yield for each run why its result is not used, whatever it is."""
    any_real = any(t.data is not None and not t.data["simulated"] for t in runs)
    for t in runs:
        found = list(releases.objections(t.run))
        if any_real and t.data is not None and t.data["simulated"]:
            found.append(state("chart_left_simulated"))
        yield t.run.id, distinct(found)


def _day(run: RunRecord) -> str:
    return datetime.fromtimestamp(run.began_utc_ns / 1e9, UTC).astimezone().date().isoformat()


GROUPS: Final[dict[GroupedBy, Callable[[RunRecord], str]]] = {
    "instrument": lambda run: run.instrument,
    "operator": lambda run: run.operator,
    "day": _day,
}
"""Name of the group of a run."""
