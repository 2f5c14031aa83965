"""The scripts that a script imports, so that a page names all of them at once."""

import functools
import re
from importlib.resources import files
from typing import Final

IMPORT: Final = re.compile(r'^import [^;]*?"\./([\w.]+)";', re.MULTILINE)


@functools.cache
def modules_of(name: str) -> tuple[str, ...]:
    """Return the names of all scripts that a script of the page imports, directly or not, in the order of first use.

    A browser that learns them from the page fetches them side by side; otherwise it learns each from the one before it.
    """
    folder = files("daq.page.static")
    found, open_ = dict[str, None](), [name]
    while open_:
        text = folder.joinpath(open_.pop(0)).read_text("utf-8")
        new = [one for one in IMPORT.findall(text) if one not in found]
        found |= dict.fromkeys(new)
        open_ += new
    return tuple(found)
