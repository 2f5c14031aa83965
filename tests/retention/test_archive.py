"""Archives of old runs: written, read back, removed from the database, and read without it."""

import json
import re
import shutil
import sqlite3
from datetime import date
from pathlib import Path

import pytest

from daq.adapters.paths import database_path, examples_dir
from daq.adapters.store.archiving import files
from daq.adapters.store.archiving.archive_reader import open_archive
from daq.adapters.store.archiving.checking import check_archive
from daq.adapters.store.checks import check_content
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import found_by
from daq.adapters.store.transactions import Audit
from daq.app.cli import main
from daq.app.laboratory.acts import carry_out
from daq.app.laboratory.retention.archive_acts import refuse_too_early
from daq.app.records import archiving
from daq.app.records.archiving import recorded_archives, refuse_same_medium
from daq.app.records.history import history
from daq.app.records.replaying import recompute
from daq.app.setup.drivers import Drivers
from daq.core.errors import ArchivedError, SettingError, StoreError
from tests.support.runs.archived import LATER, Points, archive, copied, journals, kept_safe, measure, whole, works
from tests.support.runs.full_database import falsified
from tests.support.runs.virtual_bench import T0


@pytest.fixture(scope="module")
def archived(measured, tmp_path_factory):
    """State directory, folder of the archives, runs, and the journals as they were before."""
    state, runs = measured
    folder = tmp_path_factory.mktemp("archived")
    state = copied(state, folder / "state")
    before = journals(database_path(state))
    (folder / "medium").mkdir()
    done = archive(state, folder / "medium")
    assert (len(done.archives), done.removed, done.left, done.notes) == (2, 3, {}, [])
    return state, folder / "medium", runs, before


@pytest.mark.slow
def test_journals_leave_the_database_and_everything_else_stays(measured, archived):
    state, folder, runs, before = archived
    assert kept_safe(state, folder, before) == dict.fromkeys(runs, True)
    whole(state, folder)
    assert sorted(p.suffix for p in folder.iterdir()) == [".archive", ".archive", ".sha256", ".sha256"]
    with Reader(database_path(measured[0])) as old, Reader(database_path(state)) as new:
        for run in runs:
            assert new.results(run) == old.results(run)
            assert new.kept(run) == old.kept(run)
            assert new.run(run) == old.run(run)
            assert new.messages(new.results(run)[0].id) == old.messages(old.results(run)[0].id)
        kinds = [e.what for e in new.audit(after=len(old.audit()))]
    assert kinds == ["archive_added", "journal_archived", "journal_archived", "archive_added", "journal_archived"]


def test_a_record_names_file_digest_and_runs(archived):
    state, folder, runs, before = archived
    with Reader(database_path(state)) as reader:
        archives = list(recorded_archives(reader))
    assert [r.run for a in archives for r in a.runs] == runs
    assert [r.blocks for a in archives for r in a.runs] == [len(before[run]) for run in runs]
    for a in archives:
        assert (folder / a.file).stat().st_size == a.bytes
        assert files.sha256_of(folder / a.file) == a.sha256 == files.stated_digest(folder / a.file)


def test_the_check_of_the_database_says_that_journals_are_archived_and_needs_no_archive(archived):
    state, *_ = archived
    findings = check_content(database_path(state))
    assert all(f.ok for f in findings)
    assert any("0 in archives" not in f.say and "and 3 in archives" in f.say for f in findings)


@pytest.mark.parametrize(
    ("sql", "named"),
    [
        (
            "UPDATE records SET data = json_set(data, '$.runs[0].digest', 'x') WHERE kind = 'archive'",
            "records archive ",
        ),
        ("UPDATE records SET data = json_remove(data, '$.runs[0]') WHERE kind = 'archive'", "records archive "),
        ("UPDATE records SET data = json_set(data, '$.sha256', 'x') WHERE kind = 'archive'", "records archive "),
        ("DELETE FROM records WHERE kind = 'archive'", "records archive "),
        ("UPDATE audit SET detail = json_set(detail, '$.digest', 'x') WHERE what = 'journal_archived'", "audit "),
        ("DELETE FROM audit WHERE what = 'journal_archived'", "journal "),
        ("INSERT INTO journal SELECT id, 0, 0, 0, 1, x'00', 'x' FROM runs", "journal "),
    ],
)
def test_the_digest_of_a_removed_journal_is_followed_without_the_journal(archived, tmp_path, sql, named):
    state, *_ = archived
    with falsified(database_path(state), tmp_path / "daq.db") as db:
        db.execute(sql)
    assert any(f.say.startswith(named) for f in check_content(tmp_path / "daq.db") if not f.ok)


def test_a_digest_that_is_not_that_of_the_runs_end_is_named_although_the_trail_is_unbroken(measured, tmp_path):
    """A person who adds entries at the end of the trail cannot let another journal take the place of the run's."""
    state = copied(measured[0], tmp_path / "state")
    run = measured[1][0]
    with works(state) as lab:
        lab.store.submit(
            Audit(LATER, "x", "journal_archived", run, {"archive": "a", "blocks": 1, "digest": "0"})
        ).result()
    with sqlite3.connect(database_path(state)) as db:
        db.execute("DELETE FROM journal WHERE run = ?", (run,))
    db.close()
    found = [f.say for f in check_content(database_path(state)) if not f.ok]
    assert any(say.startswith("audit ") and "run_ended" in say for say in found), found
    assert any(say.startswith("records archive a") for say in found), found


def test_replay_asks_for_the_archive_by_name_and_computes_from_it(archived):
    state, folder, runs, _ = archived
    with Reader(database_path(state)) as reader:
        name = next(recorded_archives(reader)).id
        record = reader.run(runs[0])
        with pytest.raises(ArchivedError, match=f"{runs[0]} is in the archive {name}: give it with --archive FILE"):
            recompute(reader, record, Drivers.find())
        assert name in history(reader, record).journal.archived
        reader.archives.append(open_archive(folder / f"{name}.archive"))
        again = recompute(reader, record, Drivers.find())
        assert again.same
        assert again.replay.events > 100
        # The archive of other runs does not have this one.
        with pytest.raises(ArchivedError, match="does not have it as the audit trail states it"):
            list(reader.journal(runs[2]))


@pytest.mark.slow
def test_a_correction_that_needs_the_journal_asks_for_the_archive_and_takes_it(archived, tmp_path):
    state, folder, runs, _ = archived
    state = copied(state, tmp_path / "state")
    with Reader(database_path(state)) as reader:
        name = next(recorded_archives(reader)).id
    order = {"run": runs[0], "because": "another cylinder", "geometry": "coaxial-12"}
    with works(state) as lab:
        with pytest.raises(ArchivedError, match=name):
            carry_out(lab, "run_correct_reviewed", order)
        with pytest.raises(SettingError, match="cannot be read: No such file"):
            carry_out(lab, "run_correct_reviewed", order | {"archive": str(tmp_path / "none")})
        path = str(folder / f"{name}.archive")
        done = carry_out(lab, "run_correct_reviewed", order | {"geometry": None, "sample": "G-9", "archive": path})
        assert done["changes"] == [{"name": "sample", "before": "G-0", "after": "G-9"}]
        # Annulling needs no journal.
        carry_out(lab, "run_annul", {"run": runs[1], "because": "spilled"})
    assert [f for f in check_content(database_path(state)) if not f.ok] == []


@pytest.mark.slow
def test_an_archive_is_read_on_another_machine_without_the_database(archived, tmp_path, capsys, monkeypatch):
    _, folder, runs, _ = archived
    path = next(p for p in sorted(folder.iterdir()) if p.suffix == ".archive")
    other = tmp_path / "other"
    other.mkdir()
    for found in (path, files.digest_path(path)):
        shutil.copy(found, other / found.name)
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    nowhere = ["--state", str(tmp_path / "none")]
    given = ["--archive", str(other / path.name)]
    assert main([*nowhere, "replay", runs[0], *given]) == 0
    assert "bit for bit" in capsys.readouterr().out
    assert main([*nowhere, "show", runs[0], "--json", *given]) == 0
    shown = json.loads(capsys.readouterr().out)
    assert (shown["run"]["id"], shown["disagreements"]) == (runs[0], [])
    assert shown["journal"]["records"] > 100
    assert main([*nowhere, "verify", *given]) == 0
    assert "2 runs: every journal is unbroken" in capsys.readouterr().out
    assert main([*nowhere, "export", runs[0], *given]) == 0
    assert len(capsys.readouterr().out.splitlines()) > 20


def flipped(path, offset):
    with path.open("r+b") as file:
        file.seek(offset)
        (byte,) = file.read(1)
        file.seek(offset)
        file.write(bytes([byte ^ 0x10]))


@pytest.mark.parametrize("part", [0, *(pytest.param(n, marks=pytest.mark.slow) for n in range(1, 8))])
def test_a_flipped_byte_of_an_archive_is_named(archived, tmp_path, part):
    """Every 8th part of the file has one: with the digest beside it, with the database, and by the contents alone."""
    state, folder, *_ = archived
    original = next(p for p in sorted(folder.iterdir()) if p.suffix == ".archive")
    path = tmp_path / original.name
    shutil.copy(original, path)
    shutil.copy(files.digest_path(original), files.digest_path(path))
    size = path.stat().st_size
    flipped(path, size * part // 8 + 97)
    wrong = [f for f in check_archive(path) if not f.ok]
    assert wrong
    assert all(f.what == path.name for f in wrong)
    assert "was changed after it was written" in wrong[0].say
    files.digest_path(path).unlink()
    assert not all(f.ok for f in check_archive(path, database_path(state)))


@pytest.mark.slow
def test_every_flipped_byte_of_an_archive_is_named(archived, tmp_path):
    """Each byte of both files once; the comparison of contents is too slow for each, the digest is not."""
    _, folder, *_ = archived
    original = next(p for p in sorted(folder.iterdir()) if p.suffix == ".archive")
    path = tmp_path / original.name
    shutil.copy(original, path)
    beside = files.digest_path(path)
    shutil.copy(files.digest_path(original), beside)
    for offset in range(0, path.stat().st_size, 97):
        flipped(path, offset)
        assert files.sha256_of(path) != files.stated_digest(path), offset
        flipped(path, offset)
    for offset in range(beside.stat().st_size):
        flipped(beside, offset)
        assert not all(f.ok for f in check_archive(path)), offset
        flipped(beside, offset)
    assert all(f.ok for f in check_archive(path))


def test_a_changed_digest_beside_an_archive_is_named(archived, tmp_path):
    _, folder, *_ = archived
    original = next(p for p in sorted(folder.iterdir()) if p.suffix == ".archive")
    path = tmp_path / original.name
    shutil.copy(original, path)
    for text in ("", "0" * 64, f"{'0' * 64}  other.archive\n", f"{'0' * 64}  {path.name}\n"):
        files.digest_path(path).write_text(text, "ascii")
        assert not check_archive(path)[0].ok, text


@pytest.mark.slow
@pytest.mark.parametrize(
    ("sql", "named"),
    [
        ("UPDATE journal SET data = (SELECT data FROM journal LIMIT 1 OFFSET 1) WHERE rowid = 1", "journal"),
        ("DELETE FROM journal WHERE seq = 1", "journal"),
        ("UPDATE kept SET value = json_set(value, '$.at', 'x')", "kept"),
        ("UPDATE results SET data = json_set(data, '$.value', 1.5)", "results"),
        ("UPDATE runs SET sample = 'G-77'", "runs"),
        ("UPDATE audit SET detail = json_set(detail, '$.sample', 'G-77') WHERE what = 'run_started'", "audit"),
        ("DELETE FROM audit WHERE what = 'result_stored'", "results"),
    ],
)
def test_a_change_of_the_contents_is_named_without_any_digest_outside(archived, tmp_path, sql, named):
    _, folder, *_ = archived
    original = next(p for p in sorted(folder.iterdir()) if p.suffix == ".archive")
    path = tmp_path / original.name
    shutil.copy(original, path)
    with sqlite3.connect(path, isolation_level=None) as db:
        for (trigger,) in db.execute("SELECT name FROM sqlite_schema WHERE type = 'trigger'").fetchall():
            db.execute(f"DROP TRIGGER {trigger}")
        db.execute(sql)
    db.close()
    found = [f.say for f in check_archive(path) if not f.ok]
    assert any(say.startswith(named) for say in found), found


@pytest.mark.slow
def test_an_archive_of_another_database_is_not_compared(archived, measured, tmp_path):
    _, folder, *_ = archived
    measure(tmp_path / "other", 1)
    path = next(p for p in sorted(folder.iterdir()) if p.suffix == ".archive")
    found = check_archive(path, database_path(tmp_path / "other"))
    assert [f.ok for f in found] == [True, True, False]
    assert "is of database" in found[2].say


def test_no_daemon_takes_an_archive_for_its_database(archived, tmp_path):
    _, folder, *_ = archived
    path = next(p for p in sorted(folder.iterdir()) if p.suffix == ".archive")
    from daq.adapters.store.store import Store

    shutil.copy(path, tmp_path / "daq.db")
    with pytest.raises(StoreError, match="the database of another program"):
        Store(tmp_path / "daq.db")


# ---- the command


@pytest.fixture
def configured(measured, tmp_path):
    """Options of a command for a copy of the state directory, with a period of a month."""
    state = copied(measured[0], tmp_path / "state")
    config = shutil.copytree(examples_dir(), tmp_path / "config")
    with (config / "daemon.toml").open("a", encoding="utf-8") as file:
        file.write('\n[retention]\njournals = "1 month"\n')
    (tmp_path / "medium").mkdir()
    return ["--config", str(config), "--state", str(state)], state, tmp_path / "medium"


@pytest.mark.slow
def test_the_command_archives_prints_the_sizes_and_refuses_what_is_not_safe(configured, measured, capsys):
    options, _, medium = configured
    order = [*options, "archive", "--before", "2026-01-01", "--to", str(medium)]
    assert main(order) == 2
    assert "--same-medium" in capsys.readouterr().err
    assert main([*options, "archive", "--before", "2999-01-01", "--to", str(medium)]) == 2
    assert "may leave the database from 2999-02-01 on" in capsys.readouterr().err
    assert main([*options, "archive", "--before", "yesterday", "--to", str(medium)]) == 2
    assert main([*options, "archive"]) == 2
    capsys.readouterr()
    assert main([*order, "--same-medium"]) == 0
    out = capsys.readouterr().out
    assert "3 journals of runs from 2025-11-24 to 2025-11-24" in out
    found = re.search(r"database: ([\d.]+) MB used of ([\d.]+) MB before, ([\d.]+) MB used of", out)
    assert float(found[3]) < float(found[1])
    assert main([*options, "archive", "--list"]) == 0
    name = re.search(r"(daq-\w{8}-0001)\.archive: 3 runs", capsys.readouterr().out)[1]
    assert main([*options, "verify"]) == 0
    out = re.sub(r"\s+", " ", capsys.readouterr().out)
    assert f"{name}.archive has the journals of 3 runs" in out
    assert main([*options, "replay", measured[1][0]]) == 2
    assert f"is in the archive {name}: give it with --archive FILE" in capsys.readouterr().err
    given = ["--archive", str(medium / f"{name}.archive")]
    assert main([*options, "replay", measured[1][0], *given]) == 0
    assert main([*options, "verify", *given]) == 0
    assert "agree with the audit trail of the database" in re.sub(r"\s+", " ", capsys.readouterr().out)
    assert main([*options, "show", measured[1][0]]) == 0
    assert name in capsys.readouterr().out
    # An archive that is lost is no corruption.
    shutil.rmtree(medium)
    assert main([*options, "verify"]) == 0
    assert main([*options, "verify", *given]) == 1


# ---- the period


def test_a_refusal_names_the_day_from_which_it_is_allowed():
    with pytest.raises(
        SettingError, match=r"before 2026-01-15 may leave the database from 2031-01-15 on; .*2020-11-2[34]"
    ):
        refuse_too_early("5 years", date(2026, 1, 15), T0)
    with pytest.raises(SettingError, match=r"retention.journals: .*no period"):
        refuse_too_early(None, date(1990, 1, 1), T0)
    refuse_too_early("5 years", date(2020, 11, 23), T0)


@pytest.mark.slow
def test_an_act_refuses_runs_that_are_too_young_whatever_the_command_checked(measured, tmp_path):
    state = copied(measured[0], tmp_path / "state")
    (tmp_path / "medium").mkdir()
    with pytest.raises(SettingError, match="may leave the database from"):
        archive(state, tmp_path / "medium", now=T0 + 10**15)
    with pytest.raises(SettingError, match="no period"):
        archive(state, tmp_path / "medium", journals=None)
    assert len(journals(database_path(state))) == 3


@pytest.mark.slow
def test_runs_that_began_later_stay(measured, tmp_path):
    state, runs = measured
    state = copied(state, tmp_path / "state")
    (tmp_path / "medium").mkdir()
    with Reader(database_path(state)) as reader:
        before = reader.run(runs[1]).began_utc_ns
    assert archive(state, tmp_path / "medium", before=before).removed == 1
    assert sorted(journals(database_path(state))) == sorted(runs[1:])


def test_a_folder_on_the_medium_of_the_database_is_refused(tmp_path):
    (tmp_path / "daq.db").touch()
    with pytest.raises(SettingError, match="a disk that fails would take the journals.*--same-medium"):
        refuse_same_medium(tmp_path / "daq.db", tmp_path)
    with pytest.raises(SettingError, match="no folder"):
        refuse_same_medium(tmp_path / "daq.db", tmp_path / "none")
    if Path("/proc").stat().st_dev != tmp_path.stat().st_dev:
        refuse_same_medium(tmp_path / "daq.db", Path("/proc"))


# ---- what stays


@pytest.mark.slow
def test_a_run_whose_stored_data_do_not_agree_stays_and_is_named(measured, tmp_path):
    state, runs = measured
    state = copied(state, tmp_path / "state")
    (tmp_path / "medium").mkdir()
    with sqlite3.connect(database_path(state), isolation_level=None) as db:
        db.execute("UPDATE runs SET lot = 'L9' WHERE id = ?", [runs[1]])
    db.close()
    done = archive(state, tmp_path / "medium")
    assert done.removed == 2
    assert list(done.left) == [runs[1]]
    assert f"runs {runs[1]}, lot" in done.left[runs[1]]
    assert list(journals(database_path(state))) == [runs[1]]


def test_a_journal_is_deleted_only_after_its_archive_is_in_the_audit_trail(measured, tmp_path):
    state = copied(measured[0], tmp_path / "state")
    with (
        sqlite3.connect(database_path(state)) as db,
        pytest.raises(sqlite3.IntegrityError, match="names their archive"),
    ):
        db.execute("DELETE FROM journal")
    db.close()


def test_a_journal_that_is_not_the_archived_one_is_not_removed(archived, measured, tmp_path):
    """Between the record and the removal another journal came into the database, for example by a restored copy."""
    state, *_ = archived
    with Reader(database_path(state)) as reader:
        first = next(recorded_archives(reader))
    state = copied(measured[0], tmp_path / "state")
    with works(state) as lab:
        carry_out(lab, "archive_add", first.model_dump(mode="json"))
    with falsified(database_path(state), tmp_path / "other.db") as db:
        db.execute("UPDATE journal SET digest = ? WHERE run = ?", ("0" * 64, first.runs[1].run))
    shutil.move(tmp_path / "other.db", database_path(state))
    with works(state) as lab:
        with pytest.raises(SettingError, match="was changed: its record has the SHA-256"):
            carry_out(lab, "archive_remove", {"archive": first.id, "sha256": "0" * 64})
        with pytest.raises(
            StoreError, match=f"journal of run {first.runs[1].run} is not the one in archive {first.id}"
        ):
            carry_out(lab, "archive_remove", {"archive": first.id, "sha256": first.sha256})
    assert len(journals(database_path(state))) == 3


@pytest.mark.slow
def test_a_medium_that_gives_other_bytes_is_not_used(measured, tmp_path, monkeypatch):
    state = copied(measured[0], tmp_path / "state")
    (tmp_path / "medium").mkdir()
    real = files.sha256_of
    monkeypatch.setattr(
        files, "sha256_of", lambda path, *, from_medium=False: real(path) if not from_medium else "0" * 64
    )
    with pytest.raises(StoreError, match="gives other bytes than were written"):
        archive(state, tmp_path / "medium")
    assert len(journals(database_path(state))) == 3


@pytest.mark.slow
def test_an_archive_that_lost_a_block_is_not_used(measured, tmp_path, monkeypatch):
    """The contents are compared with the audit trail of the database, not with the file itself only."""
    state = copied(measured[0], tmp_path / "state")
    (tmp_path / "medium").mkdir()
    from daq.app.records import archiving

    real = archiving.write_contents

    def losing(database, part, runs):
        real(database, part, runs)
        with sqlite3.connect(part) as db:
            db.execute("DROP TRIGGER journal_no_delete")
            db.execute(
                "DELETE FROM journal WHERE run = ? AND seq = (SELECT max(seq) FROM journal WHERE run = ?)",
                (runs[0],) * 2,
            )
        db.close()

    monkeypatch.setattr(archiving, "write_contents", losing)
    with pytest.raises(StoreError, match="is not used, and every journal stays in the database"):
        archive(state, tmp_path / "medium")
    assert len(journals(database_path(state))) == 3


@pytest.mark.slow
def test_a_second_command_finds_nothing_to_do(archived, tmp_path):
    state, folder, *_ = archived
    state = copied(state, tmp_path / "state")
    points = Points()
    done = archive(state, folder, points=points)
    assert (done.archives, done.removed, done.notes) == ([], 0, [])
    assert "write" not in points.names


@pytest.mark.slow
def test_an_archive_that_was_lost_before_the_removal_is_written_again(measured, tmp_path):
    from tests.support.runs.archived import Killed

    state = copied(measured[0], tmp_path / "state")
    (tmp_path / "medium").mkdir()
    before = journals(database_path(state))
    points = Points()
    archive(copied(measured[0], tmp_path / "trial"), tmp_path / "medium", points=points)
    shutil.rmtree(tmp_path / "medium")
    (tmp_path / "medium").mkdir()
    with pytest.raises(Killed):
        archive(state, tmp_path / "medium", points=Points(points.names.index("remove")))
    (first,) = (tmp_path / "medium").glob("*.archive")
    first.unlink()
    done = archive(state, tmp_path / "medium")
    assert done.removed == 3
    assert done.notes == [f"{first.name} is not in this folder; its runs are archived again"]
    assert first.name not in {a.file for a in done.archives}
    kept_safe(state, tmp_path / "medium", before)


def test_the_example_has_no_period():
    from daq.app.setup.catalogue import Catalogue

    assert Catalogue.load(examples_dir()).daemon.retention.journals is None
    assert LATER > T0


def test_the_records_of_archives_are_read_once_each_and_one_at_a_time(measured, tmp_path, monkeypatch):
    """Each record names up to a thousand runs: a command that holds all of them needs more memory with each archive."""
    state = copied(measured[0], tmp_path / "state")
    answers = []

    def counted(*args, **more):
        answers.append(found_by(*args, **more))
        return answers[-1]

    monkeypatch.setattr(archiving, "found_by", counted)
    (tmp_path / "medium").mkdir()
    done = archive(state, tmp_path / "medium", most_runs=1)
    again = archive(state, tmp_path / "medium", most_runs=1)
    assert (len(done.archives), again.archives) == (3, [])
    assert all(len(found) <= 1 for found in answers)
    assert len([r for found in answers for r in found]) == len(done.archives)
    assert not any(hasattr(a, "runs") for a in done.archives)
