"""Processor time of every list, search and chart, and of every command that reads: ``python -m tests.bench.laboratory``.

``--samples N`` and ``--results M`` give the size of the larger laboratory, the smaller one has a tenth of both;
``--keep DIR`` uses their state directories again.  Each function is called with `CALLS` seeded arguments and each
command `PROCESSES` times; the figure is the 95th percentile of the processor time.  The growth exponent is the slope of
log time over log size: 0 is flat, 1 is linear.  A figure over its goal is marked with an asterisk.
"""

import argparse
import itertools
import math
import random
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

from daq.adapters.paths import database_path, examples_dir
from daq.adapters.store.agreement.one_run import disagreements_of_sample
from daq.adapters.store.reading import Reader
from daq.adapters.store.store import Store
from daq.app.cli.signing.affected import affected
from daq.app.delivery.resending import outbox_view
from daq.app.laboratory.bench.handing_over import left_over
from daq.app.laboratory.equipment.casefile import case_of
from daq.app.laboratory.equipment.inventory import inventory
from daq.app.laboratory.equipment.monthly import review
from daq.app.laboratory.lists.charting import product_charts, verification_charts
from daq.app.laboratory.lists.sample_lists import all_samples, discard_due, worklist
from daq.app.laboratory.named_runs import find_run
from daq.app.laboratory.people import persons
from daq.app.laboratory.reporting.tracing import trace
from daq.app.laboratory.signing.report_subjects import report_named
from daq.app.laboratory.signing.reportable_records import computed
from daq.app.laboratory.signing.signing_list import Asked, signing_list
from daq.app.records.attempts import runs_of_sample
from daq.app.records.checks.audited_checks import entries
from daq.app.records.checks.doubts import in_doubt
from daq.app.records.history import history
from daq.app.records.run_rows import entry
from daq.app.records.searching import RunSearch, absent, search
from daq.app.records.sheets.day_sheet import day_sheet
from daq.app.records.signatures import Releases
from daq.app.records.transcriptions import not_confirmed, read_between
from daq.app.setup.catalogue import Catalogue
from tests.bench import laboratory_state as made
from tests.bench.cpu import of_process
from tests.bench.laboratory_state import FLUID, Size, lot_of, make, run_id, sample_id
from tests.bench.start import TO_THE_REQUEST

GOAL_S: Final = 0.1
"""Goal of a function, s of processor time."""
COMMAND_GOAL_S: Final = 0.3
RUN: Final = "daq run, until it asks the daemon"
GOALS: Final = {"daq --help": 0.06, "daq stop bench-1": 0.10, "daq runs": 0.15, RUN: 0.20}
"""Goals of single commands."""
EMPTY: Final = (
    "runs", "sample list", "day", "handover", "verification", "equipment list", "person list", "transcribe", "outbox",
)  # fmt: skip
"""Commands that are measured with an empty database, too."""
CALLS: Final = 20
PROCESSES: Final = 5
DAY_NS: Final = 86_400 * 10**9
SMALLER: Final = 10
"""Ratio of the two sizes."""


@dataclass(frozen=True, slots=True)
class Place:
    """A state directory with the catalogue, and seeded arguments of questions about it."""

    size: Size
    state: Path
    catalogue: Catalogue
    rng: random.Random

    def sample(self) -> int:
        """Return the number of a sample that was measured."""
        return self.rng.randrange(self.size.samples - made.OPEN)

    def run(self) -> int:
        """Return the number of a run."""
        return self.sample() * self.size.runs_of_a_sample + self.rng.randrange(self.size.runs_of_a_sample)

    def day(self) -> tuple[int, int]:
        """Return first and last moment (UTC ns) of a day."""
        first = self.size.began_ns(self.run()) // DAY_NS * DAY_NS
        return first, first + DAY_NS - 1

    def month(self) -> str:
        """Return a month with runs, before the last one."""
        return (
            datetime.fromtimestamp(made.BEGAN_NS / 1e9, UTC) + timedelta(days=30 * self.rng.randrange(1, 22))
        ).strftime("%Y-%m")

    def bench(self) -> str:
        """Return a bench of the configuration."""
        return made.BENCHES[self.rng.randrange(3)]


def _listed(reader: Reader, asked: RunSearch, limit: int = 20) -> list[Any]:
    found = search(reader, asked, limit=limit)
    releases = Releases(reader)
    return [entry(reader, record, releases) for record in found.runs]


def _of_sample(reader: Reader, sample: str) -> list[Any]:
    releases = Releases(reader)
    return [entry(reader, run, releases) for run in runs_of_sample(reader, sample)]


def searches(p: Place) -> dict[str, Callable[[Reader], object]]:
    """Return the searches of runs, by name."""
    operator = lambda: made.PERSONS[p.rng.randrange(len(made.PERSONS))]  # noqa: E731
    given: dict[str, Callable[[], RunSearch]] = {
        "newest": RunSearch,
        "sample": lambda: RunSearch(sample=sample_id(p.sample())),
        "lot": lambda: RunSearch(lot=lot_of(p.sample())),
        "product": lambda: RunSearch(product="engobe"),
        "instrument": lambda: RunSearch(instrument=p.bench()),
        "operator": lambda: RunSearch(operator=operator()),
        "outcome stopped (none)": lambda: RunSearch(outcome="stopped"),
        "outcome running (none)": lambda: RunSearch(outcome="running"),
        "verdict": lambda: RunSearch(verdict="outside"),
        "verdict undecided (none)": lambda: RunSearch(verdict="undecided"),
        "since, until": lambda: RunSearch(since_utc_ns=p.day()[0], until_utc_ns=p.day()[1]),
        "until, verdict": lambda: RunSearch(until_utc_ns=p.day()[1], verdict="outside"),
        "product, operator, until": lambda: RunSearch(product="engobe", operator=operator(), until_utc_ns=p.day()[1]),
        "product, instrument, operator": lambda: RunSearch(product="engobe", instrument=p.bench(), operator=operator()),
        "instrument, verdict undecided (none)": lambda: RunSearch(instrument=p.bench(), verdict="undecided"),
        "product, unknown operator": lambda: RunSearch(product="engobe", operator="nobody"),
    }
    found: dict[str, Callable[[Reader], object]] = {
        f"runs: {name}": (lambda r, asked=asked: _listed(r, asked())) for name, asked in given.items()
    }
    found["runs: why nothing was found"] = lambda r: absent(r, RunSearch(product="engobe", operator="nobody"))
    return found


def functions(p: Place) -> dict[str, Callable[[Reader], object]]:
    """Return the functions behind the commands, by name; each draws new arguments at each call."""
    now = p.size.began_ns(p.size.results)
    clear = p.catalogue.product("clear-glaze")
    return searches(p) | {
        "run by the beginning of its id": lambda r: find_run(r, run_id(p.run())[:12]),
        "run and its result (show)": lambda r: history(r, find_run(r, run_id(p.run()))),
        "values of runs": lambda r: [r.values_of_runs(c) for c in ("instrument", "product", "operator")],
        "day sheet": lambda r: day_sheet(r, *p.day()),
        "day sheet of a bench": lambda r: day_sheet(r, *p.day(), p.bench()),
        "worklist of a bench": lambda r: worklist(r, p.bench()),
        "samples (list --all)": lambda r: all_samples(r, limit=50),
        "samples to discard": lambda r: discard_due(r, "2026-12-01"),
        "runs of a sample (sample show)": lambda r: _of_sample(r, sample_id(p.sample())),
        "case of a lot": lambda r: case_of(r, lot_of(p.sample())),
        "review of a month": lambda r: review(r, p.month()),
        "chart of 20 points": lambda r: product_charts(r, clear, last=20),
        "chart of 20 verifications": lambda r: verification_charts(r, FLUID, p.bench(), last=20),
        "reportables of a sample": lambda r: computed(Releases(r), sample_id(p.sample())),
        "agreement of a sample": lambda r: disagreements_of_sample(r.path, sample_id(n := p.sample()), [run_id(3 * n)]),
        "to sign, a day": lambda r: signing_list(
            Releases(r),
            p.catalogue,
            Asked(meaning="reviewed", person=None, since_utc_ns=(day := p.day())[0], until_utc_ns=day[1]),
        ),
        "trace of a report": lambda r: trace(r, report_named(r, _report(p)).record),
        "equipment": lambda r: inventory(p.catalogue, r, now),
        "verifications of a bench": lambda r: in_doubt(r, entries(r, p.bench())),
        "affected by a failed verification": lambda r: _affected(r, p),
        "handover": lambda r: left_over(r, p.catalogue, now),
        "transcribed, not confirmed": not_confirmed,
        "transcribed in a day": lambda r: read_between(r, *p.day()),
        "health of a bench": lambda r: r.health(p.bench()),
        "outbox": lambda r: outbox_view(r, now, None),
        "persons": persons,
    }


def _report(p: Place) -> str:
    number = p.sample() // made.REPORTED_EVERY * made.REPORTED_EVERY
    return made.digest_of(f"report {sample_id(number)}")[:12]


def _affected(reader: Reader, p: Place) -> object:
    failed = (
        "SELECT json_extract(detail, '$.run') AS run FROM audit WHERE what = 'verification' AND subject = ? "
        "AND NOT json_extract(detail, '$.passed') LIMIT 20"
    )
    benches = p.rng.sample(made.BENCHES, len(made.BENCHES))
    rows = next(rows for bench in benches if (rows := reader.query(failed, [bench])))
    return affected(reader, p.rng.choice(rows)["run"])


def commands(p: Place) -> dict[str, list[str]]:
    """Return the arguments of the commands that read, by their names in the table."""
    n = p.sample()
    run, lot, day = run_id(n * p.size.runs_of_a_sample), lot_of(n), datetime.fromtimestamp(p.day()[0] / 1e9, UTC)
    given = [
        "--help", "stop bench-1", "runs", "runs --verdict outside", "runs --operator a.fettler --limit 100",
        f"runs --lot {lot}", f"show {run}", "show last", "sample list", "sample list --bench bench-1",
        "sample list --all", f"sample show {sample_id(n)}", f"day {day:%Y-%m-%d}", f"case {lot}",
        f"review {p.month()}", "chart clear-glaze", f"chart --verification {FLUID} --instrument bench-1",
        f"reportable {sample_id(n)}", f"trace {_report(p)}", "equipment list", "verification", "verification bench-1",
        "handover", "health bench-1", "outbox", "person list", "transcribe",
        f"sign --meaning reviewed --since {day:%Y-%m-%d} --until {day:%Y-%m-%d} --list",
    ]  # fmt: skip
    hidden = {run: "RUN", lot: "LOT", sample_id(n): "SAMPLE", f"{day:%Y-%m-%d}": "DAY"}
    out = {}
    for words in given:
        parts = words.split()
        shown = " ".join(hidden.get(word, word) for word in parts)
        out[f"daq {shown.partition(' --until')[0]}"] = parts
    named = {"review": "MONTH", "trace": "REPORT"}
    return {(f"{k.rsplit(' ', 1)[0]} {named[v[0]]}" if v[0] in named else k): v for k, v in out.items()}


def p95(times: list[float]) -> float:
    """Return the 95th percentile: the smallest time that 95 % of all do not exceed."""
    return sorted(times)[math.ceil(0.95 * len(times)) - 1]


def of_functions(p: Place, chosen: str) -> Iterator[tuple[str, float]]:
    """Yield the 95th percentile of the processor time (s) of each function."""
    with Reader(database_path(p.state)) as reader:
        for name, function in functions(p).items():
            if chosen not in name:
                continue
            times = []
            function(reader)
            for _ in range(CALLS):
                began = time.process_time()
                function(reader)
                times.append(time.process_time() - began)
            yield name, p95(times)


def of_commands(p: Place, chosen: str) -> Iterator[tuple[str, float]]:
    """Yield the 95th percentile of the processor time (s) of each command as a whole process."""
    for name, words in commands(p).items():
        if chosen in name:
            yield name, of_command(words, p.state)
    if chosen in RUN:
        yield RUN, p95([of_process(["-c", TO_THE_REQUEST]) for _ in range(PROCESSES + 1)][1:])


def of_empty(state: Path, chosen: str) -> Iterator[tuple[str, float]]:
    """Yield the 95th percentile of the processor time (s) of the commands that need no data, with an empty database."""
    Store(database_path(state)).close()
    for words in EMPTY:
        if chosen in f"daq {words}":
            yield f"daq {words} (empty)", of_command(words.split(), state)


def of_command(words: list[str], state: Path) -> float:
    """Return the 95th percentile of the processor time (s) of a command as a whole process."""
    given = ["-m", "daq", "--config", str(examples_dir()), "--state", str(state), *words]
    # The first call compiles the modules, as an installation does.
    return p95([of_process(given) for _ in range(PROCESSES + 1)][1:])


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.laboratory")
    parser.add_argument("--samples", type=int, default=100_000)
    parser.add_argument("--results", type=int, default=300_000)
    parser.add_argument("--keep", type=Path, help="directory of the state directories; one that exists is used again")
    parser.add_argument(
        "--only", default="", metavar="TEXT", help="only functions and commands with this in their names"
    )
    parser.add_argument("--largest", action="store_true", help="leave out the smaller laboratory")
    asked = parser.parse_args()
    sizes = [Size(asked.samples, asked.results)]
    if not asked.largest:
        sizes.insert(0, Size(asked.samples // SMALLER, asked.results // SMALLER))
    catalogue = Catalogue.load(examples_dir())
    with tempfile.TemporaryDirectory() as scratch:
        figures = []
        print("  an empty database", flush=True)
        for name, seconds in of_empty(Path(scratch), asked.only):
            mark = " *" if seconds > COMMAND_GOAL_S else ""
            print(f"  {name:<60}{seconds * 1000:>9.1f} ms{mark}", flush=True)
        for size in sizes:
            state = (asked.keep or Path(scratch)) / f"lab-{size.samples}"
            if not state.exists():
                began = time.perf_counter()
                make(state, size)
                print(f"  {size.samples} samples written in {time.perf_counter() - began:.0f} s", flush=True)
            print(f"  {size.samples} samples, {database_path(state).stat().st_size / 1e6:.0f} MB", flush=True)
            place = Place(size, state, catalogue, random.Random(7))
            figures.append({})
            for name, seconds in itertools.chain(of_functions(place, asked.only), of_commands(place, asked.only)):
                # At once, because all of them take a long time.
                print(f"  {name:<60}{seconds * 1000:>9.1f} ms", flush=True)
                figures[-1][name] = seconds
    print(f"{'':<60}" + "".join(f"{size.samples:>12}" for size in sizes) + "    exponent")
    for name in figures[0]:
        times = [f[name] for f in figures]
        growth = math.log(times[-1] / times[0]) / math.log(SMALLER) if len(times) > 1 and min(times) > 0 else math.nan
        goal = GOALS.get(name, COMMAND_GOAL_S) if name.startswith("daq ") else GOAL_S
        mark = " *" if max(times) > goal else ""
        print(f"{name:<60}" + "".join(f"{t * 1000:>9.1f} ms" for t in times) + f"    {growth:8.2f}{mark}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
