"""One-line commands that change a running simulated instrument, for tests and demonstrations.

The answer is `done`, `error <reason>`, or for `state` one line of JSON. Seconds are simulated seconds.
"""

import json
import re

from simulators.links import Link
from simulators.misbehaviour import Misbehaving
from simulators.words import Command, CommandError, count, none, positive

LONGEST_SERIAL = 24


class Commander:
    """Carries out commands on one instrument and, where it has one, its link."""

    def __init__(self, device: Misbehaving, link: Link | None = None) -> None:
        self._device = device
        self._link = link
        self._commands: dict[str, Command] = {
            **device.instrument.commands(),
            "silence": lambda words: device.silence(positive(words)),
            "slow": lambda words: device.slow(positive(words)),
            "garbage": lambda words: device.garbage(count(words)),
            "cut": lambda words: device.cut(count(words)),
            "checksum": lambda words: device.checksum(count(words)),
            "identity": self._identity,
            "unplug": lambda words: self._plugging(words).unplug(),
            "replug": lambda words: self._plugging(words).plug(),
        }

    def execute(self, line: str) -> str:
        """Carry out one command and return the answer, without a line's end."""
        words = line.split()
        if words == ["state"]:
            return json.dumps(self._device.instrument.state())
        if not words or words[0] not in self._commands:
            names = ", ".join([*self._commands, "state", "quit"])
            return f"error unknown command {line!r} of a {self._device.instrument.kind}; known: {names}"
        try:
            self._commands[words[0]](words[1:])
        except (CommandError, OSError) as error:
            return f"error {error}"
        return "done"

    def _identity(self, words: list[str]) -> None:
        if len(words) != 1 or not re.fullmatch(rf"[A-Za-z0-9_.-]{{1,{LONGEST_SERIAL}}}", words[0]):
            raise CommandError(f"`identity` needs one serial: up to {LONGEST_SERIAL} of A-Z a-z 0-9 _ . -")
        self._device.instrument.serial = words[0]

    def _plugging(self, words: list[str]) -> Link:
        none(words)
        if self._link is None:
            raise CommandError("this instrument has no link to unplug")
        return self._link
