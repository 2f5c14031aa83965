"""Queries about the files of the configuration with their versions, and about the outbox."""

import json
from collections.abc import Mapping
from typing import Any, Final

from daq.adapters.store.records import newest_revision, with_ids
from daq.app.daemon.queries.desk_asked import DefinitionAsked, Nothing
from daq.app.daemon.queries.flat_files import flat
from daq.app.daemon.queries.query import Query, Sources
from daq.app.delivery.resending import outbox_view
from daq.app.setup.catalogue import Catalogue
from daq.core.encoding import encode
from daq.core.errors import SettingError, coded
from daq.laboratory.configuration import KeptText, ProductText
from daq.laboratory.kinds import LAST
from daq.methods.files.fields import Model
from daq.methods.files.product import Product

IN_FILE: Final = "file"
"""Origin of a version that a file has now."""
STORED: Final = "stored"
"""Origin of a version that a run used and that is in no file any more."""
MOST_VERSIONS: Final = 100


def _definitions(sources: Sources, _asked: Nothing) -> dict[str, Any]:
    """Return products, methods and fluids of the files with their versions."""
    catalogue, errors = Catalogue.read(sources.catalogue().folder)
    return {
        "products": [
            {"id": p.id, "name": p.name, "version": p.version, "file": p.source} for p in catalogue.products.values()
        ],
        "methods": [
            {"id": key, "name": "", "versions": list(v), "file": list(v.values())[-1].source}
            for key, v in catalogue.methods.items()
        ],
        "fluids": [{"id": f.id, "name": f.name, "version": "", "file": f.source} for f in catalogue.fluids.values()],
        "errors": [str(e) for e in errors],
    }


def _definition(sources: Sources, asked: DefinitionAsked) -> dict[str, Any]:
    """Return one file's values by key, and the keys that differ from another version."""
    versions = _versions(sources, asked.kind, asked.id)
    if not versions:
        raise coded(
            SettingError(f"there is no {asked.kind} {asked.id!r}", key="id"),
            "unknown_name",
            what=asked.kind,
            name=asked.id,
        )
    newest = list(versions)[-1]
    shown = _version(versions, asked.version or newest)
    before = None if not asked.against else _version(versions, asked.against)
    keys = dict.fromkeys([*shown["values"], *(before["values"] if before else ())])
    return {
        "kind": asked.kind,
        "id": asked.id,
        "version": asked.version or newest,
        "against": asked.against,
        "versions": [{"version": name, "origin": v["origin"]} for name, v in versions.items()],
        "file": shown["file"],
        "rows": [
            {
                "key": key,
                "value": shown["values"].get(key),
                "before": None if before is None else before["values"].get(key),
                "differs": before is not None and before["values"].get(key) != shown["values"].get(key),
            }
            for key in keys
        ],
    }


def _version(versions: Mapping[str, dict[str, Any]], name: str) -> dict[str, Any]:
    if name not in versions:
        raise coded(
            SettingError(f"there is no version {name!r}; known: {', '.join(versions)}", key="version"),
            "unknown_name",
            what="version",
            name=name,
        )
    return versions[name]


def _versions(sources: Sources, kind: str, ident: str) -> dict[str, dict[str, Any]]:
    """Return the versions of a file, oldest first, each with origin, path and values by key."""
    catalogue = sources.catalogue()
    if kind == "method":
        found: dict[str, Model] = dict(catalogue.methods.get(ident, {}))
        return {name: _of_file(method) for name, method in found.items()}
    if kind == "fluid":
        fluid = catalogue.fluids.get(ident)
        return {} if fluid is None else {"": _of_file(fluid)}
    out = {}
    found_texts = with_ids(sources.reader, ProductText.kind, f"{ident} ", f"{ident} {LAST}", limit=MOST_VERSIONS)
    for record in sorted(found_texts, key=lambda r: r.utc_ns):
        text = newest_revision(sources.reader, KeptText.kind, record.data["digest"])
        values = {} if text is None else dict(flat(json.loads(text.data["text"]), Product))
        out[record.id.removeprefix(f"{ident} ")] = {"origin": STORED, "file": "", "values": values}
    product = catalogue.products.get(ident)
    if product is not None:
        out.pop(product.version, None)
        out[product.version] = _of_file(product)
    return out


def _of_file(model: Model) -> dict[str, Any]:
    values = dict(flat(model.model_dump(mode="json", exclude_defaults=True), type(model)))
    return {"origin": IN_FILE, "file": model.source, "values": values}


def _outbox(sources: Sources, _asked: Nothing) -> dict[str, Any]:
    """Return the outbox; the connection of the broker is in the status of the daemon."""
    found: dict[str, Any] = encode(outbox_view(sources.reader, sources.utc_ns, None))
    return found


QUERIES: Final[tuple[Query[Any], ...]] = (
    Query("definitions", Nothing, "look", _definitions),
    Query("definition", DefinitionAsked, "look", _definition),
    Query("outbox", Nothing, "look", _outbox),
)
