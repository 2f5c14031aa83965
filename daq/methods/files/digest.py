"""Which method exactly: a digest of what it says, whatever its file looks like."""

import hashlib
import json

from daq.methods.files.fields import Model


def digest(model: Model) -> str:
    """SHA-256 (hex) of the canonical JSON of a validated model: sorted keys, units converted, defaults filled in.

    A key that is not given and has no default (None) is left out, so that a key a later version of the software knows
    does not change the methods of before.
    White space, comments, the order of keys and spellings such as ``60``, ``"60 s"`` and ``"1 min"`` do not change it.
    """
    return hashlib.sha256(canonical(model).encode("ascii")).hexdigest()


def canonical(model: Model) -> str:
    """The canonical JSON text of a model: what `digest` digests, and what is kept of a method."""
    return json.dumps(
        model.model_dump(mode="json", exclude_none=True), sort_keys=True, separators=(",", ":"), ensure_ascii=True
    )
