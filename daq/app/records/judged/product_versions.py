"""The version of a product by which a run is judged: the text that was stored with the run, never the present file."""

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from typing import TYPE_CHECKING, Final

from daq.adapters.store.declared import KIND as DECLARATION
from daq.adapters.store.forms.result_values import values_of
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import Change, newest_revision
from daq.adapters.store.rows import RunRecord
from daq.app.records.attempts import runs_of_sample
from daq.core.errors import SettingError, StoreError, coded
from daq.laboratory.configuration import KeptText, ProductText, RunConfiguration

if TYPE_CHECKING:
    from daq.methods.files.product import Product

RECENT: Final = 64
"""Number of texts of products that are kept as they were read."""
_KNOWN: Final = (
    "SELECT id FROM runs WHERE product = ? AND began_utc_ns {} ? AND id <> ? AND EXISTS (SELECT 1 FROM records AS r "
    "WHERE r.kind IN ('run_configuration', 'declaration') AND r.id = runs.id AND (r.kind = 'run_configuration' OR "
    "(json_extract(r.data, '$.product') = runs.product AND json_extract(r.data, '$.product_text') <> ''))) "
)
"""A run from before the configuration was stored has a version where a correction stated it."""
_BEFORE: Final = _KNOWN.format("<=") + "ORDER BY began_utc_ns DESC, rowid DESC LIMIT 1"
_AFTER: Final = _KNOWN.format(">") + "ORDER BY began_utc_ns, rowid LIMIT 1"


@dataclass(frozen=True, slots=True)
class ProductVersion:
    """One version of a product.

    Attributes:
        product: its contents.
        digest: SHA-256 (hex) of its text, which is the id of the record `text` where it is stored.
        text: the text.
    """

    product: "Product"
    digest: str
    text: str

    @property
    def version(self) -> str:
        """The version that the file states."""
        return self.product.version


#: Returns the version of the product by which a run is judged; None where the run has none that is stored.
VersionOf = Callable[[RunRecord], ProductVersion | None]


def versions_of(reader: Reader) -> VersionOf:
    """Return the function that finds the version of the product by which a run is judged, as it is declared now."""

    def version(run: RunRecord) -> ProductVersion | None:
        return version_of_run(reader, run)

    return version


def version_of_run(reader: Reader, run: RunRecord) -> ProductVersion | None:
    """Return the version by which a run is judged; None where it has no product, or its version is not stored.

    It is the one that the newest correction of the run recorded, or the one with which the run was started.

    Raises:
        StoreError: the stored text was changed.
    """
    if not run.product:
        return None
    declared = newest_revision(reader, DECLARATION, run.id)
    digest = "" if declared is None else declared.data.get("product_text", "")
    return _stored(reader, digest) if digest else _started_with(reader, run.id, run.product)


def product_of_sample(reader: Reader, sample: str, product: str, files: "Mapping[str, Product]") -> "Product | None":
    """Return the version of a product with which the measurement of a sample began, for what is still to measure.

    The order of a run, the worklists, and the note that a sample is done ask here, so they name the same tests.  It is
    the version of the first run with a valid result.  A file that was edited since adds no test and no replicate to the
    sample, and takes none away.  A run that was stopped or is not valid binds nothing: its method may have been wrong.

    Args:
        reader: the database.
        sample: id of the sample.
        product: id of its product; "" where it has none.
        files: the products as their present files describe them, for a sample without a run whose version can be read.
    """
    for run in runs_of_sample(reader, sample) if product else ():
        if run.product != product:
            continue
        try:
            found = version_of_run(reader, run) if _is_valid(reader, run.id) else None
        except StoreError:  # result or text is damaged: the sample has no result by this run, so it stays open
            continue
        if found is not None:
            return found.product
    return files.get(product)


def _is_valid(reader: Reader, run: str) -> bool:
    newest = reader.newest_result(run)
    return newest is not None and values_of(newest)["validity"] == "valid"


def version_at(reader: Reader, run: RunRecord, product: str, in_file: "Product | None") -> ProductVersion | None:
    """Return the version of a product that was in force when a run began, for a correction of the run.

    The product of the run itself is the one with which it was started.  Otherwise the nearest runs before and after it
    whose version is stored show which one was in force, or the present file.  None where there is no file, and no run
    used the product.

    Args:
        reader: the database.
        run: the run as it was started.
        product: id of the product that it is declared to be.
        in_file: the product as its present file describes it; None without a file.

    Raises:
        SettingError: no version was in force, or two versions could have been; the text names them.
        StoreError: a stored text was changed.
    """
    own = _started_with(reader, run.id, product)
    if own is not None:
        return own
    before = _used_by(reader, _BEFORE, product, run)
    after = _used_by(reader, _AFTER, product, run)
    if after is None and in_file is not None:
        after = present(in_file)
    if after is None:
        return before
    if before is not None and before.digest == after.digest:
        return before
    day = datetime.fromtimestamp(run.began_utc_ns / 1e9, UTC).date().isoformat()
    since = after.product.valid_from
    named = f"version {after.version} of product {product}"
    if since is not None and since > day:
        if before is None:
            error = SettingError(
                f"{named} holds from {since}, and the run was measured on {day} (UTC); no version of that day is known",
                key="product",
            )
            raise coded(
                error,
                "product_version_unknown",
                product=product,
                day=day,
            )
        return before
    if before is not None and since is None:
        failed = SettingError(
            f"version {before.version} or {after.version} of product {product} could have been in force on {day} (UTC):"
            f" {named} states no valid_from; measure again",
            key="product",
        )
        raise coded(
            failed,
            "product_versions_unclear",
            product=product,
            day=day,
        )
    return after


def present(product: "Product") -> ProductVersion:
    """Return the version that a product's file states now."""
    from daq.methods.files.digest import canonical

    text = canonical(product)
    return ProductVersion(product, hashlib.sha256(text.encode()).hexdigest(), text)


def refuse_other_text(reader: Reader, version: ProductVersion) -> None:
    """Refuse a version under which another text was used.

    Raises:
        SettingError: it was.
    """
    name = f"{version.product.id} {version.version}"
    kept = newest_revision(reader, ProductText.kind, name)
    if kept is not None and kept.data["digest"] != version.digest:
        raise SettingError(
            f"version {version.version} of product {version.product.id} was used before with other content: give the "
            "changed product a new version",
            file=version.product.source,
            key="version",
        )


def product_texts(reader: Reader, version: ProductVersion) -> tuple[Change, ...]:
    """Return the changes that store a version of a product by which a run is judged; none where it is stored."""
    product = version.product
    registered = ProductText(
        id=f"{product.id} {version.version}",
        digest=version.digest,
        approved_by=product.approved_by or "",
        valid_from=product.valid_from or "",
    )
    records = ((KeptText(id=version.digest, text=version.text), "text_kept"), (registered, "product_registered"))
    return tuple(
        Change(r.kind, r.id, what, r.model_dump(mode="json"), r.keys())
        for r, what in records
        if newest_revision(reader, r.kind, r.id) is None
    )


def _used_by(reader: Reader, sql: str, product: str, run: RunRecord) -> ProductVersion | None:
    """Return the version of the nearest run of a product whose version is stored; None without one."""
    rows = reader.query(sql, [product, run.began_utc_ns, run.id])
    if not rows:
        return None
    other = str(rows[0]["id"])
    return _started_with(reader, other, product) or _stated(reader, other, product)


def _stated(reader: Reader, run: str, product: str) -> ProductVersion | None:
    """Return the version of a product that the newest correction of a run recorded; None without one."""
    declared = newest_revision(reader, DECLARATION, run)
    digest = "" if declared is None else declared.data.get("product_text", "")
    return _stored(reader, digest) if digest and declared is not None and declared.data["product"] == product else None


def _started_with(reader: Reader, run: str, product: str) -> ProductVersion | None:
    """Return the version of a product with which a run was started; None where it was started with another one."""
    stored = newest_revision(reader, RunConfiguration.kind, run)
    if stored is None:
        return None
    used = next((u for u in stored.data["used"] if u["what"] == "product" and u["id"] == product), None)
    return None if used is None else _stored(reader, used["text"])


def _stored(reader: Reader, digest: str) -> ProductVersion | None:
    kept = newest_revision(reader, KeptText.kind, digest)
    return None if kept is None else _read(digest, str(kept.data["text"]))


@lru_cache(RECENT)
def _read(digest: str, text: str) -> ProductVersion:
    from daq.methods.files.digest import restored
    from daq.methods.files.product import Product  # lists of runs do not judge any

    if hashlib.sha256(text.encode()).hexdigest() != digest:
        raise StoreError(f"the stored text {digest[:8]} of a product was changed: run `daq verify`")
    return ProductVersion(restored(Product, text), digest, text)
