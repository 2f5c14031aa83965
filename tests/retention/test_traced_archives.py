"""A report is traced through several archives: what they do not have is not called different, and damage is named."""

import json
import random
import shutil

import pytest

from daq.adapters.paths import database_path
from daq.adapters.store.archiving import files
from daq.adapters.store.archiving.archive_reader import open_archives
from daq.adapters.store.archiving.contents import write_contents
from daq.app.cli import main
from daq.app.cli.laboratory.trace import EXIT_DISAGREES, EXIT_ELSEWHERE, EXIT_WITHDRAWN, NOT_HERE
from daq.app.laboratory.acts import carry_out
from daq.core.errors import SettingError
from tests.support.runs.archived import archive, works
from tests.support.runs.virtual_bench import T0, StoredBench
from tests.support.signed_laboratories import verify
from tests.support.sparkplug.changed import falsifying

EXIT_USAGE = 2


@pytest.fixture(scope="module")
def reported(tmp_path_factory):
    """A state directory with a report of three runs, the number of the report, and the runs."""
    state = tmp_path_factory.mktemp("reported") / "state"
    bench = StoredBench(state)
    runs = [bench.measure("G-1042", fill=str(n)) for n in range(3)]
    with works(state, now=T0 + 86_400 * 10**9) as lab:
        number = carry_out(lab, "report_make", {"of": "G-1042"})["id"]
    return state, number, runs


@pytest.fixture
def tracing(reported, tmp_path, capsys):
    """Trace the report with archives, beside a database where its state directory is given."""
    _, number, _ = reported

    def run(*paths, state=tmp_path / "none", form=()):
        given = [word for path in paths for word in ("--archive", str(path))]
        code = main(["--state", str(state), "trace", number, *given, *form])
        return code, capsys.readouterr()

    return run


def written(state, folder, name, runs):
    """Write an archive with the digest beside it."""
    path = folder / f"{name}{files.SUFFIX}"
    path.touch()
    write_contents(database_path(state), path, runs)
    files.write_digest(path, files.sha256_of(path))
    return path


def damaged(path, rng):
    """Change one byte of a file, most often in a page of its own rows."""
    raw = bytearray(path.read_bytes())
    places = [n for n, byte in enumerate(raw) if byte]
    raw[rng.choice(places)] ^= rng.choice((1, 0x10, 0x55))
    path.write_bytes(raw)


@pytest.mark.parametrize("seed", [1, *(pytest.param(n, marks=pytest.mark.slow) for n in range(2, 8))])
def test_only_what_the_archives_do_not_have_is_missing_and_a_changed_byte_is_named(reported, tracing, tmp_path, seed):
    state, _, runs = reported
    rng = random.Random(seed)
    parts = [sorted(rng.sample(runs, rng.randint(1, 2)), key=runs.index) for _ in range(rng.randint(1, 3))]
    paths = [written(state, tmp_path, f"a{n}", part) for n, part in enumerate(parts)]
    held = {run for part in parts for run in part}
    code, out = tracing(*paths)
    assert code == (0 if held == set(runs) else EXIT_ELSEWHERE), out
    missing = [line.split(" of run ")[1].split(":")[0] for line in out.out.splitlines() if line.startswith(NOT_HERE)]
    assert missing == [run for run in runs if run not in held]
    assert "DO NOT USE" not in out.out
    _, whole = tracing(*paths, form=["--json"])
    assert [r["run"] for r in json.loads(whole.out)["results"]] == [run for run in runs if run in held]
    for beside in (True, False):
        changed = [tmp_path / str(beside) / path.name for path in paths]
        changed[0].parent.mkdir()
        for path, copy in zip(paths, changed, strict=True):
            shutil.copy(path, copy)
            if beside:
                shutil.copy(files.digest_path(path), files.digest_path(copy))
        which = rng.choice(changed)
        damaged(which, rng)
        code, out = tracing(*changed, form=["--json"])
        # Without a digest only a byte that no reader sees may be unnamed: one of another page, or of no row.
        if code not in (EXIT_DISAGREES, EXIT_USAGE):
            unnamed = json.loads(whole.out) | {"without_digest": [path.name for path in paths]}
            assert not beside, (code, out)
            assert json.loads(out.out) == unnamed
        if beside:
            assert f"{which.name} was changed" in out.out or which.name in out.err


def removed(path, run):
    """Remove all rows of a run from an archive, and every trace of them."""
    with falsifying(path) as db:
        db.execute("PRAGMA foreign_keys = OFF")
        # Of a run that it does not have, an archive has the audit entry of the start.
        audited = db.execute(
            "SELECT seq FROM audit WHERE subject IN (?1, (SELECT id FROM results WHERE run = ?1)) "
            "AND what <> 'run_started'",
            (run,),
        ).fetchall()
        db.execute("DELETE FROM record_keys WHERE (kind, id) IN (SELECT kind, id FROM records WHERE id = ?)", (run,))
        for table, column in (
            ("journal", "run"),
            ("kept", "run"),
            ("results", "run"),
            ("records", "id"),
            ("runs", "id"),
        ):
            db.execute(f"DELETE FROM {table} WHERE {column} = ?", (run,))  # noqa: S608
        db.executemany("DELETE FROM audit WHERE seq = ?", audited)


@pytest.mark.parametrize("which", [0, *(pytest.param(n, marks=pytest.mark.slow) for n in (1, 2))])
def test_an_archive_without_its_digest_is_not_called_complete(reported, tracing, tmp_path, capsys, which):
    state, _, runs = reported
    path = written(state, tmp_path, "a0", runs)
    for beside, whole in ((True, True), (False, True), (True, False), (False, False)):
        medium = tmp_path / f"{beside} {whole}"
        medium.mkdir()
        copy = shutil.copy(path, medium / path.name)
        if beside:
            shutil.copy(files.digest_path(path), files.digest_path(copy))
        if not whole:
            removed(copy, runs[which])
        code, out = tracing(copy, form=["--json"])
        found = json.loads(out.out)
        assert found["without_digest"] == ([] if beside else [path.name])
        assert [e["run"] for e in found["elsewhere"]] == ([] if whole else [runs[which]])
        # The digest alone shows that the run was removed; without it the archive is not called complete.
        assert code == (EXIT_DISAGREES if beside and not whole else 0 if whole else EXIT_ELSEWHERE)
        assert ("completeness cannot be shown" in tracing(copy)[1].out) == (not beside)
        code = main(["--state", str(tmp_path / "none"), "verify", "--archive", str(copy)])
        assert code == (1 if beside and not whole else 0)
        assert ("completeness cannot be shown" in capsys.readouterr().out) == (not beside)
        main(["--state", str(state), "verify", "--archive", str(copy)])
        assert "completeness cannot be shown" not in capsys.readouterr().out


@pytest.mark.slow
def test_several_archives_show_what_the_database_shows(reported, tracing, tmp_path):
    state, _, runs = reported
    paths = [written(state, tmp_path, run, [run]) for run in reversed(runs)]
    answers = [tracing(*given, state=at, form=["--json"]) for given, at in ((paths, tmp_path / "none"), ((), state))]
    assert [code for code, _ in answers] == [0, 0]
    assert json.loads(answers[0][1].out) == json.loads(answers[1][1].out)


@pytest.mark.parametrize("passed", [True, False])
@pytest.mark.parametrize("order", [1, -1])
def test_a_later_archive_without_runs_of_the_report_puts_them_in_doubt(reported, tracing, tmp_path, passed, order):
    original, _, runs = reported
    state = shutil.copytree(original, tmp_path / "state")
    paths = [written(state, tmp_path, "a0", runs)]
    with works(state) as lab:
        verify(lab.store, "v1", passed=passed)
        carry_out(lab, "equipment_out", {"piece": "bench-1", "because": "the failed verification"})
    paths.append(written(state, tmp_path, "a1", ["v1"]))
    alone, _ = tracing(paths[0])
    code, out = tracing(*paths[::order], form=["--json"])
    assert (alone, code) == (0, 0 if passed else EXIT_WITHDRAWN), out
    known, whole = tracing(state=state, form=["--json"])
    assert (code, json.loads(out.out)) == (known, json.loads(whole.out))


def test_beside_the_database_each_journal_is_read_from_its_archive_and_its_damage_is_named(reported, tracing, tmp_path):
    original, _, runs = reported
    state, medium = shutil.copytree(original, tmp_path / "state"), tmp_path / "medium"
    medium.mkdir()
    archive(state, medium, most_runs=1)
    paths = sorted(medium.glob(f"*{files.SUFFIX}"))
    code, out = tracing(*paths, state=state, form=["--json"])
    assert (code, len(paths)) == (0, len(runs))
    assert all(r["raw"]["bytes"] > 1000 and not r["raw"]["trouble"] for r in json.loads(out.out)["results"])
    assert tracing(*paths[1:], state=state)[0] == 0
    for path in paths:
        files.digest_path(path).unlink()
    with falsifying(paths[2]) as db:
        db.execute("DELETE FROM journal WHERE seq = (SELECT max(seq) FROM journal)")
    code, out = tracing(*paths, state=state)
    assert (code, "does not have it as the audit trail states it" in out.out) == (EXIT_DISAGREES, True), out
    raw = paths[1].read_bytes()
    journal = max(range(0, len(raw), 4096), key=lambda n: len(set(raw[n : n + 4096])))
    paths[1].write_bytes(raw[: journal + 2000] + bytes([raw[journal + 2000] ^ 1]) + raw[journal + 2001 :])
    code, out = tracing(*paths, state=state)
    assert (code, f"block 0 of run {runs[1]}" in out.out) == (EXIT_DISAGREES, True), out


def test_archives_of_two_databases_are_refused(reported, tmp_path):
    state, _, runs = reported
    other = StoredBench(tmp_path / "other")
    paths = [
        written(state, tmp_path, "own", runs[:1]),
        written(tmp_path / "other", tmp_path, "foreign", [other.measure("G-1")]),
    ]
    with pytest.raises(SettingError, match=r"foreign\.archive.*is of another database than own\.archive"):
        open_archives(paths)
