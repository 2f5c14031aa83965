"""A result for example pages, with a reason, an uncertainty and a stop."""

from daq.methods.parts.statement import state
from tests.support.views import result

RESULT = result(
    motor="still",
    reasons=[state("below_band", torque=8.04).model_dump(mode="json")],
    uncertainty={
        "expanded": 18.2,
        "k": 1.98,
        "coverage": 0.95,
        "trials": None,
        "reasons": [],
        "left_out": [],
        "components": [],
    },
    origin={"serial": "R-1042"},
    geometry={"name": "coaxial-12", "kind": "coaxial_cylinders", "vessel": "cup 15"},
    span={
        "n": 100,
        "seconds": 30.0,
        "stop_reason": state("rule_above", signal="elapsed", limit=60.0, unit="s").model_dump(mode="json"),
    },
    steps=[],
)
