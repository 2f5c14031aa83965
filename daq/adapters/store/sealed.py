"""Compare messages with the audit entries that seal them, inside the transaction that sends them again."""

import json
from collections.abc import Sequence
from typing import Any, Final

from daq.adapters.store.access import Access
from daq.adapters.store.audit import AuditEntry, digest_of, entry_hash

_MESSAGES: Final = (
    "SELECT seq, result, id, topic, qos, retain, properties, payload FROM outbox WHERE {} ORDER BY result, seq"
)
_ENTRIES: Final = (
    "SELECT seq, utc_ns, who, what, subject, detail, previous, hash FROM audit "
    "WHERE subject = ? AND what IN ('result_stored', 'message_derived') ORDER BY seq"
)


def agreeing(access: Access, where: str, values: Sequence[Any]) -> tuple[list[int], str]:
    """Compare the messages that satisfy a condition in SQL with their audit entries.

    Returns the numbers of those that agree, and a sentence about the first that does not ("" if all do).
    """
    good: list[int] = []
    wrong = ""
    result: str | None = None
    sealed: dict[int, tuple[Any, ...]] = {}
    for row in access.run("sealed", _MESSAGES.format(where), values).fetchall():
        if row[1] != result or not sealed:
            result, sealed = row[1], _sealed(access, row[1])
        here = (*row[2:7], digest_of(row[7]))
        if sealed.get(row[0]) == here:
            good.append(row[0])
        elif not wrong:
            wrong = (
                f"message {row[0]} (topic {row[3]}, result {row[1]}) does not agree with the audit trail: it was "
                "changed after it was stored"
            )
    return good, wrong


def _sealed(access: Access, result: str | None) -> dict[int, tuple[Any, ...]]:
    """Return the messages of a result as its audit entries state them, by number in the outbox."""
    out: dict[int, tuple[Any, ...]] = {}
    for row in access.run("sealing", _ENTRIES, (result,)).fetchall():
        entry = AuditEntry(*row)
        if entry.hash != entry_hash(*row[:-1]):
            continue  # a changed entry seals nothing
        for m in json.loads(entry.detail)["messages"]:
            known = (m["id"], m["topic"], m["qos"], m["retain"], m["properties"], m["payload"])
            out.setdefault(m["seq"], known)
    return out
