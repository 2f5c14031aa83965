"""State machine of the connection of one instrument: exchange, check of readings, identity, and stop of the motor.

It is pure: time enters with every call, and effects go out through `emit`.  A session, a trial and a run each use one
instance.  The states are in `daq.core.linkstates`.
"""

from collections.abc import Callable, Iterable, Sequence
from typing import Final

from daq.core.driver import Driver, Identity, Reply, Request, Values
from daq.core.effects import Send
from daq.core.errors import DriverError
from daq.core.exchange import NEVER, Exchange, Item
from daq.core.identification import Identification
from daq.core.intake import Intake
from daq.core.linkeffects import (
    ANY_INSTRUMENT,
    ExpectedInstrument,
    IdentityChecked,
    LinkEffect,
    LinkMoved,
    Reopen,
    RequestFailed,
    TorqueOffZero,
)
from daq.core.linkstates import LINK_TRANSITIONS, REOPENING, IdentityCheck, LinkState, Motor, Purpose
from daq.core.resting import STILL, RestWatch, TorqueAtRest

Checked = tuple[float, ...] | Values
"""A checked reading: its values are finite, and in range or marked by faults."""

STOP_NS: Final = 10_000_000_000
"""The stop of the motor is repeated and read back for this time."""
STOP_POLL_NS: Final = 500_000_000
"""Longest interval between polls while the stop of the motor is read back."""
SILENT_POLLS: Final = 2
"""After a silence longer than this number of polls the identity is checked again."""
SHORTEST_SILENCE_NS: Final = 250_000_000
"""Shortest silence of a polled instrument; the computer itself may be late by this time."""
SHORTEST_PAUSE_NS: Final = 1_500_000_000
"""Shortest silence of a stream; converters and networks deliver its lines in bursts."""
LENDING_NS: Final = 5_000_000_000
"""Longest time that lending waits for the line to be free."""
LONGEST_IN_STATE_NS: Final = {LinkState.HALTING: STOP_NS, LinkState.LENDING: LENDING_NS}
"""Longest time in a state, ns."""
NO_IDENTITY: Final = "the driver makes no identity of the instrument's answer; tell its author"


class Link:
    """State machine of one connection.

    Attributes:
        state: one of `LinkState`.
        since: monotonic time (ns) at which the state was entered.
        identification: its identity, and the check of it.
        motor: state of the motor, as far as it is known.
        acked: actions that the instrument has acknowledged since the last set-point.
        turned: revolutions between the latest reading and the one before.
        timer_due: time (ns) at which a time limit of the link ends, apart from those of the exchange, or `NEVER`.
    """

    def __init__(
        self,
        name: str,
        driver: Driver,
        emit: Callable[[LinkEffect], None],
        *,
        purpose: Purpose,
        expected: ExpectedInstrument = ANY_INSTRUMENT,
        intake: Intake | None = None,
        interval_ns: int = 0,
    ) -> None:
        """Set up the connection.

        Args:
            name: name of the link.
            driver: driver of the instrument.
            emit: called with every effect.
            purpose: user of the connection.
            expected: instrument that must answer.
            intake: check of the readings; None checks all channels in the same way.
            interval_ns: time between polls; 0 for the interval of the driver.
        """
        self.name, self.driver, self.purpose = name, driver, purpose
        self.exchange = Exchange(name, driver, self._send, self._failed, interval_ns)
        self.identification = Identification(driver, self.exchange, expected, stays=purpose is Purpose.RUN)
        self.intake = intake or Intake(driver)
        self.state = LinkState.CLOSED
        self.since = 0
        self.motor = Motor.NOT_MOVED
        self.acked: set[str] = set()
        self.turned = 0.0
        self._rest: RestWatch | None = None
        self._emit = emit
        self._requires_identity = purpose is Purpose.IDLE
        names = [c.name for c in driver.channels]
        self._speed_at = names.index("speed") if "speed" in names else -1
        self._t = 0
        self._last_item_t = 0
        self._due = self.timer_due = NEVER
        shortest = SHORTEST_PAUSE_NS if driver.streams else SHORTEST_SILENCE_NS
        silence = max(SILENT_POLLS * self.exchange.interval_ns, shortest)
        self._silence_ns = silence if driver.identify() is not None else NEVER

    # ---- the states

    def _go(self, trigger: str, detail: str = "") -> None:
        source, target = self.state, LINK_TRANSITIONS[self.state, trigger]
        self.state, self.since = target, self._t
        self._set_timer()
        self._emit(LinkMoved(self._t, self.name, source, trigger, target, detail))
        if trigger in REOPENING or (self._requires_identity and target is LinkState.WRONG_INSTRUMENT):
            self._emit(Reopen(self.name, detail))
        if target is LinkState.IDENTIFYING:
            self._enter_identifying(source)
        elif target is LinkState.HALTING:
            self._enter_halting()
        elif target is LinkState.READY:
            if not self.exchange.polling:
                self.exchange.start_polling(self._t)
        elif target is LinkState.LENDING:
            self.exchange.stop_polling()
            self._lend_if_free()

    def open(self, t: int) -> None:
        """Begin to wait for the port, at `t` (ns)."""
        self._t = t
        self._go("open")

    def close(self, t: int) -> None:
        """Close the connection at `t` (ns)."""
        self._t = t
        self.exchange.link_down()
        if self.state is not LinkState.CLOSED:
            self._go("close")

    def port_open(self, t: int) -> None:
        """Start the identity check: the port is open at `t` (ns).

        Only the identity is requested before the instrument is known; after that a motor in doubt is stopped.
        """
        self._clear_line(t)
        self._go("port open")

    def _clear_line(self, t: int) -> None:
        """Start with an empty line at `t` (ns): no request is outstanding, and no reading was received."""
        self._t = self._last_item_t = t
        self.exchange.stop_polling()
        self.exchange.link_up(t)
        self.intake.clear()

    def port_lost(self, t: int, reason: str) -> None:
        """Discard all requests: the port was lost at `t` (ns)."""
        self._t = t
        self.exchange.link_down()
        self.intake.clear()
        if self.state is LinkState.HALTING:
            self.motor = Motor.IN_DOUBT
        if self.identification.check in (IdentityCheck.PENDING, IdentityCheck.SAME):
            # The instrument may be exchanged while the port is closed, so the earlier answer is void.
            self._identity_missing("the connection was lost")
        if self.state not in (LinkState.CLOSED, LinkState.OPENING):
            self._go("port lost", reason)

    @property
    def up(self) -> bool:
        """True if the port is open."""
        return self.exchange.up

    @property
    def _must_halt(self) -> bool:
        return self.motor is Motor.IN_DOUBT and "halt" in self.driver.capabilities

    # ---- bytes

    def receive(self, t: int, data: bytes) -> Iterable[Item]:
        """Return the items of `data`, read at `t` (ns); each must be given to `take` before the next is taken."""
        self._t = t
        return self.exchange.receive(t, data)

    def take(self, t: int, item: Item) -> Checked | None:
        """Return the item as a checked reading; None for a reply, a repeat, and a reading of a wrong instrument."""
        if type(item) is Reply:
            self._replied(t, item)
            return None
        state = self.state
        if state is LinkState.WRONG_INSTRUMENT:
            return None
        if t - self._last_item_t > self._silence_ns and state is LinkState.READY:
            self._t = t
            self._go("answers after a silence", f"no answer for {(t - self._last_item_t) / 1e9:.1f} s")
        self._last_item_t = t
        taken = self.intake.take(t, item)  # type: ignore[arg-type]  # a reply was dealt with
        if taken is None:
            return None
        checked, self.turned = taken
        if state is LinkState.HALTING:
            self._t = t
            self._watch_motor(checked.values if isinstance(checked, Values) else checked)
        elif self._rest is not None:
            found = self._rest.see(t, checked.values if isinstance(checked, Values) else checked)
            if found is not None:
                self._rest = None  # once is enough
                self._emit(TorqueOffZero(self.name, *found))
        return checked

    def sent(self, t: int) -> None:
        """Count the time-out from `t` (ns), when the bytes were written to the port."""
        self.exchange.sent(t)

    def tick(self, t: int) -> list[Item]:
        """Do what is due at `t` (ns), and return items for `take`."""
        self._t = t
        items = self.exchange.tick(t)
        if self.state is LinkState.READY and self._requires_identity and self.exchange.silent:
            self._go("silent, open again", f"no answer for {self.exchange.stale_after_ns / 1e9:g} s")
        if t >= self.identification.due:
            self.exchange.drop("identity")
            self._identity_missing("no answer in time")
            self._continue_unidentified()
        if t >= self._due:
            if self.state is LinkState.HALTING:
                self._stop_over(Motor.IN_DOUBT)
            else:
                self._go("line is never free", "other bytes come all the time")
        return items

    @property
    def wake_at(self) -> int:
        """Time (ns) at which an action is due without an event, or `NEVER`."""
        return min(self.exchange.wake_at, self.timer_due)

    def _set_timer(self) -> None:
        due = LONGEST_IN_STATE_NS.get(self.state)
        self._due = NEVER if due is None else self.since + due
        self.timer_due = min(self.identification.due, self._due)

    @property
    def trusted(self) -> bool:
        """True if the latest reading is from the instrument that was identified last."""
        return self.state in (LinkState.READY, LinkState.LENDING, LinkState.HALTING)

    # ---- who it is

    def identify(self, t: int, within_ns: int = 0) -> None:
        """Ask the instrument again for its identity, at `t` (ns).

        Without an answer within `within_ns` (0: until the request is given up) the identity is unknown.
        """
        self._t = t
        if self.state is LinkState.READY:
            self._go("ask again")
        elif self.state is LinkState.HALTING:
            self.identification.ask(self._t)
        if within_ns and self.identification.check is IdentityCheck.PENDING:
            self.identification.due = t + within_ns
            self._set_timer()

    def _enter_identifying(self, source: LinkState) -> None:
        if source is not LinkState.HALTING or self.purpose is not Purpose.RUN:
            self.identification.ask(self._t)
        # In a run the identity request follows the stop at once, so it may already be answered.
        if self.identification.check is IdentityCheck.NOT_ASKED:
            self._go_identified("cannot be asked")
        elif self.identification.check is IdentityCheck.SAME:
            self._go_identified("identified")
        elif self.identification.check is IdentityCheck.NO_ANSWER:
            self._continue_unidentified()

    def _identity_received(self, identity: Identity) -> None:
        difference = self.identification.received(identity)
        self._set_timer()
        self._emit(IdentityChecked(self.name, self.identification.check))
        if difference and self.state in (LinkState.IDENTIFYING, LinkState.HALTING):
            # The motor that was to be stopped stays in doubt: it belongs to the former instrument.
            self._go("another instrument", difference)
        elif self.state is LinkState.IDENTIFYING:
            self._go_identified("identified")

    def _go_identified(self, trigger: str) -> None:
        self._go(f"{trigger}, motor in doubt" if self._requires_identity and self._must_halt else trigger)

    def _identity_missing(self, reason: str) -> None:
        self.identification.missing(reason)
        self._set_timer()
        self._emit(IdentityChecked(self.name, self.identification.check))

    def _continue_unidentified(self) -> None:
        if self.state is LinkState.IDENTIFYING:
            detail = f"the instrument does not say who it is ({self.identification.detail}); check cable, port and baud"
            self._go("no answer, open again" if self._requires_identity else "no answer", detail)

    # ---- the motor

    def stop_motor(self, t: int, identify_within_ns: int = 0) -> None:
        """Stop the motor at `t` (ns) and read its speed back; the stop is sent before all other requests.

        With `identify_within_ns` greater than 0 the identity request follows the stop.
        """
        self._t = t
        if self.state in (LinkState.IDENTIFYING, LinkState.READY, LinkState.WRONG_INSTRUMENT):
            self._go("stop the motor")
        if identify_within_ns and self.state is LinkState.HALTING:
            self.identify(t, identify_within_ns)

    def _enter_halting(self) -> None:
        self.motor = Motor.IN_DOUBT
        self.acked.discard("halt")
        self.exchange.drop_queue()
        try:
            request = self.driver.action("halt")
        except DriverError:
            self._stop_over(Motor.IN_DOUBT)
            return
        self.exchange.ask(self._t, request, first=True)
        if not self.exchange.polling:
            self.exchange.start_polling(self._t)
        self.exchange.poll_faster(self._t, STOP_POLL_NS)

    def stands_still(self, values: Sequence[float | None]) -> bool:
        """Return whether the stop was acknowledged and the speed in `values` is zero (below `STILL`)."""
        speed = values[self._speed_at] if self._speed_at >= 0 else None
        return "halt" in self.acked and speed is not None and abs(speed) < STILL

    def _watch_motor(self, values: Sequence[float | None]) -> None:
        if self.stands_still(values):
            self._stop_over(Motor.STILL)

    def _stop_over(self, motor: Motor) -> None:
        self.motor = motor
        self.exchange.drop("halt")
        if motor is Motor.STILL:
            self._go("motor still")
        elif self._requires_identity:
            self._go("stop not confirmed, open again", "the motor does not confirm its stop; check the instrument")
        else:
            self._go("motor not still")

    # ---- lending

    def lend(self, t: int) -> None:
        """Lend the line to a run as soon as it is free: no request outstanding, no incomplete line received."""
        self._t = t
        self._go("lend")

    def lend_if_free(self, t: int) -> None:
        """Finish the lending after bytes or a tick at `t` (ns), if the line is now free."""
        self._t = t
        if self.state is LinkState.LENDING:
            self._lend_if_free()

    def _lend_if_free(self) -> None:
        if not self.exchange.busy and not self.exchange.framer.pending:
            self._go("line is free")

    def returned(self, t: int, motor: Motor, at_rest: TorqueAtRest | None = None) -> None:
        """Take the line back at `t` (ns); `motor` and `at_rest` are its state and its expected torque after the run."""
        self._rest = None if at_rest is None else RestWatch(at_rest, self._speed_at)
        self._clear_line(t)
        if motor is Motor.IN_DOUBT:
            self.motor = motor
        self._go("returned, motor in doubt" if self._must_halt else "returned")

    # ---- callbacks of the exchange

    def _send(self, link: str, data: bytes) -> None:
        self._emit(Send(link, data))

    def _replied(self, t: int, reply: Reply) -> None:
        self._t = t
        if reply.kind != "identity":
            self.acked.add(reply.kind)
        elif reply.identity is not None:
            self._last_item_t = t
            identity = self.identification.joined(reply.identity)
            if identity is not None:
                self._identity_received(identity)
        else:
            self._identity_missing(NO_IDENTITY)
            self._continue_unidentified()

    def _failed(self, link: str, request: Request, reason: str) -> None:
        if request.expects == "identity":
            self._identity_missing(reason)
            self._continue_unidentified()
        elif request.expects == "halt" and self.state is LinkState.HALTING:
            self.exchange.ask(self._t, request, first=True)  # the stop is repeated for `STOP_NS`
        self._emit(RequestFailed(link, request, reason))
