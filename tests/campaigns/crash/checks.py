"""Checks after a kill and the start that follows it."""

import json
import re
from bisect import bisect_right
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from daq.adapters.store.reading import Reader
from daq.adapters.store.rows import RunRecord
from daq.app.records.replaying import recompute
from daq.app.setup.drivers import Drivers
from daq.core.errors import DaqError
from daq.core.events import Received
from daq.core.journal import read_records

WINDOW_S = 1.0
"""The stated loss window: a kill may lose this many real seconds of a run's readings."""


class Tap:
    """Bytes that passed on the instrument's terminal, by direction, with their times (ns)."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._offset = 0
        self.times: dict[str, list[int]] = {"<": [], ">": []}
        self.chunks: dict[str, list[bytes]] = {"<": [], ">": []}

    def catch_up(self) -> None:
        """Read the lines that were written since the last call."""
        with self._path.open("rb") as file:
            file.seek(self._offset)
            lines = file.read().splitlines(keepends=True)
        for line in lines:
            if not line.endswith(b"\n"):
                return
            self._offset += len(line)
            t, direction, data = line.decode().split()
            self.times[direction].append(int(t))
            self.chunks[direction].append(bytes.fromhex(data))

    def between(self, direction: str, start_ns: float, end_ns: float) -> list[tuple[int, bytes]]:
        """Return time (ns) and bytes of the chunks with start < time <= end."""
        times = self.times[direction]
        chosen = range(bisect_right(times, start_ns), bisect_right(times, end_ns))
        return [(times[i], self.chunks[direction][i]) for i in chosen]


@dataclass
class Life:
    """One run, started in one life of the daemon (from its start to its end)."""

    sample: str
    asked_ns: int
    died_ns: int
    point: str
    real_ns: Any
    """Converts a time of the journal (ns, scaled clock) to real time (ns)."""


@dataclass
class Loss:
    """Readings of a run that a kill lost."""

    seconds: float
    readings: int


def lost_readings(reader: Reader, run: RunRecord, life: Life, tap: Tap, link: str) -> Loss:
    """Return the readings that the instrument answered before the kill and that are not in the journal.

    The journal's bytes of the lead link must occur, whole and in one piece, in the bytes tapped since the run was
    requested.  The answers tapped after that piece and before the kill are lost.  Their time runs from the last answer
    in the journal (or, if it holds none, from the first answer after the request) to the last one lost.

    Raises:
        AssertionError: the journal holds bytes that the instrument did not answer.
    """
    answered = tap.between(">", life.asked_ns, life.died_ns)
    raw = b"".join(block.raw for block in reader.journal(run.id))
    records = list(read_records(raw))
    if any(r.effect is not None and r.effect.startswith("Ended ") for r in records):
        return Loss(0.0, 0)  # the run ended before the kill; later answers belong to no run
    received = [r.event for r in records if isinstance(r.event, Received) and r.event.link == link]
    stream = b"".join(data for _, data in answered)
    journaled = b"".join(e.data for e in received)
    ends: list[int] = []
    length = 0
    for _, data in answered:
        length += len(data)
        ends.append(length)
    covered_until, since = 0, answered[0][0] if answered else life.died_ns
    if received:
        last_real = life.real_ns(received[-1].t)
        places = [m.start() for m in re.finditer(b"(?=%b)" % re.escape(journaled), stream)]
        assert places, f"{run.id}: the journal holds bytes that were not answered"
        # A short piece may occur more than once; the time of its last chunk selects the right one.
        until = [(i + len(journaled), answered[_chunk(ends, i + len(journaled))][0]) for i in places]
        covered_until, since = min(until, key=lambda place: abs(place[1] - last_real))
    lost = [
        (t, data)
        for (t, data), end in zip(answered, ends, strict=True)
        if end > covered_until and data.startswith(b"val")
    ]
    if not lost:
        return Loss(0.0, 0)
    return Loss((lost[-1][0] - since) * 1e-9, len(lost))


def _chunk(ends: list[int], offset: int) -> int:
    return next(i for i, end in enumerate(ends) if end >= offset)


def check_run(reader: Reader, run: RunRecord, drivers: Drivers) -> list[str]:
    """Return the violations of a started run after the next start: it has one result, and replay gives the same."""
    wrong: list[str] = []
    results = [r for r in reader.results(run.id) if r.supersedes is None]
    if len(results) != 1:
        wrong.append(f"run {run.id} has {len(results)} results")
    if run.state != "ended" or not run.outcome or not run.motor:
        wrong.append(f"run {run.id} is {run.state!r}, outcome {run.outcome!r}, motor {run.motor!r}")
    if results and run.outcome != json.loads(results[0].data)["outcome"]:
        wrong.append(f"run {run.id}: result and run have different outcomes")
    try:
        again = recompute(reader, run, drivers)
    except DaqError as error:
        return [*wrong, f"run {run.id}: {error}"]
    if not again.same:
        what = again.broken_chain or again.missing or again.differences or again.replay.difference
        wrong.append(f"run {run.id} is not replayed the same: {what}")
    return wrong


def check_delivery(reader: Reader, received: list[dict[str, Any]]) -> tuple[list[str], int]:
    """Check that a historian that drops duplicates has every result once; return the violations and the number it dropped."""
    stored = {(r.id, int(r.sequence), r.stream) for r in reader.all_results()}
    got = [(m["id"], int(m["sequence"]), m["stream"]) for m in received]
    unique = set(got)
    wrong = [f"result {i} ({stream} {n}) did not arrive" for i, n, stream in sorted(stored - unique)]
    wrong += [f"result {i} ({stream} {n}) arrived and is not stored" for i, n, stream in sorted(unique - stored)]
    for stream in sorted({s for _, _, s in unique}):
        numbers = sorted(n for _, n, s in unique if s == stream)
        if numbers != list(range(1, len(numbers) + 1)):
            wrong.append(f"the sequence numbers of {stream} are not contiguous")
    return wrong, len(got) - len(unique)
