"""One-line commands with which a test or a demonstration changes the world of a simulated instrument while it runs.

Each is answered with `done`, `error <why>`, or for `state` one line of JSON. Seconds are simulated seconds.
"""

import json
import math
import re
from collections.abc import Callable

from simulators.links import Link
from simulators.misbehaviour import Misbehaving
from simulators.rotational import FLUIDS, RotationalInstrument

LONGEST_SERIAL = 24
COLDEST_CELSIUS, HOTTEST_CELSIUS = -20.0, 150.0


class CommandError(ValueError):
    """A command that cannot be done, with what to do instead."""


class Commander:
    """Carries out commands on one instrument and, where it has one, its link."""

    def __init__(self, device: Misbehaving, link: Link | None = None) -> None:
        self._device = device
        self._link = link
        self._commands: dict[str, Callable[[list[str]], None]] = {
            "fluid": self._fluid,
            "temperature": lambda words: device.instrument.set_temperature(celsius(_number(words))),
            "silence": lambda words: device.silence(_positive(words)),
            "slow": lambda words: device.slow(_positive(words)),
            "garbage": lambda words: device.garbage(_count(words)),
            "cut": lambda words: device.cut(_count(words)),
            "checksum": lambda words: device.checksum(_count(words)),
            "identity": self._identity,
            "probe": self._probe,
            "key": self._key,
            "block": self._block,
            "unplug": lambda words: self._plugging(words).unplug(),
            "replug": lambda words: self._plugging(words).plug(),
        }

    def execute(self, line: str) -> str:
        """Carry out one command and return the answer, without a line's end."""
        words = line.split()
        if words == ["state"]:
            return json.dumps(self._device.instrument.state())
        if not words or words[0] not in self._commands:
            return f"error unknown command {line!r}; known: {', '.join([*self._commands, 'state', 'quit'])}"
        try:
            self._commands[words[0]](words[1:])
        except (CommandError, OSError) as error:
            return f"error {error}"
        return "done"

    def _rotational(self) -> RotationalInstrument:
        if isinstance(self._device.instrument, RotationalInstrument):
            return self._device.instrument
        raise CommandError(f"a {self._device.instrument.kind} cannot do this, only a rotational instrument can")

    def _fluid(self, words: list[str]) -> None:
        if not words or words[0] not in FLUIDS:
            raise CommandError(f"`fluid` needs one of: {', '.join(FLUIDS)}")
        self._rotational().fill(FLUIDS[words[0]], celsius(_number(words[1:])) if words[1:] else None)

    def _identity(self, words: list[str]) -> None:
        if len(words) != 1 or not re.fullmatch(rf"[A-Za-z0-9_.-]{{1,{LONGEST_SERIAL}}}", words[0]):
            raise CommandError(f"`identity` needs one serial: up to {LONGEST_SERIAL} of A-Z a-z 0-9 _ . -")
        self._device.instrument.serial = words[0]

    def _probe(self, words: list[str]) -> None:
        if words not in (["open"], ["ok"]):
            raise CommandError("`probe` needs `open` or `ok`")
        self._device.instrument.probe_open = words == ["open"]

    def _key(self, words: list[str]) -> None:
        _none(words)
        self._rotational().press_key()

    def _block(self, words: list[str]) -> None:
        if words not in ([], ["on"], ["off"]):
            raise CommandError("`block` takes nothing, `on` or `off`")
        self._rotational().block(words != ["off"])

    def _plugging(self, words: list[str]) -> Link:
        _none(words)
        if self._link is None:
            raise CommandError("this instrument has no link to unplug")
        return self._link


def celsius(value: float) -> float:
    """The temperature when the fluids' formulae can bear it.

    Raises:
        CommandError: colder than COLDEST_CELSIUS or hotter than HOTTEST_CELSIUS.
    """
    if not COLDEST_CELSIUS <= value <= HOTTEST_CELSIUS:
        raise CommandError(f"temperature must be {COLDEST_CELSIUS:g} to {HOTTEST_CELSIUS:g} Cel, got {value:g}")
    return value


def _none(words: list[str]) -> None:
    if words:
        raise CommandError(f"unexpected {' '.join(words)!r}")


def _number(words: list[str]) -> float:
    try:
        (word,) = words
        value = float(word)
    except ValueError:
        raise CommandError(f"expected one number, got {' '.join(words)!r}") from None
    if not math.isfinite(value):
        raise CommandError(f"expected a finite number, got {word!r}")
    return value


def _positive(words: list[str]) -> float:
    value = _number(words)
    if value < 0.0:
        raise CommandError(f"expected 0 or more seconds, got {value:g}")
    return value


def _count(words: list[str]) -> int:
    value = _number(words)
    if value != int(value) or not 0 <= value <= 100_000:
        raise CommandError(f"expected a whole number from 0 to 100000, got {value:g}")
    return int(value)
