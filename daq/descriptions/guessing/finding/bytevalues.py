"""Find the numbers of frames of bytes that the display showed: type, order of bytes, scale and place of each."""

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from daq.descriptions.numbers import size_of, unpacker
from daq.descriptions.types import HEX_BYTES

LEAST_NOTES: Final = 3
"""Least number of different texts of the display: any one number fits some type by chance."""
SCALES: Final = (1.0, 0.1, 0.01, 0.001, 0.0001)
MOST: Final = 8
"""Greatest number of possible fields that are shown for a number of the display."""
_NUMBER: Final = re.compile(r"(?<![\w.,])[+-]? *\d+(?:[.,]\d+)?(?![\d.,])")


@dataclass(frozen=True, slots=True)
class Noted:
    """A frame, and the numbers that the display showed behind it, each with the value of its last digit."""

    frame: bytes
    numbers: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Fit:
    """A number of the frames that is on the display: its type, its first byte, and the factor to the display."""

    kind: str
    at: int
    scale: float

    def __str__(self) -> str:
        """Return the field as it is written in a description."""
        scale = f", scale = {self.scale:g}" if self.scale != 1.0 else ""
        return f"{{:{self.kind}}} at byte {self.at}{scale}"


def noted_frames(frames: Sequence[tuple[int, bytes]], shown: Sequence[tuple[int, str]]) -> list[Noted]:
    """Return the frame before each text of the display; `frames` and `shown` with their times, ns."""
    out: dict[tuple[bytes, str], Noted] = {}
    for t, text in shown:
        before = [frame for own, frame in frames if own <= t]
        numbers = tuple(_with_step(match[0]) for match in _NUMBER.finditer(text.replace("\u2212", "-")))
        if before and numbers:
            out[before[-1], text] = Noted(before[-1], numbers)
    return [*out.values()]


def _with_step(text: str) -> tuple[float, float]:
    digits = text.replace(" ", "").replace(",", ".")
    return float(digits), 10.0 ** -len(digits.partition(".")[2])


def fits(noted: Sequence[Noted], stop: int) -> list[list[Fit]]:
    """Return for each number of the display the fields that have it in every frame, before the byte `stop`.

    Empty lists where fewer than `LEAST_NOTES` different numbers were shown.
    """
    count = min((len(one.numbers) for one in noted), default=0)
    return [list(_fits(noted, which, stop)) for which in range(count)]


def _fits(noted: Sequence[Noted], which: int, stop: int) -> Iterator[Fit]:
    if len({one.numbers[which][0] for one in noted}) < LEAST_NOTES:
        return
    for kind in HEX_BYTES:
        size, read = size_of(kind, 0), unpacker(kind, 0)
        for at in range(min([stop, *(len(one.frame) for one in noted)]) - size + 1):
            raw = [one.frame[at : at + size] for one in noted]
            if len(set(raw)) < LEAST_NOTES:
                continue
            numbers = [float(read(own) or 0) for own in raw]
            for scale in SCALES:
                if all(_is(number * scale, *one.numbers[which]) for number, one in zip(numbers, noted, strict=True)):
                    yield Fit(kind, at, scale)


def _is(value: float, shown: float, step: float) -> bool:
    return math.isfinite(value) and abs(value - shown) <= 0.5 * step * (1 + 1e-6) + 1e-9 * abs(shown)


def remarks(noted: Sequence[Noted], found: Sequence[Sequence[Fit]]) -> list[str]:
    """Return a sentence for each number of the display, with the fields that have it."""
    out: list[str] = []
    for which, own in enumerate(found):
        first = ", ".join(f"{one.numbers[which][0]:g}" for one in noted[:3])
        if not own:
            out.append(f"{first}, ... on the display: no field has these numbers")
            continue
        listed = " or ".join(map(str, own[:MOST])) + (f" or {len(own) - MOST} more" if len(own) > MOST else "")
        also = "" if len(own) == 1 else "; a note of a negative and of a large value decides"
        out.append(f"{first}, ... on the display: {listed}{also}")
    return out
