"""Answer the questions of `daq driver new --ask` by what a dialect is."""

import re
from dataclasses import replace

from daq.core.units import UNITS, convert
from daq.descriptions.guessing.enteredunits import entered_unit
from daq.descriptions.guessing.questions import Question
from tests.campaigns.dialects.dialect import Dialect, Quantity
from tests.campaigns.dialects.speaker import Told


def answer(question: Question, dialect: Dialect, told: list[Told]) -> str | None:
    """Return the answer; None for "I do not know"."""
    kind = question.key.split(" ")[0]
    if kind == "baud":
        return "9600"
    if kind == "full":
        if dialect.full_scale is None:
            return "no"
        return "yes" if "yes" in question.answers else "uN.m"
    if kind == "serial":
        words = [word for word in question.answers.split("; ") if dialect.serial in word]
        return words[0] if words == [dialect.serial] else None
    if kind == "meaning":
        return "refusal" if dialect.error and question.lines[0] in dialect.error else "ignored"
    if kind == "comma":
        return "yes" if dialect.comma else "no"
    if kind == "checksum":
        return _checksum(question, dialect)
    if kind == "same":
        elements = [
            element_of(replace(question, lines=(one,), parts=(part,)), told)
            for one, part in zip(question.lines, question.parts, strict=True)
        ]
        return None if None in elements else "yes" if elements[0] == elements[1] else "no"
    element = element_of(question, told)
    if kind == "fixed" and element is None:
        return "no" if question.parts[0] in dialect.prefix else None
    labels = {q.label for q in dialect.quantities}
    if kind == "state" and element is None and set(question.parts) <= labels:
        return "quantity"
    if element is None:
        return None
    quantity = next((q for q in dialect.quantities if element in (("value", q.name), ("unit", q.name))), None)
    if kind == "bit":
        return dialect.bits.get(int(question.key.rpartition("/")[2]), "") or "ok"
    if kind == "hex":
        return "bits" if element == "state" and dialect.state == "bits" else "state" if element == "state" else None
    if kind == "state":
        return _state(element, question, dialect)
    if element == "counter" and kind in ("unit", "state", "hex"):
        return "ignored"
    if kind == "special" and quantity is not None:
        return quantity.instead_fault
    if kind == "unit" and element == "state":
        return "bits" if dialect.state == "bits" else "state"
    return None if quantity is None else _of_quantity(kind, element, question, quantity)


NAMES = {
    "xor": "xor", "sum": "sum,", "lrc": "lrc", "ones": 'sum = { modulus = 256, complement = "ones" }',
    "mod100": "sum = { modulus = 100 }",
}  # fmt: skip


def _checksum(question: Question, dialect: Dialect) -> str | None:
    own = dialect.check
    if own is None:
        return None
    skip = f"without the first {own.skip} bytes" if own.skip else ""
    for choice in question.answers.split("; "):
        if choice.startswith(NAMES.get(own.kind, "-")) and (skip in choice if skip else "without" not in choice):
            return choice
    return None


def element_of(question: Question, told: list[Told]) -> object:
    """Return the element of the dialect that a question is about; None where it is not one."""
    found: set[object] | None = None
    for line, part in zip(question.lines, question.parts, strict=True):
        raw = line.encode("latin-1")
        for one in told:
            if raw in one.raw:
                own = {
                    element for element, text in one.pieces if text.strip() == part.strip().replace(" ", "") and element
                }
                found = own if found is None else found & own
                break
    return next(iter(found)) if found and len(found) == 1 else None


def _state(element: object, question: Question, dialect: Dialect) -> str | None:
    text = question.parts[0]
    if element == "state":
        return (dialect.states.get(text, "") or "ok") if text in dialect.states else None
    return "ignored" if element in ("counter", "clock") else None


def _of_quantity(kind: str, element: object, question: Question, quantity: Quantity) -> str | None:
    if isinstance(element, tuple) and element[0] == "unit":
        own = quantity.switched
        return own[1] if own is not None and question.parts[0] == own[0] else quantity.unit
    if kind == "unit":
        return f"{quantity.factor:g} {quantity.unit}" if quantity.factor != 1.0 else quantity.unit
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
        return f"{low:.9g} to {high:.9g}"
    return None
