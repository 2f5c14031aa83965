"""The English words of the work at a bench: headlines, items, messages and the names of commands, by their codes."""

from collections.abc import Mapping
from string import Template
from types import MappingProxyType
from typing import Final

from daq.app.screens.bench.bench_view import OLD_S, ItemShown
from daq.core.units import symbol
from daq.laboratory.bench.benchstate import Checked

HEADLINES: Final[Mapping[str, str]] = MappingProxyType(
    {
        "discarding": "The daemon ended without a regular stop. Discard these fills.",
        "zeroing": "Start of the shift: level and zero, with nothing attached",
        "fitting": "Fit the measuring geometry",
        "choosing": "Scan or type the id of the next sample",
        "bathing": "Scan or type the id of the cup that enters the bath",
        "checking": "Checklist",
        "resting": "The filling rests; the run starts when the time is over",
        "starting": "The run is being started",
        "running": "The run is in progress; scan a cup that enters the bath",
        "verdict": "Result",
        "repeating": "Type the reason for the repeat",
        "waiting": "A repeat needs an assigned cause and a reviewer",
        "remarking": "Type a remark about the run",
        "damaging": "Type what is damaged at the measuring geometry",
    }
)
"""Headline by stage."""
ITEMS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "warm_up": "instrument warmed up for the maker's time",
        "level": "instrument level",
        "motor_still": "motor still",
        "zero": "zero with nothing attached",
        "geometry_fitted": "geometry fitted: shaft held up, not pushed sideways",
        "clean": "rotor and cup clean and dry",
        "stirred": "sample stirred",
        "filled": "sample in place",
        "immersed": "cup filled, rotor immersed to its mark",
        "no_bubbles": "no bubbles at the rotor",
        "fill_unchanged": "same filling, not touched",
        "probe": "temperature probe in place",
        "at_temperature": "sample at temperature",
        "cautions": "cautions of the sample observed",
        "control": "control of the shift passed; otherwise the result is Uncertain",
        "rested": "filling rested",
        "cleaned": "rotor and cup cleaned",
        "dried": "dried",
        "inspected": "inspected for damage",
    }
)
"""Words of an item of a checklist by its code."""
CONTROL_IS_DUE: Final = "control due"
"""In the place of the product of the control fluid on the worklist."""
HOWS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "measured": "measured",
        "counted": "counted",
        "together": "by your key",
        "earlier": "confirmed before",
        "skipped": "skipped",
    }
)
MESSAGES: Final[Mapping[str, str]] = MappingProxyType(
    {
        "": "",
        "text_ignored": "$text is ignored: no id is asked for here",
        "sample_refused": "$reason",
        "cup_at_bench": "the cup of $sample is at the bench, not in the bath",
        "cup_in_bath": "the cup of $sample is in the bath",
        "out_of_service": "$reason",
        "run_elsewhere": "a run that was started elsewhere is in progress: wait for its end, or stop it",
        "not_met_zero": "the torque is not at zero: take the rotor off, zero the instrument, then confirm again",
        "not_met_motor_still": "the motor is not known to be still: wait, or see to the instrument",
        "not_met_stirred": "the sample is not stirred for its time yet",
        "reason_needed": "type the reason first",
        "remark_needed": "type the remark first",
        "damage_needed": "type what is damaged first",
        "nothing_fitted": "no measuring geometry is recorded as fitted: daq fit",
        "remark_kept": "the remark is stored",
        "damage_kept": "$geometry is out of service",
        "stop_asked": "the stop was asked for",
        "not_started": "not started: $reason",
        "cause_assigned": "the cause is assigned",
    }
)
"""Template of a message by its code."""
COMMANDS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "confirm": "confirm",
        "confirm discarding": "all discarded",
        "confirm zeroing": "all done",
        "confirm fitting": "fitted",
        "confirm checking": "all done, start",
        "confirm repeating": "repeat",
        "confirm remarking": "store the remark",
        "confirm damaging": "out of service",
        "next": "clean, dry, inspected: next",
        "same": "again, same fill",
        "fresh": "again, fresh fill",
        "remark": "remark",
        "bath": "cup into the bath",
        "damage": "damage",
        "skip": "skip an item",
        "skip verdict": "next without cleaning",
        "skip resting": "start without rest",
        "back": "back",
        "leave": "leave the screen",
        "stop": "STOP",
    }
)
"""Words of a command; those with a stage come first."""
HELP: Final[Mapping[str, str]] = MappingProxyType(
    {
        "zeroing": "Take the rotor off with care for the bearing: hold the shaft up, do not push it sideways. Taking "
        "it off often wears the bearing; the maker's manual decides.",
        "fitting": "Hold the shaft up while you fit the rotor; do not push it sideways. If it is another one, record "
        "it: daq fit.",
        "resting": "Scan a cup that enters the bath at any time.",
    }
)
"""Help for a stage."""
REPEATS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "replicate": "The product asks for one more result, on a fresh fill.",
        "cause": "Valid and outside the limits: a repeat needs an assigned cause and a reviewer.",
        "not_valid": "This result does not count: measure again, on the same fill or a fresh one, with a reason.",
    }
)


def message_text(code: str, values: Mapping[str, str]) -> str:
    """Return the text of a message."""
    return Template(MESSAGES[code]).safe_substitute(values)


def measured_text(item: ItemShown | Checked) -> str:
    """Return a measured value of a checklist with its limits, and its age from `OLD_S` on; "" without a reading."""
    shown = symbol(item.unit)
    age = f"{item.age_s} s old" if item.age_s is not None and item.age_s >= OLD_S else ""
    if item.value is None:
        return "" if item.age_s is None else f"the reading is {item.age_s} s old: press the key again"
    limits = f" ({item.low:g} to {item.high:g} {shown})" if item.low is not None and item.high is not None else ""
    return f"{item.value:.2f} {shown}{limits}{', ' if age else ''}{age}"


def command_words(command: str, stage: str) -> str:
    """Return the words of a command in a stage."""
    return COMMANDS.get(f"{command} {stage}", COMMANDS[command])
