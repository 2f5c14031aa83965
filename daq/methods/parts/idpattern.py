"""Patterns of sample ids in products' files.

``#`` is one digit, ``@`` one letter, ``?`` any one character, ``*`` any characters; every other one is itself.
"""

from collections.abc import Iterable


def matches(pattern: str, text: str) -> bool:
    """Return whether the whole of a text has a pattern; the time grows at most with the product of their lengths."""
    i = j = 0
    star, after = -1, 0
    while j < len(text):
        if i < len(pattern) and pattern[i] == "*":
            star, after = i, j
            i += 1
        elif i < len(pattern) and _is(pattern[i], text[j]):
            i, j = i + 1, j + 1
        elif star >= 0:
            # Let the last star take one character more.
            after += 1
            i, j = star + 1, after
        else:
            return False
    return not pattern[i:].strip("*")


def matches_any(patterns: Iterable[str], text: str) -> bool:
    """Return whether a text has one of the patterns."""
    return any(matches(p, text) for p in patterns)


def _is(sign: str, character: str) -> bool:
    if sign == "#":
        return character.isascii() and character.isdecimal()
    if sign == "@":
        return character.isalpha()
    return sign in ("?", character)
