"""Statements of every topic with their English sentences."""

from daq.methods.parts.statement import state

ENGLISH = [
    (state("no_limits"), "the product has no limits"),
    (state("below_band", torque=8.04), "the mean torque is below the usable band: 8.0 % of full scale"),
    (state("below_band"), "the mean torque is below the usable band"),
    (state("above_limit", value=950.0, limit=900.0, unit="mPa.s"), "950 mPa·s is above 900 mPa·s"),
    (
        state("above_limit", value=956.7891, limit=900.0, unit="mPa.s", expanded=17.4),
        "957 mPa·s ± 17 mPa·s is above 900 mPa·s",
    ),
    (state("above_limit", value=956.7891, limit=900.0, unit="mPa.s", expanded=174.0), "960 mPa·s ± 170 mPa·s is above 900 mPa·s"),
    (
        state("parameter_not_resolved", parameter="tau_y", value=2.6461, interval=1.7341, neutral=0.0),
        "tau_y = 2.6 ± 1.7 (98 %) cannot be distinguished from 0: the uncertainty of the instrument and the scatter "
        "explain the difference",
    ),
    (state("limit_at_other_speed", wanted=12.0, speed=30.0), "the limit applies at 12 min⁻¹, measured at 30 min⁻¹"),
    (state("limit_at_other_speed", wanted=12.0), "the limit applies at 12 min⁻¹"),
    (
        state("limit_at_other_temperature", wanted=20.0, band=0.3, temperature=25.0),
        "the limit applies at 20 ± 0.3 °C, measured at 25.00 °C",
    ),
    (
        state("limit_of_other_quantity", limited="viscosity", quantity="apparent_viscosity"),
        "the limit is for viscosity, the result is apparent viscosity",
    ),
    (state("rule_above", signal="elapsed", limit=60.0, unit="s"), "elapsed ≥ 60 s"),
    (state("rule_between", signal="temperature", low=24.5, high=25.0, unit="Cel", hold=10.0), "temperature 24.5 to 25 °C for 10 s"),
    (state("rule_steady", signal="viscosity", limit=1.0, unit="%", span=20.0), "viscosity steady within 1 % over 20 s"),
    (
        state("temperature_not_in_band", signal="temperature", low=24.8, high=25.2, longest=120.0),
        "temperature did not stay within 24.8 to 25.2 °C in 120 s",
    ),
    (
        state("torque_at_stop", limit=110.0, unit="%", speed=60.0),
        "the torque reached its limit of 110 %: the sensor is at its stop at 60 min⁻¹",
    ),
    (state("connection_lost", instrument="bench-1", detail="cable pulled"), "the connection to bench-1 was lost: cable pulled"),
    (state("still_changing", rate=-7.5, unit="%"), "the value was still changing by -7.5 % per minute: it is the value at this time"),
    (
        state("identity_not_asked", instruments=("bench-1", "thermo-1")),
        "identity not asked: bench-1, thermo-1 cannot be asked for a serial number",
    ),
    (
        state(
            "other_speed", beyond=110.0, speed=60.0, value_at_least=791.571, unit="mPa.s", new_speed=30.0,
            expected_least=55.0, index=1.0, limit_speeds=(12.0, 6.0),
        ),
        "the torque is beyond 110 % at 60 min⁻¹; the value is at least 792 mPa·s; 30 min⁻¹ should give at least 55 % "
        "(flow behaviour index 1). The method allows it; compare only with results at this speed. The product's limits "
        "apply at 12 or 6 min⁻¹: they cannot be compared with the result",
    ),
    (
        state("speed_not_comparable", torque=6.0, low=10.0, speed=10.0, about=83.33, assumed_index=1.0),
        "the torque is 6.0 % at 10 min⁻¹, below 10 %; about 83.3 min⁻¹ would bring it to the middle of the band (a "
        "Newtonian sample assumed, flow behaviour index 1), but the method does not allow that speed: the result will "
        "not be comparable",
    ),
    (
        state("readings_missing", readings=280, span=30.0),
        "readings are missing inside the span: 280 readings over 30 s",
    ),
    (
        state("mean_of_results", results=2, spread=0.2, limit=0.255, unit="Pa.s"),
        "mean of 2: their range 0.2 Pa·s is within 0.255 Pa·s",
    ),
    (
        state("silent", instrument="thermo-1", seconds=3.0),
        "the instrument has not answered for too long: thermo-1, for 3 s",
    ),
    (state("link_down", instrument="thermo-1", detail="pulled"), "the connection to the instrument is lost: thermo-1: pulled"),
    (
        state("threshold_not_met", rule="torque ≥ 99 %", step="one"),
        "the event the method waits for did not happen: torque ≥ 99 % in step one; no value was taken",
    ),
    (state("sheared", seconds=10.0, speed=60.0), "pre-sheared for 10 s at 60 min⁻¹"),
    (state("refused", instrument="bench-1", action="turn", detail="range"), "bench-1 refused 'turn': range"),
    (state("no_identity", instrument="thermo-1", detail="no answer"), "thermo-1 does not answer with its serial number: no answer"),
    (state("store_fault", detail="disk full"), "the readings cannot be stored: disk full"),
    (
        state("not_concluded", detail="ValueError"),
        "the result could not be computed; it is computed again after the run: ValueError",
    ),
]  # fmt: skip
