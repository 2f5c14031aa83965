"""Transcript of an instrument for the checks of the kit, from a capture or from a simulator."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final

from daq.core.driver import Decoded, Driver, Part, Reject, Reply, Request, Several, Values
from daq.core.echo import Echo
from daq.core.errors import DriverError
from daq.core.frames import make_framer
from daq.core.framing import NEVER, Framing
from daq.descriptions.capture import Capture, Piece
from daq.testing.bench import Simulator

SECOND: Final = 1_000_000_000
LATENCY_NS: Final = 2_000_000
TRIED: Final[dict[str, float]] = {"speed": 12.0, "bath": 25.0}
"""Values with which actions are tried."""
MOTION: Final = ("speed", "turn")


@dataclass(frozen=True, slots=True)
class Example:
    """One received frame, the request before it, and its meaning for the driver."""

    frame: bytes
    asked: Request | None
    meaning: Decoded


@dataclass(slots=True)
class Transcript:
    """Requests and frames of an instrument.

    Attributes:
        source: description of the source, for the report.
        examples: every frame, in order.
        answers: for each request its answers in order, as bytes with their marks.
        stream: unasked frames, in order, as bytes with their marks.
        slowest_ns: for each request the longest time to the end of its answer, ns.
        unanswered: requests without an answer.
        shown: texts of the display, each with the number of examples before it.
        simulated: True where the source is a simulator.
        skipped: bytes after the first line that belong to no line.
    """

    source: str
    examples: list[Example] = field(default_factory=list)
    answers: dict[bytes, list[bytes]] = field(default_factory=dict)
    stream: list[bytes] = field(default_factory=list)
    slowest_ns: dict[bytes, int] = field(default_factory=dict)
    unanswered: list[bytes] = field(default_factory=list)
    shown: list[tuple[int, str]] = field(default_factory=list)
    simulated: bool = False
    skipped: int = 0

    @property
    def readings(self) -> list[Example]:
        """Frames that are readings or parts of a reading."""
        return [e for e in self.examples if is_reading(e.meaning)]


def is_reading(meaning: Decoded) -> bool:
    """Return True where a meaning is a reading or a part of one."""
    return isinstance(meaning, tuple | Values | Part | Several)


def row_of(meaning: Decoded) -> tuple[float | None, ...] | None:
    """Return the values of a reading or a part of one; of several readings in one line the latest counts."""
    if isinstance(meaning, Several):
        meaning = meaning.readings[-1]
    if isinstance(meaning, Values):
        return meaning.values
    if isinstance(meaning, Part):
        return tuple(v for _, v in meaning.values)
    return meaning if isinstance(meaning, tuple) else None


def values_of(meaning: Decoded) -> dict[int, float]:
    """Return the values of a reading, or of a part of one, by index of the channel; missing ones are left out."""
    if isinstance(meaning, Several):
        meaning = meaning.readings[-1]
    pairs = meaning.values if isinstance(meaning, Part) else enumerate(row_of(meaning) or ())
    return {i: v for i, v in pairs if v is not None}


def raw(framing: Framing, frame: bytes) -> bytes:
    """Return a frame with its marks, as it is sent over the line."""
    return framing.begin + frame + (framing.ends[0] if framing.by_terminator else b"")


def requests_of(driver: Driver) -> list[Request]:
    """Return all requests of a driver; actions with a value get that of `TRIED`."""
    found = [
        request
        for request in (driver.identify(), *driver.identify_more(), driver.start_stream())
        if request is not None
    ]
    poll = driver.poll()
    if poll is not None:
        found += [poll] if isinstance(poll, Request) else poll
    for action in sorted(driver.capabilities):
        try:
            found.append(driver.action(action, TRIED.get(action)))
        except DriverError:
            continue
    return found


def transcribe(driver: Driver, capture: Capture, source: str) -> Transcript:
    """Make a transcript of a capture with a driver's framing and requests; the state of `driver` is changed."""
    listener = _Listener(driver, source)
    for piece in capture.pieces:
        listener.wait_until(piece.t)
        if piece.way == "=":
            listener.shown(piece.data)
        elif piece.way == "<":
            listener.received(piece.t, piece.data)
        else:
            listener.sent(piece.t, piece.data)
    return listener.end()


class _Listener:
    """Combines the pieces of a capture to requests and answers."""

    def __init__(self, driver: Driver, source: str) -> None:
        self._driver = driver
        self._talk = Transcript(source)
        self._known = {r.data: r for r in requests_of(driver)}
        self._framer = make_framer(driver.framing)
        if driver.framing.drop_first:
            # A capture starts with a complete line more often than within one.
            self._framer.feed(0, driver.framing.ends[0])
        self._echo = Echo(speaks_unasked=driver.streams) if driver.echoes else None
        self._asked: Request | None = None
        self._skipped_before = 0
        self._said = b""
        self._sent_at = 0
        self._got: list[bytes] = []

    def wait_until(self, t: int) -> None:
        """Advance the time to `t` (ns): a silence may end a line."""
        if self._framer.wake_at <= t:
            self._take(self._framer.wake_at, self._framer.tick(self._framer.wake_at))

    def shown(self, data: bytes) -> None:
        """Add a text of the instrument's display."""
        self._talk.shown.append((len(self._talk.examples), data.decode("utf-8", "replace")))

    def received(self, t: int, data: bytes) -> None:
        """Add bytes from the instrument."""
        self._take(t, self._framer.feed(t, self._echo.strip(data) if self._echo else data))

    def sent(self, t: int, data: bytes) -> None:
        """Add a request to the instrument."""
        self._settle()
        self._said, self._sent_at, self._asked = data, t, self._known.get(data)
        if self._echo:
            self._echo.expect(data)
        if not self._driver.streams and self._framer.starts_anew:
            self._framer.forget()

    def end(self) -> Transcript:
        """Finish the last line and return the transcript."""
        self.wait_until(NEVER - 1)
        self._settle()
        self._talk.skipped = self._framer.counters.skipped - self._skipped_before
        return self._talk

    def _settle(self) -> None:
        """Record the frames since the last request as its answer."""
        if self._said and self._said != self._driver.wake:
            if self._got:
                self._talk.answers.setdefault(self._said, []).append(b"".join(self._got))
            elif self._said not in self._talk.unanswered:
                self._talk.unanswered.append(self._said)
        self._got.clear()

    def _take(self, t: int, frames: list[bytes]) -> None:
        talk = self._talk
        if frames and not talk.examples:
            self._skipped_before = self._framer.counters.skipped
        for frame in frames:
            meaning = self._driver.decode(frame, self._asked)
            talk.examples.append(Example(frame, self._asked, meaning))
            with_marks = raw(self._driver.framing, frame)
            if self._driver.streams and not isinstance(meaning, Reply):
                talk.stream.append(with_marks)
                continue
            self._got.append(with_marks)
            if self._said:
                talk.slowest_ns[self._said] = max(talk.slowest_ns.get(self._said, 0), t - self._sent_at)


def record(driver: Driver, simulator: Simulator, readings: int = 24) -> Capture:
    """Record a simulator's answers to all requests and actions of a driver, and `readings` readings."""
    recorder = _Recorder(driver, simulator)
    recorder.wait(SECOND // 10)
    for request in requests_of(driver):
        if request.expects not in ("reading", "halt"):
            recorder.ask(request)
    for _ in range(readings):
        poll = driver.poll()
        if poll is None:
            recorder.wait(driver.interval_ns)
            continue
        before = recorder.t
        for request in (poll,) if isinstance(poll, Request) else poll:
            recorder.ask(request)
        recorder.wait(max(0, driver.interval_ns - (recorder.t - before)))
    if "halt" in driver.capabilities:
        recorder.ask(driver.action("halt"))
    return recorder.capture


class _Recorder:
    """Sends requests to a simulator in virtual time and records both directions."""

    def __init__(self, driver: Driver, simulator: Simulator) -> None:
        self.capture = Capture()
        self.t = 0
        self._driver, self._simulator = driver, simulator
        self._awake_since = -NEVER

    def ask(self, request: Request) -> None:
        """Send a request and wait for the answer: quarters of its time-out, until one brings bytes."""
        driver = self._driver
        if driver.wake and self.t - self._awake_since >= driver.wake_after_ns:
            self._say(driver.wake)
            self.wait(driver.wake_wait_ns)
        self._say(request.data)
        self._awake_since = self.t
        for _ in range(4):
            pieces = len(self.capture.pieces)
            self.wait(request.timeout_ns // 4)
            if len(self.capture.pieces) > pieces or self.capture.pieces[-1].way == "<":
                break

    def _say(self, data: bytes) -> None:
        self.capture.pieces.append(Piece(self.t, ">", data))
        answer = self._simulator.receive(data)
        self.t += LATENCY_NS
        self._hear(answer)

    def wait(self, ns: int) -> None:
        """Let `ns` pass and record the bytes that arrive."""
        end = self.t + ns
        for step in self._steps(end):
            data = self._simulator.advance((step - self.t) / 1e9)
            self.t = step
            self._hear(data)

    def _steps(self, end: int) -> Iterator[int]:
        while self.t < end:
            due = self._simulator.due_in_s()
            yield end if due is None else min(end, self.t + max(1, round(due * 1e9)))

    def _hear(self, data: bytes) -> None:
        if data:
            self.capture.pieces.append(Piece(self.t, "<", data))


def rejected(talk: Transcript) -> list[Example]:
    """Return the frames that the driver rejects."""
    return [e for e in talk.examples if isinstance(e.meaning, Reject)]
