"""The limits of a chart that a person fixed, and the points of that time that do not count any more."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from daq.adapters.store.forms.result_values import values_of
from daq.app.records.checks.controls import chart_limits_of
from daq.app.records.signatures import Releases
from daq.core.errors import StoreError
from daq.laboratory.chartlimits import ChartLimits, ChartName
from daq.laboratory.controlchart import FixedLimits, Point
from daq.quality.digits import SHOWN_ID


def fixed_limits(releases: Releases, name: ChartName, points: Sequence[Point]) -> FixedLimits | None:
    """Return the limits that a person fixed for a chart; None where only they or only its points are simulated."""
    found = chart_limits_of(releases.reader, name.id)
    if found is None or found[0].simulated != any(p.simulated for p in points):
        return None
    record, stored = found
    gone = _gone(releases, record, stored.audit_seq)
    return FixedLimits(record, stored.who, day_of(stored.utc_ns), stored.because, gone)


def _gone(releases: Releases, record: ChartLimits, seq: int) -> tuple[str, ...]:
    """Return the points of fixed limits that would not be the same now: corrected, doubtful or rejected since.

    Each is named by its sample, one of a verification or control by its day and run.
    """
    reader, out = releases.reader, []
    for ident in record.runs:
        run, results = reader.run(ident), reader.results(ident)
        if run is None or not results:
            continue
        then = next((r for r in reversed(results) if r.audit_seq < seq), results[0])
        if results[-1].id == then.id:
            is_same = True
        else:
            a, b = (values_of(r) for r in (then, results[-1]))
            is_same = _of_point(a) == _of_point(b)
        try:
            against = releases.objections(run)
        except StoreError:
            is_same, against = False, ()
        if not is_same or against:
            out.append(run.sample if record.chart.product else f"{day_of(run.began_utc_ns)} {ident[:SHOWN_ID]}")
    return tuple(dict.fromkeys(out))


def _of_point(data: Mapping[str, Any]) -> dict[str, Any]:
    """Return what makes a result (its JSON values) a point of one chart, and its value there."""
    sample, geometry, verification = data["sample"], data.get("geometry") or {}, data.get("verification") or {}
    method = {name: data["method"][name] for name in ("id", "version", "choices")}
    levels = [{n: v.get(n) for n in ("step", "measured", "deviation_percent")} for v in verification.get("levels", ())]
    return {
        **{name: data[name] for name in ("value", "unit", "validity", "quantity")},
        "sample": (sample["id"], sample.get("product")),
        "geometry": {name: geometry.get(name) for name in ("name", "serial", "vessel")},
        "method": method,
        "verification": {name: verification.get(name) for name in ("kind", "fluid", "lot")},
        "levels": levels,
    }


def day_of(utc_ns: int) -> str:
    """Return the local day of a moment."""
    return datetime.fromtimestamp(utc_ns / 1e9, UTC).astimezone().date().isoformat()
