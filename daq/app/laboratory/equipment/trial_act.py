"""The act that tries an instrument for which there is no driver yet; it changes nothing in the configuration."""

import hashlib
from typing import Any, Final

from daq.adapters.store.transactions import Audit
from daq.app.laboratory.act import Act
from daq.app.laboratory.laboratory import Laboratory
from daq.core.errors import SettingError, coded
from daq.laboratory.trials import DriverTrial


def begin(laboratory: Laboratory, order: DriverTrial) -> dict[str, Any]:
    """Start a trial in a process of its own, and return its id at once; it is in the audit trail before it starts.

    Raises:
        SettingError: no daemon runs, a trial goes on, or the port is not listed or has an instrument.
    """
    if laboratory.trials is None:
        raise SettingError("a trial needs the daemon; without it use daq capture")
    if order.captured and not order.description:
        raise coded(
            SettingError("must be given where the lines of the trial before are used", key="description"),
            "description_missing",
        )
    utc_ns = laboratory.clock.utc_ns()
    detail = order.model_dump(mode="json", exclude={"description"})
    if order.description:
        detail["description"] = hashlib.sha256(order.description.encode()).hexdigest()

    def audited(ident: str) -> None:
        audit = Audit(utc_ns, laboratory.who, "driver_tried", order.port, detail | {"trial": ident})
        laboratory.store.submit(audit).result()

    return {"id": laboratory.trials.start(order, utc_ns, audited)}


ACTS: Final = (Act("driver_trial", DriverTrial, "administer", begin, always=True),)
