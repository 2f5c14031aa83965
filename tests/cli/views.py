"""Views of runs at the glaze works, as the daemon sends them."""

from copy import deepcopy
from typing import Any

MEASURING: dict[str, Any] = {
    "run": "3f2a91bc-0000-4000-8000-000000000001",
    "instrument": "bench-2",
    "method": "white-glaze-flow-curve 1",
    "sample": "WG-1042",
    "simulated": True,
    "caution": "",
    "state": "measuring",
    "run_s": 135.4,
    "stage_s": 15.0,
    "step": {"number": 3, "of": 9, "name": "up-12", "speed": 12.0},
    "signals": {
        "torque": 45.23,
        "speed": 12.003,
        "temperature": 25.04,
        "thermo-1.temperature": 25.02,
        "torque_abs": 452.3,
        "viscosity": 812.43,
    },
    "units": {
        "torque": "%",
        "speed": "/min",
        "temperature": "Cel",
        "thermo-1.temperature": "Cel",
        "torque_abs": "uN.m",
        "viscosity": "mPa.s",
        "elapsed": "s",
        "readings": "1",
        "revolutions": "{rev}",
    },
    "decimals": {},
    "faults": [],
    "faulty": {},
    "band": {"signal": "torque", "unit": "%", "low": 10.0, "high": 100.0, "limit": 110.0},
    "temperature": {"signal": "thermo-1.temperature", "low": 24.7, "high": 25.3},
    "value": {"name": "viscosity", "value": 812.43, "unit": "mPa.s", "quality": "Good", "n": 100, "reasons": []},
    "rules": [
        {
            "rule": "elapsed ≥ 20 s",
            "kind": "above",
            "relative": False,
            "signal": "elapsed",
            "value": 15.0,
            "limit": 20.0,
            "near": 0.75,
            "met": False,
        }
    ],
    "advice": [],
    "notes": [],
    "motor": "turning",
    "result": None,
}


def changed(**changes: Any) -> dict[str, Any]:
    return deepcopy(MEASURING) | changes


def saturated() -> dict[str, Any]:
    view = changed(faults=["saturated"], advice=["the torque is at least 110 %; 6 min⁻¹ should give at most 55 %"])
    view["signals"] |= {"torque": None, "torque_abs": None, "viscosity": None}
    view["value"] = {
        "name": "viscosity",
        "value": None,
        "unit": "mPa.s",
        "quality": "Bad",
        "n": 3,
        "reasons": ["the sensor is at its stop: the true value is beyond the range"],
    }
    return view


def too_little() -> dict[str, Any]:
    view = changed()
    view["signals"] |= {"torque": 6.21, "viscosity": 111.5}
    view["value"] = {
        "name": "viscosity",
        "value": 111.5,
        "unit": "mPa.s",
        "quality": "Uncertain_SensorNotAccurate",
        "n": 100,
        "reasons": ["the mean torque is below the usable band: 6.2 % of full scale"],
    }
    return view


def result(**changes: Any) -> dict[str, Any]:
    """`ResultData` as a dict, as far as a screen looks at it."""
    data: dict[str, Any] = {
        "simulated": True,
        "sample": {"id": "WG-1042", "product": "white-glaze"},
        "quantity": "viscosity",
        "value": 812.43,
        "unit": "mPa.s",
        "reported": "812",
        "quality": "Good",
        "validity": "valid",
        "reasons": [],
        "outcome": "complete",
        "uncertainty": {"expanded": 18.2, "k": 1.98, "coverage": 0.95},
        "conditions": {
            "set_speed": 12.0,
            "speed": 12.003,
            "torque_percent": 45.23,
            "torque": 452.3,
            "stress": 8.1,
            "shear_rate": 10.02,
            "temperature": 25.02,
            "temperatures": {},
        },
        "verdict": {
            "verdict": "within",
            "decision_rule": "rounded",
            "compared": "812",
            "limits": [
                {
                    "quantity": "viscosity",
                    "low": 700.0,
                    "high": 900.0,
                    "unit": "mPa.s",
                    "binds_to": {"speed": 12.0},
                    "verdict": "within",
                    "reasons": [],
                }
            ],
            "reasons": [],
        },
        "method": {"id": "white-glaze-flow-curve", "version": "1"},
        "advice": [],
        "warnings": [],
    }
    return data | changes
