"""The table of all acts.  The control socket and the command line carry out an act by its name."""

from collections.abc import Mapping
from typing import Any, Final

from daq.app.laboratory import fixing_limits, samples
from daq.app.laboratory.act import Act
from daq.app.laboratory.laboratory import Laboratory
from daq.core.errors import SettingError
from daq.methods.files.load import parse

ACTS: Final[dict[str, Act[Any]]] = {act.name: act for act in (*samples.ACTS, *fixing_limits.ACTS)}


def carry_out(laboratory: Laboratory, name: str, order: Mapping[str, Any]) -> dict[str, Any]:
    """Carry out an act, and return its outcome as JSON values.

    Raises:
        SettingError, SettingErrors: there is no such act, or the order is wrong; nothing has changed.
        StoreError: the change could not be stored.
    """
    act = ACTS.get(name)
    if act is None:
        raise SettingError(f"there is no act {name!r}; known: {', '.join(ACTS)}", key="act")
    return act.do(laboratory, parse(act.order, dict(order)))
