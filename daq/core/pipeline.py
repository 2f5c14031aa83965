"""The heart: `step(events) -> effects`, pure, the same however the events are batched.

A `Pipeline` runs one plan once.  Its state is changed in place.  It asks for its next tick
through `wake_at`; whatever fell due before an event is done first, at the time it was due,
so lateness of the clock changes nothing.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Final

from daq.core.derive import getters
from daq.core.driver import Driver, Reply, Values
from daq.core.effects import Effect, Facts, Send
from daq.core.events import Event, LinkDown, LinkUp, OperatorCommand, Received, Sent, StoreFault, Tick
from daq.core.exchange import NEVER, Item
from daq.core.intake import Intake
from daq.core.lifecycle import LifeCycle
from daq.core.link import Checked, Link
from daq.core.linkeffects import Expected, LinkEffect, LinkMoved, RequestFailed
from daq.core.linkstates import LinkState, Motor, Purpose
from daq.core.plan import LinkPlan, Plan
from daq.core.remarks import remark
from daq.core.run import ACTIVE, State
from daq.core.stop import Clock, RuleProgress

FEW: Final = 8
"""Readings of one instant are processed as a batch if there are more than this; below it batching costs more than it
saves."""
SILENCES_TO_GIVE_UP: Final = 3
"""A lead instrument that is silent for this multiple of its `stale_after_ns` interrupts the run."""

#: Time (ns), link, the reading as checked, and whether it is a repeat (then it was not taken).
Observer = Callable[[int, str, Checked, bool], None]


class Pipeline:
    """One run of one plan: events in, effects out.

    Attributes:
        plan: the plan.
        drivers: one for each link, by name.
        links: the connections, by name.
        life: the life cycle of the run.
        wake_at: when (ns) something falls due without any event, or `NEVER`.
        observer: called with every reading before it is taken; None: nobody looks.
    """

    def __init__(self, plan: Plan, drivers: Mapping[str, Driver], observer: Observer | None = None) -> None:
        """`drivers` holds one driver for each link of the plan, by its name."""
        self.plan = plan
        self.drivers = dict(drivers)
        self.lead = plan.lead.name
        self.links = {link.name: self._link(link) for link in plan.links}
        self._signals = getters(plan.lead.channels, plan.derivations)
        self.life = LifeCycle(plan, self.links, self._signals, self._emit)
        self.wake_at = NEVER
        self.observer = observer
        self._lead_link = self.links[self.lead]
        self._all = tuple(self.links.values())
        self._companions: dict[str, float | None] = {}
        self._lead_silent = True
        self._ports: list[str] = []
        self._news: list[LinkEffect] = []
        self._effects: list[Effect] = []

    def _link(self, link: LinkPlan) -> Link:
        driver = self.drivers[link.name]
        intake = Intake.of_lead(self.plan, driver) if link.role == "lead" else Intake(driver)
        known = link.identity
        expected = Expected("", "") if known is None else Expected(known.serial, known.kind)
        return Link(link.name, driver, self._hear, purpose=Purpose.RUN, expected=expected, intake=intake)

    def _emit(self, effect: Effect) -> None:
        self._effects.append(effect)

    def _hear(self, effect: LinkEffect) -> None:
        if type(effect) is Send:
            self._effects.append(effect)
        else:
            self._news.append(effect)

    # ---- the one way in

    def step(self, events: Iterable[Event]) -> list[Effect]:
        """Take events in the order of their times and give what follows from them, in order.

        What falls due at the very time of an event comes after it, and is done by a tick of that time or by the
        next later event: so readings of one instant may come in one chunk or in many.  After the end nothing follows.
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
            else:
                self._take(event)
            if self._news:
                self._take_news()
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
            if event.what == "begin":
                self._begin(event.who)
            elif event.what == "stop":
                self.life.give_up("stopped by a person", remark("stopped_by_person", who=event.who))
        elif isinstance(event, StoreFault):
            self.life.note("store_fault", event.reason)
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

    def _take_news(self) -> None:
        """Act on what the connections tell, in order."""
        while self._news:
            news = self._news.pop(0)
            if isinstance(news, RequestFailed):
                self.life.request_failed(news)
            elif isinstance(news, LinkMoved) and news.trigger == "another instrument":
                # No value of this run can be believed.
                reason = remark(
                    "instrument_exchanged", instrument=news.link, detail=self.links[news.link].identity_said
                )
                self.life.give_up("another instrument", reason)
        self.life.settle()

    # ---- time

    def _next_due(self) -> int:
        """When (ns) something falls due without any event, or `NEVER`."""
        due = NEVER
        life = self.life
        if life.state is State.ENDED:
            return due
        for link in self._all:
            due = min(due, link.exchange.wake_at, link.alarm)
        meter = life.meter
        at = life.wake_at if meter is None else meter.wake_at
        due = min(at, due)
        if self._lead_link.exchange.silent and life.state in ACTIVE:
            due = min(due, self._silence_deadline())
        return due

    def _advance(self, t: int, *, including: bool) -> None:
        """Do everything that fell due before `t` (`including`: or at it), each at its own time."""
        while (due := self.wake_at) < t or (including and due == t):
            self.life.now = now = max(self.life.now, due)
            self._due(now)
            if self._news:
                self._take_news()
            self.wake_at = self._next_due()

    def _due(self, t: int) -> None:
        life = self.life
        for link in self._all:
            was_silent = link.exchange.silent
            if link.wake_at <= t:
                self._take_items(t, link, link.tick(t))
            if link.exchange.silent and not was_silent:
                self._silent(link)
            if self._news:
                self._take_news()
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
        self.life.note("link_down", f"{event.link}: {event.reason}")
        if event.link != self.lead:
            self._null(event.link)
        else:
            self.life.give_up("link lost", remark("connection_lost", instrument=event.link, detail=event.reason))

    def _silent(self, link: Link) -> None:
        seconds = link.exchange.stale_after_ns / 1e9
        self.life.note("silent", f"{link.name} has not answered for {seconds:g} s")
        self._null(link.name)

    def _null(self, link: str) -> None:
        """The signals of a link have no value any more: screens show none, holds are broken."""
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
        if link is self._lead_link and isinstance(items, list) and len(items) > FEW and self.observer is None:
            self._take_items(t, link, items[:1])
            items = items[1:]
            if self._rest_at_once(t, link, items):
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
            if self._news:
                self._take_news()
            if life.state is State.ENDED:
                return  # before the next line settles anything

    def _lead_reading(self, checked: Checked, turned: float) -> None:
        self._lead_silent = False
        intake = self._lead_link.intake
        if intake.keys_used:
            intake.keys_used = False
            self.life.note("keys_used", "the instrument's own keys were used")
        self.life.reading(checked, turned)

    def _rest_at_once(self, t: int, link: Link, items: Sequence[Item]) -> bool:
        """Take all further readings of one instant (none has a fault) together, where that cannot change anything."""
        meter = self.life.meter
        if meter is None or not meter.plain:
            return False
        rows: list[tuple[float, ...]] = list(items)  # type: ignore[arg-type]  # a list of `receive` holds nothing else
        if not link.intake.take_clean(t, rows):
            return False
        meter.many(t, rows)
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
        """Return the latest value of every signal, None where there is none."""
        last = self._lead_link.intake.last
        values: Sequence[float | None] = last.values if isinstance(last, Values) else last
        if self._lead_silent or not values:
            return dict.fromkeys(self._signals) | self._companions
        return {name: get(values) for name, get in self._signals.items()} | self._companions

    def faults(self) -> tuple[str, ...]:
        """Return the faults of the latest reading of the lead instrument."""
        return tuple(fault for _, fault in self.channel_faults())

    def channel_faults(self, link: str = "") -> tuple[tuple[str, str], ...]:
        """Return the faults of the latest reading of a link ("": the lead), each with its channel.

        The channel is "" for the whole instrument.
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
        """Return how near each condition that the run waits for is at `now` (ns), for a screen."""
        signals = self.signals()
        life = self.life
        if life.meter is not None:
            return life.meter.progress(signals, now)
        if life.state is not State.EQUILIBRATING:
            return []
        clock = Clock(start=life.stage_start, floor=life.stage_start, now=now)
        return [leaf.progress(clock, signals.get(leaf.rule.signal)) for leaf in life.equilibrating.leaves]
