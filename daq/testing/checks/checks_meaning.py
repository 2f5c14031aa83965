"""Check of what `decode` returns: values, faults, parts and replies, and a fault beside each missing value."""

import math
from collections.abc import Iterable, Sequence
from typing import Any

from daq.core.driver import Driver, Part, Reject, Reply, Several, Values
from daq.core.faults import FAULTS
from daq.testing.checks.checks_declared import known_faults
from daq.testing.report import DriverFaultError, shown


def proper(driver: Driver, meaning: Any, line: bytes) -> None:
    """Raise `DriverFaultError` where the result of `decode` is not valid."""
    wrong = _wrong(driver, meaning)
    if wrong:
        raise DriverFaultError(wrong[0], f"line {shown(line)} gave {shown(meaning)}", do=wrong[1])


Wrong = tuple[str, str]
"""Fault and remedy."""


def _wrong(driver: Driver, meaning: Any) -> Wrong | None:
    width = len(driver.channels)
    if type(meaning) is tuple:
        if len(meaning) != width or any(type(v) is not float for v in meaning):
            return (
                "a reading that is no tuple of floats in the order of the channels",
                "give float(...) for each channel",
            )
        return _wrong_values(meaning)
    if isinstance(meaning, Values):
        if len(meaning.values) != width:
            return "Values of another length than there are channels", "give None for a channel without value"
        pairs = list(enumerate(meaning.values))
        return _wrong_values(meaning.values) or _wrong_faults(driver, meaning.faults, pairs)
    if isinstance(meaning, Part):
        if any(not 0 <= i < width for i, _ in meaning.values):
            return "a Part of a channel that does not exist", "number channels from 0, in order"
        return _wrong_values(v for _, v in meaning.values) or _wrong_faults(driver, meaning.faults, meaning.values)
    if isinstance(meaning, Several):
        return _wrong_several(driver, meaning)
    return _wrong_reply(meaning) if isinstance(meaning, Reply) else _wrong_reject(meaning)


def _wrong_several(driver: Driver, several: Several) -> Wrong | None:
    if len(several.readings) < 2 or any(not isinstance(one, tuple | Values) for one in several.readings):
        return "Several without two whole readings", "give at least two, each a tuple or Values with all channels"
    if len(several.readings) > driver.readings_per_line:
        return "Several with more readings than readings_per_line", "set it, so that missing readings are counted"
    return next(filter(None, (_wrong(driver, one) for one in several.readings)), None)


def _wrong_reply(reply: Reply) -> Wrong | None:
    if not isinstance(reply.kind, str) or not reply.kind:
        return "a Reply without kind", "name what it answers"
    if reply.kind == "identity" and reply.identity is None:
        return "a Reply of kind identity without identity", "give Identity(kind, serial)"
    return _wrong_values([reply.value])


def _wrong_reject(meaning: Any) -> Wrong | None:
    if not isinstance(meaning, Reject):
        return f"decode gave {type(meaning).__name__}", "give a tuple of floats, Values, Part, Reply or Reject"
    if not isinstance(meaning.reason, str) or not meaning.reason:
        return "a Reject without reason", "give the reason in a few words"
    return None


def _wrong_values(values: Iterable[Any]) -> Wrong | None:
    for value in values:
        if value is None:
            continue
        if isinstance(value, bool) or not isinstance(value, int | float):
            return f"a value of type {type(value).__name__}", "values are floats or None"
        if not math.isfinite(value):
            return "a value that is not finite", "give None with the fault not_a_number, or Reject"
    return None


def _wrong_faults(driver: Driver, faults: Sequence[Any], values: Sequence[tuple[int, float | None]]) -> Wrong | None:
    """Return the fault in the faults of a reading whose values are `values`, pairs of channel number and value."""
    names = {c.name for c in driver.channels} | {""}
    for channel, fault in faults:
        if channel not in names or fault not in known_faults():
            return f"the fault {(channel, fault)!r}", f"channel or '' and one of {', '.join(sorted(known_faults()))}"
    for at, value in values:
        name = driver.channels[at].name
        gone = [fault for channel, fault in faults if channel in (name, "") and not FAULTS[fault].keeps_value]
        if value is None and not gone:
            return (
                f"no value of {name} and no fault that says why",
                f"give ({name!r}, FAULT) beside None: over_range, probe, sensor, not_a_number, ...",
            )
        if value is not None and gone:
            return f"a value of {name} beside {gone[0]}, which means that there is none", "give None for this channel"
    return None
