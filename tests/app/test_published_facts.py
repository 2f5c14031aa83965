"""Over MQTT: the motor in result and status, own ids of flat messages, and the reasons a person must see."""

import json
import uuid

import pytest

from daq.adapters.mqtt.topics import Topics
from daq.adapters.store.store import Store
from daq.app.daemon.protocol import StatusAnswer, answer_line, read_answer
from daq.app.daemon.service import Service
from daq.app.delivery.contract import schema_messages
from daq.app.delivery.publishing import Publishing
from daq.app.workshop.diagnosis import _of_status
from daq.methods.messages.statusdata import StatusData
from tests.support.fixtures import broker
from tests.support.memory_bench import SupervisorBench
from tests.support.processes import mosquitto
from tests.support.processes.mosquitto import TOPICS, eventually, listening, needs_mosquitto
from tests.support.runs.stored import T0

__all__ = ["broker"]

pytestmark = [needs_mosquitto, pytest.mark.asyncio, pytest.mark.slow]


def publishing(broker, topics=TOPICS, **more):
    made = Publishing(broker.settings(status_every_s=0.1), topics, flat=True, **more)
    made.schemas = schema_messages(topics)
    return made


def of(historian, level, topics=TOPICS):
    return [p for t, p, _ in historian.received if t.startswith(f"{topics.prefix}/{level}")]


async def test_the_motor_is_in_the_result_and_its_confirmed_stop_in_a_later_status(tmp_path, broker):
    async with (
        listening(broker.port, topic=f"{TOPICS.prefix}/#") as historian,
        SupervisorBench(tmp_path, publishing=publishing(broker)) as bench,
    ):

        def motors():
            return [p["motors"]["bench-1"] for p in of(historian, "status") if "motors" in p]

        await historian.until(motors)
        active = await bench.measuring("long")
        await historian.until(lambda: motors()[-1] == "turning")
        bench.box.silent = True  # the cable is pulled
        await active.task
        await historian.until(lambda: of(historian, "result") and motors()[-1] == "may_still_be_turning")
        bench.box.silent = False
        await historian.until(lambda: motors()[-1] == "still")
        (result,) = of(historian, "result")
        assert result["data"]["motor"] in ("stopping", "may_still_be_turning")
        for payload in of(historian, "status"):
            StatusData.model_validate(payload | {"motors": payload.get("motors", {})}, strict=False)


async def test_two_contents_never_share_source_and_id(tmp_path, broker):
    async with (
        listening(broker.port, topic=f"{TOPICS.prefix}/#") as historian,
        SupervisorBench(tmp_path, publishing=publishing(broker)) as bench,
    ):
        for _ in range(2):
            await (await bench.begin("short")).task
        await historian.until(lambda: len(of(historian, "flat")) == 2 and len(of(historian, "last")) == 2)
        contents = {}
        for payload in [*of(historian, "result"), *of(historian, "last"), *of(historian, "flat")]:
            contents.setdefault((payload["source"], payload["id"]), set()).add(json.dumps(payload, sort_keys=True))
        assert len(contents) == 4
        assert all(len(found) == 1 for found in contents.values())
        for result, flat in zip(of(historian, "result"), of(historian, "flat"), strict=True):
            assert flat["id"] == str(uuid.uuid5(uuid.UUID(result["id"]), "result-flat"))  # the same after a repetition
            assert flat["sequence"] == result["sequence"]
        with bench.supervisor.store.reader() as reader:
            stored = {m.id for m in reader.outbox("topic LIKE '%/flat/%'", [], -1)}
        assert stored == {p["id"] for p in of(historian, "flat")}


async def test_another_daemon_and_a_database_put_back_are_in_status_and_doctor(tmp_path, broker):
    (tmp_path / "other").mkdir()
    async with SupervisorBench(tmp_path, publishing=publishing(broker)) as bench:
        with Store(tmp_path / "other" / "daq.sqlite", utc_ns=T0) as second:
            async with mosquitto.publishing(second, broker.settings()):
                await eventually(lambda: bench.supervisor.publishing.state.others)
                answer = read_answer(answer_line(StatusAnswer(Service(bench.supervisor).status())))
                found = {f.what: f.say for f in _of_status(answer.status, 1) if not f.ok}
                assert second.source in found["topic prefix"]
        await eventually(lambda: not bench.supervisor.publishing.state.others)


LEVELS = {"enterprise": "glaze-works", "site": "kiln-street", "area": "quality", "line": "slips", "cell": "bench-3"}
"""The levels of ISA-95 (IEC 62264-1): enterprise, site, area, work centre, work unit."""
CONFIGURED = [(), *((name,) for name in LEVELS), ("enterprise", "area", "cell"), tuple(LEVELS)]


@pytest.mark.parametrize("configured", CONFIGURED, ids="-".join)
async def test_result_live_and_status_have_the_levels_of_the_plant_that_their_topics_have(tmp_path, broker, configured):
    topics = Topics(**{name: LEVELS[name] for name in configured})
    place = {name: level if name in configured else None for name, level in LEVELS.items()}
    made = publishing(broker, topics, live_every_ns=20_000_000)
    async with (
        listening(broker.port, topic=f"{topics.prefix}/#") as historian,
        SupervisorBench(tmp_path, publishing=made) as bench,
    ):
        await (await bench.begin("short")).task
        for level in ("result", "last", "flat", "live", "status"):
            await historian.until(lambda level=level: of(historian, level, topics))
        results = [*of(historian, "result", topics), *of(historian, "last", topics)]
        assert [p["data"]["origin"]["place"] for p in results] == [place] * 2
        (flat,) = of(historian, "flat", topics)
        assert {name: flat["data"][f"origin_place_{name}"] for name in LEVELS} == place
        for level in ("live", "status"):
            assert {json.dumps(p["place"]) for p in of(historian, level, topics)} == {json.dumps(place)}
