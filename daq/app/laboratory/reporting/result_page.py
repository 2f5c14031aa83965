"""The internal record of a run: everything that is needed to repeat it and to trust it.  Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from daq.app.laboratory.reporting.measured_facts import (
    ProductUsed,
    choice_words,
    compared_words,
    conditions_words,
    corrected_words,
    geometry_words,
    limits_table,
    method_words,
    moment_words,
    rule_words,
    taken_words,
    value_headline,
)
from daq.app.laboratory.reporting.page_blocks import (
    Attached,
    Block,
    Page,
    WorksHead,
    facts,
    figure,
    section,
    signatures,
    table,
    text,
)
from daq.app.records.derived import curve_head
from daq.app.screens.drawings.curve_svg import svg
from daq.app.screens.drawings.trend_svg import Trend, trend_svg
from daq.app.screens.text import ended, fixed, sentence, spaced
from daq.app.screens.verification_text import controlled_words
from daq.core.faults import ANNULLED
from daq.core.units import symbol
from daq.laboratory.reports import ReportForm, ShownResult
from daq.methods.curves.curvedata import FlowCurveData
from daq.methods.messages.leaves import unit_of
from daq.methods.parts.measured import KeptValue
from daq.quality.digits import NOTHING, number, uncertain

TO_SIGN: Final = ("Measured: name, date", "Reviewed: name, date")
MANY_DEGREES: Final = 1000
"""Above it a number of degrees of freedom says nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunFacts:
    """The sources of an internal record of a run.

    Attributes:
        history: `History.as_json` of the run, without its messages.
        product: the product as the run used it.
        shown: the result on the page.
        trend: readings of the result's signal; None where they cannot be computed.
        curve: flow curve; None where there is none.
        signed: lines of electronic signatures.
        attached: files to attach.
        extra: blocks about a verification, in the place of value and limits.
    """

    history: Mapping[str, Any]
    product: ProductUsed
    shown: ShownResult
    trend: Trend | None = None
    curve: FlowCurveData | None = None
    signed: tuple[str, ...] = ()
    attached: tuple[Attached, ...] = ()
    extra: tuple[Block, ...] = field(default=())


def result_page(given: RunFacts, works: WorksHead, made_utc_ns: int, form: ReportForm = "result") -> Page:
    """Return the internal record of a run; a verification has the form ``verification``."""
    found = given.history
    run, data = found["run"], found["result"]
    title = "Certificate of verification" if form == "verification" else "Record of a measurement"
    blocks = [
        facts(_who_and_when(run, data), columns=2),
        *(given.extra or (value_headline(data),)),
        facts(_validity(data)),
        *([] if given.extra else _limits(data)),
        section("How it was measured"),
        facts(_how(data)),
        *_steps(data),
        *_figures(given, data),
        *_budget(data),
        *_remarks(found, data),
        section("Evidence"),
        facts(_evidence(given, data)),
        *([text(given.signed)] if given.signed else [signatures(TO_SIGN)]),
    ]
    return Page(
        form=form,
        of=run["id"],
        title=title,
        subtitle=f"sample {run['sample']}, run {run['id']}",
        blocks=tuple(blocks),
        end=("For use in the works. The attached files hold the stored data of the run.",),
        shown=(given.shown,),
        simulated=bool(data["simulated"]),
        works=works,
        made_utc_ns=made_utc_ns,
        attached=given.attached,
    )


def _who_and_when(run: Mapping[str, Any], data: Mapping[str, Any]) -> list[tuple[str, str]]:
    sample, origin = data["sample"], data["origin"]
    return [
        ("Sample", sample["id"]),
        ("Instrument", f"{origin['instrument']}, serial number {origin['serial'] or NOTHING}"),
        ("Product", sample.get("product") or ""),
        ("Operator", f"{origin['operator']} ({spaced(origin['attribution'])})" if origin["operator"] else ""),
        ("Lot", sample.get("lot") or ""),
        ("Began", moment_words(origin["began"])),
        ("Sampled", moment_words(sample.get("sampled_at"))),
        ("Ended", moment_words(origin["ended"])),
        ("Filling", run["fill"] if run["fill"] and run["fill"] != run["id"] else ""),
        ("Replicate", str(run["replicate"])),
    ]


def _validity(data: Mapping[str, Any]) -> list[tuple[str, str]]:
    how = ended(data["outcome"], "") if data["outcome"] not in ("complete", "") else ""
    words = f"{spaced(data['validity'])} ({data['quality']})"
    words = f"ANNULLED, {words}" if ANNULLED in data["faults"] else words
    return [
        ("Validity", words),
        ("Because", sentence(data["reasons"])),
        ("End of the run", how),
        ("At reference", corrected_words(data)),
    ]


def _limits(data: Mapping[str, Any]) -> list[Block]:
    limits = limits_table(data)
    if not limits:
        return []
    verdict = data["verdict"]
    rows = [
        ("Decision rule", rule_words(data)),
        ("Compared", compared_words(data)),
        ("Because", sentence(verdict["reasons"])),
    ]
    return [section("Limits"), *limits, facts(rows)]


def _how(data: Mapping[str, Any]) -> list[tuple[str, str]]:
    taken, drift = data.get("span") or {}, data.get("drift") or {}
    temperatures = data["conditions"].get("temperatures") or {}
    per_minute = drift.get("percent_per_min")
    return [
        ("Method", method_words(data)),
        ("Chosen", choice_words(data)),
        ("Claim", spaced(data["claim"])),
        ("Value", taken_words(data)),
        ("Ended by", sentence(taken["stop_reason"]) if taken.get("stop_reason") else ""),
        ("Completeness", f"{100 * taken['completeness']:.0f} % of the readings expected" if taken else ""),
        ("Drift in the span", "" if per_minute is None else f"{number(per_minute, 2)} % per minute"),
        ("Measuring geometry", geometry_words(data)),
        ("Conditions", conditions_words(data)),
        ("Temperatures", ", ".join(f"{name} {fixed(value, 2)} °C" for name, value in temperatures.items())),
        ("Companions", ", ".join(f"{k} {v or ''}".strip() for k, v in data["origin"]["companions"].items())),
    ]


def _steps(data: Mapping[str, Any]) -> list[Block]:
    steps = data["steps"]
    if not steps:
        return []
    keys = ("seconds", "speed", "torque_percent", "shear_rate", "stress", "temperature")
    shown = [key for key in keys if any(s[key] is not None for s in steps)]
    heads = [
        f"{'time' if key == 'seconds' else spaced(key).removesuffix(' percent')}, {symbol(unit_of(KeptValue, key))}"
        for key in shown
    ]
    rows = [
        [s["name"], s["at"], *(number(s[key]) for key in shown), number(s["value"]), str(s["n"]), s["quality"]]
        for s in steps
    ]
    value = f"{spaced(data['quantity'])}, {symbol(data['unit'])}".removesuffix(", ")
    right = frozenset(range(2, len(shown) + 4))
    return [table(["step", "at", *heads, value, "n", "quality"], rows, right)]


def _figures(given: RunFacts, data: Mapping[str, Any]) -> list[Block]:
    out: list[Block] = []
    if given.trend is not None:
        caption = "All readings of the run; the shaded span is that of the result."
        out.append(figure(1, trend_svg(given.trend), caption, 80))
    if given.curve is not None:
        title = f"{data['sample']['id']}, {data['method']['id']} {data['method']['version']}"
        drawn = svg(given.curve, title, curve_head(data))
        out.append(figure(len(out) + 1, drawn, "Flow curve: shear stress over shear rate at the wall.", 76))
    return out


def _budget(data: Mapping[str, Any]) -> list[Block]:
    uncertainty = data.get("uncertainty")
    if not uncertainty:
        return []
    unit = symbol(data["unit"])
    rows = [
        [
            c["name"],
            number(c["standard_uncertainty"], 3),
            symbol(c["unit"]),
            spaced(c["distribution"]),
            _degrees(c["degrees_of_freedom"]),
            number(c["sensitivity"], 3),
            number(c["contribution"], 3),
            f"{100 * c['share']:.0f} %",
        ]
        for c in uncertainty["components"]
    ]
    head = ["component", "u", "unit", "distribution", "dof", "sensitivity", f"in {unit}", "share"]
    trials = f", {uncertainty['trials']} trials, seed {uncertainty['seed']}" if uncertainty["trials"] else ""
    notes = [
        ("Method", f"{uncertainty['method']}{trials}" if uncertainty["expanded"] is not None else ""),
        ("Expanded", f"U = {uncertain(uncertainty['expanded'])} {unit}" if uncertainty["expanded"] is not None else ""),
        ("No interval", sentence(uncertainty["reasons"])),
        ("Left out", sentence(uncertainty["left_out"])),
    ]
    return [section("Uncertainty budget"), table(head, rows, frozenset({1, 4, 5, 6, 7})), facts(notes)]


def _degrees(degrees: float | None) -> str:
    if degrees is None:
        return NOTHING
    return f"above {MANY_DEGREES}" if degrees > MANY_DEGREES else number(degrees, 3)


def _remarks(found: Mapping[str, Any], data: Mapping[str, Any]) -> list[Block]:
    rows = [sentence(w) for w in data["warnings"]]
    rows += [
        f"Correction of {moment_words(c['at'])} by {c['who']}: {_changes(c)}; {c['because']}"
        for c in found["corrections"]
    ]
    rows += [f"Note of {moment_words(n['at'])} by {n['who']}: {n['text']}" for n in found["notes"]]
    rows += [f"Trouble in the journal: {found['journal']['trouble']}"] if found["journal"]["trouble"] else []
    return [section("Remarks, corrections and notes"), text(rows)] if rows else []


def _changes(correction: Mapping[str, Any]) -> str:
    if correction["state"] != "corrected":
        return "annulled"
    changes: Sequence[Mapping[str, Any]] = correction["changes"]
    return ", ".join(f"{spaced(c['name'])} {c['before'] or NOTHING} to {c['after'] or NOTHING}" for c in changes)


def _evidence(given: RunFacts, data: Mapping[str, Any]) -> list[tuple[str, str]]:
    origin, product = data["origin"], given.product
    verified = data.get("verified") or {}
    passed = {True: "passed", False: "FAILED", None: "not decided"}[verified.get("passed")]
    return [
        ("Result", f"{given.shown.result}, data {given.shown.data}"),
        ("Audit trail", f"entry {given.shown.audit_number}, {given.shown.audit_head}"),
        ("Raw bytes", f"journal {given.shown.journal}"),
        ("Method", data["method"]["digest"]),
        ("Product", product.words + (f", approved by {product.approved_by}" if product.approved_by else "")),
        ("Product's text", product.text_digest),
        ("Driver", f"{origin['driver']} {origin['driver_digest']}"),
        ("Software", origin["software"] or ""),
        (
            "Instrument",
            f"verified on {verified['date']}: {passed}, run {verified['run']}" if verified.get("date") else "",
        ),
        ("Control of the shift", controlled_words(data)),
    ]
