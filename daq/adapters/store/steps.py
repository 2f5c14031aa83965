"""Steps shared by several transactions: an audit entry, a journal block, a result with its messages."""

import json
import zlib
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, Final

from daq.adapters.store.access import Access
from daq.adapters.store.audit import digest_of, genesis, make_entry
from daq.adapters.store.rows import AuditPoint, Committed, Outgoing
from daq.core.errors import StoreError
from daq.core.journal_block import Block, chain

#: Stores what follows from a transaction, as its last step.
Follow = Callable[[Access], None]
#: (sequence, place in the audit trail, journal digest) -> (JSON text of the result, messages).  It runs inside the
#: transaction, so it must be fast and pure.
Build = Callable[[int, AuditPoint, str], tuple[str, Sequence[Outgoing]]]


def add_audit(
    access: Access, utc_ns: int, who: str, what: str, subject: str, detail: Mapping[str, Any]
) -> tuple[int, str]:
    """Append an audit entry and return its number and hash."""
    last = access.one("audit_head", "SELECT seq, hash FROM audit ORDER BY seq DESC LIMIT 1")
    previous = (int(last[0]), str(last[1])) if last else (0, genesis(access.source))
    e = make_entry(previous, utc_ns, who, what, subject, detail)
    access.run(
        "audit",
        "INSERT INTO audit VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (e.seq, e.utc_ns, e.who, e.what, e.subject, e.detail, e.previous, e.hash),
    )
    access.audited = (e.seq, e.hash)
    return e.seq, e.hash


def journal_head(access: Access, run: str) -> tuple[int, str]:
    """Return number and digest of the run's last block; (-1, "") without blocks."""
    row = access.one("journal_head", "SELECT seq, digest FROM journal WHERE run = ? ORDER BY seq DESC LIMIT 1", (run,))
    return (int(row[0]), str(row[1])) if row else (-1, "")


def add_block(access: Access, run: str, block: Block) -> None:
    """Append a block to a run's journal; raise `StoreError` where it does not follow the last one."""
    seq, digest = journal_head(access, run)
    if block.digest != chain(digest, block.raw):
        raise StoreError(
            f"a block of the journal of run {run} does not follow block {seq}: a block before it was lost, or was "
            "stored twice"
        )
    # Level 1: a block is small and written every second; higher levels cost more time than they save space.
    packed = zlib.compress(block.raw, 1)
    access.run(
        "block",
        "INSERT INTO journal VALUES (?, ?, ?, ?, ?, ?, ?)",
        (run, seq + 1, block.first_t, block.last_t, block.records, packed, block.digest),
    )


def add_result(
    access: Access,
    *,
    run: str,
    result_id: str,
    stream: str,
    utc_ns: int,
    who: str,
    supersedes: str | None,
    audit: tuple[int, str],
    build: Build,
) -> Committed:
    """Number, build and insert a result with its messages; `audit` is number and hash of its audit entry.

    The result contains the hash of that entry, so a second entry, ``result_stored``, seals the result, the kept values
    and the messages.
    """
    sequence = next_number(access, stream)
    audit_seq, head = audit
    # The audit trail is read from its end, so this needs no index of its own.
    before = access.one(
        "result_before",
        "SELECT seq, hash FROM audit WHERE seq < ? AND what IN ('run_concluded', 'result_corrected') "
        "ORDER BY seq DESC LIMIT 1",
        (audit_seq,),
    )
    point = AuditPoint(audit_seq, head, *((before[0], before[1]) if before else (0, genesis(access.source))))
    digest = journal_head(access, run)[1]
    data, messages = build(sequence, point, digest)
    access.run(
        "result",
        "INSERT INTO results VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (result_id, run, access.epoch, stream, sequence, data, utc_ns, supersedes, audit_seq, head, digest),
    )
    detail = {
        "run": run,
        "epoch": access.epoch,
        "stream": stream,
        "sequence": sequence,
        "supersedes": supersedes,
        "journal_digest": digest,
        "digest": digest_of(data),
        "kept": kept_digest(access, run),
        "messages": add_messages(access, messages, result_id, stream, sequence, utc_ns),
    }
    add_audit(access, utc_ns, who, "result_stored", result_id, detail)
    return Committed(result_id, stream, sequence, head, digest)


def next_number(access: Access, stream: str) -> int:
    """Take the next sequence number of a stream: one more than the last of the stream, and than any stored one."""
    last = access.one(
        "sequence",
        "SELECT max(coalesce((SELECT last FROM streams WHERE epoch = ?1 AND stream = ?2), 0), "
        "coalesce((SELECT max(sequence) FROM results WHERE epoch = ?1 AND stream = ?2), 0))",
        (access.epoch, stream),
    )
    sequence = int(last[0] if last else 0) + 1
    access.run(
        "stream",
        "INSERT INTO streams VALUES (?, ?, ?) ON CONFLICT (epoch, stream) DO UPDATE SET last = excluded.last",
        (access.epoch, stream, sequence),
    )
    return sequence


def kept_digest(access: Access, run: str) -> str:
    """Return the digest of the kept values of a run (`digest_of_kept`)."""
    rows = access.run("kept_known", "SELECT value FROM kept WHERE run = ? ORDER BY idx", (run,)).fetchall()
    return digest_of_kept(row[0] for row in rows)


def digest_of_kept(values: Iterable[str]) -> str:
    """Return the SHA-256 (hex) of the JSON texts of kept values, in order."""
    return digest_of(json.dumps(list(values)))


def add_messages(
    access: Access, messages: Iterable[Outgoing], result_id: str, stream: str, sequence: int, utc_ns: int
) -> list[dict[str, Any]]:
    """Add messages about a result to the outbox, and return their part of an audit entry."""
    # A message that was removed by hand may have left its row of `delivery`: its number is not given again.
    last = access.one(
        "outbox_last",
        "SELECT max(coalesce((SELECT max(seq) FROM outbox), 0), coalesce((SELECT max(seq) FROM delivery), 0))",
    )
    rows: list[dict[str, Any]] = [
        {
            "seq": seq,
            "id": m.id or result_id,
            "topic": m.topic,
            "qos": m.qos,
            "retain": int(m.retain),
            "properties": m.properties,
            "payload": m.payload,
        }
        for seq, m in enumerate(messages, (last[0] if last else 0) + 1)
    ]
    access.many("outbox", _OUTBOX, [(*row.values(), result_id, stream, sequence, utc_ns) for row in rows])
    access.many("delivery", "INSERT INTO delivery (seq) VALUES (?)", [(row["seq"],) for row in rows])
    return [row | {"payload": digest_of(row["payload"])} for row in rows]


def publish(access: Access, messages: Iterable[tuple[str, Outgoing]], utc_ns: int, who: str) -> None:
    """Add messages about stored results to the outbox, each with the stream and number of its result.

    Args:
        access: the transaction.
        messages: each with the id of its result.
        utc_ns: the time.
        who: the person or program, for the audit entries.

    Raises:
        StoreError: a result does not exist.
    """
    by_result: dict[str, list[Outgoing]] = {}
    for result, message in messages:
        by_result.setdefault(result, []).append(message)
    for result, own in by_result.items():
        row = access.one("published", "SELECT stream, sequence FROM results WHERE id = ?", (result,))
        if row is None:
            raise StoreError(f"result {result} is not in the store: no message can be about it")
        added = add_messages(access, own, result, row[0], row[1], utc_ns)
        add_audit(access, utc_ns, who, "message_derived", result, {"messages": added})


_OUTBOX: Final = (
    "INSERT INTO outbox (seq, id, topic, qos, retain, properties, payload, result, stream, sequence, created_utc_ns) "
    "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
)
