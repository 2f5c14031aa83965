"""Times as people type them are stored with their offset."""

import time
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from daq.app.setup.periods import first_moment
from daq.core.errors import SettingError
from daq.process.moments import any_moment, past_moment, span_of_day


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


SPRING, AUTUMN = datetime(2026, 3, 29, 1, tzinfo=UTC), datetime(2026, 10, 25, 1, tzinfo=UTC)
"""Changes of clocks in Berlin: from 02:00 to 03:00, and from 03:00 to 02:00."""


@pytest.mark.parametrize("change", [SPRING, AUTUMN])
def test_a_clock_time_near_a_change_of_clocks_is_the_last_moment_that_showed_it(change):
    """The moments are those that the zone database of Python shows."""
    zone = ZoneInfo("Europe/Berlin")
    for after in range(-180, 200, 19):
        now = change + timedelta(minutes=after)
        moments = [now - timedelta(minutes=ago) for ago in range(25 * 60, -2, -1)]
        latest = {moment.astimezone(zone).strftime("%H:%M"): moment for moment in moments}
        if change == SPRING:
            # A time that clocks left out is one of clocks that were not set yet.
            latest |= {f"02:{m:02}": change + timedelta(minutes=m) for m in range(60) if m <= after + 1}
        for typed in list(latest)[::7]:
            assert datetime.fromisoformat(past_moment(typed, ns(now.isoformat()), "sampled_at")) == latest[typed]


@pytest.mark.parametrize("zone", ["America/Santiago", "Africa/Cairo", "America/Havana", "Europe/Berlin"])
def test_a_day_has_the_moments_at_which_clocks_show_its_date(monkeypatch, zone):
    """Some zones change their clocks at midnight, so that a day begins at 01:00 (IANA time zone database)."""
    monkeypatch.setenv("TZ", zone)
    time.tzset()
    for number in range(365):
        day = date(2026, 1, 1) + timedelta(days=number)
        begin, end = (
            datetime.fromtimestamp(ns_ // 10**9, UTC).astimezone(ZoneInfo(zone)) for ns_ in span_of_day(str(day), 0)
        )
        before = (begin.astimezone(UTC) - timedelta(seconds=1)).astimezone(ZoneInfo(zone))
        after = (end.astimezone(UTC) + timedelta(seconds=1)).astimezone(ZoneInfo(zone))
        assert (before.date() < begin.date(), begin.date(), end.date(), end.date() < after.date()) == (
            True, day, day, True,
        )  # fmt: skip
        assert first_moment(day) == span_of_day(str(day), 0)[0]


def test_a_due_time_may_lie_ahead():
    assert any_moment("2026-11-27T08:00", ns("2026-11-26T15:00+01:00"), "due") == "2026-11-27T08:00+01:00"
