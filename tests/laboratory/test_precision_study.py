"""Repeatability and reproducibility from results in a database (ISO 5725-2), and which results count.

The published case is STA-5725-01 of tests/reference: NIST StRD SiRstv, five groups of five.  Further figures are
compared with scipy and numpy, general-purpose libraries.
"""

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import f_oneway

from daq.adapters.store.reading import Reader
from daq.app.laboratory.lists.precision_study import Period, precision_study
from daq.core.errors import SettingError, StoreError
from daq.quality.replicates import precision
from tests.support.reference.tables import EXPECTED, strd
from tests.support.runs.charted import Measured, make_charted, run_id
from tests.support.runs.full_database import falsified
from tests.support.runs.stored import METHOD_DIGEST

DAY_S = 86_400


def of_groups(groups, **more):
    """Return runs of one sample, each on a filling of its own, in turn over the groups."""
    in_turn = itertools.zip_longest(*(list(values) for values in groups.values()))
    return [
        Measured("R-1", float(value), product="", instrument=name, fill=f"{name} {turn}", **more)
        for turn, row in enumerate(in_turn)
        for name, value in zip(groups, row, strict=True)
        if value is not None
    ]


def study_of(folder, runs, by="instrument", every_s=60, **more):
    with Reader(make_charted(folder / "daq.db", runs, every_s=every_s)) as reader:
        return precision_study(reader, "R-1", by, **more)


def test_the_published_figures_come_from_results_in_a_database(tmp_path):
    groups = {}
    for group, value in strd("SiRstv"):
        groups.setdefault(f"bench-{group:.0f}", []).append(value)
    found = study_of(tmp_path, of_groups(groups))
    assert [(g.name, len(g.values)) for g in found.groups] == [(f"bench-{i}", 5) for i in range(1, 6)]
    figures = found.as_json()["found"]
    names = {"F": "f", "s_r": "s_r", "s_R": "s_R", "r_limit_2.8": "r_limit", "R_limit_2.8": "R_limit"}
    expected = {e.quantity: e for e in EXPECTED if e.case == "STA-5725-01"}
    assert set(expected) == set(names)
    for published, name in names.items():
        assert expected[published].holds(figures[name]), published


@pytest.mark.parametrize("seed", range(3))
def test_unequal_groups_agree_with_general_libraries(tmp_path, seed):
    rng = np.random.default_rng(seed)
    sizes = rng.integers(1, 6, size=4) + np.array([1, 0, 0, 0])
    groups = {
        f"bench-{i}": 800 + 5 * rng.standard_normal() + 3 * rng.standard_normal(n) for i, n in enumerate(sizes, 1)
    }
    found = study_of(tmp_path, of_groups(groups)).found
    values = list(groups.values())
    within = sum(((v - v.mean()) ** 2).sum() for v in values) / (sizes.sum() - 4)
    f = f_oneway(*values).statistic
    # ISO 5725-2 7.4.5: the mean number of results of a group.
    mean_size = (sizes.sum() - (sizes**2).sum() / sizes.sum()) / 3
    between = max(0.0, (f - 1) * within / mean_size)
    assert (found.s_r, found.f) == (pytest.approx(math.sqrt(within)), pytest.approx(f))
    assert found.s_R == pytest.approx(math.sqrt(within + between))
    assert (found.dof_within, found.dof_between) == (sizes.sum() - 4, 3)


def test_groups_are_instruments_days_or_operators(tmp_path):
    groups = {"bench-1": [800.0, 802.0, 801.0], "bench-2": [810.0, 811.0, 809.0]}
    path = make_charted(tmp_path / "daq.db", of_groups(groups), every_s=DAY_S // 2)
    with Reader(path) as reader:
        found = {by: precision_study(reader, "R-1", by) for by in ("instrument", "day", "operator")}
    assert [g.values for g in found["instrument"].groups] == [tuple(v) for v in groups.values()]
    assert len(found["day"].groups) in (3, 4)
    assert sorted(v for g in found["day"].groups for v in g.values) == sorted(itertools.chain(*groups.values()))
    assert found["instrument"].found.s_between > 5 > found["instrument"].found.s_r
    assert found["day"].found.s_r > 5
    # One person measured all of it, so nothing is known about persons.
    assert ([g.name for g in found["operator"].groups], found["operator"].found) == (["m.keeper"], None)


GOOD = of_groups({"bench-1": [800.0, 802.0], "bench-2": [805.0, 806.0]})
#: A run that does not count beside the good ones, and the code of the reason.  Verifications, sheared fillings and
#: trainees are cases of the reportable result, which has the same rule (tests/methods/test_reportable.py).
STRANGERS = {
    "the same filling": ({"fill": "bench-1 0"}, {}, "fill_repeated"),
    "another method": ({}, {"method": {"id": "other", "version": "1", "digest": METHOD_DIGEST, "choices": {}}}, "differs_from_first"),
    "another geometry": ({}, {"geometry": {"name": "coaxial-15", "vessel": None}}, "differs_from_first"),
    "another quantity": ({}, {"quantity": "yield_stress"}, "differs_from_first"),
    "not valid": ({}, {"validity": "not_valid"}, "without_valid_result"),
    "doubtful": ({}, {"validity": "doubtful"}, "without_valid_result"),
    "without a value": ({"value": None}, {}, "without_valid_result"),
    "sheared": ({}, {"sample": {"id": "R-1", "product": None, "fill": "of its own", "sheared": True}}, "fill_was_sheared"),
    "simulated": ({"simulated": True}, {}, "chart_left_simulated"),
}  # fmt: skip


@pytest.mark.parametrize("stranger", STRANGERS)
def test_a_result_that_is_no_replicate_changes_no_figure(tmp_path, stranger):
    update, changes, code = STRANGERS[stranger]
    more = {"sample": "R-1", "value": 900.0, "product": "", "fill": "of its own", "changes": changes} | update
    own = Measured(**more)
    found = study_of(tmp_path, [*GOOD, own])
    assert [(g.name, g.values) for g in found.groups] == [("bench-1", (800.0, 802.0)), ("bench-2", (805.0, 806.0))]
    assert found.found == precision([[800.0, 802.0], [805.0, 806.0]])
    assert [(x.name, x.why[0].code) for x in found.left_out] == [(run_id(len(GOOD))[:8], code)]


def test_a_correction_counts_with_its_value(tmp_path):
    corrected = [replace(GOOD[0], corrected={"value": 700.0}), *GOOD[1:]]
    assert study_of(tmp_path, corrected).groups[0].values == (700.0, 802.0)


def test_simulated_results_alone_are_named(tmp_path):
    found = study_of(tmp_path, [replace(r, simulated=True) for r in GOOD])
    assert (found.simulated, found.found is None) == (True, False)


@pytest.mark.parametrize("groups", [{"bench-1": [800.0, 801.0]}, {"bench-1": [800.0], "bench-2": [801.0]}])
def test_too_few_results_have_no_figures(tmp_path, groups):
    found = study_of(tmp_path, of_groups(groups))
    assert (found.found, found.as_json()["found"], len(found.groups)) == (None, None, len(groups))


EVERY_S = 3600


@pytest.fixture(scope="module")
def hourly(tmp_path_factory):
    """The good runs and two of another method, each an hour after the one before; and their starts (UTC ns)."""
    other = {"method": {"id": "other", "version": "1", "digest": METHOD_DIGEST, "choices": {}}}
    runs = [*(Measured("R-1", 1.0 + i, product="", fill=f"o{i}", changes=other) for i in range(2)), *GOOD]
    path = make_charted(tmp_path_factory.mktemp("hourly") / "daq.db", runs, every_s=EVERY_S)
    with Reader(path) as reader:
        yield reader, sorted(r.began_utc_ns for r in reader.runs(limit=-1))


def test_only_results_of_the_period_count_and_it_is_stated(hourly):
    """Sweep over all pairs of bounds at, just before and just after each start; both bounds are included."""
    reader, starts = hourly
    bounds = [None, *(s + d for s in starts for d in (-1, 0, 1))]
    counted = set()
    for since, until in itertools.product(bounds, repeat=2):
        inside = [s for s in starts if (since is None or s >= since) and (until is None or s <= until)]
        asked = {"period": Period(since, until)}
        if not inside:
            with pytest.raises(SettingError, match="none of the 6 runs of sample 'R-1' began in this period"):
                precision_study(reader, "R-1", **asked)
            continue
        found = precision_study(reader, "R-1", **asked)
        # The first result of the period has the method that counts.
        is_other = inside[0] in starts[:2]
        expected = [s for s in inside if (s in starts[:2]) is is_other]
        assert sum(len(g.values) for g in found.groups) == len(expected)
        assert (found.period.first, found.period.last) == (expected[0], expected[-1])
        assert (found.period.since, found.period.until) == (since, until)
        assert found.period.outside == 6 - len(inside)
        assert len(found.left_out) == len(inside) - len(expected)
        counted.add(len(expected))
    assert counted == {1, 2, 3, 4}


def test_changed_data_and_unknown_samples_are_refused(tmp_path):
    path = make_charted(tmp_path / "daq.db", GOOD)
    changed = tmp_path / "changed.db"
    with falsified(path, changed) as db:
        db.execute("UPDATE results SET data = replace(data, '802.0', '812.0')")
    with Reader(changed) as reader, pytest.raises(StoreError, match="no figures, because stored data do not agree"):
        precision_study(reader, "R-1")
    with Reader(path) as reader, pytest.raises(SettingError, match="there is no run of sample 'R-2'"):
        precision_study(reader, "R-2")
