"""The verification status of an instrument, and its history for a run that starts."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from daq.adapters.store.forms.result_values import DamagedResultError, values_of
from daq.adapters.store.reading import Reader
from daq.app.records.checks.audited_checks import Entry, checks, entries, pair_of
from daq.app.records.checks.constants_then import ConstantsThen
from daq.app.records.checks.controls import control_of, fixed_control_limits
from daq.app.records.checks.doubts import results_since
from daq.methods.planning.standing import Pair, Standing, day, standing

if TYPE_CHECKING:
    from daq.app.setup.catalogue import Catalogue
    from daq.app.setup.run_order import RunOrder
    from daq.core.context import Verified
    from daq.core.driver import Identity
    from daq.methods.files.instrument import Instrument
    from daq.methods.planning.compile import InstrumentHistory

DAY_NS: Final = 86_400_000_000_000
"""Largest age of a torque at rest that is used for the drift of the zero."""


def standing_of(
    reader: Reader,
    found: Sequence[Entry],
    instrument: "Instrument | None",
    pair: Pair,
    now_utc_ns: int,
    catalogue: "Catalogue",
    *,
    run: str = "",
) -> Standing:
    """Return the verification status of a pair now; without the instrument's file no interval is known.

    A pass on a simulated instrument counts for a simulated one only, and a pass with other constants of instrument,
    geometry or companions, or with other descriptions, counts for none.

    Args:
        reader: the database.
        found: the verifications of the instrument, oldest first.
        instrument: the instrument's file.
        pair: the instrument with the geometry for which verifications are to count.
        now_utc_ns: the time (UTC, ns).
        catalogue: the files of companions and descriptions.
        run: id of a run that is declared anew: constants are those with which it was measured; "" means those of now.
    """
    if run and instrument is not None:
        constants = ConstantsThen.of_run(reader, run, instrument, pair, catalogue)
    else:
        constants = ConstantsThen.of(reader, instrument, pair, catalogue)
    every = None if instrument is None or instrument.verification is None else instrument.verification.every
    decided = [e for e in found if e.passed is not None and e.counts_for(instrument)]
    judged: list[Verified] = []
    for e in reversed(decided):
        if pair.counts(e.verified) and (not e.passed or constants.are_the_same(e)):
            judged.insert(0, e.verified)
            if e.passed:
                break  # older ones decide nothing, and each costs look-ups
    return standing(judged, now_utc_ns=now_utc_ns, every_ns=every, pair=pair)


def instrument_history(
    reader: Reader, catalogue: "Catalogue", order: "RunOrder", identity: "Identity | None", now_utc_ns: int
) -> "InstrumentHistory":
    """Return the history of an instrument at the start of a run on it.

    Raises:
        SettingError: the method is not known.
    """
    from daq.methods.planning.compile import InstrumentHistory  # a run that starts needs it, a list does not

    instrument = catalogue.instrument(order.instrument)
    serial = identity.serial if identity is not None else instrument.expect_serial
    found = entries(reader, instrument.name)
    pair = pair_of(instrument, serial)
    method = catalogue.method(order.method_id, order.method_version)
    since: list[tuple[str, str]] = []
    limits = None
    if method.is_check:
        of_kind = (e for e in checks(reader, instrument.name) if e.is_control == bool(method.control))
        alike = (e for e in of_kind if e.passed and e.counts_for(instrument))
        passes = [e for e in alike if pair.counts(e.verified)]
        since = results_since(reader, instrument.name, passes, serial)
    if method.control and order.fluid:
        limits = fixed_control_limits(reader, instrument, catalogue.fluid(order.fluid))
    return InstrumentHistory(
        today=day(now_utc_ns),
        standing=standing_of(reader, found, instrument, pair, now_utc_ns, catalogue),
        condition=order.condition or "as_found",
        results_since_pass=tuple(result for result, _ in since),
        last_torque_at_rest=_last_torque_at_rest(reader, instrument.name, serial, now_utc_ns),
        control=control_of(reader, instrument, pair, now_utc_ns),
        control_limits=limits,
    )


def _last_torque_at_rest(reader: Reader, instrument: str, serial: str | None, now_utc_ns: int) -> float | None:
    newest = reader.last_result(instrument)
    if newest is None or now_utc_ns - newest.created_utc_ns > DAY_NS:
        return None
    try:
        data = values_of(newest)
        if data["origin"].get("serial") != serial:
            return None
        seen: float | None = data["conditions"].get("torque_at_rest_percent")
    except DamagedResultError:  # the budget of the run states that the drift of the zero was not seen
        return None
    return seen if isinstance(seen, int | float) else None
