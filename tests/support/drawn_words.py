"""Words inside drawings: those of the English catalogue that a drawing in another language must not have."""

import re
import xml.etree.ElementTree as ET

from daq.app.screens.drawings.drawing_words import ENGLISH

#: Symbols and abbreviations that are the same in each language.
SYMBOLS = {"pa", "ewma"}
WORD = re.compile(r"[A-Za-z]{2,}")


def words_in(template):
    """Return the words of a template in small letters, without its places."""
    return {word.lower() for word in WORD.findall(re.sub(r"\{\w+\}", "", template))}


def english_words():
    """Return all words of the English catalogue."""
    return {word for template in ENGLISH.values() for word in words_in(template)} - SYMBOLS


def texts_of(drawing):
    """Return the texts of a drawing, also those that a pointer shows."""
    root = ET.fromstring(drawing)  # noqa: S314 - our own text
    return [" ".join("".join(e.itertext()).split()) for e in root.iter() if e.tag.endswith(("text", "title"))]


def english_in(drawing):
    """Return the words of the English catalogue that a drawing has."""
    return {word for text in texts_of(drawing) for word in words_in(text)} & english_words()
