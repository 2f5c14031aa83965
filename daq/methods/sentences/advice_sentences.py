"""Advice: another speed or measuring geometry, where the torque is off range."""

from typing import Final

from daq.methods.sentences.kinds import (
    ALTERNATIVES,
    EXACT_SPEED,
    NAME,
    PERCENT,
    SPEED,
    TORQUE,
    UNIT,
    Kind,
    Sentence,
    measured,
    number,
    quantities,
    quantity,
    sentence,
)

_SITUATION: Final[dict[str, Kind]] = {
    "beyond": PERCENT,
    "value_at_least": measured(".3g"),
    "unit": UNIT,
    "torque": TORQUE,
    "low": PERCENT,
    "high": PERCENT,
    "speed": EXACT_SPEED,
}
_SO: Final = (
    "[the torque is beyond {beyond}][the torque is {torque}] at {speed}[, below {low}][, above {high}]"
    "[; the value is at least {value_at_least}]; "
)
_EXPECTED: Final[dict[str, Kind]] = {
    "expected": quantity("%", ".0f"),
    "expected_least": quantity("%", ".0f"),
}
_INDEX: Final[dict[str, Kind]] = {"index": number("g"), "assumed_index": number()}
_BY: Final = "[ (flow behaviour index {index})][ (a Newtonian sample assumed, flow behaviour index {assumed_index})]"
_SHOULD: Final = "[ should give {expected}][ should give at least {expected_least}]"
_ABOUT: Final[dict[str, Kind]] = {"about": quantity("/min", ".3g"), "at_most": quantity("/min", ".3g")}

SENTENCES: Final[dict[str, Sentence]] = {
    "no_torque": sentence(
        "the torque at {speed} is not above zero: check that the rotor is immersed and the zero is right, then choose "
        "a higher speed or a larger rotor",
        speed=EXACT_SPEED,
    ),
    "other_speed": sentence(
        _SO + "{new_speed}" + _SHOULD + _BY + ". The method allows it; compare only with results at this speed"
        "[. The product's limits apply at {limit_speeds}: they cannot be compared with the result]",
        new_speed=SPEED, limit_speeds=quantities("/min"), **_SITUATION, **_EXPECTED, **_INDEX,
    ),
    "other_geometry": sentence(
        _SO + "{geometry}" + _SHOULD + " at the same speed" + _BY + ". Compare only with results of this measuring "
        "geometry[. The product's limits apply to {limit_geometries}: they cannot be compared with the result]",
        geometry=NAME, limit_geometries=ALTERNATIVES, **_SITUATION, **_EXPECTED, **_INDEX,
    ),
    "start_seek_at": sentence(
        _SO + "start the seek at[ about {about}][ at most {at_most}]" + _BY, **_ABOUT, **_SITUATION, **_INDEX
    ),
    "speed_not_comparable": sentence(
        _SO + "[about {about}][at most {at_most}] would bring it to the middle of the band" + _BY
        + ", but the method does not allow that speed: the result will not be comparable",
        **_ABOUT, **_SITUATION, **_INDEX,
    ),
    "higher_torque_needed": sentence(
        _SO + "[{needed} would be needed: the highest speed of this instrument is {highest}; ][no speed up to "
        "{fastest} is enough; ]use a measuring geometry that gives a higher torque",
        needed=quantity("/min", ".3g"), highest=SPEED, fastest=SPEED, **_SITUATION,
    ),
    "fit_geometry": sentence(
        "the torque is {torque} at {speed}[ with {fitted}]; fit {geometry}: {expected} is expected at {new_speed} "
        "(flow behaviour index {index})",
        torque=TORQUE, speed=EXACT_SPEED, fitted=NAME, geometry=NAME, expected=quantity("%", ".0f"), new_speed=SPEED,
        index=number(".2g"),
    ),
    "no_geometry_gives_more": sentence(
        "the torque is {torque} at {speed}[ with {fitted}]; no other measuring geometry of this instrument serves at "
        "{slowest#} to {fastest}: use one that gives a higher torque",
        torque=TORQUE, speed=EXACT_SPEED, fitted=NAME, slowest=SPEED, fastest=SPEED,
    ),
    "no_geometry_gives_less": sentence(
        "the torque is {torque} at {speed}[ with {fitted}]; no other measuring geometry of this instrument serves at "
        "{slowest#} to {fastest}: use one that gives a lower torque",
        torque=TORQUE, speed=EXACT_SPEED, fitted=NAME, slowest=SPEED, fastest=SPEED,
    ),
}  # fmt: skip
