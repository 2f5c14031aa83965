"""Make the kinds of lines with readings from their texts, with a person's answers on numbers and words."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from daq.descriptions.guessing.fieldlines import same_quantity
from daq.descriptions.guessing.fields import PARTED, GuessedField, GuessedLine, guess_line
from daq.descriptions.guessing.finding.hexwords import marked, may_be_decimal, unmarked
from daq.descriptions.guessing.grouping import group_lines
from daq.descriptions.guessing.naming import is_ph, name_fields, share_quantities
from daq.descriptions.guessing.numberbase import settle_base
from daq.descriptions.guessing.questions import (
    DECIMAL,
    LABEL,
    OTHER_QUANTITY,
    Answers,
    Meaning,
    bits_of,
    free_name,
    hexadecimal,
    meaning,
    one_of,
    yes_or_no,
)

NUMBER: Final = "number"
TEXT: Final = "text"
"""Answers on words with digits behind them."""
LEAST_NUMBERED: Final = 3
"""Least number of different words with digits behind their letters that may be numbers."""
MOST_DIGITS: Final = 8
"""Greatest number of digits behind letters that may be one number; more are several numbers without a separator."""
DIGITS: Final = "0123456789"


@dataclass(slots=True)
class ReadingLines:
    """Makes kinds of lines; `mark` is the decimal mark, `shown` the texts of the display by the line before them."""

    mark: str
    ask: Answers
    shown: Mapping[str, Sequence[str]]

    def kinds(self, texts: Sequence[str], base: str) -> list[GuessedLine]:
        """Return the kinds of lines that answer one request, or that come unasked, the most frequent first."""
        found: list[GuessedLine] = []
        for lines in group_lines(marked(texts, self.mark), self.mark):
            found += self._kinds(lines, base)
        before: list[GuessedLine] = []
        for line in found:
            name_fields(line)
            share_quantities(before, line)
            for one in line.fields:
                if same_quantity(line, one, self.ask) is False:
                    one.same_as = None
            self._names(line)
            before.append(line)
        return found

    def _kinds(self, lines: Sequence[str], base: str) -> list[GuessedLine]:
        """Return the kinds of lines of one structure: several where a word names the quantity of the number."""
        line = guess_line(lines, self.mark)
        key = f"{base}/{line.lines[0]}"
        varying = frozenset(
            number
            for number in line.fixed_numbers
            if self.ask.given.get(f"fixed {key}/{number}", "").strip() in ("yes", "y")
        )
        if varying:
            line = guess_line(lines, self.mark, varying)
        line.key = key
        for at, found in enumerate(line.fields):
            found.key, found.sample = f"{key}/{at}", line.lines[0]
        for found in line.fields:
            new = self._parted(line, found, lines)
            if new:
                return self._kinds(new, base)
        for at, found in enumerate(one for one in line.fields if one.type == "hex"):
            if self._is_decimal(found) and may_be_decimal(found.texts):
                parts = group_lines(unmarked(lines, at), self.mark)
                return [kind for part in parts for kind in self._kinds(part, base)]
        for found in line.fields:
            if not found.kept or found.numeric or found.units or found.type == "hex":
                continue
            meanings = [self.ask.given.get(f"state {found.key}/{text}", "").strip() for text in found.texts]
            if OTHER_QUANTITY in meanings:
                return self._split(lines, found, meanings, base)
            # Another text without a question would be accepted as good where only some of them are ignored.
            found.kept = any(text != LABEL for text in meanings)
        for found in line.fields:
            self._meaning(line, found)
        return [line]

    def _parted(self, line: GuessedLine, found: GuessedField, lines: Sequence[str]) -> list[str]:
        """Return the lines with `PARTED` before the digits that a person answered are a number without a sign.

        They are those of ``N600``, or those behind a '-' that is no sign; the list is empty without such an answer.
        """
        once = all(line.count(text) == 1 for line, text in zip(lines, found.texts, strict=True))
        if may_be_numbered(found) and once:
            first = found.texts[0]
            digits = first[len(first.rstrip(DIGITS)) :]
            answer = self.ask.ask(
                f"numbered {found.key}", f"Is {digits} in {first} a number that is measured, or is {first} a name?",
                one_of((NUMBER, TEXT)), lines=line.lines, parts=found.texts,
                answers=f"{NUMBER} (a value, or bits); {TEXT} (each one is a state or a name)",
            )  # fmt: skip
            parts = [(text, f"{text.rstrip(DIGITS)}{PARTED}{text[len(text.rstrip(DIGITS)) :]}") for text in found.texts]
            return _replaced(lines, parts) if answer == NUMBER else []
        if not sign_in_doubt(line, found):
            return []
        digits = found.texts[0].lstrip("- ")
        found.base_point = f"whether the '-' before {digits} is its sign, or parts it from the text before"
        if not once:
            return []
        is_sign = self.ask.ask(
            f"sign {found.key}", f"Is the '-' before {digits} in these lines its sign? All have it.", yes_or_no,
            point=found.base_point, lines=line.lines, parts=found.texts,
            answers="yes (negative numbers); no (it parts the number from the text before)",
        )  # fmt: skip
        if is_sign is not None:
            found.base_point = ""
        return _replaced(lines, [(text, f"-{PARTED}{text[1:]}") for text in found.texts]) if is_sign is False else []

    def _is_decimal(self, found: GuessedField) -> bool:
        """Return True where a person answered that the letters in these digits are none of them."""
        return self.ask.given.get(f"hex {found.key}", "").strip() == DECIMAL

    def _split(
        self, lines: Sequence[str], found: GuessedField, meanings: Sequence[str], base: str
    ) -> list[GuessedLine]:
        """Return a kind of line for each word that names a quantity, and one for the lines with the other words."""
        parts: dict[str, list[str]] = {}
        for line, text, own in zip(lines, found.texts, meanings, strict=True):
            parts.setdefault(text if own == OTHER_QUANTITY else "", []).append(line)
        return [kind for part in parts.values() for kind in self._kinds(part, base)]

    def _meaning(self, line: GuessedLine, found: GuessedField) -> None:
        """Ask for the meaning of a number without a unit, or of a word of hexadecimal digits."""
        if found.type == "hex":
            bits = bits_of([text for text in found.texts if text not in found.special])
            decimal = may_be_decimal(found.texts)
            signed = f"; signed UNIT (two's complement of {bits} bits)" if bits else ""
            letters = "; decimal (the letters are no digits: a unit as in 21C, or a text)" if decimal else ""
            sample = next((text for text in found.texts if text not in found.special and not text.isdecimal()), "")
            text = "What are the hexadecimal digits in these lines?"
            if decimal and sample:
                text = f"What is {sample} in these lines: hexadecimal digits ({int(sample, 16)}), or none?"
            answer = self.ask.ask(
                f"hex {found.key}", text,
                hexadecimal(bits, decimal=decimal), lines=line.lines, parts=found.texts,
                answers="bits (each bit is a state); state (each text is one); ignored; number UNIT, also with a "
                f"factor, as in: number 0.01 %{signed}{letters}",
            )  # fmt: skip
            if answer is None:
                found.type, found.base_point = "word", "what the hexadecimal digits are: bits, states or a number"
            else:
                _set_hexadecimal(found, answer)
        elif found.numeric and found.kept and found.numbers and not found.unit and not is_ph(found):
            answer = self.ask.ask(
                f"unit {found.key}", f"What is the number {found.texts[0]} in these lines?", meaning, lines=line.lines,
                parts=found.texts,
                answers="its unit, as in: g/cm3, \u00b0C, rpm, %, 1 (a plain number), 0.1 \u00b0C (tenths); "
                "state (each number is a state); bits (hexadecimal digits); ignored (a counter, an address, ...)",
            )  # fmt: skip
            if answer is not None:
                _set_number(found, answer)
        if found.numeric and found.kept and found.numbers and not self._is_decimal(found):
            settle_base(line, found, self.shown, self.ask)

    def _names(self, line: GuessedLine) -> None:
        """Ask for the quantity of each number that has no name of its own."""
        used = {one.name: one.texts[0] for one in line.fields}
        for found in line.fields:
            if not found.kept or not found.numeric or not found.numbers or found.same_as is not None:
                continue
            if not found.unit or not found.name.startswith(("value", "viscosity")):
                continue
            given = self.ask.ask(
                f"name {found.key}", f"Which quantity is the number {found.texts[0]} in these lines?", free_name(used),
                lines=line.lines, parts=found.texts,
                answers="a name: torque, speed, mass, ... (own_viscosity for a viscosity that the instrument computes)",
            )  # fmt: skip
            if given is not None:
                del used[found.name]
                used[given] = found.texts[0]
                found.name = given


def may_be_numbered(found: GuessedField) -> bool:
    """Return True for words of the same letters with a number behind them, as ``N600`` and ``N1200``."""
    words = [re.fullmatch(r"(\D+)(\d+)", text) for text in found.texts]
    if found.numeric or found.units or not found.kept or not all(words) or len(set(found.texts)) < LEAST_NUMBERED:
        return False
    longest = max(len(word[2]) for word in words if word)
    return len({word[1] for word in words if word}) == 1 and 1 < longest <= MOST_DIGITS


def sign_in_doubt(line: GuessedLine, found: GuessedField) -> bool:
    """Return True where all numbers have a '-' that may part them from the text before: ``21C - 08``, ``CH-12``."""
    measured = [text for text in found.texts if text not in found.special]
    at = next(i for i, piece in enumerate(line.pieces) if piece is found)
    before = line.pieces[at - 1] if at else ""
    behind_word = isinstance(before, str) and before[-1:].isalpha()
    behind_text = at > 1 or (isinstance(before, str) and bool(before.strip()))
    apart = behind_text and all(re.match("- +[0-9]", text) for text in measured)
    return found.numeric and bool(measured) and all(t[0] == "-" for t in measured) and (behind_word or apart)


def _replaced(lines: Sequence[str], parts: Sequence[tuple[str, str]]) -> list[str]:
    return [line.replace(old, new, 1) for line, (old, new) in zip(lines, parts, strict=True)]


def _set_hexadecimal(found: GuessedField, answer: Meaning) -> None:
    if answer.says == LABEL:
        found.type, found.kept = "word", False
    elif answer.says == "state":
        found.type = "word"
    elif answer.says == "number":
        found.type, found.unit, found.factor = "hexadecimal", answer.unit, answer.factor
        found.signed_bits = answer.signed_bits


def _set_number(found: GuessedField, answer: Meaning) -> None:
    if answer.says == LABEL:
        found.kept = False
    elif answer.says in ("state", "bits"):
        found.pad = found.type == "padded"
        found.type = "word" if answer.says == "state" else "hex"
    else:
        found.unit, found.factor = answer.unit, answer.factor
