"""Checks of answers: identity, the request that is answered, echo and address."""

from daq.core.driver import FULL_SCALE_FACT, Driver, Reject, Reply, Request
from daq.core.errors import SettingError
from daq.descriptions.unitwords import torques_in
from daq.testing.case import Case, decode, is_mostly_text, note, passed, remade, same
from daq.testing.report import DriverFaultError, Finding, NotApplicableError, shown
from daq.testing.talk import Example, is_reading, requests_of


def identity(case: Case) -> Finding:
    """Check that the identity has a serial number, and that it is that of the answer."""
    request = case.driver.identify()
    if request is None:
        return note("identity", "the identity cannot be requested: an exchange of the instrument is not detected")
    talk = case.transcript()
    identities = [e for e in talk.examples if isinstance(e.meaning, Reply) and e.meaning.kind == "identity"]
    if not identities:
        if request.data not in talk.answers:
            raise NotApplicableError(f"the transcript has no answer to {shown(request.data)}")
        raise DriverFaultError(
            "the answer to the identity request was not recognised", shown(talk.answers[request.data][0]),
            do="return Reply('identity', identity=Identity(kind, serial, firmware))",
        )  # fmt: skip
    e = identities[0]
    assert isinstance(e.meaning, Reply)  # noqa: S101 - as selected
    who = e.meaning.identity
    if who is None or not who.serial or not who.serial.isprintable():
        raise DriverFaultError("the identity has no serial number", shown(e.frame), do="take it from the answer")
    serial = who.serial.encode("latin-1", "replace")
    at = e.frame.find(serial)
    if at < 0:
        return note("identity", f"serial {who.serial}, which is not contained in the answer literally", shown(e.frame))
    for place, beside in ((at - 1, serial[:1]), (at + len(serial), serial[-1:])):
        digit = e.frame[place : place + 1] if place >= 0 else b""
        if not (digit + beside).isdigit() or not digit or not beside:
            continue
        line = case.sealed(e.frame[:place] + (b"7" if digit != b"7" else b"8") + e.frame[place + 1 :])
        meaning = decode(case.make(), line, e.asked)
        # A checksum directly behind the number is corrected, and its digit is the old one again.
        if line[place : place + 1] != digit and isinstance(meaning, Reply) and meaning.identity == who:
            raise DriverFaultError(
                f"the serial number {who.serial} is a part of a longer number", shown(e.frame),
                do="take the whole number: instruments that differ in the other digits would be taken for one",
            )  # fmt: skip
    last = at + len(serial) - 1
    other = e.frame[:last] + (b"7" if e.frame[last : last + 1] != b"7" else b"8") + e.frame[last + 1 :]
    meaning = decode(case.make(), case.sealed(other), e.asked)
    if isinstance(meaning, Reply) and meaning.identity is not None and meaning.identity.serial == who.serial:
        raise DriverFaultError(
            f"another instrument is taken for {who.serial}", shown(other), do="take the serial number from the answer"
        )
    return passed("identity", f"{who.kind}, serial {who.serial}")


def full_scale(case: Case) -> Finding:
    """Check the torque at full scale against the unit beside its number: all torques of the instrument depend on it."""
    found = [
        (e, value)
        for e in case.transcript().examples
        if isinstance(e.meaning, Reply)
        and e.meaning.identity is not None
        and isinstance(value := e.meaning.identity.facts.get(FULL_SCALE_FACT), float | int)
    ]
    compared = 0
    for e, value in found if case.driver.identify() is not None else ():
        text = e.frame.decode("latin-1") if is_mostly_text(e.frame) else ""
        shown_in = torques_in(text)
        compared += bool(shown_in)
        if shown_in and not any(abs(value - one) <= 1e-6 * abs(one) for one in shown_in.values()):
            written = ", ".join(f"{key} ({one:g} uN.m)" for key, one in shown_in.items())
            raise DriverFaultError(
                f"the torque at full scale is {value:g} uN.m, and the line has {written}", shown(e.frame),
                do=f"convert the number to uN.m: `scale` of the field with the fact {FULL_SCALE_FACT}",
            )  # fmt: skip
    if not compared:
        raise NotApplicableError("no line of the identity has a torque with its unit")
    return passed("full scale", f"{found[0][1]:g} uN.m")


def distinct_answers(case: Case) -> Finding:
    """Check that a late answer, or one in another order, is not taken for another kind of answer."""
    driver = case.make()
    kinds: dict[str, tuple[Request, Example]] = {}
    for e in case.shapes():
        if e.asked is not None and not (isinstance(e.meaning, Reply) and e.meaning.refusal):
            kinds.setdefault(e.asked.expects, (e.asked, e))
    mixed = 0
    for expects, (_, e) in kinds.items():
        for other, (asked, _) in kinds.items():
            if other == expects:
                continue
            meaning = decode(driver, e.frame, asked)
            if isinstance(meaning, Reply) and meaning.kind == "identity" and expects != "identity":
                raise DriverFaultError(
                    f"the answer to another request ({expects}) is taken for the identity",
                    f"{shown(e.frame)}: {shown(meaning)}",
                    do="accept an identity only where the whole line matches",
                )
            if expects == "identity" and is_reading(meaning):
                raise DriverFaultError(
                    "the identity is taken for a reading",
                    f"{shown(e.frame)}: {shown(meaning)}",
                    do="accept a reading only where the whole line matches",
                )
            own = kinds[other][1]
            if (
                expects == "reading"
                and other not in ("reading", "identity")
                and isinstance(meaning, Reply)
                and meaning.kind == other
                and not is_reading(decode(driver, own.frame, e.asked))
            ):
                raise DriverFaultError(
                    f"a reading is taken for the confirmation of {other}",
                    f"{shown(e.frame)}: {shown(meaning)}; its confirmation is {shown(own.frame)}",
                    do="accept a confirmation only where the whole line matches",
                )
            mixed += not isinstance(meaning, Reject) and not same(meaning, e.meaning)
    if len(kinds) < 2:
        raise NotApplicableError("the transcript has only one kind of answer")
    if mixed:
        return note("distinct answers", f"{mixed} kinds of answers look alike: only their order distinguishes them")
    return passed("distinct answers", f"{len(kinds)} kinds of answers")


def echo(case: Case) -> Finding:
    """Check that an echoed request is not taken for an answer, unless the instrument really answers so."""
    driver = case.make()
    talk = case.talk
    for request in requests_of(driver):
        if talk is not None and any(a.strip() == request.data.strip() for a in talk.answers.get(request.data, ())):
            continue
        line = request.data.rstrip(b"\r\n")
        meaning = decode(driver, line, request)
        if not isinstance(meaning, Reject):
            raise DriverFaultError(
                "its own request, echoed, is taken for an answer",
                f"{shown(line)}: {shown(meaning)}",
                do="reject it; where the instrument echoes, set echoes = True",
            )
    return passed("echo", "echoed requests are rejected")


def other_address(case: Case) -> Finding:
    """Check that on a shared line the answers of other addresses are rejected."""
    driver = case.driver
    if not driver.shares_line:
        raise NotApplicableError("does not share its line")
    mine = driver.options.get("address")
    other: Driver | None = None
    for address in (2, 3, "2", "02", "03", "B"):
        if address != mine:
            try:
                other = remade(driver, {**driver.options, "address": address})
                break
            except SettingError:
                continue
    if other is None:
        raise DriverFaultError(
            "shares its line, but accepts no other address", do="add an option `address`, used in requests and answers"
        )
    if other.poll() == driver.poll() and not driver.streams:
        raise DriverFaultError("its requests do not depend on its address", do="put the address into every request")
    polls = other.poll()
    asked = polls if isinstance(polls, Request) else polls[0] if polls else None
    for e in case.transcript().readings:
        meaning = decode(other, e.frame, asked)
        if not isinstance(meaning, Reject):
            raise DriverFaultError(
                "accepts the answer of another address",
                f"{shown(e.frame)}: {shown(meaning)}",
                do="compare the address in each answer with the driver's own",
            )
    return passed("other address", "rejected")
