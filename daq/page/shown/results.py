"""Words of a result for the templates, from `ResultData` as JSON."""

import hashlib
import json
from collections.abc import Mapping, Sequence
from typing import Any, Final

from markupsafe import Markup

from daq.app.records.derived import curve_head
from daq.app.screens.drawings.curve_svg import svg
from daq.app.screens.drawings.drawing_words import words_of
from daq.app.screens.result_screen import is_below
from daq.core.units import UNITS
from daq.methods.curves.curvedata import FlowCurveData
from daq.page.shown.benches import fault_words
from daq.page.shown.figures import DASH, amount, percent, supported_digits
from daq.page.texts.texts import Texts

CONDITIONS: Final = (
    ("speed", "/min"),
    ("shear_rate", "/s"),
    ("stress", "Pa"),
    ("torque_percent", "%"),
    ("temperature", "Cel"),
)
"""Conditions of a result with their UCUM codes, in the order in which they are shown."""
NAMES: Final[Mapping[str, str]] = {
    "speed": "desk.result.speed",
    "shear_rate": "desk.result.rate",
    "stress": "desk.result.stress",
    "torque_percent": "desk.result.torque",
    "temperature": "desk.result.temperature",
}


def verdict_kind(data: Mapping[str, Any]) -> str:
    """Return the verdict of a result; ``outside_low`` where the value is below the limits."""
    verdict = str(data["verdict"]["verdict"])
    if verdict != "outside":
        return verdict
    own = [limit for limit in data["verdict"].get("limits", ()) if limit["quantity"] == data["quantity"]]
    return "outside_low" if is_below(data, own) else verdict


def shown_state(history: Mapping[str, Any]) -> str:
    """Return what decides how the result of a run is to be read, as a short text.

    A correction, an annulment, a signature, a doubt or the end of the run gives another one.
    """
    run, signatures = history["run"], [[s["meaning"], s["state"]] for s in history["signatures"]]
    results = [r["id"] for r in history["results"]]
    doubts = [history["release"], history["doubts"], history["disagreements"]]
    parts = [run.get("state"), run.get("outcome"), results, signatures, doubts]
    return hashlib.sha256(json.dumps(parts).encode()).hexdigest()[:16]


def why(t: Texts, data: Mapping[str, Any]) -> list[str]:
    """Return the reasons of validity and verdict, each once."""
    found = [*data["reasons"], *data["verdict"].get("reasons", ())]
    return list(dict.fromkeys(t.sentence(reason) for reason in found))


def conditions(t: Texts, data: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return the conditions that were measured, with their names."""
    digits = supported_digits(data)
    found = data["conditions"]
    return [
        (t(NAMES[name]), amount(found[name], code, 2) if code == "Cel" else amount(found[name], code, None, digits))
        for name, code in CONDITIONS
        if found.get(name) is not None and name != data["quantity"]
    ]


def applies_at(t: Texts, limit: Mapping[str, Any]) -> str:
    """Return the conditions at which a limit of a product applies; "" without any."""
    units = {"speed": "/min", "time": "s", "temperature": "Cel"}
    words = []
    for name, value in (limit.get("applies_at") or {}).items():
        if value in (None, "", []) or name in ("temperature_band", "choices"):
            continue
        shown: Any = t("format.list").join(map(str, value)) if isinstance(value, list) else value
        words.append(f"{value:g} {UNITS[units[name]].symbol}" if name in units else str(shown))
    return t("format.list").join(words)


def components(t: Texts, data: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return the lines of the uncertainty budget, the largest contribution first, each with its share (0 to 1)."""
    lines: Sequence[Mapping[str, Any]] = (data.get("uncertainty") or {}).get("components") or ()
    return [
        {
            "name": t.sentence({"code": line["code"], "parameters": {}, "text": line["name"]})
            if line["code"]
            else line["name"],
            "standard": amount(line["standard_uncertainty"], line["unit"], None, 2),
            "distribution": t.term(line["distribution"]),
            "contribution": amount(line["contribution"], data["unit"], None, 2),
            "share": line["share"],
            "percent": percent(line["share"]),
        }
        for line in sorted(lines, key=lambda line: -line["share"])
    ]


def kept_rows(t: Texts, data: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return the kept values of a run as rows of texts, with quality and faults; `good` is false below Good."""
    return [
        {
            "step": str(kept["name"]),
            "seconds": DASH if kept.get("seconds") is None else f"{kept['seconds']:.0f} s",
            "speed": amount(kept.get("speed"), "/min"),
            "rate": amount(kept.get("shear_rate"), "/s"),
            "stress": amount(kept.get("stress"), "Pa"),
            "torque": amount(kept.get("torque_percent"), "%"),
            "temperature": amount(kept.get("temperature"), "Cel", 2),
            "value": amount(kept.get("value"), kept.get("unit") or data["unit"], None, supported_digits(data)),
            "n": str(kept.get("n", "")),
            "good": kept["quality"].partition("_")[0] == "Good",
            "quality": _quality(t, kept),
        }
        for kept in data.get("steps") or ()
    ]


def _quality(t: Texts, kept: Mapping[str, Any]) -> str:
    word = t.code("quality", kept["quality"].partition("_")[0].lower())
    faults = t("format.list").join(fault_words(t, fault) for fault in kept["faults"])
    return f"{word}: {faults}" if faults else word


def curve_drawing(t: Texts, history: Mapping[str, Any]) -> Markup:
    """Return the flow curve of a run as a drawing with the words of a language; "" where it has none.

    The drawing escapes its texts itself, and has no style and no script.
    """
    if not history.get("flow_curve"):
        return Markup()
    run = history["run"]
    curve = FlowCurveData.model_validate(history["flow_curve"])
    title = f"{run['sample']}, {run['method_id']} {run['method_version']}"
    words = words_of(t.language)
    drawn = svg(curve, title, curve_head(history["result"] or {}, words), words)
    return Markup(drawn)  # noqa: S704 - escaped by the drawing
