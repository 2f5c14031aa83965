"""The records of the configuration that a run used: digests, texts of files, and models as the run had them."""

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

from daq.adapters.store.declaring.beginning import BeginConfigured, FixedText, fixed_texts
from daq.adapters.store.records import Change
from daq.adapters.store.transactions import BeginRun
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.fitted import Fit
from daq.laboratory.configuration import KeptText, ProductText, RunConfiguration, UsedFile
from daq.laboratory.record import Record
from daq.methods.files.digest import canonical, digest
from daq.methods.files.fields import Model
from daq.methods.files.fluid import Fluid
from daq.methods.files.instrument import Instrument
from daq.methods.files.product import Product
from daq.methods.files.recipe import Method

KindOfFile = Literal["instrument", "description", "method", "product", "fluid"]


@dataclass(frozen=True, slots=True)
class Used:
    """The models of one run, the instruments with their fitted geometries, lead first."""

    instruments: tuple[Instrument, ...]
    method: Method
    product: Product | None
    fluid: Fluid | None


def begin_configured(
    begin: BeginRun,
    catalogue: Catalogue,
    used: Used,
    fits: Mapping[str, Fit],
    equipment: tuple[tuple[str, str, int], ...] = (),
) -> BeginConfigured:
    """Return the transaction that stores the start of a run together with its configuration.

    Args:
        begin: the run.
        catalogue: the configuration, with the files as they were read.
        used: the models of the run.
        fits: recorded geometry by name of the instrument.
        equipment: the records of equipment that were asked, as `BeginConfigured` compares them.
    """
    texts: list[Change] = []
    files = list(_files(catalogue, used, texts))
    fitted = {i.name: fits[i.name].revision if i.name in fits else 0 for i in used.instruments}
    record = RunConfiguration(id=begin.run.id, used=tuple(files), fitted=fitted)
    fixed = fixed_texts(texts)
    if used.product is not None:
        fixed += (_product_text(used.product),)
    return BeginConfigured(begin, tuple(fitted.items()), fixed, _new(record, "run_configured"), equipment)


def _files(catalogue: Catalogue, used: Used, texts: list[Change]) -> Iterable[UsedFile]:
    """Yield the files of a run; their texts are added to `texts`."""
    for instrument in used.instruments:
        yield _file(catalogue, texts, "instrument", instrument.name, instrument)
        if instrument.driver.endswith(".toml"):
            path = str(catalogue.description_path(instrument))
            yield UsedFile(what="description", id=instrument.driver, file=path, file_text=_raw(catalogue, texts, path))
        elif text := catalogue.driver_text(instrument):
            source = catalogue.drivers.source(instrument.driver)
            exact = _text(source, texts) if source else ""
            yield UsedFile(what="description", id=instrument.driver, file_text=exact, text=_text(text, texts))
    yield _file(catalogue, texts, "method", used.method.id, used.method, used.method.version)
    if used.product is not None:
        yield _file(catalogue, texts, "product", used.product.id, used.product, used.product.version)
    if used.fluid is not None:
        yield _file(catalogue, texts, "fluid", used.fluid.id, used.fluid)


def _file(
    catalogue: Catalogue, texts: list[Change], what: KindOfFile, ident: str, model: Model, version: str = ""
) -> UsedFile:
    return UsedFile(
        what=what,
        id=ident,
        version=version,
        file=model.source,
        file_text=_raw(catalogue, texts, model.source),
        text=_text(canonical(model), texts),
    )


def _raw(catalogue: Catalogue, texts: list[Change], path: str) -> str:
    source = catalogue.sources.get(path)
    return "" if source is None else _text(source.text, texts)


def _text(text: str, texts: list[Change]) -> str:
    """Return the id of a text, and add its record to `texts`."""
    ident = hashlib.sha256(text.encode()).hexdigest()
    texts.append(_new(KeptText(id=ident, text=text), "text_kept"))
    return ident


def _product_text(product: Product) -> FixedText:
    record = ProductText(
        id=f"{product.id} {product.version}",
        digest=digest(product),
        approved_by=product.approved_by or "",
        valid_from=product.valid_from or "",
    )
    refusal = (
        f"{product.source}: version: version {product.version} of product {product.id} was used before with other "
        "content: give the changed product a new version"
    )
    return FixedText(_new(record, "product_registered"), refusal)


def _new(record: Record, what: str) -> Change:
    return Change(record.kind, record.id, what, record.model_dump(mode="json"), record.keys())
