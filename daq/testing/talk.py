"""What an instrument was heard to say: from a capture, or by asking a simulator; the kit's checks look at it."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final

from daq.core.driver import Decoded, Driver, Part, Reject, Reply, Request, Values
from daq.core.echo import Echo
from daq.core.errors import DriverError
from daq.core.frames import make_framer
from daq.core.framing import NEVER, Framing
from daq.descriptions.capture import Capture, Piece
from daq.testing.bench import Simulator

SECOND: Final = 1_000_000_000
LATENCY_NS: Final = 2_000_000
TRIED: Final[dict[str, float]] = {"speed": 12.0, "bath": 25.0}
"""Values with which actions of a simulator are tried out."""
MOTION: Final = ("speed", "turn")


@dataclass(frozen=True, slots=True)
class Example:
    """One frame that was heard, what was asked before it, and what the driver makes of it."""

    frame: bytes
    asked: Request | None
    meaning: Decoded


@dataclass(slots=True)
class Talk:
    """What was heard.

    Attributes:
        source: in words, for the report.
        examples: every frame, in order.
        answers: for each request that was sent, the answers to it in order, as bytes with their marks.
        stream: what came unasked, in order, as bytes with their marks.
        slowest_ns: for each request the longest time until its answer was complete.
        unanswered: requests after which nothing came.
        shown: what the display showed, with the number of examples heard before.
        simulated: whether it was asked from a simulator just now.
    """

    source: str
    examples: list[Example] = field(default_factory=list)
    answers: dict[bytes, list[bytes]] = field(default_factory=dict)
    stream: list[bytes] = field(default_factory=list)
    slowest_ns: dict[bytes, int] = field(default_factory=dict)
    unanswered: list[bytes] = field(default_factory=list)
    shown: list[tuple[int, str]] = field(default_factory=list)
    simulated: bool = False

    @property
    def readings(self) -> list[Example]:
        """Frames that are readings or parts of one."""
        return [e for e in self.examples if is_reading(e.meaning)]


def is_reading(meaning: Decoded) -> bool:
    """Whether a meaning is a reading, or a part of one."""
    return isinstance(meaning, tuple | Values | Part)


def raw(framing: Framing, frame: bytes) -> bytes:
    """A frame with its marks, as it goes over the line."""
    return framing.begin + frame + (framing.ends[0] if framing.by_terminator else b"")


def requests_of(driver: Driver) -> list[Request]:
    """Everything a driver may send, with tried-out values where it needs one."""
    found = [request for request in (driver.identify(), driver.start_stream()) if request is not None]
    poll = driver.poll()
    if poll is not None:
        found += [poll] if isinstance(poll, Request) else poll
    for action in sorted(driver.capabilities):
        try:
            found.append(driver.action(action, TRIED.get(action)))
        except DriverError:
            continue
    return found


def heard(driver: Driver, capture: Capture, source: str) -> Talk:
    """What a capture says, seen with a driver's framing and requests.  `driver` is used up: its state is changed."""
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
    """Puts the pieces of a capture together to questions and answers."""

    def __init__(self, driver: Driver, source: str) -> None:
        self._driver = driver
        self._talk = Talk(source)
        self._known = {r.data: r for r in requests_of(driver)}
        self._framer = make_framer(driver.framing)
        if driver.framing.drop_first:
            # A capture is not joined in the middle more often than at its beginning.
            self._framer.feed(0, driver.framing.ends[0])
        self._echo = Echo(speaks_unasked=driver.streams) if driver.echoes else None
        self._asked: Request | None = None
        self._said = b""
        self._sent_at = 0
        self._got: list[bytes] = []

    def wait_until(self, t: int) -> None:
        """Let the time pass: a line may end by it."""
        if self._framer.wake_at <= t:
            self._take(self._framer.wake_at, self._framer.tick(self._framer.wake_at))

    def shown(self, data: bytes) -> None:
        """Take what the instrument's display showed."""
        self._talk.shown.append((len(self._talk.examples), data.decode("utf-8", "replace")))

    def received(self, t: int, data: bytes) -> None:
        """Take bytes from the instrument."""
        self._take(t, self._framer.feed(t, self._echo.strip(data) if self._echo else data))

    def sent(self, t: int, data: bytes) -> None:
        """Take a request to the instrument."""
        self._settle()
        self._said, self._sent_at, self._asked = data, t, self._known.get(data)
        if self._echo:
            self._echo.expect(data)
        if not self._driver.streams and not self._framer.resynchronises:
            self._framer.reset()

    def end(self) -> Talk:
        """Return what was heard, after all that is still waited for."""
        self.wait_until(NEVER - 1)
        self._settle()
        return self._talk

    def _settle(self) -> None:
        """Count what came since the last request as its answer."""
        if self._said and self._said != self._driver.wake:
            if self._got:
                self._talk.answers.setdefault(self._said, []).append(b"".join(self._got))
            elif self._said not in self._talk.unanswered:
                self._talk.unanswered.append(self._said)
        self._got.clear()

    def _take(self, t: int, frames: list[bytes]) -> None:
        talk = self._talk
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


def asked_of(driver: Driver, simulator: Simulator, readings: int = 24) -> Capture:
    """Everything a driver may ask and do, asked of a simulator, and so many readings."""
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
    """Talks to a simulator in virtual time and writes down what is said."""

    def __init__(self, driver: Driver, simulator: Simulator) -> None:
        self.capture = Capture()
        self.t = 0
        self._driver, self._simulator = driver, simulator

    def ask(self, request: Request) -> None:
        """Send a request and wait a quarter of its time-out for what comes, longer where nothing does."""
        if self._driver.wake:
            self._say(self._driver.wake)
            self.wait(self._driver.wake_wait_ns)
        self._say(request.data)
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
        """Let time pass; what comes meanwhile is written down when it comes."""
        end = self.t + ns
        for step in self._steps(end):
            said = self._simulator.advance((step - self.t) / 1e9)
            self.t = step
            self._hear(said)

    def _steps(self, end: int) -> Iterator[int]:
        while self.t < end:
            due = self._simulator.due_in_s()
            yield end if due is None else min(end, self.t + max(1, round(due * 1e9)))

    def _hear(self, data: bytes) -> None:
        if data:
            self.capture.pieces.append(Piece(self.t, "<", data))


def rejected(talk: Talk) -> list[Example]:
    """Frames the driver does not believe."""
    return [e for e in talk.examples if isinstance(e.meaning, Reject)]
