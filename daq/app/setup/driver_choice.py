"""Choose a driver by the name of a description file, of an instrument's file, or of an installed driver."""

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from daq.app.setup.drivers import Drivers
from daq.core.driver import Driver
from daq.core.errors import SettingError, SettingErrors
from daq.descriptions.capture import FIRST_LINE, LARGEST
from daq.descriptions.load import check_description, load_description
from daq.textfiles.plain_file import read_plain
from daq.textfiles.toml_file import read_toml


def chosen_driver(what: str, options: Mapping[str, Any] | None = None) -> Callable[[], Driver]:
    """Return a function that makes new drivers of the kind that `what` names.

    Raises:
        SettingError: there is no such file or driver, it has errors, or it refuses the options.
    """
    given = dict(options or {})
    path = Path(what).expanduser()
    if path.is_file() and is_capture(path):
        raise SettingError(
            f"is a capture, no driver; `daq driver new NAME --from {what}` makes a description from it", file=what
        )
    if path.suffix == ".toml" or path.is_file():
        raw = read_toml(path)
        if "driver" in raw and "line" not in raw:
            return _of_instrument(path, raw, given)
        description = check_description(raw, str(path))
        description.driver(given)
        return lambda: description.driver(given)
    drivers = Drivers.find()
    try:
        drivers.make(what, given)
    except SettingError as error:
        if error.key == "driver":
            raise SettingError(f"{error.reason}; or name a description file (.toml)") from None
        if not error.reason.startswith("is missing"):
            raise
        raise SettingError(
            f"{error.reason}; give it with --option NAME=VALUE, or name an instrument's file in place of {what!r}",
            file=error.file,
            key=error.key,
        ) from error
    return lambda: drivers.make(what, given)


def _of_instrument(path: Path, raw: Mapping[str, Any], given: Mapping[str, Any]) -> Callable[[], Driver]:
    """Return a function that makes the driver which an instrument's file names, with the options of the file."""
    named, own = raw["driver"], raw.get("options", {})
    if not isinstance(named, str) or not isinstance(own, Mapping):
        raise SettingError('needs driver = "NAME" and, where there are options, a table [options]', file=str(path))
    options = {**own, **given}
    if named.endswith(".toml"):
        description = load_description(path.absolute().parent.parent / named)
        description.driver(options)
        return lambda: description.driver(options)
    drivers = Drivers.find()
    try:
        drivers.make(named, options)
    except SettingErrors as errors:
        raise SettingErrors([SettingError(e.reason, file=str(path), key=e.key) for e in errors.errors]) from None
    except SettingError as error:
        raise SettingError(error.reason, file=str(path), key=error.key) from None
    return lambda: drivers.make(named, options)


def is_capture(path: Path) -> bool:
    """Return True if a file begins with the first line of a capture."""
    try:
        return read_plain(path, LARGEST).startswith(FIRST_LINE.encode())
    except SettingError:
        return False


def parse_options(given: list[str]) -> dict[str, Any]:
    """Return the options of ``NAME=VALUE`` texts from the command line; whole numbers become integers.

    Raises:
        SettingError: a text has no ``=``.
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
