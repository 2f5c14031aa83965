"""Reasons for which a run or a step ended: stop rules, faults, a person, a seek."""

from typing import Final

from daq.methods.sentences.kinds import (
    COUNT,
    DETAIL,
    EXACT_SPEED,
    NAME,
    SECONDS,
    SPEED,
    TURNS,
    UNIT,
    Kind,
    Sentence,
    measured,
    quantity,
    sentence,
)

_HELD: Final[dict[str, Kind]] = {"hold": SECONDS, "hold_turns": TURNS}
_FOR: Final = "[ for {hold}][ for {hold_turns}]"

SENTENCES: Final[dict[str, Sentence]] = {
    "rule_above": sentence("{signal} ≥ {limit}" + _FOR, signal=NAME, limit=measured(), unit=UNIT, **_HELD),
    "rule_below": sentence("{signal} ≤ {limit}" + _FOR, signal=NAME, limit=measured(), unit=UNIT, **_HELD),
    "rule_between": sentence(
        "{signal} {low#} to {high}" + _FOR, signal=NAME, low=measured(), high=measured(), unit=UNIT, **_HELD
    ),
    "rule_steady": sentence(
        "{signal} steady within {limit} over {span}", signal=NAME, limit=measured(), unit=UNIT, span=SECONDS
    ),
    "rule_named": sentence("{rule}", rule=NAME),
    "stopped_by_person": sentence("the run was stopped by {who}", who=NAME),
    "instrument_not_connected": sentence("{instrument} is not connected", instrument=NAME),
    "identity_not_given": sentence(
        "{instrument} does not say who it is[: {detail}]", instrument=NAME, detail=DETAIL
    ),
    "instrument_exchanged": sentence(
        "{instrument} is not the instrument the run started with[: {detail}]", instrument=NAME, detail=DETAIL
    ),
    "instrument_silent": sentence("{instrument} does not answer any more", instrument=NAME),
    "instrument_not_reached": sentence("an instrument could not be reached[: {detail}]", detail=DETAIL),
    "connection_lost": sentence(
        "the connection to {instrument} was lost[: {detail}]", instrument=NAME, detail=DETAIL
    ),
    "action_not_possible": sentence(
        "{instrument} cannot do what the method asks for[: {detail}]", instrument=NAME, detail=DETAIL
    ),
    "action_failed": sentence(
        "{instrument} did not do '{action}'[: {detail}]", instrument=NAME, action=NAME, detail=DETAIL
    ),
    "temperature_not_in_band": sentence(
        "{signal} did not stay within {low#} to {high} in {longest}",
        signal=NAME, low=quantity("Cel"), high=quantity("Cel"), longest=SECONDS,
    ),
    "stop_not_confirmed": sentence("the motor did not come to rest after the pre-shear"),
    "speed_not_confirmed": sentence("the speed was not confirmed within {longest}", longest=SECONDS),
    "no_rule_met": sentence("step {step}: no stop rule was met within {longest}", step=NAME, longest=SECONDS),
    "torque_limit_reached": sentence(
        "the torque reached its limit of {limit}: the reading is {torque}[ at {speed}]",
        limit=measured(), torque=measured(), unit=UNIT, speed=EXACT_SPEED,
    ),
    "torque_at_stop": sentence(
        "the torque reached its limit of {limit}: the sensor is at its stop[ at {speed}]",
        limit=measured(), unit=UNIT, speed=EXACT_SPEED,
    ),
    "seek_try": sentence("{torque} at {speed}", torque=measured(".1f"), unit=UNIT, speed=EXACT_SPEED),
    "seek_without_torque": sentence("no torque could be read at {speed}", speed=EXACT_SPEED),
    "seek_no_speed_left": sentence(
        "no speed from {slowest#} to {fastest} brings the torque to {low#} to {high}; the last try gave {torque} at "
        "{speed}",
        slowest=SPEED, fastest=SPEED, low=measured(), high=measured(), torque=measured(".1f"), unit=UNIT,
        speed=EXACT_SPEED,
    ),
    "seek_too_many_tries": sentence(
        "{tries} tries did not bring the torque to {low#} to {high}; the last try gave {torque} at {speed}",
        tries=COUNT, low=measured(), high=measured(), torque=measured(".1f"), unit=UNIT, speed=EXACT_SPEED,
    ),
    "store_failed": sentence("the store cannot take readings[: {detail}]", detail=DETAIL),
    "daemon_ended": sentence("the daemon ended while the run was under way"),
    "run_not_ended": sentence("the run did not come to an end"),
    "software_fault": sentence("fault of the software: {detail}", detail=DETAIL),
}  # fmt: skip
