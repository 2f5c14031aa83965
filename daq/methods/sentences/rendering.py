"""From a code and its parameters to a sentence, in any language that has a table of templates."""

import functools
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from daq.core.remarks import Parameter
from daq.core.units import symbol
from daq.methods.sentences.catalogue import SENTENCES
from daq.methods.sentences.kinds import AS_SET, Kind, Sentence
from daq.quality.digits import is_interval, uncertain, within

_FIELD: Final = re.compile(r"\{(\w+)(#?)\}")
_OPTIONAL: Final = re.compile(r"\[([^\[\]]*)\]")
ABSENT: Final[tuple[Any, ...]] = (None, "", (), [])
"""Values of a parameter that is not given; JSON has lists for tuples."""
_Pieces = tuple[tuple[str, str, bool], ...]


class UnknownSentenceError(ValueError):
    """A code that the catalogue does not have, or parameters that are not those of the code."""


@dataclass(frozen=True, slots=True)
class Language:
    """The templates of a language, and its words for the terms of this project.

    Attributes:
        templates: by code; a code without one is shown in English.
        words: by term; a term without a word is shown with spaces in place of underscores.
        comma: between the elements of a list.
        either: between alternatives.
        as_set: digits of a number that a person set.
    """

    templates: Mapping[str, str] = field(default_factory=dict)
    words: Mapping[str, str] = field(default_factory=dict)
    comma: str = ", "
    either: str = " or "
    as_set: str = AS_SET

    def word(self, term: str) -> str:
        """Return the word for a term."""
        return self.words.get(term, term.replace("_", " "))


ENGLISH: Final = Language()
EARLIER: Final = Language(
    {
        "zero_beyond_torque_error": "zero: {zero} at rest is beyond the maximum permissible error of the torque, "
        "{limit}; take the zero again",
    },
    as_set="g",
)
"""English sentences as an older daq wrote them into its records, where they have other words now."""


def render(code: str, parameters: Mapping[str, Parameter], language: Language = ENGLISH) -> str:
    """Return the sentence of a code.

    Raises:
        UnknownSentenceError: there is no such code, or the parameters are not those of the code.
    """
    known = SENTENCES.get(code)
    if known is None:
        raise UnknownSentenceError(f"there is no sentence {code!r}")
    check(known, parameters, code)
    out = []
    for text, is_optional in segments(language.templates.get(code, known.template)):
        given = [parameters.get(name) for _, name, _ in text if name]
        if not is_optional or all(value not in ABSENT for value in given):
            out += [
                before + (_shown(known, name, parameters, language, bare=bare) if name else "")
                for before, name, bare in text
            ]
    return "".join(out)


@functools.cache
def segments(template: str) -> tuple[tuple[_Pieces, bool], ...]:
    """Return the parts of a template, each with whether it is optional, as pieces: text, parameter, number alone."""
    parts = _OPTIONAL.split(template)
    return tuple((_pieces(part), i % 2 == 1) for i, part in enumerate(parts) if part)


def _pieces(text: str) -> _Pieces:
    found = _FIELD.split(text)
    out = [(found[i], found[i + 1], bool(found[i + 2])) for i in range(0, len(found) - 1, 3)]
    return (*out, (found[-1], "", False))


def check(known: Sentence, parameters: Mapping[str, Parameter], code: str = "") -> None:
    """Refuse parameters that are not those of a sentence, or not of their kind.

    Raises:
        UnknownSentenceError: with the name of the parameter.
    """
    if parameters.keys() != known.parameters.keys():
        wrong = sorted(parameters.keys() ^ known.parameters.keys())
        raise UnknownSentenceError(f"{code}: not the parameters of this sentence: {', '.join(wrong)}")
    for name, kind in known.parameters.items():
        value = parameters[name]
        if value is not None and not _fits(kind, value):
            raise UnknownSentenceError(f"{code}: {name} must be a {kind.what}; here {value!r}")


def _fits(kind: Kind, value: Any) -> bool:
    if kind.what == "number":
        return isinstance(value, (int, float)) and not isinstance(value, bool)
    if kind.what == "numbers":
        return isinstance(value, (tuple, list)) and all(isinstance(x, (int, float)) for x in value)
    if kind.what in ("names", "alternatives", "terms"):
        return isinstance(value, (tuple, list)) and all(isinstance(x, str) for x in value)
    return isinstance(value, str)


def _digits(known: Sentence, name: str, parameters: Mapping[str, Parameter], language: Language) -> str:
    """Return a number with the digits of its kind, or those that its uncertainty supports."""
    value: Any = parameters[name]
    kind = known.parameters[name]
    if kind.digits == "d":
        return format(round(value), "d")
    expanded: Any = parameters.get(kind.within) if kind.within else None
    if is_interval(expanded):
        sign = "+" if kind.digits.startswith("+") and value > 0.0 else ""
        return sign + within(value, expanded)
    if is_interval(value) and any(other.within == name for other in known.parameters.values()):
        return uncertain(value)
    return format(value, _format(kind, language))


def _format(kind: Kind, language: Language) -> str:
    return language.as_set if kind.digits == AS_SET else kind.digits


def _shown(known: Sentence, name: str, parameters: Mapping[str, Parameter], language: Language, *, bare: bool) -> str:
    value: Any = parameters[name]
    kind = known.parameters[name]
    if value is None:
        return ""
    if kind.what == "number":
        digits = _digits(known, name, parameters, language)
        code = str(parameters[kind.unit_at]) if kind.unit_at else kind.unit
        return digits if bare else f"{digits} {symbol(code)}".rstrip()
    if kind.what == "numbers":
        return f"{language.either.join(format(x, _format(kind, language)) for x in value)} {symbol(kind.unit)}".rstrip()
    if kind.what == "term":
        return language.word(value)
    if kind.what == "terms":
        return language.comma.join(language.word(x) for x in value)
    if kind.what == "unit":
        return symbol(value)
    if kind.what in ("names", "alternatives"):
        return (language.comma if kind.what == "names" else language.either).join(value)
    return str(value)
