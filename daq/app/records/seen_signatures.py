"""Signatures as lists of runs see them, without the model of a signature.

A list of runs needs four values of each signature, and the import of the model takes longer than the list itself.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

_MEANINGS: Final = frozenset({"measured", "reviewed", "released", "rejected"})
_STATES: Final = frozenset({"in_force", "withdrawn"})
_LONGEST: Final = 200
_NEEDED: Final = ("id", "of", "digest", "by", "signed_at")
_FREE: Final = ("name", "because")
_KEYS: Final = frozenset({*_NEEDED, *_FREE, "subject", "number", "parts", "meaning", "state"})
_PART_KEYS: Final = frozenset({"kind", "id", "revision", "digest"})


@dataclass(frozen=True, slots=True)
class SeenSignature:
    """A signature without the names of its texts."""

    number: int
    meaning: str
    state: str
    digest: str
    by: str


def seen(data: Mapping[str, Any]) -> SeenSignature | None:
    """Return a stored signature; None where only its model can decide whether it is one.

    Everything that is returned is a signature by its model, too (`tests/records/test_seen_signatures.py`).
    """
    if data.keys() != _KEYS or not all(_text(data[name], 1) for name in _NEEDED):
        return None
    if not (all(_text(data[name], 0) for name in _FREE) and _text(data["subject"], 1)):
        return None
    number, parts = data["number"], data["parts"]
    if type(number) is not int or number < 1 or not _is_one(data["meaning"], _MEANINGS):
        return None
    if not _is_one(data["state"], _STATES) or type(parts) is not list or not all(map(_is_part, parts)):
        return None
    return SeenSignature(number, data["meaning"], data["state"], data["digest"], data["by"])


def _text(value: Any, least: int) -> bool:
    return type(value) is str and least <= len(value) <= _LONGEST and value.isprintable()


def _is_one(value: Any, names: frozenset[str]) -> bool:
    return type(value) is str and value in names


def _is_part(part: Any) -> bool:
    if type(part) is not dict or part.keys() != _PART_KEYS:
        return False
    revision = part["revision"]
    texts = all(_text(part[name], 1) for name in ("kind", "id", "digest"))
    return texts and type(revision) is int and revision >= 0
