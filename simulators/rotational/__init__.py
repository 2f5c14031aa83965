"""A rotational instrument: flow, spring, motor, bath and line protocol."""

from simulators.rotational.catalogue import FLUIDS, GEOMETRIES
from simulators.rotational.fluids import (
    Andrade,
    Fluid,
    GlycerolWaterViscosity,
    Structure,
    Unchanging,
    WaterViscosity,
    glycerol_water,
    water,
)
from simulators.rotational.geometry import CoaxialCylinders, Geometry, SingleCylinder
from simulators.rotational.instrument import RotationalInstrument
from simulators.rotational.laws import Casson, FlowLaw, HerschelBulkley, Newtonian, PowerLaw
from simulators.rotational.specification import Errors, Specification

__all__ = [
    "FLUIDS",
    "GEOMETRIES",
    "Andrade",
    "Casson",
    "CoaxialCylinders",
    "Errors",
    "FlowLaw",
    "Fluid",
    "Geometry",
    "GlycerolWaterViscosity",
    "HerschelBulkley",
    "Newtonian",
    "PowerLaw",
    "RotationalInstrument",
    "SingleCylinder",
    "Specification",
    "Structure",
    "Unchanging",
    "WaterViscosity",
    "glycerol_water",
    "water",
]
