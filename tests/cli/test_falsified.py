"""Commands on a database that was changed behind the daemon's back: they refuse, or mark, what does not agree."""

# ruff: noqa: S608 - names of our own tables and columns

import json
import shutil
import sqlite3
from pathlib import Path

import pytest

from daq.adapters.paths import database_path
from daq.adapters.store.reading import Reader
from daq.adapters.store.rows import CHANGED
from tests.support.runs.full_database import falsified, make_full_database

CHANGES = {
    "sample": "UPDATE runs SET sample = 'G-9999' WHERE sample = 'G-1041'",
    "lot": "UPDATE runs SET lot = 'L9' WHERE sample = 'G-1041'",
    "operator": "UPDATE runs SET operator = 'nobody' WHERE sample = 'G-1041'",
    "began_utc_ns": "UPDATE runs SET began_utc_ns = began_utc_ns - 86400000000000 WHERE sample = 'G-1041'",
    "header": "UPDATE runs SET header = replace(header, 'R-', 'S-') WHERE sample = 'G-1041'",
    "data value": "UPDATE results SET data = json_set(data, '$.value', 700.87) WHERE run = "
    "(SELECT id FROM runs WHERE sample = 'G-1041')",
    "text": "UPDATE methods SET text = replace(text, '60', '61')",
    "payload": "UPDATE outbox SET payload = CAST(replace(payload, '\"value\":8', '\"value\":7') AS BLOB) WHERE seq = 1",
    "digest": "UPDATE journal SET digest = 'x' WHERE run = (SELECT id FROM runs WHERE sample = 'G-1041')",
    "value": "UPDATE kept SET value = json_set(value, '$.at', 'x') WHERE run = "
    "(SELECT id FROM runs WHERE sample = 'G-1041')",
}


@pytest.fixture(scope="module")
def original(tmp_path_factory):
    return make_full_database(tmp_path_factory.mktemp("full") / "state")


@pytest.fixture
def state(original, tmp_path):
    folder = tmp_path / "own-state"
    folder.mkdir(mode=0o700)
    shutil.copyfile(original, database_path(folder))
    return folder


@pytest.fixture
def run(original):
    with Reader(original) as reader:
        return reader.runs(sample="G-1041")[0].id


def change(original, state, statement):
    with falsified(original, database_path(state)) as db:
        assert db.execute(statement).rowcount > 0


@pytest.mark.slow
def test_commands_on_an_unchanged_database(cli, state, run):
    shown = json.loads(cli("--state", state, "show", run, "--json").stdout)
    assert shown["disagreements"] == []
    assert cli("--state", state, "export", run).returncode == 0
    assert "reportable viscosity" in cli("--state", state, "reportable", "G-1041").stdout
    done = cli("--state", state, "verify")
    assert done.returncode == 0, done.stdout
    assert "all copies of each fact are the same" in done.stdout
    assert "2 messages put into the outbox again" in cli(
        "--state", state, "resend", "--instrument", "bench-1", "--from", "1", "--to", "1"
    ).stdout  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("field", CHANGES)
def test_a_changed_fact_is_marked_or_refused_by_every_command(cli, original, state, run, field):
    change(original, state, CHANGES[field])
    for command in ("doctor", "verify"):
        done = cli("--state", state, command, "--json")
        assert done.returncode == 1
        wrong = [f["say"] for f in json.loads(done.stdout) if not f["ok"]]
        assert any(f", {field}" in text for text in wrong), wrong
    shown = cli("--state", state, "show", run)
    assert shown.returncode == 13
    assert shown.stdout.startswith("DO NOT USE THIS RESULT")
    as_json = json.loads(cli("--state", state, "show", run, "--json").stdout)
    assert any(f", {field}" in text for text in as_json["disagreements"])
    exported = cli("--state", state, "export", run)
    assert (exported.returncode, exported.stdout) == (13, "")
    assert "does not agree" in exported.stderr
    anyway = cli("--state", state, "export", run, "--anyway")
    assert "does not agree" in anyway.stderr
    assert anyway.stdout or field == "digest"  # the journal is damaged at its first block
    reported = cli("--state", state, "reportable", "G-1041")
    assert (reported.returncode, reported.stdout) == (13, "")
    assert "no result is reported" in reported.stderr


def test_a_sample_that_got_the_name_of_another_is_not_reported_under_that_name(cli, original, state):
    change(original, state, CHANGES["sample"].replace("G-9999", "G-1043"))
    done = cli("--state", state, "reportable", "G-1043")
    assert (done.returncode, done.stdout) == (13, "")
    assert "runs " in done.stderr
    assert "'G-1043' here, 'G-1041' in audit entry" in done.stderr


@pytest.mark.parametrize(
    "way", [("--instrument", "bench-1", "--from", "1", "--to", "2"), ("--from", "2025-11-24", "--to", "2025-11-25")]
)
def test_a_changed_payload_is_not_sent_again(cli, original, state, way):
    change(original, state, CHANGES["payload"])
    done = cli("--state", state, "resend", *way)
    assert done.returncode == 13
    assert "message 1 (topic " in done.stderr
    assert f"was {CHANGED}; nothing is sent again" in done.stderr
    with sqlite3.connect(database_path(state)) as db:
        assert db.execute("SELECT count(*) FROM delivery WHERE again_utc_ns IS NOT NULL").fetchone() == (0,)


def test_a_refused_message_that_was_changed_is_not_released_and_is_shown(cli, original, state):
    """Message 5 of this database was refused by the broker."""
    assert json.loads(cli("--state", state, "outbox", "--json").stdout)["changed"] == 0
    change(original, state, "UPDATE outbox SET payload = CAST(payload || ' ' AS BLOB) WHERE seq = 5")
    done = cli("--state", state, "resend", "--refused")
    assert (done.returncode, "0 messages put into the outbox again" in done.stdout) == (0, True)
    assert "1 not sent: changed in the database after they were stored" in done.stdout
    shown = cli("--state", state, "outbox")
    assert shown.returncode == 1
    assert "1 changed in the database after they were stored" in shown.stdout
    assert json.loads(cli("--state", state, "outbox", "--json").stdout)["changed"] == 1
    findings = json.loads(cli("--state", state, "doctor", "--json").stdout)
    assert any("1 messages were changed in the database" in f["say"] for f in findings if not f["ok"])


# ---- what was kept outside


def kept_message(original, tmp_path, seq=1, **changes):
    with Reader(original) as reader:
        event = json.loads(reader.message(seq).payload)
    path = tmp_path / "kept.json"
    path.write_text(json.dumps(event | changes))
    return path, event


def test_a_message_kept_outside_agrees(cli, original, state, tmp_path):
    for seq in (1, 2, 3):  # the result, the last one, and the flat variant
        path, event = kept_message(original, tmp_path, seq)
        done = cli("--state", state, "verify", path)
        assert done.returncode == 0, done.stdout
        assert "the database has the same" in done.stdout
    head = event["data"].get("origin", {}).get("audit_head") or event["data"]["origin_audit_head"]
    assert cli("--state", state, "verify", "--head", head).returncode == 0


def test_a_value_changed_in_every_table_and_every_hash_is_named_by_the_message(cli, original, state, tmp_path):
    path, event = kept_message(original, tmp_path)
    change(original, state, CHANGES["payload"])
    done = cli("--state", state, "verify", path)
    assert done.returncode == 1
    assert "outbox 1, payload data." in done.stdout
    assert str(event["data"]["value"]) in done.stdout


@pytest.mark.slow
def test_a_run_removed_from_every_table_with_its_audit_entries_is_named_by_the_message(cli, original, state, tmp_path):
    with Reader(original) as reader:
        newest = next(r for r in reversed(reader.all_results()) if r.supersedes is None)
        seq = min(m.seq for m in reader.messages(newest.id))
        first = next(e.seq for e in reader.audit() if e.subject == newest.run)
    path, event = kept_message(original, tmp_path, seq)
    with falsified(original, database_path(state)) as db:
        db.execute("DELETE FROM audit WHERE seq >= ?", (first,))
        for table, column in (("outbox", "sequence"), ("results", "sequence")):
            db.execute(f"DELETE FROM {table} WHERE {column} >= ?", (newest.sequence,))
        for table in ("kept", "journal"):
            db.execute(f"DELETE FROM {table} WHERE run = ?", (newest.run,))
        db.execute("DELETE FROM health")
        db.execute("DELETE FROM instruments")
        gone = "SELECT kind || '/' || id FROM records WHERE audit_seq >= ?"
        db.execute(f"DELETE FROM record_keys WHERE kind || '/' || id IN ({gone})", (first,))
        db.execute("DELETE FROM records WHERE audit_seq >= ?", (first,))
        db.execute("DELETE FROM outbox WHERE id = 'curve'")
        db.execute("DELETE FROM delivery WHERE seq NOT IN (SELECT seq FROM outbox)")
        db.execute("DELETE FROM runs WHERE id = ?", (newest.run,))
        db.execute("DELETE FROM streams")
        db.execute("INSERT INTO streams SELECT epoch, stream, max(sequence) FROM results GROUP BY epoch, stream")
    # Nothing inside the database shows it.
    assert cli("--state", state, "verify").returncode == 0, cli("--state", state, "verify").stdout
    done = cli("--state", state, "verify", path)
    assert done.returncode == 1
    assert (
        f"results {newest.id}, row: nothing here, 'number {newest.sequence} of bench-1 (epoch 1)' in kept.json"
        in done.stdout
    )
    head = cli("--state", state, "verify", "--head", event["data"]["origin"]["audit_head"])
    assert head.returncode == 1
    assert "is not in the trail" in head.stdout


@pytest.mark.parametrize(
    ("text", "say"),
    [("{", "is not JSON"), ("[]", "is no message of daq"), ('{"id": 1}', "source, type, sequence, data missing")],
)
def test_a_file_that_is_no_message_is_refused(cli, state, tmp_path, text, say):
    path = tmp_path / "kept.json"
    path.write_text(text)
    done = cli("--state", state, "verify", path)
    assert done.returncode == 2
    assert say in done.stderr
    assert "cannot be read" in cli("--state", state, "verify", Path(tmp_path / "none.json")).stderr


def test_a_message_of_another_database_is_named(cli, original, state, tmp_path):
    path, _ = kept_message(original, tmp_path, source="urn:uuid:other#1")
    done = cli("--state", state, "verify", path)
    assert done.returncode == 1
    assert "meta 1, source: " in done.stdout


# ---- damaged pages


@pytest.mark.parametrize("number", range(12))
def test_doctor_reports_a_damaged_text_page(cli, original, state, number):
    """Bytes that are not UTF-8 on pages that hold texts, the definitions of the tables included."""
    path = database_path(state)
    data = bytearray(path.read_bytes())
    texts = (
        b"CREATE TABLE runs",
        b"CREATE INDEX runs_by_sample",
        b"run_started",
        b"G-1041",
        b"clear-glaze-qc",
        b"complete",
    )
    place = data.rindex(texts[number // 2]) if number % 2 else data.index(texts[number // 2])
    data[place + 2 : place + 6] = b"\xff\xfe\x80\x81"
    path.write_bytes(data)
    done = cli("--state", state, "doctor")
    assert done.returncode == 1, done.stderr
    assert "WRONG" in done.stdout
    assert "fault in daq" not in done.stderr
