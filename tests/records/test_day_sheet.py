"""The sheet of a day has the runs of the local day, and its counts are those of its rows."""

import json
import re
import time
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from daq.adapters.store.reading import Reader
from daq.adapters.store.records import Change, ChangeRecords
from daq.adapters.store.store import Store
from daq.app.cli import main
from daq.app.cli.records import day as command
from daq.app.records.judged.repeated_runs import is_repeat
from daq.app.records.run_rows import entry
from daq.app.records.sheets.day_sheet import LISTED, day_sheet
from daq.app.screens.text import width
from daq.core.errors import SettingError
from tests.support.runs.searched import NIGHT, make_searched
from tests.support.runs.stored import SECOND

ZONE = "Europe/Berlin"


@pytest.fixture(autouse=True)
def _berlin(monkeypatch):
    """A zone that changes its clocks (IANA time zone database)."""
    monkeypatch.setenv("TZ", ZONE)
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.fixture(scope="module")
def state(tmp_path_factory):
    return tmp_path_factory.mktemp("day")


@pytest.fixture(scope="module")
def seeded(state):
    found = make_searched(state / "daq.db", 300, seed=3, step_s=900)
    sample = {
        "id": "G-1",
        "remark": "stirred by hand\x1b[2J",
        "product": "slip",
        "lot": "L-1",
        "due": "2026-10-26T10:00+01:00",
    }
    other = {"id": "G-7", "state": "done"}
    with Store(state / "daq.db") as store:
        changes = (
            Change("sample", "G-1", "sample_added", sample, (("open rotor-1", "5 2026"),)),
            Change("sample", "G-7", "sample_added", other, (("id", "G-7"),)),
        )
        store.submit(ChangeRecords(changes, NIGHT, "m.keeper")).result(20)
    return found


@pytest.fixture
def reader(state, seeded):
    with Reader(state / "daq.db") as opened:
        yield opened


def day_of(utc_ns):
    return datetime.fromtimestamp(utc_ns // SECOND, ZoneInfo(ZONE)).date().isoformat()


DAYS = ["2026-10-23", "2026-10-24", "2026-10-25", "2026-10-26", "2026-10-27"]
EMPTY = DAYS[-1]


@pytest.mark.parametrize("day", DAYS)
@pytest.mark.parametrize("instrument", ["", "cup-1", "none"])
def test_a_sheet_has_each_run_of_its_day_once_in_order(reader, seeded, day, instrument):
    sheet = day_sheet(reader, *command.span_of_day(day, NIGHT), instrument, limit=-1)
    expected = [
        s for s in reversed(seeded) if day_of(s.record.began_utc_ns) == day and instrument in ("", s.record.instrument)
    ]
    by_instrument = {
        name: [s.record.id for s in expected if s.record.instrument == name]
        for name in sorted({s.record.instrument for s in expected})
    }
    assert {name: [r.run.run for r in rows] for name, rows in sheet.instruments.items()} == by_instrument
    validities, verdicts = [s.validity for s in expected], [s.verdict for s in expected]
    c = sheet.counts
    assert (c.runs, c.valid, c.doubtful, c.not_valid, c.without_result) == (
        len(expected), *(validities.count(v) for v in ("valid", "doubtful", "not_valid", None)),
    )  # fmt: skip
    assert c.runs == c.valid + c.doubtful + c.not_valid + c.without_result
    assert (c.outside, c.undecided) == (verdicts.count("outside"), verdicts.count("undecided"))
    assert c.repeats == sum(is_repeat(reader, s.record.id) for s in expected)
    assert c.without_product == sum(not s.record.product for s in expected)
    assert (c.runs > 10) == (instrument != "none" and day != EMPTY)


def test_all_days_together_have_each_run_once(reader, seeded):
    first, last = seeded[-1].record.began_utc_ns, seeded[0].record.began_utc_ns
    day, found = datetime.fromtimestamp(first // SECOND, UTC).date() - timedelta(days=1), []
    while day.isoformat() <= day_of(last):
        sheet = day_sheet(reader, *command.span_of_day(day.isoformat(), NIGHT), limit=-1)
        found += [r.run.run for rows in sheet.instruments.values() for r in rows]
        day += timedelta(days=1)
    assert sorted(found) == sorted(s.record.id for s in seeded)


@pytest.mark.parametrize(("day", "hours"), [("2026-03-29", 23), ("2026-10-25", 25), ("2026-10-26", 24)])
def test_a_day_has_23_to_25_hours(day, hours):
    begin, end = command.span_of_day(day, NIGHT)
    assert end + 1 - begin == hours * 3600 * SECOND


@pytest.mark.parametrize(
    "text", ["14:20", "2026-11-31", "26.11.2026", "2026-11-26T10:00", "today", "2026-W48-4", " 2026-11-2"]
)
def test_another_text_is_no_day(text):
    with pytest.raises(SettingError, match="is no day; write 2026-11-26"):
        command.span_of_day(text, NIGHT)


@pytest.mark.parametrize("columns", [80, 81, 100, 137])
def test_a_sheet_fits_the_terminal_and_escapes_foreign_text(reader, columns):
    for day in DAYS:
        lines = command.text_of(day, "", day_sheet(reader, *command.span_of_day(day, NIGHT)), columns)
        assert max(map(width, lines)) <= columns
        assert all(line.isprintable() for line in lines)
        cells = set(" ".join(lines).split())
        assert ({"812", "±", "15"} <= cells) == (day != EMPTY)
        assert columns < 137 or day == EMPTY or "812 ± 15 mPa·s" in "\n".join(lines)


def test_a_repeated_hour_has_offsets(reader):
    lines = command.text_of(
        "2026-10-25", "", day_sheet(reader, *command.span_of_day("2026-10-25", NIGHT), limit=-1), None
    )
    assert lines[0] == "2026-10-25 (clocks change on this day)"
    times = [line[:11] for line in lines if re.match(r"\d\d:\d\d [+]", line)]
    assert {t[6:] for t in times} == {"+0200", "+0100"}
    assert len(times) == int(re.search(r"(\d+) runs:", "\n".join(lines))[1])


def test_remarks_name_the_end_the_sample_and_the_correction(reader, seeded):
    sheet = day_sheet(reader, NIGHT - 10**15, NIGHT + 10**15, limit=-1)
    rows = {r.run.run: r for rows in sheet.instruments.values() for r in rows}
    assert rows.keys() == {s.record.id for s in seeded}
    for s in seeded:
        remark = rows[s.record.id].remark
        assert ("stirred by hand" in remark) == (s.record.sample == "G-1")
        assert ("a reason" in remark) == (s.outcome not in ("", "complete"))
        assert ("corrected" in remark) == entry(reader, reader.run(s.record.id)).corrected


def test_open_work_is_named(reader, seeded):
    work = day_sheet(reader, 0, 1).open
    assert set(work.running) == {s.record.id for s in seeded if not s.outcome}
    assert [(s.id, s.product, s.lot, s.due) for s in work.samples] == [("G-1", "slip", "L-1", "2026-10-26T10:00+01:00")]


def test_the_command_prints_both_forms(capsys, state, seeded):
    assert main(["--state", str(state), "day", "2026-10-25", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["day"] == "2026-10-25"
    assert found["counts"]["runs"] > LISTED == sum(map(len, found["instruments"].values()))
    assert found["listed_from_utc_ns"] == min(
        r["run"]["began_utc_ns"] for x in found["instruments"].values() for r in x
    )
    assert main(["--state", str(state), "day", "2026-10-25", "--json", "--limit", "999"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["counts"]["runs"] == sum(map(len, found["instruments"].values())) > LISTED
    assert found["listed_from_utc_ns"] is None
    assert main(["--state", str(state), "day", "2020-01-01"]) == 0
    out = capsys.readouterr().out.splitlines()
    assert out[0] == "2020-01-01"
    assert out[1].startswith("the newest run started 2026-10-2")
    assert out[2] == "no runs"
    assert main(["--state", str(state), "day", "2020-01-01", "--instrument", "rotor-9"]) == 0
    assert main(["--state", str(state), "day", "x"]) == 2


def listed(sheet):
    return sorted((r.run.began_utc_ns, r.run.run) for rows in sheet.instruments.values() for r in rows)


@pytest.mark.parametrize("instrument", ["", "cup-1"])
def test_a_bound_cuts_the_oldest_rows_and_no_count(reader, instrument):
    """Sizes around the number of runs of the day."""
    span = command.span_of_day("2026-10-25", NIGHT)
    whole = day_sheet(reader, *span, instrument, limit=-1)
    runs = listed(whole)
    assert len(runs) == whole.counts.runs > 12
    for limit in (1, 2, len(runs) - 1, len(runs), len(runs) + 1):
        sheet = day_sheet(reader, *span, instrument, limit=limit)
        assert sheet.counts == whole.counts
        assert listed(sheet) == runs[-limit:]
        assert sheet.listed_from_utc_ns == (runs[-limit][0] if limit < len(runs) else None)


@pytest.mark.parametrize("limit", [7, 20, 96, 200])
def test_a_day_is_read_on_until_its_oldest_run(reader, limit):
    span = command.span_of_day("2026-10-24", NIGHT)
    until, found, pages = None, set(), 0
    while True:
        sheet = day_sheet(reader, *span, limit=limit, until_utc_ns=until)
        found |= set(listed(sheet))
        pages += 1
        notes = [x for x in command.text_of("d", "", sheet, 200) if "counted, but not listed; older ones: --until" in x]
        assert len(notes) == (sheet.listed_from_utc_ns is not None)
        if sheet.listed_from_utc_ns is None:
            break
        until = command.bound_of_day(re.search(r"--until '(.*)'", notes[0])[1], "2026-10-24", NIGHT, "--until")
    whole = day_sheet(reader, *span, limit=-1)
    assert sorted(found) == listed(whole)
    assert (pages == 1) == (limit >= len(found))


def test_a_time_of_day_is_one_of_the_day_that_is_listed():
    span = command.span_of_day("2026-10-24", NIGHT)
    assert span[0] < command.bound_of_day("14:20", "2026-10-24", NIGHT, "--until") < span[1]
    assert command.bound_of_day("", "2026-10-24", NIGHT, "--until") is None
