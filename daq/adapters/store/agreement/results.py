"""Compare a result with its copies: in the outbox, in the record of its run, and sealed in the audit trail."""

from collections.abc import Iterator
from typing import Any, Final

from daq.adapters.clock import utc_text
from daq.adapters.store.agreement.disagreement import (
    NOTHING,
    ROW,
    Disagreement,
    at,
    differing,
    first_difference,
)
from daq.adapters.store.agreement.stored import Entry, Row, Stored, oldest
from daq.adapters.store.agreement.trail import linked, repeated
from daq.adapters.store.audit import digest_of
from daq.adapters.store.declared import DECLARED, KIND
from daq.adapters.store.forms.packed import BASIS, unpacked
from daq.adapters.store.outgoing.sealed import SEALED
from daq.adapters.store.rows import SETTLED, json_or_none

SEALED_OF_A_MESSAGE: Final = ("id", "topic", "qos", "retain", "properties")
"""Columns of a message that an audit entry repeats; of the payload it has the digest."""
RUN_COPIES: Final = {
    "origin.run": "id",
    "origin.instrument": "instrument",
    "origin.operator": "operator",
    "origin.attribution": "attribution",
    "sample.id": "sample",
    "sample.lot": "lot",
    "sample.fill": "fill",
    "sample.replicate": "replicate",
    "sample.sampled_at": "sampled_at",
    "method.id": "method_id",
    "method.version": "method_version",
    "method.digest": "method_digest",
    "outcome": "outcome",
}
"""Path in a result: column of the run with the same fact."""
RESULT_COPIES: Final = {
    "origin.journal_digest": "journal_digest",
    "origin.audit_head": "audit_head",
    "origin.audit_number": "audit_seq",
    "supersedes.id": "supersedes",
}
"""Path in a result: column of the row of the result with the same fact."""
_MESSAGE: Final = (
    "SELECT m.seq, id, result, stream, sequence, topic, qos, retain, properties, created_utc_ns, payload, "
    "d.seq AS delivery, d.state, d.last_error, d.acknowledged_utc_ns, d.quarantined, d.refused_utc_ns, " + BASIS + " "
    "FROM outbox AS m LEFT JOIN delivery AS d ON d.seq = m.seq "
)
"""A message with its state; `delivery` is None where the row of its state is missing."""


def of_result(
    stored: Stored, result_id: str, named: Entry, run: Row | None, chained: int | None, *, whole: bool = True
) -> Iterator[Disagreement]:
    """Compare one result.

    Args:
        stored: the database.
        result_id: id of the result.
        named: the audit entry that names it; the result contains the hash of that entry.
        run: the row of its run; None where that is missing.
        chained: the audit entries after this number were compared with their neighbours already; None: no entry.
        whole: compare its messages and the header of its run, too.
    """
    row = stored.one("SELECT * FROM results WHERE id = ?", result_id)
    entries = stored.entries(result_id)
    yield from linked(stored, entries, chained)
    yield from repeated(entries, "result_stored")
    sealed = oldest(entries, "result_stored")
    if row is None:
        yield Disagreement("results", result_id, ROW, NOTHING, f"run {named.stored.subject}", named.where)
    else:
        there = {"created_utc_ns": named.stored.utc_ns, "audit_seq": named.stored.seq, "audit_head": named.stored.hash}
        yield from differing("results", result_id, row, there, named.where)
        if sealed is None:
            yield Disagreement("results", result_id, ROW, "a result", NOTHING, "an audit trail without its digest")
        else:
            there = {name: sealed.detail.get(name) for name in SEALED}
            yield from differing("results", result_id, row, there, sealed.where)
            yield from _data(stored, row, sealed)
        yield from _copies(row, run, _declared(stored, row), header=whole)
    if whole:
        yield from _messages(stored, result_id, row, [e for e in entries if "messages" in e.detail], sealed)


def of_data(stored: Stored, result_id: str) -> Iterator[Disagreement]:
    """Compare the payload of a result with its digest in the audit trail, where that has one."""
    row = stored.one("SELECT * FROM results WHERE id = ?", result_id)
    sealed = oldest(stored.entries(result_id), "result_stored")
    if row is not None and sealed is not None:
        yield from _data(stored, row, sealed)


def _digest(text: str | bytes) -> str:
    return digest_of(text.encode("utf-8", "surrogateescape") if isinstance(text, str) else text)


def _data(stored: Stored, row: Row, sealed: Entry) -> Iterator[Disagreement]:
    """Compare the payload of a result with its digest; where they differ, find the field in the published copy."""
    digest = _digest(row["data"])
    if digest == sealed.detail.get("digest"):
        return
    field, here, there, where = "data", digest, sealed.detail.get("digest"), sealed.where
    digests = {m.get("payload") for m in sealed.detail.get("messages", ())}
    for message in stored.each("SELECT seq, payload FROM outbox WHERE result = ? ORDER BY seq", row["id"]):
        # A packed payload cannot be rebuilt from a changed result.
        data = at(json_or_none(message["payload"]), "data")
        if data is None or _digest(message["payload"]) not in digests:
            continue
        found = first_difference(json_or_none(row["data"]), data)
        if found is not None:
            field, here, there = f"data {found[0]}".rstrip(), found[1], found[2]
            where = f"outbox {message['seq']} and the digest of {sealed.where}"
        break
    yield Disagreement("results", row["id"], field, here, there, where)


def _declared(stored: Stored, row: Row) -> tuple[str, Row] | None:
    """Return place and contents of the declaration under which a result was computed; None for that of the start."""
    sql = "SELECT revision, data FROM records WHERE kind = ? AND id = ? ORDER BY revision"
    for revision in stored.rows(sql, KIND, row["run"]):
        data = json_or_none(revision["data"])
        if isinstance(data, dict) and data.get("result") == row["id"]:
            return f"records {KIND} {row['run']}/{revision['revision']}, data.", data
    return None


def _copies(row: Row, run: Row | None, declared: tuple[str, Row] | None, *, header: bool) -> Iterator[Disagreement]:
    """Compare the payload with the columns of result, run and declaration that hold the same facts."""
    data = json_or_none(row["data"])
    if not isinstance(data, dict):
        yield Disagreement("results", row["id"], "data", row["data"], "a JSON object", "every result")
        return
    known: list[tuple[str, Any, str]] = [
        (path, row[column], f"results {row['id']}, {column}") for path, column in RESULT_COPIES.items()
    ]
    if run is not None:
        where = f"runs {run['id']}, "
        known += [
            (path, run[column], where + column)
            for path, column in RUN_COPIES.items()
            if column in run and (declared is None or column not in (*DECLARED, "attribution"))
        ]
        known.append(("origin.began", utc_text(run["began_utc_ns"]), where + "began_utc_ns"))
        serial = at(json_or_none(run["header"]), "plan.context.serial") if header else None
        if serial is not None:
            known.append(("origin.serial", serial, where + "header plan.context.serial"))
    if declared is not None:
        where, there = declared
        known += [(p, there.get(c), where + c) for p, c in RUN_COPIES.items() if c in DECLARED]
    for path, there, where in known:
        parent = at(data, path.rpartition(".")[0]) if "." in path else data
        # Payloads of other kinds of measurement may lack a field.  That one is missing shows the digest.
        if isinstance(parent, dict) and path.rpartition(".")[2] in parent:
            here = at(data, path)
            if (here or None) != (there or None):
                yield Disagreement("results", row["id"], f"data {path}", here, there, where)


def _messages(
    stored: Stored, result_id: str, result: Row | None, entries: list[Entry], sealed: Entry | None
) -> Iterator[Disagreement]:
    known = set()
    rows = {row["seq"]: row for row in stored.each(_MESSAGE + "WHERE m.result = ?", result_id)}
    for entry in entries:
        for message in entry.detail["messages"]:
            seq = message.get("seq")
            known.add(seq)
            # A message whose result was changed is found by its number.
            row = rows.get(seq) or stored.one(_MESSAGE + "WHERE m.seq = ?", seq)
            yield from _message(message, row, result_id, result, entry, sealed)
    for seq, row in rows.items():
        if seq not in known:
            where = "an audit trail that does not name it"
            yield Disagreement("outbox", str(seq), ROW, row["topic"], NOTHING, where)


def _message(
    message: Row, row: Row | None, result_id: str, result: Row | None, entry: Entry, sealed: Entry | None
) -> Iterator[Disagreement]:
    """Compare one message with the audit entry that seals it, and its state with the times of its delivery."""
    name = str(message.get("seq"))
    if row is None:
        yield Disagreement("outbox", name, ROW, NOTHING, message.get("topic"), entry.where)
        return
    if row["delivery"] is None:
        yield Disagreement("delivery", name, ROW, NOTHING, row["topic"], f"outbox {name}")
    else:
        yield from _state(row)
    there = {key: message.get(key) for key in SEALED_OF_A_MESSAGE}
    there |= {"result": result_id, "created_utc_ns": entry.stored.utc_ns}
    if sealed is not None:
        there |= {key: sealed.detail.get(key) for key in ("stream", "sequence")}
    yield from differing("outbox", name, row, there, entry.where)
    payload = unpacked(row["payload"], row["basis"]) if isinstance(row["payload"], bytes) else row["payload"]
    digest = _digest(payload)
    if digest != message.get("payload"):
        field, here, other, where = "payload", digest, message.get("payload"), entry.where
        data = at(json_or_none(payload), "data")
        found = None if result is None else first_difference(data, json_or_none(result["data"]))
        if found is not None and data is not None and sealed is entry and at(data, "schema_version") is not None:
            field, here, other = f"payload data.{found[0]}", found[1], found[2]
            where = f"results {result_id}, and in the digest of {entry.where}"
        yield Disagreement("outbox", name, field, here, other, where)


def _state(row: Row) -> Iterator[Disagreement]:
    """Compare the state of a message with the times and texts that each state has."""
    state, time = row["state"], row["acknowledged_utc_ns"]
    overtaken = row["retain"] and row["last_error"] == SETTLED
    expected = {
        "acknowledged": (time is not None or overtaken) and not row["quarantined"],
        "waiting": time is None and not row["quarantined"],
        "refused": time is None and row["refused_utc_ns"] is not None,
    }
    if not expected.get(state, False):
        here = f"{state}, acknowledged {time}, refused {row['refused_utc_ns']}, quarantined {row['quarantined']}"
        yield Disagreement("delivery", str(row["seq"]), "state", here, "a state that fits", "its other columns")
