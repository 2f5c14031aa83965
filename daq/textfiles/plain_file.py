"""Read the files of people: regular files only, of bounded size, without ever waiting for a pipe or a device."""

import errno
import os
import re
import stat
from pathlib import Path
from typing import Final

from daq.core.errors import SettingError

LONGEST_LINE: Final = 16_384
"""Greatest length of a line of a settings file, in characters."""
DEEPEST_KEY: Final = 32
"""Greatest number of parts of a dotted key; the reader's time grows with the square of this number."""
_PART: Final = r"""(?:[\w-]{1,64}|"[^"\n]{0,64}"|'[^'\n]{0,64}')"""
_DOTTED: Final = re.compile(rf"{_PART}(?:[ \t]{{0,8}}\.[ \t]{{0,8}}{_PART}){{{DEEPEST_KEY}}}", re.ASCII)


def read_plain(path: Path | str, largest: int, *, what: str = "a settings file", found: str = "") -> bytes:
    """Return the content of a regular file.

    Args:
        path: the file; a symbolic link is followed.
        largest: greatest size, bytes.
        what: name of such a file, for errors.
        found: advice where there is no such file.

    Raises:
        SettingError: there is no such file, it is no regular file, is too large, or cannot be read.
    """
    file = str(path)
    try:
        # A device is refused before it is opened: to open a serial port can reset its instrument.
        _refuse_other(Path(path).stat(), file, what)
        # Without O_NONBLOCK, opening a pipe that takes the file's place now would wait for its other end.
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_CLOEXEC", 0))
        with os.fdopen(handle, "rb") as opened:
            _refuse_other(os.fstat(handle), file, what)
            content = opened.read(largest + 1)
    except FileNotFoundError:
        raise SettingError(found or "there is no such file; check the name and the folder", file=file) from None
    except OSError as error:
        reason = error.strerror if error.errno != errno.ENOTDIR else "a folder in its path is a file"
        raise SettingError(f"cannot be read: {reason}; check its permissions", file=file) from None
    except ValueError:  # a NUL in the path, or half of a character
        raise SettingError("is no path: it has a NUL or another character that no path can have", key="path") from None
    if len(content) > largest:
        size = f"{largest // 1000} kB" if largest < 1_000_000 else f"{largest // 1_000_000} MB"
        raise SettingError(f"is larger than {size}; this is not {what}", file=file)
    return content


def _refuse_other(status: os.stat_result, file: str, what: str) -> None:
    if stat.S_ISDIR(status.st_mode):
        raise SettingError("is a folder; name the file in it", file=file)
    if not stat.S_ISREG(status.st_mode):
        raise SettingError(f"is a device, a pipe or a socket; {what} is a regular file", file=file)


def refuse_costly(text: str, file: str) -> None:
    """Refuse TOML text whose reading would take the processor for minutes.

    Raises:
        SettingError: a line is too long, or a dotted key has too many parts.
    """
    for number, line in enumerate(text.split("\n"), 1):
        if len(line) > LONGEST_LINE:
            reason = f"line {number} has more than {LONGEST_LINE} characters; this is not a settings file"
            raise SettingError(reason, file=file)
    dotted = _DOTTED.search(text)
    if dotted is not None:
        place = text.count("\n", 0, dotted.start()) + 1
        raise SettingError(f"line {place} has a name of more than {DEEPEST_KEY} parts; shorten it", file=file)
