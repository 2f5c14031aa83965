"""What every check of the conformance kit works with."""

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
from daq.testing.talk import Example, Talk

SHAPES: Final = 12
"""So many frames of different shape are mutated; more of the same teach nothing."""
DESCRIPTION: Final = "description"
"""Key among a driver's options under which the description stands that it was made of."""
SEED: Final = 20_260_101
_DIGITS: Final = bytes.maketrans(b"0123456789", b"9999999999")

Make = Callable[[], Driver]
Check = Callable[["Case"], Finding]


@dataclass(slots=True)
class Case:
    """A driver under test.

    Attributes:
        make: gives a new driver.
        driver: one of them, for questions that change nothing.
        talk: what was heard of the instrument; None where neither capture nor simulator was given.
        expected: values of the first readings as the instrument's display showed them, where somebody wrote them down.
    """

    make: Make
    driver: Driver
    talk: Talk | None = None
    expected: Sequence[Sequence[float | None]] = ()
    checksum: str = ""
    """What checksum was found in what was heard; "" for none."""
    seal: Callable[[bytes], bytes] | None = None
    """Puts the right checksum into a frame, where one was found."""
    clean: Rig | None = None
    """What was read over a clean line."""

    def sealed(self, frame: bytes) -> bytes:
        """`frame` with the right checksum, as far as one was found."""
        return frame if self.seal is None else self.seal(frame)

    def heard(self) -> Talk:
        """What was heard; a check that needs it does not apply without."""
        if self.talk is None:
            raise NotApplicableError("needs a capture or a simulator")
        return self.talk

    def dice(self) -> random.Random:
        """Seeded chance: the same for every run of the kit."""
        return random.Random(SEED)  # noqa: S311 - seeded on purpose

    def shapes(self) -> list[Example]:
        """Frames that the driver believes, one of each shape (digits and lengths aside), the last seen of each."""
        found: dict[tuple[bytes, type], Example] = {}
        for e in self.heard().examples:
            if type(e.meaning).__name__ != "Reject":
                found[e.frame.translate(_DIGITS), type(e.meaning)] = e
        if not found:
            raise NotApplicableError("the driver understands no frame at all: see `understands`")
        return list(itertools.islice(found.values(), SHAPES))


def remade(driver: Driver, options: Mapping[str, Any]) -> Driver:
    """Another driver of the same kind, with other options."""
    made: Any = type(driver)
    described = driver.options.get(DESCRIPTION)
    own = {key: value for key, value in options.items() if key != DESCRIPTION}
    found: Driver = made(own) if described is None else made(getattr(driver, "tables"), described, own)  # noqa: B009
    return found


def decode(driver: Driver, frame: bytes, asked: Request | None) -> Decoded:
    """Decode, and name the bytes where a driver raises."""
    try:
        return driver.decode(frame, asked)
    except Exception as error:
        raise DriverFaultError(
            f"decode raised {type(error).__name__}: {error}",
            f"line {shown(frame)}" + (f" after {shown(asked.data)}" if asked else ""),
            do="give Reject(reason) for anything that cannot be a line of this instrument",
        ) from error


def called(what: str, call: Callable[[], Any], *allowed: type[Exception]) -> Any:
    """What a call gives; None where it raises what it may raise."""
    try:
        return call()
    except allowed:
        return None
    except Exception as error:
        may = " or ".join(a.__name__ for a in allowed) or "nothing"
        raise DriverFaultError(
            f"{what} raised {type(error).__name__}: {error}", do=f"it may raise {may} only"
        ) from error


@contextlib.contextmanager
def overheard() -> Iterator[io.StringIO]:
    """What is printed meanwhile."""
    with contextlib.redirect_stdout(io.StringIO()) as out, contextlib.redirect_stderr(out):
        yield out


def same(a: Decoded, b: Decoded) -> bool:
    """Whether two meanings are the same; for replies that refuse, the words do not matter."""
    if isinstance(a, Reply) and isinstance(b, Reply) and a.refusal and b.refusal:
        return True
    return a == b


def ignored(e: Example) -> bool:
    """Whether a line is known and left out on purpose."""
    return isinstance(e.meaning, Reject) and e.meaning.reason.startswith("ignored")


def passed(name: str, said: str = "") -> Finding:
    """A check that found nothing wrong."""
    return Finding(name, "passed", said)


def note(name: str, said: str, *evidence: str) -> Finding:
    """Something that somebody should know."""
    return Finding(name, "note", said, evidence)
