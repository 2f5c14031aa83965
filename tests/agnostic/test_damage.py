"""Damaged lines of every built-in driver: none raises, and damage that a checksum shows is never accepted.

The lines come from the simulators and from the descriptions' composer.  The checksums are computed independently of the
drivers by the published algorithms: exclusive or and LRC written out here, CRC-16/XMODEM of the standard library's
`binascii`, CRC-16/MODBUS of the public package `crc`.
"""

import functools
import operator
import random
from binascii import crc_hqx

import pytest
from crc import Calculator, Crc16

from daq.app.setup.driver_choice import chosen_driver
from daq.core.driver import Reject
from daq.core.exchange import Exchange
from daq.core.frames import make_framer
from daq.descriptions.compose import Composer
from daq.descriptions.driver import DescribedDriver
from daq.testing.case import ignored, same
from daq.testing.checks.checks_meaning import proper
from daq.testing.growth import growth
from daq.testing.talk import Example, raw, record, requests_of, transcribe
from daq.testing.watchdog import at_most
from tests.support.instruments.driver_cases import CASES, NAMES, instrument

EACH_DRIVER = pytest.mark.parametrize(("name", "options", "kind", "given"), CASES, ids=NAMES)
COMPOSED, BYTES, DAMAGED = 60, 3_000, 5_000
GROWTH_BYTES = 6_000
QUIET_NS = 1_000_000_000_000
MODBUS = Calculator(Crc16.MODBUS)


def xor(data):
    return functools.reduce(operator.xor, data, 0)


def lrc(data):
    """Return the byte that makes the sum of all bytes 0 (Modbus over serial line, specification and implementation guide V1.02)."""
    return -sum(data) & 0xFF


def ends_with(mark, check, written):
    """Return a function that is True for a whole line: text, mark, and the checksum of the text in the format `written`."""

    def whole(line):
        size = len(written % 0)
        text, found = line[: -size - len(mark)], line[-size - len(mark) : -size]
        return found == mark and line[-size:] == written % check(text)

    return whole


def whole_ascii(line):
    try:
        data = bytes.fromhex(line.decode("ascii"))
    except ValueError:
        return False
    return lrc(data[:-1]) == data[-1]


#: Check of a whole line, by driver and form; drivers without an entry have no checksum.
WHOLE = {
    "balance": ends_with(b"*", xor, b"%02X"),
    "level": ends_with(b"*", xor, b"%02X"),
    "thermometer": ends_with(b"*", xor, b"%02X"),
    "ph-meter": ends_with(b";", lambda text: lrc(text + b";"), b"%02X"),
    "modbus ascii": whole_ascii,
}
WHOLE_BY_CRC = {
    "rotational": ends_with(b"#", lambda text: crc_hqx(text, 0), b"%04X"),
    "streaming-rotational": ends_with(b"!", MODBUS.checksum, b"%04x"),
    "modbus": lambda line: len(line) > 3 and MODBUS.checksum(line[:-2]).to_bytes(2, "little") == line[-2:],
}
PROTECTED = WHOLE | WHOLE_BY_CRC


def dialect(name, options):
    return f"{name} ascii" if options.get("form") == "ascii" else name


def composed(driver, rng):
    """Yield lines with readings and answers to requests, made from the description."""
    composer = Composer(driver)
    polls = [r for r in requests_of(driver) if r.expects == "reading"]
    for _ in range(COMPOSED):
        values = {c.name: rng.uniform(c.low, c.high) for c in driver.channels}
        for i, line in enumerate(composer.readings(values)):
            yield line, polls[i] if i < len(polls) else None
    for request in requests_of(driver):
        answer = composer.answer(
            composer.recognise(request.data), {c.name: (c.low + c.high) / 2 for c in driver.channels}
        )
        if answer is not None:
            yield answer, request


def lines_of(make, kind, given, rng):
    """Return frames of the simulator and of the composer, with their meaning."""
    examples = transcribe(make(), record(make(), instrument(kind, given)), "simulator").examples
    driver = make()
    if isinstance(driver, DescribedDriver):
        for line, asked in composed(driver, rng):
            frame = line.removeprefix(driver.framing.begin).removesuffix(driver.framing.ends[0])
            examples.append(Example(frame, asked, driver.decode(frame, asked)))
    believed = [e for e in examples if not isinstance(e.meaning, Reject)]
    strange = [e for e in examples if isinstance(e.meaning, Reject) and not ignored(e)]
    assert len(believed) > 20
    assert len(strange) <= 1  # the connection to a stream may start in the middle of a line
    return believed


def damaged(rng, line, other, end):
    """Return a line with random damage, as it may arrive."""
    at = rng.randrange(len(line))
    way = rng.choice(("bits", "cut", "lost", "more", "joined", "ends", "swapped", "digits"))
    if way == "bits":
        broken = bytearray(line)
        for _ in range(rng.choice((1, 1, 2, 5))):
            broken[rng.randrange(len(line))] ^= 1 << rng.randrange(8)
        return bytes(broken)
    if way == "cut":
        return rng.choice((line[:at], line[at:])) + end
    if way == "lost":
        return line[:at] + line[at + rng.randint(1, 4) :]
    if way == "more":
        return line[:at] + rng.choice((rng.randbytes(2), b"0", b"-", b" ", end)) + line[at:]
    if way == "joined":
        return line[:at] + other[rng.randrange(len(other)) :]
    if way == "ends":
        return line + end * rng.randint(1, 3) + other
    if way == "swapped":
        to = rng.randrange(len(line))
        broken = bytearray(line)
        broken[at], broken[to] = broken[to], broken[at]
        return bytes(broken)
    return bytes(rng.choice(b"0123456789") if chr(b).isdigit() and rng.random() < 0.3 else b for b in line)


def arrived(driver, data):
    """Return the frames that a framer makes of the received bytes."""
    framer = make_framer(driver.framing)
    if driver.framing.drop_first:
        framer.feed(0, driver.framing.ends[0])
    found = framer.feed(1, data)
    return found + framer.tick(QUIET_NS)


@EACH_DRIVER
def test_one_changed_byte_never_gives_another_value_if_there_is_a_checksum(name, options, kind, given):
    """Exclusive or, LRC and CRC detect every change of one byte; a driver without them declares no checksum."""
    make = chosen_driver(name, options)
    driver, rng = make(), random.Random(name)
    lines, taken = lines_of(make, kind, given, rng), 0
    for _ in range(BYTES):
        e = rng.choice(lines)
        at = rng.randrange(len(e.frame))
        broken = (
            e.frame[:at] + bytes([e.frame[at] ^ rng.choice((*(1 << b for b in range(8)), 0x55))]) + e.frame[at + 1 :]
        )
        meaning = driver.decode(broken, e.asked)
        proper(driver, meaning, broken)
        if not isinstance(meaning, Reject) and not same(meaning, e.meaning):
            taken += 1
            assert not driver.has_checksum, (e.frame, broken, meaning)
    assert driver.has_checksum == (dialect(name, options) in PROTECTED)
    assert driver.has_checksum or taken > 0


@EACH_DRIVER
def test_damage_that_a_checksum_shows_is_never_accepted(name, options, kind, given):
    """If several bytes are wrong, the checksum may match by chance; only then may a damaged line be accepted."""
    make = chosen_driver(name, options)
    driver, rng = make(), random.Random(f"damage {name}")
    spoken, lines = dialect(name, options), lines_of(make, kind, given, rng)
    whole, end = PROTECTED.get(spoken), b"".join(driver.framing.ends[: driver.framing.by_terminator])
    taken = nothing = 0
    with at_most(20.0):
        for _ in range(DAMAGED):
            e, other = rng.choice(lines), rng.choice(lines)
            data = damaged(rng, raw(driver.framing, e.frame), raw(driver.framing, other.frame), end)
            frames = arrived(driver, data)
            nothing += not frames
            for frame in frames:
                meaning = driver.decode(frame, e.asked)
                proper(driver, meaning, frame)
                if isinstance(meaning, Reject):
                    nothing += 1
                elif frame not in (e.frame, other.frame) and not same(meaning, e.meaning):
                    taken += 1
                    assert whole is None or whole(frame), (e.frame, data, frame, meaning)
    assert nothing > DAMAGED // 4
    if whole is None:
        assert taken > DAMAGED // 10
    else:
        # Exclusive or and LRC do not see that two bytes changed places; a checksum of two bytes misses one of 65,536.
        assert taken <= (DAMAGED // 5_000 if spoken in WHOLE_BY_CRC else DAMAGED // 20)


@pytest.mark.slow
@EACH_DRIVER
def test_a_line_that_stays_damaged_uses_no_more_memory(name, options, kind, given):
    """Framer, driver and exchange together, as in a session of weeks."""
    make = chosen_driver(name, options)
    rng = random.Random(f"growth {name}")
    lines = lines_of(make, kind, given, rng)
    driver = make()
    end = b"".join(driver.framing.ends[: driver.framing.by_terminator])
    exchange = Exchange("line", driver, lambda *_: None, lambda *_: None)
    exchange.link_up(0)
    t = 0

    def some(count):
        nonlocal t
        for _ in range(count):
            t += driver.interval_ns
            e, other = rng.choice(lines), rng.choice(lines)
            data = damaged(rng, raw(driver.framing, e.frame), raw(driver.framing, other.frame), end)
            if not driver.streams:
                exchange.ask(t, e.asked)
            for _ in exchange.receive(t, rng.choice((data, rng.randbytes(200)))):
                pass
            t += 130_000_000_000
            exchange.tick(t)
        exchange.drop_queue()

    some(800)  # fills caches
    grown = growth(lambda: some(800), GROWTH_BYTES)
    assert grown[-1] <= GROWTH_BYTES, grown
    assert exchange.framer.pending <= driver.framing.longest + 64
    assert sum(exchange.report()["rejected"].values()) + exchange.report()["skipped"] > 100
