"""Views of runs, as the daemon sends them to a screen."""

from dataclasses import replace
from typing import Any

from daq.adapters.store.rows import RunRecord
from daq.app.run.live_digits import LiveDigits
from daq.app.run.view import run_view
from daq.app.screens.run_view import ProvisionalValue, RunView, StepShown, TemperatureGate
from daq.core.remarks import WrittenRemark
from daq.core.ruleprogress import RuleProgress
from daq.core.torqueband import TorqueBand
from daq.testing.bench import Bench

MEASURING = RunView(
    run="3f2a91bc-0000-4000-8000-000000000001",
    instrument="bench-2",
    method="white-glaze-flow-curve 1",
    sample="WG-1042",
    simulated=True,
    state="measuring",
    run_s=135.4,
    stage_s=15.0,
    step=StepShown(number=3, of=9, name="up-10", speed=10.0),
    signals={
        "torque": 45.23,
        "speed": 10.003,
        "temperature": 25.04,
        "thermo-1.temperature": 25.02,
        "torque_abs": 452.3,
        "viscosity": 812.43,
    },
    units={
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
    band=TorqueBand("torque", "%", 10.0, 100.0, 110.0),
    temperature=TemperatureGate("thermo-1.temperature", 24.7, 25.3),
    value=ProvisionalValue(name="viscosity", value=812.43, unit="mPa.s", quality="Good", n=100, span_s=30.0),
    rules=(RuleProgress("elapsed ≥ 20 s", "above", False, "elapsed", 15.0, 20.0, 0.75, False),),
    motor="turning",
)


def changed(view: RunView = MEASURING, *, signals: Any = None, **changes: Any) -> RunView:
    return replace(view, signals=view.signals | (signals or {}), **changes)


def saturated() -> RunView:
    return changed(
        faults={"saturated": ()},
        advice=(WrittenRemark("x", {}, "the torque is at least 110 %; 6 min⁻¹ should give at most 55 %"),),
        signals={"torque": None, "torque_abs": None, "viscosity": None},
        value=ProvisionalValue(
            name="viscosity",
            value=None,
            unit="mPa.s",
            quality="Bad",
            n=3,
            reasons=(WrittenRemark("x", {}, "the sensor is at its stop: the true value is beyond the range"),),
        ),
    )


def too_little() -> RunView:
    return changed(
        signals={"torque": 6.21, "viscosity": 111.5},
        value=ProvisionalValue(
            name="viscosity",
            value=111.5,
            unit="mPa.s",
            quality="Uncertain_SensorNotAccurate",
            n=100,
            reasons=(WrittenRemark("x", {}, "the mean torque is below the usable band: 6.2 % of full scale"),),
        ),
    )


def result(**changes: Any) -> dict[str, Any]:
    """Return `ResultData` as a dict, with the keys that a screen reads."""
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
            "set_speed": 10.0,
            "speed": 10.003,
            "torque_percent": 45.23,
            "torque": 452.3,
            "stress": 8.1,
            "shear_rate": 10.02,
            "temperature": 25.02,
            "temperatures": {},
        },
        "verdict": {
            "verdict": "within",
            "rounding": "rounded",
            "acceptance": "simple_acceptance",
            "risk_of_false_acceptance": 0.0123,
            "compared": "812",
            "limits": [
                {
                    "quantity": "viscosity",
                    "low": 700.0,
                    "high": 900.0,
                    "unit": "mPa.s",
                    "applies_at": {"speed": 10.0},
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


def view_of(bench: Bench, digits: LiveDigits | None = None, before: RunView | None = None) -> RunView:
    """Return the view of a run in memory; `before` is an earlier one, whose value is kept."""
    record = RunRecord(
        id="r",
        instrument=bench.plan.lead.name,
        sample="S-1",
        method_id=bench.plan.method,
        method_version=bench.plan.version,
        method_digest=bench.plan.digest,
        operator="m.keeper",
        simulated=True,
        began_utc_ns=0,
    )
    now, digits = bench.clock.mono_ns(), digits or LiveDigits(bench.plan)
    return run_view(record, bench.pipeline, now, lambda _: (), digits, (), before=before)
