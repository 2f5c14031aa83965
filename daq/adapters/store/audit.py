"""The audit trail: entries chained by SHA-256, so that a changed, removed or inserted entry is found."""

import hashlib
import json
import json.encoder
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

_quoted: Final = json.encoder.encode_basestring_ascii


@dataclass(frozen=True, slots=True)
class AuditEntry:
    """One entry as stored.  `detail` is JSON text."""

    seq: int
    utc_ns: int
    who: str
    what: str
    subject: str
    detail: str
    previous: str
    hash: str


def genesis(source: str) -> str:
    """Return the hash before the first entry; it depends on the database, so a chain cannot move to another one."""
    return hashlib.sha256(f"audit of {source}".encode()).hexdigest()


def entry_hash(seq: int, utc_ns: int, who: str, what: str, subject: str, detail: str, previous: str) -> str:
    """Return the SHA-256 (hex) over all fields of an entry, the hash of the previous entry included."""
    # The JSON list of the fields, as `json.dumps` writes it in twice the time; the publisher needs it for each result.
    text = f"[{_quoted(previous)},{seq},{utc_ns},{_quoted(who)},{_quoted(what)},{_quoted(subject)},{_quoted(detail)}]"
    return hashlib.sha256(text.encode("ascii")).hexdigest()


def make_entry(
    previous: tuple[int, str], utc_ns: int, who: str, what: str, subject: str, detail: Mapping[str, Any]
) -> AuditEntry:
    """Return the entry after `previous`: number and hash of the last entry, 0 and `genesis` before the first."""
    seq = previous[0] + 1
    text = json.dumps(detail, sort_keys=True, separators=(",", ":"), allow_nan=False)
    digest = entry_hash(seq, utc_ns, who, what, subject, text, previous[1])
    return AuditEntry(seq, utc_ns, who, what, subject, text, previous[1], digest)


def source_uri(source: str, epoch: int) -> str:
    """Return the database's identity with its epoch, as `source` of a CloudEvent (RFC 8141 URN with a fragment)."""
    return f"urn:uuid:{source}#{epoch}"


def digest_of(text: str | bytes) -> str:
    """Return the SHA-256 (hex) of a text in UTF-8 or of bytes; audit entries seal with it what is stored elsewhere."""
    return hashlib.sha256(text.encode() if isinstance(text, str) else text).hexdigest()


def first_break(source: str, entries: Iterable[AuditEntry]) -> str:
    """Return a sentence about the first entry that breaks the chain, or "" for an unbroken chain."""
    seq, head = 0, genesis(source)
    for e in entries:
        if e.seq != seq + 1:
            return f"audit entry {seq + 1} is missing"
        if e.previous != head:
            return f"audit entry {e.seq} does not follow the entry before it"
        if e.hash != entry_hash(e.seq, e.utc_ns, e.who, e.what, e.subject, e.detail, e.previous):
            return f"audit entry {e.seq} was changed after it was written"
        seq, head = e.seq, e.hash
    return ""
