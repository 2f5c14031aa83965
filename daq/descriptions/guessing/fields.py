"""Make a pattern from lines of one kind: constant parts become text, varying parts become fields."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise, zip_longest
from typing import Final

from daq.core.units import UNITS, convert
from daq.descriptions.guessing.finding.hexwords import MARKED
from daq.descriptions.unitwords import LETTERS, UNIT_WORD, unit_of, unit_text, unit_word, written_unit

PARTED: Final = "\ue001"
"""Character between a text in the place of a number and the unit that follows it directly; no instrument sends it."""
_ONE_PIECE: Final = (
    rf"(?P<parted>{PARTED})"
    rf"|(?P<hex>{MARKED}[0-9A-Fa-f]+)"
    r"|(?P<clock>(?<![\d.:])\d{{1,2}}:\d\d(?::\d\d(?:\.\d+)?)?(?![\d:])"
    r"|(?<![\d.-])(?:\d{{4}}-\d\d-\d\d(?:T\d\d:\d\d(?::\d\d(?:\.\d+)?)?(?:Z|[+-]\d\d:?\d\d)?)?"
    r"|\d\d\.\d\d\.(?:\d{{4}}|\d\d)|\d\d/\d\d/(?:\d{{4}}|\d\d))(?![\d.]))"
    r"|(?P<number>(?:(?<![\d.])[+-] *|(?<![\d.]))\d+(?:{mark}\d+)?(?:[eE][+-]?\d{{1,2}})?)"
    r"|(?P<dashes>-{{2,}}(?:[.,]-+)?)"
    r"|(?P<word>[{letters}]+(?:\d+(?!\d|[.,]\d))?)"
    r"|(?P<space>[ \t]+)"
    r"|(?P<other>.)"
)
_UNIT: Final = re.compile(rf"[ \t,;]*({UNIT_WORD})(?![=:])")
"""Possible unit after a number; a word before '=' or ':' is the name of the next value instead."""
HINTS: Final = {
    "T": "temperature", "TEMP": "temperature", "PH": "ph", "RH": "humidity", "HUM": "humidity", "MASS": "mass",
    "WEIGHT": "mass", "SPEED": "speed", "RPM": "speed", "VISC": "viscosity", "TORQUE": "torque", "LEVEL": "level",
    "DENS": "density", "COND": "conductivity",
}  # fmt: skip
"""Names of channels by the word before the number."""
TOKENS: Final = {mark: re.compile(_ONE_PIECE.format(mark=re.escape(mark), letters=LETTERS), re.DOTALL) for mark in ".,"}


@dataclass(slots=True)
class GuessedField:
    """A varying part of a line.

    Attributes:
        type: type of the template language: ``number``, ``padded``, ``scientific``, ``word``, ``letters``.
        texts: the texts in this place, in order, without blanks.
        unit: UCUM code, "" where none was recognised.
        before: the word or sign before it, for its name.
        special: the texts in place of a number.
        behind: the word after it, which may be its unit.
        kept: False for the time of day and the date, which are ignored.
        factor: factor of the number to `unit`, where the line has a multiple of it (``MOhm``).
        units: for a word that is the unit of numbers: each text as `daq.descriptions.unitwords.unit_text` writes it; ""
            for a text that is no known unit.
        unit_of: the numbers that have this unit.
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
    """Constant number of characters, where only this determines its end; otherwise 0."""
    factor: float = 1.0
    units: dict[str, str] = field(default_factory=dict)
    unit_of: list["GuessedField"] = field(default_factory=list)
    unit_word: "GuessedField | None" = None
    """The word in the line that is the unit of this number."""
    same_as: "GuessedField | None" = None
    """The number of another line that is probably the same quantity."""
    channel: str = ""
    """Channel of the number."""
    key: str = ""
    """Constant name of the field, in the keys of questions."""
    sample: str = ""
    """A line with the field."""
    pad: bool = False
    """True for a text with blanks before it."""
    signed_bits: int = 0
    """Number of bits of a hexadecimal number in two's complement."""
    base_point: str = ""
    """Open point where the digits may be decimal or hexadecimal."""

    @property
    def numeric(self) -> bool:
        """True where the field is a number."""
        return self.type in ("number", "padded", "scientific", "whole", "hexadecimal")

    @property
    def numbers(self) -> list[float]:
        """Numbers in this place, without the conversion of their unit."""
        measured = [t for t in self.texts if t not in self.special]
        if self.type == "hexadecimal":
            top = 1 << self.signed_bits
            return [float(n - top if top > 1 and n * 2 >= top else n) for n in (int(t, 16) for t in measured)]
        return [float(t.replace(" ", "").replace(",", ".")) for t in measured]

    @property
    def values(self) -> list[float]:
        """Values in this place in `unit`: each number with the unit of its own line."""
        measured = [i for i, text in enumerate(self.texts) if text not in self.special]
        units = [self._unit_of_row(i) for i in measured]
        return [
            convert(number * factor, code, self.unit) if code else number * factor
            for number, (code, factor) in zip(self.numbers, units, strict=True)
        ]

    @property
    def largest_factor(self) -> float:
        """Greatest factor of a number to `unit`."""
        units = [self._unit_of_row(i) for i in range(len(self.texts))]
        return max(factor * UNITS[code].factor / UNITS[self.unit].factor if code else factor for code, factor in units)

    def _unit_of_row(self, row: int) -> tuple[str, float]:
        """Return UCUM code and factor of the number in one line; an unknown unit is taken for `unit`."""
        written = "" if self.unit_word is None else self.unit_word.units[self.unit_word.texts[row]]
        return written_unit(written) if written else (self.unit, self.factor)

    @property
    def may_be_units(self) -> bool:
        """True where some of the texts are units, and others may be."""
        return any(unit_word(text)[0] for text in self.texts)


Piece = str | GuessedField


@dataclass(slots=True)
class GuessedLine:
    """One kind of line: texts and fields in order, and the lines it was made from."""

    pieces: list[Piece]
    lines: list[str]
    by_blanks: bool = False
    """True where its fields are separated by blanks only."""
    fixed_numbers: list[str] = field(default_factory=list)
    """Numbers with a unit that are the same in all of its lines."""
    key: str = ""
    """Constant name of the kind of line, in the keys of questions."""

    @property
    def fields(self) -> list[GuessedField]:
        """Fields in order."""
        return [p for p in self.pieces if isinstance(p, GuessedField)]

    @property
    def measures(self) -> bool:
        """True where one of its fields is a number."""
        return any(found.numeric and found.numbers for found in self.fields)

    def lines_with(self, found: GuessedField, text: str) -> list[str]:
        """Return the lines that have a text in the place of a field."""
        return [line for line, own in zip(self.lines, found.texts, strict=False) if own == text]


@dataclass(frozen=True, slots=True)
class Token:
    """A piece of one line and its kind: hex, clock (a time of day or a date), number, dashes, word, space, other."""

    kind: str
    text: str


def tokens_of(text: str, mark: str = ".") -> list[Token]:
    """Split a line into tokens; `mark` is the decimal mark."""
    found = TOKENS[mark].finditer(text)
    return [Token(str(m.lastgroup), m.group().removeprefix(MARKED)) for m in found if m.lastgroup != "parted"]


def guess_line(texts: Sequence[str], mark: str, varying: frozenset[str] = frozenset()) -> GuessedLine:
    """Make the pattern of lines of the same structure; the numbers `varying` are fields, even constant ones."""
    rows = [_aligned(text, mark) for text in texts]
    pieces: list[Piece] = []
    before = last = before_kind = ""
    behind_number = False
    fixed: list[str] = []
    for column in zip_longest(*rows, fillvalue=("", Token("other", ""))):
        blanks = [blank for blank, _ in column]
        tokens = [token for _, token in column]
        kinds = {token.kind for token in tokens}
        texts_here = [token.text for token in tokens]
        if kinds == {"clock"}:
            _append(pieces, _common(blanks))
            _append_clock(pieces, texts_here)
        elif kinds == {"hex"}:
            _append(pieces, _common(blanks))
            pieces.append(GuessedField("hex", texts_here, before=before))
        elif "number" in kinds and (
            texts_here[0] in varying or _is_field(texts_here, glued=not blanks[0] and last.isalpha())
        ):
            _append_number(pieces, _number_field(blanks, tokens, before), blanks)
        elif len(set(texts_here)) > 1:
            _append(pieces, _common(blanks))
            letters = all(s.isalpha() and s.isascii() for s in texts_here)
            pieces.append(GuessedField("letters" if letters else "word", texts_here, before=before))
        else:
            _append(pieces, _common(blanks) + texts_here[0])
            if kinds == {"word"} and blanks[0] and before_kind == "number" and unit_of(texts_here[0]):
                fixed.append(last)
        previous, last = last, texts_here[0]
        constant = len(set(texts_here)) == 1
        before_kind = "number" if kinds == {"number"} and constant else ""
        # A unit behind a number names the next one only with a sign of equality: `1 V=1.50 V`.
        names = kinds == {"word"} and constant and not (behind_number and unit_word(last)[0])
        assigned = kinds == {"other"} and last in ("=", ":") and previous.isalpha()
        before = last if names else previous if assigned else before if kinds == {"other"} else ""
        behind_number = "number" in kinds
    _widths(pieces)
    by_blanks = _separated_by_blanks(pieces)
    _units_in_line(pieces)
    _units_behind(pieces)
    return GuessedLine(pieces, [text.replace(MARKED, "").replace(PARTED, "") for text in texts], by_blanks, fixed)


def _append_clock(pieces: list[Piece], texts: Sequence[str]) -> None:
    """Append the digits of a time of day or of a date as ignored fields, with the texts between them.

    A word would accept any text in their place, the report of a fault included.
    """
    rows = [re.split(r"(\d+)", text) for text in texts]
    if len({(len(row), *row[::2]) for row in rows}) != 1:
        pieces.append(GuessedField("word", [*texts], kept=False))
        return
    for at, column in enumerate(zip(*rows, strict=True)):
        if at % 2 == 0:
            _append(pieces, column[0])
            continue
        # Without a width: 9:05 in a capture is 10:00 an hour later.
        pieces.append(GuessedField("digits", [*column], kept=False))


def _append_number(pieces: list[Piece], found: GuessedField, blanks: Sequence[str]) -> None:
    """Append the field of a number, with the blanks before it."""
    pad, behind_field = _common(blanks), bool(pieces) and isinstance(pieces[-1], GuessedField)
    if found.type == "padded":
        _append(pieces, " " if all(blanks) and behind_field else "")
    elif _is_right_aligned(pad, first=not pieces):
        # Longer numbers use the place of blanks; one blank separates the number from a field before it.
        found.type = "padded"
        _append(pieces, " " if behind_field else "")
    else:
        _append(pieces, pad)
    pieces.append(found)


def _separated_by_blanks(pieces: Sequence[Piece]) -> bool:
    """Return True where only blanks are between the fields."""
    between = [p for p in pieces if isinstance(p, str)]
    # Blanks separate two adjacent fields only where the second includes the blanks before it.
    parted = all(isinstance(a, str) or isinstance(b, str) or b.type == "padded" for a, b in pairwise(pieces))
    return parted and len(pieces) - len(between) > 1 and all(not text.strip() for text in between)


def _widths(pieces: Sequence[Piece]) -> None:
    """Set the width of a field that is followed directly by another, where it is constant."""
    for one, other in pairwise(pieces):
        if isinstance(one, str) or isinstance(other, str):
            continue
        if "padded" not in (one.type, other.type):
            lengths = {len(t) for t in one.texts}
            one.width = lengths.pop() if len(lengths) == 1 else 0


def _aligned(text: str, mark: str) -> list[tuple[str, Token]]:
    """Return the tokens with the blanks before each; blanks at the end come before an empty token."""
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


def _is_field(texts: Sequence[str], *, glued: bool) -> bool:
    """Return True for a number that varies, or has a decimal mark or a sign; other constant numbers are text.

    `glued`: directly after a letter, where a sign does not count.
    """
    if len(set(texts)) > 1:
        return True
    return any(mark in texts[0] for mark in ".,") or (not glued and texts[0][0] in "+-")


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
    """Return True where the blanks before a number leave place for more digits."""
    return set(pad) == {" "} and (first or len(pad) > 1)


def _units_in_line(pieces: Sequence[Piece]) -> None:
    """Mark each varying word that is the unit of a number: of the nearest one before it, otherwise of the next one.

    It is a unit where all of its texts are units of one dimension, or at least two of them are: another text is then a
    unit that a person must name, or the line is refused.
    """
    for at, word in enumerate(pieces):
        if isinstance(word, str) or word.numeric or not word.kept:
            continue
        texts = list(dict.fromkeys(word.texts))
        known = {text: unit_word(text) for text in texts if unit_word(text)[0]}
        glued = (at > 0 and isinstance(pieces[at - 1], GuessedField)) or (at > 1 and not str(pieces[at - 1]).strip())
        enough = len(known) == len(texts) or len(known) > 1 or (glued and any(len(t) > 1 or t.islower() for t in known))
        if not enough or len({UNITS[code].dimension for code, _ in known.values()}) != 1:
            continue
        before = [p for p in reversed(pieces[:at]) if isinstance(p, GuessedField) and p.numeric]
        behind = [p for p in pieces[at + 1 :] if isinstance(p, GuessedField) and p.numeric]
        number = next((p for p in (*before, *behind) if not p.unit), None)
        if number is None:
            continue
        usual = max(known, key=word.texts.count)
        number.unit, number.behind = known[usual][0], usual
        word.units = {text: unit_text(*known[text]) if text in known else "" for text in texts}
        word.unit_of, number.unit_word = [number], word


def _units_behind(pieces: Sequence[Piece]) -> None:
    """Set the unit of each number that is followed by a unit.

    A word between two numbers may be the name of the second one, where the first one has a name, too
    (``P 1.5 V 2.5 mV``): it is not taken for a unit.
    """
    for at, (found, text) in enumerate(pairwise(pieces)):
        if isinstance(found, str) or not isinstance(text, str) or not found.numeric or found.unit:
            continue
        word = _UNIT.match(text)
        found.behind = word[1] if word else ""
        number = at + 2 < len(pieces) and isinstance(pieces[at + 2], GuessedField) and pieces[at + 2].numeric  # type: ignore[union-attr]
        ahead = pieces[at - 1] if at else ""
        named = isinstance(ahead, str) and re.search(rf"[{LETTERS}]", ahead) is not None
        if word and named and number and not text[word.end() :].strip(" ,;") and word.start(1) != 0 and text[-1] == " ":
            continue
        if not _is_letter(found):
            found.unit, found.factor = unit_word(found.behind)


def _is_letter(found: GuessedField) -> bool:
    """Return True for a single capital letter behind a number that may be a state (G: gross) as well as a unit.

    A word before the number that names the quantity of the unit, or the letter itself (``V=1.5 V``), proves the unit.
    """
    letter = found.behind
    if not (len(letter) == 1 and letter.isascii() and letter.isupper()):
        return False
    code = unit_word(letter)[0]
    before = found.before.upper()
    return before != letter and (not code or HINTS.get(before) != UNITS[code].dimension)
