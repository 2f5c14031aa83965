"""Answer the questions of `daq driver new --ask` by what a dialect is."""

import re
from collections.abc import Callable, Mapping
from dataclasses import replace

from daq.core.thousands import may_be_thousands
from daq.core.units import UNITS, convert
from daq.descriptions.guessing.enteredunits import entered_unit
from daq.descriptions.guessing.questions import Question
from tests.campaigns.dialects.dialect import Dialect, Quantity
from tests.campaigns.dialects.speaker import Emitted


def answer(question: Question, dialect: Dialect, emitted: list[Emitted]) -> str | None:
    """Return the answer; None for "I do not know"."""
    kind = question.key.split(" ")[0]
    if kind in GENERAL:
        return GENERAL[kind](question, dialect, emitted)
    element = element_of(question, emitted)
    if kind == "fixed" and element is None:
        return "no" if question.parts[0] in dialect.prefix else None
    if kind == "state" and element is None and set(question.parts) <= {q.label for q in dialect.quantities}:
        return "quantity"
    if element is None:
        return None
    if element == "state":
        return _of_state(kind, question, dialect)
    if element in ("counter", "clock"):
        return "ignored" if kind in ("unit", "state", "hex") else None
    quantity = next((q for q in dialect.quantities if element in (("value", q.name), ("unit", q.name))), None)
    if kind == "special" and quantity is not None:
        return quantity.instead_fault
    return None if quantity is None else _of_quantity(kind, element, question, quantity)


def _of_state(kind: str, question: Question, dialect: Dialect) -> str | None:
    """Return the answer on a state: bits, texts or digits."""
    if kind == "bit":
        return dialect.bits.get(int(question.key.rpartition("/")[2]), "") or "ok"
    if kind in ("hex", "unit"):
        return "bits" if dialect.state == "bits" else "state"
    text = question.parts[0]
    return (dialect.states[text] or "ok") if kind == "state" and text in dialect.states else None


def _full_scale(question: Question, dialect: Dialect, _emitted: list[Emitted]) -> str:
    if dialect.full_scale is None:
        return "no"
    return "yes" if "yes" in question.answers else "uN.m"


def _serial(question: Question, dialect: Dialect, _emitted: list[Emitted]) -> str | None:
    return dialect.serial if dialect.serial in question.answers.split("; ") else None


def _meaning(question: Question, dialect: Dialect, _emitted: list[Emitted]) -> str:
    return "refusal" if dialect.error and question.lines[0] in dialect.error else "ignored"


def _same(question: Question, _dialect: Dialect, emitted: list[Emitted]) -> str | None:
    both = [
        element_of(replace(question, lines=(line,), parts=(part,)), emitted)
        for line, part in zip(question.lines, question.parts, strict=True)
    ]
    return None if None in both else "yes" if both[0] == both[1] else "no"


NAMES = {
    "xor": "xor", "sum": "sum,", "lrc": "lrc", "ones": 'sum = { modulus = 256, complement = "ones" }',
    "mod100": "sum = { modulus = 100 }",
}  # fmt: skip


def _checksum(question: Question, dialect: Dialect, _emitted: list[Emitted]) -> str | None:
    own = dialect.check
    if own is None:
        return None
    skip = f"without the first {own.skip} bytes" if own.skip else ""
    for choice in question.answers.split("; "):
        if choice.startswith(NAMES.get(own.kind, "-")) and (skip in choice if skip else "without" not in choice):
            return choice
    return None


def element_of(question: Question, emitted: list[Emitted]) -> object:
    """Return the element of the dialect that a question is about; None where it is not one."""
    found: set[object] | None = None
    for line, part in zip(question.lines, question.parts, strict=True):
        raw = line.encode("latin-1")
        for one in emitted:
            if raw in one.raw:
                own = {
                    element for element, text in one.pieces if text.strip() == part.strip().replace(" ", "") and element
                }
                found = own if found is None else found & own
                break
    return next(iter(found)) if found and len(found) == 1 else None


def _of_quantity(kind: str, element: object, question: Question, quantity: Quantity) -> str | None:
    if isinstance(element, tuple) and element[0] == "unit":
        own = quantity.switched
        return own[1] if own is not None and question.parts[0] == own[0] else quantity.unit
    if kind == "unit":
        return f"{quantity.factor:g} {quantity.unit}" if quantity.factor != 1.0 else quantity.unit
    if kind == "digits":
        return "decimal"
    if kind == "name":
        return quantity.name
    if kind == "fixed":
        return "yes"
    if kind == "range":
        found = re.search(r"value in (\S+) does", question.text)
        unit = found[1] if found else quantity.unit
        code, factor = entered_unit(quantity.unit)
        if UNITS[code].dimension != UNITS[unit].dimension:
            return None
        low, high = ((-quantity.high if quantity.signed else 0.0), quantity.high)
        low, high = (convert(x * factor, code, unit) for x in (low, high))
        return " to ".join(text + "0" * may_be_thousands(text) for text in (f"{low:.9g}", f"{high:.9g}"))
    return None


GENERAL: Mapping[str, Callable[[Question, Dialect, list[Emitted]], str | None]] = {
    "baud": lambda *_: "9600",
    "comma": lambda _q, dialect, _t: "yes" if dialect.comma else "no",
    "point": lambda *_: "yes",
    "separator": lambda *_: "yes",
    "mark": lambda *_: "yes",
    "between": lambda *_: "ignored",
    "full": _full_scale,
    "serial": _serial,
    "meaning": _meaning,
    "checksum": _checksum,
    "same": _same,
}
"""Answers to questions that are not about one element of a line."""
