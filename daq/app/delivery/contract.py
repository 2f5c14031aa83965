"""The contract with whoever reads our messages: every schema by name and version.

Within a version keys may be added and descriptions may change; nothing is taken away, no type or list of names grows
wider, and nothing that always came may stay away.  Anything else is a new version under a topic of its own, and the
old one goes on for a year beside it.  A test holds every released schema against the present one.
"""

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from pydantic import BaseModel

from daq.adapters.mqtt.topics import Topics
from daq.methods.curves.curvedata import CURVE_SCHEMA, CURVE_VERSION, curve_schema
from daq.methods.messages.flat import FLAT_NAME, flat_schema
from daq.methods.messages.livedata import LIVE_SCHEMA, LIVE_VERSION, LiveData
from daq.methods.messages.result import SCHEMA_NAME, SCHEMA_VERSION, schema
from daq.methods.messages.statusdata import (
    REFILL_SCHEMA,
    REFILL_VERSION,
    STATUS_SCHEMA,
    STATUS_VERSION,
    RefillRequest,
    StatusData,
)
from daq.methods.sentences.catalogue import CODES_NAME, CODES_VERSION, codes_document

DIALECT: Final = "https://json-schema.org/draft/2020-12/schema"


@dataclass(frozen=True, slots=True)
class Schema:
    """One published schema.

    Attributes:
        name: as in its topic ``schema/{name}/{version}``.
        version: a whole number.
        about: what it describes, for a person.
        make: gives the JSON Schema as the code has it.
    """

    name: str
    version: int
    about: str
    make: Callable[[], dict[str, Any]]

    def text(self) -> bytes:
        """The schema as it is published: keys it does not know are allowed, so that later ones do no harm."""
        made = {"$schema": DIALECT, **_open(self.make())}
        return json.dumps(made, sort_keys=True, ensure_ascii=False).encode()


def _of(model: type[BaseModel]) -> Callable[[], dict[str, Any]]:
    return lambda: model.model_json_schema(mode="serialization")


SCHEMAS: Final = (
    Schema(SCHEMA_NAME, SCHEMA_VERSION, "`data` of a message on result/{instrument} and last/{instrument}", schema),
    Schema(
        FLAT_NAME, SCHEMA_VERSION, "`data` of a message on flat/{instrument}: the same without nesting", flat_schema
    ),
    Schema(CURVE_SCHEMA, CURVE_VERSION, "`data` of a message on curve/{instrument}", curve_schema),
    Schema(LIVE_SCHEMA, LIVE_VERSION, "a message on live/{instrument}", _of(LiveData)),
    Schema(STATUS_SCHEMA, STATUS_VERSION, "the message on status", _of(StatusData)),
    Schema(REFILL_SCHEMA, REFILL_VERSION, "what a consumer sends to refill", _of(RefillRequest)),
)


CODES: Final = (
    CODES_NAME,
    CODES_VERSION,
    "list of the codes in results and flow curves, with templates and parameters",
)
"""Name, version and purpose of the document beside the schemas."""


def codes_text() -> bytes:
    """Return the list of codes as it is published."""
    return json.dumps(codes_document(), sort_keys=True, ensure_ascii=False).encode()


def schema_messages(topics: Topics) -> Mapping[str, bytes]:
    """Payloads of the schema topics, with the list of codes among them."""
    schemas = {topics.schema(s.name, str(s.version)): s.text() for s in SCHEMAS}
    return schemas | {topics.schema(CODES_NAME, str(CODES_VERSION)): codes_text()}


def _open(node: Any) -> Any:
    if isinstance(node, dict):
        return {k: _open(v) for k, v in node.items() if (k, v) != ("additionalProperties", False)}
    return [_open(v) for v in node] if isinstance(node, list) else node
