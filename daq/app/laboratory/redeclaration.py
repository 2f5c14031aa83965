"""Compute a run again under a corrected declaration, from its journal."""

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

from daq.adapters.store.declared import DECLARED
from daq.adapters.store.forms.result_values import values_of
from daq.adapters.store.newest_runs import run_started_seq
from daq.adapters.store.reading import Reader
from daq.adapters.store.rows import RunRecord
from daq.app.records.checks.audited_checks import entries
from daq.app.records.checks.controls import control_of
from daq.app.records.checks.instrument_history import standing_of
from daq.app.records.equipment_state import out_of_service, was_overdue
from daq.app.records.history import plan_of, raw_journal
from daq.app.records.judged.product_versions import (
    ProductVersion,
    present,
    refuse_other_text,
    version_at,
    version_of_run,
)
from daq.app.records.pieces import pieces_of
from daq.app.records.replaying import facts_of, maker, recompute
from daq.app.setup.catalogue import Catalogue
from daq.core.context import OverdueCalibration, RequiredControl
from daq.core.effects import Kept, recorded
from daq.core.encoding import decode, encode
from daq.core.errors import SettingError, coded
from daq.core.plan import Plan
from daq.core.replay import Replay
from daq.core.respanning import kept_with
from daq.laboratory.declarations import Change, Declaration
from daq.methods.concluding.conclude import conclude
from daq.methods.concluding.conclusion import Conclusion
from daq.methods.files.instrument import Instrument
from daq.methods.files.product import Product
from daq.methods.planning.redeclaring import Redeclared, redeclared
from daq.methods.planning.standing import Pair, day

#: Corrected facts by name: those of `Declaration`.
Given = Mapping[str, str]

OF_THE_PLAN: Final = ("product", "geometry", "fluid")
"""Facts on which the plan depends."""
NAMES: Final = (*DECLARED, "geometry", "fluid")
"""Facts that can be corrected."""


@dataclass(frozen=True, slots=True)
class Redeclaration:
    """A run computed again: its declaration, plan, record and conclusion."""

    declaration: Declaration
    plan: Plan
    record: RunRecord
    conclusion: Conclusion
    version: ProductVersion | None = None
    """The version of the product, where product, geometry or fluid are corrected."""

    def since_start(self, started: RunRecord) -> list[Change]:
        """Return what is declared otherwise than at the start of the run."""
        plan = plan_of(started)
        context = None if plan is None else plan.context
        before = {name: getattr(started, name) for name in DECLARED}
        before["geometry"] = "" if context is None else context.geometry_name or ""
        before["fluid"] = "" if context is None or context.fluid is None else context.fluid.id
        return list(_changes(before, self.declaration))


def _changes(before: Mapping[str, str], now: Declaration) -> Iterator[Change]:
    for name in NAMES:
        after = getattr(now, name)
        if before[name] != after:
            yield Change(name=name, before=before[name], after=after)


def redeclaration(
    reader: Reader, catalogue: Catalogue, before: Declaration, given: Given, started: RunRecord
) -> Redeclaration:
    """Return a run computed again with the facts in `given`.

    Args:
        reader: the database.
        catalogue: the configuration, for product, measuring geometry and fluid.
        before: the declaration in force.
        given: the corrected facts.
        started: the run as it was at its start.

    Raises:
        SettingError: nothing changes, a file or driver is missing, the journal does not give the stored run again, or
            the value cannot be computed under this declaration.
    """
    done = recompute(reader, started, catalogue.drivers)
    if not done.same:
        error = SettingError(
            f"run {started.id} cannot be corrected, because its journal does not give what is stored: "
            f"{_first(done)}; see `daq replay`"
        )
        raise coded(
            error,
            "run_not_recomputed",
            run=started.id,
        )
    header = done.replay.header
    facts = facts_of(done.replay, started, values_of(reader.results(started.id)[0]))
    if header is None or facts is None:
        raise coded(
            SettingError(f"run {started.id} has no journal to compute it from"), "run_without_journal", run=started.id
        )
    plan = header.plan if before.plan is None else decode(Plan, before.plan, exact=True)
    asked = frozenset(given) & frozenset(OF_THE_PLAN)
    now = before.model_copy(update={**given, "changes": ()})
    version = _version(reader, catalogue, now, asked, started)
    if "product" in asked:
        of_version = {"product_version": "", "product_text": ""}
        if version is not None:
            of_version = {"product_version": version.version, "product_text": version.digest}
        now = now.model_copy(update=of_version)
    product = None if version is None else version.product
    new_plan = _plan(reader, catalogue, plan, now, asked, started, product) if asked else plan
    changes = tuple(_changes({name: getattr(before, name) for name in NAMES}, now))
    same_version = "product" not in asked or _text_of(reader, before, started) == now.product_text
    if not changes and new_plan == plan and same_version:
        raise coded(
            SettingError(f"nothing of run {started.id} changes: it is declared like this already"),
            "declared_already",
            run=started.id,
        )
    is_new = new_plan != header.plan
    raw, _ = raw_journal(reader, started.id)
    # Kept values depend on the plan by its derivations only.
    other = new_plan.derivations != header.plan.derivations
    kept: list[Kept] | None = kept_with(raw, maker(catalogue.drivers), new_plan.derivations) if other else None
    declaration = now.model_copy(
        update={
            "changes": changes or tuple(Change(name=n, before=getattr(now, n), after=getattr(now, n)) for n in asked),
            "plan": encode(new_plan, exact=True) if is_new else None,
            "kept": None if kept is None else [json.loads(json.dumps(recorded(k))) for k in kept],
        }
    )
    record = replace(started, **{name: getattr(declaration, name) for name in DECLARED})
    if kept is not None:
        facts = replace(facts, kept=kept)
    return Redeclaration(declaration, new_plan, record, conclude(new_plan, facts), version)


def _text_of(reader: Reader, before: Declaration, started: RunRecord) -> str:
    """Return the id of the product's text by which a run is judged before a correction; "" where none is stored."""
    if before.product_text or not before.product:
        return before.product_text
    known = version_of_run(reader, replace(started, product=before.product))
    return "" if known is None else known.digest


def _first(done: Any) -> str:
    """Return the first difference of a recomputation as text."""
    replay: Replay = done.replay
    if done.broken_chain or replay.damage:
        return str(done.broken_chain or replay.damage)
    if replay.difference is not None:
        return str(replay.difference).partition("\n")[0]
    if done.missing:
        return f"{done.missing[0]} is missing"
    if done.changed_since:
        return str(done.changed_since[0])
    where, stored, again = done.differences[0]
    return f"{where}: {stored!r} is stored, {again!r} is computed"


def _version(
    reader: Reader, catalogue: Catalogue, now: Declaration, asked: frozenset[str], started: RunRecord
) -> ProductVersion | None:
    """Return the version of the product by which the run is judged from now on; None without a product.

    Raises:
        SettingError: no version was in force when the run was measured, or it is not stored.
    """
    if not now.product or not asked:
        return None
    if "product" in asked:
        found = version_at(reader, started, now.product, catalogue.products.get(now.product))
        version = found or present(catalogue.product(now.product))
        refuse_other_text(reader, version)
        return version
    # The run as declared before, because this correction does not change its product.
    known = version_of_run(reader, replace(started, product=now.product))
    if known is None:
        error = SettingError(
            f"the version of product {now.product} by which run {started.id} is judged is not stored; correct its "
            "product, too",
            key="product",
        )
        raise coded(
            error,
            "product_version_not_stored",
            run=started.id,
            product=now.product,
        )
    return known


def _plan(
    reader: Reader,
    catalogue: Catalogue,
    plan: Plan,
    now: Declaration,
    asked: frozenset[str],
    started: RunRecord,
    product: Product | None,
) -> Plan:
    verification = plan.context.verification
    if verification is not None and verification.kind == "control" and asked & {"geometry", "fluid"}:
        error = SettingError(
            f"run {started.id} is a control, whose limits hold for one fluid and measuring geometry; annul it, and "
            "measure the control again"
        )
        raise coded(
            error,
            "control_keeps_geometry",
            run=started.id,
        )
    instrument = catalogue.instruments.get(started.instrument)
    if instrument is None and "geometry" in asked:
        raise coded(
            SettingError(f"there is no file of {started.instrument}, which describes its geometries"),
            "unknown_name",
            what="instrument",
            name=started.instrument,
        )
    geometries = {} if instrument is None else instrument.geometries
    standing = plan.context.standing
    if "geometry" in asked and instrument is not None and now.geometry in geometries and standing is not None:
        pair = Pair(plan.context.serial or "", now.geometry, geometries[now.geometry].serial or "")
        # By the audit trail, as at the start of the run: a clock that was set back makes a later one look earlier.
        began = run_started_seq(reader, started.id)
        earlier = [e for e in entries(reader, started.instrument) if e.seq < began]
        standing = standing_of(reader, earlier, instrument, pair, started.began_utc_ns, catalogue, run=started.id)
    control = plan.context.control
    if "geometry" in asked and instrument is not None and now.geometry in geometries and control is not None:
        pair = Pair(plan.context.serial or "", now.geometry, geometries[now.geometry].serial or "")
        began = run_started_seq(reader, started.id)
        other = instrument.with_fitted(now.geometry)
        found = control_of(reader, other, pair, started.began_utc_ns, before=began)
        # A file that requires no control any more does not make one that was required pass.
        control = RequiredControl(fluid=control.fluid, state="missing") if found is None else found
    overdue = plan.context.overdue
    if "geometry" in asked and instrument is not None and now.geometry in geometries:
        overdue = _overdue(reader, plan, instrument.with_fitted(now.geometry), started)
    return redeclared(
        plan,
        Redeclared(
            changed=asked,
            product=product,
            geometry=now.geometry,
            geometries=geometries,
            standing=standing,
            control=control,
            overdue=overdue,
            fluid=catalogue.fluid(now.fluid) if "fluid" in asked and now.fluid else None,
            day=day(started.began_utc_ns),
        ),
    )


def _overdue(reader: Reader, plan: Plan, instrument: Instrument, started: RunRecord) -> tuple[OverdueCalibration, ...]:
    """Return the overdue calibrations of a run with another geometry, as they were recorded at its start.

    Raises:
        SettingError: the geometry was out of service.
    """
    at_ns = started.began_utc_ns
    piece = next(p for p in pieces_of(instrument, plan.context.serial or "") if p.part == "geometry" and p.fitted)
    out = out_of_service(reader, piece, at_ns=at_ns)
    if out:
        error = SettingError(
            f"{out[0].piece.words} was out of service at the start of the run ({out[0].record.out_of_service}): annul "
            "the run, and measure again"
        )
        raise coded(
            error,
            "geometry_was_out",
            piece=out[0].piece.words,
            reason=out[0].record.out_of_service,
        )
    before = f"{instrument.name}/{plan.context.geometry_name}"
    found = was_overdue(reader, piece, at_ns)
    return (*(o for o in plan.context.overdue if o.piece != before), *(() if found is None else (found,)))
