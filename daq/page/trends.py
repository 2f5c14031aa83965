"""The trend of each run since its start, kept by the page, so that a page that is loaded again has it at once."""

from array import array
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

MOST_POINTS: Final = 2400
"""Greatest number of points of a bench: 10 min of the four views a second that the daemon sends."""
SPARE: Final = 600
"""Number of points over the greatest one at which the oldest are removed, all in one step."""
LEAST_S: Final = 1e-3
"""Least time in s between two points: the time of one reading differs by rounding in several views."""
TEMPERATURE: Final = "temperature"


@dataclass(slots=True)
class Trend:
    """The points of one signal of one run.

    Attributes:
        run: id of the run.
        signal: the value of the run; before there is one, the temperature that the run waits for.
        unit: its UCUM code.
        times: times of reading in s since the start of the run, ascending.
        values: in `unit`; NaN where the signal had no value.
        read_at: time (s, clock of the page) at which the newest point was read.
    """

    run: str
    signal: str
    unit: str
    times: "array[float]" = field(default_factory=lambda: array("d"))
    values: "array[float]" = field(default_factory=lambda: array("d"))
    read_at: float = 0.0

    def add(self, time: float, value: float | None) -> bool:
        """Add a point; return whether it is newer than all others, since the same reading is in several views."""
        if self.times and time < self.times[-1] + LEAST_S:
            return False
        self.times.append(time)
        self.values.append(float("nan") if value is None else value)
        if len(self.times) > MOST_POINTS + SPARE:
            del self.times[:-MOST_POINTS], self.values[:-MOST_POINTS]
        return True

    def points(self) -> dict[str, list[float | None]]:
        """Return times (s) and values of the newest `MOST_POINTS` points; null where there was no value."""
        values = [None if value != value else value for value in self.values[-MOST_POINTS:]]  # noqa: PLR0124 - NaN
        return {"times": list(self.times[-MOST_POINTS:]), "values": values}


def trend_signal(run: Mapping[str, Any]) -> str:
    """Return the signal that the trend of a run (`RunView` as JSON) shows."""
    value, gate = run["value"], run["temperature"]
    return str(value["name"] if value else gate["signal"] if gate else TEMPERATURE)


class Trends:
    """The trends of the runs on all benches."""

    def __init__(self) -> None:
        """There is no run yet."""
        self._of: dict[str, Trend] = {}
        self._read: dict[str, float] = {}

    def take(
        self, bench: str, run: Mapping[str, Any], read: tuple[float, float] | None, now: float
    ) -> dict[str, Any] | None:
        """Take a view of a run; return the point that it adds (signal, t in s, value), None where it adds none.

        A view with the same reading as the view before adds nothing: it has no new value.

        Args:
            bench: name of the bench.
            run: the view (`RunView` as JSON).
            read: times (s) of the arrival of the newest reading, which tells it from others, and of its reading; None
                where there are no values.
            now: time (s, same clock) of the view.
        """
        signal = trend_signal(run)
        trend = self._of.get(bench)
        if trend is None or (trend.run, trend.signal) != (run["run"], signal):
            trend = self._of[bench] = Trend(run["run"], signal, run["units"].get(signal, "1"))
            self._read.pop(bench, None)
        if read is None or self._read.get(bench) == read[0]:
            return None
        self._read[bench], read_at = read
        time, value = run["run_s"] - (now - read_at), run["signals"].get(signal)
        if time < 0 or not trend.add(time, value):
            return None  # it was read before the run, or is no newer
        trend.read_at = read_at
        return {"signal": signal, "t": time, "value": value}

    def end(self, bench: str) -> None:
        """Forget the trend of a bench: its run has ended."""
        self._of.pop(bench, None)
        self._read.pop(bench, None)

    def keep(self, runs: Mapping[str, Mapping[str, Any]]) -> None:
        """Forget all trends but those of the runs (views by bench) that are still in progress."""
        for bench in [bench for bench, trend in self._of.items() if runs.get(bench, {}).get("run") != trend.run]:
            self.end(bench)

    def of(self, bench: str) -> Trend | None:
        """Return the trend of a bench; None without a run."""
        return self._of.get(bench)
