"""Rows of the table of goals: a figure beside its goal, and the goals that a command of its own measures."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Row:
    """A measured figure.

    Attributes:
        what: what was measured.
        now: the figure; NaN where it was not measured.
        goal: the greatest figure that is good; with `at_least` the least one.
        unit: of both; "x" is the ratio to the bare thing.
        why: why it was not measured.
    """

    what: str
    now: float
    goal: float
    unit: str
    at_least: bool = False
    why: str = ""

    @property
    def met(self) -> bool:
        """True where the figure is as good as its goal; it is not where nothing was measured."""
        return self.now >= self.goal if self.at_least else self.now <= self.goal


@dataclass(frozen=True, slots=True)
class Long:
    """A goal whose figure takes minutes: the command prints it."""

    what: str
    goal: str
    command: str


LONG: Final = (
    Long("256 polled instruments / the barest program", "<= 2 x", "python -m tests.bench --instruments 256"),
    Long(
        "512 polled instruments / the barest program; 99th percentile",
        "<= 3 x; <= 20 ms",
        "python -m tests.bench --instruments 512",
    ),
    Long("24 h run: replay, export", ">= 60,000 readings/s", "python -m tests.bench.long_run"),
    Long("24 h run, streamed: replay, export", ">= 200,000 readings/s", "python -m tests.bench.long_run --stream"),
    Long("24 h run: daq show; memory", "<= 1 s; + <= 10 MB", "python -m tests.bench.long_run"),
    Long(
        "60,000 runs: look-ups; daq doctor, --all",
        "<= 10 ms; <= 2 s, <= 60 s, <= 100 MB",
        "python -m tests.bench.year --runs 1000 60000",
    ),
    Long("delays of the loop at a run's end", "none longer than 5 ms", "python -m tests.bench.run_end"),
    Long("100,000 samples: lists; commands", "<= 100 ms; <= 300 ms", "python -m tests.bench.laboratory"),
)


def table(rows: Sequence[Row]) -> list[str]:
    """Return the lines of the table; a row that does not reach its goal has an asterisk."""
    width = max((len(row.what) for row in rows), default=0)
    return [f"  {row.what:<{width}}  {_now(row):>12}   goal {_goal(row)}{'' if row.met else '  *'}" for row in rows]


def long_table(rows: Sequence[Long] = LONG) -> list[str]:
    """Return the lines that name the commands for the other goals."""
    width, goals = max(len(row.what) for row in rows), max(len(row.goal) for row in rows)
    return [f"  {row.what:<{width}}  goal {row.goal:<{goals}}  {row.command}" for row in rows]


def _now(row: Row) -> str:
    return row.why or "not measured" if math.isnan(row.now) else f"{_number(row.now)} {row.unit}"


def _goal(row: Row) -> str:
    return f"{'>=' if row.at_least else '<='} {_number(row.goal)} {row.unit}"


def _number(value: float) -> str:
    return f"{value:,.0f}" if value >= 100 or value == round(value) else f"{value:.3g}"
