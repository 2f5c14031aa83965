"""Prepare a run from an operator's order: plan, drivers, record and header."""

import platform
import sys
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from importlib.metadata import version
from typing import Any, Final

import daq
from daq.adapters.store.rows import RunRecord
from daq.adapters.store.transactions import RegisterMethod
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.run_order import RunOrder, with_past_moment
from daq.app.setup.used import Used
from daq.core.driver import Driver, Identity
from daq.core.errors import NotComparableError, SettingError, coded
from daq.core.faults import CHECKS
from daq.core.header import Header, RecordedDriver
from daq.core.plan import Plan
from daq.laboratory.people import Operator
from daq.methods.concluding.foreseeing import foreseen
from daq.methods.files.digest import canonical
from daq.methods.files.product import Product
from daq.methods.parts.statement import Statement, reasons_json, state
from daq.methods.planning.compile import InstrumentHistory, compile_plan
from daq.methods.planning.making import Companion
from daq.methods.planning.standing import control_due, day
from daq.process.processor import processor

_RECORD_NAMES: Final = frozenset(f.name for f in fields(RunRecord))


@dataclass(frozen=True, slots=True)
class Prepared:
    """A run that is ready to start."""

    plan: Plan
    drivers: dict[str, Driver]
    record: RunRecord
    header: Header
    register: RegisterMethod
    used: Used
    warnings: tuple[Statement, ...] = ()
    """Warnings for a person before the run starts."""
    anyway: tuple[Statement, ...] = ()
    """Why the result will not be comparable; empty unless the order accepts that."""

    def shown(self) -> tuple[str, ...]:
        """Return the lines for a person before the run starts."""
        line = (not_comparable(self.record.product, self.anyway),) if self.anyway else ()
        return (*line, *(w.text for w in self.warnings if w.code != "measured_anyway"))


def names_of(order: RunOrder, catalogue: Catalogue) -> list[str]:
    """Return the names of the instruments of the run, the lead first; `SettingError` if one is not known."""
    lead = catalogue.instrument(order.instrument)
    return [lead.name, *(catalogue.instrument(n).name for n in lead.companions.values())]


def prepare(
    order: RunOrder,
    catalogue: Catalogue,
    identities: Mapping[str, Identity | None],
    states: Mapping[str, Mapping[str, Any]],
    history: InstrumentHistory,
    utc_ns: int,
    operator: Operator,
) -> Prepared:
    """Compile the plan and fill in the record.

    Args:
        order: the operator's order.
        catalogue: the configuration, with the geometries that are recorded as fitted (`daq.app.setup.fitted`).
        identities: identity of each instrument of the run, as it answered.
        states: state of each session's driver.
        history: history of the lead instrument (`daq.app.records.checks.instrument_history.instrument_history`).
        utc_ns: time at which the run starts.
        operator: the person who measures (`daq.app.laboratory.identity.operator_of`).

    Raises:
        SettingError: the order cannot be run: unknown names, method and instrument do not fit, motion not enabled.
        NotComparableError: the result could not be comparable with the product's limits, and the order does not accept
            that.
    """
    names = names_of(order, catalogue)
    order = with_past_moment(order, utc_ns)
    method = catalogue.method(order.method_id, order.method_version)
    product = catalogue.product(order.product) if order.product else None
    if product is not None:
        _refuse_early(product, day(utc_ns))
    fluid = catalogue.fluid(order.fluid) if order.fluid else None
    drivers = {name: catalogue.make_driver(catalogue.instrument(name)) for name in names}
    for name, driver in drivers.items():
        driver.restore(states[name])
    plan = compile_plan(
        method,
        catalogue.instrument(order.instrument),
        drivers[order.instrument],
        identity=identities[order.instrument],
        product=product,
        fluid=fluid,
        companions=[Companion(catalogue.instrument(n), drivers[n], identities[n]) for n in names[1:]],
        choices=order.choices,
        history=history,
    )
    plan, warnings, anyway = _warned(plan, order, catalogue)
    run_id = str(uuid.uuid4())
    header = _header(run_id, plan, drivers)
    # Order and record have the same names for the same facts; the other fields of the record are known only now.
    asked = {name: getattr(order, name) for name in RunOrder.model_fields if name in _RECORD_NAMES}
    known: dict[str, Any] = {
        "id": run_id,
        "companions": tuple(names[1:]),
        "fill": order.fill or run_id,
        "method_id": plan.method,
        "method_version": plan.version,
        "method_digest": plan.digest,
        "operator": operator.name,
        "attribution": operator.attribution,
        "simulated": any(catalogue.instrument(n).simulated for n in names),
        "header": header.text,
        "began_utc_ns": utc_ns,
    }
    record = RunRecord(**(asked | known))
    register = RegisterMethod(plan.method, plan.version, plan.digest, canonical(method), utc_ns, operator.name)
    used = Used(tuple(catalogue.instrument(n) for n in names), method, product, fluid)
    return Prepared(plan, drivers, record, header, register, used, warnings, anyway)


def _warned(
    plan: Plan, order: RunOrder, catalogue: Catalogue
) -> tuple[Plan, tuple[Statement, ...], tuple[Statement, ...]]:
    """Return the plan with the warnings of its order, these warnings, and why its result will not be comparable."""
    warnings: list[Statement] = []
    method = f"{plan.method} {plan.version}"
    if not order.product and not order.fluid and _is_for_products(method, catalogue):
        warnings.append(state("measured_without_product", method=plan.method))
    reasons = foreseen(plan)
    due = control_due(plan)
    if reasons and not order.anyway:
        error = NotComparableError(f"{not_comparable(order.product, reasons)}; --anyway measures all the same")
        raise coded(error, "not_comparable", product=order.product, reasons=reasons_json(reasons))
    if reasons:
        warnings.append(state("measured_anyway", product=order.product))
    given = (*plan.context.warnings, *(w.written() for w in warnings))
    # The reasons of the result state the control themselves.
    shown = (*warnings, *(() if due is None else (due,)))
    return replace(plan, context=replace(plan.context, warnings=given)), shown, reasons


def not_comparable(product: str, reasons: Sequence[Statement]) -> str:
    """Return the line that says why a result will not be comparable with the limits of a product."""
    return f"not comparable with the limits of {product}: {'; '.join(r.text for r in reasons)}"


def _is_for_products(method: str, catalogue: Catalogue) -> bool:
    """Return whether a method (id, a space and version) is made for products, or a product lists it among its tests."""
    name, _, version = method.partition(" ")
    if catalogue.method(name, version).for_products:
        return True
    return any(p.test_of(method) is not None for p in catalogue.products.values())


def _refuse_early(product: Product, today: str) -> None:
    """Raise `SettingError` if a product does not hold yet on `today` (UTC)."""
    if product.valid_from is not None and today < product.valid_from:
        error = SettingError(
            f"version {product.version} of product {product.id} holds from {product.valid_from}, and today is {today} "
            "(UTC); until then put the file of the version before it back",
            file=product.source,
            key="valid_from",
        )
        day = str(product.valid_from)
        raise coded(error, "product_not_yet", product=product.id, version=str(product.version), day=day, today=today)


def _header(run_id: str, plan: Plan, drivers: Mapping[str, Driver]) -> Header:
    """Return the first record of the journal, which has everything that is needed to compute the run again."""
    kinds = {link.name: link for link in plan.links}
    return Header(
        run=run_id,
        plan=plan,
        drivers={
            name: RecordedDriver(
                kind=kinds[name].driver,
                options=kinds[name].options,
                state=dict(driver.state()),
                digest=driver.digest(),
            )
            for name, driver in drivers.items()
        },
        software=daq.__version__,
        checks=CHECKS,
        libraries={
            "python": platform.python_version(),
            "implementation": sys.implementation.name,
            "numpy": version("numpy"),
            "processor": processor(),
        },
    )
