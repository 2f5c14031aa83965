"""Commands on a real database: lists, results, exports, replay and backups."""

import csv
import io
import json
import re
import shutil
import sqlite3
import statistics

import pytest

from daq.adapters.paths import database_path, examples_dir
from tests.cli.conftest import COLOURED, HOSTILE
from tests.support import sentences

# ---- init and check


@pytest.mark.slow
def test_init_copies_the_examples_and_never_overwrites(cli, tmp_path):
    folder = tmp_path / "bench"
    first = cli("init", folder)
    assert first.returncode == 0
    copied = sorted(p.relative_to(folder) for p in folder.rglob("*") if p.is_file())
    assert copied == sorted(p.relative_to(examples_dir()) for p in examples_dir().rglob("*") if p.is_file())
    (folder / "daemon.toml").write_text("# mine\n")
    (folder / "products" / "engobe.toml").unlink()
    again = cli("init", folder)
    assert again.returncode == 0
    assert (folder / "daemon.toml").read_text() == "# mine\n"
    assert (folder / "products" / "engobe.toml").exists()
    assert f"kept   {folder / 'daemon.toml'}" in again.stdout
    assert f"daq --config {folder} serve" in again.stdout
    assert cli("check", folder).returncode == 0


@pytest.mark.slow
def test_init_into_a_file_is_refused(cli, tmp_path):
    (tmp_path / "file").write_text("")
    done = cli("init", tmp_path / "file")
    assert done.returncode == 2
    assert done.stderr == f"daq: {tmp_path / 'file'}: cannot be written: File exists; choose another folder\n"


def test_check_of_the_examples_lists_which_method_fits_which_instrument(cli):
    done = cli("check", "--json")
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert found["errors"] == []
    fits = {(b["method_id"], b["instrument"]): b["geometry"] for b in found["benches"] if b["fits"]}
    assert fits["clear-glaze-qc", "bench-1"] == "coaxial-12"
    assert fits["engobe-qc", "bench-2"] == "cylinder-9"
    assert ("engobe-qc", "thermo-1") not in fits
    assert all(b["why_not"] for b in found["benches"] if not b["fits"])


@pytest.mark.parametrize(
    ("file", "old", "new", "key", "expected"),
    [
        ("methods/engobe-qc.toml", "claim = ", "clame = ", "clame", "did you mean 'claim'"),
        ("methods/engobe-qc.toml", 'version = "1"', "version = 1", "version", "write it in quotes"),
        (
            "instruments/bench-1.toml",
            'driver = "rotational"',
            'driver = "rotation"',
            "driver",
            "did you mean 'rotational'",
        ),
        (
            "instruments/bench-1.toml",
            "interval_ms = 100",
            "interval_ms = 10",
            "options.interval_ms",
            "from 50 to 60000",
        ),
        ("instruments/bench-1.toml", "interval_ms = 100", "pace = 100", "options.pace", "unknown option"),
        ("instruments/bench-1.toml", 'fitted = "coaxial-12"', 'fitted = "cone"', "fitted", "no geometry has the name"),
        (
            "instruments/bench-1.toml",
            "inner_radius = 12.0",
            "inner_radius = -1",
            "geometries.coaxial-12.inner_radius",
            "greater than 0",
        ),
        ("products/engobe.toml", "reported_digits", "digits", "digits", sentences.UNKNOWN_KEY),
        ("fluids/reference-b.toml", "values", "rows", "rows", sentences.UNKNOWN_KEY),
        (
            "daemon.toml",
            None,
            '[mqtt]\nhost = "h"\nuser = "u"\npassword = "secret"',
            "mqtt.password",
            "a password is not written into this file",
        ),
        ("daemon.toml", None, '[mqtt]\nhost = "mqtt://h"', "mqtt.host", "only the name or address"),
        ("daemon.toml", None, '[topic]\nsite = "a/b"', "topic.site", "characters that are not allowed"),
        ("daemon.toml", None, 'enable = ["bench-9"]', "enable[0]", sentences.NO_INSTRUMENT),
        ("daemon.toml", None, "silent_after = 1", "silent_after", sentences.UNKNOWN_KEY),
    ],
)
def test_check_names_file_key_and_reason(cli, tmp_path, file, old, new, key, expected):
    folder = tmp_path / "bench"
    shutil.copytree(examples_dir(), folder)
    text = (folder / file).read_text()
    if old is None:
        text = new
    else:
        assert old in text
        text = text.replace(old, new, 1)
    (folder / file).write_text(text)
    done = cli("check", folder, "--json")
    assert done.returncode == 2
    errors = json.loads(done.stdout)["errors"]
    assert (str(folder / file), key) in [(e["file"], e["key"]) for e in errors], errors
    assert any(expected in e["reason"] for e in errors), errors
    for_a_person = cli("check", folder)
    assert f"wrong     {folder / file}: {key}: " in for_a_person.stdout


def test_check_takes_single_files_of_any_kind(cli, tmp_path):
    for name in (
        "methods/engobe-qc.toml",
        "instruments/bench-1.toml",
        "products/engobe.toml",
        "fluids/reference-b.toml",
    ):
        done = cli("check", examples_dir() / name)
        assert done.returncode == 0, done.stdout
    (tmp_path / "binary.toml").write_bytes(b"id = \xff")
    done = cli("check", tmp_path / "binary.toml", tmp_path / "none.toml")
    assert done.returncode == 2
    assert "line 1 is not UTF-8" in done.stdout
    assert sentences.NO_SUCH_FILE in done.stdout


def test_a_method_that_no_instrument_can_run_is_an_error(cli, tmp_path):
    folder = tmp_path / "bench"
    shutil.copytree(examples_dir(), folder)
    path = folder / "methods" / "clear-glaze-qc.toml"
    path.write_text(path.read_text().replace('speed = "speed"', 'speed = "pace"', 1))
    errors = json.loads(cli("check", folder, "--json").stdout)["errors"]
    assert [(e["file"], e["key"]) for e in errors] == [(str(path), "steps[0].speed")]


# ---- runs and show


def test_runs_are_listed_newest_first(cli, shift):
    done = cli("--state", shift.state, "runs", "--json")
    entries = json.loads(done.stdout)
    assert [e["run"] for e in entries] == [shift.stopped, shift.saturated, shift.outside, shift.within]
    assert [e["verdict"] for e in entries] == ["not_comparable", "not_comparable", "outside", "within"]
    assert [e["validity"] for e in entries] == ["not_valid", "not_valid", "valid", "valid"]
    assert [e["value"] is None for e in entries] == [True, True, False, False]
    assert 700 < entries[3]["value"] < 900
    assert entries[3]["unit"] == "mPa.s"
    # The text of the reason is in the store; its code is that of the result.
    assert [e["reason_code"] for e in entries] == ["stopped_by_person", "torque_at_stop", "rule_above", "rule_above"]
    assert all(e["reason"] for e in entries)


def test_runs_as_a_table_for_a_person(cli, shift):
    text = cli("--state", shift.state, "runs").stdout
    head, *rows = text.splitlines()
    assert head.split() == ["run", "started", "sample", "method", "on", "value", "quality", "validity", "verdict"]
    assert len(rows) == 4
    assert rows[0].endswith("stopped, simulated")
    assert "mPa·s" in rows[3]
    assert rows[3].startswith(shift.within[:8])


@pytest.mark.parametrize(
    ("args", "count"),
    [
        (("--limit", "1"), 1),
        (("--instrument", "bench-1"), 4),
        (("--instrument", "bench-2"), 0),
        (("--sample", "G-1041"), 1),
        (("--sample", HOSTILE), 1),
        (("--sample", "G-104"), 0),
    ],
)
def test_runs_are_selected_by_options(cli, shift, args, count):
    assert len(json.loads(cli("--state", shift.state, "runs", "--json", *args).stdout)) == count


def test_runs_of_an_unused_instrument_name_the_used_ones(cli, shift):
    done = cli("--state", shift.state, "runs", "--instrument", "bench-l")
    assert (done.returncode, done.stdout.strip()) == (
        0,
        "no runs satisfy all of this\n  instrument bench-l: no run; so far: bench-1",
    )


def test_runs_without_a_database(cli, tmp_path):
    done = cli("--state", tmp_path / "none", "runs")
    assert done.returncode == 13
    assert "nothing was measured with this state directory yet" in done.stderr
    assert not (tmp_path / "none").exists()


def test_show_prints_all_parts_of_a_result(cli, shift):
    text = cli("--state", shift.state, "show", shift.within[:6], "--details").stdout
    for expected in (
        f"run {shift.within}  SIMULATED",
        "sample G-1041, product clear-glaze (version 1), replicate 1",
        "clear-glaze-qc 1 on bench-1 by m.keeper",
        "VALID",
        "WITHIN limits",
        "simple acceptance: the value as it is (unrounded)",
        "limit: viscosity 700 to 900 mPa·s (geometry coaxial-12, method clear-glaze-qc 1, 20 min⁻¹, 25 °C, 60 s): within",
        "uncertainty budget",
        "scatter of readings (Type A)",
        "elapsed ≥ 60 s",
        "kept values",
        "geometry: coaxial-12, coaxial cylinders",
        "bench-1: bytes ",
        "thermo-1: bytes ",
        "method digest",
        "audit head",
        "journal digest",
    ):
        assert expected in text or expected in " ".join(text.split()), expected
    assert "\x1b" not in text


def test_show_replays_the_journal_only_for_details(cli, shift):
    text = cli("--state", shift.state, "show", shift.within).stdout
    assert "bench-1: bytes" not in text
    assert text.endswith(f"how steady it was, counters of the lines: daq show {shift.within[:8]} --details\n")
    assert json.loads(cli("--state", shift.state, "show", shift.within, "--json").stdout)["counters"] is None


def test_show_of_a_run_off_range_gives_reason_and_advice(cli, shift):
    text = cli("--state", shift.state, "show", shift.saturated).stdout
    assert "viscosity: no value" in text
    assert "NOT VALID" in text
    assert "the sensor is at its stop" in text
    assert "advice: the torque is beyond" in text
    assert "20 min⁻¹" in text


def test_show_makes_foreign_text_harmless(cli, shift):
    text = cli("--state", shift.state, "show", shift.outside).stdout
    assert "\x1b" not in text
    assert r"lot \x1b[31mred\x1b[0m" in text


def test_show_as_json(cli, shift):
    found = json.loads(cli("--state", shift.state, "show", shift.outside, "--json", "--details").stdout)
    assert found["run"]["sample"] == HOSTILE
    assert found["run"]["lot"] == COLOURED
    assert found["result"]["verdict"]["verdict"] == "outside"
    assert found["results"][0]["sequence"] == 2
    assert len(found["kept"]) == 1
    assert found["counters"]["bench-1"]["readings"] > 100
    (step,) = found["journal"]["steps"]
    assert step["rule"] == "elapsed ≥ 60 s"
    assert 590 <= step["readings"] <= 600


def test_show_last(cli, shift):
    assert f"run {shift.stopped}" in cli("--state", shift.state, "show", "last").stdout


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        ("zzzz", "there is no run whose id begins with 'zzzz'"),
        ("", "there is no run whose id begins with ''"),
        ("%", "there is no run whose id begins with '%'"),
    ],
)
def test_an_unknown_run_is_refused(cli, shift, given, expected):
    for command in ("show", "export", "replay"):
        done = cli("--state", shift.state, command, given)
        assert done.returncode == 2
        assert expected in done.stderr


def test_an_ambiguous_prefix_of_a_run_is_refused(cli, shift):
    with sqlite3.connect(database_path(shift.state)) as db:
        db.execute("CREATE TEMP TABLE copies AS SELECT * FROM runs WHERE id = ?", (shift.within,))
        for run in ("zz1", "zz2"):
            db.execute("UPDATE copies SET id = ?", (run,))
            db.execute("INSERT INTO runs SELECT * FROM copies")
    done = cli("--state", shift.state, "show", "zz")
    assert done.returncode == 2
    assert "2 runs begin with 'zz'" in done.stderr


# ---- export


def readings_of(cli, shift, run):
    done = cli("--state", shift.state, "export", run)
    assert done.returncode == 0, done.stderr
    return list(csv.DictReader(io.StringIO(done.stdout)))


def test_exported_readings_are_those_the_instrument_sent(cli, shift):
    rows = readings_of(cli, shift, shift.within)
    assert list(rows[0])[:6] == ["time [s]", "utc", "instrument", "state", "step", "torque [%]"]
    assert "viscosity [mPa.s]" in rows[0]
    assert "thermo-1.temperature [Cel]" in rows[0]
    times = [float(row["time [s]"]) for row in rows]
    assert times == sorted(times)
    # Exactly the lines with values in the journal, split here independently, are readings.
    with sqlite3.connect(database_path(shift.state)) as db:
        assert db.execute("SELECT count(*) FROM journal WHERE run = ?", (shift.within,)).fetchone()[0] > 0
    lines = re.findall(rb"val ([-+.0-9]+) ([-+.0-9]+) ([-+.0-9]+) ", raw_bytes(shift, shift.within))
    sent = [tuple(map(float, line)) for line in lines]
    lead = [row for row in rows if row["instrument"] == "bench-1"]
    got = [(float(r["torque [%]"]), float(r["speed [/min]"]), float(r["temperature [Cel]"])) for r in lead]
    assert got == sent
    assert {row["state"] for row in rows} >= {"equilibrating", "starting", "measuring", "stopping"}


def raw_bytes(shift, run):
    from daq.adapters.store.reading import Reader

    with Reader(database_path(shift.state)) as reader:
        return b"".join(block.raw for block in reader.journal(run))


def test_the_stored_mean_is_that_of_the_exported_readings(cli, shift):
    (kept,) = list(
        csv.DictReader(io.StringIO(cli("--state", shift.state, "export", shift.within, "--what", "kept").stdout))
    )
    end, length = (round(float(kept[name]) * 1e9) for name in ("time [s]", "span [s]"))
    inside = [
        float(row["torque [%]"])
        for row in readings_of(cli, shift, shift.within)
        if (row["instrument"], row["state"], row["repeat"]) == ("bench-1", "measuring", "0")
        and end - length < round(float(row["time [s]"]) * 1e9) <= end
    ]
    assert len(inside) == int(kept["torque n"]) > 100
    # Python's statistics module computes with exact fractions.
    assert float(kept["torque mean [%]"]) == pytest.approx(statistics.mean(inside), rel=1e-15)
    assert float(kept["torque sd [%]"]) == pytest.approx(statistics.stdev(inside), rel=1e-12)
    assert kept["step name"] == "reading"


def test_csv_is_rfc_4180(cli, shift):
    text = cli("--state", shift.state, "export", shift.saturated).stdout
    # subprocess reads with universal newlines; the bytes are checked in a file below.
    assert "saturated" in text
    path = shift.state / "out.csv"
    done = cli("--state", shift.state, "export", shift.saturated, "-o", path)
    assert done.stdout == f"{text.count(chr(10)) - 1} rows written to {path}\n"
    raw = path.read_bytes()
    assert raw.count(b"\r\n") == raw.count(b"\n") == text.count("\n")
    assert not path.with_name("out.csv.part").exists()
    again = cli("--state", shift.state, "export", shift.saturated, "-o", path)
    assert again.returncode == 2
    assert "exists already" in again.stderr
    assert path.read_bytes() == raw


def test_a_saturated_reading_has_no_torque_and_a_fault(cli, shift):
    rows = [r for r in readings_of(cli, shift, shift.saturated) if "saturated" in r["faults"]]
    assert rows
    assert {r["torque [%]"] for r in rows} == {""}
    assert {r["viscosity [mPa.s]"] for r in rows} == {""}


def test_export_as_json(cli, shift):
    found = json.loads(cli("--state", shift.state, "export", shift.outside, "--format", "json").stdout)
    assert found["about"]["sample"] == HOSTILE
    assert len(found["columns"]) == len(found["rows"][0])
    assert "torque [%]" in found["columns"]
    rows = readings_of(cli, shift, shift.outside)
    at = found["columns"].index("torque [%]")
    assert [r[at] for r in found["rows"]] == [float(r["torque [%]"]) if r["torque [%]"] else None for r in rows]


# ---- replay


def test_replay_is_the_same(cli, shift):
    for run in (shift.within, shift.outside, shift.saturated, shift.stopped):
        done = cli("--state", shift.state, "replay", run)
        assert done.returncode == 0, done.stdout
        assert sentences.SAME_BIT_FOR_BIT in done.stdout
        assert "the result the same, bit for bit" in done.stdout


def test_replay_names_a_changed_result(cli, shift):
    with sqlite3.connect(database_path(shift.state)) as db:
        db.execute("DROP TRIGGER results_no_update")
        db.execute("UPDATE results SET data = json_set(data, '$.value', 812.5) WHERE run = ?", (shift.within,))
    done = cli("--state", shift.state, "replay", shift.within)
    assert done.returncode == 1
    assert "differs: result.value: stored 812.5, computed again 80" in done.stdout


def test_replay_computes_a_deleted_result_again(cli, shift):
    before = json.loads(cli("--state", shift.state, "show", shift.within, "--json").stdout)["result"]
    with sqlite3.connect(database_path(shift.state)) as db:
        db.execute("DELETE FROM delivery")
        db.execute("DELETE FROM outbox")
        db.execute("DELETE FROM results")
        db.execute("DELETE FROM kept")
    done = cli("--state", shift.state, "replay", shift.within)
    assert done.returncode == 1
    assert "missing in this database: the result" in done.stdout
    assert "missing in this database: the 1 kept values" in done.stdout
    assert f"viscosity = {before['reported']} mPa·s" in done.stdout
    assert "WITHIN limits" in done.stdout
    kept = cli("--state", shift.state, "export", shift.within, "--what", "kept", "--anyway")
    assert "computed again from the journal" in kept.stderr
    (row,) = csv.DictReader(io.StringIO(kept.stdout))
    assert float(row["viscosity mean [mPa.s]"]) == before["value"]
    assert "there is no result in this database" in cli("--state", shift.state, "show", shift.within).stdout


@pytest.mark.parametrize("part", [0.1, 0.5, 0.9])
def test_a_flipped_bit_is_found_and_named(cli, shift, part):
    from daq.core.journal_block import HEAD

    raw = raw_bytes(shift, shift.within)
    # The record with the flipped bit, found from the heads of the journal's records.
    bit = int(8 * len(raw) * part)
    offset = index = 0
    while True:
        end = offset + HEAD.size + HEAD.unpack_from(raw, offset)[3] + 4
        if end > bit // 8:
            break
        offset, index = end, index + 1
    done = cli("--state", shift.state, "replay", shift.within, "--flip-bit", bit)
    assert done.returncode == 1
    assert f"damaged: record {index}: " in done.stdout
    assert f"  record {index}, " in done.stdout
    assert cli("--state", shift.state, "replay", shift.within).returncode == 0


def test_a_bit_outside_the_journal_is_refused(cli, shift):
    done = cli("--state", shift.state, "replay", shift.within, "--flip-bit", 10**9)
    assert done.returncode == 2
    assert sentences.FLIPPED_BIT_OUT_OF_RANGE in done.stderr


def test_a_damaged_journal_is_reported_by_every_command(cli, shift):
    with sqlite3.connect(database_path(shift.state)) as db:
        db.execute("DROP TRIGGER journal_no_update")
        db.execute("UPDATE journal SET digest = 'x' WHERE run = ? AND seq = 1", (shift.within,))
    replay = cli("--state", shift.state, "replay", shift.within)
    assert replay.returncode == 1
    assert sentences.DAMAGED_JOURNAL in replay.stdout
    assert sentences.DAMAGED_JOURNAL in cli("--state", shift.state, "show", shift.within).stdout
    assert (
        "the journal is damaged; the part before the damage is written"
        in cli("--state", shift.state, "export", shift.within, "--anyway").stderr
    )
    assert cli("--state", shift.state, "doctor").returncode == 1


# ---- backup and restore


def test_backup_and_restore(cli, shift, tmp_path):
    copy = tmp_path / "copy.db"
    done = cli("--state", shift.state, "backup", copy)
    assert done.returncode == 0, done.stderr
    assert copy.stat().st_mode & 0o777 == 0o600
    again = cli("--state", shift.state, "backup", copy)
    assert again.returncode == 13
    assert "never overwrites" in again.stderr
    restored = cli("--state", tmp_path / "new", "restore", copy)
    assert restored.returncode == 0, restored.stderr
    assert "restored 4 runs and 4 results" in restored.stdout
    assert restored.stdout.splitlines()[0].endswith("#2")
    entries = json.loads(cli("--state", tmp_path / "new", "runs", "--json").stdout)
    assert len(entries) == 4
    over = cli("--state", shift.state, "restore", copy)
    assert over.returncode == 13
    assert "exists: move it aside" in over.stderr


# ---- drivers


def test_drivers_are_listed(cli):
    entries = {e["driver"]: e for e in json.loads(cli("driver", "list", "--json").stdout)}
    assert [c["unit"] for c in entries["rotational"]["channels"]] == ["%", "/min", "Cel"]
    assert "halt" in entries["rotational"]["actions"]
    assert entries["thermometer"]["streams"] is True
    text = cli("driver", "list").stdout
    assert "speed: -1000 to 1000 min⁻¹" in text
    assert "without its cable the motor keeps turning" in text
