"""Find words of hexadecimal digits in lines, whose digits and letters would be taken for numbers and units."""

import re
from collections.abc import Sequence
from typing import Final

MARKED: Final = "\ue000"
"""Character before a word of hexadecimal digits in a text that is split into tokens; no instrument sends it."""
_WORDS: Final = {mark: re.compile(rf"[0-9A-Za-z.+{mark}-]+") for mark in (".", ",")}
_DIGITS: Final = (re.compile(r"[0-9A-F]{2,8}"), re.compile(r"[0-9a-f]{2,8}"))
_UNPADDED: Final = (re.compile(r"[0-9A-F]{1,8}"), re.compile(r"[0-9a-f]{1,8}"))
_LETTER_BEHIND: Final = re.compile(r"[0-9]+[A-Fa-f]")
"""A number with one letter behind it, which may be a unit (`21C`) or a state."""
_LETTERS: Final = re.compile(r"[A-Fa-f]+")
LEAST: Final = 6
"""Least number of different words that prove a number with a letter behind it."""
_EXPONENT: Final = re.compile(r"[0-9]+[eE][0-9]{1,2}")


def marked(texts: Sequence[str], mark: str = ".") -> list[str]:
    """Return the lines, whose decimal mark is `mark`, with `MARKED` before each word that is hexadecimal.

    All lines of the same punctuation have words of hexadecimal digits in one place, some with a letter and some with a
    digit; words of several widths have a letter behind a digit (`3B`).  Texts without a digit, such as `OL` and `----`,
    may be in the place of some of them.
    """
    places: dict[tuple[str, int], list[str]] = {}
    rows = [_words(text, mark) for text in texts]
    for skeleton, words in rows:
        for at, word in enumerate(words):
            places.setdefault((skeleton, at), []).append(word[0])
    hexadecimal = {place for place, found in places.items() if _is_hexadecimal(found)}
    out: list[str] = []
    for text, (skeleton, words) in zip(texts, rows, strict=True):
        new = text
        for at in range(len(words) - 1, -1, -1):
            own = words[at][0]
            if (skeleton, at) in hexadecimal and (_may_be_digits(own) or (_has_digit(own) and _is_unpadded([own]))):
                start = words[at].start()
                new = new[:start] + MARKED + new[start:]
        out.append(new)
    return out


def may_be_decimal(words: Sequence[str]) -> bool:
    """Return True where the letters may be no digits: one behind decimal digits (`21C`), or a text (`ADD`)."""
    lettered = [word for word in words if not word.isdecimal()]
    return all(_LETTER_BEHIND.fullmatch(word) or _LETTERS.fullmatch(word) for word in lettered)


def unmarked(texts: Sequence[str], at: int) -> list[str]:
    """Return lines of one structure without the mark of one word of hexadecimal digits, `at` from 0."""
    rows = [text.split(MARKED) for text in texts]
    return [MARKED.join((*row[:at], row[at] + row[at + 1], *row[at + 2 :])) for row in rows]


def _words(text: str, mark: str) -> tuple[str, list[re.Match[str]]]:
    """Return the punctuation of a line, and the words between."""
    return "".join(_WORDS[mark].sub("_", text).split()), list(_WORDS[mark].finditer(text))


def _may_be_digits(word: str) -> bool:
    return any(one.fullmatch(word) for one in _DIGITS)


def _is_hexadecimal(words: Sequence[str]) -> bool:
    # A text in the place of the number must not hide the letters of the other lines.
    found = [word for word in words if _may_be_digits(word) or _has_digit(word)]
    if len(set(found)) < 2:
        return False
    if len({len(word) for word in found}) != 1:
        return _is_unpadded_hexadecimal([word for word in found if _has_digit(word)])
    if all(_EXPONENT.fullmatch(word) for word in found):
        return False
    letters, digits = (any(getattr(c, kind)() for word in found for c in word) for kind in ("isalpha", "isdigit"))
    return letters and digits and any(all(one.fullmatch(word) for word in found) for one in _DIGITS)


def _has_digit(word: str) -> bool:
    return any(c.isdigit() for c in word)


def _is_unpadded(words: Sequence[str]) -> bool:
    return any(all(one.fullmatch(word) for word in words) for one in _UNPADDED)


def _is_unpadded_hexadecimal(words: Sequence[str]) -> bool:
    """Return True for words of several widths, where a letter behind a digit is no unit, no state and no exponent."""
    if not _is_unpadded(words):
        return False
    if all(_LETTER_BEHIND.fullmatch(word) for word in words) and len(set(words)) >= LEAST:
        return False
    return any(re.search("[0-9][A-Fa-f]", word) and not _EXPONENT.fullmatch(word) for word in words)
