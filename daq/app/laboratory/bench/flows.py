"""Hold the state machines of the benches: each step is stored before anything follows from it."""

import threading
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Final, Protocol

from daq.adapters.clock import Clock
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import Change, ChangedMeanwhileError, ChangeRecords
from daq.adapters.store.store import Store
from daq.app.laboratory.bench_work import DAEMON, Actor
from daq.app.laboratory.laboratory import Kept, changed, find, listed, new
from daq.core.errors import SettingError
from daq.laboratory.bench.bench_events import (
    Act,
    Begin,
    Event,
    KeepAfter,
    Message,
    NoteRun,
    Pressed,
    Stop,
    TakeOut,
    Text,
    Tick,
    coded_of,
)
from daq.laboratory.bench.benchstate import BenchState, Checklist, NamedSample, Outcome
from daq.laboratory.bench.checklists import Facts
from daq.laboratory.bench.flow import ASKS, CLEAR, step
from daq.laboratory.bench.restoring import restored
from daq.laboratory.declarations import Note
from daq.laboratory.kinds import LAST

OLD_VIEW: Final = "the screen showed an earlier state of this bench; look at it again, then repeat your key"


class Hands(Protocol):
    """The daemon as the flows use it; called in a thread."""

    def facts(self, reader: Reader, state: BenchState) -> Facts:
        """Return the facts about a bench."""
        ...

    def named(self, reader: Reader, bench: str, text: str) -> NamedSample:
        """Return the sample of an id; `SettingError` if the bench cannot measure it."""
        ...

    def begin(self, bench: str, begin: Begin, actor: Actor) -> None:
        """Start a run in the background; its start and end come back as events."""
        ...

    def stop(self, bench: str, actor: Actor) -> None:
        """Stop the run on a bench in the background."""
        ...

    def taken_out(self, reader: Reader, bench: str, geometry: TakeOut) -> Change:
        """Return the change that takes a geometry out of service; `SettingError` if it is out of service already."""
        ...


@dataclass(slots=True)
class _Held:
    """A bench in memory: state, revision, message, and the person of the newest key."""

    state: BenchState
    revision: int = 0
    message: Message = CLEAR
    actor: Actor = DAEMON
    steps: int = 0
    """Number of steps that changed state or message, for views."""


class BenchFlows:
    """The state machines of all benches.  Its methods wait for the disk, so the daemon calls them in threads."""

    def __init__(self, store: Store, clock: Clock, hands: Hands, new_id: Callable[[], str]) -> None:
        """`new_id` returns a new id for a note."""
        self._store, self._clock, self._hands, self._new_id = store, clock, hands, new_id
        self._held: dict[str, _Held] = {}
        self._lock = threading.RLock()

    # ---- the states

    def restore(
        self,
        benches: Iterable[str],
        newest: Callable[[Reader, str], Outcome | None],
        *,
        unclean: bool,
        unfinished: Mapping[str, str],
    ) -> None:
        """Restore the states of benches after a start of the daemon.

        Args:
            benches: names of the benches.
            newest: returns the end of the newest run of a bench.
            unclean: the daemon before did not end regularly.
            unfinished: by bench the sample of the run that had not ended when the daemon before ended; the run may have
                been started elsewhere, as by `daq run`.
        """
        with self._lock, self._store.reader() as reader:
            for bench in benches:
                kept = find(reader, BenchState, bench)
                if kept is None:
                    continue
                # Only such a run left its fill: one that had ended before may have been discarded long ago.
                left = unfinished.get(bench, "")
                state = restored(kept.record, newest(reader, bench), unclean=unclean, unfinished=left)
                if state != kept.record:
                    self._keep(kept, state, "daemon", "bench_restored")

    def _keep(self, kept: Kept[BenchState], state: BenchState, who: str, what: str) -> None:
        change = changed(kept, state, what)
        self._store.submit(ChangeRecords((change,), self._clock.utc_ns(), who)).result()

    def forget(self) -> None:
        """Read all states from the store again: an act has changed them there."""
        with self._lock:
            for held in self._held.values():
                held.revision = -1

    def state(self, bench: str) -> tuple[BenchState, int, Message]:
        """Return state, revision and message of a bench."""
        with self._lock, self._store.reader() as reader:
            held = self._of(reader, bench)
            return held.state, held.revision, held.message

    def steps(self, bench: str) -> tuple[int, int]:
        """Return numbers that differ when the state of a bench has changed; it waits for nothing."""
        held = self._held.get(bench)
        return (0, 0) if held is None else (held.steps, held.revision)

    def benches(self) -> list[str]:
        """Return the names of the benches that have a state."""
        with self._store.reader() as reader:
            return [k.record.id for k in listed(reader, BenchState, "id", "", LAST, limit=-1)]

    def _of(self, reader: Reader, bench: str) -> _Held:
        held = self._held.get(bench)
        if held is None or held.revision < 0:
            kept = find(reader, BenchState, bench)
            before = held
            held = _Held(BenchState(id=bench)) if kept is None else _Held(kept.record, kept.revision)
            if before is not None:
                held.actor, held.message, held.steps = before.actor, before.message, before.steps + 1
                times = {"since_ns": before.state.since_ns, "due_ns": before.state.due_ns}
                held.state = held.state.model_copy(update=times)
            self._held[bench] = held
        return held

    # ---- events

    def text(self, bench: str, text: str, actor: Actor, seen: int) -> None:
        """Take a text that was typed or scanned while the screen showed the revision `seen`.

        Raises:
            SettingError: the screen showed an earlier state.
        """
        with self._lock, self._store.reader() as reader:
            held = self._of(reader, bench)
            self._refuse_old(held, seen)
            event = Text(text)
            if ASKS.get(held.state.stage) in ("sample", "cup"):
                try:
                    event = Text(text, self._hands.named(reader, bench, text))
                except SettingError as error:
                    event = Text(text, None, str(error), coded_of(error))
            self._step(reader, held, event, actor, "bench_text")

    def command(self, bench: str, pressed: Pressed, actor: Actor, seen: int) -> None:
        """Take a command that was given while the screen showed the revision `seen`; a stop is taken at any time.

        Raises:
            SettingError: the screen showed an earlier state.
        """
        with self._lock, self._store.reader() as reader:
            held = self._of(reader, bench)
            if pressed.command != "stop":
                self._refuse_old(held, seen)
            self._step(reader, held, pressed, actor, f"bench_{pressed.command}")

    def take(self, bench: str, event: Event, what: str) -> None:
        """Take an event that no person caused: the start or the end of a run, or the time."""
        with self._lock, self._store.reader() as reader:
            held = self._of(reader, bench)
            self._step(reader, held, event, held.actor, what)

    def tick(self) -> None:
        """Let time pass on every bench that has a state."""
        for bench in self.benches():
            self.take(bench, Tick(), "bench_time")

    def facts(self, bench: str) -> Facts:
        """Return the facts about a bench now."""
        with self._lock, self._store.reader() as reader:
            return self._hands.facts(reader, self._of(reader, bench).state)

    @staticmethod
    def _refuse_old(held: _Held, seen: int) -> None:
        if seen != held.revision:
            raise SettingError(OLD_VIEW, key="seen")

    def _step(self, reader: Reader, held: _Held, event: Event, actor: Actor, what: str) -> None:
        facts = self._hands.facts(reader, held.state)
        done, because = step(held.state, event, facts), ""
        for act in done.acts:
            if isinstance(act, TakeOut):
                because = act.because
        held.steps += done.message is not None or done.state != held.state
        changes = self._changes(reader, held, done.state, done.acts, what)
        if done.message is not None:
            held.message = done.message
        if changes:
            try:
                made = ChangeRecords(tuple(changes), self._clock.utc_ns(), actor.who, because)
                self._store.submit(made).result()
            except ChangedMeanwhileError:
                held.revision = -1
                raise
            held.revision += any(c.kind == BenchState.kind for c in changes)
        held.state, held.actor = done.state, actor
        for act in done.acts:
            if isinstance(act, Begin):
                self._hands.begin(held.state.id, act, actor)
            elif isinstance(act, Stop):
                self._hands.stop(held.state.id, actor)

    def _changes(
        self, reader: Reader, held: _Held, state: BenchState, acts: tuple[Act, ...], what: str
    ) -> list[Change]:
        """Return the changes of a step; empty where nothing but the time has changed."""
        found: list[Change] = []
        if state.model_dump() != held.state.model_dump() or acts:
            data = state.model_dump(mode="json")
            found.append(Change(state.kind, state.id, what, data, state.keys(), held.revision))
        for act in acts:
            if isinstance(act, NoteRun):
                found.append(new(Note(id=self._new_id(), run=act.run, text=act.text), "note_added"))
            elif isinstance(act, TakeOut):
                found.append(self._hands.taken_out(reader, held.state.id, act))
            elif isinstance(act, KeepAfter):
                kept = find(reader, Checklist, act.run)
                if kept is not None:
                    found.append(changed(kept, kept.record.model_copy(update={"after": act.after}), "checklist_after"))
        return found
