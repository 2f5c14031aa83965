"""Write a distribution with a driver in Python as a starting point."""

import re
from importlib.resources import files
from pathlib import Path
from typing import Final

from daq.core.driver import API_VERSION
from daq.core.errors import SettingError

FILES: Final[tuple[tuple[str, str], ...]] = (
    ("pyproject.toml.txt", "pyproject.toml"),
    ("README.md.txt", "README.md"),
    ("driver.py.txt", "PACKAGE/__init__.py"),
    ("test_driver.py.txt", "tests/test_driver.py"),
    ("example.capture.txt", "tests/NAME.capture"),
)
KIND: Final = re.compile(r"[a-z][a-z0-9]*(-[a-z0-9]+)*")


def checked_kind(kind: str) -> str:
    """Return `kind`; `SettingError` if it is no name for a kind of instrument."""
    if len(kind) > 40 or KIND.fullmatch(kind) is None:
        raise SettingError(f"{kind!r}: small letters, digits and single hyphens, beginning with a letter", key="NAME")
    return kind


def write_distribution(kind: str, folder: Path) -> list[Path]:
    """Write all files below `folder`, which must be empty or new, and return their paths.

    Raises:
        SettingError: `kind` is no name, the folder is not empty, or it cannot be written.
    """
    package = f"daq_driver_{checked_kind(kind).replace('-', '_')}"
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise SettingError("exists already and is not empty; name another folder", file=str(folder))
    written: list[Path] = []
    for source, target in FILES:
        text = (files("daq.app.workshop") / "template" / source).read_text("utf-8")
        text = text.replace("API_VERSION", str(API_VERSION))
        path = folder / target.replace("PACKAGE", package).replace("NAME", kind)
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text.replace("PACKAGE", package).replace("NAME", kind), "utf-8")
        except OSError as error:
            raise SettingError(f"cannot be written: {error.strerror}", file=str(path)) from error
        written.append(path)
    return written
