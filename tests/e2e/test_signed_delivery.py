"""Signatures and reportable results on their way: each message once by its id, also after kills of the daemon."""

import json

import pytest

from tests.support.processes.historian import Historian
from tests.support.processes.laboratory import Daemon, eventually
from tests.support.processes.mosquitto import needs_mosquitto

pytestmark = [pytest.mark.slow, pytest.mark.timeout(480), needs_mosquitto]

PASSWORD = "a new glaze"  # noqa: S105 - invented


def done(lab, *words):
    """Run a command that must succeed, and return its output."""
    found = lab.daq(*words, seconds=180)
    assert found.returncode in (0, 10, 11), found.stdout + found.stderr
    return found.stdout


def test_each_signature_arrives_once_although_the_daemon_is_killed(lab, broker, tmp_path):
    secret = tmp_path / "secret"
    secret.write_text(PASSWORD)
    file = str(secret)
    done(lab, "person", "add", "c.head", "--role", "administer", "--password-file", file)
    reviewer = ("--as", "a.novak", "--as-password-file", file)
    done(
        lab,
        "person",
        "add",
        "a.novak",
        "--role",
        "review",
        "--password-file",
        file,
        "--as",
        "c.head",
        "--as-password-file",
        file,
    )
    daemon = Daemon(lab)
    daemon.ready()
    with Historian(broker.port) as historian:
        for sample in ("S-1", "S-2"):
            done(lab, "run", "short", "--instrument", "bench-1", "--sample", sample, "--plain")
        eventually(lambda: len(historian.on("reportable/bench-1")) == 2)
        done(lab, "sign", "--since", "2000-01-01", "--meaning", "reviewed", *reviewer)
        daemon.kill()
        refused = lab.daq("sign", "S-1", "--meaning", "released", *reviewer, seconds=180)
        assert refused.returncode == 2
        assert "simulated instrument" in refused.stdout + refused.stderr
        # Without a daemon the messages wait in the outbox for its next start.
        done(lab, "sign", "S-1/short", "--meaning", "rejected", "--because", "a bubble", *reviewer)
        done(lab, "correct", "S-1", "--lot", "L7", "--because", "label")
        daemon = Daemon(lab)
        daemon.ready()
        daemon.kill()
        daemon = Daemon(lab)
        daemon.ready()
        eventually(lambda: len({e["id"] for e in historian.on("signature/bench-1")}) == 4)
        eventually(lambda: len({e["id"] for e in historian.on("reportable/bench-1")}) == 3)
        assert daemon.stop() == 0
        signatures = {e["id"]: e for e in historian.on("signature/bench-1")}
        reportables = {e["id"]: e for e in historian.on("reportable/bench-1")}
    stated = sorted((e["data"]["meaning"], e["data"]["state"]) for e in signatures.values())
    assert stated == [
        ("rejected", "in_force"), ("reviewed", "in_force"), ("reviewed", "in_force"), ("reviewed", "withdrawn"),
    ]  # fmt: skip
    assert sorted((e["data"]["sample"], e["data"]["revision"]) for e in reportables.values()) == [
        ("S-1", 1), ("S-1", 2), ("S-2", 1),
    ]  # fmt: skip
    # The outbox has each once.
    with lab.reader() as reader:
        sql = "SELECT id, payload FROM outbox WHERE topic LIKE '%/signature/%' OR topic LIKE '%/reportable/%'"
        rows = reader.query(sql)
    assert {row["id"]: json.loads(row["payload"]) for row in rows} == signatures | reportables
    assert len(rows) == 7
    assert lab.daq("verify").returncode == 0
    shown = done(lab, "show", "S-1")
    assert "reviewed; withdrawn" in shown
