"""Find blocks of lines: several lines that an instrument sends together as one reading."""

import re
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import groupby, pairwise
from typing import Final

from daq.descriptions.guessing.finding.transcript import Lines, ReceivedLine

LEAST_BLOCKS: Final = 4
"""Least number of blocks in a capture that prove their form."""
_CHECKSUM: Final = re.compile(rb"[^\w.,\s-](?:[0-9A-Fa-f]{2}){1,4}\Z")
"""End of a line that has a checksum of its own, and so is a whole reading or answer."""
IsDate = Callable[[bytes], bool]
_HEAD: Final = re.compile(rb"[ ]*[^0-9+ :=-]+")


@dataclass(frozen=True, slots=True)
class Block:
    """A block of lines.

    Attributes:
        begin: text of the first line with which every block begins.
        lines: number of lines.
        ignored: beginnings of lines that are between blocks only sometimes.
        blocks: number of blocks in the capture.
        longest_ns: longest time from the first line to the last one, ns.
        left_out: lines of groups that are no whole block, one for each group.
        dates: lines with only a date or a time of day, one before each block.
    """

    begin: bytes
    lines: int
    ignored: tuple[bytes, ...]
    blocks: int
    longest_ns: int
    left_out: tuple[bytes, ...] = ()
    dates: tuple[bytes, ...] = ()


def find_block(lines: Lines, is_date: IsDate) -> Block | None:
    """Return the block of an instrument, and join its lines in `lines`; None where single lines are readings.

    `is_date` returns True for a line with only a date or a time of day.

    In every block the same beginnings of lines come once and in the same order, and at least two lines have a number.
    """
    if len(lines.ends) != 1:
        return None
    together = [group for group in _together(lines.received) if len(group) > 1]
    if len(together) < LEAST_BLOCKS:
        return None
    whole = together[1:-1] if lines.streams else together
    whole, dates = _behind_dates(whole, is_date)
    heads = Counter(head for group in whole for head in dict.fromkeys(_head(line.text) for line in group))
    regular = {head for head, count in heads.items() if count * 10 >= 9 * len(whole)}
    orders = {tuple(_head(line.text) for line in group if _head(line.text) in regular) for group in whole}
    if len(orders) != 1:
        return None
    (order,) = orders
    sealed = [bool(_CHECKSUM.search(line.text)) for group in whole for line in group]
    if sum(sealed) * 2 > len(sealed):
        return None
    if len(order) < 2 or len(set(order)) != len(order) or not _numbers(whole, order):
        return None
    first = [line.text for group in whole for line in group if _head(line.text) == order[0]]
    begin = order[0] + (b" " if all(text.startswith(order[0] + b" ") for text in first) else b"")
    others = [line.text for group in whole for line in group if _head(line.text) != order[0]]
    if not re.search(rb"[A-Za-z]", begin) or any(begin in text for text in others):
        return None
    ignored = tuple(head for head in heads if head not in regular)
    if any(not head.strip() or head == other[: len(head)] for head in ignored for other in order):
        return None
    return _joined(lines, order, Block(begin, len(order), ignored, 0, 0, dates=dates), is_date)


def _behind_dates(
    groups: list[list[ReceivedLine]], is_date: IsDate
) -> tuple[list[list[ReceivedLine]], tuple[bytes, ...]]:
    """Return the groups without the date before each of them, and the dates; no groups where only some have one.

    A date has no text with which a block could begin: the block begins with the line behind it.
    """
    dates = tuple(group[0].text for group in groups if is_date(group[0].text))
    if not dates:
        return groups, ()
    return ([group[1:] for group in groups], dates) if len(dates) == len(groups) else ([], ())


def _head(text: bytes) -> bytes:
    """Return the first word of a line with the blanks before it."""
    found = _HEAD.match(text)
    return found[0] if found else b""


def _numbers(groups: Sequence[Sequence[ReceivedLine]], order: Sequence[bytes]) -> bool:
    """Return True where at least two lines of the block have a number that changes."""
    texts: dict[bytes, set[bytes]] = {}
    for line in (line for group in groups for line in group if re.search(rb"\d", line.text)):
        texts.setdefault(_head(line.text), set()).add(line.text)
    return sum(len(texts.get(head, ())) > 1 for head in order) > 1


def _together(received: Sequence[ReceivedLine]) -> list[list[ReceivedLine]]:
    """Return the lines that came together: after one request, or without a pause between them."""
    pauses = [b.t - a.t for a, b in pairwise(received) if a.asked is None and b.asked is None]
    longest = max(pauses, default=0)
    out: list[list[ReceivedLine]] = []
    for (asked, _), lines in groupby(received, lambda h: (h.asked, h.t - h.took_ns if h.asked is not None else 0)):
        for line in lines:
            new = not out or out[-1][-1].asked != asked or (asked is None and (line.t - out[-1][-1].t) * 4 > longest)
            new = new or (asked is not None and line.t - line.took_ns != out[-1][-1].t - out[-1][-1].took_ns)
            if new:
                out.append([])
            out[-1].append(line)
    return out


def _joined(lines: Lines, order: Sequence[bytes], block: Block, is_date: IsDate) -> Block | None:
    """Replace the lines of each whole block by one; incomplete blocks and other lines are left out."""
    end, kept, longest = lines.ends[0], [], 0
    groups = _together(lines.received)
    left_out: list[bytes] = []
    for at, group in enumerate(groups):
        own = [line for line in group if _head(line.text) in order and not (block.dates and is_date(line.text))]
        if tuple(_head(line.text) for line in own) != tuple(order):
            # A capture of a stream begins and ends within a block.
            if not (lines.streams and at in (0, len(groups) - 1)):
                left_out.append(group[0].text)
            continue
        text = end.join(line.text for line in own)
        longest = max(longest, own[-1].t - own[0].t)
        kept.append(ReceivedLine(own[-1].t, text[len(block.begin) :], own[0].asked, own[-1].took_ns))
    if len(kept) < LEAST_BLOCKS - 1 or (len(kept) + 2) * len(order) * 10 < 9 * sum(
        _head(h.text) in order for h in lines.received
    ):
        return None
    lines.received = kept
    return replace(block, blocks=len(kept), longest_ns=longest, left_out=tuple(left_out))
