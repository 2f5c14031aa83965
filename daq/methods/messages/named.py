"""The short names of a result's values: one table for the collector's columns and for Sparkplug's metrics.

A row gives a name, the value's path in `ResultData`, and where it is used.  Type, unit and description are those of
the model.  A new value of a result needs one row here, or a line in `UNNAMED`.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Flag, auto
from typing import Final

from pydantic import BaseModel

from daq.methods.messages.leaves import Leaf, leaf_at
from daq.methods.messages.result import ResultData


class In(Flag):
    """Where a name is used."""

    COLLECTOR = auto()
    SPARKPLUG = auto()
    BOTH = COLLECTOR | SPARKPLUG


@dataclass(frozen=True, slots=True)
class Named:
    """A name for one place of a payload.

    Attributes:
        is_lenient: a text that may be empty, or a moment that a person wrote and that may be none.
    """

    name: str
    leaf: Leaf
    used: In = In.COLLECTOR
    is_lenient: bool = False


Row = tuple[str, str, In] | tuple[str, str, In, bool]


def names(model: type[BaseModel], rows: Sequence[Row]) -> tuple[Named, ...]:
    """Return the rows of (name, path, where used) and, where True, that the value is lenient.

    Raises:
        KeyError: a path is not in the model.
    """
    return tuple(Named(name, leaf_at(model, path), *more) for name, path, *more in rows)


RESULT_NAMES: Final = names(
    ResultData,
    (
        ("simulated", "simulated", In.BOTH),
        ("sample", "sample.id", In.BOTH),
        ("product", "sample.product", In.BOTH),
        ("lot", "sample.lot", In.BOTH),
        ("fill", "sample.fill", In.COLLECTOR),
        ("replicate", "sample.replicate", In.BOTH),
        ("sampled_at", "sample.sampled_at", In.COLLECTOR, True),
        ("quantity", "quantity", In.BOTH),
        ("value", "value", In.BOTH),
        ("unit", "unit", In.COLLECTOR, True),
        ("reported", "reported", In.COLLECTOR),
        ("quality", "quality", In.COLLECTOR),
        ("validity", "validity", In.BOTH),
        ("claim", "claim", In.BOTH),
        ("outcome", "outcome", In.BOTH),
        ("n", "span.n", In.SPARKPLUG),
        ("expanded", "uncertainty.expanded", In.BOTH),
        ("k", "uncertainty.k", In.COLLECTOR),
        ("interval_low", "uncertainty.low", In.COLLECTOR),
        ("interval_high", "uncertainty.high", In.COLLECTOR),
        ("corrected", "corrected.value", In.COLLECTOR),
        ("dry_content_mass_fraction", "dry_content.value", In.BOTH),
        ("dry_content_expanded_mass_fraction", "dry_content.expanded", In.COLLECTOR),
        ("verdict", "verdict.verdict", In.BOTH),
        ("limit_low", "verdict.limits[decisive].low", In.COLLECTOR),
        ("limit_high", "verdict.limits[decisive].high", In.COLLECTOR),
        ("limit_unit", "verdict.limits[decisive].unit", In.COLLECTOR),
        ("geometry", "geometry.name", In.COLLECTOR),
        ("speed_per_min", "conditions.speed", In.BOTH),
        ("torque_percent", "conditions.torque_percent", In.BOTH),
        ("temperature_celsius", "conditions.temperature", In.BOTH),
        ("shear_rate_per_s", "conditions.shear_rate", In.BOTH),
        ("method_id", "method.id", In.BOTH),
        ("method_version", "method.version", In.BOTH),
        ("run", "origin.run", In.BOTH),
        ("instrument", "origin.instrument", In.COLLECTOR),
        ("serial", "origin.serial", In.COLLECTOR),
        ("operator", "origin.operator", In.COLLECTOR),
        ("attribution", "origin.attribution", In.BOTH),
        ("began", "origin.began", In.COLLECTOR),
        ("ended", "origin.ended", In.COLLECTOR),
        ("verification", "verification", In.COLLECTOR),
        ("supersedes", "supersedes.id", In.BOTH),
        ("supersedes_source", "supersedes.source", In.BOTH),
        ("method_digest", "method.digest", In.COLLECTOR),
        ("audit_number", "origin.audit_number", In.COLLECTOR),
        ("audit_head", "origin.audit_head", In.COLLECTOR),
        ("audit_before_number", "origin.audit_before_number", In.COLLECTOR),
        ("audit_before", "origin.audit_before", In.COLLECTOR),
    ),
)

_WHOLE: Final = "for who looks at one result, in the whole event"
UNNAMED: Final = {
    "schema_version": "in the type of the event",
    "status_code": "follows from quality",
    "units": "the same for all; the columns and metrics carry their units",
    "faults": _WHOLE,
    "reasons": _WHOLE,
    "warnings": _WHOLE,
    "advice": _WHOLE,
    "steps": _WHOLE,
    "steady": "follows from claim and validity",
    "uncertainty.coverage": "the same for all; a property of Sparkplug's expanded, as k is",
    "uncertainty.reasons": _WHOLE,
    "uncertainty.compared": "for comparison in the budget only",
    "uncertainty.method": _WHOLE,
    "uncertainty.trials": _WHOLE,
    "uncertainty.seed": _WHOLE,
    "uncertainty.effective_degrees_of_freedom": _WHOLE,
    "uncertainty.components": _WHOLE,
    "uncertainty.left_out": _WHOLE,
    "corrected.reference_celsius": "the product's, the same for all of its results",
    "corrected.measured_celsius": "is the temperature",
    "corrected.factor": _WHOLE,
    "corrected.expanded": _WHOLE,
    "corrected.k": _WHOLE,
    "corrected.left_out": _WHOLE,
    "corrected.reason": _WHOLE,
    "dry_content.celsius": _WHOLE,
    "dry_content.solid_density": "the product's, the same for all of its results",
    "dry_content.by_volume": _WHOLE,
    "dry_content.k": "a property of Sparkplug's dry_content_mass_fraction, as expanded is",
    "dry_content.left_out": _WHOLE,
    "dry_content.reason": _WHOLE,
    "span.seconds": "the method's, the same for all of its results",
    "span.completeness": _WHOLE,
    "span.statistic": "the method's",
    "span.taken_at_s": _WHOLE,
    "span.stop_reason": _WHOLE,
    "drift": _WHOLE,
    "conditions.set_speed": "the method's; the confirmed speed is given",
    "conditions.torque": "follows from torque_percent and the instrument",
    "conditions.torque_at_rest_percent": _WHOLE,
    "conditions.stress": "follows from value and shear_rate",
    "conditions.temperatures": "its keys are those of the bench",
    "conditions.signals": "its keys are those of the bench",
    "motor": _WHOLE,
    "verdict.rounding": "the product's",
    "verdict.acceptance": "the product's",
    "verdict.risk_of_false_acceptance": "in the view product_limits",
    "verdict.compared": _WHOLE,
    "verdict.limits": "the one that decided is given; all of them are in the view product_limits",
    "verdict.reasons": _WHOLE,
    "verification": "named as whether the run was one",
    "verified": _WHOLE,
    "controlled": _WHOLE,
    "sample.sheared": "a seek has no verdict",
    "geometry.kind": "follows from its name",
    "geometry.serial": "of the geometry; a verification is known by it",
    "geometry.dimensions": "follow from its name",
    "geometry.stirrup": "follows from its name",
    "geometry.vessel": "follows from its name",
    "geometry.fill_volume_mL": "follows from its name",
    "geometry.immersion": "follows from its name",
    "method.title": "follows from method_id",
    "method.choices": "its keys are those of the method",
    "origin.place": "the levels of the topic, which is given as prefix",
    "origin.driver": _WHOLE,
    "origin.driver_digest": _WHOLE,
    "origin.companions": "its keys are those of the bench",
    "origin.journal_digest": _WHOLE,
    "origin.software": _WHOLE,
    "origin.clock_synchronised": _WHOLE,
    "origin.clock_step": _WHOLE,
    "origin.clock_steps": _WHOLE,
}
"""Paths of the model without a short name, with the reason; what is inside them has none either."""
