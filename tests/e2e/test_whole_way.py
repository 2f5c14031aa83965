"""From the serial line to a subscriber of a broker, and the ways to start, stop and lose a run."""

import json
import signal
import stat

import jsonschema
import pytest

from daq.adapters.paths import socket_path
from tests.support.processes.historian import Historian
from tests.support.processes.laboratory import Daemon, eventually
from tests.support.processes.mosquitto import needs_mosquitto

pytestmark = pytest.mark.slow

SCHEMA = "schema/result/1"


@needs_mosquitto
def test_a_result_reaches_the_historian_as_it_is_stored(make_lab):
    lab = make_lab(companion=True)
    with Historian(lab.start_broker().port) as historian:
        daemon = Daemon(lab)
        eventually(lambda: historian.status() == "online", what="online")
        daemon.ready()
        done = lab.daq("run", "short", "--instrument", "bench-1", "--sample", "S-17", "--plain")
        assert done.returncode == 0, done.stdout + done.stderr
        (event,) = eventually(lambda: historian.on("result/bench-1"))

        # The payload is valid under the schema published with it (JSON Schema, draft 2020-12).
        (schema,) = [p for t, p, _ in historian.got if "/schema/result/" in t]
        jsonschema.Draft202012Validator.check_schema(json.loads(schema))
        jsonschema.validate(event["data"], json.loads(schema))
        # CloudEvents 1.0, section "Required attributes".
        assert event["specversion"] == "1.0"
        assert {"id", "source", "type"} <= event.keys()

        with lab.reader() as reader:
            (result,) = reader.all_results()
            (run,) = reader.runs()
        assert event["data"] == json.loads(result.data)
        assert event["id"] == result.id
        assert int(event["sequence"]) == result.sequence
        assert run.companions == ("thermo-1",)
        assert (run.outcome, run.motor) == ("complete", "still")
        assert event["data"]["simulated"] is True
        # The simulated fluid is 483.2 mPa.s at 25 Cel by its own definition; torque 1 % of full scale at half of it,
        # geometry 0.5 %, speed 0.1 % by the stated specification of the simulated instrument: within 3 %.
        assert event["data"]["value"] == pytest.approx(483.2, rel=0.03)
        assert "S-17" in done.stdout

        with Historian(lab.broker.port, "late") as late:
            (last,) = eventually(lambda: [m for m in late.got if m[0].endswith("last/bench-1")])
            assert last[2], "last/ is retained"
            assert json.loads(last[1]) == event

        control = socket_path(lab.state)
        assert stat.S_IMODE(control.stat().st_mode) == 0o600

        second = lab.daq("serve")
        assert second.returncode == 13
        assert str(daemon.process.pid) in second.stderr
        assert "Traceback" not in second.stderr

        daemon.kill()
        eventually(lambda: historian.status() == "offline", what="the will")


@needs_mosquitto
def test_a_run_without_a_daemon_is_delivered_before_it_ends(lab, broker):
    with Historian(broker.port) as historian:
        done = lab.daq("run", "short", "--instrument", "bench-1", "--sample", "S-2", "--plain")
        assert done.returncode == 0, done.stdout + done.stderr
        eventually(lambda: historian.on("result/bench-1"))
        assert historian.status() == "offline"
    with lab.reader() as reader:
        assert reader.outbox_depth().waiting == 0
    assert not lab.bench.turning


def test_ctrl_c_stops_the_run_through_the_daemon(lab):
    daemon = Daemon(lab)
    daemon.ready()
    client = lab.start("run", "long", "--instrument", "bench-1", "--sample", "S-3", "--plain")
    eventually(lambda: daemon.status()["runs"].get("bench-1", {}).get("state") == "measuring", what="measuring")
    client.send_signal(signal.SIGINT)
    out, _ = client.communicate(timeout=20)
    assert client.returncode == 12, out
    with lab.reader() as reader:
        (run,) = reader.runs()
        assert (run.outcome, run.motor, run.state) == ("stopped", "still", "ended")
        assert len(reader.results(run.id)) == 1
    assert lab.result(run.id)["value"] is None
    assert daemon.process.poll() is None
    assert not lab.bench.turning


def test_ctrl_c_stops_the_run_without_a_daemon(lab):
    client = lab.start("run", "long", "--instrument", "bench-1", "--sample", "S-3", "--plain")
    eventually(lambda: lab.bench.turning, what="turning")
    client.send_signal(signal.SIGINT)
    out, _ = client.communicate(timeout=20)
    assert client.returncode == 12, out
    assert not lab.bench.turning


def test_a_lost_client_stops_nothing_and_daq_stop_does(lab):
    daemon = Daemon(lab)
    daemon.ready()
    client = lab.start("run", "short", "--instrument", "bench-1", "--sample", "S-4", "--plain")
    eventually(lambda: daemon.status()["runs"].get("bench-1"), what="the run")
    client.kill()
    eventually(lambda: not daemon.status()["runs"], what="the end of the run")
    with lab.reader() as reader:
        (run,) = reader.runs()
    assert run.outcome == "complete"

    call = daemon.run("long", sample="S-5")
    call.state("measuring")
    refused = daemon.ask("run", method_id="short", instrument="bench-1", sample="S-6").next()
    assert "S-5" in refused["error"]
    stopped = lab.daq("stop", "bench-1")
    assert (stopped.returncode, stopped.stdout.strip()) == (0, "stopping"), call.until("outcome")
    outcome = call.until("outcome")
    assert (outcome["outcome"], outcome["motor"]) == ("stopped", "still")


def test_two_runs_cannot_start_at_once(lab):
    daemon = Daemon(lab)
    daemon.ready()
    calls = [daemon.ask("run", method_id="short", instrument="bench-1", sample=f"S-{n}") for n in range(4)]
    first = [call.next() for call in calls]
    assert sum("started" in answer for answer in first) == 1, first
    (accepted,) = [call for call, answer in zip(calls, first, strict=True) if "started" in answer]
    assert accepted.until("outcome")["outcome"] == "complete"
    with lab.reader() as reader:
        assert len(reader.runs()) == 1
        assert reader.unfinished_runs() == []


def test_a_stop_immediately_after_the_start_is_not_lost(lab):
    daemon = Daemon(lab)
    daemon.ready()
    call = daemon.run("long")
    daemon.stop_run()
    outcome = call.until("outcome")
    assert outcome["outcome"] == "stopped"
    assert lab.result(outcome["run"])["value"] is None
