"""The command: its file, its output, its end."""

import asyncio
import json
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
import structlog
from prometheus_client.parser import text_string_to_metric_families

from daq.app.cli import main
from daq.collect.database import open_database
from daq.collect.decode import decode
from daq.collect.gaps import find_gaps
from daq.collect.process import collect_settings, collector_file
from daq.collect.schema import migrate
from daq.collect.writing import Writer
from daq.core.errors import SettingError
from tests.support import sentences
from tests.support.processes.collector import daemon
from tests.support.processes.mosquitto import PASSWORD, needs_mosquitto
from tests.support.processes.postgres import needs_postgres
from tests.support.runs.result_events import SOURCE, TOPICS, curve, own_id, result

EXAMPLE = Path(__file__).parents[2] / "config/collector.toml"


@pytest.fixture(autouse=True)
def _logs_as_before():
    """The command sets up logs on a stderr that is the test's own."""
    yield
    structlog.reset_defaults()


def write(folder, broker, database, more=""):
    secret = folder / "password"
    secret.write_text(PASSWORD)
    secret.chmod(0o600)
    (folder / "collector.toml").write_text(
        f'topics = ["glaze-works/+/+"]\nreadings = true\n{more}\n'
        f'[broker]\nhost = "127.0.0.1"\nport = {broker.port}\nuser = "historian"\npassword = {{ file = "{secret}" }}\n'
        f'[postgres]\nhost = "{database.host}"\nport = {database.port}\ndatabase = "{database.database}"\n'
        f'user = "{database.user}"\n[gaps]\npatience = "0 s"\n[metrics]\nfile = "{folder}/collect.prom"\nevery = "1 s"\n'
    )
    return folder


def daq(*arguments, **options):
    return subprocess.run(
        [sys.executable, "-m", "daq", *map(str, arguments)], capture_output=True, text=True, timeout=60, **options
    )


@pytest.mark.slow
@needs_postgres
@needs_mosquitto
def test_it_collects_shows_missing_results_and_ends_at_sigterm(tmp_path, broker, database, query, capsys):
    folder = write(tmp_path, broker, database)
    collect = ("collect", "--config", str(folder))
    assert main([*collect, "--show"]) == 13
    assert "start a worker" in capsys.readouterr().err
    process = start(folder, tmp_path / "log")
    try:
        wait_for(lambda: "taking results" in (tmp_path / "log").read_text())
        asyncio.run(publish_some(broker))
        wait_for(lambda: query("SELECT count(*) FROM lab.results") == [(3,)])
        wait_for(lambda: query("SELECT first, last FROM lab.gaps") == [(3, 4)])
        wait_for(lambda: query("SELECT count(*) FROM lab.readings") == [(1,)])
        wait_for(lambda: query("SELECT taken, refused FROM lab.workers") == [(4, 1)])
        assert main([*collect, "--show"]) == 1
        shown = capsys.readouterr().out
        assert "missing 2, refused 1" in shown
        assert "\x1b" not in shown
        for part in ("Daemons", "online", "Streams", "bench-1", "Missing", "Refused", "not JSON", "Workers"):
            assert part in shown, part
        assert main([*collect, "--show", "--json"]) == 1
        read = json.loads(capsys.readouterr().out)
        assert (read["missing"], read["refused_count"], read["gaps"][0]["first"], read["gaps"][0]["last"]) == (
            2,
            1,
            3,
            4,
        )
        wait_for(lambda: figures(tmp_path / "collect-a.prom").get("daq_collect_missing_results") == 2)
        found = figures(tmp_path / "collect-a.prom")
        assert (found["daq_collect_taken_total"], found["daq_collect_refused_total"]) == (4, 1)
        assert found["daq_collect_daemons"] == 1
    finally:
        process.send_signal(signal.SIGTERM)
        assert process.wait(30) == 0
    assert main([*collect, "--again"]) == 0
    assert "1 stay refused" in capsys.readouterr().out
    assert main([*collect, "--worker", "a", "--retire"]) == 0
    assert "the broker keeps nothing more" in capsys.readouterr().out
    assert query("SELECT count(*) FROM lab.workers") == [(0,)]


async def publish_some(broker):
    live = {
        "time": "2026-03-02T05:43:10Z", "instrument": "bench-1", "run": None, "source": SOURCE,
        "values": {"viscosity": {"value": 800.0, "unit": "mPa.s", "quality": "Good"}},
    }  # fmt: skip
    async with daemon(broker) as d:
        await d.publish(*[result(n) for n in (1, 2, 5)], curve(2), (TOPICS.result("x"), b"no\x1bsense"))
        await d.status(bench_1=5)
        await d.client.publish(TOPICS.live("bench-1"), json.dumps(live), qos=0)


def figures(path):
    """Read by the independent parser of the package prometheus_client."""
    families = text_string_to_metric_families(path.read_text()) if path.exists() else ()
    return {sample.name: sample.value for family in families for sample in family.samples}


def start(folder, log):
    with log.open("wb") as stderr:
        return subprocess.Popen(
            [sys.executable, "-m", "daq", "collect", "--config", str(folder), "--worker", "a"], stderr=stderr
        )


def wait_for(condition, seconds=90.0):
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, "it did not happen in time"
        time.sleep(0.05)


@pytest.mark.slow
@needs_postgres
def test_decisions_of_a_person(tmp_path, database, query, capsys):
    class NoBroker:
        port = 1

    async def fill():
        db = await open_database(database, "test")
        await migrate(db)
        writer = Writer(db)
        await writer.prepare()
        forged = result(4, change={"origin.audit_before": "0" * 64})
        await writer.take([decode(*m) for m in (result(1), result(3), forged)])
        topic, payload = result(5)
        await writer.take([decode(topic.replace("quality", "packing"), payload)])
        await find_gaps(db, history=True)
        await db.close()

    asyncio.run(fill())
    collect = ("collect", "--config", str(write(tmp_path, NoBroker, database)))
    assert main([*collect, "--audit"]) == 1
    shown = capsys.readouterr().out
    assert (own_id(SOURCE, "bench-1", 4) in shown, "another audit head" in shown) == (True, True)
    assert main([*collect, "--audit", "--json"]) == 1
    assert json.loads(capsys.readouterr().out)["audit_breaks"][0]["sequence"] == 4
    ((no,),) = query("SELECT no FROM lab.gaps")
    assert main([*collect, "--forget-gap", str(no)]) == 0
    assert "bench-1: 2 to 2" in capsys.readouterr().out
    assert main([*collect, "--forget-gap", str(no)]) == 2
    assert query("SELECT count(*) FROM lab.gaps") == [(0,)]
    for wrong in ((SOURCE, "glaze-works"), (SOURCE, "a/+/lab/v1"), ("bench-1", "a/lab/v1")):
        assert main([*collect, "--bind", *wrong]) == 2
    capsys.readouterr()
    assert main([*collect, "--again"]) == 0
    assert "1 stay refused" in capsys.readouterr().out
    assert main([*collect, "--bind", SOURCE, "glaze-works/kiln-street/packing/lab/v1"]) == 0
    assert main([*collect, "--again"]) == 0
    assert "1 refused messages were taken" in capsys.readouterr().out
    query("DELETE FROM lab.results WHERE sequence = 4 RETURNING 1")
    assert main([*collect, "--audit"]) == 0


def test_the_example_says_what_is_used_where_a_key_is_left_out(tmp_path):
    whole = collect_settings(EXAMPLE, "a")
    short = tmp_path / "collector.toml"
    short.write_text(
        'topics = ["glaze-works/+/+"]\n[broker]\nhost = "localhost"\n'
        '[postgres]\nhost = "localhost"\ndatabase = "laboratory"\nuser = "collector"\n'
    )
    assert collect_settings(short, "a") == whole
    assert whole.shared_filters == [
        f"$share/historian/glaze-works/+/+/lab/v1/{kind}/+" for kind in ("result", "reportable", "signature", "curve")
    ]
    assert whole.status_filters == ["glaze-works/+/+/lab/v1/status"]


@pytest.mark.parametrize(
    ("old", "new", "key", "hint"),
    [
        ('"glaze-works/+/+"', '"glaze-works/#"', "topics[0]", "+ for any one"),
        ('"glaze-works/+/+"', '"glaze-works/lab/v1"', "topics[0]", "leave out 'lab/v1'"),
        ('["glaze-works/+/+"]', "[]", "topics", "entries"),
        ("window = 500", "window = 0", "window", "at least 1"),
        ('session = "7 d"', 'session = "1 s"', "session", "60 s"),
        ('host = "localhost"\n# port = 8883', 'host = "mqtt://x"\n# port = 8883', "broker.host", "without mqtt://"),
        ("[postgres]", '[postgres]\npassword = "secret-word"', "postgres.password", "not written into this file"),
        ("[broker]", '[broker]\nversion = "3.1.1"', "broker.version", "MQTT 5"),
        ("[broker]", '[broker]\nclient_id = "x"', "broker.client_id", "left out"),
        ("[gaps]", "[gaps]\nhistroy = true", "gaps.histroy", "history"),
    ],
)
def test_wrong_values_in_the_file_are_named(tmp_path, old, new, key, hint):
    text = EXAMPLE.read_text()
    assert old in text
    path = tmp_path / "collector.toml"
    path.write_text(text.replace(old, new, 1))
    with pytest.raises(SettingError) as caught:
        collect_settings(path, "a")
    text = str(caught.value)
    assert str(path) in text
    assert key in text
    assert hint in text
    assert "secret-word" not in text


def test_names_of_workers_and_places_of_the_file(tmp_path, monkeypatch, capsys):
    with pytest.raises(SettingError, match="cannot be a worker's name"):
        collect_settings(EXAMPLE, "a/b")
    assert collect_settings(EXAMPLE, None).worker
    monkeypatch.setenv("DAQ_CONFIG", str(tmp_path / "daemon.toml"))
    assert collector_file(None) == tmp_path / "collector.toml"
    assert collector_file(str(tmp_path)) == tmp_path / "collector.toml"
    assert collector_file(str(tmp_path / "other.toml")) == tmp_path / "other.toml"
    assert main(["collect", "--show"]) == 2
    assert sentences.NO_SUCH_FILE in capsys.readouterr().err


def test_without_the_library_it_says_what_to_install(tmp_path):
    (tmp_path / "psycopg.py").write_text("raise ImportError('not installed')\n")
    done = daq("collect", "--config", EXAMPLE, "--show", env={"PYTHONPATH": str(tmp_path)})
    assert done.returncode == 2
    assert "daq-daemon[collect]" in done.stderr
