"""Whole runs with people switched on and off: record, result, warning, replay, and the report of the sample."""

import json

import pytest

from daq.adapters.paths import database_path
from daq.adapters.store.agreement.everything import Comparison
from daq.adapters.store.agreement.stored import Stored
from daq.app.cli import main
from daq.app.laboratory.acts import carry_out
from daq.app.records.replaying import recompute
from daq.app.setup.run_order import RunOrder
from daq.core.errors import SettingError
from daq.process.logins import own_login
from tests.laboratory.parts import at, switch_people
from tests.support.memory_bench import SupervisorBench

pytestmark = [pytest.mark.asyncio, pytest.mark.slow]

BADGE = "0049-7731"


def order_of(**more):
    return RunOrder(method_id="short", instrument="bench-1", sample="S-1", **more)


async def staff(bench):
    """Switch people on: ``chief`` at this login, ``skilled`` with an authorisation, ``trainee`` without."""
    lab = bench.supervisor.laboratory(own_login())
    carry_out(lab, "person_add", {"id": "chief", "role": "administer", "logins": ["at-chief"]})
    for person in ("skilled", "trainee"):
        carry_out(at(lab, "at-chief"), "person_add", {"id": person, "role": "measure", "logins": [f"at-{person}"]})
    carry_out(at(lab, "at-chief"), "person_authorise", {"id": "skilled", "method": "short"})
    carry_out(at(lab, "at-chief"), "person_badge", {"id": "skilled", "badge": BADGE})
    switch_people(bench.supervisor.catalogue, on=True)


async def measured(bench, login, **more):
    """Measure; return the record of the run, its result and the same computed again."""
    active = await bench.supervisor.begin(order_of(**more), login)
    await active.task
    with bench.supervisor.store.reader() as reader:
        record = reader.run(active.record.id)
        return (
            record,
            json.loads(reader.newest_result(record.id).data),
            recompute(reader, record, bench.supervisor.catalogue.drivers),
        )


def started_by(bench, run):
    with bench.supervisor.store.reader() as reader:
        (entry,) = [e for e in reader.audit() if e.what == "run_started" and e.subject == run]
    return entry.who


async def test_runs_state_who_measured_and_those_of_a_trainee_are_not_reported(tmp_path, capsys):
    async with SupervisorBench(tmp_path) as bench:
        typed, data, _ = await measured(bench, "bench", operator="m.keeper", fill="1")
        assert (data["origin"]["operator"], data["origin"]["attribution"]) == ("m.keeper", "unattributed")
        await staff(bench)
        with pytest.raises(SettingError, match="the login bench belongs to no person"):
            await bench.supervisor.begin(order_of(), "bench")
        with pytest.raises(SettingError, match="operator: trainee measures, by the login"):
            await bench.supervisor.begin(order_of(operator="skilled"), "at-trainee")
        trainee, of_trainee, again = await measured(bench, "at-trainee", fill="2")
        skilled, of_skilled, _ = await measured(bench, "bench", badge=BADGE, fill="3")
        assert started_by(bench, skilled.id) == "bench"
    assert (trainee.operator, trainee.attribution) == ("trainee", "not_authorised")
    assert (skilled.operator, skilled.attribution) == ("skilled", "authorised")
    assert of_trainee["origin"]["attribution"] == "not_authorised"
    (warning,) = [w for w in of_trainee["warnings"] if w["code"] == "operator_not_authorised"]
    assert warning["parameters"] == {"operator": "trainee", "method": "short"}
    assert not [w for w in of_skilled["warnings"] + data["warnings"] if w["code"] == "operator_not_authorised"]
    assert again.same, again
    with Stored(database_path(tmp_path / "state")) as stored:
        assert [d.text for d in Comparison().of(stored)] == []
    capsys.readouterr()
    main(["--state", str(tmp_path / "state"), "reportable", "S-1", "--json"])
    attempts = {a["run"]: a for a in json.loads(capsys.readouterr().out)["attempts"]}
    refused = {run for run, a in attempts.items() if "operator_not_authorised" in [w["code"] for w in a["why"]]}
    assert refused == {trainee.id}
    main(["--state", str(tmp_path / "state"), "runs", "--json"])
    listed = {r["run"]: r["attribution"] for r in json.loads(capsys.readouterr().out)}
    assert listed == {typed.id: "unattributed", trainee.id: "not_authorised", skilled.id: "authorised"}
