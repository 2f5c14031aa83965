"""Times as people type them."""

import re
from datetime import UTC, datetime, timedelta
from typing import Final

from daq.core.errors import SettingError, coded

_CLOCK: Final = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)")
LEEWAY: Final = timedelta(minutes=1)
"""Time by which a past moment may lie ahead of this machine's clock."""


def past_moment(text: str, utc_ns: int, key: str) -> str:
    """Return a time in the past as ISO 8601 with its offset; "" for "".

    Args:
        text: ``14:20`` (the latest one, local time), or a day with a time; without an offset it is local.
        utc_ns: the present time.
        key: name of the value, for an error.

    Raises:
        SettingError: the text is no time, or lies in the future.
    """
    if not text:
        return ""
    now = datetime.fromtimestamp(utc_ns / 1e9, UTC).astimezone()
    clock = _CLOCK.fullmatch(text.strip())
    moment = _read(text, now, key) if clock is None else _latest(int(clock[1]), int(clock[2]), now)
    if moment > now + LEEWAY:
        raise coded(
            SettingError(f"{text!r} lies in the future; write the time at which it happened", key=key),
            "moment_in_future",
            given=text,
            field=key,
        )
    return moment.isoformat(timespec="minutes")


def any_moment(text: str, utc_ns: int, key: str) -> str:
    """Return a time, past or future, as ISO 8601 with its offset; "" for "".  `14:20` is today's; see `past_moment`."""
    if not text:
        return ""
    return _read(text, datetime.fromtimestamp(utc_ns / 1e9, UTC).astimezone(), key).isoformat(timespec="minutes")


def bound(text: str, utc_ns: int, key: str, *, end: bool) -> int | None:
    """Return the beginning, or with `end` the end, of a span of past time as UTC in ns; None for "".

    Args:
        text: ``14:20`` (the latest one, local time), a day, or a day with a time; see `read_moment`.
        utc_ns: the present time.
        key: name of the value, for an error.
        end: a day means its last moment, a time includes its last second.

    Raises:
        SettingError: the text is no time.
    """
    if not text:
        return None
    typed = text.strip()
    try:
        if _CLOCK.fullmatch(typed):
            # Without its offset, so that `read_moment` takes both moments of an hour that clocks repeat.
            typed = past_moment(typed, utc_ns, key)[: len("2026-11-26T14:20")]
        return read_moment(typed, end=end)
    except (ValueError, OverflowError):
        say = (
            f"{text!r} is no time; write 14:20, 2026-11-26, 2026-11-26T14:20, or with an offset 2026-11-26T14:20+01:00"
        )
        raise coded(SettingError(say, key=key), "no_moment", given=text, field=key) from None


def bound_of_day(text: str, day: str, utc_ns: int, key: str) -> int | None:
    """Return the end of a span as `bound` does, where a time of day (``14:20``) is one of `day` (YYYY-MM-DD)."""
    typed = f"{day}T{text.strip()}" if _CLOCK.fullmatch(text.strip()) else text
    return bound(typed, utc_ns, key, end=True)


def span_of_day(day: str, now_utc_ns: int) -> tuple[int, int]:
    """Return first and last moment of a local day (UTC ns): 23 to 25 hours where clocks change.

    Raises:
        SettingError: the text is no day.
    """
    try:
        datetime.strptime(day, "%Y-%m-%d")  # noqa: DTZ007 - only its form is checked
        begin, end = (bound(day, now_utc_ns, "DATE", end=last) for last in (False, True))
    except (ValueError, SettingError):
        begin = end = None
    if begin is None or end is None or len(day) != len("2026-11-26"):
        raise coded(SettingError(f"{day!r} is no day; write 2026-11-26", key="DATE"), "no_day", given=day)
    return begin, end


def read_moment(text: str, *, end: bool) -> int:
    """Return the time of an ISO 8601 text as UTC in ns; without an offset it is this machine's local time.

    A date alone means its first moment, or with `end` its last.  With `end`, a time without a fraction of a second
    includes that second.

    Raises:
        ValueError: the text is no time.
    """
    moment = datetime.fromisoformat(text)
    if len(text) <= len("2026-11-26"):
        if not end:
            return _utc_ns(moment)
        try:
            # Add a calendar day, not 24 hours: a day on which clocks change has 23 or 25 hours.
            return _utc_ns(moment + timedelta(days=1)) - 1
        except OverflowError:
            raise ValueError(f"after {text} the calendar ends") from None
    # A time that clocks repeat or leave out means two moments.  Take the wider span, so that no run is left out.
    both = (_utc_ns(moment.replace(fold=0)), _utc_ns(moment.replace(fold=1)))
    if not end:
        return min(both)
    return max(both) + (10**9 - 1 if moment.microsecond == 0 else 999)


def local_moment(moment: datetime) -> datetime:
    """Return a time with its offset; without one it is this machine's local time.

    A time that clocks leave out is counted on from before their change: midnight is then the change itself.
    """
    if moment.tzinfo is not None:
        return moment
    # Not `astimezone` of the local time, which counts such a time back.  Whole seconds are exact.
    whole = datetime.fromtimestamp(moment.replace(microsecond=0).timestamp(), UTC)
    return whole.astimezone().replace(microsecond=moment.microsecond)


def _utc_ns(moment: datetime) -> int:
    since = local_moment(moment) - datetime(1970, 1, 1, tzinfo=UTC)
    return (since.days * 86_400 + since.seconds) * 10**9 + since.microseconds * 1000


def _latest(hour: int, minute: int, now: datetime) -> datetime:
    """Return the latest moment, up to `LEEWAY` after `now`, at which local clocks show a time."""
    found = []
    for days in range(3):
        # Take days of the calendar, so that a change of clocks in between does not shift the hour; a zone can skip one.
        shown = datetime.combine(now.date() - timedelta(days=days), datetime.min.time()).replace(
            hour=hour, minute=minute
        )
        first, again = (local_moment(shown.replace(fold=fold)) for fold in (0, 1))
        # Clocks that go back show a time twice.  A time that they leave out is one moment.
        found += [first, again] if again > first else [first]
    return max(moment for moment in found if moment <= now + LEEWAY)


def _read(text: str, now: datetime, key: str) -> datetime:
    found = _CLOCK.fullmatch(text.strip())
    if found is not None:
        naive = now.replace(hour=int(found[1]), minute=int(found[2]), second=0, microsecond=0, tzinfo=None)
        return local_moment(naive)
    try:
        moment = datetime.fromisoformat(text.strip())
    except ValueError:
        moment = None
    if moment is None or len(text.strip()) <= len("2026-11-26"):
        error = SettingError(
            f"{text!r} is no time; write 14:20, 2026-11-26T14:20, or with an offset 2026-11-26T14:20+01:00", key=key
        )
        raise coded(
            error,
            "no_moment",
            given=text,
            field=key,
        )
    return local_moment(moment)
