"""The internal record of a sample: its reportable result, and every run that counts or does not.  Pure."""

from collections.abc import Mapping, Sequence
from typing import Any

from daq.app.laboratory.reporting.measured_facts import (
    ProductUsed,
    choice_words,
    geometry_words,
    limits_table,
    method_words,
    moment_words,
    rule_words,
    value_headline,
)
from daq.app.laboratory.reporting.page_blocks import (
    Attached,
    Block,
    Page,
    WorksHead,
    facts,
    section,
    signatures,
    table,
    text,
)
from daq.app.laboratory.reporting.result_page import TO_SIGN
from daq.app.screens.text import sentence, spaced
from daq.core.units import symbol
from daq.laboratory.reports import ShownResult
from daq.methods.concluding.reportable import Reportable
from daq.quality.digits import NOTHING, SHOWN_ID, within


def sample_page(
    found: Reportable,
    data: Mapping[str, Any] | None,
    product: ProductUsed,
    shown: Sequence[ShownResult],
    works: WorksHead,
    made_utc_ns: int,
    *,
    simulated: bool,
    signed: Sequence[str] = (),
    attached: Sequence[Attached] = (),
) -> Page:
    """Return the record of a sample.

    Args:
        found: its reportable result.
        data: the same in the form of a result; None where the sample has none yet.
        product: the product as the first run that counts used it.
        shown: the results of all runs.
        works: head of the works.
        made_utc_ns: moment that the file carries as its date.
        simulated: whether one of the runs measured no real sample.
        signed: lines of electronic signatures.
        attached: files to attach.
    """
    blocks: list[Block] = [facts([("Sample", found.sample), ("Product", product.words)], columns=2)]
    if data is None:
        blocks.append(text([f"There is no reportable result: {sentence(found.how)}"]))
    else:
        limits = limits_table(data)
        rows = [
            ("Reported", sentence(found.how)),
            ("Method", method_words(data)),
            ("Chosen", choice_words(data)),
            ("Measuring geometry", geometry_words(data)),
        ]
        blocks += [value_headline(data), facts(rows)]
        blocks += [section("Limits"), *limits, facts([("Decision rule", rule_words(data))])] if limits else []
        blocks += [text([sentence(x) for x in found.outliers])] if found.outliers else []
    blocks += [section("Runs"), _runs(found), *([text(signed)] if signed else [signatures(TO_SIGN)])]
    return Page(
        form="sample",
        of=found.sample,
        title="Record of a sample",
        subtitle=f"sample {found.sample}",
        blocks=tuple(blocks),
        end=("For use in the works. The attached file holds the stored data of all runs.",),
        shown=tuple(shown),
        simulated=simulated,
        works=works,
        made_utc_ns=made_utc_ns,
        attached=tuple(attached),
        sample=found.sample,
    )


def _runs(found: Reportable) -> Block:
    rows = [
        [
            a.run[:SHOWN_ID],
            moment_words(a.began),
            a.method,
            a.instrument,
            NOTHING if a.value is None else f"{within(a.value, a.expanded)} {symbol(a.unit)}".rstrip(),
            spaced(a.validity or NOTHING),
            "yes" if a.counted else sentence(a.why),
        ]
        for a in found.attempts
    ]
    return table(["run", "began", "method", "instrument", "value", "validity", "counts"], rows, frozenset({4}))
