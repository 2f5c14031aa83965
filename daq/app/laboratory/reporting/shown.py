"""The stored data behind a page: results with their digests, and the product as a run used it."""

import json
from collections.abc import Iterable, Sequence
from typing import Any, Final

from daq.adapters.store.agreement.disagreement import Disagreement
from daq.adapters.store.agreement.one_run import (
    disagreements_of_record,
    disagreements_of_run,
    disagreements_of_sample,
)
from daq.adapters.store.audit import digest_of
from daq.adapters.store.forms.result_values import whole_values_of
from daq.adapters.store.reading import Reader
from daq.adapters.store.rows import ResultRecord, RunRecord
from daq.app.laboratory.reporting.measured_facts import ProductUsed
from daq.app.laboratory.reporting.page_blocks import Attached
from daq.app.records.judged.product_versions import version_of_run
from daq.app.screens.json_text import harmless_json
from daq.core.errors import StoreError, coded
from daq.laboratory.reports import ShownResult

LARGEST_ATTACHED: Final = 400_000
"""Greatest size of the files attached to a report, bytes: its PDF is one answer of the daemon."""


def shown_of(result: ResultRecord) -> ShownResult:
    """Return a stored result as a report names it."""
    return ShownResult(
        run=result.run,
        result=result.id,
        data=digest_of(result.data),
        journal=result.journal_digest,
        audit_number=result.audit_seq,
        audit_head=result.audit_head,
    )


def newest_shown(reader: Reader, runs: Iterable[str]) -> tuple[ShownResult, ...]:
    """Return the newest result of each run that has one."""
    found = (reader.newest_result(run) for run in runs)
    return tuple(shown_of(result) for result in found if result is not None)


def product_used(reader: Reader, run: RunRecord | None) -> ProductUsed:
    """Return the version of a run's product by which it is judged; only the id where its text is not stored."""
    version = None if run is None else version_of_run(reader, run)
    if run is None or version is None:
        return ProductUsed(id="" if run is None else run.product)
    product = version.product
    return ProductUsed(
        id=product.id,
        name=product.name,
        version=version.version,
        approved_by=product.approved_by or "",
        text_digest=version.digest,
    )


def refuse_changed(reader: Reader, name: str, runs: list[str], *, sample: str = "") -> None:
    """Refuse a page about data that were changed after they were stored.

    Raises:
        StoreError: the copies of a fact differ, or a result cannot be read; the text names the first.
    """
    for run in runs:
        newest = reader.newest_result(run)
        if newest is not None:
            whole_values_of(newest)
    found = [d for run in runs for d in disagreements_of_run(reader.path, run)]
    found += disagreements_of_sample(reader.path, sample, runs) if sample else []
    _refuse(name, found)


def refuse_changed_record(reader: Reader, kind: str, ident: str) -> None:
    """Refuse a page about a record that was changed after it was stored, or a signature under it.

    Raises:
        StoreError: the copies of a fact differ; the text names the first.
    """
    _refuse(f"{kind} {ident}", disagreements_of_record(reader.path, kind, ident))


def _refuse(name: str, found: Sequence[Disagreement]) -> None:
    if found:
        error = StoreError(
            f"{name}: no report is made, because stored data do not agree with the audit trail: {found[0].text}; "
            "`daq verify` lists all"
        )
        raise coded(
            error,
            "records_disagree",
            what=name.partition(" ")[0],
            name=name.partition(" ")[2],
        )


def as_attached(name: str, data: Any, description: str) -> Attached:
    """Return JSON values as a file to attach."""
    text = harmless_json(json.dumps(data, indent=1, sort_keys=True, ensure_ascii=False, allow_nan=False)) + "\n"
    return Attached(name, "application/json", text, description)
