"""The shape of the control socket's requests and answers: ``python -m tests.contract.socket_baseline`` writes it.

The file of a protocol number stays as it is.  A change of the shape gets a new number (`PROTOCOL`) and a new file.
"""

import json
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter

from daq.app.daemon.protocol import ANSWERS, PROTOCOL, REQUESTS

FOLDER = Path(__file__).parent / "baseline"


def path(number: int = PROTOCOL) -> Path:
    """Return the file of a protocol number."""
    return FOLDER / f"socket-{number}.json"


def shape() -> dict[str, Any]:
    """Return the JSON Schemas of all requests, by name, and of all answers, by class, without their descriptions."""
    return {
        "protocol": PROTOCOL,
        "requests": {name: _bare(TypeAdapter(kind).json_schema()) for name, kind in REQUESTS.items()},
        "answers": {kind.__name__: _bare(TypeAdapter(kind).json_schema()) for kind in ANSWERS},
    }


def _bare(schema: Any) -> Any:
    if isinstance(schema, list):
        return [_bare(part) for part in schema]
    if not isinstance(schema, dict):
        return schema
    # A key named so inside `properties` is a field, and its value a schema; a text is a description.
    return {k: _bare(v) for k, v in schema.items() if not (k in ("description", "title") and isinstance(v, str))}


if __name__ == "__main__":
    FOLDER.mkdir(exist_ok=True)
    path().write_text(json.dumps(shape(), indent=1, sort_keys=True) + "\n", encoding="utf-8")
