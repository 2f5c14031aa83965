"""Write a distribution with a driver in Python as a starting point."""

import re
from importlib.resources import files
from pathlib import Path
from typing import Final

from daq.core.driver import API_VERSION
from daq.core.errors import SettingError

PROTOCOLS: Final[dict[str, str]] = {
    "text": "lines of text, asked for",
    "bytes": "frames of bytes with a length and a check, asked for",
    "stream": "lines of text that the instrument sends by itself",
}
"""Kinds of examples, each with a driver and a capture of its own."""
FILES: Final[tuple[tuple[str, str], ...]] = (
    ("pyproject.toml.txt", "pyproject.toml"),
    ("README.md.txt", "README.md"),
    ("driver_PROTOCOL.py.txt", "PACKAGE/__init__.py"),
    ("test_driver.py.txt", "tests/test_driver.py"),
    ("example_PROTOCOL.capture.txt", "tests/NAME.capture"),
)
KIND: Final = re.compile(r"[a-z][a-z0-9]*(-[a-z0-9]+)*")


def checked_kind(kind: str) -> str:
    """Return `kind`; `SettingError` if it is no name for a kind of instrument."""
    if len(kind) > 40 or KIND.fullmatch(kind) is None:
        raise SettingError(f"{kind!r}: small letters, digits and single hyphens, beginning with a letter", key="NAME")
    return kind


def write_distribution(kind: str, folder: Path, protocol: str = "text") -> list[Path]:
    """Write all files below `folder`, which must be empty or new, and return their paths.

    Args:
        kind: name of the kind of instrument.
        folder: folder of the distribution.
        protocol: key of `PROTOCOLS`, the kind of the example.

    Raises:
        SettingError: `kind` is no name, the folder is not empty, or it cannot be written.
    """
    package = f"daq_driver_{checked_kind(kind).replace('-', '_')}"
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise SettingError("exists already and is not empty; name another folder", file=str(folder))
    written: list[Path] = []
    for source, target in FILES:
        text = (files("daq.app.workshop") / "template" / source.replace("PROTOCOL", protocol)).read_text("utf-8")
        text = text.replace("API_VERSION", str(API_VERSION))
        path = folder / target.replace("PACKAGE", package).replace("NAME", kind)
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text.replace("PACKAGE", package).replace("NAME", kind), "utf-8")
        except OSError as error:
            raise SettingError(f"cannot be written: {error.strerror}", file=str(path)) from error
        written.append(path)
    return written
