"""A database of runs with seeded values of all columns that a search uses, hostile ones among them."""

import contextlib
import json
import random
from dataclasses import dataclass
from pathlib import Path

from daq.adapters.store.access import Access
from daq.adapters.store.declaring.correcting import Correct
from daq.adapters.store.rows import AuditPoint, Outgoing, RunRecord
from daq.adapters.store.store import Store, open_writer
from daq.adapters.store.transactions import BeginRun, Conclude, EndRun
from tests.support.runs.stored import METHOD_DIGEST, SECOND, register

#: 2026-10-25 00:00 UTC: an hour before clocks in the European Union go back (directive 2000/84/EC).
NIGHT = 1_792_886_400 * SECOND
HOSTILE = ("x' OR '1'='1", '"; DROP TABLE runs; --', "\x1b[31mred", "%", "釉薬", "a\x00b", "-1", "' ")
VERDICTS = ("within", "outside", "undecided", "not_comparable", "none")
VALUES = {
    "sample": ("G-1", "G-2", "G-3", *HOSTILE),
    "lot": ("", "L-1", "L-2", *HOSTILE[:3]),
    "product": ("", "clear-glaze", "slip", HOSTILE[0]),
    "operator": ("m.keeper", "j.turner", HOSTILE[1]),
    "instrument": ("rotor-1", "rotor-2", "cup-1"),
    "outcome": ("complete", "complete", "complete", "stopped", "failed", "interrupted", ""),
}


@dataclass(frozen=True, slots=True)
class Seeded:
    """A run as it was written; `verdict` is that of its newest result, None without a result."""

    record: RunRecord
    outcome: str
    verdict: str | None
    validity: str | None


def _result(verdict: str, validity: str):
    def build(sequence: int, point: AuditPoint, digest: str) -> tuple[str, list[Outgoing]]:
        data = {"quantity": "viscosity", "value": 812.4, "unit": "mPa.s", "validity": validity, "quality": "Good",
                "uncertainty": {"expanded": 15.4, "k": 2.0}, "verdict": {"verdict": verdict}, "simulated": True,
                "origin": {}, "sample": {}, "method": {}, "conditions": {}, "faults": []}  # fmt: skip
        return json.dumps(data), []

    return build


def make_searched(path: Path, runs: int, *, seed: int = 1, step_s: int = 400) -> list[Seeded]:
    """Write runs that start around the night `NIGHT`, about `step_s` apart, and return them, newest first."""
    rng = random.Random(seed)
    out = []
    Store(path, utc_ns=NIGHT).close()
    with contextlib.closing(open_writer(path)) as connection:
        connection.execute("PRAGMA synchronous = OFF")
        (source,) = connection.execute("SELECT source FROM meta").fetchone()
        access = Access(connection, path, source=source, epoch=1, reserve_bytes=0, hook=None)
        connection.execute("BEGIN")
        register().apply(access)
        began = NIGHT - runs // 2 * step_s * SECOND
        for number in range(runs):
            # Some runs of different instruments start in the same nanosecond.
            began += rng.choice((0, step_s, 2 * step_s)) * SECOND
            out.append(_write(access, rng, number, began))
        connection.execute("COMMIT")
    order = sorted(range(runs), key=lambda i: (out[i].record.began_utc_ns, i), reverse=True)
    return [out[i] for i in order]


def _write(access: Access, rng: random.Random, number: int, began: int) -> Seeded:
    drawn = {name: rng.choice(values) for name, values in VALUES.items()}
    outcome = drawn.pop("outcome")
    record = RunRecord(
        id=f"run-{number:05}", method_id="glaze-flow", method_version="1", method_digest=METHOD_DIGEST, began_utc_ns=began,
        replicate=rng.choice((1, 1, 2)), **drawn,
    )  # fmt: skip
    BeginRun(record).apply(access)
    if not outcome:
        return Seeded(record, "", None, None)
    verdict, validity = rng.choice(VERDICTS), rng.choice(("valid", "doubtful", "not_valid"))
    Conclude(
        run=record.id, result_id=f"result-{number}", outcome=outcome, reason="a reason", utc_ns=began + SECOND, who="m.keeper",
        build=_result(verdict, validity),
    ).apply(access)  # fmt: skip
    EndRun(record.id, "still", began + 2 * SECOND, "daemon").apply(access)
    if rng.random() < 0.2:
        verdict, validity = rng.choice(VERDICTS), rng.choice(("valid", "doubtful", "not_valid"))
        Correct(
            f"result-{number}",
            f"corrected-{number}",
            "wrong lot",
            began + 3 * SECOND,
            "m.keeper",
            _result(verdict, validity),
        ).apply(access)
    return Seeded(record, outcome, verdict, validity)
