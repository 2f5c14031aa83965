"""Which method exactly: a digest of what it says, whatever its file looks like."""

import hashlib
import json
from collections.abc import Mapping

from daq.core.errors import SettingError
from daq.methods.fields import Model
from daq.methods.recipe import Method


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


def check_registration(method: Method, known: Mapping[tuple[str, str], str]) -> bool:
    """Whether a method is new; `known` maps (id, version) to the digest under which it was first used.

    Raises:
        SettingError: the same id and version were used with another content.
    """
    before = known.get((method.id, method.version))
    now = digest(method)
    if before is not None and before != now:
        raise SettingError(
            f"method {method.id} version {method.version} was already used with another content "
            f"(digest {before[:12]}, now {now[:12]}); a method never changes: give it a new version",
            file=method.source,
            key="version",
        )
    return before is None
