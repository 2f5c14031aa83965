"""Checks of damaged lines: all must be rejected where there is a checksum; otherwise the accepted ones are counted."""

import random
from collections.abc import Iterator
from typing import Final

from daq.core.driver import Decoded, Driver, Reject, Request
from daq.core.frames import make_framer
from daq.core.framing import Framer
from daq.testing.case import Case, decode, is_text, note, passed, same
from daq.testing.checks.checks_meaning import proper
from daq.testing.report import DriverFaultError, Finding, NotApplicableError, shown
from daq.testing.talk import is_reading, raw

EVERY_BIT: Final = 96
"""Every bit is flipped in frames up to this length, bytes; in longer ones a sample."""
QUIET_NS: Final = 1_000_000_000_000
"""A silence longer than any that ends a frame, ns."""


def unused_checksum(case: Case) -> Finding:
    """Check that the driver checks the checksum of its lines."""
    found = case.checksum
    fits = case.fits
    if fits is not None and case.talk is not None and case.driver.has_checksum:
        for e in case.talk.examples:
            if not isinstance(e.meaning, Reject) and fits(e.frame) and not case.protects(e):
                raise DriverFaultError(
                    f"a line has the checksum of the others ({found}), and the driver does not check it",
                    shown(e.frame),
                    do='leave out `checksum = "none"` of this kind of line',
                )
    if case.driver.has_checksum:
        return passed("checksum", f"is checked{f': {found}' if found else ''}")
    if not found:
        return passed("checksum", "none was found in the transcript")
    raise DriverFaultError(
        f"the lines have a checksum ({found}), and the driver does not check it", do="check it, and set has_checksum"
    )


def flipped_bits(case: Case) -> Finding:
    """Check that a line with a flipped bit is rejected; without a checksum count the accepted ones."""
    driver = case.make()
    rng = case.rng()
    tried = taken = loose = 0
    first = ""
    for e in case.shapes():
        protected = case.protects(e)
        bits = range(8 * len(e.frame))
        for bit in bits if len(e.frame) <= EVERY_BIT else rng.sample(bits, 8 * EVERY_BIT):
            broken = bytearray(e.frame)
            broken[bit // 8] ^= 1 << bit % 8
            meaning = decode(driver, bytes(broken), e.asked)
            proper(driver, meaning, bytes(broken))
            tried += 1
            if not isinstance(meaning, Reject) and not same(meaning, e.meaning):
                taken += protected
                loose += not protected
                first = first or f"{shown(e.frame)} as {shown(bytes(broken))}: {shown(meaning)}"
        for broken_end in _other_ends(e.frame) if protected else ():
            meaning = decode(driver, broken_end, e.asked)
            tried += 1
            # Even where the value is that of the line: this checksum is compared with nothing.
            if not isinstance(meaning, Reject):
                taken += 1
                first = first or f"{shown(e.frame)} as {shown(broken_end)}: {shown(meaning)}"
    if taken:
        raise DriverFaultError(
            f"{taken} of {tried} lines with one wrong bit were accepted, although they have a checksum",
            first,
            do="check the checksum of the whole line first, and reject the line where it is wrong",
        )
    if not loose and case.driver.has_checksum:
        return passed("flipped bits", f"all {tried} rejected or without effect")
    return note(
        "flipped bits", f"corruption undetectable: {loose} of {tried} lines with one wrong bit were accepted", first
    )


def _other_ends(frame: bytes) -> Iterator[bytes]:
    """Yield a line with another checksum: zeros, blanks, letters, and other digits."""
    text = is_text(frame)
    for size in (1, 2, 4):
        for one in (b"0", b" ", b"-", b"?", b"9", b"F", b"x") if text else (b"\x00", b"\xff", b" "):
            other = frame[:-size] + one * size
            # Where more than the checksum is replaced, the line may be another one with the same checksum.
            if len(frame) > size and sum(a != b for a, b in zip(frame, other, strict=True)) == size:
                yield other


def cut_frames(case: Case) -> Finding:
    """Check that a line without its end or its beginning is not another value, where a checksum exists."""
    driver = case.make()
    tried = taken = loose = 0
    first = ""
    for e in case.shapes():
        protected = case.protects(e)
        for at in range(1, len(e.frame)):
            for part in (e.frame[:at], e.frame[at:]):
                meaning = decode(driver, part, e.asked)
                proper(driver, meaning, part)
                tried += 1
                if not isinstance(meaning, Reject) and not same(meaning, e.meaning):
                    taken += protected
                    loose += not protected
                    first = first or f"{shown(part)} of {shown(e.frame)}: {shown(meaning)}"
    if taken:
        raise DriverFaultError(
            f"{taken} of {tried} cut lines were accepted, although they have a checksum",
            first,
            do="reject a line without its checksum",
        )
    if loose:
        return note("cut lines", f"corruption undetectable: {loose} of {tried} cut lines were accepted", first)
    return passed("cut lines", f"all {tried} rejected or without effect")


def run_together(case: Case) -> Finding:
    """Check that two joined lines are rejected, also with a part of the line end between them."""
    driver = case.make()
    shapes = case.shapes()
    parts = {end[:-1] for end in case.driver.framing.ends} | {end[1:] for end in case.driver.framing.ends}
    for e in shapes:
        for other in shapes:
            for line in (e.frame + between + other.frame for between in sorted({b"", b" ", *parts})):
                meaning = decode(driver, line, e.asked)
                if is_reading(meaning):
                    raise DriverFaultError(
                        "two joined lines were accepted",
                        f"{shown(line)}: {shown(meaning)}",
                        do="match the whole line (fullmatch), and count columns",
                    )
    return passed("run together", "rejected")


def resynchronises(case: Case) -> Finding:
    """Check that after a damaged line at most one more line is lost."""
    shapes = [e for e in case.shapes() if is_reading(e.meaning)]
    if not shapes:
        raise NotApplicableError("the transcript has no reading")
    spec = case.driver.framing
    rng = case.rng()
    for e in shapes:
        whole = raw(spec, e.frame)
        for kind in ("flipped", "cut", "more", "garbage"):
            for _ in range(24):
                damaged = _damaged(kind, whole, rng)
                driver, framer = case.make(), make_framer(spec)
                if spec.drop_first:
                    framer.feed(0, spec.ends[0])
                _through(driver, framer, [whole, damaged, whole], e.asked)
                got = _through(driver, framer, [whole], e.asked)
                if not got or not same(got[-1], e.meaning):
                    raise DriverFaultError(
                        f"does not resynchronise after a damaged line ({kind})",
                        shown(whole + damaged + whole + whole),
                        do="check terminator, length or measure, and `longest`",
                    )
    return passed("finds its place", "within one line")


def cut_off(case: Case) -> Finding:
    """Check that a line that was cut off is not completed with the next reading, after the time between two of them."""
    spec = case.driver.framing
    if spec.silence_ns or (not case.driver.streams and not make_framer(spec).resynchronises):
        raise NotApplicableError("an unfinished line is discarded before the next one")
    shapes = [e for e in case.shapes() if is_reading(e.meaning) and not case.protects(e)]
    if not shapes:
        raise NotApplicableError("the transcript has no reading without a checksum")
    driver = case.make()
    pause = (case.driver.interval_ns if case.driver.stale_after_ns else QUIET_NS) or QUIET_NS
    for e in shapes:
        for other in shapes:
            whole, behind = raw(spec, e.frame), raw(spec, other.frame)
            for at in range(1, len(whole)):
                framer = make_framer(spec)
                frames = framer.feed(QUIET_NS, spec.ends[0] * spec.drop_first + whole[:at])
                frames += framer.feed(QUIET_NS + pause, behind)
                for meaning in (decode(driver, frame, other.asked) for frame in frames):
                    if is_reading(meaning) and not same(meaning, e.meaning) and not same(meaning, other.meaning):
                        raise DriverFaultError(
                            "a line that was cut off was completed with the next reading",
                            f"{shown(whole[:at])}, and {pause / 1e9:g} s later {shown(behind)}: {shown(meaning)}",
                            do="discard an unfinished line after a time (`framing.idle`): longer than a pause inside a "
                            "line, and shorter than the time between two readings",
                        )
    return passed("cut off", "never completed with the next reading")


def _damaged(kind: str, whole: bytes, rng: random.Random) -> bytes:
    at = rng.randrange(len(whole))
    if kind == "flipped":
        broken = bytearray(whole)
        broken[at] ^= 1 << rng.randrange(8)
        return bytes(broken)
    if kind == "cut":
        return whole[:at] + whole[at + rng.randint(1, 4) :]
    if kind == "more":
        return whole[:at] + rng.randbytes(rng.randint(1, 3)) + whole[at:]
    return bytes(rng.randbytes(rng.choice((1, 5, 30))))


def _through(driver: Driver, framer: Framer, parts: list[bytes], asked: Request | None) -> list[Decoded]:
    found: list[Decoded] = []
    t = QUIET_NS
    for part in parts:
        if not driver.streams and not framer.resynchronises:
            framer.reset()  # the exchange does so before each request
        for byte in range(0, len(part), 3):
            t += 1_000
            frames = framer.feed(t, part[byte : byte + 3])
            found += [decode(driver, frame, asked) for frame in frames]
        t += QUIET_NS
        found += [decode(driver, frame, asked) for frame in framer.tick(t)]
    return [m for m in found if not isinstance(m, Reject)]
