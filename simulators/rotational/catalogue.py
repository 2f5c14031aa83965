"""Fluids and geometries of the glaze works, an invented scenario."""

from simulators.rotational.fluids import Andrade, Fluid, Structure, glycerol_water, water
from simulators.rotational.geometry import CoaxialCylinders, Geometry, SingleCylinder
from simulators.rotational.laws import Casson, HerschelBulkley, Newtonian, PowerLaw

FLUIDS: dict[str, Fluid] = {
    fluid.name: fluid
    for fluid in (
        Fluid("air", Newtonian(1.8e-5)),
        water(),
        glycerol_water(0.85, "glycerol-85"),
        Fluid("reference-b", Newtonian(0.4832), Andrade(5500.0)),
        Fluid("clear-glaze", Newtonian(0.8), Andrade(3800.0)),
        Fluid("clear-glaze-thick", Newtonian(0.98), Andrade(3800.0)),
        Fluid("white-glaze", PowerLaw(6.5, 0.45), Andrade(2400.0)),
        Fluid("casting-slip", Newtonian(1.0), Andrade(2000.0), Structure(0.02, 0.0015, 0.25, 0.9)),
        Fluid("engobe", HerschelBulkley(8.0, 3.2, 0.55), Andrade(1800.0)),
        # Gels at rest; its structure breaks slowly under shear, so a vane shows a peak.
        Fluid("gelled-slip", HerschelBulkley(22.0, 1.5, 0.5), Andrade(2000.0), Structure(0.0009, 0.02, 0.4, 0.6)),
        # Sets by itself, sheared or not: 0.4 Pa.s at filling, 3.4 Pa.s in the end.
        Fluid("setting-slip", Newtonian(1.0), Andrade(2000.0), Structure(1.0 / 900.0, 0.0, 0.4, 3.0, 0.0)),
        Fluid("casson-glaze", Casson(5.0, 0.12), Andrade(2200.0)),
    )
}

GEOMETRIES: dict[str, Geometry] = {
    "coaxial-15": CoaxialCylinders(0.015, 0.0162705, 0.045, 1.10),
    "coaxial-12": CoaxialCylinders(0.012, 0.015, 0.040, 1.10),
    "cylinder-9": SingleCylinder(0.009, 0.060, 0.0425, 1.05),
    "cylinder-6": SingleCylinder(0.006, 0.040, 0.0425, 1.05),
    # A vane carries the sample between its blades: a cylinder of sample, 20 mm wide and 40 mm high. Uniform stress on
    # both end faces adds D/(3 H) to the torque of the lateral surface (Nguyen and Boger 1983).
    "vane-20": SingleCylinder(0.010, 0.040, 0.0425, 1.0 + 20.0 / 120.0),
}
