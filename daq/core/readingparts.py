"""Parts of a reading, joined to one."""

from collections.abc import Sequence

from daq.core.driver import Channel, Part, Values

Faults = tuple[tuple[str, str], ...]


class ReadingParts:
    """What was said so far of the channels of one reading."""

    __slots__ = ("_general", "_names", "_said")

    def __init__(self, channels: Sequence[Channel]) -> None:
        self._names = [c.name for c in channels]
        self._said: dict[int, tuple[int, float | None, Faults]] = {}
        """By the channel's number: when (ns), its value, its faults."""
        self._general: Faults = ()
        """Faults said in lines that speak of no channel, e.g. of an error queue."""

    def __bool__(self) -> bool:
        """Whether anything was said."""
        return bool(self._said or self._general)

    def add(self, t: int, item: tuple[float, ...] | Values | Part) -> None:
        """What a line of time `t` says; it replaces what was said of the same channels before.

        Raises:
            IndexError: a part speaks of a channel that is not there.
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
            self._said[i] = (t, value, own)

    def take(self) -> tuple[float, ...] | Values:
        """The reading, with no value for channels of which nothing was said; nothing is left here."""
        said = [self._said.get(i, (0, None, ())) for i in range(len(self._names))]
        values = tuple(value for _, value, _ in said)
        faults = tuple(dict.fromkeys((*(fault for _, _, own in said for fault in own), *self._general)))
        self.clear()
        sound = tuple(value for value in values if value is not None)
        return sound if len(sound) == len(values) and not faults else Values(values, faults)

    def take_if_whole(self, since: int) -> tuple[float, ...] | Values | None:
        """The reading, if something was said of every channel at `since` (ns) or later."""
        for i in [i for i, (t, _, _) in self._said.items() if t < since]:
            del self._said[i]
        return self.take() if len(self._said) == len(self._names) else None

    def clear(self) -> None:
        """Forget what was said."""
        self._said.clear()
        self._general = ()
