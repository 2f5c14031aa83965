"""Reasons why a capture with notes of the display cannot tell some mutants from the description."""

import re
from typing import Any, Final

from tests.campaigns.mutants.changes import at

#: Key, and why a mutant there may survive: the capture has the same bytes and values for both.
REASONS: Final = (
    (r"(kind|title|about|zero_condition|.*\.(about|reason)|.*\{reason\})", "a text for a person"),
    (r"on_link_loss", "only the manual tells what the motor does without its cable"),
    (r"port\..*", "a setting of the serial line, or a pause: no byte of the capture depends on it"),
    (r"(lag|.*\.(interval|refresh|stale_after|timeout|tries)|framing\.(idle|longest_pause|silence|longest|drop_first))", "a time or a bound"),
    (r"framing\.ends(\[\d\])?", "an end of lines that the capture does not have"),
    (r"framing\.encoding", "the encoding of texts that the capture does not have"),
    (r"ignore(\[\d\])?", "a shorter text begins the same lines of the capture"),
    (r"channel", "the order of quantities in a reading: each has its name"),
    (r"channel\[\d+\]\.name", "the name of a quantity: the bytes are the same"),
    (r"channel\[\d+\]\.(low|high)", "a range that is wider than that of the instrument"),
    (r"channel\[\d+\]\.turns", "the sign for the other direction of rotation: the capture has one direction"),
    (r"options(\..*)?|line\..*\.divide_by", "an option with another value than in the capture"),
    (r"command(\..*)?", "a limit or a form of a command that the capture does not have"),
    (r"line\..*\.(means|bits|special|each_letter)(\..*)?", "only the manual tells the meaning of a state"),
    (r"line\..*\.split\..*", "only the manual tells the meaning of a bit that the capture does not have set"),
    (r"line\..*\.others", "a state that is not in the capture"),
    (r"line\..*\.(decimals|digits|more|separator|decimal)", "a form of lines that the capture does not have"),
    (r"line\..*\.says", "a line without a value, as the capture has it"),
    (r"line\..*(pattern|bytes|columns\[\d\])\{other\}", "a field without a value of a channel: its texts in the capture fit both"),
    (r"line\.(other|header|no|error|refusal|yes|started|set|done|unheard)(\..*)?", "a line that is not in the capture"),
    (r"line\.(identity|who|scale)(\..*)?", "a fact of the identity that no check compares"),
    (r"request\..*\.answers.*", "lines that are accepted at any time, too"),
    (r"request\..*\{other\}", "the value of an option in the capture"),
    (r"request\.\w+(\.(checksum.*|send|bytes))?", "a request that the capture does not have"),
    (r"identify(\[\d\])?", "without it the identity is not requested: a note says so"),
    (r"stream(\..*)?|poll(\..*)?", "the other way of asking, which the capture does not have"),
    (r"(.*\.)?checksum\.letters", "digits without letters in the capture"),
)  # fmt: skip


#: Key, change, and why such a mutant may survive.
CHANGES: Final = (
    (r"line\..*\{\w+\}", r"\{\w+:i(\d+\w*)\} as \{\w+:u\1\}", "the capture has no value below zero"),
    (r"line\..*\.signed_bits", r"left out", "the capture has no value below zero"),
    (r"line\..*\{\w+\}", r"\{\w+:u(\d+\w*)\} as \{\w+:i\1\}", "the capture has no value in the upper half"),
    (r"line\..*\{\w+\}", r"\{\w+:number\} as \{\w+:padded\}", "the capture has no blanks before the number"),
    (r"line\.printed\.fields\.mass\.scale", r"added: -1\.0", "the capture has such a line at 0 only"),
    (r"line\.three\.fields\.[ft][12]\..*", r".*", "the display shows the latest of several readings in a line"),
    (r"channel\[\d+\]\.unit", r"'[^']+'", "the same values in another unit of the quantity"),
    (r"(.*\.)?checksum\.low_first", r".*", "a checksum of one byte"),
    (r"(.*\.)?checksum\.crc\.reflected_out", r".*", "the same CRC as without it"),
    (r"(.*\.)?checksum\.covers_begin", r"added: True", "the lines have no begin"),
    (r"line\..*\.units\.\w+", r"left out", "a unit that the capture does not have: its lines are refused"),
    (r"(.*\.)?checksum\.written", r"'little_endian'", "a checksum of one byte"),
    (r"checksum\.requests", r"added: True", "the instrument is not asked"),
)  # fmt: skip


def reason(key: str, what: str = "", raw: dict[str, Any] | None = None) -> str:
    """Return why a mutant at this key may survive; "" where it must not.

    A table that is left out has a reason where each of its keys has one: its other keys have their defaults.
    """
    found = next((why for pattern, why in REASONS if re.fullmatch(pattern, key)), "")
    for pattern, change, why in CHANGES:
        if re.fullmatch(pattern, key) and re.fullmatch(change, what):
            return why
    if found or raw is None or what != "left out":
        return found
    path = [int(part) if part.isdigit() else part for part in re.findall(r"[^.\[\]]+", key)]
    try:
        table = at(raw, tuple(path))
    except (KeyError, IndexError, TypeError):
        return ""
    if not isinstance(table, dict) or not table:
        return ""
    whys = [reason(f"{key}.{name}", what, raw) for name in table]
    return "; ".join(dict.fromkeys(whys)) if all(whys) else ""
