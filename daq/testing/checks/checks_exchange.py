"""Checks over a line: the real exchange and framer in virtual time, with the answers of the transcript."""

from collections.abc import Sequence
from typing import Final

from daq.core.driver import Decoded, Part, Reject, Reply, Several, Values
from daq.testing.case import Case, decode, is_text, note, passed, same
from daq.testing.hostile import Chunks, DoubledEnds, Garbage, OneByteAtATime, Transport
from daq.testing.report import DriverFaultError, Finding, NotApplicableError, shown
from daq.testing.rig import Rig
from daq.testing.talk import MOTION, TRIED, Example, Transcript, is_reading, requests_of

ROUNDS: Final = 24
FLOOD_BYTES: Final = 400_000
BYTE_NS: Final = 100_000


def plays(case: Case) -> Transcript:
    """Return the transcript where it can be replayed: it has answers to the polls, or a stream.

    Raises:
        NotApplicableError: it cannot be replayed.
    """
    talk = case.transcript()
    if case.driver.streams:
        if not talk.stream:
            raise NotApplicableError("the transcript has no stream")
        return talk
    poll = case.driver.poll()
    asked = () if poll is None else poll if isinstance(poll, tuple) else (poll,)
    missing = [r for r in asked if r.data not in talk.answers]
    if missing:
        raise NotApplicableError(f"the transcript has no answer to {shown(missing[0].data)}")
    if not any(is_reading(e.meaning) for e in talk.examples):
        raise NotApplicableError("the transcript has no reading")
    return talk


def clean_line(case: Case) -> Finding:
    """Check that over a good line every poll gives a reading."""
    talk = plays(case)
    rig = Rig(case.make(), talk).start().rounds(ROUNDS)
    counters = rig.exchange.report()
    if len(rig.readings) < ROUNDS // 2:
        raise DriverFaultError(
            f"{len(rig.readings)} readings in {ROUNDS} rounds",
            f"counters {counters}",
            f"sent {[d for _, d in rig.sent[:4]]}",
            do="compare poll(), the parts of a reading and the time-outs with the capture",
        )
    identify = case.driver.identify()
    if identify is not None and identify.data in talk.answers and not any(r.kind == "identity" for r in rig.replies):
        raise DriverFaultError("the identity was requested, and none came", f"counters {counters}", do="see `identity`")
    case.clean = rig
    return passed("clean line", f"{len(rig.readings)} readings in {ROUNDS} rounds")


def _clean(case: Case) -> Rig:
    if case.clean is None:
        plays(case)
        raise NotApplicableError("see `clean line`")
    return case.clean


def _against(
    case: Case,
    name: str,
    incoming: Transport,
    what: str,
    *,
    at_least: int,
    exact: bool = False,
    do: str = "check terminator, length or measure, and `longest`",
) -> Finding:
    """Run over a bad line; check that every reading was sent, and that there are `at_least` readings."""
    clean = _clean(case)
    rig = Rig(case.make(), case.transcript(), incoming).start().rounds(ROUNDS)
    _only_true(case, rig, clean)
    if len(rig.readings) < at_least:
        raise DriverFaultError(
            f"only {len(rig.readings)} readings in {ROUNDS} rounds, where {what}",
            f"counters {rig.exchange.report()}",
            do=do,
        )
    if exact and rig.readings[: len(clean.readings)] != clean.readings[: len(rig.readings)]:
        raise DriverFaultError(
            f"other readings than over a clean line, where {what}", f"counters {rig.exchange.report()}",
            do="decode must not depend on how the bytes of a line arrive",
        )  # fmt: skip
    return passed(name, f"{len(rig.readings)} readings" + (", all as sent" if case.driver.has_checksum else ""))


def _only_true(case: Case, rig: Rig, clean: Rig) -> None:
    if not case.driver.has_checksum:
        return
    each = [e.meaning for e in case.transcript().readings]
    meanings = [one for m in each for one in (m.readings if isinstance(m, Several) else (m,))]
    if any(isinstance(meaning, Part) for meaning in meanings):
        _only_true_parts(rig, meanings)
        return
    true = {_key(item) for item in (*clean.readings, *meanings)}
    for item in rig.readings:
        if _key(item) not in true:
            raise _never_sent(item)


def _only_true_parts(rig: Rig, meanings: Sequence[Decoded]) -> None:
    """Check each channel by itself, because the parts of a reading are separate answers."""
    true = {pair for meaning in meanings if isinstance(meaning, Part) for pair in meaning.values}
    for item in rig.readings:
        values: Sequence[float | None] = item.values if isinstance(item, Values) else item  # type: ignore[assignment]
        if any(pair not in true for pair in enumerate(values) if pair[1] is not None):
            raise _never_sent(item)


def _never_sent(item: object) -> DriverFaultError:
    return DriverFaultError(
        "a reading that was never sent", shown(item), do="reject lines that do not match; see `flipped bits`"
    )


def _key(item: object) -> object:
    return (item.values, item.faults) if isinstance(item, Values) else item


def byte_by_byte(case: Case) -> Finding:
    """Check a line on which every byte arrives alone."""
    return _against(
        case, "byte by byte", OneByteAtATime(BYTE_NS), "every byte arrived alone", at_least=ROUNDS // 3, exact=True
    )


def doubled_ends(case: Case) -> Finding:
    """Check a line with doubled line ends: the empty line is neither a reading nor an answer."""
    spec = case.driver.framing
    if not spec.by_terminator:
        raise NotApplicableError("its frames have no terminator")
    for asked in (None, *requests_of(case.driver)):
        meaning = decode(case.make(), b"", asked)
        if not isinstance(meaning, Reject):
            raise DriverFaultError("an empty line is accepted", shown(meaning), do="return Reject for an empty line")
    transport = DoubledEnds(probability=1.0, end=spec.ends[0])
    return _against(case, "doubled ends", transport, "every terminator came twice", at_least=ROUNDS // 3)


class _Losing:
    """Removes one byte of every third write; an exclusive or would not detect two equal lost bytes."""

    def __init__(self) -> None:
        self._count = 0

    def __call__(self, t: int, data: bytes) -> Chunks:  # noqa: ARG002 - one signature for all
        self._count += 1
        if self._count % 3 == 0 and len(data) > 2:
            at = self._count % (len(data) - 1)
            data = data[:at] + data[at + 1 :]
        return [(0, data)]


def lost_bytes(case: Case) -> Finding:
    """Check that with a checksum a line without one byte is rejected, and the lines after it are read."""
    tried, taken, loose, first = _short_of_a_byte(case)
    if taken:
        raise DriverFaultError(
            f"{taken} of {tried} lines without one byte were accepted, although they have a checksum",
            first,
            do="reject every line without its mark or its checksum",
        )
    found = _against(case, "lost bytes", _Losing(), "every third line lost a byte", at_least=ROUNDS // 4)
    if loose:
        return note(
            "lost bytes", f"corruption undetectable: {loose} of {tried} lines without one byte were accepted", first
        )
    return found


def _short_of_a_byte(case: Case) -> tuple[int, int, int, str]:
    """Return the lines tried without one byte, those with another meaning (with, without a checksum), and the first."""
    driver = case.make()
    tried = taken = loose = 0
    first = ""
    for e in case.shapes():
        protected = case.protects(e)
        for at in range(len(e.frame)):
            short = e.frame[:at] + e.frame[at + 1 :]
            meaning = decode(driver, short, e.asked)
            tried += 1
            if not isinstance(meaning, Reject) and not same(meaning, e.meaning):
                # A shortened line may fit the checksum: one in 256 by chance, and with a sum or an exclusive or always
                # where the lost byte is 0.  A driver cannot know it, unless the length of the frame shows it.
                fits = case.fits is not None and case.fits(short) and not case.shows_length(e, short)
                taken += protected and not fits
                loose += fits or not protected
                first = first or f"{shown(short)} of {shown(e.frame)}: {shown(meaning)}"
    return tried, taken, loose, first


def garbage_between(case: Case) -> Finding:
    """Check noise between the lines; noise that ends before a line starts costs no reading."""
    spec = case.driver.framing
    end = spec.ends[0] if spec.by_terminator else b""
    noise = (b"\x00\xff\x00" + end, b"~~~~" + end, b"\xfe" * 7 + end)
    # Noise spoils an echo after it; noise without an end becomes a part of the frame after it.
    costs = case.driver.echoes or not spec.by_terminator
    return _against(
        case, "garbage", Garbage(probability=0.3, pieces=noise), "noise came before every third line",
        at_least=ROUNDS // 4 if costs else len(_clean(case).readings) - 1,
        do="return Reject for noise, never a refusal, and accept the line after it as any other",
    )  # fmt: skip


def late_answers(case: Case) -> Finding:
    """Check that an answer after its time-out is not taken for the answer to the next request."""
    clean = _clean(case)
    if case.driver.streams:
        raise NotApplicableError("readings are not polled")
    poll = case.driver.poll()
    request = poll[0] if isinstance(poll, tuple) else poll
    assert request is not None  # noqa: S101 - `plays` has seen it
    late = request.timeout_ns + request.timeout_ns // 5
    rig = Rig(case.make(), case.transcript(), late_ns=lambda n: late if n % 4 == 2 else 0).start().rounds(2 * ROUNDS)
    _only_true(case, rig, clean)
    counters = rig.exchange.counters
    if not counters.timeouts:
        raise DriverFaultError(
            "no time-out although answers were late", f"counters {rig.exchange.report()}",
            do=f"use a shorter time-out: one lost answer costs {request.timeout_ns / 1e9:g} s",
        )  # fmt: skip
    if not rig.readings:
        raise DriverFaultError("no reading between late answers", f"counters {rig.exchange.report()}", do="see `times`")
    return passed("late answers", f"{counters.timeouts} late answers, {len(rig.readings)} readings between them")


def silence(case: Case) -> Finding:
    """Check that silence is detected, requests are limited meanwhile, and readings continue after it."""
    _clean(case)
    driver = case.make()
    rig = Rig(driver, case.transcript()).start().rounds(4)
    if not rig.readings:
        raise NotApplicableError("no reading in the first rounds")
    rig.player.quiet = True
    sent = len(rig.sent)
    quiet = max(rig.exchange.stale_after_ns, 6 * rig.exchange.interval_ns) + rig.exchange.interval_ns
    rig.run(quiet)
    if rig.exchange.stale_after_ns and not rig.exchange.silent:
        raise DriverFaultError("silence is not detected", do="set stale_after_ns")
    asked, most = len(rig.sent) - sent, 4 * (quiet // rig.exchange.interval_ns + 3) * max(1, _per_round(case))
    if asked > most:
        raise DriverFaultError(f"{asked} requests while it was silent", do="use longer time-outs or fewer tries")
    rig.player.quiet = False
    before = len(rig.readings)
    rig.run(quiet + 6 * rig.exchange.interval_ns)
    if len(rig.readings) == before:
        raise DriverFaultError("no reading after a silence", f"counters {rig.exchange.report()}", do="see `times`")
    return passed("silence", f"detected after {rig.exchange.stale_after_ns / 1e9:g} s" if driver.stale_after_ns else
                  "has no meaning, as declared")  # fmt: skip


def _per_round(case: Case) -> int:
    poll = case.driver.poll()
    return len(poll) if isinstance(poll, tuple) else 1


def unplugged(case: Case) -> Finding:
    """Check a cable that is pulled within a line and connected again."""
    clean = _clean(case)
    rig = Rig(case.make(), case.transcript(), OneByteAtATime(BYTE_NS)).start().rounds(4)
    rig.run(3 * BYTE_NS)
    rig.unplug()
    rig.rounds(2)
    before = len(rig.readings)
    rig.plug()
    rig.rounds(8)
    _only_true(case, rig, clean)
    if len(rig.readings) < before + 3:
        raise DriverFaultError(
            "no reading after the cable was connected again", f"counters {rig.exchange.report()}",
            do="a driver must not depend on earlier lines: see `state`",
        )  # fmt: skip
    return passed("unplugged", "readings continue after the cable was connected again")


def flood(case: Case) -> Finding:
    """Check far more bytes than a line may have, without an end, and thousands of lines at once."""
    _clean(case)
    driver = case.make()
    rig = Rig(driver, case.transcript()).start().rounds(2)
    rng = case.rng()
    noise = rng.randbytes(FLOOD_BYTES)
    for at in range(0, FLOOD_BYTES, 50_000):
        rig.arrives(noise[at : at + 50_000])
    spec = driver.framing
    held = rig.exchange.framer.pending
    if held > spec.longest + len(spec.begin) + 64:
        raise DriverFaultError(f"{held} bytes are held of a line of at most {spec.longest}", do="check `longest`")
    rig.arrives(b"x" * FLOOD_BYTES)
    talk = case.transcript()
    lines = talk.stream or [a for answers in talk.answers.values() for a in answers]
    rig.arrives(b"".join(lines[i % len(lines)] for i in range(3_000)))
    before = len(rig.readings)
    rig.rounds(12)
    if len(rig.readings) <= before:
        raise DriverFaultError(
            "no reading after a flood", f"counters {rig.exchange.report()}", do="check terminator and `longest`"
        )
    return passed("flood", f"{2 * FLOOD_BYTES // 1000} kB of noise and 3000 lines at once")


def halts(case: Case) -> Finding:
    """Check that a halt is sent before all queued requests, and that its confirmation is recognised."""
    driver = case.make()
    if "halt" not in driver.capabilities:
        raise NotApplicableError("has no motor")
    talk = case.transcript()
    rig = Rig(driver, talk).start()
    request = driver.action("halt")
    for action in sorted(set(driver.capabilities) & {*MOTION, "bath"}):
        rig.exchange.ask(rig.t, driver.action(action, TRIED.get(action)))
    rig.exchange.drop_queue()
    rig.exchange.ask(rig.t, request, first=True)
    already = len(rig.sent)
    rig.run(max(request.timeout_ns * request.tries, *(r.timeout_ns for r in [request])) * 3)
    later = [d for _, d in rig.sent[already:] if d != driver.wake]
    if not later or later[0] != request.data:
        raise DriverFaultError("a halt is not sent first", f"sent {later[:3]}", do="see `times`")
    if any(r.kind == "halt" for r in rig.replies):
        return passed("halt", f"{shown(request.data)} is sent first and is confirmed")
    if request.data in talk.answers:
        raise DriverFaultError(
            "the confirmation of a halt is not recognised",
            shown(talk.answers[request.data][0]),
            do="return Reply('halt')",
        )
    return note("halt", f"{shown(request.data)} is sent first; the transcript has no confirmation")


def confirmations(case: Case) -> Finding:
    """Check that each action is confirmed by name, with the value that was sent."""
    driver = case.driver
    talk = case.transcript()
    confirmed: list[str] = []
    missing: list[str] = []
    for action in sorted(driver.capabilities):
        request = driver.action(action, TRIED.get(action))
        if request.data not in talk.answers:
            missing.append(action)
            continue
        meanings = [e.meaning for e in talk.examples if e.asked is not None and e.asked.data == request.data]
        replies = [m for m in meanings if isinstance(m, Reply) and m.kind in (action, "refused")]
        if not replies:
            raise DriverFaultError(
                f"the answer to {action} is not recognised", shown(talk.answers[request.data][0]),
                f"read as {shown(meanings[0] if meanings else None)}",
                do=f"return Reply({action!r}), or Reply('refused', refusal=...)",
            )  # fmt: skip
        value, wanted = replies[0].value, TRIED.get(action)
        if value is not None and wanted is not None and abs(value - wanted) > 0.05 * wanted:
            raise DriverFaultError(
                f"{action} to {wanted:g} is confirmed as {value:g}", shown(request.data), do="check scale and unit"
            )
        # An answer of bytes may confirm the registers without their value, as in Modbus.
        example = next(e for e in talk.examples if e.asked is not None and e.asked.data == request.data)
        if value is not None and is_text(example.frame) and not _value_of_line(case, example):
            raise DriverFaultError(
                f"the value that confirms {action} does not come from the answer", shown(example.frame),
                do="return the number of the answer, not that of the request",
            )  # fmt: skip
        confirmed.append(action)
    if not driver.capabilities:
        raise NotApplicableError("has no actions")
    if missing and not confirmed:
        return note("confirmed", f"the transcript has no answer to {', '.join(missing)}")
    return passed("confirmed", f"{', '.join(confirmed)}" + (f"; not tried: {', '.join(missing)}" if missing else ""))


def _value_of_line(case: Case, e: Example) -> bool:
    """Return True where another digit of a confirmation gives another value, or no line with one is accepted."""
    driver, accepted = case.make(), False
    for at in range(len(e.frame)):
        own = e.frame[at : at + 1]
        if not own.isdigit():
            continue
        other = b"4" if own == b"5" else b"5"
        meaning = decode(driver, case.sealed(e.frame[:at] + other + e.frame[at + 1 :]), e.asked)
        if isinstance(meaning, Reply) and meaning.value != getattr(e.meaning, "value", None):
            return True
        accepted |= isinstance(meaning, Reply) and not meaning.refusal
    return not accepted
