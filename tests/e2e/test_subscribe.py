"""The subscriber's page: its commands, its program and its queries run unchanged."""

import json
import os
import re
import sqlite3
import subprocess
import sys
from pathlib import Path

import paho.mqtt.publish
import pytest

from tests.support.processes.laboratory import Daemon, eventually
from tests.support.processes.mosquitto import PASSWORD, needs_mosquitto

pytestmark = pytest.mark.slow

PAGE = (Path(__file__).parents[2] / "config/SUBSCRIBE.md").read_text()
PAGE = PAGE.partition("<!-- subscribe: begin -->")[2].partition("<!-- subscribe: end -->")[0]
BLOCKS = re.findall(r"```(\w+)\n(.*?)```", PAGE, re.DOTALL)


def block(kind, number=0):
    return [text for found, text in BLOCKS if found == kind][number]


@needs_mosquitto
def test_the_page_runs_unchanged(make_lab, tmp_path):
    lab = make_lab()
    broker = lab.start_broker()
    environment = os.environ | {"BROKER_PASSWORD": PASSWORD}
    (tmp_path / "subscribe.py").write_text(block("python"))
    words = block("sh", 1).replace("localhost 1883", f"127.0.0.1 {broker.port}").split()
    consumer = subprocess.Popen([sys.executable, *words[1:]], cwd=tmp_path, env=environment)
    results = tmp_path / "results.db"

    def rows(query="SELECT event FROM results"):
        with sqlite3.connect(results) as db:
            return db.execute(query).fetchall()

    try:
        eventually(results.exists, what="the consumer")
        Daemon(lab).ready()
        for sample in ("S-1", "S-2", "S-3"):
            done = lab.daq("run", "short", "--instrument", "bench-1", "--sample", sample, "--plain")
            assert done.returncode in (0, 11), done.stdout + done.stderr  # on a busy machine readings may be missing
        eventually(lambda: results.stat().st_size and len(rows()) == 3, what="three results")
        # The same messages again, as after a loss: the table does not change.
        (again,) = rows("SELECT event FROM results WHERE sample = 'S-2'")[0]
        paho.mqtt.publish.single(
            "works/lab/v1/result/bench-1", again, 1, hostname="127.0.0.1", port=broker.port,
            auth={"username": "daq", "password": PASSWORD},
        )  # fmt: skip
        shown = subprocess.run(
            ["sh", "-c", block("sh").replace("-h localhost", f"-h 127.0.0.1 -p {broker.port}")],
            env=environment, capture_output=True, text=True, check=True, timeout=60,
        ).stdout  # fmt: skip
        topic, _, payload = shown.partition(" ")
        assert (topic, json.loads(payload)["data"]["sample"]["id"]) == ("works/lab/v1/last/bench-1", "S-3")
        valid, missing = (q for q in block("sql").split(";") if q.strip())
        kept = rows("SELECT sample, validity FROM results ORDER BY sequence")
        assert [sample for sample, _ in kept] == ["S-1", "S-2", "S-3"]
        assert [row[2] for row in rows(valid)] == [sample for sample, validity in kept if validity == "valid"]
        assert rows(missing) == []
        with sqlite3.connect(results) as db:
            db.execute("DELETE FROM results WHERE sample = 'S-2'")
        assert [row[1:] for row in rows(missing)] == [("bench-1", 2)]
    finally:
        consumer.kill()
        consumer.wait()
