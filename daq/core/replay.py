"""A journal computed again: the same pipeline over the recorded events, every effect compared with the recorded one.

A `Send` is not recorded as an effect; the `Sent` event that followed stands for it.  A
journal may simply end (the daemon was killed): that is no difference, and the facts are
those of the last event.
"""

from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from daq.core.driver import Driver
from daq.core.effects import Effect, Facts, Kept, Send, StepEnded
from daq.core.errors import DaqError, JournalError, SettingError
from daq.core.events import Event, LinkDown, Received, Sent
from daq.core.header import Header
from daq.core.journal import Record, canonical, read_records
from daq.core.pipeline import Pipeline
from daq.core.run import State

#: Makes the driver of a link from what the header says: kind, options, state.
MakeDriver = Callable[[str, Mapping[str, Any], Mapping[str, Any]], Driver]

SHOWN: Final = 300
"""So many characters of an effect are shown in a difference."""


@dataclass(frozen=True, slots=True)
class Difference:
    """Where a journal and its recomputation part: at which record, when, on which link, and what."""

    record: int
    t: int
    """Monotonic time, ns, of the record (of the one before it where the record is damaged)."""
    since_begin_s: float
    link: str
    what: str
    recorded: str = ""
    recomputed: str = ""

    def __str__(self) -> str:
        where = f"record {self.record}, {self.since_begin_s:.3f} s after the beginning"
        said = f"{where}, {self.link}: {self.what}" if self.link else f"{where}: {self.what}"
        parts = [f"  {k}: {v[:SHOWN]}" for k, v in (("recorded", self.recorded), ("recomputed", self.recomputed)) if v]
        return "\n".join([said, *parts])


@dataclass(slots=True)
class Replay:
    """What came of computing a journal again."""

    difference: Difference | None = None
    """The first one; None where all is the same."""
    damage: str = ""
    """The first record whose check does not fit, in words; "" where the journal is whole."""
    damaged_record: int = -1
    header: Header | None = None
    facts: Facts = field(default_factory=lambda: Facts(0, 0, "", None))
    events: int = 0
    effects: int = 0
    """Recorded effects that were compared and found the same; requests sent are counted too."""
    state: State = State.READY
    motor: str = ""
    other_drivers: tuple[str, ...] = ()
    """Links whose driver is not the recorded one, by its digest."""

    @property
    def same(self) -> bool:
        """Whether the journal is whole and everything in it was computed again the same."""
        return self.difference is None and not self.damage

    @property
    def kept(self) -> list[Kept]:
        """The values taken, computed again."""
        return self.facts.kept

    @property
    def steps(self) -> list[StepEnded]:
        """The steps, computed again."""
        return self.facts.steps


def pipeline_of(header: Header, make_driver: MakeDriver) -> Pipeline:
    """The pipeline as it stood before the first event of the journal with this header."""
    drivers = {name: make_driver(d.kind, d.options, d.state) for name, d in header.drivers.items()}
    return Pipeline(header.plan, drivers)


def replay(raw: bytes, make_driver: MakeDriver, *, check: bool = True) -> Replay:
    """Compute the journal `raw` (all blocks joined) again.

    A damaged record is named in `Replay.damage`.  With `check` the replay ends there and the damage is the
    difference; without, it reads on as far as the damaged record makes sense, and the difference tells what the damage
    changes.
    """
    out = Replay()
    try:
        for _ in read_records(raw):
            pass
    except JournalError as error:
        out.damage, out.damaged_record = str(error), error.record
    comparison = _Comparison(out, make_driver)
    try:
        for record in read_records(raw, check=check):
            comparison.take(record)
            if out.difference is not None:
                break
    except JournalError as error:
        comparison.differs(error.record, "", f"damaged: {error}")
    comparison.finish()
    return out


def flip_bit(raw: bytes, n: int) -> bytes:
    """A copy of `raw` in which bit `n` (0 is the lowest of the first byte) is the other way round.

    Raises:
        SettingError: there is no such bit.
    """
    if not 0 <= n < 8 * len(raw):
        raise SettingError(f"must be from 0 to {8 * len(raw) - 1}: the journal has {len(raw)} bytes", key="--flip-bit")
    out = bytearray(raw)
    out[n // 8] ^= 1 << n % 8
    return bytes(out)


class _Comparison:
    """Takes records in order; whatever differs first is put into `out`."""

    def __init__(self, out: Replay, make_driver: MakeDriver) -> None:
        self._out = out
        self._make_driver = make_driver
        self._pipeline: Pipeline | None = None
        self._expected: deque[Effect] = deque()
        self._unsent: dict[str, deque[bytes]] = {}
        self._t = 0
        self._begin = 0
        self._last = -1

    def differs(self, record: int, link: str, what: str, recorded: str = "", recomputed: str = "") -> None:
        """Note a difference, if it is the first one."""
        if self._out.difference is None:
            since = (self._t - self._begin) * 1e-9
            self._out.difference = Difference(record, self._t, since, link, what, recorded, recomputed)

    def take(self, record: Record) -> None:
        """One record more."""
        self._last = record.index
        if record.header is not None:
            self._take_header(record.index, record.header)
        elif self._pipeline is None:
            self.differs(record.index, "", "the journal does not begin with its header")
        elif record.effect is not None:
            self._take_effect(record.index, record.effect)
        elif record.event is not None:
            self._take_event(record.index, record.event, self._pipeline)

    def _take_header(self, index: int, header: Header) -> None:
        if self._pipeline is not None:
            self.differs(index, "", "a second header")
            return
        self._out.header = header
        try:
            self._pipeline = pipeline = pipeline_of(header, self._make_driver)
        except (DaqError, LookupError, TypeError, ValueError, AttributeError, StopIteration) as error:
            self.differs(index, "", f"the header makes no sense: {error!r}")
            return
        recorded = header.drivers
        self._out.other_drivers = tuple(n for n, d in pipeline.drivers.items() if d.digest() != recorded[n].digest)

    def _take_event(self, index: int, event: Event, pipeline: Pipeline) -> None:
        link = getattr(event, "link", "")
        if not self._begin:
            self._begin = event.t
        if self._expected:
            missing = canonical(self._expected[0])
            self.differs(index, "", "an effect that is computed is not recorded before it", "", missing)
            return
        before, self._t = self._t, event.t
        if event.t < before:
            self.differs(index, link, f"goes back in time by {(before - event.t) * 1e-9:.9f} s", type(event).__name__)
            return
        waiting = self._unsent.get(link)
        if isinstance(event, Sent):
            due = waiting.popleft() if waiting else None
            if due != event.data:
                asked = repr(due) if due is not None else "nothing"
                self.differs(index, link, "another request was sent than computed", repr(event.data), asked)
                return
            self._out.effects += 1
        elif waiting and isinstance(event, (Received, LinkDown)):
            if isinstance(event, Received):
                self.differs(index, link, "a request that is computed was not sent", "", repr(waiting[0]))
                return
            waiting.clear()  # the write failed; that the link was lost is what came of it
        self._out.events += 1
        try:
            effects = pipeline.step((event,))
        except (ArithmeticError, LookupError, TypeError, ValueError) as error:
            if not self._out.damage:
                raise
            self.differs(index, link, f"cannot be computed: {error!r}")
            return
        for effect in effects:
            if isinstance(effect, Send):
                self._unsent.setdefault(effect.link, deque()).append(effect.data)
            else:
                self._expected.append(effect)

    def _take_effect(self, index: int, recorded: str) -> None:
        if not self._expected:
            self.differs(index, "", "an effect that is not computed", recorded)
            return
        recomputed = canonical(self._expected.popleft())
        if recomputed != recorded:
            kind = recorded.partition(" ")[0]
            self.differs(index, "", f"{kind} differs{_where(recorded, recomputed)}", recorded, recomputed)
            return
        self._out.effects += 1

    def finish(self) -> None:
        """The journal is over: take over what was computed."""
        pipeline = self._pipeline
        if pipeline is not None:
            self._out.facts = pipeline.facts()
            self._out.state = pipeline.state
            self._out.motor = pipeline.motor


def _where(recorded: str, recomputed: str) -> str:
    """The first place where two canonical texts of the same kind part."""
    for i, (a, b) in enumerate(zip(recorded, recomputed, strict=False)):
        if a != b:
            start = max(recorded.rfind(",", 0, i), recorded.rfind("{", 0, i)) + 1
            return f" at {recorded[start : i + 20]!r}"
    return " in length"


__all__ = ["Difference", "MakeDriver", "Replay", "flip_bit", "pipeline_of", "replay"]
