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
from daq.testing.rig import frames_of_a_reading
from daq.testing.talk import Example, is_reading, raw

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
    """Check that a line that was cut off makes no other value, with the next line or with its own late rest."""
    spec, streams = case.driver.framing, case.driver.streams
    if spec.silence_ns or (not streams and not make_framer(spec).resynchronises and not spec.longest_pause_ns):
        raise NotApplicableError("an unfinished line is discarded before the next one")
    shapes = [e for e in case.shapes() if is_reading(e.meaning) and not case.protects(e)]
    if not shapes:
        raise NotApplicableError("the transcript has no reading without a checksum")
    driver = case.make()
    soonest, latest = _times_of_the_rest(case)
    allowed = min(spec.longest_pause_ns or spec.idle_ns, latest - 1)
    pauses = sorted({allowed + 1, (allowed + latest) // 2, latest})
    for e in shapes:
        whole = raw(spec, e.frame)
        for at in range(1, len(whole)):
            head, rest = spec.ends[0] * spec.drop_first + whole[:at], whole[at:]
            for other in shapes:
                behind = raw(spec, other.frame)
                for pause in (soonest, QUIET_NS):
                    framer = make_framer(spec)
                    frames = framer.feed(QUIET_NS, head)
                    if not streams:
                        _asks_again(framer)
                    frames += framer.feed(QUIET_NS + pause, behind)
                    made = "a line that was cut off was completed with the next reading"
                    _no_other_value(driver, frames, (e, other), made, (whole[:at], pause, behind))
            for pause in pauses:
                framer = make_framer(spec)
                frames = framer.feed(QUIET_NS, head) + framer.feed(QUIET_NS + pause, rest)
                # A stream keeps its pace: a late rest is close to the next line.
                frames += framer.feed(QUIET_NS + (max(pause, soonest) if streams else pause + soonest), whole)
                made = "the end of a line that came after a pause was taken for a whole line"
                _no_other_value(driver, frames, (e, e), made, (whole[:at], pause, rest))
    return passed("cut off", "makes no other value")


def _times_of_the_rest(case: Case) -> tuple[int, int]:
    """Return how soon (ns) the next line follows a line that was cut off, and how late its own rest may come.

    A request follows an unfinished answer when its time-out and half of it are over.
    """
    driver = case.driver
    if driver.streams:
        between = driver.interval_ns // frames_of_a_reading(case.transcript()) if driver.stale_after_ns else QUIET_NS
        return between or QUIET_NS, between or QUIET_NS
    poll = driver.poll()
    polls = () if poll is None else (poll,) if isinstance(poll, Request) else poll
    timeout = min((request.timeout_ns for request in polls), default=QUIET_NS)
    return timeout // 2, timeout


def _asks_again(framer: Framer) -> None:
    """Do what the exchange does after the time-out and before the next request."""
    framer.unanswered()
    if framer.starts_anew:
        framer.forget()


def _no_other_value(
    driver: Driver, frames: list[bytes], own: tuple[Example, Example], made: str, parts: tuple[bytes, int, bytes]
) -> None:
    """Raise `DriverFaultError` where a frame is read as a value that none of the lines `own` has."""
    for meaning in (decode(driver, frame, own[1].asked) for frame in frames):
        if is_reading(meaning) and not any(same(meaning, one.meaning) for one in own):
            head, pause, rest = parts
            raise DriverFaultError(
                made,
                f"{shown(head)}, and {pause / 1e9:g} s later {shown(rest)}: {shown(meaning)}",
                do="discard a line that was cut off (`framing.longest_pause`, not `framing.idle`): longer than any "
                "pause inside a line, and shorter than the time between two lines or half of a time-out",
            )


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
        if not driver.streams and framer.starts_anew:
            framer.forget()  # the exchange does so before each request
        for byte in range(0, len(part), 3):
            t += 1_000
            frames = framer.feed(t, part[byte : byte + 3])
            found += [decode(driver, frame, asked) for frame in frames]
        t += QUIET_NS
        found += [decode(driver, frame, asked) for frame in framer.tick(t)]
    return [m for m in found if not isinstance(m, Reject)]
