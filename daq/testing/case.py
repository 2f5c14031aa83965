"""State and helpers that the checks of the conformance kit share."""

import contextlib
import io
import itertools
import random
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from daq.core.driver import Decoded, Driver, Reject, Reply, Request
from daq.testing.report import DriverFaultError, Finding, NotApplicableError, shown
from daq.testing.rig import Rig
from daq.testing.talk import Example, Transcript

SHAPES: Final = 12
"""Greatest number of frames of different shape that are mutated."""
DESCRIPTION: Final = "description"
"""Key of a driver's options whose value is the description it was built from."""
SEED: Final = 20_260_101
DIGITS: Final = bytes.maketrans(b"0123456789", b"9999999999")

Make = Callable[[], Driver]
Check = Callable[["Case"], Finding]


@dataclass(slots=True)
class Case:
    """A driver under test.

    Attributes:
        make: returns a new driver.
        driver: one driver, for calls that change no state.
        talk: the transcript; None where neither capture nor simulator was given.
        expected: values of the first readings on the instrument's display, where they were recorded.
    """

    make: Make
    driver: Driver
    talk: Transcript | None = None
    expected: Sequence[Sequence[float | None]] = ()
    checksum: str = ""
    """Checksum found in the transcript, as text; "" for none."""
    seal: Callable[[bytes], bytes] | None = None
    """Corrects the checksum of a frame, where one was found."""
    fits: Callable[[bytes], bool] | None = None
    """Tests whether a frame has the checksum that was found."""
    tail: int = 0
    """Number of bytes of the checksum and its mark at the end of a frame, where one was found."""
    clean: Rig | None = None
    """The rig after the run over a clean line."""

    def sealed(self, frame: bytes) -> bytes:
        """Return `frame` with a correct checksum, where one was found."""
        return frame if self.seal is None else self.seal(frame)

    def protects(self, e: Example) -> bool:
        """Return True where a line is of a kind whose damage a checksum shows; a description has kinds without one."""
        own: Callable[[bytes], bool] | None = getattr(self.driver, "protects", None)
        return self.driver.has_checksum if own is None else own(e.frame)

    def shows_length(self, e: Example, short: bytes) -> bool:
        """Return True where the length of `short`, a frame of bytes that lost one of them, is wrong for its kind.

        The frames of the kind (answers to one request, with the same first byte) are all of one length, or one of their
        bytes counts their length.  Lines of text have any length.
        """
        if is_mostly_text(e.frame[: len(e.frame) - self.tail]):
            return False
        frames = {
            other.frame
            for other in self.transcript().examples
            if other.frame[:1] == e.frame[:1] and other.asked == e.asked and type(other.meaning).__name__ != "Reject"
        }
        if len({len(frame) for frame in frames}) == 1:
            return True
        counts = [at for at in range(min(map(len, frames))) if len({len(frame) - frame[at] for frame in frames}) == 1]
        return any(at < len(short) and len(short) - short[at] != len(e.frame) - e.frame[at] for at in counts)

    def transcript(self) -> Transcript:
        """Return the transcript.

        Raises:
            NotApplicableError: there is none; the check does not apply.
        """
        if self.talk is None:
            raise NotApplicableError("needs a capture or a simulator")
        return self.talk

    def rng(self) -> random.Random:
        """Return a random generator with a fixed seed: the same for every run of the kit."""
        return random.Random(SEED)  # noqa: S311 - seeded on purpose

    def shapes(self) -> list[Example]:
        """Return accepted frames, the last one of each shape (digits are ignored)."""
        found: dict[tuple[bytes, type], Example] = {}
        for e in self.transcript().examples:
            if type(e.meaning).__name__ != "Reject":
                found[e.frame.translate(DIGITS), type(e.meaning)] = e
        if not found:
            raise NotApplicableError("the driver understands no frame at all: see `understands`")
        return list(itertools.islice(found.values(), SHAPES))


def remade(driver: Driver, options: Mapping[str, Any]) -> Driver:
    """Return a driver of the same kind with other options."""
    made: Any = type(driver)
    described = driver.options.get(DESCRIPTION)
    own = {key: value for key, value in options.items() if key != DESCRIPTION}
    found: Driver = made(own) if described is None else made(getattr(driver, "tables"), described, own)  # noqa: B009
    return found


def decode(driver: Driver, frame: bytes, asked: Request | None) -> Decoded:
    """Decode a frame; raise `DriverFaultError` with the bytes where the driver raises."""
    try:
        return driver.decode(frame, asked)
    except (Exception, SystemExit) as error:
        raise DriverFaultError(
            f"decode raised {type(error).__name__}: {error}",
            f"line {shown(frame)}" + (f" after {shown(asked.data)}" if asked else ""),
            do="return Reject(reason) for every line that is not one of this instrument",
        ) from error


def called(what: str, call: Callable[[], Any], *allowed: type[Exception]) -> Any:
    """Return the result of a call; None where it raises one of the `allowed` exceptions."""
    try:
        return call()
    except allowed:
        return None
    except (Exception, SystemExit) as error:
        may = " or ".join(a.__name__ for a in allowed) or "nothing"
        raise DriverFaultError(
            f"{what} raised {type(error).__name__}: {error}", do=f"it may raise {may} only"
        ) from error


@contextlib.contextmanager
def printed() -> Iterator[io.StringIO]:
    """Capture the text printed to stdout and stderr."""
    with contextlib.redirect_stdout(io.StringIO()) as out, contextlib.redirect_stderr(out):
        yield out


def is_text(frame: bytes) -> bool:
    """Return True where a frame has printable characters only, with the usual marks of lines."""
    return all(0x20 <= b < 0x7F or b in b"\t\r\n\x02\x03" for b in frame)


def is_mostly_text(frame: bytes) -> bool:
    """Return True where a frame has no control characters but those of lines, and few beyond ASCII, such as units."""
    try:
        text = frame.decode("utf-8")  # a sign of several bytes is one sign
    except UnicodeDecodeError:
        text = frame.decode("latin-1")
    ascii_part = [ord(c) for c in text if ord(c) <= 0x7E]
    return 4 * (len(text) - len(ascii_part)) <= len(text) and is_text(bytes(ascii_part))


def same(a: Decoded, b: Decoded) -> bool:
    """Return True where two meanings are equal; refusals are equal whatever their reason."""
    if isinstance(a, Reply) and isinstance(b, Reply) and a.refusal and b.refusal:
        return True
    return a == b


def ignored(e: Example) -> bool:
    """Return True where the driver ignores a line on purpose."""
    return isinstance(e.meaning, Reject) and e.meaning.reason.startswith("ignored")


def passed(name: str, message: str = "") -> Finding:
    """Return the finding of a check that passed."""
    return Finding(name, "passed", message)


def note(name: str, message: str, *evidence: str) -> Finding:
    """Return a finding that is no fault but limits the use of the driver."""
    return Finding(name, "note", message, evidence)
