"""Compare two results as JSON values: a stored one, and the one that is computed again."""

import math
from collections.abc import Iterator
from typing import Any

from daq.methods.sentences.rendering import EARLIER, render


def in_words_of(stored: Any, computed: Any) -> Any:
    """Return a computed JSON value with the earlier words of its sentences where the stored one has exactly these."""
    if isinstance(computed, dict) and isinstance(stored, dict):
        out = {k: in_words_of(stored.get(k), v) for k, v in computed.items()}
        # Only a statement has these three keys.
        if {"code", "parameters", "text"} <= computed.keys() and stored.get("text") != computed["text"]:
            earlier = render(computed["code"], computed["parameters"], EARLIER)
            out["text"] = earlier if stored.get("text") == earlier else computed["text"]
        return out
    if isinstance(computed, list) and isinstance(stored, list) and len(computed) == len(stored):
        return [in_words_of(s, c) for s, c in zip(stored, computed, strict=True)]
    return computed


def differences(where: str, a: Any, b: Any, tolerance: float) -> Iterator[tuple[str, Any, Any]]:
    """Yield the places where two JSON values differ; floats may differ by a relative `tolerance`."""
    if isinstance(a, dict) and isinstance(b, dict):
        for key in sorted(a.keys() | b.keys()):
            yield from differences(f"{where}.{key}", a.get(key), b.get(key), tolerance)
    elif isinstance(a, list) and isinstance(b, list) and len(a) == len(b):
        for i, (x, y) in enumerate(zip(a, b, strict=True)):
            yield from differences(f"{where}[{i}]", x, y, tolerance)
    elif isinstance(a, float) and isinstance(b, float):
        if not math.isclose(a, b, rel_tol=tolerance, abs_tol=0.0):
            yield where, a, b
    elif a != b:
        yield where, a, b
