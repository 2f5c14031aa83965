"""The product's temperature curve in the form of a plan."""

import math

from daq.core.context import CorrectionCurve
from daq.core.errors import SettingError
from daq.methods.files.product import TemperatureCurve
from daq.rheology.temperature import Andrade, Curve, Vft, fit_andrade, fit_vft


def described_curve(given: TemperatureCurve) -> CorrectionCurve:
    """Return the curve for a plan: constants, range (Cel), and the relative standard uncertainty of its exponent.

    Raises:
        SettingError: no such curve fits the points; the key is inside the product's `temperature_curve`.
    """
    if given.points:
        celsius = [p.temperature for p in given.points]
        viscosity = [p.viscosity.in_unit("Pa.s") for p in given.points]
        try:
            curve: Curve = fit_andrade(celsius, viscosity) if given.law == "andrade" else fit_vft(celsius, viscosity)
        except SettingError as error:
            raise SettingError(error.reason, key="temperature_curve.points") from None
        reach = abs(math.log(curve.viscosity(curve.low_celsius) / curve.viscosity(curve.high_celsius)))
        # The uncertainty is the scatter at both ends of the range, relative to the change over the range.
        relative = None if curve.relative_sd is None or reach == 0.0 else math.sqrt(2.0) * curve.relative_sd / reach
    else:
        low, high = given.low or 0.0, given.high or 0.0
        b = given.b or 0.0
        curve = Andrade(0.0, b, low, high) if given.law == "andrade" else Vft(0.0, b, given.t0 or 0.0, low, high)
        relative = None
    if given.uncertainty is not None:
        relative = given.uncertainty / 200.0
    return CorrectionCurve(
        law=given.law,
        b=curve.b_kelvin if isinstance(curve, Andrade | Vft) else 0.0,
        t0=curve.t0_kelvin if isinstance(curve, Vft) else 0.0,
        low=curve.low_celsius,
        high=curve.high_celsius,
        reference=given.reference,
        relative_u=relative,
        speed=given.speed,
        geometry=given.geometry,
    )
