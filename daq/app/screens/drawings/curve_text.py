"""A flow curve on a terminal: fits, findings, and a plot made of characters.  Pure."""

import itertools
import math
from collections.abc import Callable, Sequence
from typing import Final

from daq.app.screens.drawings.drawing_words import ENGLISH_WORDS, DrawingWords
from daq.app.screens.tables import table
from daq.app.screens.text import plain, sentence
from daq.core.units import symbol
from daq.methods.curves.curvedata import CurvePoint, FittedModel, FittedParameter, FlowCurveData
from daq.quality.digits import number, significant, uncertain, within

PLOT_ROWS: Final = 16
WIDEST: Final = 72
LEFT: Final = 10
"""Columns of the labels of the stress."""
LINE: Final = "·"
MARKS: Final = {"up": "▲", "down": "▼", "both": "◆", "unused": "✕"}
MODEL_UNITS: Final = {"Pa.s": "Pa·s", "1": ""}


def curve_lines(curve: FlowCurveData, columns: int, value_unit: str, digits: int = 4) -> list[str]:
    """Return the fits, findings and plot of a flow curve; `value_unit` is the UCUM code of the result's unit.

    `digits` is the number of significant digits that the result supports, for viscosities without an interval.

    Table and plot are at most `columns` wide; the caller wraps the sentences.
    """
    out = [f"fitted: {curve.branch}; {sentence(curve.rates)}"]
    if curve.fits:
        out += ["", *_models(curve, columns)]
    out += [f"not supported by the data: {model_name(r.model)}: {sentence(r.reason)}" for r in curve.refused]
    out += ["", *_findings(curve, value_unit, digits)]
    out += [f"not fitted: {plain(p.name)}: {sentence(p.reasons)}" for p in curve.points if not p.used]
    out += [f"left out: {sentence(text)}" for text in curve.left_out]
    drawn = plot(curve, min(columns - 4, WIDEST))
    return out + (["", *drawn] if drawn else [])


def model_name(name: str, words: DrawingWords = ENGLISH_WORDS) -> str:
    """Return a model's name for a person: ``herschel_bulkley`` becomes ``Herschel-Bulkley``."""
    return words("power_law") if name == "power_law" else "-".join(part.capitalize() for part in name.split("_"))


def parameter_text(p: FittedParameter) -> str:
    """Return a parameter with its expanded uncertainty and unit."""
    unit = p.unit_text if p.unit is None else MODEL_UNITS.get(p.unit, symbol(p.unit))
    name = p.name.replace("eta", "η").replace("tau", "τ").replace("lam", "λ")
    return f"{name} = {within(p.value, p.expanded)} ± {uncertain(p.expanded)} {unit}".rstrip()


def _models(curve: FlowCurveData, columns: int) -> list[str]:
    rows = [
        [
            "→" if f.model == curve.chosen else "",
            model_name(f.model),
            number(f.aicc, 3),
            f"{100 * f.r_squared:.2f} %",
            ", ".join(parameter_text(p) for p in f.parameters),
        ]
        for f in curve.fits
    ]
    head = ["", "model", "AICc", "R²", f"parameters with expanded uncertainty ({100 * curve.coverage:.0f} %)"]
    out = table(head, rows, right=frozenset({2, 3}), columns=columns).splitlines()
    out += [f"{model_name(f.model)}: {sentence(f.unresolved)}" for f in curve.fits if f.unresolved]
    return out


def _findings(curve: FlowCurveData, value_unit: str, digits: int) -> list[str]:
    out: list[str] = []
    chosen = next((f for f in curve.fits if f.model == curve.chosen), None)
    if chosen is not None:
        out.append(f"to be used: {model_name(chosen.model)}, {chosen.equation}, {_range(chosen)}")
    if curve.yield_stress is not None:
        y = curve.yield_stress
        depends = ", DEPENDS ON THE MODEL" if y.model_dependent else ""
        out.append(f"yield stress, extrapolated by this model{depends}: {parameter_text(y)}")
        out += [f"yield stress: {sentence(reason)}" for reason in y.reasons]
    out += [
        f"shear-thinning index {t.slow:.3g} over {t.fast:.3g} {symbol('/min')} ({t.branch}): {number(t.index, 3)}"
        for t in curve.thinning
    ]
    if curve.loop is not None:
        area = (
            f"{number(curve.loop.area, 3)} Pa/s, {number(100 * curve.loop.relative, 2)} % of the area below the way up"
        )
        out.append(f"loop area: {area} (compare only the same programme of speeds)")
    r = curve.recovery
    if r is not None:
        unit = symbol(value_unit)
        before, broken, after = (significant(x, digits) for x in (r.before, r.broken, r.after))
        out.append(
            f"recovery at {r.speed:g} {symbol('/min')}: {before} {unit} before, {broken} after the shearing, "
            f"{after} {unit} {r.seconds:.0f} s later: {100 * r.fraction:.0f} % came back"
        )
    return out


def _range(fit: FittedModel) -> str:
    return (
        f"known from {number(fit.rate_low, 3)} to {number(fit.rate_high, 3)} {symbol('/s')} (γ̇: rate in {symbol('/s')})"
    )


def rate_of(p: CurvePoint) -> float:
    """Return the rate (1/s) at which a point is drawn: the rate at the wall where a model gives it."""
    return p.shear_rate if p.wall_rate is None else p.wall_rate


def mark_of(p: CurvePoint) -> str:
    """Return the mark of a point, a key of `MARKS`."""
    return "unused" if not p.used else "both" if len(p.branches) == 2 else p.branches[0]


def plot(curve: FlowCurveData, columns: int) -> list[str]:
    """Return a plot of stress over rate, both logarithmic; empty where there are fewer than two points."""
    if len(curve.points) < 2:
        return []
    width = columns - LEFT - 1
    rates = [rate_of(p) for p in curve.points] + [b.rate for b in curve.band]
    stresses = [p.wall_stress for p in curve.points] + [b.stress for b in curve.band]
    x, y = _scale(rates, width), _scale(stresses, PLOT_ROWS)
    cells = [[" "] * width for _ in range(PLOT_ROWS)]
    for a, b in itertools.pairwise(curve.band):
        for i in range(x(a.rate), x(b.rate) + 1):
            part = (i - x(a.rate)) / max(x(b.rate) - x(a.rate), 1)
            stress = math.exp(math.log(a.stress) + part * (math.log(b.stress) - math.log(a.stress)))
            cells[PLOT_ROWS - 1 - y(stress)][i] = LINE
    for p in curve.points:
        cells[PLOT_ROWS - 1 - y(p.wall_stress)][x(rate_of(p))] = MARKS[mark_of(p)]
    labels = {PLOT_ROWS - 1 - y(s): number(s, 3) for s in (min(stresses), max(stresses))}
    out = [f"{'stress, Pa':>{LEFT}}"]
    out += [f"{labels.get(i, ''):>{LEFT - 1}} │{''.join(row)}".rstrip() for i, row in enumerate(cells)]
    out.append(" " * LEFT + "└" + "─" * width)
    low, high = number(min(rates), 3), number(max(rates), 3)
    name = f"rate at the wall, {symbol('/s')}"
    space = max(width - len(low) - len(high) - len(name), 2)
    out.append(" " * (LEFT + 1) + low + " " * (space // 2) + name + " " * (space - space // 2) + high)
    seen = dict.fromkeys(mark_of(p) for p in curve.points)
    names = {"up": "way up", "down": "way down", "both": "turning point", "unused": "not fitted"}
    legend = [f"{MARKS[m]} {names[m]}" for m in seen]
    if curve.chosen is not None:
        legend.append(f"{LINE} {model_name(curve.chosen)}")
    return [*out, " " * (LEFT + 1) + "  ".join(legend)]


def _scale(values: Sequence[float], cells: int) -> Callable[[float], int]:
    low, high = math.log(min(values)), math.log(max(values))
    reach = max(high - low, 1e-9)
    return lambda v: min(cells - 1, max(0, round((math.log(v) - low) / reach * (cells - 1))))
