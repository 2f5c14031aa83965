"""The history of an instrument's verifications for a run that is about to start."""

import json
from typing import Final

from daq.adapters.store.reading import Reader
from daq.app.records.verifications import entries, pair_of, results_between, standing_of
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.orders import RunOrder
from daq.core.driver import Identity
from daq.methods.planning.compile import InstrumentHistory
from daq.methods.planning.standing import day

DAY_NS: Final = 86_400_000_000_000
"""Largest age of a torque at rest that is used for the drift of the zero."""


def instrument_history(
    reader: Reader, catalogue: Catalogue, order: RunOrder, identity: Identity | None, now_utc_ns: int
) -> InstrumentHistory:
    """Return the history of an instrument at the start of a run on it.

    Raises:
        SettingError: the method is not known.
    """
    instrument = catalogue.instrument(order.instrument)
    serial = identity.serial if identity is not None else instrument.expect_serial
    found = entries(reader, instrument.name)
    pair = pair_of(instrument, serial)
    since: list[tuple[str, str]] = []
    if catalogue.method(order.method_id, order.method_version).verification is not None:
        passes = [e.seq for e in found if e.passed and pair.counts(e.detail.verified(e.utc_ns))]
        since = results_between(reader, instrument.name, found, passes[-1] if passes else 0)
    return InstrumentHistory(
        today=day(now_utc_ns),
        standing=standing_of(found, instrument, pair, now_utc_ns),
        condition=order.condition or "as_found",
        results_since_pass=tuple(result for result, _ in since),
        last_torque_at_rest=_last_torque_at_rest(reader, instrument.name, serial, now_utc_ns),
    )


def _last_torque_at_rest(reader: Reader, instrument: str, serial: str | None, now_utc_ns: int) -> float | None:
    newest = reader.last_result(instrument)
    if newest is None or now_utc_ns - newest.created_utc_ns > DAY_NS:
        return None
    data = json.loads(newest.data)
    if data["origin"].get("serial") != serial:
        return None
    seen: float | None = data["conditions"].get("torque_at_rest_percent")
    return seen
