"""Identify a method by a digest of its content, independent of the layout of its file."""

import hashlib
import json

from daq.methods.files.fields import Model


def digest(model: Model) -> str:
    """Return the SHA-256 (hex) of the canonical JSON of a validated model.

    Its keys are sorted, units converted, and defaults filled in.  A key that is not given and has no default (None) is
    left out, so that a new key in a later version does not change the digest of older methods.  White space, comments,
    the order of keys and spellings such as ``60``, ``"60 s"`` and ``"1 min"`` do not change it.
    """
    return hashlib.sha256(canonical(model).encode("ascii")).hexdigest()


def canonical(model: Model) -> str:
    """Return the canonical JSON text of a model, which `digest` hashes and the store keeps of a method."""
    return json.dumps(
        model.model_dump(mode="json", exclude_none=True), sort_keys=True, separators=(",", ":"), ensure_ascii=True
    )
