"""Errors of the instrument that all points of a flow curve share: those of the result's budget, as changes of stress.

The torque's maximum permissible error is a straight line between an error at rest and one at full scale, each within
the limit there.  The zero and its drift are the components of the result's own budget; they add the same to all points.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from daq.core.plan import Plan
from daq.methods.parts.finding import Finding
from daq.methods.parts.statement import Statement, state
from daq.methods.planning.ranging import stated
from daq.rheology.flowcurves.curvefit import Shift
from daq.rheology.viscosity_budget import zero_component

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

ZEROS: Final = ("zero", "zero drift")
"""Components of a viscosity's budget that are an error of the torque's zero; in % of full scale."""
RECTANGULAR: Final = math.sqrt(3.0)
"""Half-width over standard uncertainty (JCGM 100 4.3.7)."""


@dataclass(frozen=True, slots=True)
class Torques:
    """The torques of the fitted points, as stresses (Pa), and the stress of a torque that adds to all of them."""

    stresses: "Array"
    """At the wall, as they are fitted."""
    full_scale: float
    """Stress of the full-scale torque; 0 where it is not known."""
    added: float = 1.0
    """Change of a fitted stress over the stress of a torque that adds to all points."""


def shifts_of(plan: Plan, finding: Finding, torques: Torques, left_out: list[Statement]) -> tuple[list[Shift], float]:
    """Return the errors common to all points, and the standard uncertainty (Pa) of a stress at rest.

    The statements of the budget on a zero that it leaves out are added to `left_out`.
    """
    import numpy as np  # noqa: PLC0415 - loaded only where a curve is fitted

    given = plan.context.specification
    constant = np.full_like(torques.stresses, torques.added)
    out: list[Shift] = []
    at_rest = (given.torque or 0.0) / 100.0 / RECTANGULAR
    at_full_scale = at_rest + (given.torque_reading or 0.0) / 100.0 / RECTANGULAR
    if at_rest and torques.full_scale:
        out.append(Shift("torque at rest", at_rest * (torques.full_scale * constant - torques.stresses)))
    if at_full_scale:
        out.append(Shift("torque at full scale", at_full_scale * torques.stresses))
    zeros = [u / 100.0 * torques.full_scale for u in _zeros(plan, finding)]
    out += [Shift("zero", zero * constant) for zero in zeros if zero]
    for name, limit in (("geometry", given.geometry), ("temperature", _of_temperature(plan))):
        if limit and name not in given.includes:
            out.append(Shift(name, torques.stresses * limit / 100.0 / RECTANGULAR))
    if given.speed and "speed" not in given.includes:
        out.append(Shift("speed", speed=given.speed / 100.0 / RECTANGULAR))
    if not out:
        left_out.append(state("instrument_share_unknown"))
    if finding.uncertainty is not None:
        left_out += [s for s in finding.uncertainty.left_out if s.code.startswith("zero_")]
    return out, torques.added * math.hypot(at_rest * torques.full_scale, *zeros)


def _zeros(plan: Plan, finding: Finding) -> list[float]:
    """Return the standard uncertainties of the zero, % of full scale: those of the budget of the result.

    A run without a value has no budget; its zero is found from the same facts by the same function.
    """
    if finding.uncertainty is not None:
        return [c.standard_uncertainty for c in finding.uncertainty.components if c.name in ZEROS]
    zero = zero_component(stated(plan.context.specification), finding.conditions.torque_at_rest_percent)
    return [] if zero is None else [zero.u]


def _of_temperature(plan: Plan) -> float:
    """Return the limit of the viscosity, ± %, that follows from the limit of the temperature; 0 where not known."""
    return abs(plan.context.temperature_coefficient or 0.0) * (plan.context.temperature_limit or 0.0)


__all__: Sequence[str] = ["Torques", "shifts_of"]
