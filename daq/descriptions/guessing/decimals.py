"""Find the decimal mark of the numbers in lines."""

import re
from collections.abc import Sequence


def decimal_mark(texts: Sequence[str]) -> str:
    """Return the decimal mark: a comma where no number has a point and commas do not separate columns."""
    lines = [line for text in texts for line in text.splitlines()]
    points = sum(len(re.findall(r"\d\.\d", line)) for line in lines)
    separated = any(mark in line for line in lines for mark in ";\t")
    words = [word for line in lines for word in line.split()]
    commas = max((word.count(",") for word in words), default=0)
    single = commas == 1 and not any(re.search(r",(?!\d)|(?<!\d),", word) for word in words)
    return "," if not points and any(re.search(r"\d,\d", line) for line in lines) and (separated or single) else "."


def is_sure_mark(texts: Sequence[str], mark: str) -> bool:
    """Return True where a comma between digits is the decimal mark for sure, or there is none.

    The columns of a line are separated otherwise, or a number such as ``1,05`` has a zero behind the comma.
    """
    return mark == "." or any(";" in text or "\t" in text or re.search(r"\d,0\d", text) for text in texts)
