"""The sentence for a name that is not known."""

import difflib
from collections.abc import Mapping


def unknown(what: str, name: str, known: Mapping[str, object]) -> str:
    """Return the sentence for the name of a `what` that is not known: the nearest known one, or all of them."""
    near = difflib.get_close_matches(name, list(known), 1)
    hint = f"did you mean {near[0]!r}?" if near else f"there are: {', '.join(known) or 'none'}"
    return f"there is no {what} {name!r}; {hint}"
