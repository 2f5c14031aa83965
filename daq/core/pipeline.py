"""Run one plan: `Pipeline.step(events)` returns effects; it is pure, and independent of how events are batched.

A `Pipeline` runs one plan once.  Its state changes in place.  `wake_at` is the time of the next tick that it needs.
Actions that were due before an event are done first, with the time at which they were due, so that a late tick does
not change the effects.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Final

from daq.core.derive import getters
from daq.core.driver import Driver, Reply, Values
from daq.core.effects import Effect, Facts, Send
from daq.core.events import ClockAnchor, Event, LinkDown, LinkUp, OperatorCommand, Received, Sent, StoreFault, Tick
from daq.core.exchange import NEVER, Item
from daq.core.faults import CHECKS
from daq.core.intake import Intake
from daq.core.lifecycle import LifeCycle
from daq.core.link import Checked, Link
from daq.core.linkeffects import ExpectedInstrument, LinkEffect, LinkMoved, RequestFailed
from daq.core.linkstates import LinkState, Motor, Purpose
from daq.core.plan import LinkPlan, Plan
from daq.core.remarks import remark
from daq.core.ruleprogress import RuleProgress
from daq.core.run import ACTIVE, State
from daq.core.stop import StepClock

LARGEST_UNBATCHED: Final = 8
"""Greatest number of readings with equal times that are taken one by one; for fewer, a batch costs more than it
saves."""
SILENCES_TO_GIVE_UP: Final = 3
"""The run is interrupted when the lead instrument is silent for this multiple of its `stale_after_ns`."""

#: Function called with time (ns), link, checked reading, and whether the reading is a repeat, which is not used.
Observer = Callable[[int, str, Checked, bool], None]


class Pipeline:
    """One run of one plan: events in, effects out.

    Attributes:
        plan: the plan.
        drivers: one driver for each link, by name.
        links: the connections, by name.
        life: the life cycle of the run.
        wake_at: time (ns) at which an action is due without an event, or `NEVER`.
        observer: called with every reading before it is used, or None.
    """

    def __init__(
        self,
        plan: Plan,
        drivers: Mapping[str, Driver],
        observer: Observer | None = None,
        *,
        checks: int = CHECKS,
    ) -> None:
        """Set up the run.

        `drivers` holds one driver for each link of the plan, by its name; `checks` is the number of the checks of the
        daq whose run this is.
        """
        self.plan = plan
        self._checks = checks
        self.drivers = dict(drivers)
        self.lead = plan.lead.name
        self.links = {link.name: self._link(link) for link in plan.links}
        self._signals = getters(plan.lead.channels, plan.derivations)
        self.life = LifeCycle(plan, self.links, self._signals, self._emit, checks)
        self.wake_at = NEVER
        self.observer = observer
        self._lead_link = self.links[self.lead]
        self._all = tuple(self.links.values())
        self._companions: dict[str, float | None] = {}
        self._lead_silent = True
        self._ports: list[str] = []
        self._link_effects: list[LinkEffect] = []
        self._effects: list[Effect] = []

    def _link(self, link: LinkPlan) -> Link:
        driver = self.drivers[link.name]
        intake = Intake.of_lead(self.plan, driver, self._checks) if link.role == "lead" else Intake(driver)
        expected = ExpectedInstrument.like(link.identity)
        return Link(link.name, driver, self._emit_link_effect, purpose=Purpose.RUN, expected=expected, intake=intake)

    def _emit(self, effect: Effect) -> None:
        self._effects.append(effect)

    def _emit_link_effect(self, effect: LinkEffect) -> None:
        if type(effect) is Send:
            self._effects.append(effect)
        else:
            self._link_effects.append(effect)

    # ---- events

    def step(self, events: Iterable[Event]) -> list[Effect]:
        """Process events in the order of their times, and return their effects in order.

        An action that is due at the time of an event comes after the event.  It is done by a tick of that time or by
        the next later event.  So readings of one time may arrive in one chunk or in several.  After the end of the
        run there are no effects.
        """
        self._effects = effects = list[Effect]()
        life = self.life
        for event in events:
            t = event.t
            if self.wake_at < t:
                self._advance(t, including=False)
            if life.state is State.ENDED:
                continue
            life.now = t
            kind = type(event)
            if kind is Received:
                self._receive(t, event.link, event.data)  # type: ignore[union-attr]  # the kind is known
            elif kind is Tick:
                self._advance(t, including=True)
                if not self._link_effects:
                    continue  # `_advance` has set `wake_at`
            else:
                self._take(event)
            if self._link_effects:
                self._handle_link_effects()
            self.wake_at = self._next_due()
        return effects

    def _take(self, event: Event) -> None:
        if isinstance(event, Sent):
            self.links[event.link].sent(event.t)
        elif isinstance(event, LinkUp):
            if event.link not in self._ports:
                self._ports.append(event.link)
            if self.life.state in ACTIVE:
                self._open(event.link)
        elif isinstance(event, LinkDown):
            self._link_down(event)
        elif isinstance(event, OperatorCommand):
            if event.command == "begin":
                self._begin(event.who)
            elif event.command == "stop":
                self.life.give_up("stopped by a person", remark("stopped_by_person", who=event.who))
        elif isinstance(event, ClockAnchor):
            self.life.anchored(event)
        elif isinstance(event, StoreFault):
            self.life.note("store_fault", detail=event.reason)
            self.life.give_up("fault", remark("store_failed", detail=event.reason))

    def _begin(self, who: str) -> None:
        self.life.begin(who, self._ports)
        if self.life.state is State.IDENTIFYING:
            for name in self._ports:
                self._open(name)
            self.life.settle()

    def _open(self, name: str) -> None:
        link = self.links[name]
        if link.state is LinkState.CLOSED:
            link.open(self.life.now)
        elif link.up:
            link.port_lost(self.life.now, "opened again")
        link.port_open(self.life.now)

    def _handle_link_effects(self) -> None:
        """Act on the effects of the connections, in order."""
        while self._link_effects:
            effect = self._link_effects.pop(0)
            if isinstance(effect, RequestFailed):
                self.life.request_failed(effect)
            elif isinstance(effect, LinkMoved) and effect.trigger == "another instrument":
                # The readings may come from either instrument, so no value of the run is valid.
                reason = remark(
                    "instrument_exchanged", instrument=effect.link, detail=self.links[effect.link].identification.detail
                )
                self.life.give_up("another instrument", reason)
        self.life.settle()

    # ---- time

    def _next_due(self) -> int:
        """Return the time (ns) at which an action is due without an event, or `NEVER`."""
        due = NEVER
        life = self.life
        if life.state is State.ENDED:
            return due
        for link in self._all:
            at = link.exchange.wake_at
            due = min(due, at, link.timer_due)
        meter = life.meter
        at = life.wake_at if meter is None else meter.wake_at
        due = min(due, at)
        if self._lead_link.exchange.silent and life.state in ACTIVE:
            due = min(due, self._silence_deadline())
        return due

    def _advance(self, t: int, *, including: bool) -> None:
        """Do all actions that were due before `t` (ns), or at `t` with `including`, each with its own time."""
        while (due := self.wake_at) < t or (including and due == t):
            self.life.now = now = max(self.life.now, due)
            self._due(now)
            if self._link_effects:
                self._handle_link_effects()
            self.wake_at = self._next_due()

    def _due(self, t: int) -> None:
        life = self.life
        for link in self._all:
            was_silent = link.exchange.silent
            if link.wake_at <= t:
                self._take_items(t, link, link.tick(t))
            if link.exchange.silent and not was_silent:
                self._silent(link)
            if self._link_effects:
                self._handle_link_effects()
            if life.state is State.ENDED:
                return
        if self._lead_link.exchange.silent and life.state in ACTIVE and t >= self._silence_deadline():
            life.give_up("link lost", remark("instrument_silent", instrument=self.lead))
        meter = life.meter
        if t >= (life.wake_at if meter is None else meter.wake_at):
            life.due()

    def _silence_deadline(self) -> int:
        exchange = self._lead_link.exchange
        return exchange.last_reading_t + SILENCES_TO_GIVE_UP * exchange.stale_after_ns

    # ---- links

    def _link_down(self, event: LinkDown) -> None:
        if event.link in self._ports:
            self._ports.remove(event.link)
        self.links[event.link].port_lost(event.t, event.reason)
        self.life.note("link_down", instrument=event.link, detail=event.reason)
        if event.link != self.lead:
            self._null(event.link)
        else:
            self.life.give_up("link lost", remark("connection_lost", instrument=event.link, detail=event.reason))

    def _silent(self, link: Link) -> None:
        seconds = link.exchange.stale_after_ns / 1e9
        self.life.note("silent", instrument=link.name, seconds=seconds)
        self._null(link.name)

    def _null(self, link: str) -> None:
        """Set the signals of a link to null: screens show no value, and holds of rules start again."""
        prefix = "" if link == self.lead else f"{link}."
        signals = [prefix + c.name for c in self.drivers[link].channels]
        if link == self.lead:
            self._lead_silent = True
        else:
            self._companions |= dict.fromkeys(signals)
        self.life.null(signals)

    # ---- readings

    def _receive(self, t: int, name: str, data: bytes) -> None:
        link = self.links[name]
        items = link.receive(t, data)
        if (
            link is self._lead_link
            and isinstance(items, list)
            and len(items) > LARGEST_UNBATCHED
            and self.observer is None
        ):
            self._take_items(t, link, items[:1])
            items = items[1:]
            if self._take_batch(t, link, items):
                return
        self._take_items(t, link, items)

    def _take_items(self, t: int, link: Link, items: Iterable[Item]) -> None:
        lead, life, observer = self._lead_link, self.life, self.observer
        for item in items:
            checked = link.take(t, item)
            if observer is not None and not isinstance(item, Reply):
                observer(t, link.name, item if checked is None else checked, checked is None)
            if checked is not None:
                if link is lead:
                    self._lead_reading(checked, link.turned)
                else:
                    self._companion_reading(link, checked)
            if self._link_effects:
                self._handle_link_effects()
            if life.state is State.ENDED:
                return  # the next item is not taken: taking it from the iterator would settle a request

    def _lead_reading(self, checked: Checked, turned: float) -> None:
        self._lead_silent = False
        intake = self._lead_link.intake
        if intake.keys_used:
            intake.keys_used = False
            self.life.note("keys_used")
        self.life.reading(checked, turned)

    def _take_batch(self, t: int, link: Link, items: Sequence[Item]) -> bool:
        """Take further readings with equal times (none has a fault) as a batch; False where single use is needed."""
        meter = self.life.meter
        if meter is None or not meter.batchable:
            return False
        rows: list[tuple[float, ...]] = list(items)  # type: ignore[arg-type]  # a list of `receive` holds nothing else
        if not link.intake.take_clean(t, rows):
            return False
        meter.add_batch(t, rows)
        return True

    def _companion_reading(self, link: Link, checked: Checked) -> None:
        values: Sequence[float | None] = checked.values if isinstance(checked, Values) else checked
        names = [c.name for c in link.driver.channels]
        signals = {f"{link.name}.{c}": v for c, v in zip(names, values, strict=True)}
        self._companions |= signals
        self.life.companion(link.name, checked, signals)

    # ---- for screens and results

    @property
    def state(self) -> State:
        """State of the run."""
        return self.life.state

    @property
    def motor(self) -> Motor:
        """State of the motor."""
        return self.life.motor

    def facts(self) -> Facts:
        """Return the facts of the run so far, with the counters of every link."""
        counters = {name: link.exchange.report() for name, link in self.links.items()}
        counters[self.lead]["repeats"] = self._lead_link.intake.repeats
        return replace(self.life.facts(), counters=counters)

    def signals(self) -> dict[str, float | None]:
        """Return the latest value of every signal; None for a signal without a value."""
        last = self._lead_link.intake.last
        values: Sequence[float | None] = last.values if isinstance(last, Values) else last
        if self._lead_silent or not values:
            return dict.fromkeys(self._signals) | self._companions
        return {name: get(values) for name, get in self._signals.items()} | self._companions

    def faults(self) -> tuple[str, ...]:
        """Return the faults of the latest reading of the lead instrument."""
        return tuple(fault for _, fault in self.channel_faults())

    def channel_faults(self, link: str = "") -> tuple[tuple[str, str], ...]:
        """Return the faults of the latest reading of a link ("" for the lead) as pairs of channel and fault.

        The channel is "" for a fault of the whole instrument.
        """
        found = self.links[link or self.lead]
        if not found.up:
            return (("", "link_down"),)
        if found.state is LinkState.WRONG_INSTRUMENT:
            return (("", "another_instrument"),)
        silent = self._lead_silent if found is self._lead_link else found.exchange.silent
        if silent:
            return (("", "silent"),)
        last = found.intake.last
        return last.faults if isinstance(last, Values) else ()

    def progress(self, now: int) -> list[RuleProgress]:
        """Return the progress of each condition for which the run waits at `now` (ns), for a screen."""
        signals = self.signals()
        life = self.life
        if life.meter is not None:
            return life.meter.progress(signals, now)
        if life.state is not State.EQUILIBRATING:
            return []
        clock = StepClock(start=life.stage_start, floor=life.stage_start, now=now)
        return [leaf.progress(clock, signals.get(leaf.rule.signal)) for leaf in life.equilibrating.leaves]
