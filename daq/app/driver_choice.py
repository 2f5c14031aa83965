"""A driver by what a person names: a description file, or the name of an installed driver."""

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from daq.app.drivers import Drivers
from daq.core.driver import Driver
from daq.core.errors import SettingError
from daq.descriptions.load import load_description


def chosen_driver(what: str, options: Mapping[str, Any] | None = None) -> Callable[[], Driver]:
    """What makes new drivers.

    Raises:
        SettingError: there is no such file or driver, it is wrong, or it refuses the options.
    """
    given = dict(options or {})
    path = Path(what).expanduser()
    if path.suffix == ".toml" or path.is_file():
        description = load_description(path)
        description.driver(given)
        return lambda: description.driver(given)
    drivers = Drivers.find()
    try:
        drivers.make(what, given)
    except SettingError as error:
        if error.key == "driver":
            raise SettingError(f"{error.reason}; or name a description file (.toml)") from None
        raise
    return lambda: drivers.make(what, given)


def parse_options(given: list[str]) -> dict[str, Any]:
    """``name=value`` pairs from the command line; numbers become numbers.

    Raises:
        SettingError: one of them has no ``=``.
    """
    found: dict[str, Any] = {}
    for text in given:
        name, mark, value = text.partition("=")
        if not mark or not name:
            raise SettingError(f"needs NAME=VALUE, got {text!r}", key="--option")
        try:
            found[name] = int(value)
        except ValueError:
            found[name] = value
    return found
