"""Compare what was kept outside the database with it: a message that a consumer received, or a head of the trail."""

from collections.abc import Iterator
from typing import Any, Final

from daq.adapters.store.agreement.disagreement import (
    NOTHING,
    ROW,
    Disagreement,
    at,
    differing,
    first_difference,
)
from daq.adapters.store.agreement.stored import Row, Stored
from daq.adapters.store.agreement.trail import Chain
from daq.adapters.store.audit import source_uri
from daq.adapters.store.forms.packed import BASIS, unpacked
from daq.adapters.store.rows import json_or_none

NEEDED: Final = ("id", "source", "type", "sequence", "data")
"""Attributes of a message without which it cannot be compared."""
RESULT_KIND: Final = "lab.result.v"


def of_message(stored: Stored, event: Row, name: str) -> Iterator[Disagreement]:
    """Compare a message, as a consumer kept it, with the message in the outbox and the result in the database.

    Args:
        stored: the database.
        event: the CloudEvents message, decoded; it has the attributes of `NEEDED`.
        name: name of the message's file, for the sentences.
    """
    meta = stored.one("SELECT source, epoch FROM meta") or {"source": NOTHING, "epoch": 0}
    uri, _, epoch = str(event["source"]).rpartition("#")
    own = source_uri(meta["source"], 0)[:-2]
    if uri != own:
        yield Disagreement("meta", "1", "source", own, uri, name)
        return
    found = False
    sql = f"SELECT seq, result, payload, {BASIS} FROM outbox AS m WHERE id = ? ORDER BY seq"  # noqa: S608 - our text
    for row in stored.rows(sql, event["id"]):
        payload = json_or_none(unpacked(row["payload"], row["basis"]))
        if payload is not None and at(payload, "type") != event["type"]:
            continue
        found = True
        difference = first_difference(payload, event)
        if difference is not None:
            field = f"payload {difference[0]}".rstrip()
            yield Disagreement("outbox", str(row["seq"]), field, difference[1], difference[2], name)
    result = stored.one("SELECT * FROM results WHERE id = ?", event["id"])
    if result is not None:
        there: Row = {"epoch": _number(epoch), "sequence": _number(event["sequence"]), "stream": event.get("subject")}
        yield from differing("results", result["id"], result, there, name)
        if str(event["type"]).startswith(RESULT_KIND):
            difference = first_difference(json_or_none(result["data"]), event["data"])
            if difference is not None:
                yield Disagreement("results", result["id"], f"data {difference[0]}", *difference[1:], name)
    elif not found:
        there_text = f"number {_number(event['sequence'])} of {event.get('subject')} (epoch {epoch})"
        yield Disagreement("results", str(event["id"]), ROW, NOTHING, there_text, name)
    head = at(event["data"], "origin.audit_head")
    if head is not None:
        yield from of_head(stored, str(head), name)


def of_head(stored: Stored, head: str, name: str) -> Iterator[Disagreement]:
    """Compare a hash of the audit trail that was kept outside: it must be an entry, at the end of an unbroken chain."""
    row = stored.one("SELECT seq FROM audit WHERE hash = ?", head)
    if row is None:
        last = stored.one("SELECT seq, hash FROM audit ORDER BY seq DESC LIMIT 1")
        where = f"{name}: this entry, or its present form, is not in the trail"
        yield Disagreement("audit", str(last["seq"] if last else 0), "hash", last and last["hash"], head, where)
        return
    chain = Chain.after(stored, 0)
    for entry in stored.trail(0):
        if entry.stored.seq > row["seq"]:
            break
        yield from chain.take(entry.stored)


def _number(text: Any) -> int | None:
    """Return the number in an attribute; None where it has none."""
    try:
        return int(text)
    except (TypeError, ValueError):
        return None
