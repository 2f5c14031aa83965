"""Whole descriptions by chance: each is refused with a key and a reason, or makes a driver that works; none hangs or grows."""

import random
import re

import pytest

from daq.core.errors import DriverError, SettingError, SettingErrors
from daq.core.frames import make_framer
from daq.descriptions.compose import Composer
from daq.descriptions.load import check_description, load_description
from daq.testing.checks.checks_bytes import proper
from daq.testing.growth import growth
from daq.testing.talk import requests_of
from daq.testing.watchdog import at_most
from drivers.modbus import ModbusDriver, frames
from tests.descriptions.random_files import bred, bred_dialect, changed, from_schema, harvest, shuffled_text
from tests.support.instruments.built_in import BUILT_IN
from tests.support.instruments.driver_cases import BATH

GROWTH_BYTES = 20_000
NINES = bytes.maketrans(b"0123456789", b"9999999999")
ONE_FILE_S = 3.0
"""CPU time one file may take; the slowest takes some hundredths of a second."""


def worked(driver, rng):
    """Ask, frame, decode and compose, as a session and a simulator do."""
    framer = make_framer(driver.framing)
    composer = Composer(driver)
    lines = [rng.randbytes(20), b"", b"1" * 300, b"0.0," * 40]
    for values in (
        {c.name: rng.uniform(c.low, c.high) for c in driver.channels},
        {c.name: c.high for c in driver.channels},
    ):
        try:
            for line in composer.readings(values):
                frame = line.removeprefix(driver.framing.begin).removesuffix(b"".join(driver.framing.ends[:1]))
                content = (driver.seal.opened(frame) if driver.seal else None) or frame
                lines += [line, content.translate(NINES), re.sub(rb"[0-9]+", b"9" * 15, content, count=1)]
        except SettingError as error:  # a value may not fit into its field
            reasoned(error)
    for request in (None, *requests_of(driver)):
        for line in lines:
            for frame in (line, *framer.feed(1, line)):
                for whole in (frame, driver.seal.sealed(frame) if driver.seal else frame):
                    proper(driver, driver.decode(whole, request), whole)
        if request is not None:
            composer.recognise(request.data)
    for action in driver.capabilities:
        acted(driver, action)
    assert len(driver.digest()) == 64


def acted(driver, action):
    for value in (None, 0.0, 25.0, 1e12, 1e300, float("nan")):
        try:
            driver.action(action, value)
        except DriverError as error:
            reasoned(error)


def reasoned(error, file=""):
    """Everything that is wrong has its reason, and its file where there is one."""
    assert str(error)
    for one in error.errors if isinstance(error, SettingErrors) else (error,):
        assert not isinstance(one, SettingError) or (one.reason and one.file == file)


def tried(tables, rng):
    """Return True if the file made a driver."""
    try:
        with at_most(ONE_FILE_S):
            driver = check_description(tables, "mine.toml").driver()
    except SettingError as error:
        reasoned(error, "mine.toml")
        return False
    with at_most(ONE_FILE_S):
        worked(driver, rng)
    return True


@pytest.mark.parametrize(("make", "least"), [(from_schema, 0), (bred, 150)], ids=["by the schema", "bred"])
def test_a_random_description_is_refused_or_works(make, least):
    rng = random.Random(make.__name__)
    made = sum(named(tried, make(rng), rng) for _ in range(1_000))
    assert made >= least


@pytest.mark.parametrize("count", [60, pytest.param(500, marks=pytest.mark.slow)])
def test_a_random_dialect_is_refused_or_works(count):
    rng = random.Random("dialects")
    assert sum(named(tried, bred_dialect(rng), rng) for _ in range(count)) > count // 6


def named(what, given, rng):
    """Return the result; an error that escapes shows the input."""
    try:
        return what(given, rng)
    except BaseException as error:
        error.add_note(f"given: {given!r}")
        raise


def test_a_random_file_is_refused_with_its_name_or_works(tmp_path):
    path = tmp_path / "mine.toml"

    def read(text, rng):
        path.write_text(text, encoding="utf-8")
        try:
            with at_most(ONE_FILE_S):
                driver = load_description(path).driver()
        except SettingError as error:
            reasoned(error, str(path))
            return False
        with at_most(ONE_FILE_S):
            worked(driver, rng)
        return True

    rng = random.Random("files")
    assert 40 < sum(named(read, shuffled_text(rng), rng) for _ in range(400)) < 300


def test_an_instruments_file_for_modbus_with_random_options_is_refused_by_key_or_works():
    pool, keys = harvest([BATH]), set()

    def made(options, rng):
        try:
            driver = ModbusDriver(options)
        except SettingError as error:
            reasoned(error)
            keys.add(error.key.partition(".")[0])
            return False
        for request in requests_of(driver):
            for size in (0, 1, 2, 4, 8, 10, 20):
                head = request.content[:2] + bytes([size])
                for content in (head + rng.randbytes(size), head + b"\x7f\xef" + b"\xff" * size, rng.randbytes(size)):
                    for line in (content, frames.rtu(content), frames.ascii_frame(content)[1:-2]):
                        proper(driver, driver.decode(line, request), line)
        for action in driver.capabilities:
            acted(driver, action)
        return True

    rng = random.Random("modbus")
    assert sum(named(made, changed(rng, BATH, pool), rng) for _ in range(2_000)) > 100
    assert keys == {"options"}


@pytest.mark.slow
def test_reading_files_all_day_costs_no_memory():
    """As where somebody edits a description and tries it, hundreds of times in one session."""
    rng = random.Random("growth")
    good = [dict(d.raw) for d in BUILT_IN.values()]

    def some(count):
        for _ in range(count):
            tried(bred(rng), rng)
            tried(rng.choice(good), rng)

    some(150)  # caches fill, that of regular expressions too

    def again():
        some(60)
        re.purge()

    re.purge()
    grown = growth(again, GROWTH_BYTES)
    assert grown[-1] <= GROWTH_BYTES, grown
