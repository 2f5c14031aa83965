"""A release through processes: instrument on a pseudo-terminal, daemon, people with passwords, broker, certificate.

The file of the instrument does not say that it is simulated, so the daemon sees a serial line with another process at
its other end, as it sees any instrument.
"""

import json

import pytest

from daq.process.logins import own_login
from tests.support.processes.historian import Historian
from tests.support.processes.laboratory import Daemon, Lab, Simulators, eventually
from tests.support.processes.mosquitto import needs_mosquitto

pytestmark = [pytest.mark.slow, pytest.mark.timeout(480), needs_mosquitto]

PASSWORD = "a new glaze"  # noqa: S105 - invented
PACE = 3.0
"""Simulated seconds per real second."""
MOST_RUNS = 6
LOADED = {"readings_missing", "identity_unknown"}
"""Reasons that a machine with a high load makes."""
EXIT_WITHDRAWN = 10


@pytest.fixture(scope="module")
def simulators(tmp_path_factory):
    started = Simulators(tmp_path_factory.mktemp("simulators"), scale=PACE)
    yield started
    started.stop()


@pytest.fixture
def lab(tmp_path, simulators):
    made = Lab(tmp_path, simulators, marked=False)
    made.start_broker()
    with (made.config / "daemon.toml").open("a", encoding="utf-8") as file:
        file.write("[people]\nrequired = true\n")
    yield made
    made.close()
    simulators.reset()


def done(lab, *words, codes=(0,)):
    """Run a command that must succeed, and return its output."""
    found = lab.daq(*words, seconds=180)
    assert found.returncode in codes, found.stdout + found.stderr
    return found.stdout


def measured(lab):
    """Return the first run whose result is Good: on a busy machine readings can be missing."""
    for number in range(1, MOST_RUNS + 1):
        sample = f"S-{number}"
        done(lab, "run", "short", "--instrument", "bench-1", "--sample", sample, "--plain", codes=(0, 11))
        with lab.reader() as reader:
            stored = reader.all_results()[-1]
        result = json.loads(stored.data)
        if result["quality"] == "Good":
            assert result["simulated"] is False
            return stored.run
        assert {reason["code"] for reason in result["reasons"]} <= LOADED, result["reasons"]
    raise AssertionError(f"readings were missing in {MOST_RUNS} runs")


def test_a_release_arrives_once_across_a_kill_and_a_correction_withdraws_it_and_its_certificate(lab, tmp_path):
    secret = tmp_path / "secret"
    secret.write_text(PASSWORD)
    with_password = ("--password-file", str(secret))
    reviewer = ("--as", "a.novak", "--as-password-file", str(secret))
    # The first one measures, by the login; another person reviews, by a password.
    done(lab, "person", "add", "c.head", "--role", "administer", "--login", own_login(), *with_password)
    done(lab, "person", "add", "a.novak", "--role", "review", *with_password)
    done(lab, "person", "authorise", "c.head", "short")
    daemon = Daemon(lab)
    daemon.ready()
    with Historian(lab.broker.port) as historian:
        stated = lambda: {  # noqa: E731
            e["id"]: (e["data"]["meaning"], e["data"]["state"]) for e in historian.on("signature/bench-1")
        }
        run = measured(lab)
        for meaning in ("reviewed", "released"):
            done(lab, "sign", run, "--meaning", meaning, *reviewer)
        # The messages are committed with the signatures; the daemon has no time to end in order.
        daemon.kill()
        daemon = Daemon(lab)
        daemon.ready()
        eventually(lambda: len(stated()) == 2, what="two signatures")
        assert sorted(stated().values()) == [("released", "in_force"), ("reviewed", "in_force")]
        pdf = tmp_path / "certificate.pdf"
        done(lab, "report", run, "--certificate", "-o", str(pdf), *reviewer)
        assert "WITHDRAWN" not in done(lab, "trace", str(pdf))
        done(lab, "correct", run, "--lot", "L7", "--because", "label", *reviewer)
        withdrawn = {("released", "withdrawn"), ("reviewed", "withdrawn")}
        eventually(lambda: withdrawn <= set(stated().values()), what="the withdrawal")
        traced = done(lab, "trace", str(pdf), codes=(EXIT_WITHDRAWN,))
        assert traced.startswith("WITHDRAWN on "), traced
        assert "label" in traced
        assert daemon.stop() == 0
        arrived = historian.on("signature/bench-1")
    # A message can arrive again after a kill, as the same message: the subscriber has each once by its id.
    by_id = {e["id"]: e for e in arrived}
    assert all(by_id[e["id"]] == e for e in arrived)
    with lab.reader() as reader:
        rows = reader.query("SELECT id, payload FROM outbox WHERE topic LIKE '%/signature/%'")
    assert {row["id"]: json.loads(row["payload"]) for row in rows} == by_id
    assert len(rows) == len(by_id) == 4
    assert lab.daq("verify").returncode == 0
