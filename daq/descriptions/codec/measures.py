"""Find the frames in the received bytes by more than their end: blocks of lines, checksums in bytes, frames of bytes.

Each function returns a `daq.core.framing.Measure`.  A frame with a checksum is found only where the checksum holds, so
that marks inside a frame, noise before it and a cut frame cost no further frame.
"""

from collections.abc import Sequence
from itertools import takewhile

from daq.core.framing import Measure
from daq.descriptions.codec.layout import FrameLayout
from daq.descriptions.codec.seal import Seal


def of_blocks(begin: bytes, end: bytes, seals: Sequence[Seal], lines: int) -> Measure:
    """Return the measure of texts that begin with `begin`.

    Such a text is one of three: with the mark of one of `seals`, a checksum of bytes and `end`; of `lines` lines, where
    that is more than 1; up to its `end`.  A text without `begin` is one line.  A `begin` inside a text discards the
    text before it, which was cut off.

    Args:
        begin: at least one byte.
        end: end of each line.
        seals: checksums written as bytes, each with a mark.
        lines: number of lines of a block.
    """

    def measure(window: bytes) -> int:
        if not window.startswith(begin):
            if begin.startswith(window):
                return 0
            stop, next_one = window.find(end), window.find(begin)
            if next_one >= 0 and (stop < 0 or next_one < stop):
                return -1
            return stop + len(end) if stop >= 0 else 0
        first = window.find(end, len(begin))
        marks = [(at, seal) for seal in seals if (at := window.find(seal.mark, len(begin))) >= 0]
        if marks and (first < 0 or min(at for at, _ in marks) <= first):
            return _with_bytes(window, begin, end, marks)
        if first < 0:
            # The mark may still come; a second beginning shows that this text was cut off.
            return -1 if window.find(begin, len(begin)) >= 0 else 0
        stop = first
        for _ in range(lines - 1):
            if stop >= 0:
                stop = window.find(end, stop + len(end))
        again = window.find(begin, len(begin))
        if again >= 0 and (stop < 0 or again < stop):
            return -1
        return stop + len(end) if stop >= 0 else 0

    return measure


def _with_bytes(window: bytes, begin: bytes, end: bytes, marks: Sequence[tuple[int, Seal]]) -> int:
    waits = False
    for at, seal in marks:
        total = at + seal.length + len(end)
        text = window[len(begin) : at + seal.length]
        if len(window) < total:
            waits = True
        elif (
            window[at + seal.length : total] == end
            and begin not in text[: at - len(begin)]
            and seal.content(text) is not None
        ):
            return total
    return 0 if waits else -1


def of_layouts(layouts: Sequence[tuple[FrameLayout, Seal | None]], longest: int) -> Measure:
    """Return the measure of frames of bytes, each layout with its checksum; `longest` limits those that grow."""
    ordered = sorted(layouts, key=lambda one: one[0].size + one[0].check_size)
    columns = zip(*(layout.opening for layout, _ in ordered), strict=False)
    common = bytes(column[0] for column in takewhile(lambda column: len(set(column)) == 1, columns))
    size = len(common)

    def measure(window: bytes) -> int:
        head = window[:size]
        if head != common:  # the usual case in noise
            return 0 if common.startswith(head) else -1
        waits = False
        for layout, seal in ordered:
            total = layout.total(window)
            if total < 0 or total > longest:
                continue
            if not 0 < total <= len(window):
                waits = True
            elif seal is None or seal.content(window[:total]) is not None:
                return total
        return 0 if waits else -1

    return measure
