"""`daq show` states of each item of a run's checklist how it was confirmed, on paper and as JSON."""

import json
import random
from dataclasses import replace
from typing import get_args

import pytest

from daq.adapters.paths import database_path
from daq.adapters.store.records import Change, ChangeRecords
from daq.adapters.store.store import Store
from daq.app.cli import main
from daq.app.cli.records.checklist_lines import GROUPS, HEADINGS, checklist_lines
from daq.app.laboratory.laboratory import Laboratory, changed, find, new
from daq.app.records.run_checklist import PARTS, checklist_of
from daq.app.screens.bench.bench_words import ITEMS
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.drivers import Drivers
from daq.laboratory.bench.benchstate import Checked, Checklist, How
from daq.methods.files.daemon import Daemon
from tests.support.laboratories import FixedClock, at
from tests.support.runs.stored import T0, begin, conclude, end, register

RUN = "run-1"
ZERO = Checked(code="zero", how="measured", value=0.1, unit="%", low=-0.5, high=0.5)
COLD = Checked(code="at_temperature", how="measured", met=False, value=24.1, unit="Cel", low=24.8, high=25.2)
RECORD = Checklist(
    id=RUN,
    bench="rotor-1",
    sample="GL-0412",
    repeat_of="3f2a91bc-0000",
    reason="the cup was tilted",
    opening=(Checked(code="level", how="skipped"), ZERO),
    before=(
        Checked(code="clean", how="earlier"),
        Checked(code="stirred", how="counted", value=60.0, unit="s"),
        Checked(code="immersed", how="together"),
        Checked(code="no_bubbles", how="together"),
        COLD,
    ),
)


@pytest.fixture
def lab(tmp_path):
    with Store(tmp_path / "daq.db", utc_ns=T0) as store:
        for step in (register(), begin(RUN), conclude(RUN, result_id="r-1"), end(RUN)):
            store.submit(step).result(10)
        yield Laboratory(store, Catalogue(tmp_path, Daemon(), Drivers.find()), FixedClock(), "m.keeper")


def shown(lab):
    with lab.reader() as reader:
        return checklist_of(reader, RUN)


def finish(lab, *after):
    with lab.reader() as reader:
        kept = find(reader, Checklist, RUN)
    at(lab, "n.keeper").change(changed(kept, kept.record.model_copy(update={"after": after}), "checklist_after"))


def test_each_list_states_what_was_measured_attested_earlier_and_skipped(lab):
    assert checklist_lines(shown(lab)) == []
    lab.change(new(RECORD, "checklist_kept"))
    first, *lines, last = checklist_lines(shown(lab))
    assert lines == [
        "repeat of run 3f2a91bc: the cup was tilted",
        "start of the shift, confirmed by the daemon: zero with nothing attached 0.10 % (-0.5 to 0.5 %)",
        "start of the shift, SKIPPED: instrument level",
        "before the run, confirmed by the daemon: sample stirred 60 s, sample at temperature 24.10 °C (24.8 to 25.2 °C)"
        " NOT MET",
        "before the run, attested together, with one key: cup filled, rotor immersed to its mark, no bubbles at the "
        "rotor",
        "before the run, confirmed before: rotor and cup clean and dry",
    ]
    assert (first.endswith(" by m.keeper"), last) == (True, "after the run not confirmed")
    finish(lab, Checked(code="cleaned", how="together"), Checked(code="dried", how="skipped"))
    lines = checklist_lines(shown(lab))
    assert lines[0] == first
    assert "after the run, attested together, with one key: rotor and cup cleaned" in lines
    assert "after the run, SKIPPED: dried" in lines
    assert lines[-1].endswith(" by n.keeper")


def test_every_generated_item_is_in_the_line_of_its_list_and_way_and_in_json(lab):
    rng = random.Random(7)
    for number in range(200):
        items = {
            part: tuple(
                Checked(code=code, how=rng.choice(get_args(How)), met=rng.random() < 0.8)
                for code in rng.sample(sorted(ITEMS), rng.randint(0, 6))
            )
            for part in PARTS
        }
        if number % 20 == 0:  # through the store now and then, which takes longer
            record = RECORD.model_copy(update={"repeat_of": "", **items})
            with lab.reader() as reader:
                kept = find(reader, Checklist, RUN)
            lab.change(new(record, "checklist_kept") if kept is None else changed(kept, record, "checklist_after"))
            found = shown(lab)
            stored = found.as_json()
            assert {part: [(i["code"], i["how"], i["met"]) for i in stored[part]] for part in PARTS} == {
                part: [(i.code, i.how, i.met) for i in items[part]] for part in PARTS
            }
        lines = checklist_lines(replace(found, items=items))
        for part, given in items.items():
            for item in given:
                (line,) = [x for x in lines if x.startswith(f"{HEADINGS[part]}, {GROUPS[item.how]}: ")]
                words = ITEMS[item.code] if item.met else f"{ITEMS[item.code]} NOT MET"
                assert f", {words}," in f", {line.partition(': ')[2]},"


def test_the_command_prints_it_and_json_has_it(shift, capsys):
    command = ["--state", str(shift.state), "show", shift.within]
    assert main([*command, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["checklist"] is None
    assert main(command) == 0
    assert "checklist" not in capsys.readouterr().out
    record = RECORD.model_copy(update={"id": shift.within})
    with Store(database_path(shift.state)) as store:
        change = new(record, "checklist_kept")
        store.submit(ChangeRecords((change,), T0, "m.keeper")).result(10)
    assert main(command) == 0
    assert "  start of the shift, SKIPPED: instrument level\n" in capsys.readouterr().out
    assert main([*command, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)["checklist"]
    assert found["opening"][0] == {
        "code": "level", "how": "skipped", "met": True, "value": None, "unit": None, "low": None, "high": None,
        "age_s": None, "longest_s": None,
    }  # fmt: skip
    assert (found["repeat_of"], found["reason"], found["after"]) == ("3f2a91bc-0000", "the cup was tilted", [])
    assert (found["before_confirmed"]["who"], found["after_confirmed"]) == ("m.keeper", None)


@pytest.mark.parametrize("wrong", [{"before": [{"code": "clean", "how": "invented"}]}, {"before": 3}, {"bench": ""}])
def test_a_record_that_cannot_be_read_does_not_hide_the_run(lab, wrong):
    data = RECORD.model_dump(mode="json") | wrong
    lab.change(Change(Checklist.kind, RUN, "checklist_kept", data))
    assert checklist_lines(shown(lab)) == ["the record is damaged: `daq verify`"]
    assert (shown(lab).as_json()["state"], shown(lab).as_json()["before"]) == ("damaged", [])
