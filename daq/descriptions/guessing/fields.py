"""From lines of one kind to a pattern: what stays is text, what changes is a field."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise, zip_longest
from typing import Final

from daq.core.units import ENTRY, UNITS

_ONE_PIECE: Final = (
    r"(?P<clock>(?<![\d.:])\d{{1,2}}:\d\d(?::\d\d(?:\.\d+)?)?(?![\d:])"
    r"|(?<![\d.-])(?:\d{{4}}-\d\d-\d\d(?:T\d\d:\d\d(?::\d\d(?:\.\d+)?)?(?:Z|[+-]\d\d:?\d\d)?)?"
    r"|\d\d\.\d\d\.(?:\d{{4}}|\d\d)|\d\d/\d\d/(?:\d{{4}}|\d\d))(?![\d.]))"
    r"|(?P<number>(?:(?<![\d.])[+-] *|(?<![\d.]))\d+(?:{mark}\d+)?(?:[eE][+-]?\d{{1,2}})?)"
    r"|(?P<dashes>-{{2,}}(?:{mark}-+)?)"
    r"|(?P<word>[A-Za-z\u00b0%\u00b5\u03a9]+\d*(?![\d.,]))"
    r"|(?P<space>[ \t]+)"
    r"|(?P<other>.)"
)
_UNIT: Final = re.compile(
    r"[ \t,;]*((?>(?:1/)?[A-Za-z\u00b0%\u00b5\u03a9]+[0-9\u00b2\u00b3]*"
    r"(?:[/.\u00b7][A-Za-z]+[0-9\u00b2\u00b3]*)*))(?![=:])"
)
"""What may be a unit behind a number; a word before '=' or ':' is the name of the next value."""
TOKENS: Final = {mark: re.compile(_ONE_PIECE.format(mark=re.escape(mark)), re.DOTALL) for mark in ".,"}
SPELLED: Final = {
    "C": "Cel", "degC": "Cel", "\u00b0C": "Cel", "deg": "Cel", "F": "[degF]", "degF": "[degF]", "mPas": "mPa.s",
    "Pas": "Pa.s", "ph": "[pH]", "PH": "[pH]", "ohm": "Ohm", "OHM": "Ohm", "Ohms": "Ohm", "RPM": "/min", "G": "g",
    "KG": "kg", "ML": "mL", "ml": "mL", "percent": "%", "RH": "%",
    "l": "L", "ml/min": "mL/min", "l/min": "L/min", "l/h": "L/h", "\u00b5S/cm": "uS/cm", "us/cm": "uS/cm",
}  # fmt: skip
"""Units as instruments write them, where that is neither a UCUM code nor a spelling that people enter."""
NAMES: Final = {"acidity": "ph", "number": "value", "viscosity": "viscosity"}
"""Names of channels by the dimension of their unit, where it is not the dimension's own."""
HINTS: Final = {
    "T": "temperature", "TEMP": "temperature", "PH": "ph", "RH": "humidity", "HUM": "humidity", "MASS": "mass",
    "WEIGHT": "mass", "SPEED": "speed", "RPM": "speed", "VISC": "viscosity", "TORQUE": "torque", "LEVEL": "level",
    "DENS": "density", "COND": "conductivity",
}  # fmt: skip
"""Names of channels by the word before the number."""


@dataclass(slots=True)
class GuessedField:
    """A part of a line that changes.

    Attributes:
        type: of the template language: ``number``, ``padded``, ``scientific``, ``word``, ``letters``.
        texts: what stood there, in order, without blanks.
        unit: UCUM code, "" where none was recognised.
        before: the word or sign before it, for its name.
        special: what stood there in place of a number.
        behind: the word behind it, which may be its unit.
        kept: False for the time of day and the date, which are passed over.
    """

    type: str
    texts: list[str] = field(default_factory=list)
    unit: str = ""
    before: str = ""
    name: str = ""
    special: list[str] = field(default_factory=list)
    behind: str = ""
    kept: bool = True
    width: int = 0
    """Characters it always has, where nothing but that says where it ends; otherwise 0."""

    @property
    def numeric(self) -> bool:
        """Whether it is a number."""
        return self.type in ("number", "padded", "scientific", "whole")

    @property
    def numbers(self) -> list[float]:
        """The numbers that stood there."""
        return [float(t.replace(" ", "").replace(",", ".")) for t in self.texts if t not in self.special]


Piece = str | GuessedField


@dataclass(slots=True)
class GuessedLine:
    """One kind of line: texts and fields in order, and the lines it was made from."""

    pieces: list[Piece]
    lines: list[str]
    by_blanks: bool = False
    """Nothing but blanks stands between its fields."""
    fixed_numbers: list[str] = field(default_factory=list)
    """Numbers with a unit that are the same in all of its lines."""

    @property
    def fields(self) -> list[GuessedField]:
        """Its fields in order."""
        return [p for p in self.pieces if isinstance(p, GuessedField)]


@dataclass(frozen=True, slots=True)
class Token:
    """A piece of one line and what it is: clock (a time of day or a date), number, dashes, word, space, other."""

    kind: str
    text: str


def tokens_of(text: str, mark: str = ".") -> list[Token]:
    """A line in pieces; `mark` is the decimal mark."""
    return [Token(str(m.lastgroup), m.group()) for m in TOKENS[mark].finditer(text)]


def decimal_mark(texts: Sequence[str]) -> str:
    """The decimal mark: a comma where there is no point in any number, and commas do not separate columns."""
    points = sum(len(re.findall(r"\d\.\d", text)) for text in texts)
    commas = [len(re.findall(r"\d,\d", text)) for text in texts]
    separated = any(mark in text for text in texts for mark in ";\t")
    return "," if not points and max(commas, default=0) and (separated or max(commas) == 1) else "."


def group_lines(texts: Sequence[str], mark: str) -> list[list[str]]:
    """Lines of the same make together, the most frequent first; lines where a number is replaced join the others."""
    groups: dict[tuple[str, ...], list[str]] = {}
    for text in texts:
        groups.setdefault(_make(text, mark), []).append(text)
    ordered = sorted(groups.items(), key=lambda item: -len(item[1]))
    kept: list[tuple[tuple[str, ...], list[str]]] = []
    for make, members in ordered:
        home = next((lines for known, lines in kept if _fits(known, make)), None)
        if home is None:
            kept.append((make, members))
        else:
            home += members
    return [lines for _, lines in kept]


def _make(text: str, mark: str) -> tuple[str, ...]:
    """The kinds of its tokens without blanks; punctuation and names of values (``T=``) stand for themselves."""
    tokens = [token for token in tokens_of(text, mark) if token.kind != "space"]
    out: list[str] = []
    for token, behind in zip_longest(tokens, tokens[1:]):
        names = token.kind == "word" and behind is not None and behind.text in ("=", ":")
        out.append(token.text if token.kind == "other" or names else token.kind)
    return tuple(out)


def _fits(known: tuple[str, ...], make: tuple[str, ...]) -> bool:
    """Whether a line of `make` is one of `known` in which numbers are replaced by something else."""
    return len(known) == len(make) and all(
        a == b or (a == "number" and b in ("dashes", "word")) for a, b in zip(known, make, strict=True)
    )


def guess_line(texts: Sequence[str], mark: str) -> GuessedLine:
    """The pattern of lines of the same make."""
    rows = [_aligned(text, mark) for text in texts]
    pieces: list[Piece] = []
    before = last = before_kind = ""
    fixed: list[str] = []
    for column in zip_longest(*rows, fillvalue=("", Token("other", ""))):
        blanks = [blank for blank, _ in column]
        tokens = [token for _, token in column]
        kinds = {token.kind for token in tokens}
        said = [token.text for token in tokens]
        if kinds == {"clock"}:
            _append(pieces, _common(blanks))
            pieces.append(GuessedField("word", said, kept=False))
        elif "number" in kinds and _is_field(said, glued=not blanks[0] and last.isalpha()):
            found = _number_field(blanks, tokens, before)
            pad = _common(blanks)
            if found.type != "padded" and _is_right_aligned(pad, first=not pieces):
                # Longer numbers take the place of blanks; one blank parts it from a field before it.
                found.type, pad = "padded", " " if pieces and isinstance(pieces[-1], GuessedField) else ""
                _append(pieces, pad)
            elif pad and found.type != "padded":
                _append(pieces, pad)
            pieces.append(found)
        elif len(set(said)) > 1:
            _append(pieces, _common(blanks))
            letters = all(s.isalpha() and s.isascii() for s in said)
            pieces.append(GuessedField("letters" if letters else "word", said, before=before))
        else:
            _append(pieces, _common(blanks) + said[0])
            if kinds == {"word"} and blanks[0] and before_kind == "number" and unit_of(said[0]):
                fixed.append(last)
        last = said[0]
        before_kind = "number" if kinds == {"number"} and len(set(said)) == 1 else ""
        before = last if kinds == {"word"} and len(set(said)) == 1 else before if kinds == {"other"} else ""
    _widths(pieces)
    between = [p for p in pieces if isinstance(p, str)]
    # Fields that touch are parted by blanks only where the second takes the blanks before it.
    parted = all(isinstance(a, str) or isinstance(b, str) or b.type == "padded" for a, b in pairwise(pieces))
    by_blanks = parted and len(pieces) - len(between) > 1 and all(not text.strip() for text in between)
    _units_behind(pieces)
    return GuessedLine(pieces, list(texts), by_blanks, fixed)


def _widths(pieces: Sequence[Piece]) -> None:
    """Give a field that touches the next one its width, where that is always the same."""
    for one, other in pairwise(pieces):
        if isinstance(one, str) or isinstance(other, str):
            continue
        if "padded" not in (one.type, other.type):
            lengths = {len(t) for t in one.texts}
            one.width = lengths.pop() if len(lengths) == 1 else 0


def _aligned(text: str, mark: str) -> list[tuple[str, Token]]:
    """Tokens with the blanks before each; blanks at the end stand before an empty one."""
    out: list[tuple[str, Token]] = []
    blank = ""
    for token in tokens_of(text, mark):
        if token.kind == "space":
            blank = token.text
        else:
            out.append((blank, token))
            blank = ""
    if blank:
        out.append((blank, Token("other", "")))
    return out


def _is_field(said: Sequence[str], *, glued: bool) -> bool:
    """A number that changes, or that looks measured; a whole one behind a letter or that never changes is a text."""
    if len(set(said)) > 1:
        return True
    return any(mark in said[0] for mark in ".,") or (not glued and said[0][0] in "+-")


def _number_field(blanks: Sequence[str], tokens: Sequence[Token], before: str) -> GuessedField:
    numbers = [t.text for t in tokens if t.kind == "number"]
    special = list(dict.fromkeys(t.text for t in tokens if t.kind != "number"))
    if any("e" in n.lower() for n in numbers):
        kind = "scientific"
    elif len(set(blanks)) > 1 or any(" " in n for n in numbers):
        kind = "padded"
    else:
        kind = "number"
    return GuessedField(kind, [t.text for t in tokens], before=before, special=special)


def _common(blanks: Sequence[str]) -> str:
    return blanks[0] if len(set(blanks)) == 1 else min(blanks, key=len)


def _append(pieces: list[Piece], text: str) -> None:
    if not text:
        return
    if pieces and isinstance(pieces[-1], str):
        pieces[-1] += text
    else:
        pieces.append(text)


def _is_right_aligned(pad: str, *, first: bool) -> bool:
    """Whether the blanks before a number are room for more digits."""
    return set(pad) == {" "} and (first or len(pad) > 1)


def _units_behind(pieces: Sequence[Piece]) -> None:
    """Where a unit stands behind a number, that is the number's unit."""
    for found, text in pairwise(pieces):
        if isinstance(found, str) or not isinstance(text, str) or not found.numeric:
            continue
        word = _UNIT.match(text)
        found.behind = word[1] if word else ""
        found.unit = unit_of(found.behind)


def unit_of(text: str) -> str:
    """The UCUM code of a unit as an instrument writes it; "" where it is none that is known."""
    if text in UNITS and text != "1":
        return text
    if text in ENTRY:
        return ENTRY[text][0] if ENTRY[text][1] == 1.0 else ""
    return SPELLED.get(text, "") if SPELLED.get(text, "") in UNITS else ""


def name_fields(line: GuessedLine) -> None:
    """Give each field a name that says what it probably is; names differ."""
    used: set[str] = set()
    for found in line.fields:
        if not found.kept:
            continue
        hint = HINTS.get(found.before.upper(), "")
        if hint == "ph" and found.numeric and not found.unit:
            found.unit = "[pH]"
        if not found.numeric:
            name = "state"
        elif found.unit:
            dimension = UNITS[found.unit].dimension
            name = hint or NAMES.get(dimension, dimension.replace(" ", "_"))
        else:
            name = hint or "value"
        number, free = 1, name
        while free in used:
            number += 1
            free = f"{name}_{number}"
        used.add(free)
        found.name = free
