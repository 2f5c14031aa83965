"""Find the full-scale torque of a rotational instrument in the line of its identity."""

import re
from typing import Final

from daq.core.driver import FULL_SCALE_FACT
from daq.core.thousands import may_be_thousands
from daq.core.units import UNITS, convert
from daq.descriptions.guessing.enteredunits import entered_unit
from daq.descriptions.guessing.identity import literal
from daq.descriptions.guessing.markasked import Mark, decimal
from daq.descriptions.guessing.questions import Answers, yes_or_no
from daq.descriptions.guessing.remarks import fill_in, quoted
from daq.descriptions.unitwords import NUMBER_WITH_UNIT, UNIT_WORD, torque, unit_word

_NAMED: Final = re.compile(
    r"(?i)(?<![a-z])(?:full[ _-]?scale|fsd|fs|range|torque|max)[ =:]{0,3}(\d+(?:[.,]\d+)?)(?![\d.,])[ ]*"
    rf"((?-i:{UNIT_WORD}))?"
)


def full_scale(text: str) -> tuple[int, int, str] | None:
    """Return begin and end of a full-scale torque in a line, and the unit behind it; None where there is none.

    It is a number with a unit of torque, or one behind a word such as ``FS``.
    """
    for found in NUMBER_WITH_UNIT.finditer(text):
        code = unit_word(found[2])[0]
        if code and UNITS[code].dimension == "torque":
            return found.start(1), found.end(1), found[2]
    named = _NAMED.search(text)
    return None if named is None else (named.start(1), named.end(1), named[2] or "")


def with_full_scale(text: str, pattern: str, mark: Mark, ask: Answers) -> tuple[str, list[str]]:
    """Return the pattern of an identity line with a field of the full scale, and further lines of its table.

    The pattern is unchanged where the line has no full scale or a person says so; without an answer the lines have the
    open point.  `mark`: the decimal mark of the readings; one of the full scale that may be between thousands is a
    question where no reading proves it.
    """
    found = full_scale(text)
    if found is None:
        return pattern, []
    start, end, word = found
    number, behind = text[start:end], literal(text[end:])
    before = pattern.removesuffix(behind)
    if not before.endswith(literal(number)):
        return pattern, []
    answer = _asked(text, number, word, ask)
    if answer is None:
        return pattern, [
            fill_in(f"whether {number} is the torque at full scale, and its unit; the guide names the field")
        ]
    if not answer:
        return pattern, []
    if may_be_thousands(number) and not mark.proved & {*number}:
        point = (
            f"whether {number} at full scale has a decimal mark or a mark between thousands; the guide names the field"
        )
        sure = ask.ask(
            f"mark {text}", f"Is the mark in {number} a decimal mark?", decimal, point=point, lines=[text],
            parts=[number], answers="yes; no, where it is between thousands",
        )  # fmt: skip
        if sure is None:
            return pattern, [fill_in(point)]
    scale = float(f"{convert(answer[1], answer[0], 'uN.m'):.15g}")
    keys = [f"fact = {quoted(FULL_SCALE_FACT)}", *([f"scale = {scale:.15g}"] if scale != 1.0 else [])]
    if not number.isdigit() and ("," in number) != (mark.mark == ","):
        keys.append(f"decimal = {quoted('comma' if mark.mark == '.' else 'point')}")
    table = f"fields.full_scale = {{ {', '.join(keys)} }}"
    return before.removesuffix(literal(number)) + "{full_scale:number}" + behind, [table]


def _asked(text: str, number: str, word: str, ask: Answers) -> tuple[str, float] | tuple[()] | None:
    """Return UCUM code and factor of the full scale; an empty tuple where it is none, None where it is not known."""
    unit = torque(word)
    if unit is None:
        return ask.ask(
            f"full scale {text}", f"Is {number} the torque at full scale, and in which unit?", torque_or_no,
            lines=[text], parts=[number], answers="its unit, as in: uN.m, mN.m, dyn.cm; no, where it is another number",
        )  # fmt: skip
    sure = ask.ask(
        f"full scale {text}", f"Is {number} {word} the torque at full scale?", yes_or_no, lines=[text], parts=[number],
        answers="yes, no",
    )  # fmt: skip
    return None if sure is None else unit if sure else ()


def torque_or_no(text: str) -> tuple[str, float] | tuple[()]:
    """Return UCUM code and factor of a unit of torque that a person enters; an empty tuple for no.

    Raises:
        ValueError: the unit is unknown, or of another quantity.
    """
    if text.strip().lower() in ("no", "n"):
        return ()
    code, factor = entered_unit(text)
    if UNITS[code].dimension != "torque":
        raise ValueError(f"{text!r} is no unit of a torque")
    return code, factor
