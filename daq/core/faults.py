"""Table of all faults: whether the value stays a number or becomes null, and its quality.

Quality names are the status codes of OPC UA Part 8 (Data Access), written as in the
specification.  The part before the underscore is the class: Good, Uncertain, Bad.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from daq.core.arguments import require_count


class Quality(StrEnum):
    """OPC UA Part 8 status codes used here, best first within a class."""

    GOOD = "Good"
    UNCERTAIN = "Uncertain"
    UNCERTAIN_SUBNORMAL = "Uncertain_SubNormal"
    UNCERTAIN_UNITS_EXCEEDED = "Uncertain_EngineeringUnitsExceeded"
    UNCERTAIN_NOT_ACCURATE = "Uncertain_SensorNotAccurate"
    BAD = "Bad"
    BAD_SENSOR_FAILURE = "Bad_SensorFailure"
    BAD_DEVICE_FAILURE = "Bad_DeviceFailure"
    BAD_NO_COMMUNICATION = "Bad_NoCommunication"
    BAD_NOT_CONNECTED = "Bad_NotConnected"

    @property
    def severity(self) -> int:
        """0 for Good, 1 for Uncertain, 2 for Bad."""
        return ("Good", "Uncertain", "Bad").index(self.value.partition("_")[0])


ANNULLED: Final = "annulled"
"""Fault of every value of a run that a person annulled."""

#: Status codes by their names in OPC UA (Part 4, section 7.39; the numbers are those of its published list).
STATUS_CODES: Final = {
    Quality.GOOD: 0x00000000,
    Quality.UNCERTAIN: 0x40000000,
    Quality.UNCERTAIN_NOT_ACCURATE: 0x40930000,
    Quality.UNCERTAIN_UNITS_EXCEEDED: 0x40940000,
    Quality.UNCERTAIN_SUBNORMAL: 0x40950000,
    Quality.BAD: 0x80000000,
    Quality.BAD_NO_COMMUNICATION: 0x80310000,
    Quality.BAD_NOT_CONNECTED: 0x808A0000,
    Quality.BAD_DEVICE_FAILURE: 0x808B0000,
    Quality.BAD_SENSOR_FAILURE: 0x808C0000,
}


@dataclass(frozen=True, slots=True)
class Treatment:
    """Effect of a fault on a value: the number is kept or replaced by null; its quality; a sentence for a person."""

    keeps_value: bool
    quality: Quality
    sentence: str


FAULTS: Final[dict[str, Treatment]] = {
    # faults of one reading
    "saturated": Treatment(False, Quality.BAD, "the sensor is at its stop: the true value is beyond the range"),
    "not_a_number": Treatment(False, Quality.BAD, "the instrument sent no finite number"),
    "probe": Treatment(False, Quality.BAD_SENSOR_FAILURE, "the temperature probe reports a fault"),
    "blocked": Treatment(False, Quality.BAD_DEVICE_FAILURE, "the instrument reports that its motor does not turn"),
    "beyond_range": Treatment(True, Quality.UNCERTAIN_UNITS_EXCEEDED, "the value is outside the channel's range"),
    "over_range": Treatment(False, Quality.BAD, "the instrument reports that the true value is above its range"),
    "under_range": Treatment(False, Quality.BAD, "the instrument reports that the true value is below its range"),
    "sensor": Treatment(False, Quality.BAD_SENSOR_FAILURE, "the instrument reports a fault of its sensor"),
    "unsteady": Treatment(True, Quality.UNCERTAIN, "the instrument reports that the value is not steady yet"),
    "calibration_overdue": Treatment(
        True, Quality.UNCERTAIN_NOT_ACCURATE, "the instrument reports that its calibration is overdue"
    ),
    "instrument_error": Treatment(True, Quality.UNCERTAIN, "the instrument reports an error"),
    "undefined": Treatment(False, Quality.BAD, "the quantity is not defined at this point (division by zero)"),
    "unasked": Treatment(
        True, Quality.UNCERTAIN, "the instrument sends readings unasked: a reading may be older than its request"
    ),
    # faults of a link
    "silent": Treatment(False, Quality.BAD_NO_COMMUNICATION, "the instrument has not answered for too long"),
    "link_down": Treatment(False, Quality.BAD_NOT_CONNECTED, "the connection to the instrument is lost"),
    # bands and conditions of a span
    "no_readings": Treatment(False, Quality.BAD_NO_COMMUNICATION, "the span holds no reading"),
    "below_band": Treatment(True, Quality.UNCERTAIN_NOT_ACCURATE, "the mean torque is below the usable band"),
    "against_rotation": Treatment(
        False, Quality.BAD, "the torque is against the rotation: check the zero and the direction of the rotor"
    ),
    "above_band": Treatment(True, Quality.UNCERTAIN_NOT_ACCURATE, "the mean torque is above the usable band"),
    "cut_short": Treatment(True, Quality.UNCERTAIN_SUBNORMAL, "the span is shorter than the method asks for"),
    "readings_missing": Treatment(True, Quality.UNCERTAIN_SUBNORMAL, "readings are missing inside the span"),
    "readings_late": Treatment(
        True, Quality.UNCERTAIN_SUBNORMAL, "readings from before the span arrived late, inside it"
    ),
    "no_interval": Treatment(
        True, Quality.UNCERTAIN_SUBNORMAL, "the method requires an interval, and the value has none"
    ),
    "keys_used": Treatment(True, Quality.UNCERTAIN, "the instrument's own keys were used during the run"),
    "off_speed": Treatment(True, Quality.UNCERTAIN, "the speed left its tolerance inside the span"),
    "speed_unknown": Treatment(True, Quality.UNCERTAIN, "the speed was not known inside the whole span"),
    "zero_off": Treatment(
        True,
        Quality.UNCERTAIN,
        "the torque at rest before the run was not that of a zero, nor one that a sample holds: the sensor may be "
        "stuck or touched, or its zero may be off",
    ),
    "torque_stuck": Treatment(
        True, Quality.UNCERTAIN, "the torque was exactly the same at different speeds: the sensor may be stuck"
    ),
    "torque_too_quiet": Treatment(
        True,
        Quality.UNCERTAIN,
        "the torque had far less noise while the motor turned than at rest: the sensor may be stuck, or go no further",
    ),
    "torque_frozen": Treatment(
        True,
        Quality.UNCERTAIN,
        "the torque was noisy and does not change any more: its sensor may be stuck",
    ),
    "outlying_readings": Treatment(
        True, Quality.UNCERTAIN, "a few readings far from all others decide the value: a transient or a disturbance"
    ),
    "torque_jumped": Treatment(
        True,
        Quality.UNCERTAIN,
        "the torque jumped inside the span between two levels: the sample or the rotor may have slipped, or the range "
        "of the instrument changed",
    ),
    "torque_clipped": Treatment(
        True, Quality.UNCERTAIN, "the torque is cut off at one value inside the band: its sensor may go no further"
    ),
    "off_temperature": Treatment(True, Quality.UNCERTAIN, "the temperature left the method's band inside the span"),
    "no_temperature": Treatment(
        True, Quality.UNCERTAIN, "the temperature the method asks for was not known inside the span"
    ),
    "probe_suspect": Treatment(
        True, Quality.UNCERTAIN, "the temperature probe reported a fault inside the span, or stopped to answer"
    ),
    "off_limit_temperature": Treatment(
        True,
        Quality.UNCERTAIN,
        "the temperature was outside the band of the product's limits, and the method has no condition for it",
    ),
    "limit_temperature_unknown": Treatment(
        True,
        Quality.UNCERTAIN,
        "the product's limits apply at a temperature, and the temperature was not known inside the span",
    ),
    "not_steady": Treatment(True, Quality.UNCERTAIN, "the value still drifts, and the claim is an equilibrium"),
    "verification_failed": Treatment(True, Quality.UNCERTAIN, "the instrument failed its last verification"),
    "verification_overdue": Treatment(True, Quality.UNCERTAIN, "the instrument's verification is overdue"),
    "control_missing": Treatment(True, Quality.UNCERTAIN, "the control of the shift was not measured"),
    "control_failed": Treatment(True, Quality.UNCERTAIN, "the last control failed"),
    "control_not_judged": Treatment(True, Quality.UNCERTAIN, "the last control was not judged"),
    "control_expired": Treatment(
        True,
        Quality.UNCERTAIN,
        "the control was not measured in this shift, or not since the measuring geometry was fitted",
    ),
    "calibration_past_due": Treatment(True, Quality.UNCERTAIN_NOT_ACCURATE, "a calibration is overdue"),
    "peak_not_passed": Treatment(
        True, Quality.UNCERTAIN, "the value did not fall again after the greatest one: the peak may be higher"
    ),
    "peak_before_first": Treatment(
        True, Quality.UNCERTAIN, "the first value is the greatest one: the peak may lie before it, and be higher"
    ),
    "peak_not_covered": Treatment(
        True,
        Quality.UNCERTAIN,
        "values are missing along the step: a higher peak may lie where they are missing",
    ),
    "event_may_be_earlier": Treatment(
        True, Quality.UNCERTAIN, "values were missing before the event, or in its hold: it may have been earlier"
    ),
    "already_met": Treatment(False, Quality.BAD, "the event lay before the first reading: its time is not known"),
    "vortices": Treatment(
        True, Quality.UNCERTAIN, "the flow is beyond the onset of Taylor vortices: the value is too high"
    ),
    "another_instrument": Treatment(
        False, Quality.BAD, "another instrument answered than the one the run started with"
    ),
    "identity_unknown": Treatment(
        True, Quality.UNCERTAIN, "the instrument did not answer at the end of the run when it was asked who it is"
    ),
    "interrupted": Treatment(False, Quality.BAD, "the run was interrupted before its end"),
    "torque_limit": Treatment(False, Quality.BAD, "the torque reached its limit, and the motor was stopped"),
    "incomplete": Treatment(False, Quality.BAD, "the run ended before the method's stop rule was met"),
    "threshold_not_met": Treatment(False, Quality.BAD, "the event the method waits for did not happen"),
    # decisions of a person
    "verification_failed_later": Treatment(
        True, Quality.UNCERTAIN, "a verification of the instrument failed after the run"
    ),
    "verification_withdrawn_later": Treatment(
        True, Quality.UNCERTAIN, "the verification that the run relied on does not count as passed any more"
    ),
    "control_failed_later": Treatment(True, Quality.UNCERTAIN, "a control of the instrument failed after the run"),
    "control_withdrawn_later": Treatment(
        True, Quality.UNCERTAIN, "the control that the run relied on does not count as passed any more"
    ),
    "calibration_outside_later": Treatment(
        True, Quality.UNCERTAIN, "a calibration after the run found equipment that it used outside of its tolerance"
    ),
    ANNULLED: Treatment(False, Quality.BAD, "the run was annulled"),
}


CHECKED_SINCE: Final[dict[int, tuple[str, ...]]] = {
    2: (
        "speed_unknown",
        "zero_off",
        "torque_stuck",
        "torque_frozen",
        "torque_clipped",
        "outlying_readings",
        "peak_not_covered",
        "peak_before_first",  # also where the intervals before it end before the settling time
        "event_may_be_earlier",
        "verification_doubtful",
        "torque_at_rest_unexplained",
        "component_zero",  # of a zero that the torque's error cannot contain
        "readings_missing",  # not where the phase of the span explains it
    ),
    3: (
        "torque_too_quiet",
        "no_temperature",  # of a companion whose newest reading no longer counts at the end of the span, or still does
        "silent",  # the same inside the span
    ),
    4: ("no_temperature",),  # not where a companion's reading from before the step still counts
    5: (
        "off_speed",  # not where a speed is on the edge of its tolerance as a decimal number
        "off_temperature",  # the same for the edge of the band
        "below_band",
        "above_band",
        "against_rotation",
        "torque_stuck",  # also where the mean of equal readings has a rounding error
        "peak_not_covered",  # also where the greatest reading is that of a part of the step
    ),
    6: (
        "torque_jumped",
        "readings_late",
        "control_outside",  # not where the value is on the edge of a limit as a decimal number
        "limit_needs_temperature",  # not where the last reading before the span still counts
        "level_without_temperature",  # the same
        "correction_without_temperature",  # the same
        "level_doubtful",  # also where the probe had a fault inside the span, or at its last reading before that counts
        "correction_needs_sound_temperature",
        "level_outside",  # not where the value is on the edge of the band as a decimal number
        "level_outside_certificate",  # not where the temperature is on the edge of the table as a decimal number
        "temperature_effect_unknown",  # the same
        "outside_temperature_curve",  # the same for the edge of the curve
    ),
}
"""Codes by the number of the checks that added them, or changed their rule; all others are of number 1.

A header has the number of its daq, so that replay knows which doubts a run could not have.  A new code, or a rule that
doubts more or less, gets a new number: `tests/records/test_checks_of_older_runs.py` holds the table of all codes.
"""
CHECKS: Final = max(CHECKED_SINCE)
"""Number of the checks of this daq."""
DECIMAL_LIMITS: Final = 4
"""Number of the checks since which values and conditions are compared with limits as decimal numbers.

Before, a number on the edge of a limit could be outside of it by a rounding error of binary arithmetic.
"""
DECIMAL_MEANS: Final = 5
"""Number of the checks since which a mean is rounded as a decimal number, and readings without scatter count as equal.

Before, the mean of equal readings, which may have a rounding error, could be rounded to the other neighbour of a half.
"""
DECIMAL_EDGES: Final = 6
"""Number of the checks since which starts of steps, controls, verifications and curves are compared as decimals.

Before, a speed on the edge of its tolerance might never count as reached, and a control on a limit, a level on the edge
of its band or a temperature on the edge of a certificate or of a product's curve could be outside of it.
"""
LAST_TEMPERATURES: Final = 6
"""Number of the checks since which a span without a reading of the temperature has its last one before the span."""
SOUND_TEMPERATURES: Final = 6
"""Number of the checks since which a level of a verification and a correction need a probe without a fault."""
RULES_CHANGED: Final = (DECIMAL_LIMITS, DECIMAL_MEANS, DECIMAL_EDGES)
"""Numbers that changed a rule by which a result is concluded from its facts."""


def codes_after(checks: int) -> frozenset[str]:
    """Return the codes that a daq with the number `checks` may not have given where this one does, or the reverse.

    A header without a number (0) is of number 1 or 2.
    """
    require_count("checks", checks, 0)
    return frozenset(code for number, codes in CHECKED_SINCE.items() if number > checks for code in codes)


def worst(faults: "tuple[str, ...] | list[str]") -> Quality:
    """Return the quality of a value under all of `faults`: the most severe; among equals, that of the first."""
    quality = Quality.GOOD
    for name in faults:
        candidate = FAULTS[name].quality
        if candidate.severity > quality.severity:
            quality = candidate
    return quality


def publishable(value: float | None, faults: "tuple[str, ...] | list[str]") -> float | None:
    """Return `value`, or None where any of `faults` forbids a number."""
    if any(not FAULTS[name].keeps_value for name in faults):
        return None
    return value
