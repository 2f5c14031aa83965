"""Checks of `decode`: with random bytes, and with the frames of the transcript."""

import json
import random
from collections.abc import Iterator, Sequence
from typing import Any, Final

from daq.core.driver import Decoded, Driver, Part, Reject, Request, Several
from daq.core.exchangecounters import MOST_REASONS
from daq.testing.case import Case, called, decode, ignored, passed
from daq.testing.checks.checks_meaning import proper
from daq.testing.growth import growth as grown_each_time
from daq.testing.report import DriverFaultError, Finding, NotApplicableError, shown
from daq.testing.talk import Example, is_reading, rejected, requests_of, row_of, values_of

GROWTH_BYTES: Final = 48_000
LATER: Final = 2_000
"""Readings after which a line must have its first meaning."""
GROWTH_ROUNDS: Final = 2_500
TRAPS: Final = (
    b"", b" ", b"\x00", b"\xff" * 8, b"nan", b"NaN", b"inf", b"-inf", b"1e999", b"-1e999", b"--1", b"+", b"-", b".",
    b"1.2.3", b"0x10", b"1_0", "\u0661\u0662".encode(), "\u2212 5".encode(), b"9" * 400, b"1" + b"0" * 300 + b".0",
    b"\r", b"\n", b"\t", b"a,b,c,d", b",,,,", b";;;", b"#", b"*", b"*00", b"$*00", b"#0000", b"\x02\x03", b"\\",
    b"%s", b"{}", b"OK", b"ok", b"ERR",
)  # fmt: skip


def any_bytes(case: Case) -> Finding:
    """Check that `decode` raises for no bytes, and that its result is always valid."""
    driver = case.make()
    asked: list[Request | None] = [None, *requests_of(driver)]
    count = 0
    for line in _lines(case):
        for request in asked:
            meaning = decode(driver, line, request)
            proper(driver, meaning, line)
            count += 1
    return passed("any bytes", f"{count} lines, none raised")


def _lines(case: Case) -> Iterator[bytes]:
    rng = case.rng()
    yield from TRAPS
    for b in range(256):
        yield bytes([b])
    for size in (1, 2, 3, 5, 8, 13, 21, 34, 80):
        for _ in range(20):
            yield rng.randbytes(size)
    yield rng.randbytes(min(case.driver.framing.longest, 4096))
    text = bytes(range(0x20, 0x7F))
    for size in (3, 7, 12, 30):
        for _ in range(40):
            yield bytes(rng.choices(text, k=size))
    if case.talk is None:
        return
    frames = list(dict.fromkeys(e.frame for e in case.talk.examples))[:12]
    for frame in frames:
        for trap in TRAPS:
            at = rng.randrange(len(frame) + 1)
            yield frame[:at] + trap + frame[at:]
            yield trap + frame
            yield frame + trap
        for _ in range(30):
            if frame:
                mutated = bytearray(frame)
                mutated[rng.randrange(len(frame))] = rng.randrange(256)
                yield bytes(mutated)


def understands(case: Case) -> Finding:
    """Check that every line of the transcript is recognised, and that some are readings."""
    talk = case.transcript()
    if not talk.examples:
        raise DriverFaultError(
            "no line was found in the transcript",
            do="compare framing (terminator, length) with the bytes received",
        )
    for e in talk.examples:
        proper(case.driver, e.meaning, e.frame)
    strange = [e for e in rejected(talk) if not ignored(e)]
    if case.driver.streams and strange[:1] == talk.examples[:1] and strange[0].asked is None:
        strange = strange[1:]  # the first line of a stream may be incomplete
    if not talk.readings:
        raise DriverFaultError(
            f"none of {len(talk.examples)} lines is a reading",
            *(_seen(e) for e in strange[:3]),
            do="compare decode with these lines",
        )
    if strange:
        raise DriverFaultError(
            f"{len(strange)} of {len(talk.examples)} lines are not recognised",
            *(_seen(e) for e in strange[:4]),
            do="decode them, or remove them from the capture where they are damaged",
        )
    if talk.skipped:
        raise DriverFaultError(
            f"{talk.skipped} bytes between the lines belong to no line",
            *(f"no answer to {shown(request)}" for request in talk.unanswered[:3]),
            do="describe their frames, with their checksum; or remove them from the capture where they are noise",
        )
    _all_channels(case, talk.readings)
    return passed("understands", f"{len(talk.examples)} lines, {len(talk.readings)} of them readings")


def _all_channels(case: Case, readings: Sequence[Example]) -> None:
    """Check that each channel has a value or a fault in some line of the transcript."""
    given: set[int] = set()
    for e in readings:
        parts = e.meaning.values if isinstance(e.meaning, Part) else enumerate(row_of(e.meaning) or ())
        given |= {index for index, _ in parts}
    missing = [c.name for i, c in enumerate(case.driver.channels) if i not in given]
    if missing:
        raise DriverFaultError(
            f"no line of the transcript gives {', '.join(missing)}",
            do="number the channels of each Part from 0, in order; or capture the lines with this quantity",
        )


def _seen(e: Example) -> str:
    reason = f": {e.meaning.reason}" if isinstance(e.meaning, Reject) else ""
    return f"{shown(e.frame)}{reason}" + (f" (after {shown(e.asked.data)})" if e.asked else "")


def same_again(case: Case) -> Finding:
    """Check that the same lines have the same meaning: twice in one driver, and in another one."""
    frames = [(e.frame, e.asked) for e in case.transcript().examples][:300]
    one, other = case.make(), case.make()
    first = [decode(one, frame, asked) for frame, asked in frames]
    for (frame, asked), before in zip(frames, first, strict=True):
        again = decode(other, frame, asked)
        if again != before:
            raise DriverFaultError(
                "two drivers read the same lines differently",
                f"{shown(frame)}: {shown(before)}, then {shown(again)}",
                do="decode may depend on the lines only: no clock, no random numbers, nothing shared between drivers",
            )
        if type(before) is tuple and decode(other, frame, asked) != before:
            raise DriverFaultError(
                "the same line has another meaning the second time",
                shown(frame),
                do="a reading without fault must have the same meaning each time",
            )
    _same_later(case, frames, first)
    return passed("same again", f"{len(frames)} lines twice")


def _same_later(case: Case, frames: Sequence[tuple[bytes, Request | None]], first: Sequence[Decoded]) -> None:
    """Check that readings keep their meaning after many lines, and in a stream beside any request."""
    driver = case.make()
    good = [(frame, asked, m) for (frame, asked), m in zip(frames, first, strict=True) if type(m) is tuple][:40]
    for number in range(LATER if good else 0):
        frame, asked, before = good[number % len(good)]
        if decode(driver, frame, asked) != before and not driver.state():
            raise DriverFaultError(
                f"a line is read otherwise after {number} lines", shown(frame),
                do="decode may depend on the line only; a driver that remembers something returns it from state()",
            )  # fmt: skip
    for request in (None, *requests_of(driver)) if driver.streams else ():
        for frame, _, before in good[:8]:
            if decode(driver, frame, request) != before:
                raise DriverFaultError(
                    "a reading of the stream has another meaning while a request waits for its answer",
                    shown(frame) + (f" after {shown(request.data)}" if request else " without a request"),
                    do="in a stream a reading without fault does not depend on `asked`",
                )


def state(case: Case) -> Finding:
    """Check that the state of a driver can be saved and restored, and that a new driver has the initial state."""
    frames = [(e.frame, e.asked) for e in case.transcript().examples][:300]
    driver, half = case.make(), len(frames) // 2
    initial = _state(driver)
    for frame, asked in frames[:half]:
        decode(driver, frame, asked)
    if _state(case.make()) != initial:
        raise DriverFaultError(
            "a new driver has the state of another one", do="keep state in the driver, not in its class or module"
        )
    other = case.make()
    called("restore(state())", lambda: other.restore(json.loads(json.dumps(_state(driver)))))
    for frame, asked in frames[half:]:
        a, b = decode(driver, frame, asked), decode(other, frame, asked)
        if a != b:
            raise DriverFaultError(
                "a driver reads differently after restore()",
                f"{shown(frame)}: {shown(a)}, after restore {shown(b)}",
                do="put everything that decode uses into state()",
            )
    return passed("state", "has none" if not _state(driver) else "saved and restored")


def _state(driver: Driver) -> Any:
    found = called("state()", driver.state)
    try:
        return json.loads(json.dumps(found, allow_nan=False))
    except (TypeError, ValueError) as error:
        raise DriverFaultError(f"state() is not JSON: {error}", shown(found), do="give JSON values") from error


def growth(case: Case) -> Finding:
    """Check that the memory of a driver does not grow over thousands of lines."""
    driver = case.make()
    rng = case.rng()
    frames = [(e.frame, e.asked) for e in case.talk.examples] if case.talk else []
    asked = frames or [(b"", None)]
    _same_reasons(driver, [frame for frame, _ in asked], case.rng())

    def some(count: int) -> None:
        for _ in range(count):
            frame, request = rng.choice(asked)
            driver.decode(frame, request)
            driver.decode(rng.randbytes(12), request)
            driver.poll()

    some(1_500)  # caches fill
    grown = grown_each_time(lambda: some(GROWTH_ROUNDS), GROWTH_BYTES)
    if grown[-1] > GROWTH_BYTES:
        raise DriverFaultError(
            f"grew by {grown[-1] // 1000} kB over {2 * GROWTH_ROUNDS} lines, each of {len(grown)} times",
            do="do not keep lines or readings: the core does that",
        )
    return passed("growth", "does not grow")


def _same_reasons(driver: Driver, frames: list[bytes], rng: random.Random) -> None:
    """Check that the reasons of rejections repeat, because rejections are counted by reason."""
    reasons: set[str] = set()
    for _ in range(2 * MOST_REASONS):
        mutated = bytearray(rng.choice(frames) or b"x")
        mutated[rng.randrange(len(mutated))] = rng.randrange(256)
        for line in (bytes(mutated), rng.randbytes(12)):
            meaning = decode(driver, line, None)
            if isinstance(meaning, Reject):
                reasons.add(meaning.reason)
    if len(reasons) > MOST_REASONS:
        raise DriverFaultError(
            f"gives a new reason for every line: {len(reasons)} reasons for {4 * MOST_REASONS} lines",
            *map(shown, sorted(reasons)[:3]),
            do="name the fault without the line: the journal has the line",
        )


def over_range(case: Case) -> Finding:
    """Check that a value beyond the range is returned unchanged, so that the core can mark it."""
    shapes = [e for e in case.shapes() if _without_fault(e.meaning)]
    if not shapes:
        raise NotApplicableError("the transcript has no reading without fault")
    driver = case.make()
    for e in case.transcript().readings:
        for at, value in _all_values(e.meaning) if _without_fault(e.meaning) else ():
            channel = driver.channels[at]
            if not channel.low <= value <= channel.high:
                raise DriverFaultError(
                    f"{channel.name} = {value:g} was received, the range is {channel.low:g} to {channel.high:g}",
                    shown(e.frame),
                    do="give the maker's range of the instrument, in the channel's unit",
                )
    return _limited(case, driver, shapes)


def _without_fault(meaning: Decoded) -> bool:
    return is_reading(meaning) and not getattr(meaning, "faults", ())


def _all_values(meaning: Decoded) -> list[tuple[int, float]]:
    """Return index of the channel and value of all numbers of a line: of a part of a reading, or of several."""
    if isinstance(meaning, Several):
        return [pair for one in meaning.readings for pair in _all_values(one)]
    return list(values_of(meaning).items())


def _limited(case: Case, driver: Driver, shapes: list[Example]) -> Finding:
    tried = 0
    for e in shapes:
        for at in range(len(e.frame)):
            if not e.frame[at : at + 1].isdigit():
                continue
            line = e.frame[:at] + b"9" + e.frame[at + 1 :]
            for number in (line, e.frame[:at] + b"99" + e.frame[at:]):
                sealed = case.sealed(number)
                meaning = decode(driver, sealed, e.asked)
                proper(driver, meaning, sealed)
                if not _without_fault(meaning):
                    continue
                tried += 1
                before = _all_values(e.meaning)
                for at_line, (index, value) in enumerate(_all_values(meaning)):
                    channel = driver.channels[index]
                    is_other = at_line >= len(before) or before[at_line] != (index, value)
                    if is_other and value in (channel.low, channel.high):
                        raise DriverFaultError(
                            f"{channel.name} beyond its range is read as the range's end {value:g}",
                            shown(sealed),
                            do="return the value as it was sent; the core marks it beyond_range",
                        )
    return passed("over range", f"{tried} lines with other digits, none limited to the range")


def bounded_work(case: Case) -> Finding:
    """Check that long lines with repeated parts are decoded in limited time; `at_most` limits each check."""
    driver = case.make()
    longest = case.driver.framing.longest
    frames = [(e.frame, e.asked) for e in (case.shapes()[:4] if case.talk else ())] or [(b"12.34 a", None)]
    count = 0
    for frame, asked in frames:
        for at in range(min(len(frame), 40)):
            for piece in (frame[at : at + 1], frame[at : at + 2]):
                times = max(1, (min(longest, 4096) - len(frame)) // max(1, len(piece)))
                for line in (frame[:at] + piece * times + b"!" + frame[at:], frame[:at] + piece * times + frame[at:]):
                    decode(driver, line[:longest], asked)
                    count += 1
    return passed("work per line", f"{count} long lines, none hard")
