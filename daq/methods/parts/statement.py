"""A statement of a result: a code with parameters, and the English sentence made from them."""

import json
from collections.abc import Iterable
from typing import Any

from pydantic import Field

from daq.core.remarks import Parameter, Remark, WrittenRemark
from daq.methods.parts.base import Part
from daq.methods.sentences.catalogue import SENTENCES
from daq.methods.sentences.rendering import ENGLISH, Language, render

Parameters = dict[str, Parameter]


class Statement(Part):
    """A reason, caution or warning as data; `text` is for a person, the others are for programs and other languages."""

    code: str = Field(description="stable name of the sentence; the document `codes` lists all")
    parameters: Parameters = Field(
        default_factory=dict, description="data of the sentence; their units are in the document codes"
    )
    text: str = Field(description="the English sentence")

    def written(self) -> WrittenRemark:
        """Return the statement as a plan carries it."""
        return WrittenRemark(self.code, self.parameters, self.text)

    def rendered(self, language: Language = ENGLISH) -> str:
        """Return the sentence in a language."""
        return render(self.code, self.parameters, language)


def state(code: str, **parameters: Parameter) -> Statement:
    """Return the statement of a code; parameters that are not given are null.

    Raises:
        UnknownSentenceError: there is no such code, or a parameter is not one of the code's or not of its kind.
    """
    known = SENTENCES.get(code)
    given: dict[str, Any] = dict.fromkeys(() if known is None else known.parameters) | parameters
    return Statement(code=code, parameters=given, text=render(code, given))


def statement_of(remark: Remark | WrittenRemark) -> Statement:
    """Return the statement of a remark of the core, or of a plan."""
    if isinstance(remark, WrittenRemark):
        return Statement(code=remark.code, parameters=remark.parameters, text=remark.text)
    return state(remark.code, **remark.parameters)


def distinct(statements: Iterable[Statement]) -> tuple[Statement, ...]:
    """Return the statements in their order, each once."""
    return tuple({s.text: s for s in statements}.values())


def reasons_json(statements: Iterable[Statement]) -> str:
    """Return statements as JSON, as the value ``reasons`` of a refusal with a code."""
    return json.dumps([statement.model_dump(mode="json") for statement in statements])
