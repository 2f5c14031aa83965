"""The method's choices: the values that a person set for this run, and the values that the method allows."""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from pydantic import BaseModel

from daq.core import context
from daq.core.errors import SettingError
from daq.methods.files.fields import Amount, amount
from daq.methods.planning.refusals import Refusals

if TYPE_CHECKING:
    from daq.methods.files.instrument import Instrument
    from daq.methods.files.recipe import Method

COMMAND_LINE = "choice"


@dataclass(slots=True)
class Chosen:
    """The value of every choice of a method for one run."""

    method: "Method"
    values: dict[str, Amount]
    refusals: Refusals

    @classmethod
    def of(cls, method: "Method", given: Mapping[str, Any], refusals: Refusals) -> "Chosen":
        """Return the defaults, replaced by the `given` values that the method allows; others go to the refusals."""
        values = {name: choice.default for name, choice in method.choices.items()}
        for name, value in given.items():
            choice = method.choices.get(name)
            if choice is None:
                known = ", ".join(method.choices) or "none"
                refusals.add(COMMAND_LINE, name, f"method {method.id} has no such choice; its choices: {known}")
                continue
            try:
                wanted = amount(value)
            except ValueError as error:
                refusals.add(COMMAND_LINE, name, str(error))
                continue
            allowed = next((a for a in choice.allowed if _same(a, wanted)), None)
            if allowed is None:
                shown = ", ".join(_text(a) for a in choice.allowed)
                refusals.add(
                    COMMAND_LINE, name, f"{_text(wanted)} is not allowed by method {method.id}; allowed: {shown}"
                )
                continue
            values[name] = allowed
        return cls(method, values, refusals)

    def value(self, setting: Amount | str, unit: str, key: str) -> float:
        """Return a setting (a number, or the name of a choice) in `unit`; errors go to the refusals under `key`."""
        if isinstance(setting, str):
            if setting not in self.values:
                known = ", ".join(self.values) or "none"
                self.refusals.add(
                    self.method, key, f"{setting!r} is neither a number nor a choice of this method; choices: {known}"
                )
                return 0.0
            setting = self.values[setting]
        try:
            return setting.in_unit(unit)
        except SettingError as error:
            self.refusals.add(self.method, key, error.reason)
            return 0.0

    def speed(self, setting: Amount | str, key: str, instrument: "Instrument") -> float:
        """Return a speed in /min, checked against the limit of the instrument."""
        before = len(self.refusals.errors)
        speed = self.value(setting, "/min", key)
        if len(self.refusals.errors) > before:
            return speed
        highest = instrument.limits.speed
        if speed <= 0:
            self.refusals.add(self.method, key, f"must be greater than 0; here {speed:g} /min")
        elif highest is not None and speed > highest:
            self.refusals.add(
                self.method,
                key,
                f"{speed:g} /min is above the limit of {highest:g} /min set for {instrument.name} (limits.speed in its "
                "file); choose a lower speed or another instrument",
            )
        return speed

    def allowed_speeds(self, setting: Amount | str | None) -> tuple[float, ...]:
        """Return the speeds (/min) that the method allows for a step: those of its choice, or the prescribed one."""
        if setting is None:
            return ()
        if isinstance(setting, str):
            choice = self.method.choices.get(setting)
            return () if choice is None else tuple(_speed(a) for a in choice.allowed)
        return (_speed(setting),)

    def changed(self) -> dict[str, tuple[context.ChoiceUse, ...]]:
        """Return the uses of each choice that is not at its default."""
        method = self.method
        uses: dict[str, list[context.ChoiceUse]] = {
            name: [] for name, choice in method.choices.items() if not _same(self.values[name], choice.default)
        }
        for place, setting in _settings(method):
            if setting in uses:
                uses[setting].append(_use(place, method.result_index))
        return {name: tuple(dict.fromkeys(found or ["other"])) for name, found in uses.items()}

    def shown(self) -> dict[str, context.Amount]:
        """Return the values as a plan carries them, each with its unit."""
        return {
            name: context.Amount(a.value, a.unit or self.method.choices[name].unit or "")
            for name, a in self.values.items()
        }


def method_words(method: str, version: str, choices: Mapping[str, context.Amount], vessel: str) -> str:
    """Return id, version, choices and vessel of a method: values of other words do not belong on one chart."""
    chosen = (f"{name} {a.value:g} {a.unit}".rstrip() for name, a in sorted(choices.items()))
    return ", ".join([f"{method} {version}", *chosen, *([f"vessel {vessel}"] if vessel else [])])


_SETTINGS: Final = ("speed", "target", "above", "below")
"""Keys of a method whose value may be the name of a choice."""


def _settings(part: object, place: tuple[str | int, ...] = ()) -> Iterator[tuple[tuple[str | int, ...], str]]:
    """Yield every setting of a method that is a text, with its place in the file."""
    if isinstance(part, BaseModel):
        for key in type(part).model_fields:
            yield from _settings(getattr(part, key), (*place, key))
    elif isinstance(part, tuple):
        for i, inner in enumerate(part):
            yield from _settings(inner, (*place, i))
    elif isinstance(part, str) and place[-1] in _SETTINGS:
        yield place, part


def _use(place: tuple[str | int, ...], result_step: int) -> context.ChoiceUse:
    if place == ("steps", result_step, "speed"):
        return "speed"
    return "temperature" if place == ("conditioning", "temperature", "target") else "other"


def _speed(given: Amount) -> float:
    try:
        return given.in_unit("/min")
    except SettingError:  # `speed` refuses it
        return math.nan


def _same(a: Amount, b: Amount) -> bool:
    if a.unit and b.unit and a.unit != b.unit:
        try:
            return math.isclose(a.value, b.in_unit(a.unit), rel_tol=1e-9)
        except SettingError:
            return False
    if not a.unit and b.unit and b.unit not in ("/min", "s", "Cel", "%"):
        return False
    return math.isclose(a.value, b.value, rel_tol=1e-9)


def _text(given: Amount) -> str:
    return f"{given.value:g} {given.unit}".rstrip()
