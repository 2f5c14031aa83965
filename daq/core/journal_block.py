"""A block of a journal, as it is stored, the chain of digests over the blocks, and the frame of its records."""

import hashlib
import struct
from dataclasses import dataclass
from typing import Final

HEAD: Final = struct.Struct("<BBqI")
CRC: Final = struct.Struct("<I")
HEADER: Final = 0
"""Kind of the first record."""
EFFECT: Final = 100
"""Kind of a record of an effect."""


@dataclass(slots=True)
class Block:
    """A block of a journal: its records, and the digest of the journal up to its end."""

    raw: bytes
    digest: str
    records: int
    first_t: int
    last_t: int


def chain(previous: str, raw: bytes) -> str:
    """Return the SHA-256 (hex) of the journal so far, from the digest before a block and the bytes of the block."""
    return hashlib.sha256(previous.encode() + raw).hexdigest()
