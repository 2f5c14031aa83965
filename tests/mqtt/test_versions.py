"""The choice of the MQTT version: only a broker that shows that it does not support MQTT 5 gets MQTT 3.1.1.

Packet layout and codes: OASIS MQTT 5, sections 3.1.2.2 (protocol version) and 3.2.2.2 (0x84, unsupported protocol
version); OASIS MQTT 3.1.1, section 3.2.2.3 (return code 1, unacceptable protocol version).
"""

import asyncio
import contextlib
import json
import os
import signal

import pytest
from structlog.testing import capture_logs

from daq.adapters.mqtt import versions
from daq.adapters.mqtt.connection import Will, connect
from daq.adapters.mqtt.settings import MqttSettings
from daq.adapters.mqtt.versions import SpokenVersion
from daq.adapters.outbox.broker_versions import BrokerVersions
from daq.core.errors import DaqError
from tests.support.processes.mosquitto import TOPICS, eventually, fill, needs_mosquitto, publishing
from tests.support.runs.stored import T0

pytestmark = pytest.mark.asyncio

WILLS = {v: Will("lab/v1/status", b"{}") for v in ("5", "3.1.1")}
ACCEPTS = {"5": bytes([0x20, 3, 0, 0, 0]), "3.1.1": bytes([0x20, 2, 0, 0])}
REFUSES_AS_5 = bytes([0x20, 3, 0, 0x84, 0])
REFUSES_AS_311 = bytes([0x20, 2, 0, 1])
CLOSES, SILENT = b"", None


class ScriptedBroker:
    """A broker that answers the CONNECT packets of a version in the order of a list; its last answer is repeated."""

    def __init__(self, **answers):
        self.answers = {"5": answers["five"], "3.1.1": answers["older"]}
        self.asked = []

    async def __aenter__(self):
        self.server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.port = self.server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *_):
        self.server.close()

    async def _serve(self, reader, writer):
        with contextlib.suppress(asyncio.IncompleteReadError, ConnectionError):
            await reader.readexactly(1)  # fixed header, then its length of one to four bytes
            while (await reader.readexactly(1))[0] & 0x80:
                pass
            # Length and text of the protocol name, version.
            version = {5: "5", 4: "3.1.1"}[(await reader.readexactly(7))[6]]
            answers = self.answers[version]
            answer = answers[min(self.asked.count(version), len(answers) - 1)]
            self.asked.append(version)
            if answer is not SILENT:
                writer.write(answer)
            if answer in ACCEPTS.values() or answer is SILENT:
                await reader.read()
        writer.close()

    async def connect(self, spoken=None):
        """Connect once; return the version, or None where no connection was made."""
        settings = MqttSettings(host="127.0.0.1", port=self.port, timeout_s=0.3)
        try:
            async with connect(settings, "daq-x", WILLS, spoken=spoken) as connection:
                return connection.version
        except DaqError:
            return None


FIVE, OLDER = ACCEPTS["5"], ACCEPTS["3.1.1"]
CASES = {
    # name: (answers to MQTT 5, answers to 3.1.1, version used, packets sent)
    "speaks both": ([FIVE], [OLDER], "5", ["5"]),
    "refuses with 0x84": ([REFUSES_AS_5], [OLDER], "3.1.1", ["5", "3.1.1"]),
    "refuses with code 1": ([REFUSES_AS_311], [OLDER], "3.1.1", ["5", "3.1.1"]),
    "wrong password": ([bytes([0x20, 3, 0, 0x86, 0])], [OLDER], None, ["5"]),
    "is not available": ([bytes([0x20, 3, 0, 0x88, 0])], [OLDER], None, ["5"]),
    "hangs": ([SILENT], [OLDER], None, ["5"]),
    "hangs, then speaks": ([SILENT, FIVE], [OLDER], None, ["5"]),
    "closes each time": ([CLOSES], [OLDER], "3.1.1", ["5", "3.1.1", "5", "3.1.1"]),
    "closed once at its start": ([CLOSES, FIVE], [OLDER], "5", ["5", "3.1.1", "5"]),
    "closes, then hangs": ([CLOSES, SILENT], [OLDER], None, ["5", "3.1.1", "5"]),
    "closes all": ([CLOSES], [CLOSES], None, ["5", "3.1.1"]),
    "closes, hangs with 3.1.1": ([CLOSES], [SILENT], None, ["5", "3.1.1"]),
}


@pytest.mark.parametrize("case", CASES)
async def test_only_a_broker_that_shows_it_lacks_mqtt_5_gets_3_1_1(case):
    five, older, version, asked = CASES[case]
    spoken = SpokenVersion()
    async with ScriptedBroker(five=five, older=older) as broker:
        assert await broker.connect(spoken) == version
        assert broker.asked == asked
    assert spoken.version == version
    assert bool(spoken.reason) == (version == "3.1.1")


async def test_a_closed_connection_is_no_sign_with_a_broker_that_spoke_mqtt_5():
    async with ScriptedBroker(five=[FIVE, CLOSES], older=[OLDER]) as broker:
        spoken = SpokenVersion()
        assert await broker.connect(spoken) == "5"
        assert await broker.connect(spoken) is None
        assert broker.asked == ["5", "5"]


async def test_an_old_broker_is_remembered_and_asked_again_after_a_day(monkeypatch):
    async with ScriptedBroker(five=[REFUSES_AS_5], older=[OLDER, OLDER, OLDER, REFUSES_AS_311]) as broker:
        spoken = SpokenVersion()
        assert [await broker.connect(spoken) for _ in range(2)] == ["3.1.1", "3.1.1"]
        assert broker.asked == ["5", "3.1.1", "3.1.1"]
        spoken.asked_s -= versions.ASK_AGAIN_S
        assert await broker.connect(spoken) == "3.1.1"
        assert broker.asked[3:] == ["5", "3.1.1"]
        broker.answers["5"] = [FIVE]  # it was renewed, and supports MQTT 5 only
        assert await broker.connect(spoken) == "5"
        assert broker.asked[5:] == ["3.1.1", "5"]
        assert spoken.reason == ""


async def test_a_fallback_is_logged_kept_in_a_file_and_shown(store):
    async with ScriptedBroker(five=[REFUSES_AS_5], older=[OLDER]) as broker:
        settings = MqttSettings(host="127.0.0.1", port=broker.port, timeout_s=0.3)
        with capture_logs() as logs:
            async with publishing(store, settings) as publisher:
                await eventually(lambda: publisher.state.fallback)
                assert "does not support MQTT 5" in publisher.state.broker_state.fallback
    warned = [entry for entry in logs if entry["event"] == "the broker does not support MQTT 5"]
    assert [entry["log_level"] for entry in warned] == ["warning"]
    kept = BrokerVersions(store.path.parent)
    assert kept.spoken(settings.place).version == "3.1.1"
    assert "since 2025-10-09" in str(kept.fallback(settings.place))
    assert kept.fallback("another:1883") is None


@pytest.mark.parametrize("text", ["", "[]", '{"a:1": 3}', '{"a:1": {"version": "4", "reason": "", "since": ""}}'])
async def test_a_damaged_file_of_brokers_means_that_none_is_known(tmp_path, text):
    (tmp_path / "brokers.json").write_text(text)
    known = BrokerVersions(tmp_path)
    assert known.spoken("a:1").version is None
    assert known.note("a:1", SpokenVersion("5"), T0)
    assert not known.note("a:1", SpokenVersion("5"), T0)
    assert json.loads((tmp_path / "brokers.json").read_text())["a:1"]["version"] == "5"


@needs_mosquitto
@pytest.mark.parametrize("frozen_s", [pytest.param(s, marks=pytest.mark.slow) for s in (2.5, 6.0)])
async def test_a_broker_that_freezes_is_connected_with_mqtt_5_again(store, broker, frozen_s):
    """Mosquitto is stopped by a signal, longer than several attempts to connect take."""
    fill(store, ["before"])
    async with publishing(store, broker.settings(timeout_s=0.6)) as publisher:
        await eventually(lambda: publisher.state.delivered == 1)
        for n in range(2):
            os.kill(broker.process.pid, signal.SIGSTOP)
            try:
                await asyncio.to_thread(fill, store, [f"frozen-{n}"])  # its acknowledgement does not arrive
                publisher.wake()
                await eventually(lambda: not publisher.state.connected)
                await asyncio.sleep(frozen_s)
            finally:
                os.kill(broker.process.pid, signal.SIGCONT)
            await eventually(lambda: publisher.state.connected)
            assert publisher.state.protocol == "5"
            assert publisher.state.fallback == ""
    log = (broker.folder / "mosquitto.log").read_text()
    connected = [line for line in log.splitlines() if "New client connected" in line and " as daq-" in line]
    assert len(connected) >= 3
    assert all("(p5," in line for line in connected)
    assert TOPICS.status() in log
