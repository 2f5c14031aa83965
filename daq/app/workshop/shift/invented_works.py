"""The glaze works on the day of the simulated shift: benches, batches and what goes wrong.  All of it is invented."""

import random
from dataclasses import dataclass, replace
from typing import Final

from simulators.rotational import (
    FLUIDS,
    GEOMETRIES,
    Andrade,
    FlowLaw,
    Fluid,
    HerschelBulkley,
    Newtonian,
    PowerLaw,
    RotationalInstrument,
)
from simulators.streaming_rotational import StreamingRotational
from simulators.thermometer import Thermometer

SEED: Final = 20261
SPREAD: Final = 0.025
"""Relative standard deviation of the viscosity from batch to batch."""


@dataclass(frozen=True, slots=True)
class Batch:
    """One sample of the day.

    Attributes:
        sample, product, lot: as they are registered.
        fluid: the fluid of the simulators that it is.
        factor: the stress of this batch over that of the fluid.
        fills: number of fillings that are measured.
        celsius: temperature of the bench, Cel.
        typed: sample id that the person types; "" means the right one.
        rework_of: the sample from which it was made by an addition.
    """

    sample: str
    product: str
    lot: str
    fluid: str
    factor: float = 1.0
    fills: int = 1
    celsius: float = 25.0
    typed: str = ""
    rework_of: str = ""


def filled(batch: Batch, fill: int = 1) -> Fluid:
    """Return the fluid of a filling; fillings of one batch differ by half a per cent."""
    fluid = FLUIDS[batch.fluid]
    rng = random.Random(f"{SEED} {batch.sample} {fill}")  # noqa: S311 - invented batches
    return replace(fluid, law=_times(fluid.law, batch.factor * (1.0 + 0.005 * rng.gauss(0.0, 1.0))))


def _times(law: FlowLaw, factor: float) -> FlowLaw:
    """Return a law with `factor` times the stress at any rate."""
    if isinstance(law, Newtonian):
        return Newtonian(law.viscosity * factor)
    if isinstance(law, PowerLaw):
        return PowerLaw(law.consistency * factor, law.index)
    if isinstance(law, HerschelBulkley):
        return HerschelBulkley(law.yield_stress * factor, law.consistency * factor, law.index)
    raise TypeError(f"no batches of {type(law).__name__}")


REFERENCE: Final = FLUIDS["reference-b"]
WATERED: Final = Fluid("reference-b", Newtonian(0.4832 * 0.93), Andrade(5500.0))
"""The reference fluid in a cup that was not dry."""
HOUSE_OIL: Final = Fluid("house-oil", Newtonian(0.810), Andrade(5500.0))
"""The works' control fluid, with the viscosity that its file assigns to it."""
THINNED: Final = Fluid("house-oil", Newtonian(0.810 * 0.93), Andrade(5500.0))
"""The control fluid in a cup with a rest of the water with which it was rinsed."""
CONTROL_FAILS: Final = "bench-3"
"""The bench whose first control fails."""

_ROWS: Final = (
    # bench, product, fluid, first sample, number, fillings, temperature (Cel), factor on the stress of the fluid
    ("bench-1", "clear-glaze", "clear-glaze", "G-2041", 19, 1, 25.0, 1.0),
    ("bench-1", "casting-slip", "casting-slip", "C-0310", 5, 1, 25.0, 1.0),
    ("bench-3", "casting-slip", "casting-slip", "C-0315", 5, 1, 25.0, 1.0),
    ("bench-3", "thin-slip", "casting-slip", "T-0120", 7, 1, 25.0, 0.5),
    ("bench-2", "engobe", "engobe", "E-0511", 7, 2, 23.0, 0.65),
    ("bench-2", "white-glaze", "white-glaze", "W-0207", 3, 1, 25.0, 1.0),
    ("bench-2", "gelled-slip", "gelled-slip", "L-0031", 3, 1, 25.0, 1.0),
)
TOO_THICK: Final = "G-2046"
MISTYPED: Final = "G-2052"
TYPED: Final = "G-2025"
"""The id that the person types for it."""


def batches() -> dict[str, list[Batch]]:
    """Return the samples of the day for each bench, in the order in which they are measured."""
    rng = random.Random(SEED)  # noqa: S311 - invented batches
    found: dict[str, list[Batch]] = {}
    for bench, product, fluid, first, number, fills, celsius, part in _ROWS:
        letter, start = first.split("-")
        for i in range(number):
            sample = f"{letter}-{int(start) + i:04d}"
            factor = part * (1.0 + SPREAD * rng.gauss(0.0, 1.0)) * (1.25 if sample == TOO_THICK else 1.0)
            batch = Batch(
                sample,
                product,
                lot=f"{letter}{261128 + i // 6}",
                fluid=fluid,
                factor=factor,
                fills=fills,
                celsius=celsius,
                typed=TYPED if sample == MISTYPED else "",
            )
            found.setdefault(bench, []).append(batch)
            if sample == TOO_THICK:
                rework = replace(batch, sample="G-2098", factor=1.01, rework_of=sample)
                found[bench].append(rework)
    return found


def rotational(serial: str, geometry: str, seed: int) -> RotationalInstrument:
    """Return a polled instrument with a measuring geometry."""
    return RotationalInstrument(
        geometry=GEOMETRIES[geometry], fluid=REFERENCE, seed=seed, temperature=25.0, serial=serial
    )


def instruments() -> dict[str, RotationalInstrument | StreamingRotational | Thermometer]:
    """Return new instruments by the name of their bench."""
    return {
        "bench-1": rotational("R-1042", "coaxial-12", 11),
        "bench-2": rotational("R-1043", "cylinder-9", 12),
        "bench-3": StreamingRotational(GEOMETRIES["coaxial-12"], REFERENCE, 14, serial="V-0915"),
        "thermo-1": Thermometer(13, temperature=25.0, serial="T-0310"),
    }
