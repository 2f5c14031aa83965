"""Spans resolved to rows, in time and in revolutions; nulls are never averaged."""

import random

import pytest

from daq.core.driver import Values
from tests.core.column_parts import columns_of
from tests.support.runs.scripts import S


def test_a_span_leaves_out_its_start_and_holds_its_end():
    columns = columns_of([(float(i), 0.0, 0.0) for i in range(6)], times=[0, 10, 20, 20, 30, 40])
    span = columns.between(10, 30)
    assert list(columns.times[span.first : span.stop]) == [20, 20, 30]
    assert columns.summary(span, "torque").mean == 3.0


@pytest.mark.parametrize(
    ("turns", "floor", "start", "first", "cut"),
    [
        (1.0, 0, 30, 3, False),  # back to the last reading that was a whole turn ago
        (1.9, 0, 10, 1, False),
        (2.0, 0, 10, 1, False),
        (2.5, 0, 0, 0, False),  # exactly all of it
        (2.6, 0, 0, 0, True),  # more than there was
        (1.9, 20, 20, 2, True),  # would reach back before the floor
        (1.0, 30, 30, 3, False),
    ],
)
def test_spans_in_revolutions(turns, floor, start, first, cut):
    columns = columns_of([(0.0, 30.0, 0.0)] * 5, times=[10, 20, 30, 40, 50], revolutions=[0.5, 1.0, 1.5, 2.0, 2.5])
    span, short = columns.last_turns(turns, 50, floor)
    assert (span.start, span.first, span.stop, short) == (start, first, 5, cut)


def test_a_span_in_revolutions_without_readings_is_cut():
    span, short = columns_of([]).last_turns(1.0, 50, 20)
    assert (span.n, span.start, span.end, short) == (0, 20, 50, True)


@pytest.mark.parametrize("seed", range(20))
def test_after_rows_are_dropped_every_later_span_is_the_same(seed, monkeypatch):
    """Also a span that begins exactly at the time given, whose revolutions count from the row before it."""
    monkeypatch.setattr("daq.core.columns.FEWEST_DROPPED", 1)
    rng = random.Random(seed)
    times = sorted(rng.randrange(0, 100) for _ in range(60))
    rows = [
        (float(i), 30.0, 25.0) if rng.random() < 0.8 else Values((None, 30.0, 25.0), (("torque", "saturated"),))
        for i in range(60)
    ]
    turns = sorted(rng.random() * 20 for _ in range(60))
    whole, less = (columns_of(rows, times=times, revolutions=turns) for _ in range(2))
    t = rng.choice([*times, 50, 51])
    less.drop_before(t)
    for start, end in ((a, b) for a in range(t, 101) for b in range(a, 101, 7)):
        one, other = whole.between(start, end), less.between(start, end)
        assert one.n == other.n
        assert whole.clean(one, ["torque"]) == less.clean(other, ["torque"])
        assert whole.faults(one, "torque") == less.faults(other, "torque")
        before = [c.revolutions[s.first - 1] if s.first else 0.0 for c, s in ((whole, one), (less, other))]
        assert before[0] == before[1]


def test_nulls_are_left_out_by_channel_and_named():
    columns = columns_of(
        [
            (10.0, 12.0, 25.0),
            Values((None, 12.0, 25.0), (("torque", "saturated"),)),
            (20.0, 12.0, 25.0),
            Values((30.0, 12.0, None), (("temperature", "probe"), ("", "keys_used"))),
            Values((None, None, None), (("", "silent"),)),
        ]
    )
    span = columns.between(-1, 10 * S)
    assert columns.summary(span, "torque").n == 3
    assert columns.summary(span, "temperature").n == 3
    assert columns.summary(span, "speed").n == 4
    assert columns.faults(span, "torque") == ["saturated", "keys_used", "silent"]
    assert columns.faults(columns.between(-1, 0), "torque") == []
    assert columns.faults(columns.between(S // 10, S // 5), "torque") == []
    times, (torque,) = columns.clean(span, ["torque"])
    assert torque == [10.0, 20.0, 30.0]
    assert times == [0, S // 5, 3 * S // 10]


def test_block_means_of_equal_time_skip_empty_blocks():
    columns = columns_of([(v, 0.0, 0.0) for v in (1.0, 3.0, 5.0)], times=[1, 2, 9])
    found = list(columns.block_means(columns.between(0, 10), ["torque"], 5))
    assert [m for _, (m,) in found] == [2.0, 5.0]
    assert [t for t, _ in found] == pytest.approx([1.5e-9, 9e-9])
