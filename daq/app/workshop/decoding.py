"""The values in the lines of a capture, as a driver decodes them, each beside its line."""

from collections.abc import Sequence
from typing import Final

from daq.core.driver import Decoded, Driver, Several, Values
from daq.core.exchange import NEVER
from daq.core.frames import make_framer
from daq.core.units import symbol
from daq.descriptions.capture import Piece
from daq.testing.talk import requests_of

NO_VALUE: Final = "-"


def values_beside(driver: Driver, pieces: Sequence[Piece]) -> list[str]:
    """Return for each piece the readings that it completes, with names and units; "" where it completes none."""
    known = {request.data: request for request in requests_of(driver)}
    framer, asked = make_framer(driver.framing), None
    found = []
    for number, piece in enumerate(pieces):
        texts: list[str] = []
        if piece.way == ">":
            asked = known.get(piece.data)
            if not driver.streams and framer.starts_anew:
                framer.forget()
        elif piece.way == "<":
            frames = framer.feed(piece.t, piece.data)
            after = pieces[number + 1].t if number + 1 < len(pieces) else NEVER - 1
            if framer.wake_at <= after:  # a silence ends the line
                frames = [*frames, *framer.tick(framer.wake_at)]
            texts = [text for frame in frames if (text := reading_text(driver, driver.decode(frame, asked)))]
        found.append("; ".join(texts))
    return found


def reading_text(driver: Driver, meaning: Decoded) -> str:
    """Return the values of a reading with names and units; "" for anything else than a reading."""
    if isinstance(meaning, Several):
        meaning = meaning.readings[-1] if meaning.readings else ()
    if isinstance(meaning, Values):
        faults = [" ".join(filter(None, fault)) for fault in meaning.faults]
        return ", ".join([*_texts(driver, meaning.values), *faults])
    return ", ".join(_texts(driver, meaning)) if isinstance(meaning, tuple) else ""


def _texts(driver: Driver, values: Sequence[float | None]) -> list[str]:
    return [
        f"{channel.name} {NO_VALUE if value is None else f'{value:.10g}'} {symbol(channel.unit)}".strip()
        for channel, value in zip(driver.channels, values, strict=False)
    ]
