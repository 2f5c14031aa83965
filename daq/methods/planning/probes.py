"""Temperature probes declared in an instrument's file: a resistance is converted to a temperature, with an offset.

The driver is wrapped, so that gates, rules and results have a temperature like any other, while the journal keeps the
received bytes.  The declaration is stored with the driver's options in the journal's header.
"""

import hashlib
import json
from collections.abc import Mapping
from inspect import get_annotations
from typing import Any, Final

from daq.core.driver import Action, Channel, Decoded, Driver, Part, Reject, Reply, Request, Several, Values
from daq.core.errors import SettingError
from daq.rheology import pt100

OPTION: Final = "probes"
"""Key of the probes among a driver's options."""
NOMINAL: Final = {"Pt100": 100.0, "Pt500": 500.0, "Pt1000": 1000.0}
"""Resistance at 0 degC in ohm."""
COLDEST: Final = -200.0
HOTTEST: Final = 850.0
"""Range of a platinum thermometer, Cel (IEC 60751)."""
#: All attributes of the driver contract, also those of later versions; `channels` are changed after copying.
CONTRACT: Final = tuple(name for name in get_annotations(Driver) if name != "api_version")


class ProbedDriver(Driver):
    """A driver whose channels are converted to temperatures as the instrument's file declares."""

    def __init__(self, inner: Driver, probes: Mapping[str, Mapping[str, Any]]) -> None:
        """`probes`: by name of the temperature, its `channel`, `kind` (or None) and `offset` in K.

        Raises:
            SettingError: a channel does not exist, or is not in Ohm (in Cel, if no kind is given).
        """
        super().__init__({**inner.options, OPTION: {k: dict(v) for k, v in probes.items()}})
        self._inner = inner
        for name in CONTRACT:
            setattr(self, name, getattr(inner, name))
        self._turned: dict[int, tuple[float | None, float]] = {}
        """By the channel's number: nominal resistance in ohm (None: the channel is a temperature), and offset in K."""
        channels = list(inner.channels)
        for name, probe in probes.items():
            at = self._find(name, probe)
            nominal = None if probe["kind"] is None else NOMINAL[probe["kind"]]
            self._turned[at] = (nominal, float(probe["offset"]))
            low, high = (COLDEST, HOTTEST) if nominal is not None else (channels[at].low, channels[at].high)
            channels[at] = Channel(name, "Cel", low, high)
        self.channels = tuple(channels)
        self._renamed = {c.name: d.name for c, d in zip(inner.channels, channels, strict=True)}

    def _find(self, name: str, probe: Mapping[str, Any]) -> int:
        wanted, kind = probe["channel"] or name, probe["kind"]
        names = [c.name for c in self._inner.channels]
        if wanted not in names:
            known = ", ".join(names)
            raise SettingError(f"there is no channel {wanted!r}; channels: {known}", key=f"probes.{name}.channel")
        channel = self._inner.channels[names.index(wanted)]
        unit = "Cel" if kind is None else "Ohm"
        if channel.unit != unit:
            hint = "name its kind, for example kind = 'Pt100'" if channel.unit == "Ohm" else f"it is in {channel.unit}"
            raise SettingError(
                f"the channel {wanted} must be in {unit} for this probe; {hint}", key=f"probes.{name}.kind"
            )
        return names.index(wanted)

    def decode(self, line: bytes, asked: Request | None = None) -> Decoded:
        """Decode as the driver does, with temperatures instead of resistances.

        A resistance outside of the range of the platinum thermometer gives no value and the fault ``probe``.
        """
        found = self._inner.decode(line, asked)
        if isinstance(found, Reply | Reject):
            return found
        if isinstance(found, Several):
            return Several(tuple(self._decoded(reading) for reading in found.readings))
        return self._decoded_part(found) if isinstance(found, Part) else self._decoded(found)

    def _decoded(self, found: tuple[float, ...] | Values) -> tuple[float, ...] | Values:
        given = found.values if isinstance(found, Values) else found
        faults = [(self._renamed.get(c, c), f) for c, f in found.faults] if isinstance(found, Values) else []
        values: list[float | None] = list(given)
        for at in self._turned:
            values[at] = self._temperature(at, values[at], faults)
        if faults or any(v is None for v in values):
            return Values(tuple(values), tuple(faults))
        return tuple(v for v in values if v is not None)

    def _decoded_part(self, part: Part) -> Part:
        faults = [(self._renamed.get(c, c), f) for c, f in part.faults]
        values = tuple((at, self._temperature(at, v, faults) if at in self._turned else v) for at, v in part.values)
        return Part(values, tuple(faults))

    def _temperature(self, at: int, value: float | None, faults: list[tuple[str, str]]) -> float | None:
        if value is None:
            return None
        nominal, offset = self._turned[at]
        try:
            return (value if nominal is None else pt100.temperature(value, nominal)) + offset
        except SettingError:
            faults.append((self.channels[at].name, "probe"))
            return None

    def identify(self) -> Request | None:
        """Return the driver's identity request."""
        return self._inner.identify()

    def identify_more(self) -> tuple[Request, ...]:
        """Return the driver's further identity requests."""
        return self._inner.identify_more()

    def poll(self) -> Request | tuple[Request, ...] | None:
        """Return the driver's poll request."""
        return self._inner.poll()

    def start_stream(self) -> Request | None:
        """Return the driver's request that starts a stream."""
        return self._inner.start_stream()

    def action(self, action: Action, value: float | None = None) -> Request:
        """Return the driver's request for an action."""
        return self._inner.action(action, value)

    def state(self) -> dict[str, Any]:
        """Return the driver's state."""
        return self._inner.state()

    def restore(self, state: Mapping[str, Any]) -> None:
        """Restore the driver's state."""
        self._inner.restore(state)

    def digest(self) -> str:
        """SHA-256 (hex) of the driver's own digest and the probes."""
        declared = json.dumps(self.options[OPTION], sort_keys=True)
        return hashlib.sha256(f"{self._inner.digest()} {declared}".encode()).hexdigest()
