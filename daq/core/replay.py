"""Replay a journal: run the pipeline over the recorded events, and compare every effect with the recorded one.

A `Send` is not recorded as an effect; it is compared with the `Sent` event that followed.  A journal may end before
the run does (the daemon was killed).  This is not a difference, and the facts are those of the last event.

A fault whose rule is newer than the daq of the journal is no difference either: the recorded one counts.
"""

import json
from collections import deque
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

from daq.core.driver import Driver
from daq.core.effects import Concluded, Effect, Facts, Kept, Noted, Send, StepEnded
from daq.core.errors import DaqError, JournalError, SettingError
from daq.core.events import Event, LinkDown, Received, Sent
from daq.core.faults import codes_after
from daq.core.header import Header
from daq.core.journal import Record, canonical, read_records
from daq.core.pipeline import Observer, Pipeline
from daq.core.run import State

#: Function that makes the driver of a link from the header's data: kind, options, state.
MakeDriver = Callable[[str, Mapping[str, Any], Mapping[str, Any]], Driver]

PARAMETERS_SINCE: Final = 2
"""Format of the journal since which a note has parameters; in format 1 it has a text."""
SHOWN: Final = 300
"""Greatest number of characters of an effect that are shown in a difference."""


@dataclass(frozen=True, slots=True)
class Difference:
    """First difference between a journal and its recomputation: record, time, link and description."""

    record: int
    t: int
    """Monotonic time (ns) of the record, or of the record before it where the record is damaged."""
    since_begin_s: float
    link: str
    what: str
    recorded: str = ""
    recomputed: str = ""

    def __str__(self) -> str:
        where = f"record {self.record}, {self.since_begin_s:.3f} s after the beginning"
        first = f"{where}, {self.link}: {self.what}" if self.link else f"{where}: {self.what}"
        parts = [f"  {k}: {v[:SHOWN]}" for k, v in (("recorded", self.recorded), ("recomputed", self.recomputed)) if v]
        return "\n".join([first, *parts])


@dataclass(slots=True)
class Replay:
    """Result of a replay."""

    difference: Difference | None = None
    """The first difference; None where there is none."""
    damage: str = ""
    """The first damaged record and its fault, in words; "" where the journal is not damaged."""
    damaged_record: int = -1
    header: Header | None = None
    facts: Facts = field(default_factory=lambda: Facts(0, 0, "", None))
    events: int = 0
    effects: int = 0
    """Number of recorded effects and sent requests that were compared and found equal."""
    state: State = State.READY
    motor: str = ""
    other_drivers: tuple[str, ...] = ()
    """Links whose driver has another digest than the recorded one."""
    as_recorded: list[Kept] = field(default_factory=list)
    """The kept values with the faults that the daq of the journal found."""

    @property
    def same(self) -> bool:
        """True if the journal is not damaged and its recomputation has no difference."""
        return self.difference is None and not self.damage

    @property
    def kept(self) -> list[Kept]:
        """The kept values, computed again."""
        return self.facts.kept

    @property
    def steps(self) -> list[StepEnded]:
        """The steps, computed again."""
        return self.facts.steps


def as_recorded(kept: Kept, faults: Sequence[str], of_temperature: Sequence[str], newer: Collection[str]) -> Kept:
    """Return a kept value with its recorded faults where they differ from the computed ones by `newer` checks only.

    Where they differ by others too, it has the computed ones, without those of newer checks that are not recorded.
    """
    return replace(
        kept,
        faults=_of_record(kept.faults, faults, newer),
        temperature_faults=_of_record(kept.temperature_faults, of_temperature, newer),
    )


def _of_record(computed: tuple[str, ...], recorded: Sequence[str], newer: Collection[str]) -> tuple[str, ...]:
    changed = set(computed) ^ set(recorded)
    if "no_temperature" in changed & set(newer):
        # A reading that does not count for one of them may be out of the band for the other one.
        changed.discard("off_temperature")
    in_order = [f for f in recorded if f in computed] == [f for f in computed if f in recorded]
    if in_order and len(set(recorded)) == len(recorded) and changed <= set(newer):
        return tuple(recorded)
    return tuple(f for f in computed if f not in newer or f in recorded)


def pipeline_of(header: Header, make_driver: MakeDriver, observer: Observer | None = None) -> Pipeline:
    """Return the pipeline in its state before the first event of the journal with this header."""
    drivers = {name: make_driver(d.kind, d.options, d.state) for name, d in header.drivers.items()}
    return Pipeline(header.plan, drivers, observer, checks=header.checks)


def replay(raw: bytes, make_driver: MakeDriver, *, check: bool = True) -> Replay:
    """Return the replay of the journal `raw` (all blocks joined).

    `Replay.damage` names a damaged record.  With `check` the replay ends there, and the damage is the difference.
    Without `check` it continues if the damaged record can be decoded, and the difference shows the effect of the
    damage.
    """
    out = Replay()
    if not check:
        _find_damage(raw, out)
    comparison = _Comparison(out, make_driver)
    try:
        for record in read_records(raw, check=check):
            comparison.take(record)
            if out.difference is not None:
                break
    except JournalError as error:
        comparison.differs(error.record, "", f"damaged: {error}")
    if check and out.difference is not None:
        _find_damage(raw, out)  # without a difference every record was read
    comparison.finish()
    return out


def _find_damage(raw: bytes, out: Replay) -> None:
    try:
        for _ in read_records(raw):
            pass
    except JournalError as error:
        out.damage, out.damaged_record = str(error), error.record


def flip_bit(raw: bytes, n: int) -> bytes:
    """Return a copy of `raw` in which bit `n` (0 is the lowest bit of the first byte) is inverted.

    Raises:
        SettingError: `n` is not the number of a bit of `raw`.
    """
    if not 0 <= n < 8 * len(raw):
        raise SettingError(f"must be from 0 to {8 * len(raw) - 1}: the journal has {len(raw)} bytes", key="--flip-bit")
    out = bytearray(raw)
    out[n // 8] ^= 1 << n % 8
    return bytes(out)


class _Comparison:
    """Comparison of records in order; it stores the first difference in `out`."""

    def __init__(self, out: Replay, make_driver: MakeDriver) -> None:
        self._out = out
        self._make_driver = make_driver
        self._pipeline: Pipeline | None = None
        self._expected: deque[Effect] = deque()
        self._unsent: dict[str, deque[bytes]] = {}
        self._t = 0
        self._begin = 0
        self._last = -1
        self._newer: frozenset[str] = frozenset()
        """Codes that the daq of the journal may not have given."""
        self._kept: dict[int, tuple[Kept, Kept]] = {}
        """Kept values as computed and as recorded, by the identity of the former."""

    def differs(self, record: int, link: str, what: str, recorded: str = "", recomputed: str = "") -> None:
        """Store a difference, if it is the first one."""
        if self._out.difference is None:
            since = (self._t - self._begin) * 1e-9
            self._out.difference = Difference(record, self._t, since, link, what, recorded, recomputed)

    def take(self, record: Record) -> None:
        """Process the next record."""
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
            self._newer = codes_after(header.checks)
            self._pipeline = pipeline = pipeline_of(header, self._make_driver)
        except (DaqError, LookupError, TypeError, ValueError, AttributeError, StopIteration) as error:
            self.differs(index, "", f"the header cannot be decoded: {error!r}")
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
            waiting.clear()  # the request was not written because the link was lost
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
        effect = self._expected.popleft()
        if isinstance(effect, Kept):
            effect = self._as_recorded(effect, recorded)
        elif isinstance(effect, Concluded):
            effect = replace(effect, facts=replace(effect.facts, kept=self._all_as_recorded(effect.facts.kept)))
        recomputed = canonical(effect)
        header = self._out.header
        if header is not None and header.format < PARAMETERS_SINCE and isinstance(effect, Noted):
            recomputed = _as_before_parameters(effect, recorded)
        if recomputed != recorded:
            kind = recorded.partition(" ")[0]
            self.differs(index, "", f"{kind} differs{_where(recorded, recomputed)}", recorded, recomputed)
            return
        self._out.effects += 1

    def _as_recorded(self, kept: Kept, recorded: str) -> Kept:
        """Return a kept value as the daq of the journal computed it; `recorded` is the text of its effect."""
        faults, of_temperature = _recorded_faults(recorded)
        found = as_recorded(kept, faults, of_temperature, self._newer)
        self._kept[id(kept)] = kept, found
        return found

    def _all_as_recorded(self, kept: list[Kept]) -> list[Kept]:
        # A journal that ends before the run lacks the last values.
        return [self._kept[id(k)][1] if id(k) in self._kept else as_recorded(k, (), (), self._newer) for k in kept]

    def finish(self) -> None:
        """Store the computed facts and states after the last record."""
        pipeline = self._pipeline
        if pipeline is not None:
            self._out.facts = facts = pipeline.facts()
            self._out.as_recorded = self._all_as_recorded(facts.kept)
            self._out.state = pipeline.state
            self._out.motor = pipeline.motor


def _as_before_parameters(note: Noted, recorded: str) -> str:
    """Return a note in the form of format 1, with the recorded text, which is not computed any more."""
    kind, _, values = recorded.partition(" ")
    try:
        text = json.loads(values)["text"] if kind == Noted.__name__ else ""
    except (ValueError, LookupError, TypeError):
        text = ""
    values = json.dumps({"t": note.t, "code": note.code, "text": text}, sort_keys=True, separators=(",", ":"))
    return f"{Noted.__name__} {values}"


def _recorded_faults(recorded: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the faults of value and temperature in the text of a recorded kept value; none where it is not one."""
    kind, _, values = recorded.partition(" ")
    try:
        data = json.loads(values) if kind == Kept.__name__ else {}
    except ValueError:
        data = {}
    return codes_in(data, "faults") or (), codes_in(data, "temperature_faults") or ()


def codes_in(data: object, key: str) -> tuple[str, ...] | None:
    """Return the list of codes at a key of a decoded JSON object; None where it is not there, or no such list."""
    found = data.get(key) if isinstance(data, Mapping) else None
    return tuple(found) if isinstance(found, list) and all(isinstance(f, str) for f in found) else None


def _where(recorded: str, recomputed: str) -> str:
    """Return the first place at which two canonical texts of the same kind differ, as text."""
    for i, (a, b) in enumerate(zip(recorded, recomputed, strict=False)):
        if a != b:
            start = max(recorded.rfind(",", 0, i), recorded.rfind("{", 0, i)) + 1
            return f" at {recorded[start : i + 20]!r}"
    return " in length"


__all__ = ["Difference", "MakeDriver", "Replay", "as_recorded", "codes_in", "flip_bit", "pipeline_of", "replay"]
