"""Checks of a driver's declarations; most need no transcript."""

import inspect
import math
import re
from collections.abc import Callable
from functools import partial
from typing import Any, Final, get_args

from daq.core.driver import API_VERSION, Action, Driver, Port, Request
from daq.core.errors import DriverError, SettingError
from daq.core.faults import FAULTS
from daq.core.frames import make_framer
from daq.core.framing import Framing
from daq.core.units import UNITS
from daq.testing.case import DESCRIPTION, Case, called, note, passed, remade
from daq.testing.report import DriverFaultError, Finding, shown
from daq.testing.talk import MOTION, TRIED

MILLISECOND: Final = 1_000_000
SECOND: Final = 1_000_000_000
ACTIONS: Final = get_args(Action)
ON_LINK_LOSS: Final = get_args(Driver.__annotations__["on_link_loss"])
NAME: Final = re.compile(r"[a-z][a-z0-9_]{0,39}")
OTHER_OPTIONS: Final[tuple[Any, ...]] = (1, 2, 7, 60, 250, 1000, "1", "2", "B")
"""Values that options may have."""
JUNK: Final[tuple[Any, ...]] = (None, [], {}, "", "nonsense", -1, 0, 10**30, math.nan, True, b"\x00", 1e308)


def contract(case: Case) -> Finding:
    """Check that the driver is a subclass of `Driver` for this version of the contract, with a kind."""
    driver = case.driver
    if not isinstance(driver, Driver):
        raise DriverFaultError(f"{type(driver).__name__} is not a daq.core.driver.Driver", do="subclass it")
    if driver.api_version != API_VERSION:
        raise DriverFaultError(
            f"written for version {driver.api_version} of the contract, this daq has {API_VERSION}",
            do=f"see the changes in daq/core/driver.py, then set api_version = {API_VERSION}",
        )
    if not isinstance(getattr(driver, "kind", None), str) or not driver.kind:
        raise DriverFaultError("has no kind", do="set kind to the name of its entry point")
    return passed("contract", f"version {API_VERSION}, kind {driver.kind}")


def channels(case: Case) -> Finding:
    """Check names, UCUM units and ranges of the channels."""
    found = case.driver.channels
    if not found:
        raise DriverFaultError("measures nothing: channels is empty", do="list what a reading holds, in order")
    names = [c.name for c in found]
    for c in found:
        if NAME.fullmatch(c.name) is None:
            raise DriverFaultError(f"channel name {c.name!r}", do="lower-case letters, digits and _ only")
        if names.count(c.name) > 1:
            raise DriverFaultError(f"two channels are called {c.name!r}", do="give each its own name")
        if c.unit not in UNITS:
            known = ", ".join(sorted(UNITS))
            raise DriverFaultError(f"channel {c.name}: unknown unit {c.unit!r}", do=f"use a UCUM code; known: {known}")
        if not (math.isfinite(c.low) and math.isfinite(c.high) and c.low < c.high):
            raise DriverFaultError(
                f"channel {c.name}: range {c.low} to {c.high}", do="two finite numbers, the lower one first"
            )
    reach: Callable[[], list[str]] | None = getattr(case.driver, "unreached", None)
    beyond = reach() if reach is not None else []
    if beyond:
        raise DriverFaultError(
            f"a range is beyond the numbers of its field: {'; '.join(beyond)}",
            do="write `signed_bits` or a type such as i16be for negative numbers in two's complement; check the scale; "
            "otherwise give the range of the instrument",
        )
    return passed("channels", ", ".join(f"{c.name} in {c.unit}" for c in found))


def framing(case: Case) -> Finding:
    """Check that a framer can be made of the framing, and that `longest` is plausible."""
    spec = case.driver.framing
    if not isinstance(spec, Framing):
        raise DriverFaultError("framing is not a daq.core.framing.Framing", do="give one")
    called("the framing", lambda: make_framer(spec).feed(0, b"\x00" * 10))
    if not 2 <= spec.longest <= 65_536:
        raise DriverFaultError(
            f"longest line of {spec.longest} bytes",
            do="give the length of the longest line of the instrument (2 to 65536 bytes)",
        )
    if case.talk is not None:
        longest = max((len(e.frame) for e in case.talk.examples), default=0)
        if longest * 10 < spec.longest and spec.longest > 4096:
            return note("framing", f"longest = {spec.longest}, but no line was longer than {longest} bytes")
    ends = " or ".join(shown(e) for e in spec.ends) if spec.by_terminator else "length, silence or measure"
    return passed("framing", f"ends: {ends}; longest {spec.longest} bytes")


def port(case: Case) -> Finding:
    """Check that a serial port can have these settings."""
    p: Port = case.driver.port
    wrong = [
        text
        for bad, text in (
            (not 50 <= p.baud <= 12_000_000, f"baud {p.baud}"),
            (p.data_bits not in (5, 6, 7, 8), f"data_bits {p.data_bits}"),
            (p.parity not in ("N", "E", "O"), f"parity {p.parity!r}"),
            (p.stop_bits not in (1, 1.5, 2), f"stop_bits {p.stop_bits}"),
            (p.flow not in ("none", "xon/xoff", "rts/cts"), f"flow {p.flow!r}"),
            (not 0 <= p.settle_ns <= 60 * SECOND, f"settle_ns {p.settle_ns}"),
            (not 0 <= p.byte_pause_ns <= SECOND, f"byte_pause_ns {p.byte_pause_ns}"),
        )
        if bad
    ]
    if wrong:
        raise DriverFaultError(f"no serial port can be set to {', '.join(wrong)}", do="see the maker's manual")
    return passed("port", f"{p.baud} baud, {p.data_bits}{p.parity}{p.stop_bits:g}")


def requests(case: Case) -> Finding:
    """Check the requests: their types, their ends, and that the capture has the same ones."""
    driver = case.driver
    poll = called("poll()", driver.poll)
    if driver.streams and poll is not None:
        raise DriverFaultError(
            "streams, and poll() gives a request", do="return None from poll(), or set streams = False"
        )
    if not driver.streams and not poll:
        raise DriverFaultError("is polled, but poll() gives nothing", do="return a Request from poll(), or set streams")
    polls: list[Any] = [] if poll is None else [poll] if isinstance(poll, Request) else list(poll)
    if poll is not None and called("poll()", driver.poll) != poll:
        raise DriverFaultError("poll() gives another request the second time", do="return always the same requests")
    found = [(p, "reading") for p in polls]
    for request, expects in ((called("identify()", driver.identify), "identity"), (_start(driver), "")):
        if request is not None:
            found.append((request, expects))
    for request, expects in found:
        _proper(request, expects)
    ends = {_controls(r.data) for r, _ in found if _is_text(r.data)}
    if len(ends) > 1:
        seen = [shown(r.data) for r, _ in found]
        raise DriverFaultError("requests end differently", *seen, do="end every request as the instrument expects it")
    if case.talk is not None and case.talk.source.startswith("capture"):
        _were_sent(case, [r for r, _ in found])
    return passed("requests", ", ".join(shown(r.data) for r, _ in found) or "asks nothing")


def _start(driver: Driver) -> Any:
    request = called("start_stream()", driver.start_stream)
    if request is not None and not driver.streams:
        raise DriverFaultError("start_stream() of a driver that is polled", do="return None, or set streams = True")
    return request


def _proper(request: Any, expects: str) -> None:
    if not isinstance(request, Request):
        raise DriverFaultError(f"{shown(request)} is not a Request", do="return Request(data, expects)")
    if not isinstance(request.data, bytes) or not 1 <= len(request.data) <= 4096:
        raise DriverFaultError(f"a request of {shown(request.data)}", do="1 to 4096 bytes, terminator included")
    if expects and request.expects != expects:
        raise DriverFaultError(
            f"the request {shown(request.data)} expects {request.expects!r}", do=f"it must expect {expects!r}"
        )


def _is_text(data: bytes) -> bool:
    return all(0x20 <= b < 0x7F or b in b"\r\n\t\x02\x03\x1b" for b in data)


def _controls(data: bytes) -> bytes:
    return data[len(data.rstrip(b"\r\n\x03\x04\x00")) :]


def _were_sent(case: Case, asked: list[Request]) -> None:
    talk = case.transcript()
    captured = [*talk.answers, *talk.unanswered]
    for request in asked:
        if captured and request.data not in captured:
            near = [c for c in captured if c.strip(b"\r\n ") == request.data.strip(b"\r\n ")]
            do = f"end it as in the capture: {shown(near[0])}" if near else "send the request of the capture"
            raise DriverFaultError(
                f"the request {shown(request.data)} was never sent in the capture",
                *(f"sent there: {shown(c)}" for c in captured[:6]),
                do=do,
            )
        if request.data in talk.unanswered and request.data not in talk.answers and not case.driver.streams:
            raise DriverFaultError(
                f"the capture has no answer to {shown(request.data)}", do="compare it with the maker's manual"
            )


def times(case: Case) -> Finding:
    """Check time-outs, tries and intervals, and that the time-outs are longer than the answers took."""
    d = case.driver
    if not MILLISECOND <= d.interval_ns <= 86_400 * SECOND:
        raise DriverFaultError(f"interval of {d.interval_ns} ns", do="1 ms to one day")
    for name in ("refresh_ns", "stale_after_ns", "pause_ns", "wake_after_ns", "wake_wait_ns", "lag_ns"):
        value = getattr(d, name)
        if not isinstance(value, int) or not 0 <= value <= 86_400 * SECOND:
            raise DriverFaultError(f"{name} = {value!r}", do="whole nanoseconds, 0 to one day")
    if not isinstance(d.wake, bytes):
        raise DriverFaultError(f"wake = {shown(d.wake)}", do="give the wake-up bytes as bytes: b'...'")
    if not d.wake and (d.wake_after_ns or d.wake_wait_ns):
        raise DriverFaultError("times for wake-up bytes, but no wake-up bytes", do="set wake")
    asked = all_requests(d)
    for request in asked:
        if not MILLISECOND <= request.timeout_ns <= 120 * SECOND:
            raise DriverFaultError(
                f"{shown(request.data)}: time-out of {request.timeout_ns} ns", do="1 ms to two minutes"
            )
        if not 1 <= request.tries <= 20:
            raise DriverFaultError(f"{shown(request.data)}: {request.tries} tries", do="1 to 20")
    slowest = case.talk.slowest_ns if case.talk is not None and not case.talk.simulated else {}
    for request in asked:
        took = slowest.get(request.data, 0)
        if took > request.timeout_ns:
            raise DriverFaultError(
                f"the answer to {shown(request.data)} took up to {took / 1e9:.3f} s, the time-out is "
                f"{request.timeout_ns / 1e9:g} s",
                do="use a time-out of at least twice the slowest answer",
            )
    if d.stale_after_ns and d.stale_after_ns < d.interval_ns:
        raise DriverFaultError(
            f"silent after {d.stale_after_ns / 1e9:g} s, but a reading comes every {d.interval_ns / 1e9:g} s only",
            do="set stale_after_ns to several intervals, or to 0 where silence means nothing",
        )
    return passed("times", f"every {d.interval_ns / 1e9:g} s, silent after {d.stale_after_ns / 1e9:g} s")


def all_requests(driver: Driver) -> list[Request]:
    """Return every request of a driver, those of its actions included."""
    poll = driver.poll()
    found = [] if poll is None else [poll] if isinstance(poll, Request) else list(poll)
    found += [r for r in (driver.identify(), driver.start_stream()) if r is not None]
    for action in driver.capabilities:
        request = called(f"action({action!r})", partial(driver.action, action, TRIED.get(action)), DriverError)
        if request is not None:
            found.append(request)
    return found


def motion(case: Case) -> Finding:
    """Check that an instrument that moves can be stopped, and that every action has the right request."""
    d = case.driver
    unknown = sorted(set(d.capabilities) - set(ACTIONS))
    if unknown:
        raise DriverFaultError(f"capabilities {unknown}", do=f"known are {', '.join(ACTIONS)}")
    moves = sorted(set(MOTION) & set(d.capabilities))
    if moves and "halt" not in d.capabilities:
        raise DriverFaultError(
            f"can {' and '.join(moves)}, but not halt", do="add halt: an instrument that moves must be stoppable"
        )
    if d.on_link_loss not in ON_LINK_LOSS:
        raise DriverFaultError(f"on_link_loss = {shown(d.on_link_loss)}", do=f"one of {', '.join(ON_LINK_LOSS)}")
    if moves and d.on_link_loss == "no_motor":
        raise DriverFaultError("has a motor, but on_link_loss is 'no_motor'", do="set on_link_loss")
    if "zero" in d.capabilities and not d.zero_condition:
        raise DriverFaultError("can be zeroed, but has no condition for it", do="set zero_condition")
    for action in ACTIONS:
        if action in d.capabilities:
            _can(d, action)
        else:
            _cannot(d, action)
    if "halt" in d.capabilities and d.action("halt").tries < 2:
        raise DriverFaultError("tries to halt only once", do="repeat a halt: tries of 2 or more")
    return passed("motion", "can " + ", ".join(sorted(d.capabilities)) if d.capabilities else "no actions")


def _can(d: Driver, action: Action) -> None:
    """Check the request of an action among the driver's capabilities."""
    request = called(f"action({action!r})", partial(d.action, action, TRIED.get(action)), DriverError)
    if request is None:
        raise DriverFaultError(f"refuses {action!r} {TRIED.get(action, '')}", do="return the Request")
    _proper(request, action)
    for value in (math.nan, math.inf, -math.inf, None) if action in TRIED else ():
        given = called(f"action({action!r}, {value})", partial(d.action, action, value), DriverError)
        if given is not None:
            raise DriverFaultError(
                f"would send {shown(given.data)} for {action} to {value}",
                do="raise DriverError for a value that is not a finite number",
            )
    _distinct(d, action)


def _distinct(d: Driver, action: Action) -> None:
    """Check that other values of an action give other requests: no sign or fraction is lost, no limit is passed."""
    if action not in TRIED:
        return
    for one, other in ((TRIED[action], -TRIED[action]), (TRIED[action], TRIED[action] + 0.5)):
        sent = [called(f"action({action!r}, {v})", partial(d.action, action, v), DriverError) for v in (one, other)]
        if None not in sent and sent[0].data == sent[1].data:
            raise DriverFaultError(
                f"sends {shown(sent[0].data)} for {action} to {one:g} and to {other:g}",
                do="send the value as it is, or raise DriverError for one that the instrument cannot have",
            )
    if called(f"action({action!r}, 1e300)", partial(d.action, action, 1e300), DriverError) is not None:
        raise DriverFaultError(
            f"would send {action} to 1e300", do="raise DriverError for a value beyond the limits of the instrument"
        )


def _cannot(d: Driver, action: Action) -> None:
    """Check that an action that is not among the driver's capabilities is refused."""
    try:
        d.action(action, TRIED.get(action))
    except DriverError:
        return
    raise DriverFaultError(
        f"gives a request for {action!r}, which is not among its capabilities",
        do="list it in capabilities, or raise DriverError",
    )


def options(case: Case) -> Finding:
    """Check that wrong options raise `SettingError` with the key, and nothing else."""
    d = case.driver
    try:
        remade(d, {**d.options, "no_such_option": 1})
    except SettingError:
        pass
    except Exception as error:
        raise DriverFaultError(
            f"an unknown option raised {type(error).__name__}: {error}",
            do="raise SettingError(reason, key='options.NAME')",
        ) from error
    else:
        raise DriverFaultError(
            "accepts an unknown option", do="refuse unknown options: a misspelt one would have no effect"
        )
    for name in _option_names(d):
        for junk in JUNK:
            called(f"option {name} = {junk!r}", partial(remade, d, {**d.options, name: junk}), SettingError)
    return passed("options", "unknown and wrong ones are refused")


def _option_names(driver: Driver) -> list[str]:
    names = {*driver.options, *getattr(getattr(driver, "tables", None), "options", ())}
    for own in type(driver).__mro__[: type(driver).__mro__.index(Driver)]:
        try:
            source = inspect.getsource(own)
        except (OSError, TypeError):
            continue
        names |= set(re.findall(r"options(?:\.get\(|\[)\s*[\"'](\w+)[\"']", source))
    return sorted(names - {DESCRIPTION})


def digest(case: Case) -> Finding:
    """Check that two equal drivers have the same digest."""
    a, b = case.make().digest(), case.make().digest()
    if a != b:
        raise DriverFaultError("the digest changes from driver to driver", a, b, do="leave digest() as it is")
    if re.fullmatch(r"[0-9a-f]{64}", a) is None:
        raise DriverFaultError(f"the digest is {shown(a)}", do="SHA-256 as 64 hex digits; leave digest() as it is")
    for name in _option_names(case.driver):
        others = []
        for value in OTHER_OPTIONS:
            try:
                others.append(remade(case.driver, {**case.driver.options, name: value}).digest())
            except Exception:  # noqa: BLE001, S112 - the check `options` judges it
                continue
        if len(others) > 1 and set(others) == {a}:
            raise DriverFaultError(
                f"the digest is the same for other values of the option {name}", do="leave digest() as it is"
            )
    return passed("digest", a[:16])


def known_faults() -> frozenset[str]:
    """Return the names of faults that a driver may use."""
    return frozenset(FAULTS)
