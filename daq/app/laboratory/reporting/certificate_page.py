"""A certificate for a customer: one page by ISO/IEC 17025, 7.8, without a name that is internal to the works.  Pure."""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from daq.app.laboratory.reporting.measured_facts import (
    ProductUsed,
    choice_words,
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
from daq.app.laboratory.reporting.page_blocks import Block, Page, WorksHead, facts, section, signatures, text
from daq.app.records.attempts import AttemptWithData
from daq.app.screens.text import called, sentence
from daq.core.errors import SettingError, coded
from daq.core.faults import ANNULLED
from daq.laboratory.reports import ShownResult
from daq.methods.concluding.reportable import Reportable, reportable
from daq.methods.parts.statement import Statement, reasons_json

TITLE: Final = "Certificate of measurement"
INTERNAL: Final = frozenset(
    {"corrected_by", "declared_otherwise", "computed_in_recorded_spans", "operator_not_authorised"}
)
"""Codes of statements about the works' own records, which no customer reads."""
TO_SIGN: Final = ("Authorised by: name, function, date", "Signature")
END: Final = (
    "The results relate only to the sample named above, as received (ISO/IEC 17025, 7.8.2.1).",
    "This certificate is one page. It is reproduced only in full. Its file is traced by the number below.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class CertificateFacts:
    """The sources of a certificate.

    Attributes:
        of: id of the run, or the sample.
        data: result (`ResultData` as a dict), or of a sample its reportable result in the same form.
        counted: the results that count in a reportable result, each as `data`; empty for a single run.
        how: how the value of a sample was made from its results; "" for a single run.
        product: the product as the run used it.
        shown: the results on the certificate.
        sample: sample of a certificate about a sample; "" for one about a run.
        customer: name of the customer; "" where none is given.
        replaces: numbers of withdrawn certificates about the same thing.
        signed: lines of electronic signatures.
    """

    of: str
    data: Mapping[str, Any]
    product: ProductUsed
    shown: tuple[ShownResult, ...]
    counted: tuple[Mapping[str, Any], ...] = ()
    how: str = ""
    sample: str = ""
    customer: str = ""
    replaces: tuple[str, ...] = ()
    signed: tuple[str, ...] = ()


def refusal(
    data: Mapping[str, Any] | None, attempt: AttemptWithData, state: str, against: Sequence[Statement] = ()
) -> tuple[Statement, ...]:
    """Return why a run has no certificate; empty where it may have one.

    The rule for reportable results decides: none for a result that is not valid, of a person in training, of a sheared
    fill, or of a verification.

    Args:
        data: newest result of the run, None without one.
        attempt: the same as an attempt of its sample.
        state: state of the run in the store.
        against: statements of `Releases.against_run`: it is rejected, in doubt, or not released.

    Raises:
        SettingError: the run has no result, or is annulled.
    """
    run = attempt[0].run
    if state != "ended" or data is None:
        error = SettingError(f"run {run} has no certificate: the run has no result yet")
        raise coded(error, "run_without_result", run=run)
    if ANNULLED in data["faults"]:
        raise coded(SettingError(f"run {run} has no certificate: the run is annulled"), "run_annulled", run=run)
    found = reportable(data["sample"]["id"], [attempt], None)
    return (*found.attempts[0].why, *against)


def of_reportable(found: Reportable, data: Mapping[str, Any]) -> dict[str, Any]:
    """Return the reportable result of a sample in the form of a result; `data` is the first result that counts.

    Raises:
        SettingError: the sample has no reportable result.
    """
    if found.value is None:
        raise coded(
            SettingError(f"sample {found.sample} has no reportable result: {sentence(found.how)}"),
            "no_certificate",
            what="sample",
            name=found.sample,
            reasons=reasons_json((found.how,)),
        )
    verdict = data["verdict"] | {
        "verdict": found.verdict,
        "rounding": found.rounding,
        "acceptance": found.acceptance,
        "risk_of_false_acceptance": found.risk_of_false_acceptance,
        "compared": None,
        "limits": [_judged(limit, found) for limit in data["verdict"]["limits"]],
    }
    uncertainty = None if found.uncertainty is None else found.uncertainty.model_dump(mode="json")
    changed = {"value": found.value, "reported": found.reported, "uncertainty": uncertainty, "verdict": verdict}
    return dict(data) | changed | {"corrected": None, "drift": None}


def _judged(limit: Mapping[str, Any], found: Reportable) -> dict[str, Any]:
    """Return a limit with the verdict on the reportable value."""
    edges = ("quantity", "low", "high", "unit")
    for stated in found.limits:
        given = stated.parameters
        if stated.code == "limit_judged" and all(given.get(e) == limit[e] for e in edges):
            return dict(limit) | {"verdict": given["verdict"]}
    return dict(limit) | {"verdict": "not_comparable"}


def certificate_page(given: CertificateFacts, works: WorksHead, issued: str, made_utc_ns: int) -> Page:
    """Return the certificate.

    Args:
        given: the result and what goes with it.
        works: head of the works, with a name.
        issued: day of issue (YYYY-MM-DD); "" while only the digest is wanted.
        made_utc_ns: moment that the file carries as its date.
    """
    data = given.data
    sample = data["sample"]
    results = given.counted or (data,)
    began = [moment_words(d["origin"].get("began")) for d in (results[0], results[-1])]
    blocks: list[Block] = [
        facts(
            [
                ("Sample", sample["id"]),
                ("Customer", given.customer),
                ("Product", given.product.words),
                ("Sampled", _each(moment_words(d["sample"].get("sampled_at")) for d in results)),
                ("Lot", _each(d["sample"].get("lot") or "" for d in results)),
                ("Measured", " to ".join(dict.fromkeys(began))),
                ("Issued", issued),
                ("Replaces", ", ".join(f"number {n}, withdrawn" for n in given.replaces)),
            ],
            columns=2,
        ),
        value_headline(data),
        facts(_method_rows(given)),
    ]
    limits = limits_table(data)
    if limits:
        blocks += [section("Limits"), *limits, facts([("Decision rule", rule_words(data))])]
    remarks = _remarks(results)
    if remarks:
        blocks += [section("Remarks"), text(remarks)]
    blocks += [text(given.signed)] if given.signed else [signatures(TO_SIGN)]
    return Page(
        form="certificate",
        of=given.of,
        title=TITLE,
        subtitle=f"{called(data['quantity'])} of sample {sample['id']}",
        blocks=tuple(blocks),
        end=END,
        shown=given.shown,
        simulated=bool(data["simulated"]),
        works=works,
        made_utc_ns=made_utc_ns,
        sample=given.sample,
    )


def _method_rows(given: CertificateFacts) -> list[tuple[str, str]]:
    data = given.data
    return [
        ("Method", method_words(data)),
        ("Value", given.how or taken_words(data)),
        ("Chosen", choice_words(data)),
        *_instruments(given.counted or (data,)),
        ("Conditions", "" if given.how else conditions_words(data)),
        ("At reference", corrected_words(data)),
    ]


def _instruments(results: Sequence[Mapping[str, Any]]) -> list[tuple[str, str]]:
    """Return measuring geometry and verification of the instrument of each result; alike ones share their lines.

    An instrument has no name here: its name is internal to the works.
    """
    found: dict[tuple[str, ...], list[int]] = {}
    for number, data in enumerate(results, 1):
        origin = data["origin"]
        own = (origin.get("instrument") or "", origin.get("serial") or "", geometry_words(data), verified_words(data))
        found.setdefault(own, []).append(number)
    if len(found) == 1:
        ((_, _, geometry, verified),) = found
        return [("Measuring geometry", geometry), ("Instrument", verified)]
    return [
        (
            f"Instrument of result {', '.join(map(str, numbers))}",
            "; ".join(part for part in (geometry, verified) if part),
        )
        for (_, _, geometry, verified), numbers in found.items()
    ]


def verified_words(data: Mapping[str, Any]) -> str:
    """Return the verification that held for instrument and geometry of a result, or that there was none."""
    verified = data.get("verified") or {}
    if not verified.get("date"):
        return "no verification with a certified fluid is recorded"
    fact = "passed" if verified.get("passed") else "not passed"
    return f"verified with a certified fluid on {verified['date']}: {fact}"


def _each(words: Iterable[str]) -> str:
    """Return what the results state, each once."""
    return ", ".join(dict.fromkeys(w for w in words if w))


def _remarks(results: Sequence[Mapping[str, Any]]) -> list[str]:
    """Return the warnings of all results that a customer must know, each once.

    One with a name of the works' own is left out.
    """
    names = [name for data in results for name in internal_names(data)]
    warnings = (w for data in results for w in data["warnings"] if w["code"] not in INTERNAL)
    return [words for words in dict.fromkeys(map(sentence, warnings)) if not named_in(words, names)]


def internal_names(data: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the names of operator, instruments and driver of a result."""
    origin = data["origin"]
    found = [origin.get("operator"), origin.get("instrument"), origin.get("driver"), *(origin.get("companions") or {})]
    return tuple(name for name in found if name)


def named_in(words: str, names: Sequence[str]) -> bool:
    """Return whether one of the names occurs in a text as a word of its own."""
    return any(re.search(rf"(?<![\w.-]){re.escape(name)}(?![\w-])", words) for name in names)
