"""The packed form of a delivered message: its differences from the stored result, from which its bytes are rebuilt.

A message repeats its result in an envelope, in another order of keys, or without nesting.  The packed form is a zlib
stream (RFC 1950) whose preset dictionary is the JSON text of the result.  The bytes are the same for every version of
the program, because nothing is computed again.
"""

import zlib
from typing import Final

MARK: Final = b"\x00\x01"
"""First bytes of a packed payload; a message is JSON, which never begins with a zero byte."""
WINDOW: Final = 32 * 1024
"""Number of bytes at the end of a dictionary that zlib uses."""
BASIS: Final = (
    "CASE WHEN substr(m.payload, 1, 1) = x'00' "
    "THEN (SELECT CAST(r.data AS BLOB) FROM results AS r WHERE r.id = m.result) END AS basis"
)
"""Column of a query of `outbox` (as `m`): text of the result where the payload is packed, otherwise NULL."""


def packed(payload: bytes, basis: bytes) -> bytes:
    """Return the packed form of a payload; `basis` is the JSON text of its result."""
    # Level 9: a message is packed once, and small is the purpose.
    packer = zlib.compressobj(9, zlib.DEFLATED, 15, 9, zlib.Z_DEFAULT_STRATEGY, basis[-WINDOW:])
    return MARK + packer.compress(payload) + packer.flush()


def unpacked(stored: bytes, basis: bytes | None) -> bytes:
    """Return the bytes of a message from its stored form and the JSON text of its result.

    A payload that cannot be rebuilt, for example because the result was changed, gives b"", which agrees with no audit
    entry.
    """
    if not stored.startswith(MARK[:1]):
        return stored
    if basis is None or not stored.startswith(MARK):
        return b""
    unpacker = zlib.decompressobj(15, basis[-WINDOW:])
    try:
        payload = unpacker.decompress(stored[len(MARK) :])
    except zlib.error:
        return b""
    return payload if unpacker.eof and not unpacker.unused_data else b""
