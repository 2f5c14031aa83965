"""Compare messages and results with the audit entries that seal them, before they are sent and are sent again."""

import json
import json.encoder
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any, Final

from daq.adapters.store.access import Access
from daq.adapters.store.audit import AuditEntry, digest_of, entry_hash
from daq.adapters.store.forms.packed import BASIS, unpacked
from daq.adapters.store.rows import BY_STATE, CHANGED, Message, ResultRecord
from daq.core.errors import StoreError

SEALED: Final = ("run", "epoch", "stream", "sequence", "supersedes", "journal_digest")
"""Columns of a result that its audit entry repeats; of its data the entry has the digest."""

#: Runs a SELECT and returns its rows.
Rows = Callable[[str, Sequence[Any]], list[tuple[Any, ...]]]
#: Result, id, topic, QoS, retained, properties and digest of the payload of a message.
Content = tuple[Any, ...]

# Texts are read as bytes: a text that is not UTF-8 makes one message differ, and stops no other.
_MESSAGES: Final = (
    "SELECT m.seq, CAST(m.result AS BLOB), CAST(m.id AS BLOB), CAST(m.topic AS BLOB), m.qos, m.retain, "
    "CAST(m.properties AS BLOB), m.payload, " + BASIS + " {} WHERE {}"
)
_ENTRIES: Final = (
    "SELECT seq, utc_ns, CAST(who AS BLOB), what, CAST(subject AS BLOB), CAST(detail AS BLOB), "
    "CAST(previous AS BLOB), CAST(hash AS BLOB) FROM audit "
    "WHERE subject IN (SELECT value FROM json_each(?)) AND what IN ('result_stored', 'message_derived') ORDER BY seq"
)
_ENTRIES_AS_TEXT: Final = (
    "SELECT seq, utc_ns, who, what, subject, detail, previous, hash FROM audit "
    "WHERE subject IN (SELECT value FROM json_each(?)) AND what IN ('result_stored', 'message_derived')"
)
_NAMING: Final = (
    "SELECT seq, utc_ns, CAST(who AS BLOB), what, CAST(subject AS BLOB), CAST(detail AS BLOB), "
    "CAST(previous AS BLOB), CAST(hash AS BLOB) FROM audit "
    "WHERE seq IN (SELECT value FROM json_each(?)) AND what IN ('run_concluded', 'result_corrected')"
)
_quoted: Final = json.encoder.encode_basestring_ascii
_AT_ONCE: Final = 500
"""Number of results whose entries are read at a time."""


def agreeing(
    access: Access, where: str, values: Sequence[Any], *, source: str = BY_STATE
) -> tuple[list[int], list[int], str]:
    """Compare the messages that satisfy a condition in SQL with their audit entries.

    The condition names columns of `outbox` with ``m.`` and columns of `delivery` with ``d.``.

    Returns the numbers of those that agree, the numbers of those that do not, and a sentence about the first of these
    ("" if all agree).
    """
    found = access.run("sealed", _MESSAGES.format(source, where), values)
    here = {
        row[0]: (*map(_text, row[1:4]), row[4], row[5], _text(row[6]), digest_of(unpacked(row[7], row[8])))
        for row in found
    }
    known = _sealed((content[0] for content in here.values()), lambda sql, v: access.run("sealing", sql, v).fetchall())
    good = sorted(seq for seq, content in here.items() if known.get((content[0], seq)) == content)
    wrong = sorted(here.keys() - set(good))
    if not wrong:
        return good, wrong, ""
    result, _, topic, *_ = here[wrong[0]]
    return good, wrong, f"message {wrong[0]} (topic {topic}, result {result}) was {CHANGED}"


def changed(messages: Sequence[Message], rows: Rows) -> list[Message]:
    """Return the messages that do not agree with the audit trail; `rows` reads the database."""
    # Most messages agree, and that is found without decoding an entry.  The rest are compared field by field.
    rest = _not_found(messages, rows)
    if not rest:
        return []
    known = _sealed((m.result for m in rest), rows)
    return [m for m in rest if known.get((m.result, m.seq)) != _content(m)]


def changed_results(results: Sequence[ResultRecord], rows: Rows) -> list[ResultRecord]:
    """Return the results that do not agree with the audit trail, in order; `rows` reads the database.

    Two entries must agree with a result: the one that names it, whose number, hash and time it repeats, and the one
    that seals its other columns and the digest of its data.
    """
    sealed: dict[str, dict[str, Any]] = {}
    naming: dict[int, AuditEntry] = {}
    for begin in range(0, len(results), _AT_ONCE):
        part = results[begin : begin + _AT_ONCE]
        for entry in _valid(rows(_ENTRIES, (json.dumps([r.id for r in part]),))):
            if entry.what == "result_stored":
                sealed.setdefault(entry.subject, _detail(entry))
        for entry in _valid(rows(_NAMING, (json.dumps([r.audit_seq for r in part]),))):
            naming[entry.seq] = entry
    return [r for r in results if not _agrees(r, sealed.get(r.id), naming.get(r.audit_seq))]


def _agrees(result: ResultRecord, sealed: Mapping[str, Any] | None, naming: AuditEntry | None) -> bool:
    """Return whether a result agrees with the detail of the entry that seals it and with the entry that names it."""
    if sealed is None or naming is None:
        return False
    return (
        all(name in sealed and sealed[name] == getattr(result, name) for name in SEALED)
        and sealed.get("digest") == digest_of(result.data)
        and _detail(naming).get("result") == result.id
        and (naming.subject, naming.hash, naming.utc_ns) == (result.run, result.audit_head, result.created_utc_ns)
    )


def _not_found(messages: Sequence[Message], rows: Rows) -> list[Message]:
    """Return the messages whose part of an audit entry is not found as text in a valid entry of their result."""
    wanted = list({m.result: None for m in messages if m.result is not None})
    details: dict[str, str] = {}
    for begin in range(0, len(wanted), _AT_ONCE):
        try:
            found = rows(_ENTRIES_AS_TEXT, (json.dumps(wanted[begin : begin + _AT_ONCE]),))
        except StoreError:
            return list(messages)  # a damaged text: the other comparison accepts it
        for row in found:
            if row[7] == entry_hash(*row[:7]):
                details[row[4]] = details.get(row[4], "") + row[5]
    return [m for m in messages if _part(m) not in details.get(m.result or "", "")]


def _part(m: Message) -> str:
    """Return the part of an audit entry that seals a message, as `make_entry` writes it.

    Inside a string of an entry its quotes would be escaped, so it is found only where the entry has it.
    """
    return (
        f'{{"id":{_quoted(m.id)},"payload":"{digest_of(m.payload)}","properties":{_quoted(m.properties)},'
        f'"qos":{m.qos:d},"retain":{m.retain:d},"seq":{m.seq},"topic":{_quoted(m.topic)}}}'
    )


def _content(m: Message) -> Content:
    return (m.result, m.id, m.topic, m.qos, m.retain, m.properties, digest_of(m.payload))


def _sealed(results: Iterable[str | None], rows: Rows) -> dict[tuple[str | None, int], Content]:
    """Return the messages of results as their audit entries state them, by result and number in the outbox."""
    out: dict[tuple[str | None, int], Content] = {}
    wanted = [r for r in dict.fromkeys(results) if r is not None]
    for begin in range(0, len(wanted), _AT_ONCE):
        for entry in _valid(rows(_ENTRIES, (json.dumps(wanted[begin : begin + _AT_ONCE]),))):
            for m in json.loads(entry.detail)["messages"]:
                content = (entry.subject, m["id"], m["topic"], m["qos"], m["retain"], m["properties"], m["payload"])
                out.setdefault((entry.subject, m["seq"]), content)
    return out


def _valid(found: Iterable[tuple[Any, ...]]) -> Iterator[AuditEntry]:
    """Give the entries that agree with their own hash: a changed entry seals nothing."""
    for row in found:
        values: list[Any] = [_text(v) if isinstance(v, bytes) else v for v in row]
        entry = AuditEntry(*values)
        own = entry_hash(entry.seq, entry.utc_ns, entry.who, entry.what, entry.subject, entry.detail, entry.previous)
        if entry.hash == own:
            yield entry


def _detail(entry: AuditEntry) -> dict[str, Any]:
    found = json.loads(entry.detail)
    return found if isinstance(found, dict) else {}


def _text(raw: bytes | None) -> str | None:
    """Return the text of bytes; of bytes that are not UTF-8 a printable text."""
    return None if raw is None else raw.decode("utf-8", "backslashreplace")
