"""A search finds the runs that a filter in plain Python finds, for each combination of conditions."""

import itertools
import json
import random
import sqlite3
import time

import pytest

from daq.adapters.store.reading import Reader
from daq.adapters.store.schema import FORMAT
from daq.app.cli import main
from daq.app.records import searching
from daq.app.records.run_rows import entry
from daq.app.records.searching import RUNNING, RunSearch, absent, condition, search, statement
from tests.support.runs.old_databases import from_dump
from tests.support.runs.searched import HOSTILE, NIGHT, VALUES, VERDICTS, make_searched
from tests.support.runs.stored import SECOND

CONDITIONS = (
    "sample",
    "lot",
    "product",
    "operator",
    "instrument",
    "outcome",
    "verdict",
    "since_utc_ns",
    "until_utc_ns",
)


@pytest.fixture(scope="module")
def state(tmp_path_factory):
    return tmp_path_factory.mktemp("searched")


@pytest.fixture(scope="module")
def seeded(state):
    return make_searched(state / "daq.db", 400)


@pytest.fixture
def reader(state, seeded):
    with Reader(state / "daq.db") as opened:
        yield opened


def drawn(rng, name):
    if name == "verdict":
        return rng.choice(VERDICTS)
    if name == "outcome":
        return rng.choice(("complete", "stopped", "failed", "interrupted", RUNNING))
    if name.endswith("_ns"):
        return NIGHT + rng.randrange(-80_000, 80_000) * SECOND
    return rng.choice([v for v in VALUES[name] if v])


def satisfies(run, asked):
    """Return True for a run that satisfies each condition, compared one by one."""
    r = run.record
    texts = all(
        getattr(r, n) == getattr(asked, n)
        for n in ("sample", "lot", "product", "operator", "instrument")
        if getattr(asked, n)
    )
    outcome = not asked.outcome or (run.outcome or RUNNING) == asked.outcome
    verdict = not asked.verdict or run.verdict == asked.verdict
    since = asked.since_utc_ns is None or r.began_utc_ns >= asked.since_utc_ns
    until = asked.until_utc_ns is None or r.began_utc_ns <= asked.until_utc_ns
    return texts and outcome and verdict and since and until


@pytest.mark.parametrize("count", range(len(CONDITIONS) + 1))
@pytest.mark.parametrize("at_once", [7, 500])
def test_each_combination_finds_what_a_filter_in_python_finds(reader, seeded, monkeypatch, count, at_once):
    monkeypatch.setattr(searching, "AT_ONCE", at_once)
    rng = random.Random(count)
    hits = 0
    for names in itertools.combinations(CONDITIONS, count):
        # Values of a run that exists, and values drawn one by one.
        model = rng.choice(seeded)
        own = {n: getattr(model.record, n) for n in VALUES if n != "outcome"} | {
            "outcome": model.outcome or RUNNING, "verdict": model.verdict or "within",
            "since_utc_ns": model.record.began_utc_ns - rng.choice((0, 1)), "until_utc_ns": model.record.began_utc_ns,
        }  # fmt: skip
        for values in (own, {n: drawn(rng, n) for n in names}):
            asked = RunSearch(**{n: values[n] for n in names})
            expected = [s.record.id for s in seeded if satisfies(s, asked)]
            found = search(reader, asked)
            assert [r.id for r in found.runs] == expected, asked
            assert found.reached_utc_ns is None
            for limit in (1, 3):
                assert [r.id for r in search(reader, asked, limit=limit).runs] == expected[:limit]
            hits += bool(expected)
    assert hits > 0


def test_the_newest_result_of_a_corrected_run_counts(reader, seeded):
    for verdict in VERDICTS:
        found = {r.id for r in search(reader, RunSearch(verdict=verdict)).runs}
        assert found == {s.record.id for s in seeded if entry(reader, s.record).verdict == verdict}
        assert found


@pytest.mark.parametrize("text", HOSTILE)
@pytest.mark.parametrize("name", ["sample", "lot", "product", "operator", "instrument"])
def test_a_text_is_only_compared(reader, seeded, name, text):
    found = [r.id for r in search(reader, RunSearch(**{name: text})).runs]
    assert found == [s.record.id for s in seeded if getattr(s.record, name) == text]
    where = condition(RunSearch(**{name: text}))
    assert text in where.parameters
    assert len(text) < 3 or text not in statement(where)


@pytest.mark.parametrize(
    "asked",
    [
        RunSearch(product="slip", operator="none"),
        RunSearch(instrument="rotor-1", product="slip", lot="none"),
        RunSearch(outcome="complete", verdict="none of these"),
        RunSearch(verdict="none of these"),
    ],
)
def test_a_search_walks_along_its_rarest_condition(reader, asked):
    found = search(reader, asked)
    assert (found.runs, found.examined, found.reached_utc_ns) == ([], 0, None)


def test_a_search_that_ends_at_its_bound_says_how_far_it_came(reader, seeded, monkeypatch):
    monkeypatch.setattr(searching, "MOST_EXAMINED", 50)
    monkeypatch.setattr(searching, "FEW", 0)
    last = seeded[49].record
    found = search(reader, RunSearch(sample="G-9", instrument="rotor-9"))
    assert (found.runs, found.examined, found.reached_utc_ns) == ([], 0, None)
    found = search(reader, RunSearch(verdict="outside"))
    assert [r.id for r in found.runs] == [s.record.id for s in seeded[:50] if s.verdict == "outside"]
    assert (found.examined, found.reached_utc_ns) == (50, last.began_utc_ns)
    # From there on, a search finds the rest.
    monkeypatch.setattr(searching, "MOST_EXAMINED", 1000)
    rest = search(reader, RunSearch(verdict="outside", until_utc_ns=found.reached_utc_ns))
    every = {s.record.id for s in seeded if s.verdict == "outside"}
    assert {r.id for r in found.runs} | {r.id for r in rest.runs} == every
    # At the bound with nothing older, nothing was left out.
    monkeypatch.setattr(searching, "MOST_EXAMINED", len(seeded))
    assert search(reader, RunSearch(verdict="outside")).reached_utc_ns is None


def test_a_search_of_a_database_of_an_old_format_finds_the_same(tmp_path):
    for version in range(1, FORMAT + 1):
        with Reader(from_dump(tmp_path / f"{version}.sqlite", f"{version:04}", version)) as reader:
            assert [r.id for r in search(reader, RunSearch(lot="L7", operator="m.keeper")).runs] == ["old-b", "old-a"]
            assert [r.id for r in search(reader, RunSearch(outcome="complete")).runs] == ["old-a"]
            assert search(reader, RunSearch(verdict="outside")).runs == []


def test_damaged_data_of_a_result_do_not_hold_up_a_search(tmp_path):
    make_searched(tmp_path / "daq.sqlite", 9)
    connection = sqlite3.connect(tmp_path / "daq.sqlite")
    connection.execute("PRAGMA ignore_check_constraints = ON")
    connection.execute("DROP TRIGGER results_no_update")
    connection.execute("UPDATE results SET data = '{' WHERE rowid = 1")
    connection.commit()
    connection.close()
    with Reader(tmp_path / "daq.sqlite") as reader:
        search(reader, RunSearch(verdict="outside"))


def test_an_empty_search_says_what_there_is(reader, seeded, monkeypatch):
    monkeypatch.setenv("TZ", "UTC")
    time.tzset()
    lines = absent(reader, RunSearch(product="slop", operator="j.turner", lot="L-9", since_utc_ns=0))
    newest = next(s.record for s in seeded if s.record.operator == "j.turner")
    when = time.strftime("%Y-%m-%d %H:%M:%S", time.gmtime(newest.began_utc_ns // SECOND))
    assert lines[0] == "lot L-9: no run"
    assert lines[1].startswith("product slop: no run; so far: clear-glaze, slip, x' OR")
    assert lines[2] == f"operator j.turner: newest run {when}"
    assert lines[3].startswith("from 1970-01-01 00:00:00: the newest run started 2026-10-2")
    assert absent(reader, RunSearch(instrument="\x1b[2J"))[0].startswith(
        "instrument \\x1b[2J: no run; so far: cup-1, rotor-1, rotor-2"
    )


# ---- the command


def listed(capsys, state, *args):
    assert main(["--state", str(state), "runs", "--json", "--limit", "1000", *args]) == 0
    return [e["run"] for e in json.loads(capsys.readouterr().out)]


@pytest.fixture
def berlin(monkeypatch):
    monkeypatch.setenv("TZ", "CET-1CEST,M3.5.0,M10.5.0/3")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


def test_the_command_takes_each_option(capsys, state, seeded):
    rng = random.Random(5)
    for count in (1, 2, 3):
        for names in itertools.combinations(CONDITIONS[:7], count):
            values = {n: drawn(rng, n) for n in names}
            args = [f"--{n}={v}" for n, v in values.items()]
            assert listed(capsys, state, *args) == [s.record.id for s in seeded if satisfies(s, RunSearch(**values))]


@pytest.mark.parametrize(
    ("since", "until", "span"),
    [  # Seconds from 2026-10-25 00:00 UTC; at 01:00 UTC the clocks go from 03:00 back to 02:00.
        ("2026-10-25", "2026-10-25", (-7200, 82_800)),
        ("2026-10-25T02:30", "2026-10-25T02:30", (1800, 5401)),
        ("2026-10-25T02:30+02:00", "2026-10-25T02:30+02:00", (1800, 1801)),
        ("2026-10-25 01:00", "2026-10-25 04:00:00", (-3600, 10_801)),
        ("2026-10-25T00:00:00Z", "2026-10-25T01:00:00Z", (0, 3601)),
    ],
)
def test_times_around_a_change_of_clocks(capsys, state, seeded, berlin, since, until, span):
    begin, end = span
    expected = [s.record.id for s in seeded if begin <= (s.record.began_utc_ns - NIGHT) / SECOND < end]
    assert listed(capsys, state, "--since", since, "--until", until) == expected
    assert len(expected) > 0 or end - begin < 10


@pytest.mark.parametrize("text", ["yesterday", "26.11.2026", "24:00", "2026-13-01", "9999-12-31T", "0"])
def test_a_wrong_time_is_refused_by_its_option(capsys, state, seeded, text):
    assert main(["--state", str(state), "runs", "--since", text]) == 2
    assert f"--since: {text!r} is no time; write 14:20, 2026-11-26" in capsys.readouterr().err


def test_an_empty_list_and_an_incomplete_one_say_so(capsys, state, seeded, monkeypatch):
    assert main(["--state", str(state), "runs", "--product", "slop"]) == 0
    assert capsys.readouterr().out.startswith(
        "no runs satisfy all of this\n  product slop: no run; so far: clear-glaze"
    )
    monkeypatch.setattr(searching, "MOST_EXAMINED", 5)
    assert main(["--state", str(state), "runs", "--verdict", "outside", "--json"]) == 0
    assert "5 runs were examined, back to 2026-10-" in capsys.readouterr().err
