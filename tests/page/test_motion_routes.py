"""Motion starts from the screen of its bench, or by a person who is named: every route that takes a change, by every visitor."""

import itertools
from dataclasses import replace

import pytest

from daq.app.laboratory.acts import ACTS
from daq.app.laboratory.bench.flows import BenchFlows
from daq.laboratory.bench.bench_events import Refused
from daq.laboratory.bench.benchstate import NamedSample
from daq.page.routetable import ROUTES
from tests.bench_flow.parts import NoHands
from tests.page.visiting import BENCH, Page
from tests.support.laboratories import laboratory, staffed

pytestmark = [pytest.mark.asyncio, pytest.mark.slow]
VISITORS = {
    "nobody": {}, "the screen of the bench": {"paired": BENCH}, "a screen of another bench": {"paired": "bench-2"},
    "a person who looks": {"person": "look"}, "a person who measures": {"person": "measure"},
    "a person at the bench": {"person": "measure", "paired": BENCH},
    "a person at another bench": {"person": "measure", "paired": "bench-2"},
}  # fmt: skip
COMMANDS = ("/bench/{bench}/command", "/api/v1/benches/{bench}/command")
BY_PEOPLE = {(path, name) for path in COMMANDS for name in ("a person who measures", "a person at the bench")}
WITHOUT = {(path, "the screen of the bench") for path in COMMANDS}


STRONGEST = "a person at the bench"


def attempts(*, people):
    """Yield route, act and visitor; routes that have nothing to do with a bench are tried by the strongest visitor alone."""
    for route in (r for r in ROUTES if r.method == "POST"):
        for act in ACTS if route.path.endswith("{act}") else ("",):
            for name, about in VISITORS.items():
                if about.get("person") and not people:
                    continue
                near = "{bench}" in route.path or act.startswith("bench")
                if near or name == (STRONGEST if people else "the screen of the bench"):
                    yield route, act, name


class Hands(NoHands):
    """Hands of a bench whose samples rest for a time; they keep who started."""

    def __init__(self, resting_s):
        super().__init__()
        self.resting_s, self.by = resting_s, []

    def named(self, reader, bench, text):
        return NamedSample(sample=text, resting_s=self.resting_s)

    def begin(self, bench, begin, actor):
        super().begin(bench, begin, actor)
        self.by.append(actor.who)


async def to_the_brink(page, ticket, command):
    """Bring the bench to the stage in which the command starts a run; return the revision that its screen shows."""

    async def give(act, **order):
        _, seen, _ = page.daemon.lab.flows.state(BENCH)
        return await page.daemon.perform(act, {"bench": BENCH, "seen": seen, **order}, ticket)

    flows = page.daemon.lab.flows
    while (stage := flows.state(BENCH)[0].stage) not in ("checking", "resting"):
        if stage == "starting":
            flows.take(BENCH, Refused("again"), "bench_not_started")
        elif stage == "choosing":
            await give("bench_text", text="E-7")
        else:
            await give("bench_command", command="confirm")
    if command == "skip" and flows.state(BENCH)[0].stage == "checking":
        await give("bench_command", command="confirm")
    return flows.state(BENCH)[1]


@pytest.mark.parametrize("people", [True, False])
@pytest.mark.parametrize(("command", "resting_s"), [("confirm", 0.0), ("skip", 600.0)])
async def test_motion_starts_only_at_its_bench_or_by_a_named_person(tmp_path, monkeypatch, people, command, resting_s):
    monkeypatch.setattr("daq.page.answers.render", lambda *_: "")
    started = set()
    with staffed(tmp_path) if people else laboratory(tmp_path) as lab:
        async with Page(lab, people=people) as page:
            hands, ids = Hands(resting_s), itertools.count()
            page.daemon.lab = replace(
                page.daemon.lab, flows=BenchFlows(lab.store, lab.clock, hands, lambda: f"n-{next(ids)}")
            )
            ticket = lab.tickets.issue("measure", by_badge=False, mono_ns=lab.clock.mono_ns()) if people else ""
            for route, act, name in attempts(people=people):
                client = await page.browser(**VISITORS[name])
                seen = await to_the_brink(page, ticket, command)
                path = route.path.format(bench=BENCH, run="last", act=act)
                given = {"text": "E-8"} if path.endswith("/text") else {"command": command}
                order = {"order": {"bench": BENCH, **given, "seen": seen}}
                count = len(hands.started)
                answer = await page.send(
                    client, "POST", path, given | {"seen": seen}, order if act else given | {"seen": seen}
                )
                if len(hands.started) > count:
                    started.add((route.path, name))
                elif path.startswith("/api") and path.endswith("/command"):
                    assert answer.status_code in (401, 403)
                    assert answer.json()["detail"]  # in words
    assert started == (BY_PEOPLE if people else WITHOUT)
    assert set(hands.by) == ({"measure"} if people else {"the-page"})
