"""A broker that is lost or refuses messages: no result is lost, and every refusal is reported."""

import json

import pytest

from tests.support.processes.historian import PREFIX, Historian
from tests.support.processes.laboratory import Daemon, eventually
from tests.support.processes.mosquitto import needs_mosquitto

pytestmark = pytest.mark.slow

AWAY = 5
"""Number of runs while the broker is away."""

ALL_BUT_RESULTS = f"""
user daq
topic write {PREFIX}/status
topic write {PREFIX}/schema/#
topic write {PREFIX}/last/#
topic write {PREFIX}/reportable/#
user historian
topic read #
"""


@needs_mosquitto
def test_a_broker_away_for_a_minute_loses_nothing(lab, broker):
    """A minute of the laboratory's (scaled) time; five runs of 12 s and more end while the broker is away."""
    daemon = Daemon(lab)
    daemon.ready()
    eventually(lambda: daemon.status()["broker"]["connected"], what="connection")
    with Historian(broker.port) as historian:
        daemon.run(sample="before").until("outcome")
        eventually(lambda: len(historian.on("result/bench-1")) == 1)
        # Each message of the first run is acknowledged: its result, the retained copy and the reportable result.
        eventually(lambda: daemon.status()["outbox"]["waiting"] == 0, what="all acknowledged")

        broker.kill()
        eventually(lambda: not daemon.status()["broker"]["connected"], what="notice")
        ids = [daemon.run(sample=f"away-{n}").until("outcome")["result_id"] for n in range(AWAY)]
        with lab.reader() as reader:
            away = [r for r in reader.runs() if r.sample.startswith("away")]
            assert max(r.ended_utc_ns for r in away) - min(r.began_utc_ns for r in away) > 60e9
            # Result, retained copy and reportable result of each run.
            assert reader.outbox_depth().waiting == 3 * AWAY
        assert daemon.status()["broker"]["trouble"]

        broker.start()
        eventually(lambda: len({e["id"] for e in historian.on("result/bench-1")}) == 1 + AWAY, 20, "delivery")
        eventually(lambda: daemon.status()["outbox"]["waiting"] == 0, what="all acknowledged")
        # Messages acknowledged shortly before the loss are sent once more, identical to the last byte.
        events = list({(e["source"], e["id"]): e for e in historian.on("result/bench-1")}.values())
        assert [e["data"]["sample"]["id"] for e in events] == ["before", *(f"away-{n}" for n in range(AWAY))]
        assert [e["id"] for e in events][1:] == ids
        assert [int(e["sequence"]) for e in events] == [*range(1, 2 + AWAY)]
        assert {e["id"] for e in historian.on("result/bench-1")} == {e["id"] for e in events}
    assert daemon.stop() == 0


@needs_mosquitto
def test_a_result_that_the_broker_refuses_is_kept_and_reported(lab):
    """An access rule of the broker forbids results: on MQTT 5 the refusal is seen."""
    broker = lab.start_broker(acl=ALL_BUT_RESULTS)
    daemon = Daemon(lab)
    daemon.ready()
    with Historian(broker.port) as historian:
        result = daemon.run().until("outcome")["result_id"]
        eventually(lambda: daemon.status()["outbox"]["refused"] == 1, what="refusal")
        (named,) = daemon.status()["outbox"]["first_refused"]
        assert named["id"] == result
        assert named["topic"] == f"{PREFIX}/result/bench-1"
        assert named["reason"]
        doctor = lab.daq("doctor")
        assert doctor.returncode != 0
        assert f"{PREFIX}/result/bench-1" in doctor.stdout
        eventually(lambda: historian.on("last/bench-1"), what="the topics that are not forbidden")
        assert historian.on("result/bench-1") == []

        broker.acl = ALL_BUT_RESULTS.replace("last/#", "#")
        assert daemon.stop() == 0
        broker.kill()
        before = historian.subscriptions
        broker.start()
        eventually(lambda: historian.subscriptions > before, what="return of the historian")
        # After a restart, refused messages are sent again at once.
        daemon = Daemon(lab)
        (event,) = eventually(lambda: historian.on("result/bench-1"), what="delivery after the rule was changed")
        assert event["id"] == result
        with lab.reader() as reader:
            (stored,) = reader.messages(result)[:1]
        assert json.loads(stored.payload) == event
