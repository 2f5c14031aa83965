"""The link against a real Mosquitto, watched by the strict host."""

import asyncio
import contextlib
import json
import os
import signal

import aiomqtt
import pytest

from daq.adapters.paths import examples_dir
from daq.adapters.sparkplug.encode import payload
from daq.adapters.sparkplug.memory import Position
from daq.adapters.sparkplug.metrics import DataType, Metric
from daq.adapters.sparkplug.phase import Phase
from daq.adapters.sparkplug.state import REBIRTH, REBIRTH_EVERY_NS
from tests.support.processes.mosquitto import PASSWORD, Mosquitto, eventually, needs_mosquitto
from tests.support.sparkplug.link import COMMANDS, AdvancedClock, Cable, Content, linked, watching

pytestmark = [pytest.mark.asyncio, needs_mosquitto]

ASK = payload((Metric(REBIRTH, DataType.BOOLEAN, True, 1),), 1, None, birth=True)


@pytest.fixture
def broker(tmp_path):
    folder = tmp_path / "broker"
    folder.mkdir()
    running = Mosquitto(folder).start()
    yield running
    running.stop()


@pytest.mark.slow
@pytest.mark.parametrize("aliases", [False, True])
@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
async def test_births_changes_results_and_a_farewell(tmp_path, broker, aliases, protocol):
    content = Content({"bench-1": "ready", "bench-2": "ready"})
    async with watching(broker.port, aliases=aliases) as watcher:
        host = watcher.host
        async with linked(tmp_path, broker.settings(protocol=protocol), content, aliases=aliases) as link:
            await watcher.until(lambda: set(host.devices) == {"bench-1", "bench-2"})
            assert host.log == ["NBIRTH", "DBIRTH", "DBIRTH"]
            assert host.devices["bench-1"].values["result/id"] is None
            content.add("bench-1", 2)
            content.add("bench-2")
            link.wake()
            await watcher.until(lambda: len(host.results) == 3)
            assert watcher.ids(historical=False) == ["bench-1/1", "bench-1/2", "bench-2/3"]
            content.states["bench-1"] = "in_run"
            await watcher.until(lambda: host.devices["bench-1"].values["instrument/state"] == "in_run")
            del content.states["bench-2"]
            await watcher.until(lambda: "bench-2" not in host.devices)
            content.add("bench-2")
            content.add("bench-1")
            await watcher.until(lambda: watcher.ids()[-1] == "bench-1/5")
            assert "bench-2/4" not in watcher.ids(), "data of a device that is not alive"
            content.states["bench-2"] = "ready"
            await watcher.until(lambda: "bench-2/4" in watcher.ids())
            assert watcher.ids(historical=True) == ["bench-2/4"]
            assert host.devices["bench-2"].values["result/id"] == "bench-2/4"
            assert link.state.protocol == protocol
        # With MQTT 5 the DISCONNECT demands the will too (payloads-ndeath-will-message-publisher-disconnect-mqtt50).
        deaths = 2 if protocol == "5" else 1
        await watcher.until(lambda: host.log[-1] == "NDEATH" and host.log.count("NDEATH") == deaths)
        assert not host.alive
    assert link.state.results == 5
    assert link.state.late == 1


async def test_results_made_while_away_come_late_and_in_order(tmp_path, broker):
    content = Content()
    async with watching(broker.port) as watcher:
        host = watcher.host
        async with linked(tmp_path, broker.settings(), content) as link:
            await watcher.until(lambda: host.devices)
            content.add()
            await watcher.until(lambda: watcher.ids(historical=False) == ["bench-1/1"])
        first = host.bd_seq
        content.add(count=120)
        async with linked(tmp_path, broker.settings(), content) as link:
            await watcher.until(lambda: len(watcher.ids()) == 121)
            assert host.devices["bench-1"].values["result/id"] == "bench-1/121"
            content.add()
            link.wake()
            await watcher.until(lambda: len(watcher.ids()) == 122)
        assert watcher.ids() == [f"bench-1/{n}" for n in range(1, 123)]
        assert watcher.ids(historical=True) == [f"bench-1/{n}" for n in range(2, 122)]
        assert host.bd_seq == first + 1
    assert json.loads((tmp_path / "sparkplug.json").read_text())["sent"] == {"bench-1": 122}


async def test_with_nothing_to_remember_only_the_newest_result_is_shown(tmp_path, broker):
    content = Content()
    content.add(count=30)
    async with watching(broker.port) as watcher:
        async with linked(
            tmp_path, broker.settings(), content, position=Position("db-1", 1, {"bench-1": 30}, {})
        ) as link:
            await watcher.until(lambda: watcher.host.alive and watcher.host.devices)
            assert watcher.host.devices["bench-1"].values["result/id"] == "bench-1/30"
            content.add()
            link.wake()
            await watcher.until(watcher.ids)
        assert watcher.ids() == ["bench-1/31"]


async def test_a_line_that_breaks_has_the_broker_publish_the_death(tmp_path, broker):
    content = Content()
    async with watching(broker.port) as watcher, Cable(broker.port) as cable:
        host = watcher.host
        async with linked(tmp_path, broker.settings(port=cable.port), content) as link:
            await watcher.until(lambda: host.alive and host.devices)
            first = host.bd_seq
            content.add()
            link.wake()
            await watcher.until(watcher.ids)
            cable.cut()
            await watcher.until(lambda: host.births == 2 and host.devices)
            assert host.log.count("NDEATH") == 1
            assert host.bd_seq == first + 1
            # A broker that had died would have lost its last messages: they are sent once more.
            await watcher.until(lambda: watcher.ids(historical=True) == ["bench-1/1"])
            assert watcher.ids(historical=False) == ["bench-1/1"]
    async with aiomqtt.Client("127.0.0.1", broker.port, username="historian", password=PASSWORD) as late:
        await late.subscribe("spBv1.0/#", qos=1)
        await late.publish("spBv1.0/end", b"", qos=1)
        assert (await anext(late.messages)).topic.value == "spBv1.0/end", "the broker kept a birth or a death"


async def test_a_rebirth_is_done_when_asked_and_not_too_often(tmp_path, broker):
    clock, content = AdvancedClock(), Content()
    content.add()
    async with watching(broker.port) as watcher:
        host = watcher.host
        async with linked(tmp_path, broker.settings(), content, clock=clock) as link:
            await watcher.until(lambda: watcher.ids() == ["bench-1/1"])
            clock.ahead += REBIRTH_EVERY_NS
            await watcher.ask(ASK)
            await watcher.until(lambda: host.births == 2)
            await watcher.until(lambda: len(watcher.ids()) == 2)
            assert watcher.ids(historical=True) == ["bench-1/1", "bench-1/1"], "what was sent lately, once more"
            for _ in range(50):
                await watcher.ask(ASK)
            await watcher.ask(b"\x00nonsense")
            await eventually(lambda: link.node.ignored.commands == 1)
            content.add()
            link.wake()
            await asyncio.sleep(0.3)
            assert (host.births, watcher.ids()[-1]) == (2, "bench-1/1"), "data before the requested births"
            clock.ahead += REBIRTH_EVERY_NS
            await watcher.until(lambda: host.births == 3)
            await watcher.until(lambda: watcher.ids()[-1] == "bench-1/2")
            assert link.node.rebirths == 2
            assert host.log.count("NDEATH") == 0


async def test_a_command_the_broker_kept_is_not_followed(tmp_path, broker):
    clock, content = AdvancedClock(), Content()
    async with watching(broker.port) as watcher:
        await watcher.ask(ASK, retain=True)
        clock.ahead = 10 * REBIRTH_EVERY_NS
        async with linked(tmp_path, broker.settings(), content, clock=clock) as link:
            await watcher.until(lambda: watcher.host.alive)
            clock.ahead += 10 * REBIRTH_EVERY_NS
            content.add()
            link.wake()
            await watcher.until(watcher.ids)
            assert watcher.host.births == 1
        await watcher.client.publish(COMMANDS, b"", retain=True)


async def test_births_wait_for_the_primary_host_and_end_with_it(tmp_path, broker):
    content = Content()
    async with watching(broker.port) as watcher:
        host = watcher.host
        async with linked(tmp_path, broker.settings(), content, host="tower") as link:
            await eventually(lambda: link.node.phase is Phase.WAITING)
            await watcher.client.publish("spBv1.0/STATE/tower", b"ONLINE", qos=1)
            await eventually(lambda: link.node.ignored.states == 1)
            await watcher.publish_state(True, 5000, host="another")
            await watcher.publish_state(False, 1000)
            content.add(count=2)
            link.wake()
            await asyncio.sleep(0.5)
            assert host.log == []
            await watcher.publish_state(True, 2000)
            await watcher.until(lambda: watcher.ids() == ["bench-1/1", "bench-1/2"])
            assert watcher.ids(historical=True) == ["bench-1/1", "bench-1/2"]
            content.add()
            link.wake()
            await watcher.until(lambda: watcher.ids()[-1] == "bench-1/3")

            await watcher.publish_state(False, 1500)
            await eventually(lambda: link.node.ignored.old_states == 1)
            assert host.log.count("NDEATH") == 0

            await watcher.publish_state(False, 3000)
            await watcher.until(lambda: host.log[-1] == "NDEATH")
            await eventually(lambda: link.node.phase is Phase.WAITING)
            content.add()
            link.wake()
            before = len(watcher.ids())
            await watcher.publish_state(True, 4000)
            await watcher.until(lambda: "bench-1/4" in watcher.ids())
            # The host may have missed results before its end was noticed: those are sent once more.
            assert watcher.ids()[before:] == [f"bench-1/{n}" for n in (1, 2, 3, 4)]
            assert watcher.ids(historical=False) == ["bench-1/3"]
            assert host.births == 2


@pytest.mark.slow
async def test_a_broker_that_is_killed_and_frozen_costs_no_result(tmp_path, broker):
    content = Content()
    got = []
    async with contextlib.AsyncExitStack() as stack:
        # The host subscribes before the node is born: otherwise it may come between the births of node and device.
        async with watching(broker.port) as watcher:
            settings = broker.settings(timeout_s=2.0, keepalive_s=1)
            link = await stack.enter_async_context(linked(tmp_path, settings, content))
            await watcher.until(lambda: watcher.host.alive)
            content.add(count=3)
            link.wake()
            await watcher.until(lambda: len(watcher.ids()) == 3)
            got += watcher.ids()
        broker.kill()
        content.add(count=3)
        link.wake()
        await eventually(lambda: link.node.phase is Phase.AWAY)
        assert link.state.trouble
        broker.start()
        async with watching(broker.port, first=True) as watcher:
            await eventually(lambda: link.node.phase is Phase.ALIVE)
            await watcher.until(lambda: link._memory.sent == {"bench-1": 6})
            assert link.state.trouble == ""
            os.kill(broker.process.pid, signal.SIGSTOP)
            try:
                content.add(count=3)
                link.wake()
                await eventually(lambda: link.node.phase is Phase.AWAY)
            finally:
                os.kill(broker.process.pid, signal.SIGCONT)
            await watcher.until(lambda: link._memory.sent == {"bench-1": 9})
            assert {f"bench-1/{n}" for n in (7, 8, 9)} <= set(watcher.ids())
    assert json.loads((tmp_path / "sparkplug.json").read_text())["sent"] == {"bench-1": 9}


async def test_results_a_frozen_broker_never_handled_are_sent_again(tmp_path, broker):
    """The broker accepted the bytes and died before it handled them: only its answer counts."""
    content = Content()
    async with Cable(broker.port) as cable:
        settings = broker.settings(port=cable.port, timeout_s=1.0)
        async with linked(tmp_path, settings, content) as link:
            await eventually(lambda: link.node.phase is Phase.ALIVE)
            os.kill(broker.process.pid, signal.SIGSTOP)
            cable.blocked = True
            content.add(count=3)
            link.wake()
            await eventually(lambda: link.node.phase is Phase.AWAY)
            broker.kill()
            cable.cut()
            broker.start()
            async with watching(broker.port) as watcher:
                cable.blocked = False
                await watcher.until(lambda: len(watcher.ids()) == 3)
                assert watcher.ids(historical=True) == ["bench-1/1", "bench-1/2", "bench-1/3"]
                assert link.state.results == 3


async def test_results_a_dead_broker_may_have_lost_are_marked_before_the_time_out(tmp_path, broker):
    """The broker dies while the link waits for its answer; the loss must be stored before the link can be killed, too."""
    content = Content()
    async with (
        Cable(broker.port) as cable,
        linked(tmp_path, broker.settings(port=cable.port, timeout_s=90.0), content) as link,
    ):
        await eventually(lambda: link.node.phase is Phase.ALIVE)
        content.add()
        link.wake()
        await eventually(lambda: link._memory.sent == {"bench-1": 1})
        os.kill(broker.process.pid, signal.SIGSTOP)
        cable.blocked = True
        content.add()
        link.wake()
        await asyncio.sleep(0.3)
        broker.kill()
        cable.cut()
        await eventually(lambda: json.loads((tmp_path / "sparkplug.json").read_text())["sent"] == {"bench-1": 0})


async def test_a_broker_that_thaws_learns_that_the_node_is_gone(tmp_path, broker):
    """The node left the frozen broker and was stopped; hosts must not take it for alive for ever."""
    async with (
        watching(broker.port) as watcher,
        Cable(broker.port) as cable,
        linked(tmp_path, broker.settings(port=cable.port, timeout_s=1.0), Content()) as link,
    ):
        await watcher.until(lambda: watcher.host.alive)
        os.kill(broker.process.pid, signal.SIGSTOP)
        try:
            cable.blocked = True
            link._content.add()
            link.wake()
            await eventually(lambda: link.node.phase is Phase.AWAY)
        finally:
            os.kill(broker.process.pid, signal.SIGCONT)
        await watcher.until(lambda: not watcher.host.alive)


async def test_the_example_rules_of_the_broker_let_the_node_do_its_work(tmp_path):
    """``config/mosquitto/daq.acl``, with a host added; messages it does not allow are dropped silently."""
    folder = tmp_path / "broker"
    folder.mkdir()
    acl = (examples_dir() / "mosquitto" / "daq.acl").read_text()
    acl += "\nuser historian\ntopic readwrite spBv1.0/#\n"
    broker = Mosquitto(folder, acl=acl).start()
    clock = AdvancedClock()
    try:
        async with watching(broker.port) as watcher:
            await watcher.publish_state(online=True, time_ms=1)
            async with linked(tmp_path, broker.settings(), Content(), host="tower", clock=clock) as link:
                await watcher.until(lambda: watcher.host.devices)
                link._content.add()
                link.wake()
                await watcher.until(watcher.ids)
                link._content.states.clear()
                await watcher.until(lambda: not watcher.host.devices)
                clock.ahead += REBIRTH_EVERY_NS
                await watcher.ask(ASK)
                await watcher.until(lambda: watcher.host.births == 2)
            await watcher.until(lambda: not watcher.host.alive)
    finally:
        broker.stop()


async def test_numbers_of_sessions_go_on_after_255_and_over_new_starts(tmp_path, broker):
    (tmp_path / "sparkplug.json").write_text(
        json.dumps({"form": 1, "source": "db-1", "epoch": 1, "bdSeq": 254, "sent": {}})
    )
    numbers = []
    async with watching(broker.port) as watcher:
        for _ in range(3):
            births = watcher.host.births
            async with linked(tmp_path, broker.settings(), Content()):
                await watcher.until(lambda births=births: watcher.host.births > births)
                numbers.append(watcher.host.bd_seq)
    assert numbers == [255, 0, 1]


async def test_nothing_is_sent_when_the_number_cannot_be_remembered(tmp_path, broker):
    folder, elsewhere = tmp_path / "state", tmp_path / "elsewhere"
    folder.mkdir()
    async with (
        watching(broker.port) as watcher,
        Cable(broker.port) as cable,
        linked(folder, broker.settings(port=cable.port), Content()) as link,
    ):
        await watcher.until(lambda: watcher.host.births == 1)
        folder.rename(elsewhere)
        cable.cut()
        await eventually(lambda: "cannot be written" in link.state.trouble)
        assert watcher.host.births == 1
        elsewhere.rename(folder)
        await watcher.until(lambda: watcher.host.births == 2)
        assert link.state.trouble == ""
