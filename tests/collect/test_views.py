"""The views for reporting tools agree with a count by hand."""

import asyncio
import json
import tomllib
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from daq.collect.columns import RESULT
from daq.collect.database import open_database
from daq.collect.decode import decode
from daq.collect.schema import migrate
from daq.collect.writing import Writer
from daq.quality.charts import individuals_chart
from tests.support.processes.postgres import needs_postgres
from tests.support.runs.result_events import SOURCE, own_id, result

pytestmark = needs_postgres
MONDAY = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
LIMITS = [
    {"quantity": "viscosity", "low": 700.0, "high": 900.0, "unit": "mPa.s", "applies_at": {}, "verdict": "within"}
]
NO_LIMITS = {"verdict": "none", "limits": []}


@pytest.fixture
def store(database):
    """Stores messages."""

    def put(*messages):
        async def scenario():
            db = await open_database(database, "test")
            await migrate(db)
            writer = Writer(db)
            await writer.prepare()
            await writer.take([decode(*m) for m in messages])
            await db.close()

        asyncio.run(scenario())

    return put


def judged(verdict, low=700.0, high=900.0):
    return {
        "verdict": verdict,
        "rounding": "rounded",
        "limits": [{**LIMITS[0], "low": low, "high": high, "verdict": verdict}],
    }


def corrected(n, source=SOURCE, stream="bench-1"):
    return {"source": source, "id": own_id(source, stream, n)}


def measured(n, sample, *, at=MONDAY, value=800.0, validity="valid", verdict="within", **more):
    """A result of a sample; `n` is its sequence."""
    stream = more.pop("stream", "bench-1")
    change = {
        "sample.id": sample, "value": value, "validity": validity,
        "verdict": NO_LIMITS if verdict == "none" else judged(verdict), **more.pop("change", {}),
    }  # fmt: skip
    return result(n, stream=stream, time=at + timedelta(minutes=n), change=change, **more)


@pytest.mark.slow
def test_a_correction_replaces_its_result_and_its_own_predecessor(store, query):
    store(
        measured(1, "S-1", value=700.0),
        measured(2, "S-1", value=710.0, change={"supersedes": corrected(1), "origin.run": "run-1"}),
        measured(3, "S-1", value=720.0, source=SOURCE.replace("#1", "#2"),
                 change={"supersedes": corrected(2), "origin.run": "run-1"}),
        measured(4, "S-2", value=650.0),
    )  # fmt: skip
    assert query("SELECT sample, value FROM lab.results_in_force ORDER BY sample") == [("S-1", 720.0), ("S-2", 650.0)]
    assert query("SELECT was, became FROM lab.corrections ORDER BY was") == [(700.0, 710.0), (710.0, 720.0)]
    assert query("SELECT place, source FROM lab.results_in_force WHERE sample = 'S-2'") == [
        ("glaze-works/kiln-street/quality", SOURCE)
    ]


def test_another_daemon_cannot_replace_a_result(store, query):
    other = "urn:uuid:6f1e0f0a-0000-4000-8000-00000000ffff#1"
    store(measured(1, "S-1"), measured(2, "S-9", source=other, change={"supersedes": corrected(1)}))
    assert query("SELECT sample FROM lab.results_in_force ORDER BY 1") == [("S-1",), ("S-9",)]


def test_the_newest_valid_result_of_a_sample(store, query):
    store(
        measured(1, "S-1", value=800.0),
        measured(2, "S-1", value=810.0),
        measured(3, "S-1", value=None, validity="not_valid"),
        measured(4, "S-1", value=1.0, change={"outcome": "stopped"}),
        measured(5, "S-1", value=2.0, change={"simulated": True}),
        measured(6, "S-2", value=None, validity="not_valid"),
    )
    assert query("SELECT sample, value, verdict FROM lab.sample_results") == [("S-1", 810.0, "within")]


def test_a_correction_made_later_does_not_make_a_run_the_newest(store, query):
    ended = (MONDAY + timedelta(minutes=1)).isoformat()
    store(
        measured(1, "S-1", value=800.0),
        measured(2, "S-1", value=810.0),
        measured(9, "S-1", value=801.0, change={"supersedes": corrected(1), "origin.ended": ended}),
    )
    assert query("SELECT value FROM lab.sample_results") == [(810.0,)]


def test_every_limit_is_a_row(store, query):
    two = {"verdict": "outside", "rounding": "rounded", "limits": [
        {**LIMITS[0], "verdict": "within"}, {**LIMITS[0], "low": None, "high": 750.0, "verdict": "outside"},
    ]}  # fmt: skip
    store(measured(1, "S-1", change={"verdict": two}), measured(2, "S-2", verdict="none"))
    assert query("SELECT sample, low, high, limit_verdict, rounding FROM lab.product_limits ORDER BY high") == [
        ("S-1", None, 750.0, "outside", "rounded"), ("S-1", 700.0, 900.0, "within", "rounded"),
    ]  # fmt: skip


def test_the_rule_of_acceptance_and_its_risk_are_columns(store, query):
    guarded = {"verdict": "undecided", "rounding": "unrounded", "acceptance": "guard_banded_acceptance", "limits": [
        {**LIMITS[0], "verdict": "undecided", "accepted_low": 720.0, "accepted_high": 880.0, "probability_outside": 0.1},
    ]}  # fmt: skip
    simple = {"verdict": "within", "rounding": "unrounded", "acceptance": "simple_acceptance",
              "risk_of_false_acceptance": 0.02, "limits": [{**LIMITS[0], "probability_outside": 0.02}]}  # fmt: skip
    store(measured(1, "S-1", change={"verdict": guarded}), measured(2, "S-2", change={"verdict": simple}))
    assert query(
        "SELECT sample, limit_verdict, accepted_low, accepted_high, probability_outside, acceptance, "
        "risk_of_false_acceptance FROM lab.product_limits ORDER BY sample"
    ) == [
        ("S-1", "undecided", 720.0, 880.0, 0.1, "guard_banded_acceptance", None),
        ("S-2", "within", None, None, 0.02, "simple_acceptance", 0.02),
    ]
    # Undecided is not within: it does not pass at first.
    assert query("SELECT samples, within_at_first FROM lab.first_pass_by_day") == [(2, 1)]


def test_first_pass_yield_counts_the_first_attempt_of_each_sample(store, query):
    tuesday = MONDAY + timedelta(days=1)
    store(
        measured(1, "S-1"),                                               # within at first
        measured(2, "S-2", verdict="outside", value=950.0),               # outside at first,
        measured(3, "S-2", at=tuesday),                                   # within later: does not count
        measured(4, "S-3", validity="not_valid", value=None, verdict="not_comparable"),  # not valid at first
        measured(5, "S-3"),
        measured(6, "S-4", verdict="none"),                               # a product without limits
        measured(7, "S-5", change={"simulated": True}),
        measured(8, "S-6", at=tuesday),
        measured(9, "S-7", change={"verification": {"condition": "as_found"}}, verdict="within"),
    )  # fmt: skip
    assert query("SELECT day, product, samples, valid_at_first, within_at_first, not_comparable_at_first, yield "
                 "FROM lab.first_pass_by_day ORDER BY day") == [
        (date(2026, 3, 2), "clear-glaze", 3, 2, 1, 1, pytest.approx(1 / 3)),
        (date(2026, 3, 3), "clear-glaze", 1, 1, 1, 0, 1.0),
    ]  # fmt: skip


def test_the_last_value_of_every_instrument_with_its_method_digest_and_interval(store, query):
    store(
        measured(1, "S-1", value=801.0),
        measured(3, "S-3", value=None, validity="not_valid", verdict="none", change={"quality": "Bad"}),
        measured(2, "S-2", value=802.0),
        measured(7, "S-7", stream="bench-2", value=803.0, change={"uncertainty.low": 790.0, "uncertainty.high": 816.0}),
        measured(8, "S-8", stream="bench-2", value=1.0, change={"verification": {"condition": "as_found"}}),
        measured(9, "S-9", stream="bench-2", value=1.0, change={"simulated": True}),
    )
    rows = query(
        "SELECT instrument, value, validity, unit, interval_low, interval_high, length(method_digest), disputed "
        "FROM lab.last_values ORDER BY 1"
    )
    assert [r[:4] for r in rows] == [("bench-1", None, "not_valid", "mPa.s"), ("bench-2", 803.0, "valid", "mPa.s")]
    assert rows[1][4:] == (790.0, 816.0, len(json.loads(result(1)[1])["data"]["method"]["digest"]), False)


def test_every_number_in_a_column_has_its_unit_in_the_name_or_in_another_column():
    """UCUM codes of fixed units, as words a column's name can hold."""
    words = {"/min": "_per_min", "Cel": "_celsius", "/s": "_per_s", "%": "_percent", "1": ""}
    for column in RESULT:
        unit = column.named.leaf.unit
        if unit:
            assert column.name.endswith(words[unit]), (column.name, unit)
        elif column.declared.startswith("double"):
            assert column.named.leaf.unit_at or column.name == "k", column.name


def test_use_of_instruments_by_day(store, query):
    store(
        *[measured(n, f"S-{n}") for n in (1, 2, 3)],
        measured(4, "S-4", change={"outcome": "stopped"}, validity="not_valid", value=None),
        measured(1, "S-9", stream="bench-2", at=MONDAY + timedelta(days=1)),
    )
    rows = query(
        "SELECT day, instrument, runs, complete, valid, samples, hours FROM lab.instrument_use_by_day ORDER BY 1"
    )
    # Each run of `tests.support.runs.result_events` takes 190 s.
    assert rows == [
        (date(2026, 3, 2), "bench-1", 4, 3, 3, 4, pytest.approx(4 * 190 / 3600)),
        (date(2026, 3, 3), "bench-2", 1, 1, 1, 1, pytest.approx(190 / 3600)),
    ]


def test_control_limits_are_those_of_the_handbook_s_worked_example(store, query):
    """NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 (flow rate, 10 batches): values and moving ranges as in
    `tests/reference/statistics.toml`; the handbook rounds d2 to 1.128."""
    cases = tomllib.loads((Path(__file__).parents[1] / "reference/statistics.toml").read_text())
    values = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    assert str(values) in str(cases), "the reference cases hold the handbook's values"
    store(*[measured(n, f"B-{n}", value=v) for n, v in enumerate(values, 1)],
          measured(11, "B-11", value=None, validity="not_valid"))  # fmt: skip
    ranges = [r for (r,) in query("SELECT moving_range FROM lab.control_chart ORDER BY position")]
    assert ranges[0] is None
    assert ranges[1:] == pytest.approx([2.0, 2.3, 1.4, 3.5, 3.4, 1.4, 0.2, 1.2, 1.5])
    ((n, centre, mean_range, lower, upper),) = query(
        "SELECT n, centre, mean_moving_range, lower, upper FROM lab.control_limits"
    )
    assert (n, centre, mean_range) == (10, pytest.approx(50.81), pytest.approx(1.8778, abs=5e-5))
    assert (lower, upper) == (pytest.approx(45.8159, abs=0.003), pytest.approx(55.8041, abs=0.003))
    ours = individuals_chart(values)
    assert (centre, lower, upper) == (
        pytest.approx(ours.centre, rel=1e-12), pytest.approx(ours.lower, rel=1e-9), pytest.approx(ours.upper, rel=1e-9),
    )  # fmt: skip


def test_products_methods_and_geometries_have_charts_of_their_own(store, query):
    store(measured(1, "A"), measured(2, "B", change={"sample.product": "white-glaze"}), measured(3, "C", value=810.0),
          measured(4, "D", change={"geometry.name": "coaxial-15"}))  # fmt: skip
    assert query("SELECT product, geometry, n, mean_moving_range FROM lab.control_limits") == [
        ("clear-glaze", "coaxial-12", 2, 10.0)
    ]


QUESTIONS = {
    "a lot of a product over time": (
        "product = 'clear-glaze' AND lot = 'L-118' AND time > '2026-03-01'", "results_2026_03_product_lot_time"),
    "a sample": ("sample = 'S-1'", "results_2026_03_sample_time"),
    "an instrument's month": ("instrument = 'bench-1' AND time > '2026-03-01'", "results_2026_03_instrument_time"),
    "what was outside": ("validity = 'valid' AND verdict = 'outside' AND time > '2026-03-01'",
                         "results_2026_03_validity_verdict_time"),
    "what replaces a result": ("supersedes = '6f1e0f0a-0000-4000-8000-000000000001'", "results_2026_03_supersedes"),
}  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("question", QUESTIONS)
def test_the_questions_a_plant_asks_have_an_index(store, query, question):
    store(measured(1, "S-1"))
    condition, index = QUESTIONS[question]
    query("SELECT set_config('enable_seqscan', 'off', false)")
    plan = "\n".join(line for (line,) in query(f"EXPLAIN SELECT value FROM lab.results WHERE {condition}"))  # noqa: S608
    assert index in plan, plan


@pytest.mark.slow
def test_a_time_range_looks_only_into_its_months(store, query):
    store(*[measured(n, "S", at=datetime(2025, n, 3, tzinfo=UTC)) for n in range(1, 13)])
    plan = "\n".join(
        line
        for (line,) in query(
            "EXPLAIN SELECT value FROM lab.results_in_force WHERE time >= '2025-05-01' AND time < '2025-06-01'"
        )
    )
    scanned = {part.split()[0] for part in plan.split(" on results_2025")[1:]}
    assert "_05" in scanned
    assert "Scan on results_2025_04 r" not in plan
    assert "Scan on results_2025_05 r" in plan


def test_results_without_authorisation_are_in_force_and_counted_nowhere(store, query):
    by_trainee = {"origin.operator": "a.new", "origin.attribution": "not_authorised"}
    store(
        measured(1, "S-1", value=700.0, change=by_trainee),
        measured(2, "S-1", value=810.0, change={"origin.attribution": "authorised"}),
        measured(3, "S-1", value=790.0, change=by_trainee),
        measured(4, "S-2", value=800.0, change={"origin.attribution": "unattributed"}),
        measured(5, "S-3", value=805.0),
        measured(6, "S-4", value=600.0, verdict="outside", change=by_trainee),
    )
    assert query("SELECT count(*) FROM lab.results_in_force") == [(6,)]
    counted = [("S-1", 810.0), ("S-2", 800.0), ("S-3", 805.0)]
    assert query("SELECT sample, value FROM lab.sample_results ORDER BY sample") == counted
    assert query("SELECT sample, value FROM lab.control_chart ORDER BY sample") == counted
    assert query("SELECT samples, within_at_first FROM lab.first_pass_by_day") == [(3, 3)]
