"""An archive has every record that its runs refer to, so that it shows as much as the database."""

import importlib
import pkgutil

import pytest

import daq.laboratory
from daq.adapters.store.archiving.checking import check_archive
from daq.adapters.store.archiving.contents import write_contents
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import Change, ChangeRecords, revisions
from daq.adapters.store.transactions import SeeInstrument
from daq.app.laboratory.reporting.tracing import reports_of_run, trace
from daq.app.records.history import history
from daq.app.records.signatures import Releases
from daq.laboratory.record import Record
from daq.laboratory.reports import Report
from daq.laboratory.samples import Sample
from tests.support.laboratories import cheap_hashes, switch_people
from tests.support.runs.full_database import falsified
from tests.support.runs.stored import begin, conclude, end
from tests.support.runs.virtual_bench import T0
from tests.support.signed_laboratories import SAMPLES, encode, measured_bench, signing_lab, verification_detail, verify

pytestmark = pytest.mark.slow
NOT_ARCHIVED = {
    "person": "who acted is named in audit entries and signatures",
    "credentials": "passwords leave the database in backups only",
    "token": "of a program, which starts no run",
    "token_hash": "secrets leave the database in backups only",
    "token_use": "of a program, not of a run",
    "archive": "the record of the archive itself",
    "bench": "the present state of a bench",
    "handover": "of a shift, not of a run",
    "chart_limits": "of a chart, not of a run",
}


def kinds():
    for module in pkgutil.walk_packages(daq.laboratory.__path__, "daq.laboratory."):
        importlib.import_module(module.name)
    waiting, found = [Record], set()
    while waiting:
        waiting += (subclasses := waiting.pop().__subclasses__())
        found |= {s.kind for s in subclasses}
    return found


def records_of(run, sample):
    """Return a record of each kind that no act of the laboratory below stores."""
    return (
        Change("checklist", run, "checklist_stored", {"bench": "bench-1", "sample": sample}),
        Change("repeat_cause", run, "cause_assigned", {"sample": sample, "cause": "other"}, [("sample", sample)]),
        Change("transcribed", "t-1", "transcribed", {}, [("sample", sample)]),
        Change("sample", sample, "sample_added", Sample(id=sample, state="done").model_dump(mode="json")),
        Change("fitted", "bench-1", "geometry_fitted", {}),
        Change("equipment", "bench-1 R-1042", "calibrated", {}, [("piece", "bench-1"), ("serial", "i rotational R-1042")]),
        Change("equipment", "bench-1/coaxial-12 7", "calibrated", {}, [("piece", "bench-1/coaxial-12")]),
        Change("equipment", "thermo-1/probe_1", "calibrated", {}, [("piece", "thermo-1/probe_1")]),
        Change("equipment", "old-bench", "calibrated", {}, [("piece", "old-bench"), ("serial", "i rotational R-1042")]),
        # Of other runs, samples and instruments.
        Change("equipment", "bench-10", "calibrated", {}, [("piece", "bench-10")]),
        Change("sample", "G-9", "sample_added", {"id": "G-9"}),
        Change("note", "n-9", "run_noted", {"run": "other", "text": "x"}, [("run", "other")]),
    )  # fmt: skip


@pytest.fixture(scope="module")
def works(tmp_path_factory):
    """A database with every kind of record about the second of three runs, which is blocked; and an archive of it."""
    folder = tmp_path_factory.mktemp("archive-records")
    with pytest.MonkeyPatch.context() as patch:
        cheap_hashes(patch)
        with signing_lab(*measured_bench(folder / "measured"), folder) as lab:
            run, store = lab.runs[1], lab.lab.store
            store.submit(ChangeRecords(records_of(run, SAMPLES[1]), T0, "m.keeper")).result(10)
            lab.correct(run, lot="L9")
            lab.do("note_add", run=run, text="a bubble")
            lab.keep(*SAMPLES)
            switch_people(lab.lab.catalogue, on=True)
            lab.sign(run, lab.runs[0])
            lab.sign(f"{SAMPLES[1]}/clear-glaze-qc", of="reportable")
            report = lab.do("certificate_release", of=run)["id"]
            lab.sign(report, of="report")
            verify(store, "failed", passed=False)
            lab.do("doubt_decide", run=run, verification="failed", decision="upheld", because="the same on bench-2")
            # A pass without an authorisation says nothing: the failure after it blocks what was before both.
            detail = encode(verification_detail("unauthorised", passed=True))
            started = begin("unauthorised", "bench-1")
            object.__setattr__(started.run, "attribution", "not_authorised")
            for step in (started, conclude("unauthorised", result_id="r-u", verification=detail), end("unauthorised")):
                store.submit(step).result(10)
            verify(store, "failed again", passed=False)
            serial = lab.newest(run)["origin"]["serial"]
            for name in ("bench-1", "bench-9"):
                store.submit(SeeInstrument(name, "rotational", serial, T0)).result(10)
            verify(store, "failed elsewhere", passed=False, instrument="bench-9", serial=serial)
            path, part = store.path, folder / "runs.archive"
        write_contents(path, part, lab.runs[:2])
    return path, part, lab.runs, report


def test_each_kind_of_record_is_archived_or_is_named_with_the_reason(works):
    _, part, *_ = works
    with Reader(part) as archive:
        archived = {row["kind"] for row in archive.query("SELECT DISTINCT kind FROM records")}
        others = archive.query("SELECT id FROM records WHERE id IN ('bench-10', 'G-9', 'n-9')")
    # A suspension is stored by the daemon; `verify` of these tests stores none.
    assert (archived | {"suspension"}, others) == (kinds() - NOT_ARCHIVED.keys(), [])


def test_an_archive_shows_as_much_of_a_run_as_the_database(works):
    path, part, runs, report = works
    assert [f for f in check_archive_of(part, path) if not f.ok] == []
    with Reader(path) as here, Reader(part) as archive:
        for run in runs[:2]:
            shown = [history(reader, reader.run(run)).as_json() for reader in (here, archive)]
            for about in shown:
                del about["messages"]
            assert shown[0] == shown[1]
            assert shown[0]["release"] == "release_blocked"
            assert reports_of_run(here, run) == reports_of_run(archive, run)
            blocked = [Releases(reader).doubts(reader.run(run)) for reader in (here, archive)]
            assert blocked[0] == blocked[1] != ()
            assert any("failed elsewhere" in e.ident for e in Releases(archive).in_doubt_by(archive.run(run)))
        record = Report.model_validate(revisions(here, Report.kind, report)[-1].data, strict=False)
        assert trace(here, record).as_json() == trace(archive, record).as_json()
        for ident in ("bench-1 R-1042", "bench-1/coaxial-12 7", "thermo-1/probe_1", "old-bench"):
            assert revisions(here, "equipment", ident) == revisions(archive, "equipment", ident) != []


def check_archive_of(part, path):
    """Return the findings about the contents alone: the archive was not recorded."""
    return [f for f in check_archive(part) if "SHA-256" not in f.say and "digest" not in f.say]


@pytest.mark.parametrize("kind", ["equipment", "signature", "report", "checklist", "text", "sample"])
def test_a_changed_record_of_an_archive_is_named(works, tmp_path, kind):
    _, part, *_ = works
    changed = tmp_path / "changed.archive"
    with falsified(part, changed) as db:
        db.execute("UPDATE records SET data = json_set(data, '$.more', 1) WHERE kind = ?", (kind,))
    assert any(f"{kind} " in f.say for f in check_archive(changed) if not f.ok)
