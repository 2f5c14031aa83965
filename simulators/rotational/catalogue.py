"""The fluids and geometries of the glaze works, a scenario of our own."""

from simulators.rotational.fluids import Andrade, Fluid, Structure, glycerol_water, water
from simulators.rotational.geometry import CoaxialCylinders, Geometry, SingleCylinder
from simulators.rotational.laws import Casson, HerschelBulkley, Newtonian, PowerLaw

FLUIDS: dict[str, Fluid] = {
    fluid.name: fluid
    for fluid in (
        Fluid("air", Newtonian(1.8e-5)),
        water(),
        glycerol_water(0.85, "glycerol-85"),
        Fluid("reference-500", Newtonian(0.5), Andrade(5500.0)),
        Fluid("clear-glaze", Newtonian(0.8), Andrade(3800.0)),
        Fluid("clear-glaze-thick", Newtonian(0.98), Andrade(3800.0)),
        Fluid("white-glaze", PowerLaw(6.5, 0.45), Andrade(2400.0)),
        Fluid("casting-slip", Newtonian(1.0), Andrade(2000.0), Structure(0.02, 0.0015, 0.25, 0.9)),
        Fluid("engobe", HerschelBulkley(8.0, 3.2, 0.55), Andrade(1800.0)),
        Fluid("casson-glaze", Casson(5.0, 0.12), Andrade(2200.0)),
    )
}

GEOMETRIES: dict[str, Geometry] = {
    "coaxial-15": CoaxialCylinders(0.015, 0.0162705, 0.045, 1.10),
    "coaxial-12": CoaxialCylinders(0.012, 0.015, 0.040, 1.10),
    "cylinder-9": SingleCylinder(0.009, 0.060, 0.0425, 1.05),
    "cylinder-6": SingleCylinder(0.006, 0.040, 0.0425, 1.05),
}
