"""Faults of a value, with the figures of the run.  Codes and sentences are those of `daq.core.faults.FAULTS`."""

from typing import Final

from daq.core.faults import FAULTS
from daq.methods.sentences.kinds import (
    CELSIUS,
    COUNT,
    DETAIL,
    MEASURED_CELSIUS,
    NAME,
    SPEED,
    TERM,
    TERMS,
    TORQUE,
    Kind,
    Sentence,
    quantity,
    sentence,
)

_BAND: Final[dict[str, Kind]] = {"torque": TORQUE}
_SPAN: Final[dict[str, Kind]] = {"readings": COUNT, "span": quantity("s", ".3g")}
_OTHER: Final[dict[str, Kind]] = {"instrument": NAME, "detail": DETAIL}

FIGURES: Final[dict[str, tuple[str, dict[str, Kind]]]] = {
    "below_band": ("[: {torque} of full scale]", _BAND),
    "above_band": ("[: {torque} of full scale]", _BAND),
    "off_temperature": (
        "[: mean {temperature}, band {low#} to {high}]",
        {"temperature": MEASURED_CELSIUS, "low": CELSIUS, "high": CELSIUS},
    ),
    "off_limit_temperature": ("[: mean {temperature}]", {"temperature": MEASURED_CELSIUS}),
    "probe_suspect": ("[: {faults}]", {"faults": TERMS}),
    "off_speed": ("[: mean {speed}, set {set_speed}]", {"speed": quantity("/min", ".3f"), "set_speed": SPEED}),
    "zero_off": ("[: {torque} of full scale]", _BAND),
    "cut_short": ("[: {readings} readings over {span}]", _SPAN),
    "readings_missing": ("[: {readings} readings over {span}]", _SPAN),
    "silent": ("[: {instrument}, for {seconds}]", {"instrument": NAME, "seconds": quantity("s", "g")}),
    "link_down": ("[: {instrument}][: {detail}]", _OTHER),
    "threshold_not_met": ("[: {rule} in step {step}; no value was taken]", {"rule": NAME, "step": NAME}),
    "another_instrument": ("[: {instrument}: {detail}]", _OTHER),
    "identity_unknown": ("[: {instrument}: {detail}]", _OTHER),
    "verification_failed": (
        "[: on {date} with {fluid} ({condition})]",
        {"date": NAME, "fluid": NAME, "condition": TERM},
    ),
    "verification_overdue": ("[: it was due on {date}]", {"date": NAME}),
    **dict.fromkeys(
        ("control_missing", "control_failed", "control_not_judged", "control_expired"),
        (
            "[: {fluid} on {instrument}][ with {geometry}][, last measured {moment} (run {run})]",
            {"fluid": NAME, "instrument": NAME, "geometry": NAME, "moment": NAME, "run": NAME},
        ),
    ),
    **dict.fromkeys(
        (
            "verification_failed_later",
            "verification_withdrawn_later",
            "control_failed_later",
            "control_withdrawn_later",
        ),
        (
            "[ (run {verification})][; decided by {who}][, because: {because}]",
            {"verification": NAME, "who": NAME, "because": DETAIL},
        ),
    ),
    "calibration_outside_later": (
        "[ ({verification})][; decided by {who}][, because: {because}]",
        {"verification": NAME, "who": NAME, "because": DETAIL},
    ),
    "calibration_past_due": ("[: {piece}, which was due on {date}]", {"piece": NAME, "date": NAME}),
    "annulled": ("[ by {who}][, because: {because}]", {"who": NAME, "because": DETAIL}),
}
"""By fault: what follows its sentence, and the parameters of it."""

SENTENCES: Final[dict[str, Sentence]] = {
    code: sentence(fault.sentence + FIGURES.get(code, ("", {}))[0], **FIGURES.get(code, ("", {}))[1])
    for code, fault in FAULTS.items()
} | {
    "verified_in_future": sentence(
        "the instrument's verification is overdue: its last pass is dated {date}, which lies in the future; a clock "
        "was set back",
        date=NAME,
    ),
    "never_verified": sentence("the instrument's verification is overdue: it was never passed"),
    "never_calibrated": sentence(
        "a calibration is overdue: none is recorded for {piece} with the serial number that it has now", piece=NAME
    ),
}
