"""Corrections, annulments, reportable results and signatures from the acts to the views of the collector."""

import pytest

from daq.app.laboratory.signing.suspending import suspending
from tests.collect.parts import publishing, until
from tests.support.laboratories import cheap_hashes
from tests.support.processes.collector import collecting, worker_settings
from tests.support.processes.mosquitto import needs_mosquitto
from tests.support.processes.postgres import needs_postgres
from tests.support.runs.result_events import TOPICS
from tests.support.runs.stored import T0
from tests.support.signed_laboratories import SAMPLES, measured_bench, signing_lab, verify

pytestmark = [pytest.mark.slow, needs_postgres, needs_mosquitto]
RELEASES = (
    "SELECT sample, release, reportable_state, reportable_released, counted FROM lab.result_releases "
    "WHERE run <> 'failed' ORDER BY sample, superseded_by IS NULL, measured, id"
)


def ident(sample):
    return f"{sample}/clear-glaze-qc"


@pytest.fixture
def lab(tmp_path, monkeypatch):
    cheap_hashes(monkeypatch)
    with signing_lab(*measured_bench(tmp_path / "measured", TOPICS), tmp_path / "lab") as found:
        yield found


@pytest.mark.asyncio
async def test_a_report_shows_what_is_in_force_after_each_act(lab, broker, database, query):
    first, second, third = lab.runs
    store = lab.lab.store
    async with publishing(store, broker) as delivering, collecting(worker_settings(broker, database, "a")):

        async def shows(*rows):
            delivering.wake()
            await until(query, RELEASES, list(rows))

        lab.keep(*SAMPLES)
        lab.sign(first, second, meaning="reviewed", person="b.lind")
        lab.lab.clock.now += 10**9
        lab.sign(first, second)
        for sample in SAMPLES[:2]:
            lab.sign(ident(sample), of="reportable")
        await shows(
            ("G-1041", "released", "complete", True, True),
            ("G-1042", "released", "complete", True, True),
            ("G-1043", None, "complete", False, True),
        )
        (signatures,) = query("SELECT signatures FROM lab.result_releases WHERE run = %s", first)[0]
        assert [(s["meaning"], s["by"], s["name"]) for s in signatures] == [
            ("reviewed", "b.lind", "B.LIND"), ("released", "a.novak", "A.NOVAK"),
        ]  # fmt: skip
        lab.correct(first, lot="L9")
        lab.do("run_annul", run=third, because="a bubble")
        await shows(
            ("G-1041", "superseded", "complete", False, False),
            ("G-1041", None, "complete", False, True),
            ("G-1042", "released", "complete", True, True),
            ("G-1043", "superseded", "open", False, False),
            ("G-1043", None, "open", False, False),
        )
        corrected = lab.newest(first)
        assert query("SELECT id::text FROM lab.result_releases WHERE release = 'superseded' AND run = %s", first) == [
            (corrected["supersedes"]["id"],)
        ]
        # A verification fails: the release is suspended in its transaction, before anything else is stored.
        verify(store, "failed", passed=False, follow=suspending(TOPICS, "bench-1", T0, "m.keeper"))
        await shows(
            ("G-1041", "superseded", "complete", False, False),
            ("G-1041", None, "complete", False, True),
            ("G-1042", "suspended", "complete", False, True),
            ("G-1043", "superseded", "open", False, False),
            ("G-1043", None, "open", False, False),
        )
        lab.do("doubt_decide", run=second, verification="failed", decision="upheld", because="the same on bench-2")
        lab.sign(first, meaning="rejected", because="a bubble", person="b.lind")
        await shows(
            ("G-1041", "superseded", "complete", False, False),
            ("G-1041", "rejected", "complete", False, True),
            ("G-1042", "released", "complete", True, True),
            ("G-1043", "superseded", "open", False, False),
            ("G-1043", None, "open", False, False),
        )
    # Each message once, with its bytes.
    for table, kind in (("signatures", "signature"), ("reportables", "reportable")):
        stored = query(f"SELECT id::text, event FROM lab.{table}")  # noqa: S608 - our names
        sent = {e["id"]: e for e in lab.messages(kind)}
        assert (len(stored), dict(stored)) == (len(sent), sent)
    assert query("SELECT count(*) FROM lab.refused") == [(0,)]
