"""Time of each look-up in databases of several sizes: ``python -m tests.bench.year [--runs N ...] [--keep DIR]``.

The databases are written by the project's own transactions: header, result and messages have the lengths of a measured
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
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

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
from tests.bench.large_commits import large_commits
from tests.support.runs.stored import METHOD, METHOD_DIGEST, SECOND, T0, written

SIZES: Final = (1_000, 10_000)
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

began, worked = time.perf_counter(), time.process_time()
found = check_database(Path(sys.argv[1]), utc_ns=0, quick=sys.argv[2] == "quick")
wrong = [f.say for f in found if not f.ok and f.what != "outbox"]
if wrong:
    raise SystemExit(wrong[0])
# Not `ru_maxrss`, which has the memory of the process that started this one.
memory = next(line.split()[1] for line in Path("/proc/self/status").open() if line.startswith("VmHWM"))
print(time.perf_counter() - began, time.process_time() - worked, memory)
"""
"""Program of a process that checks a database; it prints time and processor time (s), and largest memory (KiB)."""


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


def measured(path: Path, runs: int, *, checks: bool) -> dict[str, float]:
    """Return the time (s) of each look-up: the median of `REPETITIONS`; with `checks` also that of the checks, once."""
    Store(path).close()  # updates a database of an older format
    out = {}
    with Reader(path) as reader:
        for name, look_up in look_ups(path, runs).items():
            times = []
            for _ in range(REPETITIONS):
                began = time.perf_counter()
                look_up(reader)
                times.append(time.perf_counter() - began)
            out[name] = sorted(times)[REPETITIONS // 2]
    began = time.perf_counter()
    with Store(path) as store:
        out["opening of the store"] = time.perf_counter() - began
        first = 3 * (runs - LATEST) + 1
        began = time.perf_counter()
        store.submit(Acknowledge(tuple(range(first, first + 3 * LATEST // 2)), T0)).result()
        out[f"acknowledgement of {3 * LATEST // 2} messages"] = time.perf_counter() - began
    for quick in (True, False) if checks else ():
        seconds, cpu, megabytes = check(path, quick=quick)
        name = "quick checks" if quick else "all checks"
        out[f"{name}, processor time"] = cpu
        print(f"  {runs} runs, {name}: {seconds:.2f} s, {cpu:.2f} s of the processor, {megabytes:.0f} MB", flush=True)
    return out


def check(path: Path, *, quick: bool) -> tuple[float, float, float]:
    """Return time (s), processor time (s) and largest memory (MB) of a process that checks a database."""
    command = [sys.executable, "-c", CHECK, str(path), "quick" if quick else "all"]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    seconds, cpu, kibibytes = done.stdout.split()
    return float(seconds), float(cpu), float(kibibytes) / 1024


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.year")
    parser.add_argument("--runs", type=int, nargs="+", default=SIZES, help="number of runs of each database")
    parser.add_argument("--keep", type=Path, help="directory of the databases; one that exists is used again")
    parser.add_argument("--no-checks", action="store_true", help="leave out the checks of the whole database")
    asked = parser.parse_args()
    sizes = sorted(asked.runs)
    with tempfile.TemporaryDirectory() as scratch:
        figures = []
        for runs in sizes:
            path = (asked.keep or Path(scratch)) / f"year-{runs}.sqlite"
            if not path.exists():
                began = time.perf_counter()
                make(path, runs)
                print(f"  {runs} runs written in {time.perf_counter() - began:.0f} s", flush=True)
            print(f"  {runs} runs, {path.stat().st_size / 1e6:.0f} MB", flush=True)
            figures.append(measured(path, runs, checks=not asked.no_checks))
    print(f"{'':<42}" + "".join(f"{runs:>12}" for runs in sizes) + "    exponent")
    for name in figures[0]:
        times = [f[name] for f in figures]
        growth = math.log(times[-1] / times[0]) / math.log(sizes[-1] / sizes[0]) if len(sizes) > 1 else math.nan
        print(f"{name:<42}" + "".join(f"{t * 1000:>9.2f} ms" for t in times) + f"    {growth:8.2f}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
