"""A running daemon sends results again: by command, and on request of a consumer."""

import json

import pytest

from tests.support.processes.historian import PREFIX, Historian
from tests.support.processes.laboratory import Daemon, eventually
from tests.support.processes.mosquitto import needs_mosquitto

pytestmark = pytest.mark.slow


@needs_mosquitto
def test_a_result_is_published_again_by_command_and_on_request(lab, broker):
    daemon = Daemon(lab)
    daemon.ready()
    with Historian(broker.port) as historian:
        eventually(lambda: historian.status() == "online", what="birth")
        result = daemon.run().until("outcome")["result_id"]

        def copies():
            return [p for topic, p, _ in list(historian.got) if topic == f"{PREFIX}/result/bench-1"]

        eventually(lambda: len(copies()) == 1, what="delivery")
        eventually(lambda: daemon.status()["outbox"]["waiting"] == 0, what="acknowledgement")
        shown = len(historian.on("last/bench-1"))

        done = lab.daq("resend", "--instrument", "bench-1", "--from", "1", "--to", "1")
        # The result, and the reportable result that is made of it.
        assert (done.returncode, done.stdout) == (0, "2 messages put into the outbox again; they go out now\n")
        eventually(lambda: len(copies()) == 2, what="the repeated message")
        eventually(lambda: daemon.status()["outbox"]["waiting"] == 0, what="acknowledgement")
        assert ("messages_sent_again", "bench-1") in lab.audited()

        source = json.loads(copies()[0])["source"]
        wanted = {"source": source, "stream": "bench-1", "first": 1, "last": 1}
        historian._client.publish(f"{PREFIX}/refill", json.dumps(wanted), qos=1)
        eventually(lambda: len(copies()) == 3, what="refill")
        assert set(copies()) == {copies()[0]}
        assert json.loads(copies()[0])["id"] == result
        assert len(historian.on("last/bench-1")) == shown

        # Status holds the last sequence of each stream and the state of each instrument.
        eventually(lambda: historian.on("status")[-1]["sequences"] == {"bench-1": 1}, 15, "sequences in status")
        status = historian.on("status")[-1]
        assert status["instruments"] == {"bench-1": "ready"}
        assert status["source"] == source
        assert status["versions"]["daq"]

        printed = lab.daq("outbox")
        assert printed.returncode == 0
        assert "nothing waits for the broker" in printed.stdout
        assert "connected (MQTT 5), 0 on their way" in printed.stdout
        refused = lab.daq("resend", "--instrument", "bench-1", "--from", "2", "--to", "1")
        assert refused.returncode == 2
    assert daemon.stop() == 0
