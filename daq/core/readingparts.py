"""Join the parts of a reading."""

from collections.abc import Sequence

from daq.core.driver import Channel, Part, Values

Faults = tuple[tuple[str, str], ...]


class ReadingParts:
    """The values and faults received so far for the channels of one reading."""

    __slots__ = ("_by_channel", "_general", "_names")

    def __init__(self, channels: Sequence[Channel]) -> None:
        self._names = [c.name for c in channels]
        self._by_channel: dict[int, tuple[int, float | None, Faults]] = {}
        """By channel number: time (ns), value, faults."""
        self._general: Faults = ()
        """Faults of lines without a channel, for example of an error queue."""

    def __bool__(self) -> bool:
        """True if a part was received."""
        return bool(self._by_channel or self._general)

    def add(self, t: int, item: tuple[float, ...] | Values | Part) -> None:
        """Add the line `item` of time `t` (ns); it replaces earlier values of the same channels.

        Raises:
            IndexError: a part has a channel number that does not exist.
        """
        if isinstance(item, Part):
            pairs, faults = item.values, item.faults
        else:
            pairs = tuple(enumerate(item.values if isinstance(item, Values) else item))
            faults = item.faults if isinstance(item, Values) else ()
        if not pairs:
            self._general = tuple(dict.fromkeys((*self._general, *faults)))
            return
        of_part = {self._names[i] for i, _ in pairs}
        for i, value in pairs:
            own = tuple(f for f in faults if f[0] == self._names[i] or f[0] not in of_part)
            self._by_channel[i] = (t, value, own)

    def take(self) -> tuple[float, ...] | Values:
        """Return the reading and clear the parts; a channel without a part has no value."""
        parts = [self._by_channel.get(i, (0, None, ())) for i in range(len(self._names))]
        values = tuple(value for _, value, _ in parts)
        faults = tuple(dict.fromkeys((*(fault for _, _, own in parts for fault in own), *self._general)))
        self.clear()
        sound = tuple(value for value in values if value is not None)
        return sound if len(sound) == len(values) and not faults else Values(values, faults)

    def joined_to(self, whole: tuple[float, ...] | Values) -> tuple[float, ...] | Values:
        """Return a whole reading with the values and faults of the parts; the parts are kept."""
        if not self:
            return whole
        values, faults = (whole.values, whole.faults) if isinstance(whole, Values) else (whole, ())
        parts = self._by_channel
        joined = tuple(parts[i][1] if i in parts else value for i, value in enumerate(values))
        replaced = {self._names[i] for i in parts}
        own = (f for f in faults if f[0] not in replaced)
        every = tuple(dict.fromkeys((*own, *(f for i in sorted(parts) for f in parts[i][2]), *self._general)))
        sound = tuple(value for value in joined if value is not None)
        return sound if len(sound) == len(joined) and not every else Values(joined, every)

    def take_if_whole(self, since: int) -> tuple[float, ...] | Values | None:
        """Return the reading if every channel has a part of `since` (ns) or later, otherwise None."""
        for i in [i for i, (t, _, _) in self._by_channel.items() if t < since]:
            del self._by_channel[i]
        return self.take() if len(self._by_channel) == len(self._names) else None

    def clear(self) -> None:
        """Discard all parts."""
        self._by_channel.clear()
        self._general = ()
