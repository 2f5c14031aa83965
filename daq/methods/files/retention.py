"""Times for which journals and payloads stay in the database."""

import re
from typing import Annotated, Any, Final

from pydantic import BeforeValidator

from daq.methods.files.fields import Model

PERIOD: Final = re.compile(r"([1-9][0-9]{0,3}) (day|month|year)s?")
"""A period of the calendar, as people write it."""


def period(value: Any) -> str:
    """Return a period of the calendar: ``5 years``, ``18 months`` or ``90 days``."""
    if not isinstance(value, str) or not PERIOD.fullmatch(value):
        raise ValueError(f"{value!r} is no period of the calendar; write '5 years', '18 months' or '90 days'")
    return value


Period = Annotated[str, BeforeValidator(period)]


class Retention(Model):
    """Times after which data leave the database or take less space in it."""

    journals: Period | None = None
    """Period after which `daq archive` may move the journals of runs to another medium; left out: never."""
    payloads: Period | None = "90 days"
    """Period after which a delivered message is packed: its bytes are rebuilt from the result when it is sent again."""
