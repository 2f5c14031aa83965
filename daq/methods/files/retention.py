"""How long journals and payloads stay in the database, and the calendar arithmetic of such periods."""

import re
from calendar import monthrange
from datetime import date, timedelta
from typing import Annotated, Any, Final

from pydantic import BeforeValidator

from daq.methods.files.fields import Model

_PERIOD: Final = re.compile(r"([1-9][0-9]{0,3}) (day|month|year)s?")


def period(value: Any) -> str:
    """Return a period of the calendar: ``5 years``, ``18 months`` or ``90 days``."""
    if not isinstance(value, str) or not _PERIOD.fullmatch(value):
        raise ValueError(f"{value!r} is no period of the calendar; write '5 years', '18 months' or '90 days'")
    return value


Period = Annotated[str, BeforeValidator(period)]


class Retention(Model):
    """Times after which data leave the database or take less space in it."""

    journals: Period | None = None
    """Period after which `daq archive` may move the journals of runs to another medium; left out: never."""
    payloads: Period | None = "90 days"
    """Period after which a delivered message is packed: its bytes are rebuilt from the result when it is sent again."""


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
    found = _PERIOD.fullmatch(length)
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
