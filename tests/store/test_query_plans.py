"""No statement of the program reads a whole table that grows, except those that are listed with a reason."""

import contextlib
import itertools
import json
import re
import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest

from daq.adapters.paths import database_path
from daq.adapters.sparkplug.memory import ChangedResult
from daq.adapters.store import declared, schema
from daq.adapters.store.agreement import everything
from daq.adapters.store.agreement.one_run import (
    disagreements_of_record,
    disagreements_of_run,
    disagreements_of_sample,
    values_compared,
)
from daq.adapters.store.archiving.archive_reader import holds_run, open_archive, reads_archive
from daq.adapters.store.archiving.checking import check_archive
from daq.adapters.store.archiving.finding import size_of
from daq.adapters.store.archiving.joining import join_archives
from daq.adapters.store.audit import digest_of
from daq.adapters.store.backup import backup, restore
from daq.adapters.store.checks import check_content, check_database, check_outside
from daq.adapters.store.declaring.beginning import BeginConfigured, Fit, FixedText, revisions_of_equipment
from daq.adapters.store.declaring.publishing import AsSeen, PublishRecords
from daq.adapters.store.epochs import StartEpoch, ended_regularly, last_epoch_start
from daq.adapters.store.mark import MarkFile
from daq.adapters.store.newest_runs import (
    _identified,
    first_results,
    last_concluded,
    names_of_instrument,
    newest_of_kind,
    run_started_seq,
    runs_of_product,
    verifying_runs,
)
from daq.adapters.store.outgoing import outbox_reading
from daq.adapters.store.outgoing.delivery import Acknowledge, MarkChanged, Refused, ReleaseRefused, SendAgain
from daq.adapters.store.outgoing.derived import AddDerived
from daq.adapters.store.outgoing.packing import PackDelivered
from daq.adapters.store.outgoing.sealed import changed
from daq.adapters.store.outgoing.superseded import is_superseded
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import (
    Change,
    ChangeRecords,
    found_by,
    newest_revision,
    revisions,
    stored_text,
    with_ids,
)
from daq.adapters.store.rows import Outgoing
from daq.adapters.store.schema import DECLARED_SAMPLE
from daq.adapters.store.store import Store
from daq.adapters.store.transactions import BeginRun
from daq.adapters.store.within import signatures_on_results, signatures_on_runs
from daq.app.delivery.resending import outbox_view, unsent_results
from daq.app.delivery.sparkplug_content import StoredContent, position
from daq.app.laboratory.equipment.casefile import case_of
from daq.app.laboratory.equipment.monthly import review
from daq.app.laboratory.laboratory import new
from daq.app.laboratory.reporting.tracing import people_of
from daq.app.laboratory.signing.correctable import _last_sequence
from daq.app.laboratory.signing.own_work import measured_by
from daq.app.laboratory.signing.subjects import _is_anyway
from daq.app.records import searching
from daq.app.records.archiving import recorded_archives
from daq.app.records.checks.audited_checks import (
    Entry,
    all_checked,
    entries,
    entries_at,
    last_seq,
    start_of,
)
from daq.app.records.checks.audited_checks import (
    checks as all_checks,
)
from daq.app.records.checks.check_trail import CheckTrail, pair_of_check
from daq.app.records.equipment_state import equipment_of_run, out_of_service
from daq.app.records.history import clock_evidence
from daq.app.records.judged.product_versions import version_at
from daq.app.records.judged.repeated_runs import RESULTS_OF_TEST
from daq.app.records.pieces import Piece
from daq.app.records.searching import RunSearch, search
from daq.app.records.sheets.day_sheet import day_sheet
from daq.app.records.signatures import Releases
from daq.app.records.transcriptions import not_confirmed, of_sample, read_between
from daq.app.workshop.diagnosis import examine
from daq.core.errors import StoreError
from daq.laboratory.equipment import Equipment
from daq.laboratory.transcribed import Transcribed
from tests.bench.year import look_ups, make, record
from tests.store.crash_child import script
from tests.support.runs import archived, stored
from tests.support.runs.full_database import falsified, make_full_database
from tests.support.runs.stored import T0
from tests.support.statements_sql import Recording, recording, whole_tables, written

TOPIC = "lab/v1/result/rotor-1"
#: Beginning of a statement: why it may read a whole table.
ALLOWED = {
    "SELECT seq, hash FROM audit ORDER BY seq DESC LIMIT 1": "reads one row, the last of the table",
    declared.SELECT
    + " ORDER BY began_utc_ns DESC, runs.rowid DESC LIMIT ?": "reads the asked number of rows, the last of the "
    "index; without a number it is `daq reportable`, which names a sample",
    "SELECT epoch, stream, max(sequence) AS last, count(*) AS n FROM results GROUP BY epoch, stream": "the comparison "
    "of the whole database (`daq doctor --all`, `daq verify`, in the background of the daemon)",
    "SELECT sample FROM runs INDEXED BY runs_unfinished": "reads the runs that have not ended: one for each bench",
    "SELECT kind, id, name, value FROM record_keys AS k WHERE NOT EXISTS": "the comparison of the whole database",
    "SELECT id, (SELECT count(*) FROM journal WHERE run = id) AS blocks": "reads the runs of an archive, of which it has a "
    "bounded number",
    "SELECT DISTINCT kind, id FROM records ORDER BY kind, id": "reads the records of an archive",
    "SELECT (SELECT count(*) FROM runs)": "counts the rows of a copy, after a backup or before its restoring",
    "SELECT * FROM results ORDER BY audit_seq": "reads every result, as it is asked to; no command does",
}


def transactions(folder: Path) -> None:
    """Run every transaction, in every form of its statements."""
    with Store(folder / "written.sqlite", utc_ns=T0) as store:
        for _, transaction in script():
            store.submit(transaction).result(20)
        more = [
            AddDerived("result-1", Outgoing("lab/v1/curve/rotor-1", b"{}", id="curve"), T0),
            ChangeRecords((Change("sample", "G-1", "sample_added", {}, (("lot", "7"),)),), T0, "m.keeper"),
            Acknowledge((1, 2), T0),
            PackDelivered(0, 2 * T0),
            SendAgain(committed=(0, 2 * T0), utc_ns=T0, who="m.keeper"),
            SendAgain(stream="rotor-1", committed=(0, 2 * T0), utc_ns=T0, who=None),
            SendAgain(stream="rotor-1", sequences=(1, 2), epoch=1, utc_ns=T0, who=None),
            Refused(1, "no", T0, for_good=True),
            MarkChanged((2,), T0),
            ReleaseRefused(T0, "m.keeper"),
            Fit(Change("fitted", "rotor-9", "geometry_fitted", {}), T0, "m.keeper"),
            BeginConfigured(
                BeginRun(replace(stored.record("run-9", "rotor-9"), sample="GL-9"), counted=True),
                (("rotor-9", 1),),
                (FixedText(Change("text", "d", "text_stored", {})),),
                Change("run_configuration", "run-9", "run_configured", {}),
                (("piece", "rotor-9", 0),),
                first_fill=True,
            ),
            BeginConfigured(
                BeginRun(replace(stored.record("run-10", "rotor-8"), sample="GL-9", replicate=7)),
                (),
                (),
                Change("run_configuration", "run-10", "run_configured", {}),
            ),
            StartEpoch(reason="put back", least=2, utc_ns=T0),
        ]
        for transaction in more:
            store.submit(transaction).result(20)


def searches(number=0):
    """Return a search for each combination of conditions, with the values of a run of the bench."""
    run = record(number)
    given = {
        "sample": run.sample, "lot": run.lot, "product": run.product, "operator": run.operator,
        "instrument": run.instrument, "outcome": "complete", "verdict": "outside", "since_utc_ns": T0, "until_utc_ns": run.began_utc_ns,
    }  # fmt: skip
    return [
        RunSearch(**{name: given[name] for name in names})
        for count in range(len(given) + 1)
        for names in itertools.combinations(given, count)
    ]


def queries(path: Path) -> None:
    """Run every query of a reader."""
    with Store(path) as store, store.reader() as reader:
        (run, *_), (result, *_) = reader.runs(limit=1), reader.all_results()
        for asked in ({}, {"instrument": "bench-1"}, {"sample": "G-1041"}, {"product": "clear-glaze"}):
            reader.runs(limit=20, **asked)
        reader.runs(limit=20, instrument="bench-1", sample="G-1041", product="clear-glaze")
        reader.run(run.id)
        reader.rows(RESULTS_OF_TEST, ["G-1041", "clear-glaze-qc"])
        people_of(reader, run.id)
        reader.find_runs(run.id[:4])
        [reader.values_of_runs(c) for c in ("instrument", "product", "operator")]
        reader.sheared_by("2")
        reader.unfinished_runs()
        reader.motors_in_doubt()
        list(reader.journal(run.id))
        reader.journal_digest(run.id)
        reader.kept(run.id)
        reader.newest_result(run.id)
        reader.result(result.id)
        reader.results_since("bench-1", 0)
        reader.last_result("bench-1")
        reader.verifications("bench-1")
        reader.health("bench-1")
        reader.method("clear-glaze-qc", "1")
        reader.instruments()
        reader.audit(after=1, limit=1)
        reader.message(1)
        reader.refused(limit=1)
        reader.messages(result.id)
        changed(reader.waiting(), reader.rows)
        outbox_view(reader, T0, None)
        outbox_reading.next_try(reader, TOPIC)
        outbox_reading.broker_session(reader)
        topics = outbox_reading.retained_topics(reader)
        outbox_reading.newest_retained(reader, topics)
        outbox_reading.retained_with(reader, topics[0], b'{"id": "x"}')
        last_epoch_start(reader)
        ended_regularly(reader)
        position(reader)
        content = StoredContent(None, reader, None, None)  # type: ignore[arg-type]
        assert content._newest("bench-1").run == reader.last_result("bench-1").run
        # The last result of the full database corrects an earlier run.
        assert not content._is_of_newest_run(content._records("bench-1", 0, 10)[-1])
        assert not is_superseded(reader, content._records("bench-1", 0, 10)[-1])
        unsent_results(reader, [ChangedResult(result.id, "bench-1", 1, T0)])
        newest_revision(reader, "sample", "G-1041")
        revisions(reader, "sample", "G-1041")
        for asked in searches():
            search(reader, asked, limit=5)
        day_sheet(reader, T0, 2 * T0)
        day_sheet(reader, T0, 2 * T0, "bench-1")
        judgements(reader, run.id)
        found_by(reader, "sample", "lot", "7")
        with_ids(reader, "product_text", "clear-glaze ", "clear-glaze z")
        revisions_of_equipment(reader, "piece", "bench-1")
        first_results(reader, "bench-1", (5, T0), 100)
        last_concluded(reader, "bench-1")
        names_of_instrument(reader, "bench-1")
        _identified(reader.rows, "bench-1")
        review(reader, "2025-11")
        case_of(reader, "L8")
        found_by(reader, "sample", "lot", "7", "8", newest=True)
        runs_of_product(reader, "clear-glaze", before=(T0, 1), limit=20)
        verifying_runs(reader, "bench-1", limit=20)
        _last_sequence(reader, result)
        start_of(reader, "a run of another archive")
        signatures_on_results(reader, "bench-1", 0, 100)
        signatures_on_runs(reader, ["a-run", "b-run"])
        run_started_seq(reader, run.id)
        newest_of_kind(reader, "handover")
        MarkFile(path).contradiction(reader)
    MarkFile(path).renew()


def judgements(reader, run):
    """Ask for the verifications and controls of an instrument, and for those that decide what is in doubt."""
    all_checks(reader, "bench-1")
    entries(reader, "bench-1")
    all_checked(reader, "bench-1")
    last_seq(reader, "bench-1")
    trail = CheckTrail(reader, "bench-1")
    trail.deciding()
    trail.around(T0, 2 * T0, bool)
    trail.is_check(run)
    texts = dict.fromkeys(("run", "condition", "fluid", "lot", "geometry", "geometry_serial", "serial"), "none")
    failed = Entry(10**6, T0, "m.keeper", texts | {"passed": False}, "bench-1")
    pair = pair_of_check(failed, failed.data)
    assert [trail._pass_like(failed, pair, later=later) for later in (False, True)] == [None, None]
    found = all_checks(reader, "bench-1")
    assert entries_at(reader, [*(e.seq for e in found), 10**9]) == found


FAULTS = (
    "DELETE FROM results WHERE sequence = 1",
    "DELETE FROM outbox WHERE seq = 1",
    "UPDATE results SET data = json_set(data, '$.value', 1.5)",
    "UPDATE kept SET value = json_set(value, '$.at', 'x')",
)
"""Faults that further queries describe."""


def faulty(path: Path, folder: Path) -> list[Path]:
    """Return copies of a database, each with one of the faults."""
    copies = [folder / f"{number}.sqlite" for number in range(len(FAULTS))]
    for copy, fault in zip(copies, FAULTS, strict=True):
        with falsified(path, copy) as db:
            db.execute(fault)
    return copies


def signed_records(path: Path, run: str, result: str) -> None:
    """Store signatures under a run and a record, and ask for the state of release."""
    with Store(path, utc_ns=T0) as store, store.reader() as reader:
        sample = revisions(reader, "sample", "G-1044")[0].data
        parts = [
            {"kind": "result", "id": result, "revision": 0, "digest": digest_of(reader.result(result).data)},
            {"kind": "sample", "id": "G-1044", "revision": 1, "digest": digest_of(stored_text(sample))},
        ]
        changes = tuple(
            Change("signature", f"s {of}", "signed_as_released", {"parts": parts}, ((of, subject),))
            for of, subject in (("run", run), ("reportable", "G-1044/x"))
        )
        seen = AsSeen(((run, result),), (("sample", "G-0", 0),), (("bench-9", 0),), (("run", run, 0),))
        message = Outgoing("lab/v1/signature/bench-1", b"{}", id="s")
        store.submit(PublishRecords(changes, ((result, message),), seen, T0, "m.keeper")).result(20)
        _is_anyway(Releases(reader), run)
        with contextlib.suppress(StoreError):  # the signature of this database cannot be read
            measured_by(reader, reader.run(run))
        for product in ("clear-glaze", "engobe"):
            version_at(reader, reader.run(run), product, None)


def checks(path: Path, folder: Path, faulty_copies: list[Path], patch: pytest.MonkeyPatch) -> None:
    """Run every check, also of databases with faults."""
    check_database(path, utc_ns=T0)
    with patch.context() as inner:
        inner.setattr(everything, "NEWEST_RUNS", 1)
        check_content(path, quick=True)
    examine(None, str(path.parent), now_ns=T0)
    with Store(path) as store, store.reader() as reader:
        run, message = reader.runs(limit=1)[0].id, json.loads(reader.message(1).payload)
        sample, head = reader.run(run).sample, reader.audit(after=2, limit=1)[0].hash
        result = reader.newest_result(run).id
    signed_records(path, run, result)
    disagreements_of_run(path, run)
    disagreements_of_sample(path, sample, [run])
    with values_compared(path) as compared:
        assert compared.of_run(run) == compared.of_sample(sample, [run]) == []
    disagreements_of_record(path, "reportable", "G-1044/x")
    check_content(path)
    check_outside(path, [("kept.json", message)], [head, "0" * 64])
    for copy in faulty_copies:
        check_content(copy)
        check_content(copy, quick=True)
    backup(path, folder / "copy.sqlite")
    restore(folder / "copy.sqlite", folder / "restored.sqlite", utc_ns=T0, who="m.keeper")


def archives(state: Path, folder: Path) -> None:
    """Archive every run, check the archives, and read a journal from one."""
    place = folder / "medium"
    place.mkdir()
    path = database_path(archived.copied(state, folder / "archived"))
    done = archived.archive(path.parent, place)
    check_content(path)
    for found in done.archives:
        check_archive(place / found.file, path)
    with Reader(path) as reader:
        first = next(recorded_archives(reader))
        reader.archives.append(open_archive(place / first.file))
        run = first.runs[0].run
        holds_run(reader.archives[0], run, run)
        list(reader.journal(run))
        clock_evidence(reader, run)
        size_of(reader)
        reads_archive(reader)
        runs = [r.run for archive in recorded_archives(reader) for r in archive.runs]
    files = [place / found.file for found in done.archives]
    # The second time each row of the archives is there already.
    assert join_archives([*files, *files], folder / "joined.sqlite", runs) == []


@pytest.fixture(scope="module")
def statements(tmp_path_factory):
    """Every statement that the program runs, with parameters."""
    folder = tmp_path_factory.mktemp("plans")
    path = make_full_database(folder / "state")
    copies = faulty(path, folder)
    with recording(pytest.MonkeyPatch) as found:
        transactions(folder)
        queries(path)
        checks(path, folder, copies, pytest.MonkeyPatch)
        archives(path.parent, folder)
        # A new database is made by the steps of all formats, with tables that only older ones had.
        steps = {one for _, sql in schema.STEPS for one in schema.statements(sql)}
        return {sql: parameters for sql, parameters in found.items() if sql not in steps}


@pytest.fixture
def empty(tmp_path):
    Store(tmp_path / "daq.sqlite").close()
    with contextlib.closing(sqlite3.connect(tmp_path / "daq.sqlite")) as db:
        yield db


@pytest.mark.slow
def test_every_statement_in_the_text_of_the_program_was_run(statements):
    ran = list(statements)
    missing = [w.place for w in written() if not any(w.pattern.search(sql) for sql in ran)]
    assert missing == []


@pytest.mark.slow
def test_no_statement_reads_a_whole_table_that_grows(statements, empty):
    found = {}
    for sql, parameters in statements.items():
        if sql.lstrip().startswith(("SELECT", "INSERT", "UPDATE", "DELETE", "WITH")):
            tables = whole_tables(empty, sql, parameters)
            if tables and not any(sql.startswith(beginning) for beginning in ALLOWED):
                found[sql] = tables
    assert list(found.items()) == []


def test_each_exception_is_needed(statements, empty):
    def reads_whole(beginning):
        return any(whole_tables(empty, sql, p) for sql, p in statements.items() if sql.startswith(beginning))

    assert [beginning for beginning in ALLOWED if not reads_whole(beginning)] == []


@pytest.fixture
def unselective(empty):
    """A database whose statistics call every index of `runs` unselective, as after ANALYZE of one with equal values."""
    empty.execute("ANALYZE")
    empty.execute("DELETE FROM sqlite_stat1")
    empty.execute(
        "INSERT INTO sqlite_stat1 SELECT tbl_name, name, '60000 30000 1' FROM sqlite_schema WHERE type = 'index'"
    )
    empty.commit()
    # SQLite reads the statistics when a connection is made.
    (path,) = [file for _, name, file in empty.execute("PRAGMA database_list") if name == "main"]
    with contextlib.closing(sqlite3.connect(path)) as db:
        yield db


def test_each_order_with_a_sign_needs_it(statements, unselective):
    """Without the sign + SQLite reads the table in the order of an index on that column, where that looks cheap."""
    sign = re.compile(r"(?<=ORDER BY )\+")
    signed = {sql: p for sql, p in statements.items() if sign.search(sql)}
    assert signed
    assert [sql for sql, p in signed.items() if whole_tables(unselective, sql, p)] == []
    assert [sql for sql, p in signed.items() if not whole_tables(unselective, sign.sub("", sql), p)] == []


@pytest.mark.parametrize(
    ("sql", "table"),
    [
        ("SELECT * FROM runs WHERE reason = 'x'", "runs"),
        ("SELECT r.id FROM results AS r WHERE r.data = 'x'", "results"),
        ("UPDATE delivery SET attempts = 0 WHERE attempts = 1", "delivery"),
        ("DELETE FROM kept WHERE value = '1'", "kept"),
        ("SELECT 1 FROM audit AS a JOIN health AS h ON h.data = a.detail WHERE a.seq = 1", "health"),
        ("SELECT count(*) FROM journal", "journal"),
        ("SELECT 1 FROM outbox WHERE payload = x'00' ORDER BY seq DESC LIMIT 1", "outbox"),
    ],
)
def test_a_statement_that_reads_a_whole_table_is_found(empty, sql, table):
    assert table in whole_tables(empty, sql)


def test_a_statement_that_no_test_runs_is_found(tmp_path):
    (tmp_path / "new.py").write_text(
        'def f(reader, column):\n    """WHERE this is."""\n    reader.query("SELECT 1 FROM runs")\n'
        '    reader.query(f"SELECT {column} FROM runs WHERE lot = ?")\n    reader.outbox("m.topic = ?", [], 1)\n',
        "utf-8",
    )
    assert [w.place for w in written(tmp_path)] == ["new.py:3", "new.py:4", "new.py:5"]
    assert written(tmp_path)[1].pattern.search("SELECT fill FROM runs WHERE lot = ?")
    assert not written(tmp_path)[1].pattern.search("SELECT fill FROM runs WHERE fill = ?")


def test_an_index_gives_the_corrections_of_a_sample(empty):
    """A database has one correction in a hundred results; without the index each chart would decode all of them."""
    sql = f"SELECT run FROM results WHERE supersedes IS NOT NULL AND {DECLARED_SAMPLE} = ?"  # noqa: S608 - our names
    (plan,) = [row[3] for row in empty.execute(f"EXPLAIN QUERY PLAN {sql}", ["G-1"])]
    assert plan == "SEARCH results USING INDEX corrections_by_sample (<expr>=?)"


@pytest.mark.parametrize("number", range(0, 512, 64))
def test_an_index_gives_the_runs_of_each_search_in_the_order_of_time(empty, number):
    """Without a sort: the first runs come at once, however many there are."""
    wrong = []
    for asked in searches()[number : number + 64]:
        where = searching.condition(asked)
        sql, count = searching.statement(where), len(where.parameters)
        plan = [d for *_, d in empty.execute(f"EXPLAIN QUERY PLAN {sql}", [*where.parameters, 0, 1, 1, 1, 9])]
        assert count == sum(
            bool(getattr(asked, n))
            for n in ("sample", "lot", "product", "operator", "instrument", "outcome", "verdict")
        )
        index = next(
            (c for c in ("sample", "lot", "product", "operator", "instrument", "outcome") if getattr(asked, c)), "time"
        )
        walked = f"SEARCH r USING INDEX runs_by_{index} ("
        probed = "SEARCH v USING INDEX results_by_verdict (<expr>=? AND run=?)"
        good = plan[0].startswith(walked) and (probed in plan) == bool(asked.verdict)
        if not good or any("TEMP B-TREE" in d or d.startswith("SCAN") for d in plan):
            wrong.append((asked, plan))
    assert wrong == []


@pytest.fixture(scope="module")
def databases(tmp_path_factory):
    """Databases of the bench, one with four times the runs of the other, by number of runs."""
    folder = tmp_path_factory.mktemp("steps")
    paths = {runs: folder / f"{runs}.sqlite" for runs in (240, 960)}
    for runs, path in paths.items():
        make(path, runs)
    return paths


@pytest.mark.slow
def test_each_search_takes_as_many_steps_in_a_database_of_four_times_the_runs(databases, monkeypatch):
    """The bound on the runs that a search examines is lower here, so that both databases have more."""
    monkeypatch.setattr(searching, "MOST_EXAMINED", 8)
    monkeypatch.setattr(searching, "FEW", 20)
    taken = {}
    for runs, path in databases.items():
        with recording(monkeypatch), Reader(path) as reader:
            for asked in searches(runs // 2):
                Recording.steps = 0
                search(reader, asked, limit=3)
                # The middle run has other values in each database.
                taken[tuple(n for n in RunSearch.__dataclass_fields__ if getattr(asked, n)), runs] = Recording.steps
    more = {names: (taken[names, 240], taken[names, 960]) for names, runs in taken if runs == 240}
    assert {names: both for names, both in more.items() if both[1] > 1.1 * both[0] + 100} == {}


@pytest.fixture(scope="module")
def steps(databases):
    """Steps of SQLite's machine for each look-up in a database, and in one with four times the runs."""
    out = {}
    for runs, path in databases.items():
        with (
            recording(pytest.MonkeyPatch),
            pytest.MonkeyPatch.context() as patch,
            Store(path) as store,
            store.reader() as reader,
        ):
            # The rows of a condition are counted up to this number, which both databases must exceed.
            patch.setattr(searching, "FEW", 20)
            for name, look_up in look_ups(path, runs).items():
                Recording.steps = 0
                look_up(reader)
                out[name, runs] = Recording.steps
    return out


@pytest.mark.parametrize("name", look_ups(Path("x"), 2))
def test_a_look_up_takes_as_many_steps_in_a_database_of_four_times_the_runs(steps, name):
    assert steps[name, 960] <= 1.1 * steps[name, 240] + 20


PIECE = Piece("bench-1", "instrument", "R-1042", "rotational")


@pytest.fixture(scope="module")
def equipped(tmp_path_factory):
    """Databases with records of equipment and of transcribed values, one with four times as many, by their number."""
    folder = tmp_path_factory.mktemp("equipped")
    paths = {}
    for count in (400, 1600):
        paths[count] = folder / f"{count}.sqlite"
        with Store(paths[count], utc_ns=T0) as store:
            records = [
                *(Equipment(id=f"b-{n}", piece=f"b-{n}", part="probe", serial=f"S{n}") for n in range(count)),
                Equipment(id=PIECE.id, piece=PIECE.name, part="instrument", serial=PIECE.serial, make="rotational"),
                *(
                    Transcribed(
                        id=f"t-{n}", sample=f"G-{n}", test="flow cup", value=1.0, unit="s", as_typed="1 s",
                        read_utc_ns=T0 + n * 10**9, first="a", state="confirmed",
                    )
                    for n in range(count)
                ),
            ]  # fmt: skip
            for begin in range(0, len(records), 1000):
                some = records[begin : begin + 1000]
                store.submit(ChangeRecords(tuple(new(r, "added") for r in some), T0, "m.keeper")).result(20)
    return paths


@pytest.mark.parametrize(
    "look_up",
    [
        lambda r: equipment_of_run(r, [PIECE], T0),
        lambda r: out_of_service(r, PIECE),
        lambda r: of_sample(r, "G-7"),
        lambda r: read_between(r, T0, T0 + 5 * 10**9),
        not_confirmed,
    ],
    ids=["a run", "out of service", "a sample", "a day", "not confirmed"],
)
def test_records_of_equipment_are_found_by_an_index(equipped, look_up):
    taken = []
    for path in equipped.values():
        with recording(pytest.MonkeyPatch), Reader(path) as reader:
            Recording.steps = 0
            look_up(reader)
            taken.append(Recording.steps)
    assert taken[1] <= 1.1 * taken[0] + 20
