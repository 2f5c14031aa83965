"""Choose the points of control charts from stored results, and put the charts together.

A point is the reportable value of a sample on one measuring geometry, the deviation of one step of a verification, or
the value of a control.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from daq.adapters.store.agreement.one_run import ComparedValues, values_compared
from daq.adapters.store.forms.result_values import values_of
from daq.adapters.store.newest_runs import LATEST, runs_of_product, verifying_runs
from daq.adapters.store.reading import Reader
from daq.adapters.store.rows import RunRecord
from daq.app.laboratory.lists.kept_limits import day_of, fixed_limits
from daq.app.laboratory.named_runs import find_run
from daq.app.records.attempts import runs_of_sample
from daq.app.records.judged.judging import Tried, judged, tried
from daq.app.records.judged.product_versions import VersionOf, versions_of
from daq.app.records.signatures import Releases
from daq.core.context import Amount
from daq.core.errors import SettingError, StoreError, coded
from daq.core.faults import Quality
from daq.laboratory.chartlimits import ChartName, control_quantity
from daq.laboratory.controlchart import Chart, LeftOut, Point, control_chart, same_kind
from daq.laboratory.kinds import REPORTABLE, reportable_id
from daq.methods.concluding.reportable import JUDGED
from daq.methods.files.product import Product
from daq.methods.parts.statement import Statement, distinct, state
from daq.methods.planning.choosing import method_words

PAGE: Final = 200
"""Number of runs that are looked up at once."""
MOST_READ: Final = 5
"""Samples read for each point that is asked for, before a search for rare points ends."""
DEVIATION: Final = "deviation"
OUTSIDE: Final = "control_outside"
"""Reason of a control that did not pass because of its value."""
ON_CHART: Final = (OUTSIDE, "control_without_limits")
"""Reasons of a control that did not pass and is a point of its chart all the same."""
NO_QUANTITY: Final = "value"
"""Quantity of a chart without a point."""


@dataclass(slots=True)
class _Found:
    """Points and samples left out, by geometry and quantity.

    Attributes:
        without: samples, or runs of verifications, that a person leaves out.
        quantity: the quantity that the person asked for ("": any).
        named: those of `without` that are points of a chart that was asked for.
    """

    without: frozenset[str] = frozenset()
    quantity: str = ""
    named: set[str] = field(default_factory=set)
    points: dict[tuple[str, str], list[Point]] = field(default_factory=dict)
    left_out: dict[tuple[str, str], list[LeftOut]] = field(default_factory=dict)
    elsewhere: list[LeftOut] = field(default_factory=list)
    """Left out without a geometry."""
    read: int = 0
    is_complete: bool = True

    def add(self, key: tuple[str, str], point: Point, ident: str) -> None:
        """Add a point unless the person leaves it out by the id of its sample or run."""
        if ident in self.without:
            if self.quantity in ("", key[1]):
                self.named.add(ident)
            return
        self.points.setdefault(key, []).append(point)

    def refuse_unnamed(self) -> None:
        """Refuse an entry that leaves out nothing: its point would be there although a person left it out."""
        for ident in sorted(self.without - self.named):
            error = SettingError(
                f"{ident!r} names no point of this chart; name a sample, or a run of a verification or control by its "
                "id, as the list of the points has it",
                key="without",
            )
            raise coded(error, "no_point_of_chart", name=ident)

    def is_enough(self, last: int, utc_ns: int) -> bool:
        """Return whether every chart has `last` points, none of which an unread sample can push out.

        A sample is read where its newest run is reached; its point cannot be newer than `utc_ns` after that.
        """
        series = [sum(p.utc_ns >= utc_ns for p in same_kind(points)[0]) for points in self.points.values()]
        return bool(series) and min(series) >= last


def product_charts(
    reader: Reader,
    product: Product,
    *,
    last: int,
    geometry: str = "",
    quantity: str = "",
    without: Sequence[str] = (),
) -> list[Chart]:
    """Return the charts of a product: one for each geometry and quantity, the one with the newest point first.

    Args:
        reader: the database.
        product: the product, with its rule for replicates.
        last: greatest number of points, the newest ones.
        geometry: only this measuring geometry.
        quantity: only this quantity.
        without: samples that are left out.

    Raises:
        SettingError: an entry of `without` names no point.
    """
    found = _Found(frozenset(without), quantity)
    releases = Releases(reader)
    with values_compared(reader.path) as compared:
        for sample, utc_ns in _samples(reader, product.id):
            if found.read >= MOST_READ * last + PAGE:
                found.is_complete = False
                break
            if found.is_enough(last, utc_ns):
                break
            found.read += 1
            _take_sample(releases, compared, found, product, sample, (geometry, quantity))
    found.refuse_unnamed()
    return _charts(releases, found, last, lambda g, q: ChartName(product=product.id, geometry=g, quantity=q))


def _samples(reader: Reader, product: str) -> Iterator[tuple[str, int]]:
    """Yield the samples of a product with the start of their newest run, newest first, each once."""
    seen: set[str] = set()
    before = (LATEST, LATEST)
    while page := runs_of_product(reader, product, before=before, limit=PAGE):
        for run in page:
            if run.sample and run.sample not in seen:
                seen.add(run.sample)
                yield run.sample, run.began_utc_ns
        before = (page[-1].began_utc_ns, page[-1].rowid)


def _take_sample(
    releases: Releases, compared: ComparedValues, found: _Found, product: Product, sample: str, only: tuple[str, str]
) -> None:
    reader = releases.reader
    of_sample = runs_of_sample(reader, sample)
    # A run that names no product is one of the sample's product, as for its reportable result.
    records = [r for r in of_sample if r.product in ("", product.id)]
    products = {r.product for r in of_sample if r.product}
    if compared.of_sample(sample, [r.id for r in records]):
        found.elsewhere.append(LeftOut(sample, (state("chart_data_changed"),)))
        return
    runs = [tried(reader, record) for record in records]
    began = {record.id: record.began_utc_ns for record in records}
    # All choices of a method are one test of the sample: the run that counts first decides which is reported.
    alike: dict[tuple[str, str, str], list[Tried]] = {}
    for t in runs:
        data = t.data
        kind = ("", "", "") if data is None else (_geometry(data), data["quantity"], data["method"]["id"])
        if data is not None and _belongs_elsewhere(data, sample, product.id):
            found.elsewhere.append(LeftOut(f"{sample}, run {t.run.id[:8]}", (state("chart_corrected_away"),)))
        elif not any(wanted and wanted != has for wanted, has in zip(only, kind[:2], strict=True)) or data is None:
            alike.setdefault(kind, []).append(t)
    version_of = versions_of(reader)
    made = {kind: _point(sample, own, version_of, began, products) for kind, own in alike.items()}
    accepted = {kind: _accepted(releases, alike[kind], of_kind) for kind, of_kind in made.items()}
    has_point = any(point is not None for point, _ in accepted.values())
    for kind, (point, why) in accepted.items():
        key = kind[:2]
        if point is not None:
            found.add(key, point, sample)
        # A test without a value is no news where another one has it; a value that does not count any more is.
        elif made[kind][0] is not None or not has_point:
            found.left_out.setdefault(key, []).append(LeftOut(sample, why))


def _accepted(
    releases: Releases, runs: Sequence[Tried], made: tuple[Point | None, tuple[Statement, ...]]
) -> tuple[Point | None, tuple[Statement, ...]]:
    """Return a point, or why it is none: a person rejected its value, or a verification or control put it in doubt."""
    point = made[0]
    if point is None:
        return made
    counted = [t.run for t in runs if t.run.id in point.runs]
    ident = reportable_id(counted[0].sample, counted[0].method_id)
    try:
        against = [s for run in counted for s in releases.objections(run)]
        against += releases.rejections(REPORTABLE, ident)
    except StoreError:
        return None, (state("chart_data_changed"),)
    return (None, distinct(against)) if against else made


def _belongs_elsewhere(data: dict[str, Any], sample: str, product: str) -> bool:
    """Return whether a correction has given a result to another sample or product."""
    return data["sample"]["id"] != sample or data["sample"].get("product") not in (product, None)


def _point(
    sample: str, runs: Sequence[Tried], version_of: VersionOf, began: dict[str, int], products: set[str]
) -> tuple[Point | None, tuple[Statement, ...]]:
    # Runs that name another product leave the sample without a reportable value.
    made = judged(sample, runs, version_of, products=products)
    data = {t.run.id: t.data for t in runs if t.data is not None}
    counted = [a.run for a in made.attempts if a.counted]
    if made.value is None:
        return None, distinct((made.how, *(reason for a in made.attempts for reason in a.why)))
    results = [data[run] for run in counted]
    newest = results[-1]
    return Point(
        name=sample,
        utc_ns=max(began[run] for run in counted),
        value=made.value,
        runs=tuple(counted),
        simulated=any(d["simulated"] for d in results),
        quality=max((d["quality"] for d in results), key=lambda q: Quality(q).severity),
        method=method_of_result(newest),
        unit=made.unit,
        limits=_limits(newest),
        serials=tuple(sorted({_serial(d) for d in results})),
    ), ()


def _geometry(data: dict[str, Any]) -> str:
    return (data.get("geometry") or {}).get("name") or ""


def _serial(data: dict[str, Any]) -> str:
    return (data.get("geometry") or {}).get("serial") or ""


def method_of_result(data: dict[str, Any]) -> str:
    """Return id, version, choices and vessel of a result's method (`ResultData` as JSON)."""
    method = data["method"]
    choices = {name: Amount(c["value"], c["unit"]) for name, c in method["choices"].items()}
    return method_words(method["id"], method["version"], choices, (data.get("geometry") or {}).get("vessel") or "")


def _limits(data: dict[str, Any]) -> tuple[float | None, float | None]:
    """Return the narrowest limits of the product that applied to a result."""
    own = [
        x
        for x in data["verdict"]["limits"]
        if x["verdict"] in JUDGED and x["quantity"] == data["quantity"] and x["unit"] == data["unit"]
    ]
    lows, highs = ([x[end] for x in own if x[end] is not None] for end in ("low", "high"))
    return max(lows, default=None), min(highs, default=None)


def verification_charts(
    reader: Reader,
    fluid: str,
    instrument: str,
    *,
    last: int,
    geometry: str = "",
    quantity: str = "",
    without: Sequence[str] = (),
) -> list[Chart]:
    """Return the charts of an instrument's verifications and controls with a fluid.

    There is one for each geometry and step of a verification, whose points are deviations from the certified value in
    %, and one for each geometry and lot of a control fluid, whose points are values.  Arguments as in `product_charts`;
    `without` has runs, by unique beginnings of their ids, and `quantity` is that of the chart of which they are points.

    Raises:
        SettingError: an entry of `without` names no run, several runs or no point.
    """
    found = _Found(frozenset(left_out_runs(reader, without)), quantity)
    before = LATEST
    seen: set[str] = set()
    with values_compared(reader.path) as compared:
        while page := verifying_runs(reader, instrument, before=before, limit=PAGE):
            for entry in page:
                if found.read >= MOST_READ * last + PAGE or found.is_enough(last, 0):
                    found.is_complete = found.read < MOST_READ * last + PAGE
                    break
                if entry.run in seen:
                    continue
                seen.add(entry.run)
                found.read += 1
                _take_verification(reader, compared, found, entry.run, fluid, geometry)
            else:
                before = page[-1].seq
                continue
            break
    found.refuse_unnamed()
    releases = Releases(reader)
    return _charts(
        releases, found, last, lambda g, q: ChartName(fluid=fluid, instrument=instrument, geometry=g, quantity=q)
    )


def left_out_runs(reader: Reader, without: Sequence[str]) -> tuple[str, ...]:
    """Return the ids of runs that a person names by unique beginnings; errors as in `find_run`."""
    return tuple(find_run(reader, given).id for given in without)


def _take_verification(
    reader: Reader, compared: ComparedValues, found: _Found, run: str, fluid: str, only_geometry: str
) -> None:
    """Take the points of a verification from its newest result, which a correction may have changed."""
    record, newest = reader.run(run), reader.newest_result(run)
    if record is None or newest is None or compared.of_run(run):
        found.elsewhere.append(LeftOut(run, (state("chart_data_changed"),)))
        return
    data = values_of(newest)
    verification, geometry = data.get("verification"), _geometry(data)
    name = f"{day_of(record.began_utc_ns)} {run[:8]}"
    if not verification or data["validity"] == "not_valid":
        found.elsewhere.append(LeftOut(name, (state("chart_annulled"),)))
        return
    if verification["fluid"] != fluid or (only_geometry and geometry != only_geometry):
        return
    if verification.get("kind") == "control":
        _take_control(found, record, data, name)
        return
    for level in verification["levels"]:
        key = (geometry, f"{DEVIATION} {level['step']}")
        if level["deviation_percent"] is None:
            found.left_out.setdefault(key, []).append(LeftOut(name, (state("chart_no_deviation"),)))
            continue
        point = Point(
            name=f"{name} {verification['condition']}",
            utc_ns=record.began_utc_ns,
            value=level["deviation_percent"],
            runs=(run,),
            simulated=data["simulated"],
            quality=data["quality"],
            method=method_of_result(data),
            unit="%",
            serials=(_serial(data),),
        )
        found.add(key, point, run)


def _take_control(found: _Found, run: RunRecord, data: dict[str, Any], name: str) -> None:
    """Take the point of a control; one whose value is missing or doubtful is left out."""
    verification = data["verification"]
    key, (level,) = (_geometry(data), control_quantity(verification["lot"])), verification["levels"]
    reason = None if level["reason"] is None else Statement.model_validate(level["reason"])
    if level["measured"] is None or (reason is not None and reason.code not in ON_CHART):
        why = state("control_without_value") if reason is None else reason
        found.left_out.setdefault(key, []).append(LeftOut(name, (why,)))
        return
    point = Point(
        name=f"{name} {verification['condition']}",
        utc_ns=run.began_utc_ns,
        value=level["measured"],
        runs=(run.id,),
        simulated=data["simulated"],
        quality=data["quality"],
        method=method_of_result(data),
        unit=data["unit"],
        serials=(_serial(data),),
        is_outside=reason is not None and reason.code == OUTSIDE,
    )
    found.add(key, point, run.id)


def _charts(releases: Releases, found: _Found, last: int, name_of: Callable[[str, str], ChartName]) -> list[Chart]:
    """Return a chart for each geometry and quantity with points; without any point, one chart with the reasons."""
    charts = []
    elsewhere = [x for key, others in found.left_out.items() if key not in found.points for x in others]
    for geometry, quantity in found.points or [("", NO_QUANTITY)]:
        name = name_of(geometry, quantity)
        kept, others = same_kind(found.points.get((geometry, quantity), []))
        shown = {p.name for p in kept}
        left_out = [*others, *found.left_out.get((geometry, quantity), []), *elsewhere, *found.elsewhere]
        is_short = not found.is_complete and len(kept) < last
        cautions = [state("chart_end_of_reading", count=found.read)] if is_short else []
        named = [x for x in left_out if x.name not in shown]
        charts.append(control_chart(name, kept[-last:], fixed_limits(releases, name, kept), named, cautions))
    return sorted(charts, key=lambda c: c.points[-1].utc_ns if c.points else 0, reverse=True)
