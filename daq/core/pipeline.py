"""The heart: `step(events) -> effects`, pure, the same however the events are batched.

A `Pipeline` runs one plan once.  Its state is changed in place.  It asks for its next tick
through `wake_at`; whatever fell due before an event is done first, at the time it was due,
so lateness of the clock changes nothing.
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from daq.core.driver import Driver, Reply, Values
from daq.core.effects import Effect
from daq.core.events import Event, LinkDown, LinkUp, OperatorCommand, Received, Sent, StoreFault, Tick
from daq.core.exchange import NEVER, Exchange, Item
from daq.core.intake import Screen
from daq.core.lifecycle import LifeCycle
from daq.core.plan import Plan
from daq.core.run import ACTIVE, State
from daq.core.stop import Clock

FEW: Final = 8
"""From so many readings of one instant on, looking at them together pays."""
SILENCES_TO_GIVE_UP: Final = 3
"""A lead instrument silent for so many times its `stale_after_ns` interrupts the run."""


class Pipeline(LifeCycle):
    """One run of one plan: events in, effects out."""

    def __init__(self, plan: Plan, drivers: Mapping[str, Driver]) -> None:
        """`drivers` holds one driver for each link of the plan, by its name."""
        super().__init__(plan, drivers)
        self.wake_at = NEVER
        """When (ns) something falls due without any event, or `NEVER`."""
        self._companions: dict[str, float | None] = {}
        self._lead_silent = True
        self._screens = {
            link.name: Screen(drivers[link.name].channels) for link in plan.links if link.name != self.lead
        }

    # ---- the one way in

    def step(self, events: Iterable[Event]) -> list[Effect]:
        """Take events in the order of their times and give what follows from them, in order.

        What falls due at the very time of an event comes after it, and is done by a tick of that time or by the
        next later event: so readings of one instant may come in one chunk or in many.  After the end nothing follows.
        """
        self._effects = effects = list[Effect]()
        for event in events:
            self._advance(event.t, including=False)
            if self.state is State.ENDED:
                continue
            self._t = event.t
            if isinstance(event, Received):
                self._receive(event.t, event.link, event.data)
            elif isinstance(event, Tick):
                self._advance(event.t, including=True)
            else:
                self._take(event)
            self.wake_at = self._next_due()
        return effects

    def _take(self, event: Event) -> None:
        if isinstance(event, Sent):
            self.exchanges[event.link].sent(event.t)
        elif isinstance(event, LinkUp):
            self.exchanges[event.link].link_up(event.t)
            if self.state in ACTIVE:
                self.exchanges[event.link].start_polling(event.t)
        elif isinstance(event, LinkDown):
            self._link_down(event)
        elif isinstance(event, OperatorCommand):
            if event.what == "begin" and self.state is State.READY:
                self._begin(event.who)
            elif event.what == "stop":
                self._give_up("stopped by a person", event.who)
        elif isinstance(event, StoreFault):
            self._note("store_fault", event.reason)
            self._give_up("fault", f"the store cannot take readings: {event.reason}")

    # ---- time

    def _next_due(self) -> int:
        """When (ns) something falls due without any event, or `NEVER`."""
        due = NEVER
        if self.state is State.ENDED:
            return due
        for exchange in self.exchanges.values():
            due = min(due, exchange.wake_at)
        due = min(due, self._stage_due() if self.meter is None else self.meter.wake_at)
        if self._lead_exchange.silent and self.state in ACTIVE:
            due = min(due, self._silence_deadline())
        return due

    def _advance(self, t: int, *, including: bool) -> None:
        """Do everything that fell due before `t` (`including`: or at it), each at its own time."""
        while (due := self.wake_at) < t or (including and due == t):
            self._t = max(self._t, due)
            self._due(self._t)
            self.wake_at = self._next_due()

    def _due(self, t: int) -> None:
        for exchange in self.exchanges.values():
            was_silent = exchange.silent
            if exchange.wake_at <= t:
                self._take_items(t, exchange.name, exchange.tick(t))
            if exchange.silent and not was_silent:
                self._silent(t, exchange)
            if self.state is State.ENDED:
                return
        if self._lead_exchange.silent and self.state in ACTIVE and t >= self._silence_deadline():
            self._give_up("link lost", "the instrument does not answer any more")
        if self.meter is not None:
            if t >= self.meter.wake_at:
                self.meter.due(t)
                self._after_measuring(t)
        elif t >= self._stage_due():
            self._stage_over()

    def _silence_deadline(self) -> int:
        exchange = self._lead_exchange
        return exchange.last_reading_t + SILENCES_TO_GIVE_UP * exchange.stale_after_ns

    # ---- links

    def _link_down(self, event: LinkDown) -> None:
        self.exchanges[event.link].link_down()
        self._note("link_down", f"{event.link}: {event.reason}")
        if event.link != self.lead:
            self._null(event.t, event.link)
        elif self.state is State.STOPPING:
            self._end("may still be turning")
        else:
            self._give_up("link lost", f"{event.link}: {event.reason}")

    def _silent(self, t: int, exchange: Exchange) -> None:
        seconds = exchange.stale_after_ns / 1e9
        self._note("silent", f"{exchange.name} has not answered for {seconds:g} s")
        self._null(t, exchange.name)

    def _null(self, t: int, link: str) -> None:
        """The signals of a link have no value any more: screens show none, holds are broken."""
        prefix = "" if link == self.lead else f"{link}."
        signals = [prefix + c.name for c in self.drivers[link].channels]
        if link == self.lead:
            self._lead_silent = True
        else:
            self._companions |= dict.fromkeys(signals)
        if self.meter is not None:
            self.meter.null(t, signals)
        elif self.state is State.TEMPERING:
            self._temper(t, dict.fromkeys(signals))

    # ---- readings

    def _receive(self, t: int, link: str, data: bytes) -> None:
        items = self.exchanges[link].receive(t, data)
        if link == self.lead and isinstance(items, list) and len(items) > FEW:
            self._lead_item(t, items[0])
            items = items[1:]
            if self._rest_at_once(t, items):
                return
        self._take_items(t, link, items)

    def _take_items(self, t: int, link: str, items: Iterable[Item]) -> None:
        for item in items:
            if link == self.lead:
                self._lead_item(t, item)
            elif not isinstance(item, Reply):
                self._companion_reading(t, link, item)
            if self.state is State.ENDED:
                return  # before the next line settles anything

    def _lead_item(self, t: int, item: Item) -> None:
        if isinstance(item, Reply):
            self._acked.add(item.kind)
            return
        taken = self._intake.take(t, item)
        if taken is None:
            return
        checked, turned = taken
        self._lead_silent = False
        if self._intake.keys_used:
            self._intake.keys_used = False
            self._note("keys_used", "the instrument's own keys were used")
        if self.turning and isinstance(checked, Values) and self._at_limit(checked):
            self._limit_reached(t, item, checked)
        if self.meter is not None:
            self.meter.reading(t, checked, turned)
            if self.meter.met is not None:
                self._after_measuring(t)
        else:
            self._between_steps(t, checked.values if isinstance(checked, Values) else checked)

    def _rest_at_once(self, t: int, items: Sequence[Item]) -> bool:
        """Take all further readings of one instant (none has a fault) together, where that cannot change anything."""
        meter = self.meter
        if meter is None or not meter.plain:
            return False
        rows: list[tuple[float, ...]] = list(items)  # type: ignore[arg-type]  # a list of `receive` holds nothing else
        if not self._intake.take_clean(t, rows):
            return False
        meter.many(t, rows)
        return True

    def _companion_reading(self, t: int, link: str, item: tuple[float, ...] | Values) -> None:
        item = self._screens[link].check(item)
        values: Sequence[float | None] = item.values if isinstance(item, Values) else item
        names = [c.name for c in self.drivers[link].channels]
        signals = {f"{link}.{c}": v for c, v in zip(names, values, strict=True)}
        self._companions |= signals
        if self.meter is not None:
            self.meter.companion(t, link, item)
            if self.meter.met is not None:
                self._after_measuring(t)
        elif self.state is State.TEMPERING:
            self._temper(t, signals)

    # ---- for screens

    def signals(self) -> dict[str, float | None]:
        """The latest value of every signal, None where there is none; for screens."""
        last = self._intake.last
        values: Sequence[float | None] = last.values if isinstance(last, Values) else last
        if self._lead_silent or not values:
            return dict.fromkeys(self._getters) | self._companions
        return {name: get(values) for name, get in self._getters.items()} | self._companions

    def faults(self) -> tuple[str, ...]:
        """What is amiss with the latest reading of the lead instrument."""
        return tuple(fault for _, fault in self.channel_faults())

    def channel_faults(self) -> tuple[tuple[str, str], ...]:
        """The same with the channel each fault is of, "" for the whole instrument."""
        last = self._intake.last
        if self._lead_silent:
            return (("", "silent"),)
        return last.faults if isinstance(last, Values) else ()

    def progress(self, now: int) -> list[dict[str, object]]:
        """How near each condition that the run waits for is at `now` (ns), for a screen."""
        signals = self.signals()
        if self.meter is not None:
            return self.meter.progress(signals, now)
        if self.state is not State.TEMPERING:
            return []
        clock = Clock(start=self.stage_start, floor=self.stage_start, now=now)
        return [leaf.progress(clock, signals.get(leaf.rule.signal)) for leaf in self._tempering.leaves]
