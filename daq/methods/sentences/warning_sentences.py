"""Warnings of a plan: the run is possible, but its value may not be what it is taken for."""

from typing import Final

from daq.methods.sentences.kinds import COUNT, NAME, SECONDS, SPEED, TERM, TURNS, Sentence, number, quantity, sentence

SENTENCES: Final[dict[str, Sentence]] = {
    "measured_without_product": sentence(
        "the method {method} is made for products, and the run names none: its result has no limits and counts for no "
        "product",
        method=NAME,
    ),
    "measured_anyway": sentence(
        "the run was ordered although its result cannot be comparable with the limits of {product}", product=NAME
    ),
    "control_not_passed": sentence(
        "the result will be Uncertain: the control {fluid} of this shift has not passed on {instrument}"
        "[ with {geometry}] ({control})",
        fluid=NAME, instrument=NAME, geometry=NAME, control=TERM,
    ),
    "companion_not_connected": sentence(
        "the companion {role} ({instrument}) is not connected; the run does without it", role=NAME, instrument=NAME
    ),
    "peak_not_followed": sentence(
        "step {step}: no values are kept along it, so the last reading alone decides whether the peak was passed; add "
        "a keep with at = 'every'",
        step=NAME,
    ),
    "vane_too_fast": sentence(
        "step {step}: {speed} is fast for a vane; turn it at {fastest} at most (common practice), so that the sample "
        "yields before it flows",
        step=NAME, speed=SPEED, fastest=SPEED,
    ),
    "gap_narrow_for_particles": sentence(
        "the gap of {geometry} is {gap}, less than {times#} times the largest particle of {particle}: particles may "
        "jam, and the value depends on the gap; fit a measuring geometry with a gap of at least {needed} (common "
        "practice)",
        geometry=NAME, gap=quantity("mm", ".3g"), times=number(), particle=quantity("mm"), needed=quantity("mm", "g"),
    ),
    "calibrated_constant_differs": sentence(
        "the calibration left {constant} of {piece} at {left}, and the file has {used}, which the values of this run "
        "use; change the file, or record why not",
        piece=NAME, constant=NAME, left=NAME, used=NAME,
    ),
    "calibrated_constant_missing": sentence(
        "the calibration left {constant} of {piece} at {left}, and the file does not state it",
        piece=NAME, constant=NAME, left=NAME,
    ),
    "certificate_expired": sentence(
        "{fluid}: the certificate {certificate} of lot {lot} held until {expires}",
        fluid=NAME, certificate=NAME, lot=NAME, expires=NAME,
    ),
    "filter_not_settled": sentence(
        "step {step}: {instrument} follows a change with a time constant of {time_constant}, and settle is {settle}; "
        "after {constants} time constants 1 % of the change is left: use at least '{needed}', or a stop rule on "
        "steadiness",
        step=NAME, instrument=NAME, time_constant=SECONDS, settle=quantity("s", "g"), constants=number(),
        needed=quantity("s", "g"),
    ),
    "readings_of_one_measurement": sentence(
        "step {step}: {instrument} is asked every {interval}: its {readings} readings are of one and the same thing "
        "and take {lasting}; where each must be a measurement of its own, printed by the instrument's key, its driver "
        "must only listen (see the table options in its file)",
        step=NAME, instrument=NAME, interval=SECONDS, readings=COUNT, lasting=quantity("s", "g"),
    ),
    "spring_unwinding": sentence(
        "step {step}: settle is {settle#} revolutions, but after {before} the spring unwinds for {needed#} revolutions "
        "until 1 % is left, which would be taken for thixotropy; use at least '{needed}'",
        step=NAME, settle=quantity("{rev}", ".2g"), before=SPEED, needed=quantity("{rev}", "g"),
    ),
    "spring_winding_up": sentence(
        "step {step}: settle is {settle#} revolutions, but the torque sensor winds up for {needed#} revolutions until "
        "1 % is missing; use at least '{needed}'",
        step=NAME, settle=quantity("{rev}", ".2g"), needed=quantity("{rev}", "g"),
    ),
    "span_shorter_than_turn": sentence(
        "step {step}: a span of {span} is {turns#} of a revolution at {speed}; it does not average out the rotor's "
        "ripple: use at least {needed} or '1 rev'",
        step=NAME, span=SECONDS, turns=quantity("{rev}", ".2g"), speed=SPEED, needed=quantity("s", "g"),
    ),
    "span_below_one_turn": sentence(
        "step {step}: a span of {turns#} revolutions does not average out the rotor's ripple; use at least 1",
        step=NAME, turns=TURNS,
    ),
}  # fmt: skip
