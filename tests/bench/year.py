"""Processor time of each look-up in databases of several sizes: ``python -m tests.bench.year [--runs N ...] [--keep DIR]``.

Processor time of queries, and of the commands that ask them as whole processes.  The databases are written by the
project's own transactions: header, result and messages have the lengths of a measured
run of clear glaze, the journal is shorter.  Two runs share a sample and a fill, and almost everything was delivered.
The growth exponent is the slope of log time over log runs between the smallest and the largest database: 0 is flat,
1 is linear.
"""

import argparse
import json
import math
import subprocess
import sys
import tempfile
import time
import uuid
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from daq.adapters.paths import database_path, examples_dir
from daq.adapters.store.agreement.one_run import disagreements_of_run, disagreements_of_sample
from daq.adapters.store.epochs import last_epoch_start
from daq.adapters.store.newest_runs import runs_of_product, verifying_runs
from daq.adapters.store.outgoing.delivery import Acknowledge, Refused
from daq.adapters.store.reading import Reader
from daq.adapters.store.rows import AuditPoint, Outgoing, RunRecord
from daq.adapters.store.store import Store
from daq.adapters.store.transactions import BeginRun, Conclude, EndRun, NoteHealth, RegisterMethod, SeeInstrument
from daq.app.delivery.resending import outbox_view
from daq.app.delivery.sparkplug_content import position
from daq.app.records.run_rows import entry
from daq.app.records.searching import RunSearch, search
from daq.core.journal import RECEIVED
from daq.core.journal_block import HEADER, Block, chain
from tests.bench.cpu import best, memory
from tests.bench.goals import Row, table
from tests.bench.large_commits import large_commits
from tests.support.runs.stored import METHOD, METHOD_DIGEST, SECOND, T0, written

SIZES: Final = (1_000, 10_000)
SMALL: Final = (500, 2_000)
"""Sizes of the benchmark of everything."""
DOCTOR: Final = "daq doctor"
GOALS_10_MS: Final = (
    "runs", "runs --sample", "fill", "id prefix", "outbox", "start of an epoch", "unfinished runs", "motors in doubt",
    "position of Sparkplug", "opening of the store",
)  # fmt: skip
"""Look-ups with a goal; the last five are those of the start of the daemon."""
INSTRUMENTS: Final = ("rotor-1", "rotor-2", "rotor-3", "cup-1")
OPERATORS: Final = ("m.keeper", "j.turner", "a.fettler")
HEADER_LENGTH, RESULT_LENGTH, KEPT_LENGTH, JOURNAL_LINES = 12_000, 8_000, 3_600, 400
LATEST: Final = 20
"""Number of newest runs whose messages wait."""
INTERVAL_NS: Final = 500 * SECOND
REPETITIONS: Final = 15

CHECK: Final = """
import sys, time
from pathlib import Path
from daq.adapters.store.checks import check_database

worked = time.process_time()
found = check_database(Path(sys.argv[1]), utc_ns=0, quick=sys.argv[2] == "quick")
wrong = [f.say for f in found if not f.ok and f.what != "outbox"]
if wrong:
    raise SystemExit(wrong[0])
# Not `ru_maxrss`, which has the memory of the process that started this one.
memory = next(line.split()[1] for line in Path("/proc/self/status").open() if line.startswith("VmHWM"))
print(time.process_time() - worked, memory)
"""
"""Program of a process that checks a database; it prints processor time (s) and largest memory (KiB)."""


def run_id(number: int) -> str:
    return str(uuid.uuid5(uuid.NAMESPACE_OID, f"run {number}"))


def record(number: int) -> RunRecord:
    """Return the record of a run; its header has the length of a real one."""
    header = {"plan": {"links": []}, "run": run_id(number), "text": "h" * HEADER_LENGTH}
    return RunRecord(
        id=run_id(number),
        instrument=INSTRUMENTS[number % len(INSTRUMENTS)],
        sample=f"G-{number // 2}",
        product=f"glaze-{number // 2 % 12}",
        lot=f"L-{number // 10}",
        fill=f"F-{number // 2}",
        replicate=number % 2 + 1,
        method_id="glaze-flow",
        method_version="1",
        method_digest=METHOD_DIGEST,
        operator=OPERATORS[number % len(OPERATORS)],
        began_utc_ns=T0 + number * INTERVAL_NS,
        header=json.dumps(header),
    )


def transactions(number: int) -> Iterator[BeginRun | Conclude | EndRun | NoteHealth]:
    """Yield the transactions of one run."""
    run = record(number)
    first = written(HEADER, 0, run.header.encode())
    second = b"".join(
        written(RECEIVED, i, f"val {(number * 7919 + i * 104729) % 9973}\r\n".encode()) for i in range(JOURNAL_LINES)
    )
    blocks = [Block(first, chain("", first), 1, 0, 0)]
    blocks.append(Block(second, chain(blocks[0].digest, second), JOURNAL_LINES, 0, JOURNAL_LINES - 1))
    ended = run.began_utc_ns + 400 * SECOND

    def build(sequence: int, point: AuditPoint, digest: str) -> tuple[str, list[Outgoing]]:
        sample = {"id": run.sample, "fill": run.fill, "sheared": number % 5 == 0}
        origin = {"run": run.id, "audit_head": point.head, "journal_digest": digest}
        verdict = {"verdict": "outside" if number % 7 == 0 else "within"}
        data = {
            "quantity": "viscosity",
            "value": 1.0,
            "unit": "Pa.s",
            "sample": sample,
            "origin": origin,
            "verdict": verdict,
        }
        text = json.dumps(data | {"text": "r" * RESULT_LENGTH}, sort_keys=True)
        event = json.dumps({"id": "", "sequence": sequence, "data": json.loads(text)}).encode()
        topics = (("result", False), ("last", True), ("flat", False))
        return text, [Outgoing(f"lab/v1/{t}/{run.instrument}", event, retain=retain) for t, retain in topics]

    yield BeginRun(run)
    yield Conclude(
        run=run.id,
        result_id=str(uuid.uuid5(uuid.NAMESPACE_OID, f"result {number}")),
        outcome="complete",
        reason="last rule met",
        utc_ns=ended,
        who="m.keeper",
        build=build,
        kept=(json.dumps({"text": "k" * KEPT_LENGTH}),),
        block=blocks[0],
        verification={"passed": True, "run": run.id, "fluid": "reference-b"} if number in range(0, 200, 40) else None,
    )
    yield EndRun(run.id, "still", ended, "daemon", blocks[1])
    yield NoteHealth(run.id, run.instrument, ended, {"zero": 0.1})


def make(path: Path, runs: int) -> None:
    """Write a database of `runs` runs; the messages of the newest `LATEST` runs wait, five others are refused."""
    with large_commits(path) as writing:
        writing.do(RegisterMethod("glaze-flow", "1", METHOD_DIGEST, METHOD, T0, "m.keeper"))
        for name in INSTRUMENTS:
            writing.do(SeeInstrument(name, "rotational", f"S-{name}", T0))
        for number in range(runs):
            for transaction in transactions(number):
                writing.do(transaction)
            seqs = (3 * number + 1, 3 * number + 2, 3 * number + 3)
            if number in range(1, 6):
                writing.do(Refused(seqs[0], "Not authorized (code 135)", T0, for_good=number < 3))
                seqs = seqs[1:]
            if number < runs - LATEST:
                writing.do(Acknowledge(seqs, T0 + number * INTERVAL_NS))


def commands(runs: int) -> dict[str, list[str]]:
    """Return the arguments of each command, by name."""
    middle = record(runs // 2)
    return {
        "daq runs": ["runs"],
        "daq runs --sample": ["runs", "--sample", middle.sample],
        "daq runs --lot": ["runs", "--lot", middle.lot],
        "daq runs --verdict": ["runs", "--verdict", "outside"],
        "daq outbox": ["outbox"],
        "daq sample list --bench": ["sample", "list", "--bench", "bench-1"],
        DOCTOR: ["doctor"],
    }


def look_ups(path: Path, runs: int) -> dict[str, Callable[[Reader], object]]:
    """Return a function for each look-up, by name."""
    middle = record(runs // 2)
    return {
        "runs": lambda r: [entry(r, run) for run in r.runs(limit=20)],
        "runs --sample": lambda r: [entry(r, run) for run in r.runs(limit=20, sample=middle.sample)],
        "runs --instrument": lambda r: [entry(r, run) for run in r.runs(limit=20, instrument="cup-1")],
        "runs of a sample that is not there": lambda r: r.runs(limit=20, sample="none"),
        "runs of an instrument that is not there": lambda r: r.runs(limit=20, instrument="none"),
        "names of instruments": lambda r: r.values_of_runs("instrument"),
        "runs of a product": lambda r: r.runs(limit=20, product="glaze-1"),
        "points of a chart, by product": lambda r: runs_of_product(r, "glaze-1", limit=20),
        "points of a chart, by instrument": lambda r: verifying_runs(r, "rotor-1", limit=20),
        "runs --lot": lambda r: search(r, RunSearch(lot=middle.lot), limit=20),
        "runs --verdict": lambda r: search(r, RunSearch(verdict="outside"), limit=20),
        "runs --product --verdict": lambda r: search(r, RunSearch(product="glaze-1", verdict="outside"), limit=2),
        "runs --operator --until": lambda r: search(
            r, RunSearch(operator="a.fettler", until_utc_ns=middle.began_utc_ns), limit=20
        ),
        "fill": lambda r: r.sheared_by(middle.fill),
        "id prefix": lambda r: r.find_runs(middle.id[:10]),
        "outbox": lambda r: outbox_view(r, T0, None),
        "waiting messages": lambda r: r.waiting(limit=100),
        "messages of a result": lambda r: r.messages(r.results(middle.id)[0].id),
        "unfinished runs": lambda r: r.unfinished_runs(),
        "motors in doubt": lambda r: r.motors_in_doubt(),
        "start of an epoch": last_epoch_start,
        "position of Sparkplug": position,
        "verifications": lambda r: r.verifications("rotor-1"),
        "health": lambda r: r.health("cup-1"),
        "checks of one run": lambda r: disagreements_of_run(path, middle.id),
        "checks of one sample": lambda r: disagreements_of_sample(path, middle.sample, [middle.id]),
    }


@dataclass(frozen=True, slots=True)
class Figures:
    """Figures of one database: processor time (s) of look-ups, commands and checks, and memory (MB) of checks."""

    seconds: dict[str, float] = field(default_factory=dict)
    megabytes: dict[str, float] = field(default_factory=dict)


def measured(path: Path, runs: int, *, whole: bool) -> Figures:
    """Return the figures of a database; with `whole` also those of the checks of all runs.

    The time of a look-up is the median of `REPETITIONS`, that of a command the best of several.
    """
    Store(path).close()  # updates a database of an older format
    found = Figures()
    with Reader(path) as reader:
        for name, look_up in look_ups(path, runs).items():
            times = []
            for _ in range(REPETITIONS):
                began = time.process_time()
                look_up(reader)
                times.append(time.process_time() - began)
            found.seconds[name] = sorted(times)[REPETITIONS // 2]
    began = time.process_time()
    with Store(path) as store:
        found.seconds["opening of the store"] = time.process_time() - began
        first = 3 * (runs - LATEST) + 1
        began = time.process_time()
        store.submit(Acknowledge(tuple(range(first, first + 3 * LATEST // 2)), T0)).result()
        found.seconds[f"acknowledgement of {3 * LATEST // 2} messages"] = time.process_time() - began
    given = ["--config", str(examples_dir()), "--state", str(path.parent)]
    found.seconds["python -c pass"] = best(["-c", "pass"])
    for name, words in commands(runs).items():
        # Refused messages, and findings about the configuration, give the code 1.
        found.seconds[name] = best(["-m", "daq", *given, *words], codes=(1,))
    found.megabytes[DOCTOR] = memory([*given, "doctor"])
    for quick in (True, False) if whole else (True,):
        name = "quick checks" if quick else "all checks"
        found.seconds[name], found.megabytes[name] = check(path, quick=quick)
    return found


def check(path: Path, *, quick: bool) -> tuple[float, float]:
    """Return processor time (s) and largest memory (MB) of a process that checks a database."""
    command = [sys.executable, "-c", CHECK, str(path), "quick" if quick else "all"]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    cpu, kibibytes = done.stdout.split()
    return float(cpu), float(kibibytes) / 1024


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.year")
    parser.add_argument("--runs", type=int, nargs="+", default=SIZES, help="number of runs of each database")
    parser.add_argument("--keep", type=Path, help="directory of the databases; one that exists is used again")
    parser.add_argument("--no-checks", action="store_true", help="leave out the checks of the whole database")
    asked = parser.parse_args()
    print("\n".join(table(report(asked.runs, asked.keep, whole=not asked.no_checks))))
    return 0


def report(runs: Sequence[int] = SMALL, keep: Path | None = None, *, whole: bool = True) -> list[Row]:
    """Measure databases of several sizes; print all figures with their growth, and return the rows of the table."""
    sizes = sorted(runs)
    print(f"Databases of {' and '.join(map(str, sizes))} runs: processor time, memory, and growth")
    figures = []
    with tempfile.TemporaryDirectory() as scratch:
        for size in sizes:
            path = database_path((keep or Path(scratch)) / f"year-{size}")
            if not path.exists():
                path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
                began = time.process_time()
                make(path, size)
                print(f"  {size} runs written in {time.process_time() - began:.0f} s", flush=True)
            print(f"  {size} runs, {path.stat().st_size / 1e6:.0f} MB", flush=True)
            figures.append(measured(path, size, whole=whole))
    print(f"  {'':<42}" + "".join(f"{size:>12}" for size in sizes) + "    exponent")
    for unit, factor, each in (
        ("ms", 1000, [f.seconds for f in figures]),
        ("MB", 1, [f.megabytes for f in figures]),
    ):
        for name in each[0]:
            found = [one[name] for one in each]
            cells = "".join(f"{x * factor:>9.2f} {unit}" for x in found)
            print(f"  {name:<42}{cells}    {growth(sizes, found):8.2f}")
    last, most = figures[-1], sizes[-1]
    rows = [Row(f"{most} runs: {name}", last.seconds[name] * 1000, 10, "ms") for name in GOALS_10_MS]
    rows += [
        Row(f"{most} runs: daq doctor", last.seconds[DOCTOR], 2, "s"),
        Row(f"{most} runs: daq doctor, memory", last.megabytes[DOCTOR], 100, "MB"),
    ]
    if whole:
        rows += [
            Row(f"{most} runs: checks of all runs", last.seconds["all checks"], most / 1000, "s"),
            Row(f"{most} runs: checks of all runs, memory", last.megabytes["all checks"], 100, "MB"),
        ]
    return rows


def growth(sizes: Sequence[int], found: Sequence[float]) -> float:
    """Return the growth exponent between the smallest and the largest size; NaN for one size."""
    if len(sizes) < 2:
        return math.nan
    return math.log(found[-1] / found[0]) / math.log(sizes[-1] / sizes[0])


if __name__ == "__main__":
    sys.exit(main())
