"""Releases in the collector, whatever the order of arrival: several databases, restored ones, runs that are simulated.

The expected rows are counted here, from the sentences of the payload's fields: of each signature, and of each
reportable result, the message with the greatest revision is in force.
"""

import asyncio
import json
import random
import uuid
from datetime import UTC, datetime, timedelta

import pytest

from daq.collect.database import open_database
from daq.collect.decode import decode
from daq.collect.schema import migrate
from daq.collect.writing import Writer
from daq.methods.messages.envelope import envelope
from tests.support.processes.postgres import needs_postgres
from tests.support.runs.result_events import TOPICS, result

pytestmark = [pytest.mark.slow, needs_postgres]

BEGAN = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
DATABASES = tuple(str(uuid.UUID(int=n, version=4)) for n in (1, 2))
SAMPLES, RUNS = ("G-1", "G-2"), ("a", "b")
TEST, OTHER_TEST = "clear-glaze-qc", "slip-ph"


class World:
    """Messages of two databases, each with a second epoch after it was put back, and what is in force by them."""

    def __init__(self, seed):
        self.rng = random.Random(seed)
        self.count = 0
        self.messages, self.signatures, self.reportables, self.results = [], {}, {}, {}
        for database in DATABASES:
            for run in RUNS:
                self._result(database, run)
            for sample in SAMPLES:
                for epoch in (1, 2):
                    for test in (TEST, OTHER_TEST):
                        self._reportables(database, epoch, sample, test)
                for number in range(3):
                    self._signature(database, f"{sample} {number}", "reportable", f"{sample}/{TEST}", sample)
            for run in RUNS:
                for number in range(4):
                    self._signature(database, f"{run} {number}", "run", run, "G-1")
                self._signature(database, f"report {run}", "report", run, "G-1")
        self.rng.shuffle(self.messages)

    def _add(self, kind, database, epoch, data):
        self.count += 1
        at = BEGAN + timedelta(seconds=self.rng.randrange(100_000))
        ident = str(uuid.UUID(int=self.rng.getrandbits(128), version=4))
        event = envelope(
            data,
            id=ident,
            source=f"urn:uuid:{database}#{epoch}",
            sequence=self.count,
            time=at.isoformat().replace("+00:00", "Z"),
            type=f"lab.{kind}.v1",
            subject="bench-1",
        )
        self.messages.append((f"{TOPICS.prefix}/{kind}/bench-1", json.dumps(event).encode()))
        return at, ident

    def _result(self, database, run):
        self.count += 1
        sample = self.rng.choice(SAMPLES)
        own = str(uuid.UUID(int=self.rng.getrandbits(128), version=4))
        simulated = self.rng.random() < 0.2
        change = {"origin.run": run, "sample.id": sample, "simulated": simulated}
        self.messages.append(result(self.count, source=f"urn:uuid:{database}#1", own=own, change=change))
        if not simulated:
            self.results[own] = (database, run, sample)

    def _reportables(self, database, epoch, sample, test):
        mine = [own for own, (of, _, its) in self.results.items() if (of, its) == (database, sample)]
        for revision in range(1, self.rng.randint(1, 3) + 1):
            data = {
                "revision": revision, "simulated": self.rng.random() < 0.2, "sample": sample, "test": test,
                "product": "clear-glaze", "state": "complete", "method": f"{test} 1", "quantity": "viscosity",
                "value": float(self.rng.randrange(1000)), "unit": "mPa.s", "decided": "mean",
                "verdict": "within",
                "attempts": [{"result": own, "counted": self.rng.random() < 0.5} for own in mine],
            }  # fmt: skip
            self._add("reportable", database, epoch, data)
            self.reportables.setdefault((database, sample, test), []).append(((epoch, revision), data))

    def _signature(self, database, name, kind, subject, sample):
        # Both databases have signatures with the same ids: one is a copy of the other.
        ident = str(uuid.uuid5(uuid.NAMESPACE_OID, name))
        meaning = self.rng.choice(("reviewed", "released", "released", "rejected"))
        signed = BEGAN + timedelta(minutes=self.rng.randrange(1000))
        results = [own for own, (of, run, _) in self.results.items() if (of, run) == (database, subject)]
        if self.rng.random() < 0.2:
            results = [str(uuid.UUID(int=self.rng.getrandbits(128), version=4))]  # of an earlier result of the run
        parts = [{"kind": "reportable", "id": subject, "revision": self.rng.randint(1, 3)}]
        if kind != "reportable":
            parts = [{"kind": "result", "id": own} for own in results]
        for revision in range(1, self.rng.randint(1, 4) + 1):
            for epoch in (1, 2) if self.rng.random() < 0.4 else (1,):
                state = self.rng.choice(("in_force", "withdrawn"))
                suspended = [{"verification": "v"}] if state == "withdrawn" and self.rng.random() < 0.5 else []
                data = {
                    "signature": ident, "revision": revision, "state": state, "meaning": meaning, "by": "a.novak",
                    "name": "", "signed_at": signed.isoformat().replace("+00:00", "Z"), "because": "", "of": kind,
                    "subject": subject, "sample": sample, "instrument": "bench-1", "parts": parts,
                    "suspended": suspended,
                }  # fmt: skip
                at, own = self._add("signature", database, epoch, data)
                key = (database, ident)
                self.signatures.setdefault(key, []).append(((revision, epoch, at, own), data))

    # ---- expected

    def newest_signatures(self):
        return {key: max(found, key=lambda m: m[0])[1] for key, found in self.signatures.items()}

    def in_force(self):
        """Return database, sample, epoch-independent revision, value, and whether it is released."""
        out = {}
        for (database, sample, test), found in self.reportables.items():
            _, newest = max(found, key=lambda m: m[0])
            if newest["simulated"]:
                continue
            released = any(
                s["state"] == "in_force" and s["meaning"] == "released" and s["of"] == "reportable"
                and s["subject"] == f"{sample}/{test}" and s["parts"][0]["revision"] == newest["revision"]
                for (own, _), s in self.newest_signatures().items() if own == database
            )  # fmt: skip
            out[database, sample, test] = (newest["revision"], newest["value"], released)
        return out

    def counted(self, own):
        """Return whether a result counts in the reportable result in force of its sample; None where there is none."""
        database, _, sample = self.results[own]
        if (database, sample, TEST) not in self.in_force():
            return None
        _, newest = max(self.reportables[database, sample, TEST], key=lambda m: m[0])
        return {"result": own, "counted": True} in newest["attempts"]

    def under(self, own):
        """Return the newest messages of the signatures under a result; a rejection holds for all results of its run."""
        database, run, _ = self.results[own]
        return [
            s
            for (of, _), s in self.newest_signatures().items()
            if (of, s["of"], s["subject"]) == (database, "run", run)
            and (s["meaning"] == "rejected" or own in {part["id"] for part in s["parts"]})
        ]

    def releases(self):
        """Return the release of each result by its id."""
        out = {}
        for own in self.results:
            found = self.under(own)
            rejected = max((s["signed_at"] for s in found if s["meaning"] == "rejected"), default="")
            reviewed = max(
                (s["signed_at"] for s in found if (s["meaning"], s["state"]) == ("reviewed", "in_force")), default=""
            )
            released = [s for s in found if s["meaning"] == "released"]
            out[own] = (
                "rejected" if rejected and rejected >= reviewed
                else "released" if any(s["state"] == "in_force" for s in released)
                else "suspended" if any(s["suspended"] for s in released)
                else "withdrawn" if released else None
            )  # fmt: skip
        return out


async def stored(database, messages):
    db = await open_database(database, "test")
    await migrate(db)
    writer = Writer(db)
    await writer.prepare()
    await writer.take([decode(*m) for m in messages])
    await db.close()


def test_what_is_in_force_does_not_depend_on_the_order_of_arrival(database, query):
    for seed in range(1, 11):
        world = World(seed)
        asyncio.run(stored(database, world.messages))
        assert query("SELECT count(*) FROM lab.refused") == [(0,)], seed
        signatures = query("SELECT database::text, signature::text, state, suspended FROM lab.signatures_newest")
        assert {(d, i): (state, suspended) for d, i, state, suspended in signatures} == {
            key: (s["state"], bool(s["suspended"])) for key, s in world.newest_signatures().items()
        }, seed
        rows = query("SELECT database::text, sample, test, revision, value, released FROM lab.reportables_in_force")
        assert {(d, sample, test): tuple(rest) for d, sample, test, *rest in rows} == world.in_force(), seed
        rows = query(
            "SELECT id::text, release, reportable_revision, reportable_value, reportable_released, "
            "counted, jsonb_array_length(signatures) FROM lab.result_releases"
        )
        force, releases = world.in_force(), world.releases()
        assert {own: tuple(rest) for own, *rest, _ in rows} == {
            own: (releases[own], *force.get((database_id, sample, TEST), (None, None, None)), world.counted(own))
            for own, (database_id, _, sample) in world.results.items()
        }, seed
        for own, *_, count in rows:
            assert count == sum(s["state"] == "in_force" for s in world.under(own)), seed
        for table in ("results", "signatures", "reportables", "keys"):
            query(f"WITH gone AS (DELETE FROM lab.{table} RETURNING 1) SELECT count(*) FROM gone")  # noqa: S608 - ours
