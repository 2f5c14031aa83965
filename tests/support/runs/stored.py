"""Transactions of one run, as the store accepts them."""

import hashlib
import json
import sqlite3
import uuid
import zlib
from collections.abc import Sequence
from pathlib import Path

from daq.adapters.store.rows import AuditPoint, Outgoing, RunRecord
from daq.adapters.store.steps import Build
from daq.adapters.store.transactions import Audit, BeginRun, Conclude, EndRun, RegisterMethod
from daq.core.journal import RECEIVED
from daq.core.journal_block import CRC, HEAD, Block, chain
from daq.core.journal_block import HEADER as HEADER_KIND

T0 = 1_760_000_000_000_000_000
SECOND = 1_000_000_000


HEADER = json.dumps({"plan": {"links": []}})
METHOD = "[method]\n"
METHOD_DIGEST = hashlib.sha256(METHOD.encode()).hexdigest()


def register(version: str = "1", digest: str = METHOD_DIGEST) -> RegisterMethod:
    return RegisterMethod("glaze-flow", version, digest, METHOD, T0, "m.keeper")


def record(run_id: str, instrument: str = "rotor-1") -> RunRecord:
    return RunRecord(
        id=run_id,
        instrument=instrument,
        companions=("bath-probe",),
        sample="GL-0412",
        product="celadon glaze",
        lot="L7",
        fill="1",
        method_id="glaze-flow",
        method_version="1",
        method_digest=METHOD_DIGEST,
        operator="m.keeper",
        simulated=True,
        began_utc_ns=T0,
        header=HEADER,
    )


def blocks(count: int, seed: bytes = b"line\r\n") -> list[Block]:
    """Return a chain of `count` blocks of 1, 2, ... records; the first is the header."""
    out: list[Block] = []
    digest = ""
    for i in range(count):
        raw = written(RECEIVED, i * SECOND, seed) * (i + 1) if i else written(HEADER_KIND, 0, HEADER.encode())
        digest = chain(digest, raw)
        out.append(Block(raw, digest, i + 1, i * SECOND, i * SECOND))
    return out


def written(kind: int, t: int, payload: bytes) -> bytes:
    """Return a record of a journal."""
    raw = HEAD.pack(kind, 0, t, len(payload)) + payload
    return raw + CRC.pack(zlib.crc32(raw))


def builder(run_id: str, *, topics: Sequence[tuple[str, bool]] = (("lab/v1/result/rotor-1", False),)) -> Build:
    def build(sequence: int, audit: AuditPoint, journal_digest: str) -> tuple[str, list[Outgoing]]:
        data = json.dumps(
            {"run": run_id, "sequence": sequence, "audit_head": audit.head, "journal_digest": journal_digest}
        )
        return data, [Outgoing(topic, data.encode(), retain=retain) for topic, retain in topics]

    return build


def conclude(run_id: str, *, block: Block | None = None, result_id: str = "", **changes: object) -> Conclude:
    values: dict[str, object] = {
        "run": run_id,
        "result_id": result_id or str(uuid.uuid4()),
        "outcome": "complete",
        "reason": "last rule met",
        "utc_ns": T0 + 60 * SECOND,
        "who": "m.keeper",
        "build": builder(run_id),
        "kept": ('{"mean":1}', '{"mean":2}'),
        "block": block,
    }
    return Conclude(**{**values, **changes})  # type: ignore[arg-type]


def begin(run_id: str, instrument: str = "rotor-1") -> BeginRun:
    return BeginRun(record(run_id, instrument))


def end(run_id: str, block: Block | None = None) -> EndRun:
    return EndRun(run_id, "still", T0 + 70 * SECOND, "daemon", block)


def note(n=0, size=10):
    return Audit(T0 + n, "m.keeper", "noted", "bench", {"text": "x" * size})


def put_back(path: Path, copy: Path) -> None:
    """Put an older copy into the open database, as a snapshot does below a running daemon."""
    source, target = sqlite3.connect(copy), sqlite3.connect(path)
    source.backup(target)
    source.close()
    target.close()
