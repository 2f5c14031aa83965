"""The table of goals: it marks what misses its goal, and no part that fails hides the others."""

import math
import re
from importlib.util import find_spec

import pytest

from tests.bench import __main__ as bench
from tests.bench.goals import LONG, Row, long_table, table
from tests.bench.year import GOALS_10_MS, growth, look_ups


@pytest.mark.parametrize(
    ("row", "line"),
    [
        (Row("bulk", 1.996, 2, "x"), "  bulk         2 x   goal <= 2 x"),
        (Row("bulk", 2.004, 2, "x"), "  bulk         2 x   goal <= 2 x  *"),
        (Row("bulk", 2.0, 2, "x"), "  bulk         2 x   goal <= 2 x"),
        (Row("drain", 0.79, 0.8, "x", at_least=True), "  drain       0.79 x   goal >= 0.8 x  *"),
        (Row("drain", 0.8, 0.8, "x", at_least=True), "  drain        0.8 x   goal >= 0.8 x"),
        (Row("rate", 61_234.5, 60_000, "/s", at_least=True), "  rate      61,234 /s   goal >= 60,000 /s"),
        (Row("drain", math.nan, 0.8, "x", at_least=True, why="no broker"), "  drain     no broker   goal >= 0.8 x  *"),
        (Row("drain", math.nan, 0.8, "x"), "  drain  not measured   goal <= 0.8 x  *"),
    ],
)
def test_a_row_has_its_goal_and_is_marked_where_it_misses_it(row, line):
    assert [re.sub(" +", " ", one) for one in table([row])] == [re.sub(" +", " ", line)]
    assert row.met == (not line.endswith("*"))


def test_a_part_that_fails_is_named_and_the_others_go_on(monkeypatch, capsys):
    def failing():
        raise RuntimeError("no port")

    parts = {"one": failing, "two": lambda: [Row("second", 1, 2, "s")]}
    monkeypatch.setattr(bench, "PARTS", parts)
    assert bench.main([]) == 1
    out, err = capsys.readouterr()
    assert "part one FAILED" in out
    assert "second" in out
    assert "RuntimeError: no port" in err
    assert bench.main(["two"]) == 0
    assert bench.main(["three"]) == 2


def test_each_command_for_a_long_figure_is_there():
    for row, line in zip(LONG, long_table(), strict=True):
        words = row.command.split()
        assert words[:2] == ["python", "-m"]
        assert find_spec(words[2]) is not None
        assert row.goal in line
        assert row.command in line


def test_each_look_up_with_a_goal_is_measured(tmp_path):
    measured = {*look_ups(tmp_path, 2), "opening of the store"}
    assert set(GOALS_10_MS) <= measured


def test_the_growth_is_the_slope_of_the_logarithms():
    assert growth((1000, 2000, 4000), (0.1, 0.3, 0.4)) == pytest.approx(1)
    assert growth((1000, 4000), (0.2, 0.2)) == 0
    assert math.isnan(growth((1000,), (0.2,)))
