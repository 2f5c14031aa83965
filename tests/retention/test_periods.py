"""Periods of the calendar, as `[retention]` has them."""

import random
from datetime import date, timedelta

import pytest
from pydantic import ValidationError

from daq.app.setup.periods import earlier, later
from daq.methods.files.daemon import Daemon
from daq.methods.files.retention import Retention

SEED = 5


@pytest.mark.parametrize(
    ("day", "length", "expected"),
    [
        # Common practice, no source: a day that the month does not have is its last.
        (date(2024, 2, 29), "1 year", date(2025, 2, 28)),
        (date(2024, 2, 29), "4 years", date(2028, 2, 29)),
        (date(2026, 1, 31), "1 month", date(2026, 2, 28)),
        (date(2026, 11, 30), "3 months", date(2027, 2, 28)),
        (date(2026, 12, 31), "1 day", date(2027, 1, 1)),
        (date(2026, 1, 1), "5 years", date(2031, 1, 1)),
        (date(9999, 1, 1), "5 years", date.max),
    ],
)
def test_a_period_ends_on_the_same_day_of_the_calendar(day, length, expected):
    assert later(day, length) == expected


def test_earlier_is_the_last_day_whose_period_has_passed():
    rng = random.Random(SEED)
    for _ in range(3000):
        day = date(1990, 1, 1) + timedelta(days=rng.randrange(30_000))
        length = f"{rng.randrange(1, 60)} {rng.choice(['days', 'months', 'years'])}"
        found = earlier(day, length)
        assert later(found, length) <= day < later(found + timedelta(days=1), length)


def test_only_periods_of_the_calendar_are_accepted():
    made = Daemon.model_validate({"retention": {"journals": "5 years", "payloads": "18 months"}})
    assert made.retention == Retention(journals="5 years", payloads="18 months")
    assert Daemon().retention == Retention(journals=None, payloads="90 days")
    for wrong in ("5", "0 years", "-1 days", "5 years ", "1.5 years", "5 h", 5, "", "five years"):
        with pytest.raises(ValidationError, match="is no period of the calendar"):
            Retention.model_validate({"journals": wrong})
