"""Traces of a session before and after it got a state machine, recorded line by line.

`BEFORE` was recorded from the session with futures and flags that `daq.core.link` replaced.  `NOW` differs on purpose: the
stop is a separate state, and an instrument is identified again after a stop and after a run.
"""

import asyncio

import pytest

from daq.adapters.ports.transport import MemoryConnection
from daq.app.run.session import Session
from daq.app.workshop.shift.fast_time import FastClock, FastLoop
from daq.core.driver import Channel, Driver, Identity, Reject, Reply, Request
from daq.core.errors import LinkError
from daq.core.exchange import Exchange
from daq.core.framing import Framing
from daq.core.linkstates import Motor
from tests.support import sentences

S = 10**9

STARTED = "open; identifying; who; ready; read"
AGAIN = f"connecting; {STARTED}"
BEFORE = {
    "steady": f"{STARTED}; closed",
    "unplugged": f"{STARTED}; {AGAIN}; closed",
    "wrong": f"open; identifying; who; wrong_instrument; {STARTED}; closed",
    "silent": f"{STARTED}; {AGAIN}; closed",
    "doubt": "open; identifying; who; halt; read; audit: motor_stopped; ready; read; closed",
    "nobody": f"open; identifying; who; {AGAIN}; closed",
    "absent": f"{AGAIN}; closed",
    "lent": f"{STARTED}; in_run; ready; read; closed",
}
STOPPED = "stopping_motor; halt; read; identifying; audit: motor_stopped; who; ready; read; closed"
NOW = BEFORE | {
    "doubt": f"open; identifying; who; {STOPPED}",
    "lent": f"{STARTED}; lending; in_run; identifying; who; ready; read; closed",
}


class Unit(Driver):
    kind = "unit"
    channels = (Channel("torque", "%", -110.0, 110.0), Channel("speed", "/min", -1000.0, 1000.0))
    framing = Framing(terminator=b"\n", longest=60)
    interval_ns = S // 10
    stale_after_ns = 3 * S
    capabilities = frozenset({"halt"})
    on_link_loss = "keeps_turning"

    def decode(self, line, asked=None):
        word, *rest = line.decode().split()
        if word == "r":
            return tuple(float(x) for x in rest)
        if word == "i":
            return Reply("identity", identity=Identity("unit", rest[0]))
        return Reply(rest[0]) if word == "ok" else Reject("unknown")

    def identify(self):
        return Request(b"who\n", "identity")

    def poll(self):
        return Request(b"read\n", "reading")

    def action(self, action, value=None):
        return Request(action.encode() + b"\n", action)


class Box:
    """The instrument, and what happened."""

    def __init__(self):
        self.serial, self.silent, self.speed, self.there = "N-1", set(), 0.0, True
        self.trace, self.connection = [], None

    def note(self, what):
        if self.trace[-1:] != [what]:
            self.trace.append(what)

    async def open(self, on_data, on_lost):
        if not self.there:
            raise LinkError(sentences.NO_SUCH_DEVICE)
        self.note("open")
        self.connection = MemoryConnection(self._answer, on_data, on_lost)
        return self.connection

    def _answer(self, data):
        word = data.split()[0].decode()
        self.note(word)
        if word in self.silent:
            return b""
        if word == "halt":
            self.speed = 0.0
        return {"who": b"i " + self.serial.encode(), "read": b"r 1 %g" % self.speed, "halt": b"ok halt"}[word] + b"\n"


class Borrower:
    def received(self, link, data): ...
    def link_lost(self, link, reason): ...
    def link_back(self, link): ...


class Scene:
    """A session at work, and what a scenario needs."""

    def __init__(self, name):
        self.box = Box()
        self.session = Session(
            "unit", Unit({}), self.box.open, FastClock(asyncio.get_running_loop(), 0), expected_serial="N-1",
            audit=lambda what, _subject, _detail: self.box.note(f"audit: {what}"), changed=self._changed,
        )  # fmt: skip
        self._state = "connecting"
        if name == "doubt":
            self.session.want_stop()
            self.box.speed = 30.0

    def _changed(self):
        if (state := self.session.standing.state.value) != self._state:
            self._state = state
            self.box.note(state)

    async def until(self, *states):
        async with asyncio.timeout(120):
            while self.session.standing.state.value not in states:
                await asyncio.sleep(0.01)


async def steady(scene):
    await scene.until("ready")


async def unplugged(scene):
    await scene.until("ready")
    await asyncio.sleep(2)
    scene.box.connection.unplug()
    await scene.until("ready")


async def wrong(scene):
    scene.box.serial = "N-2"
    await scene.until("wrong_instrument")
    scene.box.serial = "N-1"
    await scene.until("ready")


async def silent(scene):
    await scene.until("ready")
    await asyncio.sleep(2)
    scene.box.silent = {"read", "who"}
    await scene.until("connecting")
    scene.box.silent = set()
    await scene.until("ready")


async def nobody(scene):
    scene.box.silent = {"who"}
    await scene.until("identifying")
    await scene.until("connecting")
    scene.box.silent = set()
    await scene.until("ready")


async def absent(scene):
    scene.box.there = False
    scene.box.note("connecting")
    await asyncio.sleep(3)
    scene.box.there = True
    await scene.until("ready")


async def lent(scene):
    await scene.until("ready")
    await asyncio.sleep(1.5)
    await scene.session.lend(Borrower(), Exchange("unit", scene.session.driver, lambda *_: None, lambda *_: None))
    await asyncio.sleep(1)
    scene.session.take_back(Motor.STILL)
    await scene.until("ready")


SCENES = {
    "steady": steady, "unplugged": unplugged, "wrong": wrong, "silent": silent, "doubt": steady, "nobody": nobody,
    "absent": absent, "lent": lent,
}  # fmt: skip


async def traced(name):
    scene = Scene(name)
    task = asyncio.create_task(scene.session.keep())
    await SCENES[name](scene)
    await asyncio.sleep(10)
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    return "; ".join(scene.box.trace)


@pytest.mark.parametrize("name", SCENES)
def test_a_session_does_what_it_did_but_for_what_is_named(name):
    with asyncio.Runner(loop_factory=FastLoop) as runner:
        assert runner.run(traced(name)) == NOW[name]
