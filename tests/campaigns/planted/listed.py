"""The list of all planted faults: drivers in Python and descriptions, of the tests of the kit and of this folder."""

import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from daq.core.errors import SettingError
from daq.descriptions.capture import Capture, read_capture
from daq.descriptions.load import check_description
from daq.testing import check_driver, check_driver_apart
from daq.testing.case import printed
from tests.campaigns.mutants.judge import capture_of
from tests.campaigns.planted import wrong_drivers, wrong_neighbours
from tests.campaigns.planted.wrong_files import WRONG_FILES
from tests.campaigns.planted.wrong_values import LIST
from tests.support.dialects.instruments import FOLDER
from tests.support.instruments.built_in import BUILT_IN
from tests.support.instruments.driver_cases import CASES, instrument
from tests.support.planted import bad_on_the_line, bad_values
from tests.support.planted.bad_descriptions import PLANTED_IN_FILES
from tests.support.planted.bad_drivers import PLANTED
from tests.support.planted.bad_lines import MISREAD, Misread
from tests.support.planted.good_drivers import (
    SCALE_CAPTURE,
    Level,
    LevelInstrument,
    Probe,
    ProbeInstrument,
    Scale,
    Stirrer,
    StirrerInstrument,
)

assert bad_on_the_line  # its drivers are among PLANTED
assert wrong_neighbours  # as those of `wrong_drivers`
assert wrong_drivers  # its drivers are in LIST
HEARD: dict[type, dict[str, Any]] = {
    Stirrer: {"simulator": StirrerInstrument},
    Scale: {"capture": read_capture(SCALE_CAPTURE, "scale.capture")},
    Level: {"simulator": LevelInstrument},
    Probe: {"simulator": ProbeInstrument},
}


@dataclass(frozen=True)
class Planted:
    """One planted fault: its name, the checks that find it, and the sentence for one that cannot be found."""

    name: str
    found_by: Callable[[], list[str]]
    cannot: str = ""


def _python(made: type, options: dict[str, Any], cannot: str = "", **more: Any) -> Planted:
    base = next(c for c in made.__mro__ if c in HEARD)

    def found() -> list[str]:
        with printed():
            return [f.name for f in check_driver(lambda: made(options), **HEARD[base], **more).failed]

    return Planted(made.__name__, found, cannot)


def _apart(made: type) -> Planted:
    capture = HEARD[Scale]["capture"]
    report = lambda: check_driver_apart(lambda: made({}), capture=capture, longest_s=2.0)  # noqa: E731 - run later
    return Planted(made.__name__, lambda: [f.name for f in report().failed])


def _file(name: str, source: Path, changes: Any, heard: Callable[[], dict[str, Any]], cannot: str) -> Planted:
    def found() -> list[str]:
        text = source.read_text("utf-8")
        for old, new in changes:
            if old not in text:
                raise AssertionError(f"{name}: the description has no {old!r}")
            text = text.replace(old, new, 1)
        try:
            make = check_description(tomllib.loads(text)).driver
        except SettingError:
            return ["loading"]
        with printed():
            return [f.name for f in check_driver(make, **heard()).failed]

    return Planted(f"{name}: {changes[0][1] or 'without ' + changes[0][0]}".replace("\n", " "), found, cannot)


@cache
def _noted(name: str) -> Capture:
    return capture_of(name)


def _of_dialect(name: str, changes: Any, cannot: str) -> Planted:
    return _file(name, FOLDER / f"{name}.toml", changes, lambda: {"capture": _noted(name)}, cannot)


def _of_built_in(name: str, changes: Any) -> Planted:
    kind, given = next((kind, given) for driver, _, kind, given in CASES if driver == name)
    heard = lambda: {"simulator": lambda: instrument(kind, given)}  # noqa: E731 - run later
    return _file(name, Path(BUILT_IN[name].source), changes, heard, "")


def _misread(one: Misread) -> Planted:
    make = check_description(one.tables(one.wrong)).driver
    report = lambda: check_driver(make, capture=one.capture)  # noqa: E731 - run later
    return Planted(f"misread: {one.name}", lambda: [f.name for f in report().failed])


LISTED: list[Planted] = [
    *(_python(made, {}, cannot) for made, cannot in LIST),
    *(_of_dialect(*one) for one in WRONG_FILES),
    *(_python(p.driver, p.options) for p in PLANTED),
    *(_of_built_in(name, changes) for name, changes, _ in PLANTED_IN_FILES),
    *map(_misread, MISREAD),
    *(_python(made, {}, waiting_s=0.5) for made in bad_values.WAITING),
    *map(_apart, bad_values.APART),
]
