"""Find the decimal mark of the numbers in lines."""

import re
from collections.abc import Sequence

from daq.descriptions.guessing.questions import Answers, yes_or_no


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


def asked_decimal_mark(texts: Sequence[str], ask: Answers) -> tuple[str, str]:
    """Return the decimal mark, and the open point on it; "" for none.

    A comma that may also separate two numbers is a question.
    """
    mark = decimal_mark(texts)
    if is_sure_mark(texts, mark):
        return mark, ""
    with_comma = [text for text in texts if re.search(r"\d,\d", text)]
    sample = re.search(r"[0-9]+,[0-9]+", with_comma[0])
    part = sample[0] if sample else ","
    point = f"whether {part} is one number with a decimal comma, or two numbers"
    answer = ask.ask(
        "comma", f"Is {part} in these lines one number, with a decimal comma?", yes_or_no, point=point, lines=with_comma,
        answers="yes; no, where the comma separates two numbers",
    )  # fmt: skip
    return "." if answer is False else mark, "" if answer is not None else point
