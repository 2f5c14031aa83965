"""The example access rules in a real Mosquitto: each user can write and read only its topics."""

import time
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest

from tests.support.processes.mosquitto import PASSWORD, Mosquitto, needs_mosquitto

pytestmark = needs_mosquitto

RULES = (Path(__file__).parents[2] / "config" / "mosquitto" / "daq.acl").read_text()
PREFIX = "glaze-works/kiln-street/quality/lab/v1"
NOT_AUTHORIZED = 0x87
"""MQTT 5, section 3.4.2.1."""


@pytest.fixture(scope="module")
def broker(tmp_path_factory):
    made = Mosquitto(tmp_path_factory.mktemp("broker"), acl=RULES).start()
    yield made
    made.stop()


class Client:
    """An MQTT 5 client that records the broker's answers and messages."""

    def __init__(self, broker, user):
        self.answers: dict[int, int] = {}
        self.got: list[str] = []
        self.subscribed = False
        self.client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id=f"rules-{user}", protocol=mqtt.MQTTv5)
        self.client.username_pw_set(user, PASSWORD)
        self.client.on_publish = lambda _c, _u, mid, code, _p: self.answers.__setitem__(mid, code.value)
        self.client.on_message = lambda _c, _u, message: self.got.append(message.topic)
        self.client.on_subscribe = lambda *_: setattr(self, "subscribed", True)
        self.client.connect("127.0.0.1", broker.port)
        self.client.loop_start()

    def publish(self, topic):
        info = self.client.publish(topic, b"{}", qos=1)
        wait(lambda: info.mid in self.answers)
        return self.answers[info.mid]

    def close(self):
        self.client.disconnect()
        self.client.loop_stop()


def wait(condition):
    end = time.monotonic() + 30
    while not condition():
        assert time.monotonic() < end
        time.sleep(0.01)


@pytest.fixture
def clients(broker):
    made = [Client(broker, "daq"), Client(broker, "historian")]
    yield made
    for client in made:
        client.close()


def test_the_daemon_writes_its_own_topics_and_the_historian_only_requests(clients):
    daemon, historian = clients
    own = [f"{PREFIX}/{t}/bench-1" for t in ("result", "flat", "last", "live", "curve")]
    own += [f"{PREFIX}/status", f"{PREFIX}/schema/result/1", "spBv1.0/glaze-works/DDATA/kiln-street/bench-1"]
    assert [topic for topic in own if daemon.publish(topic) >= 0x80] == []
    others = ["glaze-works/other-street/quality/lab/v1/result/bench-1", "anything", "spBv1.0/STATE/tower"]
    assert {daemon.publish(topic) for topic in others} == {NOT_AUTHORIZED}
    assert historian.publish(f"{PREFIX}/refill") < 0x80
    assert {historian.publish(topic) for topic in own} == {NOT_AUTHORIZED}


def test_the_historian_reads_results_and_the_daemon_only_requests(clients):
    daemon, historian = clients
    for client in clients:
        client.client.subscribe(f"{PREFIX}/#", qos=1)
        wait(lambda client=client: client.subscribed)
    daemon.publish(f"{PREFIX}/result/bench-1")
    wait(lambda: f"{PREFIX}/result/bench-1" in historian.got)
    historian.publish(f"{PREFIX}/refill")
    wait(lambda: f"{PREFIX}/refill" in historian.got and f"{PREFIX}/refill" in daemon.got)
    assert set(daemon.got) == {f"{PREFIX}/refill"}
