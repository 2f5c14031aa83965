"""Times as people type them are stored with their offset."""

import time
from datetime import UTC, datetime, timedelta

import pytest

from daq.core.errors import SettingError
from daq.process.moments import any_moment, past_moment


def ns(text):
    return round(datetime.fromisoformat(text).timestamp()) * 10**9


@pytest.fixture(autouse=True)
def _berlin(monkeypatch):
    """A zone that changes its clocks (IANA time zone database)."""
    monkeypatch.setenv("TZ", "Europe/Berlin")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.mark.parametrize(
    ("now", "typed", "stored"),
    [
        ("2026-11-26T15:00+01:00", "14:20", "2026-11-26T14:20+01:00"),
        ("2026-11-26T14:19:30+01:00", "14:20", "2026-11-26T14:20+01:00"),
        ("2026-11-26T13:00+01:00", "14:20", "2026-11-25T14:20+01:00"),
        ("2026-03-29T13:00+02:00", "14:20", "2026-03-28T14:20+01:00"),
        ("2026-10-25T13:00+01:00", "14:20", "2026-10-24T14:20+02:00"),
        ("2026-11-26T15:00+01:00", "2026-11-26T09:05", "2026-11-26T09:05+01:00"),
        ("2026-11-26T15:00+01:00", "2026-11-26T09:05Z", "2026-11-26T09:05+00:00"),
        ("2026-11-26T15:00+01:00", "", ""),
    ],
)
def test_a_past_time_has_its_offset(now, typed, stored):
    assert past_moment(typed, ns(now), "sampled_at") == stored


@pytest.mark.parametrize(
    "typed", ["yesterday lunch", "2026-11-26", "24:00", "9", "2026-11-26T16:00+01:00", "2027-01-01T00:00", "14:20:61"]
)
def test_what_is_no_past_time_is_refused_by_name(typed):
    with pytest.raises(SettingError) as caught:
        past_moment(typed, ns("2026-11-26T15:00+01:00"), "sampled_at")
    assert caught.value.key == "sampled_at"
    assert repr(typed) in str(caught.value)


def test_a_typed_clock_time_is_always_the_latest_one():
    begin = datetime(2026, 3, 28, tzinfo=UTC)
    for minutes in range(0, 3 * 24 * 60, 37):
        now = begin + timedelta(minutes=minutes)
        found = datetime.fromisoformat(past_moment("02:30", round(now.timestamp()) * 10**9, "sampled_at"))
        assert timedelta(minutes=-1) <= now - found <= timedelta(hours=25)


def test_a_due_time_may_lie_ahead():
    assert any_moment("2026-11-27T08:00", ns("2026-11-26T15:00+01:00"), "due") == "2026-11-27T08:00+01:00"
