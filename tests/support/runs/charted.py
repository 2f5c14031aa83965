"""Many small runs with results in one commit: points for control charts, that agree with their audit entries."""

import contextlib
import copy
import json
import uuid
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Any

from daq.adapters.paths import examples_dir
from daq.adapters.store.access import Access
from daq.adapters.store.declaring.beginning import BeginConfigured, fixed_texts
from daq.adapters.store.declaring.correcting import Correct
from daq.adapters.store.rows import AuditPoint, Outgoing
from daq.adapters.store.store import Store, open_writer
from daq.adapters.store.transactions import BeginRun, Conclude, EndRun, RegisterMethod
from daq.app.laboratory.laboratory import new
from daq.app.records.judged.product_versions import ProductVersion, present
from daq.app.setup.catalogue import Catalogue
from daq.core.encoding import encode
from daq.laboratory.configuration import KeptText, RunConfiguration, UsedFile
from daq.methods.files.product import Product
from daq.methods.planning.standing import AuditedVerification
from tests.support.runs import stored
from tests.support.runs.stored import SECOND, T0

EMPTY_RESULT: dict[str, Any] = {
    "quantity": "viscosity",
    "value": None,
    "unit": "mPa.s",
    "quality": "Good",
    "validity": "valid",
    "faults": [],
    "reasons": [],
    "uncertainty": None,
    "simulated": False,
    "sample": {"id": "", "product": "clear-glaze", "fill": None, "sheared": False},
    "geometry": {"name": "coaxial-12", "vessel": None},
    "method": {"id": "glaze-flow", "version": "1", "digest": stored.METHOD_DIGEST, "choices": {}},
    "verdict": {"verdict": "none", "limits": []},
    "verification": None,
    "conditions": {},
}


@dataclass(frozen=True, slots=True)
class Measured:
    """One run of a sample; `changes` replace parts of its result, `corrected` is the value of a correction.

    With a `topic` each result has a message.
    """

    sample: str
    value: float | None
    product: str = "clear-glaze"
    instrument: str = "bench-1"
    fill: str = ""
    simulated: bool = False
    changes: dict[str, Any] = field(default_factory=dict)
    corrected: dict[str, Any] | None = None
    topic: str = ""


def run_id(number: int) -> str:
    return str(uuid.uuid5(uuid.NAMESPACE_OID, f"charted {number}"))


def result_of(run: Measured) -> dict[str, Any]:
    """Return the result of a run."""
    data = copy.deepcopy(EMPTY_RESULT) | {"value": run.value, "simulated": run.simulated}
    data["sample"] |= {"id": run.sample, "product": run.product, "fill": run.fill or None}
    return data | copy.deepcopy(run.changes)


def limited(low: float | None, high: float | None) -> dict[str, Any]:
    """Return the part of a result with limits of the product that applied."""
    one = {"quantity": "viscosity", "low": low, "high": high, "unit": "mPa.s", "verdict": "within", "reasons": []}
    return {"verdict": {"verdict": "within", "limits": [one]}}


def verified(*deviations: float | None, fluid: str = "house-fluid", condition: str = "as_found") -> dict[str, Any]:
    """Return the part of a result that is a verification with deviations (%) at its steps."""
    levels = [{"step": f"level-{i}", "deviation_percent": d} for i, d in enumerate(deviations, 1)]
    return {"verification": {"fluid": fluid, "condition": condition, "levels": levels}}


@cache
def example(product: str) -> Product | None:
    """Return a product of the examples."""
    return Catalogue.load(examples_dir()).products.get(product)


@cache
def example_version(product: str) -> ProductVersion | None:
    """Return the version of a product of the examples."""
    found = example(product)
    return None if found is None else present(found)


def configured_start(begin: BeginRun, version: ProductVersion | None) -> BeginRun | BeginConfigured:
    """Return the start of a run with the version of its product, by which it is judged; without one the plain start."""
    if version is None:
        return begin
    product = version.product
    used = UsedFile(what="product", id=product.id, version=version.version, text=version.digest)
    text = new(KeptText(id=version.digest, text=version.text), "text_kept")
    own = new(RunConfiguration(id=begin.run.id, used=(used,), fitted={}), "run_configured")
    return BeginConfigured(begin, (), fixed_texts((text,)), own)


def make_charted(path: Path, runs: Sequence[Measured], *, every_s: int = 3600, product: Product | None = None) -> Path:
    """Store runs `every_s` apart, oldest first, in one commit; return the database.

    `product` is the version with which its runs were started; without it, it is that of the examples.
    """
    Store(path, utc_ns=T0).close()
    with contextlib.closing(open_writer(path)) as connection:
        (source,) = connection.execute("SELECT source FROM meta").fetchone()
        access = Access(connection, path, source=source, epoch=1, reserve_bytes=0, hook=None)
        connection.execute("BEGIN")
        methods = {(m["id"], m["version"]) for m in (result_of(run)["method"] for run in runs)}
        for name, version in sorted(methods):
            RegisterMethod(name, version, stored.METHOD_DIGEST, stored.METHOD, T0, "m.keeper").apply(access)
        first, second = stored.blocks(2)
        for number, run in enumerate(runs):
            is_own = product is not None and product.id == run.product
            version = present(product) if product is not None and is_own else example_version(run.product)
            _store(access, number, run, T0 + number * every_s * SECOND, (first, second, version))
        connection.execute("COMMIT")
    return path


def _audited(run: str, result: str, data: dict[str, Any]) -> dict[str, Any]:
    """Return the detail of the audit entry of a verification that was not decided."""
    v = data["verification"]
    detail = AuditedVerification(
        run=run, result=result, passed=None, condition=v.get("condition", "as_found"), fluid=v["fluid"], lot=v.get("lot", "1"),
        certificate="c", geometry=data["geometry"]["name"], geometry_serial="", serial="", levels=(),
        results_in_doubt=0, kind=v.get("kind", "verification"),
    )  # fmt: skip
    return encode(detail)


def _store(access: Access, number: int, run: Measured, utc_ns: int, given: tuple[Any, Any, Any]) -> None:
    first, second, version = given
    name = run_id(number)
    data = result_of(run)
    record = replace(
        stored.record(name, run.instrument),
        sample=run.sample,
        product=run.product,
        lot="",
        fill=run.fill,
        simulated=run.simulated,
        method_id=data["method"]["id"],
        method_version=data["method"]["version"],
        began_utc_ns=utc_ns,
    )

    def built(data: dict[str, Any]) -> Any:
        def build(_sequence: int, head: AuditPoint, digest: str) -> tuple[str, list[Outgoing]]:
            origin = {"run": name, "audit_head": head.head, "journal_digest": digest}
            text = json.dumps(data | {"origin": data.get("origin", {}) | origin}, sort_keys=True, ensure_ascii=False)
            return text, [Outgoing(run.topic, text.encode())] if run.topic else []

        return build

    verification = data["verification"]
    configured_start(BeginRun(record), version).apply(access)
    Conclude(
        run=name,
        result_id=f"result-{number}",
        outcome="complete",
        reason="last rule met",
        utc_ns=utc_ns + 60 * SECOND,
        who="m.keeper",
        build=built(data),
        block=first,
        verification=None if verification is None else _audited(name, f"result-{number}", data),
    ).apply(access)
    EndRun(name, "still", utc_ns + 70 * SECOND, "daemon", second).apply(access)
    if run.corrected is not None:
        changed = data | run.corrected | {"supersedes": f"result-{number}"}
        Correct(
            f"result-{number}", f"fix-{number}", "mistyped", utc_ns + 80 * SECOND, "m.keeper", built(changed)
        ).apply(access)
