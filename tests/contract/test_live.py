"""Messages with the newest readings: their content and their period; none is queued."""

import asyncio
import json
from types import SimpleNamespace

import jsonschema
import pytest

from daq.app.delivery.contract import SCHEMAS
from daq.app.delivery.live_values import LiveValues
from daq.app.run.standing import Standing
from daq.core.driver import Channel
from daq.core.errors import SettingErrors
from daq.methods.files.daemon import Daemon
from daq.methods.files.load import parse

SCHEMA = next(json.loads(s.text()) for s in SCHEMAS if s.name == "live")


class Session:
    """The attributes of a session that `LiveValues` reads."""

    def __init__(self):
        self.standing = Standing(state="ready", values={"mass": 12.5, "temperature": 21.0})
        self.driver = SimpleNamespace(channels=(Channel("mass", "g", 0, 600), Channel("temperature", "Cel", 0, 50)))
        self.progress = 1


@pytest.fixture
def look():
    session, sent = Session(), []
    bench = SimpleNamespace(
        store=SimpleNamespace(source="urn:uuid:x#1"),
        clock=SimpleNamespace(utc_ns=lambda: 1_795_000_000_000_000_000),
        sessions={"balance-1": session},
        runs={},
    )
    live = LiveValues(bench, lambda name, payload: sent.append((name, json.loads(payload))) or True, 10**9)

    def once():
        sent.clear()
        live.publish_new()
        for _, data in sent:
            jsonschema.validate(data, SCHEMA)
        return [data for _, data in sent]

    return session, once, live, sent


def test_the_newest_reading_with_unit_and_quality(look):
    _, once, *_ = look
    (data,) = once()
    assert data["values"] == {
        "mass": {"value": 12.5, "unit": "g", "quality": "Good", "status_code": 0},
        "temperature": {"value": 21.0, "unit": "Cel", "quality": "Good", "status_code": 0},
    }
    assert (data["instrument"], data["run"], data["state"]) == ("balance-1", None, "ready")


def test_an_instrument_without_a_new_reading_is_left_out(look):
    session, once, *_ = look
    assert len(once()) == 1
    assert once() == []
    session.progress += 1
    assert len(once()) == 1


@pytest.mark.parametrize("state", ["connecting", "identifying", "wrong_instrument", "closed"])
def test_nothing_is_sent_of_an_instrument_that_is_not_connected(look, state):
    session, once, *_ = look
    session.standing.state = state
    assert once() == []


def test_a_fault_of_one_channel_leaves_the_others(look):
    session, once, *_ = look
    session.standing.values["temperature"] = None
    session.standing.faults = (("temperature", "probe"),)
    (data,) = once()
    assert data["values"]["mass"]["quality"] == "Good"
    assert data["values"]["temperature"]["value"] is None
    assert data["values"]["temperature"]["quality"].startswith("Bad")


def test_a_fault_of_the_instrument_is_a_fault_of_every_channel(look):
    session, once, *_ = look
    session.standing.faults = (("", "silent"),)
    (data,) = once()
    assert all(v["quality"].startswith("Bad") and v["value"] is None for v in data["values"].values())


@pytest.mark.asyncio
async def test_messages_are_sent_periodically_until_cancelled(look):
    session, _, live, sent = look
    live._every = 1_000_000
    task = asyncio.create_task(live.run())
    async with asyncio.timeout(30):
        while len(sent) < 3:
            session.progress += 1
            await asyncio.sleep(0.001)
    task.cancel()
    assert [
        t for t in await asyncio.gather(task, return_exceptions=True) if not isinstance(t, asyncio.CancelledError)
    ] == []


def test_too_short_a_period_is_refused():
    with pytest.raises(SettingErrors) as caught:
        parse(Daemon, {"mqtt": {"host": "broker", "live_every": "10 ms"}}, "daemon.toml")
    assert [(e.key, "at least '0.1 s'" in e.reason) for e in caught.value.errors] == [("mqtt.live_every", True)]
