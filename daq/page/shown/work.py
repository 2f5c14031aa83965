"""Functions of the templates of the desk: choices, values of forms, drawings, and runs in groups of one plot."""

from collections.abc import Iterable, Mapping
from typing import Any, Final

from markupsafe import Markup

from daq.laboratory.people import ROLES
from daq.page.routetable import Need, permits

SAMPLE_FIELDS: Final = (
    "product", "lot", "bench", "sampled_at", "due", "priority", "condition", "received_by", "remark",
)  # fmt: skip
RUN_FIELDS: Final = ("sample", "product", "lot", "sampled_at", "operator")


class Filled(dict[str, Any]):
    """Values of fields; a field without one is ""."""

    def __missing__(self, key: str) -> str:
        return ""


def filled(values: Mapping[str, Any]) -> Filled:
    """Return values of fields, "" for each that is missing."""
    return Filled(values)


def combine(before: Mapping[str, Any], given: Mapping[str, Any]) -> dict[str, Any]:
    """Return stored values, and over them those that a person gave in a form that was refused."""
    return {**before, **given}


def may(people: bool, role: str, need: Need) -> bool:
    """Return whether a visitor sees a form.  The daemon checks the role whatever is shown."""
    found = next((r for r in ROLES if r == role), None)
    return permits(need, role=found, people=people, paired="", bench="")


def pairs(names: Iterable[str], chosen: object = "") -> list[tuple[str, str]]:
    """Return names as the choices of a field; a stored value that is no choice any more is one too."""
    found = list(names)
    if chosen and chosen not in found:
        found.append(str(chosen))
    return [(name, name) for name in found]


def sample_values(sample: Mapping[str, Any]) -> dict[str, str]:
    """Return the values of a sample's fields in the form."""
    out = {name: "" if sample.get(name) is None else str(sample[name]) for name in SAMPLE_FIELDS}
    kept = sample.get("retained") or {}
    return out | {"retain": str(kept.get("place") or ""), "discard_on": str(kept.get("discard_on") or "")}


def run_values(history: Mapping[str, Any]) -> dict[str, str]:
    """Return the facts of a run that a person can correct."""
    run = history["run"]
    geometry = ((history.get("result") or {}).get("geometry") or {}).get("name")
    return {name: str(run.get(name) or "") for name in RUN_FIELDS} | {"geometry": str(geometry or "")}


def due_first(pieces: Iterable[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Return the pieces of equipment: out of service first, then what is overdue, then the others by name."""

    def place(p: Mapping[str, Any]) -> tuple[bool, bool, str]:
        return p["in_service"], not (p["calibration_overdue"] or p["verification_overdue"]), str(p["piece"])

    return sorted(pieces, key=place)


def drawing(text: str) -> Markup:
    """Return a drawing of the project as markup: it escapes its texts itself, and has no style and no script."""
    return Markup(text)  # noqa: S704 - escaped by the drawing


def compared_groups(compared: Iterable[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Return the runs of a comparison in groups with the same signal and unit, each group for one plot."""
    out: dict[tuple[str, str], dict[str, Any]] = {}
    for one in compared:
        trend, entry = one["trend"], one["entry"]
        if trend is None:
            continue
        name, unit = str(trend["name"]), str(trend["unit"])
        group = out.setdefault((name, unit), {"name": name, "unit": unit, "label": f"{name} {unit}", "runs": []})
        group["runs"].append(
            {
                "run": entry["run"],
                "sample": entry["sample"],
                "began": entry["began_utc_ns"],
                "seconds": trend["seconds"],
                "values": trend["values"],
            }
        )
    return list(out.values())
