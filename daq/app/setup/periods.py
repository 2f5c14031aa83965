"""Periods of the calendar: the day on which one ends, and the day from which it has passed."""

from calendar import monthrange
from datetime import date, datetime, time, timedelta

from daq.methods.files.retention import PERIOD


def first_moment(day: date) -> int:
    """Return the first moment of a local day, UTC ns; 0 for a day that is no time of this machine."""
    try:
        return round(datetime.combine(day, time()).timestamp()) * 10**9
    except (ValueError, OverflowError):
        return 0


def later(day: date, length: str) -> date:
    """Return the day that a period after `day` begins.

    A day that its month does not have is the last of that month.

    Args:
        day: the day.
        length: the period, as in a file.
    """
    return _moved(day, length, 1)


def earlier(day: date, length: str) -> date:
    """Return the latest day from which the period has passed on `day`, so that ``later(it, length) <= day``.

    A period that is longer than the calendar before `day` gives the first day of the calendar.
    """
    found = _moved(day, length, -1)
    while found > date.min and later(found, length) > day:
        found -= timedelta(days=1)
    while found < day and later(found + timedelta(days=1), length) <= day:
        found += timedelta(days=1)
    return found


def _moved(day: date, length: str, sign: int) -> date:
    found = PERIOD.fullmatch(length)
    if found is None:
        raise ValueError(f"{length!r} is no period")
    count, unit = sign * int(found[1]), found[2]
    try:
        if unit == "day":
            return day + timedelta(days=count)
        months = day.year * 12 + day.month - 1 + (12 if unit == "year" else 1) * count
        year, month = divmod(months, 12)
        return date(year, month + 1, min(day.day, monthrange(year, month + 1)[1]))
    except (ValueError, OverflowError):
        # A period that is longer than the calendar has no end in it.
        return date.max if sign > 0 else date.min
