"""Values that are computed from a stored run only on request: the flow curve, and the steadiness of the readings."""

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from daq.app.records.history import History
from daq.app.screens.drawings.drawing_words import ENGLISH_WORDS, DrawingWords
from daq.app.screens.drawings.trend_svg import Trend
from daq.app.screens.geometry_text import geometry_lines
from daq.app.screens.text import called, plain
from daq.core.errors import DaqError
from daq.core.faults import ANNULLED
from daq.core.units import symbol
from daq.quality.digits import number

if TYPE_CHECKING:
    from daq.app.records.readings import Readings
    from daq.core.replay import MakeDriver
    from daq.methods.curves.curvedata import FlowCurveData

MOST_POINTS: Final = 600
"""Largest number of points of a Theil-Sen line, which uses every pair; more readings are averaged in groups."""
LEAST_READINGS: Final = 8


def flow_curve(found: History) -> "FlowCurveData | None":
    """Return the flow curve of a run; None without a result that counts, or where the method asks for none."""
    if found.data is None or found.plan is None or ANNULLED in found.data["faults"]:
        return None
    if found.plan.context.flow_curve is None:
        return None
    from daq.methods.curves.curve import curve_of  # most methods ask for no flow curve
    from daq.methods.parts.finding import Finding

    finding = {name: found.data[name] for name in Finding.model_fields if name in found.data}
    return curve_of(found.plan, Finding.model_validate(finding))


OF_SAMPLE: Final = (("lot", "id", "lot"), ("sampled", "at", "sampled_at"))
"""Key of the words, place in them, and key of the sample."""


def curve_head(data: Mapping[str, Any], words: DrawingWords = ENGLISH_WORDS) -> list[str]:
    """Return what was measured and how, in lines above a flow curve; `data` is `ResultData` as a dict.

    The dimensions of the measuring geometry are there in English alone.
    """
    method, sample, origin = data["method"], data["sample"], data["origin"]
    celsius = data["conditions"].get("temperature")
    about = [words("sample", id=sample["id"]), sample.get("product")]
    about += [words(key, **{name: sample[of]}) for key, name, of in OF_SAMPLE if sample.get(of)]
    geometry = data.get("geometry")
    fitted = [words("geometry", name=geometry["name"])] if geometry else []
    where = [
        f"{method['id']} {method['version']}",
        (origin.get("began") or "")[: len("2026-11-26T14:20")],
        *(geometry_lines(geometry)[:1] if words.is_english else fitted),
    ]
    where += [] if celsius is None else [f"{celsius:.2f} °C"]
    rows = [words("no_real_sample")] if data["simulated"] else []
    rows += [", ".join(text for text in about if text)]
    return [plain(row) for row in (*rows, ", ".join(part for part in where if part))]


def steadiness_lines(found: History, raw: bytes, make: "MakeDriver") -> list[str]:
    """Return lines on the drift of the readings in the result's span.

    They give least squares with t, Theil-Sen, and the bound that decides.
    """
    kept, data = result_kept(found), found.data
    if kept is None or data is None or found.plan is None:
        return []
    from daq.app.records.readings import Readings
    from daq.quality.statistics import fit_line, theil_sen

    try:
        seconds, values, nulls = _span(Readings(raw, make, found.plan), kept, found.plan.primary)
    except DaqError as error:
        return [f"the readings of the span cannot be computed: {error}"]
    if len(values) < LEAST_READINGS or not any(values):
        return []
    per_minute = 6000.0 / abs(math.fsum(values) / len(values))
    line = fit_line(seconds, values)
    x, y = _thinned(seconds, values)
    robust = theil_sen(x, y)
    drift = data.get("drift") or {}
    bound = drift.get("bound_percent_per_min")
    unit = "% of the mean per minute"
    of = f"all {len(values)} readings" if len(x) == len(values) else f"{len(x)} means of {len(values)} readings"
    lag = "" if line.lag1 is None else f", autocorrelation of the residuals {line.lag1:.2f}"
    low, high = ("unknown" if s is None else number(s * per_minute, 3) for s in (robust.slope_low, robust.slope_high))
    bounded = "none, too few independent readings" if bound is None else f"at most {number(bound, 3)} {unit}"
    out = [
        f"least squares: {number(line.slope * per_minute, 3)} {unit}, t = {line.t:.1f} if the readings were independent"
        + lag,
        f"Theil and Sen: {number(robust.slope * per_minute, 3)} {unit}, 95 % {low} to {high}, {of}",
        f"bound with the autocorrelation, which decides: {bounded}",
    ]
    return out + ([f"{nulls} readings of the span have no value; the others are all used"] if nulls else [])


def result_kept(found: History) -> Any | None:
    """Return the stored kept value that the result comes from; None if there is none."""
    span = (found.data or {}).get("span")
    if not span:
        return None
    started = {s.step: s.started for s in found.journal.steps}
    for kept in reversed(found.kept):
        began = started.get(kept["step"])
        at = None if began is None else (kept["t"] - began) / 1e9
        if at == span["taken_at_s"] and (kept["t"] - kept["start"]) / 1e9 == span["seconds"]:
            return kept
    return None


def trend_of(found: History, raw: bytes, make: "MakeDriver") -> Trend | None:
    """Return the readings of the result's signal over the run; None without a result from readings.

    Raises:
        DaqError: the readings cannot be computed.
    """
    kept, data = result_kept(found), found.data
    if kept is None or data is None or found.plan is None:
        return None
    from daq.app.records.readings import Readings

    readings = Readings(raw, make, found.plan)
    own = [
        (r.begin_s, value, r.t)
        for r in readings
        if r.link == readings.plan.lead.name
        and not r.repeat
        and r.step
        and (value := r.values.get(readings.plan.primary)) is not None
    ]
    if len(own) < 2:
        return None
    zero = own[0][2] - round(own[0][0] * 1e9)
    return Trend(
        name=called(readings.plan.primary),
        unit=symbol(readings.units.get(readings.plan.primary, data["unit"])),
        seconds=[s for s, _, _ in own],
        values=[v for _, v, _ in own],
        begin=(kept["start"] - zero) / 1e9,
        end=(kept["t"] - zero) / 1e9,
    )


def _span(readings: "Readings", kept: Any, primary: str) -> tuple[list[float], list[float], int]:
    seconds, values, nulls = [], [], 0
    for reading in readings:
        if reading.t > kept["t"]:
            break
        if reading.link != readings.plan.lead.name or reading.repeat or reading.t <= kept["start"]:
            continue
        value = reading.values.get(primary)
        if value is None:
            nulls += 1
            continue
        seconds.append((reading.t - kept["start"]) / 1e9)
        values.append(value)
    return seconds, values, nulls


def _thinned(seconds: Sequence[float], values: Sequence[float]) -> tuple[list[float], list[float]]:
    size = math.ceil(len(values) / MOST_POINTS)
    groups = range(0, len(values) - size + 1, size)
    means = ([math.fsum(s[i : i + size]) / size for i in groups] for s in (seconds, values))
    x, y = means
    return x, y
