"""The CloudEvents 1.0 envelope of every message (structured JSON mode)."""

from typing import Any


def envelope(
    data: dict[str, Any],
    *,
    id: str,  # noqa: A002 - CloudEvents' own name
    source: str,
    sequence: int,
    time: str,
    type: str,  # noqa: A002 - CloudEvents' own name
    subject: str,
    dataschema: str | None = None,
) -> dict[str, Any]:
    """Return a CloudEvents 1.0 message in structured JSON mode around `data`.

    `sequence` follows the sequence extension of CloudEvents as text of fixed width, so that it also sorts as text.

    Raises:
        ValueError: an attribute that must not be empty is.
    """
    for name, text in (("id", id), ("source", source), ("type", type), ("time", time)):
        if not text:
            raise ValueError(f"the CloudEvents attribute {name} must not be empty")
    event: dict[str, Any] = {
        "specversion": "1.0",
        "id": id,
        "source": source,
        "type": type,
        "subject": subject,
        "time": time,
        "datacontenttype": "application/json",
        "sequence": f"{sequence:012d}",
        "data": data,
    }
    if dataschema:
        event["dataschema"] = dataschema
    return event
