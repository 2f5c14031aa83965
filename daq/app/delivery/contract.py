"""The contract with consumers of our messages: every schema by name and version.

Within a version, keys can be added and descriptions can change.  No key is removed, no type or list of names becomes
wider, and a key that was always present stays present.  Any other change is a new version under its own topic; the old
version is published beside it for one year.  A test compares every released schema with the present one.
"""

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from pydantic import BaseModel

from daq.adapters.mqtt.topics import Topics
from daq.methods.curves.curvedata import CURVE_SCHEMA, CURVE_VERSION, curve_schema
from daq.methods.messages.envelope import ENVELOPE_SCHEMA, ENVELOPE_VERSION, Envelope
from daq.methods.messages.flat import FLAT_NAME, flat_schema
from daq.methods.messages.livedata import LIVE_SCHEMA, LIVE_VERSION, LiveData
from daq.methods.messages.reportabledata import REPORTABLE_SCHEMA, REPORTABLE_VERSION, ReportableData
from daq.methods.messages.result import SCHEMA_NAME, SCHEMA_VERSION, schema
from daq.methods.messages.signaturedata import SIGNATURE_SCHEMA, SIGNATURE_VERSION, SignatureData
from daq.methods.messages.statusdata import (
    ANSWER_SCHEMA,
    ANSWER_VERSION,
    COLLECTED_SCHEMA,
    COLLECTED_VERSION,
    REFILL_SCHEMA,
    REFILL_VERSION,
    STATUS_SCHEMA,
    STATUS_VERSION,
    CollectedData,
    RefillAnswer,
    RefillRequest,
    StatusData,
)
from daq.methods.sentences.catalogue import CODES_NAME, CODES_VERSION, codes_document

FOLDER: Final = Path(__file__).parent / "schemas"
"""The published schemas as files: to make them takes a tenth of the start of a daemon, and they change with the models
only. ``python -m daq.app.delivery.contract`` writes them."""
DIALECT: Final = "https://json-schema.org/draft/2020-12/schema"


@dataclass(frozen=True, slots=True)
class Schema:
    """One published schema.

    Attributes:
        name: name in its topic ``schema/{name}/{version}``.
        version: a whole number.
        about: the message it describes, for a person.
        make: returns the JSON Schema of the models.
    """

    name: str
    version: int
    about: str
    make: Callable[[], dict[str, Any]]

    @property
    def file(self) -> Path:
        """The file with the published schema."""
        return FOLDER / f"{self.name}-{self.version}.json"

    def text(self) -> bytes:
        """Return the schema as it is published."""
        return self.file.read_bytes()

    def made(self) -> bytes:
        """Return the schema of the models.  It allows unknown keys, so that keys can be added later."""
        made = {"$schema": DIALECT, **schema_content(self)}
        return json.dumps(made, sort_keys=True, ensure_ascii=False).encode()


def schema_content(schema: Schema) -> dict[str, Any]:
    """Return a schema that allows unknown keys, without the key ``$schema``."""
    content: dict[str, Any] = _open(schema.make())
    content.pop("$schema", None)
    return content


def _of(model: type[BaseModel]) -> Callable[[], dict[str, Any]]:
    return lambda: model.model_json_schema(mode="serialization")


SCHEMAS: Final = (
    Schema(SCHEMA_NAME, SCHEMA_VERSION, "`data` of a message on result/{instrument} and last/{instrument}", schema),
    Schema(
        FLAT_NAME, SCHEMA_VERSION, "`data` of a message on flat/{instrument}: the same without nesting", flat_schema
    ),
    Schema(CURVE_SCHEMA, CURVE_VERSION, "`data` of a message on curve/{instrument}", curve_schema),
    Schema(
        REPORTABLE_SCHEMA,
        REPORTABLE_VERSION,
        "`data` of a message on reportable/{instrument}",
        _of(ReportableData),
    ),
    Schema(SIGNATURE_SCHEMA, SIGNATURE_VERSION, "`data` of a message on signature/{instrument}", _of(SignatureData)),
    Schema(LIVE_SCHEMA, LIVE_VERSION, "a message on live/{instrument}", _of(LiveData)),
    Schema(STATUS_SCHEMA, STATUS_VERSION, "the message on status", _of(StatusData)),
    Schema(REFILL_SCHEMA, REFILL_VERSION, "what a consumer sends to refill", _of(RefillRequest)),
    Schema(
        ANSWER_SCHEMA,
        ANSWER_VERSION,
        "the answer to it on answer/..., where it had a response topic",
        _of(RefillAnswer),
    ),
    Schema(COLLECTED_SCHEMA, COLLECTED_VERSION, "what a collector sends to collected/{instrument}", _of(CollectedData)),
    Schema(ENVELOPE_SCHEMA, ENVELOPE_VERSION, "the envelope around `data` of results and curves", _of(Envelope)),
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
    """Return the payloads of the schema topics, with the list of codes among them."""
    schemas = {topics.schema(s.name, str(s.version)): s.text() for s in SCHEMAS}
    return schemas | {topics.schema(CODES_NAME, str(CODES_VERSION)): codes_text()}


def _open(node: Any) -> Any:
    if isinstance(node, dict):
        return {k: _open(v) for k, v in node.items() if (k, v) != ("additionalProperties", False)}
    return [_open(v) for v in node] if isinstance(node, list) else node


if __name__ == "__main__":
    for each in SCHEMAS:
        each.file.write_bytes(each.made())
