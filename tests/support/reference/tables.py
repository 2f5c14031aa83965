"""The published and independently computed reference values of `tests/reference`, read once.

`<area>.csv` holds one row per value: case, quantity, value (JSON), unit, kind of comparison, tolerance.
`<area>.toml` holds each case's inputs, its published source and its status: `quoted` (read in the source), `computed`
(evaluated from the source's equation, nearly always by two routes) or `memory` (from memory, not checked in the source).
"""

import csv
import json
import math
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

HERE = Path(__file__).parents[2] / "reference"
DATA = HERE / "data"
AREAS = ("geometry", "fluids", "models", "temperature", "statistics", "uncertainty", "practice", "protocols")


@dataclass(frozen=True)
class Expected:
    case: str
    quantity: str
    value: Any
    kind: str
    tolerance: float

    def holds(self, got: Any) -> bool:
        if self.kind == "exact":
            return bool(got == self.value)
        if not math.isfinite(got):
            return False
        if self.kind == "rel":
            return abs(got - self.value) <= self.tolerance * abs(self.value)
        if self.kind == "abs":
            return abs(got - self.value) <= self.tolerance
        if self.kind == "max":
            return got <= self.tolerance
        assert self.kind == "min", self.kind
        return got >= self.tolerance


def _expected() -> list[Expected]:
    out = []
    for area in AREAS:
        with (HERE / f"{area}.csv").open(encoding="utf-8", newline="") as file:
            out += [
                Expected(r["case"], r["quantity"], json.loads(r["value"]), r["kind"], float(r["tolerance"] or 0))
                for r in csv.DictReader(file)
            ]
    return out


def _inputs() -> dict[str, dict[str, Any]]:
    out: dict[str, dict[str, Any]] = {}
    for area in AREAS:
        out |= tomllib.loads((HERE / f"{area}.toml").read_text(encoding="utf-8"))
    return out


EXPECTED = _expected()
INPUTS = _inputs()


def flow_curve(model: str, column: str) -> tuple[list[float], list[float]]:
    """Return rates (1/s) and stresses (Pa) of one of the synthetic curves; `column` is ``true`` or ``noisy``."""
    with (DATA / "flowcurves.csv").open(encoding="utf-8", newline="") as file:
        rows = [r for r in csv.DictReader(file) if r["model"] == model]
    return [float(r["shear_rate_1_per_s"]) for r in rows], [float(r[f"stress_{column}_Pa"]) for r in rows]


def univariate(name: str) -> list[float]:
    """Return one of NIST's univariate data sets (StRD)."""
    with (DATA / "nist_univariate.csv").open(encoding="utf-8", newline="") as file:
        return [float(r["value"]) for r in csv.DictReader(file) if r["dataset"].lower() == name.lower()]


def strd(name: str) -> list[tuple[float, float]]:
    """Return the two columns of a StRD file, from line 61 on."""
    lines = (DATA / "nist_strd" / f"{name}.dat").read_text(encoding="ascii").splitlines()[60:]
    return [(float(a), float(b)) for a, b in (line.split() for line in lines if line.strip())]
