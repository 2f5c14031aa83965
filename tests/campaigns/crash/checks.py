"""What must hold after a kill and the start that follows it."""

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
"""The stated loss window: real seconds of readings of a run that a kill may cost."""


class Tap:
    """What passed on the instrument's terminal, by direction, with the times."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._offset = 0
        self.times: dict[str, list[int]] = {"<": [], ">": []}
        self.chunks: dict[str, list[bytes]] = {"<": [], ">": []}

    def catch_up(self) -> None:
        """Read what was written since the last time."""
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
        """Time and bytes of the chunks with start < time <= end."""
        times = self.times[direction]
        chosen = range(bisect_right(times, start_ns), bisect_right(times, end_ns))
        return [(times[i], self.chunks[direction][i]) for i in chosen]


@dataclass
class Life:
    """One run that was begun in one life of the daemon."""

    sample: str
    asked_ns: int
    died_ns: int
    point: str
    real_ns: Any
    """Makes real times of the journal's."""


@dataclass
class Loss:
    """What a kill cost a run."""

    seconds: float
    readings: int


def lost_readings(reader: Reader, run: RunRecord, life: Life, tap: Tap, link: str) -> Loss:
    """Readings that the instrument had answered before the kill and that are not in the journal.

    The journal's bytes of the lead link must be found, whole and in one piece, in what was tapped
    since the run was asked for; the answers tapped behind that piece and before the kill are lost.
    Their time is from the last answer that is in the journal (where there is none: from the first
    answer after the run was asked for) to the last one lost.

    Raises:
        AssertionError: what is in the journal was not answered so.
    """
    answered = tap.between(">", life.asked_ns, life.died_ns)
    raw = b"".join(block.raw for block in reader.journal(run.id))
    records = list(read_records(raw))
    if any(r.effect is not None and r.effect.startswith("Ended ") for r in records):
        return Loss(0.0, 0)  # it was over before; what was answered after belongs to no run
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
        # Short pieces may be found more than once; the time of the last chunk tells which it is.
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
    """What is wrong with a run that was begun, after the start that followed: one result, and the same computed again."""
    wrong: list[str] = []
    results = [r for r in reader.results(run.id) if r.supersedes is None]
    if len(results) != 1:
        wrong.append(f"run {run.id} has {len(results)} results")
    if run.state != "ended" or not run.outcome or not run.motor:
        wrong.append(f"run {run.id} is {run.state!r}, outcome {run.outcome!r}, motor {run.motor!r}")
    if results and run.outcome != json.loads(results[0].data)["outcome"]:
        wrong.append(f"run {run.id}: the result tells of another outcome than the run")
    try:
        again = recompute(reader, run, drivers)
    except DaqError as error:
        return [*wrong, f"run {run.id}: {error}"]
    if not again.same:
        what = again.broken_chain or again.missing or again.differences or again.replay.difference
        wrong.append(f"run {run.id} is not computed again the same: {what}")
    return wrong


def check_delivery(reader: Reader, received: list[dict[str, Any]]) -> tuple[list[str], int]:
    """Whether a historian that drops what it had already has every result once; and how many it dropped."""
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
