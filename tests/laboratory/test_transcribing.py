"""Values that are read by eye: entered by one person, confirmed blind by another, and never counted as measured."""

import itertools
import json

import pytest

from daq.adapters.paths import database_path
from daq.adapters.store.records import StoredRecord
from daq.adapters.store.store import Store
from daq.app.cli import main
from daq.app.laboratory.acts import carry_out
from daq.app.laboratory.laboratory import Laboratory
from daq.app.records.history import history
from daq.app.records.run_rows import entry
from daq.app.records.sheets.day_sheet import day_sheet
from daq.app.records.transcriptions import _shown, entries_of, named, not_confirmed, of_sample, read_between
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.drivers import Drivers
from daq.core.errors import SettingError
from daq.methods.files.daemon import Daemon
from tests.laboratory.parts import FixedClock, at, audited
from tests.support.runs.stored import T0, begin, conclude, end, register
from tests.support.runs.virtual_bench import StoredBench

HOUR = 3600 * 10**9


@pytest.fixture
def lab(tmp_path):
    with Store(tmp_path / "daq.db", utc_ns=T0) as store:
        yield Laboratory(store, Catalogue(tmp_path, Daemon(), Drivers.find()), FixedClock(), "first")


def enter(lab, value="34.5 s", **more):
    return carry_out(lab, "transcribe", {"sample": "G-1", "test": "flow cup", "value": value, **more})


def confirm(lab, value="34.5 s", **more):
    return carry_out(lab, "transcribe_confirm", {"sample": "G-1", "test": "flow cup", "value": value, **more})


def shown(lab):
    with lab.reader() as reader:
        return of_sample(reader, "G-1")


def test_a_value_counts_once_another_person_has_entered_it_too(lab):
    enter(lab)
    (waiting,) = shown(lab)
    assert (waiting.value, waiting.as_json()["value"], waiting.as_json()["typed"]) == ("-", None, None)
    with pytest.raises(SettingError, match="first entered the first value; the second person is another one"):
        confirm(lab)
    confirm(at(lab, "second"), "34.50 s")
    (done,) = shown(lab)
    assert (done.value, done.as_json()["value"], done.as_json()["origin"]) == ("34.5 s", 34.5, "transcribed")
    assert "entered by first, confirmed by second" in done.words
    with lab.reader() as reader:
        assert not_confirmed(reader) == []
    assert [(e.what, e.who) for e in audited(lab)] == [
        ("value_transcribed", "first"),
        ("transcription_confirmed", "second"),
    ]


def test_another_value_is_refused_and_recorded_and_both_read_again(lab):
    enter(lab)
    with pytest.raises(SettingError, match="the two values of flow cup of sample G-1 differ") as caught:
        confirm(at(lab, "second"), "35.4 s")
    assert "34.5" not in str(caught.value)
    (found,) = shown(lab)
    assert (found.record.state, found.record.second_typed, found.value) == ("mismatch", "35.4 s", "-")
    for who in ("first", "second", "third"):
        with pytest.raises(SettingError, match="does not wait"):
            confirm(at(lab, who))
    enter(at(lab, "second"), "35.4 s")
    confirm(lab, "35.4 s")
    with lab.reader() as reader:
        stored = entries_of(reader, found.record.id)
    assert [e.data["state"] for e in stored] == ["waiting", "mismatch", "waiting", "confirmed"]
    assert stored[1].data["second_typed"] == "35.4 s"


@pytest.mark.parametrize(
    "texts", [("34.5 s", "34.5 s"), ("34.5 s", "34.50 s"), ("34.5 s", "0.575 min"), ("0.12 %", "0.12 %"), ("7", "7.0")]
)
def test_equal_values_in_other_words_are_equal(lab, texts):
    enter(lab, texts[0])
    confirm(at(lab, "second"), texts[1])


DIFFERENT = ("34.5 s", "34.6 s", "-34.5 s", "34.5 ms", "34.5 min", "34.5 %", "34.5", "345 s", "3.45 s")


@pytest.mark.parametrize(("one", "other"), list(itertools.permutations(DIFFERENT, 2))[::3])
def test_no_two_different_values_are_confirmed(lab, one, other):
    enter(lab, one)
    with pytest.raises(SettingError, match="differ"):
        confirm(at(lab, "second"), other)
    assert shown(lab)[0].record.state == "mismatch"


@pytest.mark.parametrize("value", ["", "s", "34,5 s", "nan s", "inf s", "1e400 s", "34.5 furlong"])
def test_what_is_no_value_is_refused_before_anything_is_stored(lab, value):
    with pytest.raises(SettingError):
        enter(lab, value)
    assert audited(lab) == []
    enter(lab)
    with pytest.raises(SettingError):
        confirm(at(lab, "second"), value)
    assert len(audited(lab)) == 1


def test_what_was_entered_changes_only_with_a_reason_and_is_confirmed_again(lab):
    enter(lab)
    with pytest.raises(SettingError, match="waits for a second person"):
        enter(at(lab, "second"), "35 s", because="mine is right")
    with pytest.raises(SettingError, match="because.*a change needs a reason"):
        enter(lab, "35 s")
    enter(lab, "35 s", because="mistyped")
    confirm(at(lab, "second"), "35 s")
    with pytest.raises(SettingError, match="because"):
        enter(at(lab, "third"), "36 s")
    enter(at(lab, "third"), "36 s", because="read the wrong sheet")
    (found,) = shown(lab)
    assert (found.record.state, found.record.second, found.value) == ("waiting", "", "-")
    enter(lab, "36.1 s", replicate=2)
    assert [t.record.replicate for t in shown(lab)] == [1, 2]


def test_it_is_marked_everywhere_and_counted_nowhere(lab, tmp_path, capsys):
    for step in (register(), begin("run-1"), conclude("run-1", result_id="r-1"), end("run-1")):
        lab.store.submit(step).result(10)
    with lab.reader() as reader:
        sample = reader.run("run-1").sample
        before, results = day_sheet(reader, T0 - HOUR, T0 + HOUR).counts, reader.all_results()
    order = {"sample": sample, "test": "flow cup", "value": "34.5 s"}
    carry_out(lab, "transcribe", order | {"remark": "power failure"})
    with lab.reader() as reader:
        assert "34.5" not in json.dumps(day_sheet(reader, T0 - HOUR, T0 + HOUR).as_json()["transcribed"])
    carry_out(at(lab, "second"), "transcribe_confirm", order)
    with lab.reader() as reader:
        sheet, run = day_sheet(reader, T0 - HOUR, T0 + HOUR), reader.run("run-1")
        assert (sheet.counts, reader.all_results(), reader.waiting()) == (before, results, reader.waiting())
        for found in (
            sheet.as_json()["transcribed"],
            history(reader, run).as_json()["transcribed"],
            list(entry(reader, run).transcribed),
        ):
            assert [(t["origin"], t["value"], t["unit"]) for t in found] == [("transcribed", 34.5, "s")]
        assert named(reader, sample, "flow cup", 2) is None
        assert len(read_between(reader, T0, T0)) == 1
        assert day_sheet(reader, T0 + HOUR, T0 + 2 * HOUR).transcribed == ()
    lab.store.close()
    (tmp_path / "state").mkdir(mode=0o700)
    (tmp_path / "daq.db").rename(tmp_path / "state" / "daq.db")
    for command in (
        ["runs"],
        ["runs", "--sample", sample],
        ["day", "2025-10-09"],
        ["transcribe", sample],
    ):
        main(["--state", str(tmp_path / "state"), *command])
        text = capsys.readouterr().out
        assert "transcribed: read by eye and entered by hand, not measured by an instrument" in text, command
        assert f"{sample}, flow cup: 34.5 s (entered by first, confirmed by second" in text, command
    main(["--state", str(tmp_path / "state"), "runs", "--json"])
    assert [t["origin"] for t in json.loads(capsys.readouterr().out)[0]["transcribed"]] == ["transcribed"]


@pytest.mark.slow
def test_a_run_is_shown_with_the_transcribed_values_of_its_sample(tmp_path, capsys):
    bench = StoredBench(tmp_path / "state")
    bench.measure("G-1")
    with Store(database_path(bench.state)) as store:
        lab = Laboratory(store, bench.catalogue, bench.clock, "first")
        enter(lab)
        confirm(at(lab, "second"))
    main(["--state", str(bench.state), "show", "G-1"])
    text = capsys.readouterr().out
    assert "transcribed: read by eye and entered by hand, not measured by an instrument" in text
    assert "G-1, flow cup: 34.5 s (entered by first, confirmed by second" in text
    main(["--state", str(bench.state), "show", "G-1", "--json"])
    found = json.loads(capsys.readouterr().out)
    assert [t["origin"] for t in found["transcribed"]] == ["transcribed"]
    assert found["result"]["value"] != 34.5


def test_a_damaged_record_holds_up_no_list_and_shows_no_value(lab):
    enter(lab)
    confirm(at(lab, "second"))
    with lab.reader() as reader:
        data = entries_of(reader, shown(lab)[0].record.id)[-1].data
    for name in data:
        for wrong in (None, [], {}, -1, "x" * 500):
            found = _shown(StoredRecord("transcribed", "t", 1, data | {name: wrong}, 1, T0, "a", "b", ""))
            assert found.is_damaged or name in ("value", "read_utc_ns"), (name, wrong)
            if found.is_damaged:
                assert (found.value, found.as_json()["value"], found.as_json()["state"]) == ("-", None, "damaged")
                assert "daq verify" in found.words
