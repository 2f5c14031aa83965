"""The embedded broker, and the fall-back to MQTT 3.1.1 that it needs."""

import asyncio
import logging

import aiomqtt
import pytest

from daq.adapters.mqtt.embedded_broker import EmbeddedBroker
from daq.adapters.mqtt.settings import MqttSettings
from daq.core.errors import LinkError
from tests.support.processes.mosquitto import TOPICS, eventually, fill, listening, publishing

pytestmark = pytest.mark.asyncio


async def test_results_reach_a_historian_over_3_1_1_and_the_status_names_its_limits(store):
    fill(store, [f"run-{i}" for i in range(30)], last=True)
    async with EmbeddedBroker() as broker, listening(broker.port, broker.passwords["historian"]) as historian:
        settings = MqttSettings(
            host=broker.host, port=broker.port, user="daq", password=broker.passwords["daq"], protocol="3.1.1"
        )
        async with publishing(store, settings) as publisher:
            await historian.until(lambda: len(historian.runs()) == 30)
            await eventually(lambda: publisher.state.delivered == 60)
            assert publisher.state.protocol == "3.1.1"
            assert publisher.state.most_in_flight <= 10
        assert historian.runs() == [f"run-{i}" for i in range(30)]
        status = next(p for t, p, _ in historian.received if t == TOPICS.status())
        assert status["mqtt"] == {"protocol": "3.1.1", "refusals_visible": False}
        assert "no way to refuse a message visibly" in status["note"]


async def test_offline_messages_wait_for_a_named_user(store):
    """Without user names the library keeps no sessions: 0 of 50 messages arrived.  Named users keep theirs."""
    fill(store, [f"run-{i}" for i in range(20)])
    async with EmbeddedBroker() as broker:
        who = {"password": broker.passwords["historian"], "identifier": "tower", "clean_session": False}
        async with listening(broker.port, topic=TOPICS.prefix + "/result/#", **who):
            pass
        async with publishing(store, broker.settings("daq")) as publisher:
            await eventually(lambda: publisher.state.delivered == 20)
        async with listening(broker.port, topic=TOPICS.prefix + "/result/#", **who) as historian:
            await historian.until(lambda: len(historian.runs()) == 20)


@pytest.mark.parametrize(
    ("user", "password"), [(None, None), ("daq", None), ("daq", "wrong"), ("nobody", "x"), ("", "")]
)
async def test_unknown_users_are_refused(user, password):
    async with EmbeddedBroker() as broker:
        client = aiomqtt.Client("127.0.0.1", broker.port, username=user, password=password, timeout=5)
        with pytest.raises(aiomqtt.MqttError):
            async with client:
                pass
        client._client._sock_close()
        client._misc_task.cancel()
        await asyncio.gather(client._misc_task, return_exceptions=True)


async def test_it_listens_on_this_machine_only_and_shows_no_password():
    async with EmbeddedBroker() as broker:
        assert broker.host == "127.0.0.1"
        assert broker.port > 0
        assert len(set(broker.passwords.values())) == 2
        assert min(len(p) for p in broker.passwords.values()) >= 16
        assert not any(p in repr(broker) for p in broker.passwords.values())


async def test_a_port_in_use_is_reported():
    async with EmbeddedBroker() as broker:
        with pytest.raises(LinkError, match=f"cannot listen on 127.0.0.1:{broker.port}"):
            await EmbeddedBroker(port=broker.port).start()


async def test_it_is_quiet_and_leaves_nothing_behind(caplog, capfd):
    before = asyncio.all_tasks()
    with caplog.at_level(logging.DEBUG):
        broker = EmbeddedBroker()
        await broker.start()
        async with listening(broker.port, broker.passwords["historian"]):
            await broker.stop()
        await broker.stop()
    assert [r for r in caplog.records if r.name.startswith(("amqtt", "transitions"))] == []
    assert capfd.readouterr().err == ""
    await eventually(lambda: asyncio.all_tasks() == before, 5)
