"""The catalogue of all sentences, and the list of codes for subscribers."""

import re
from collections.abc import Mapping
from typing import Any, Final

from daq.methods.sentences import (
    advice_sentences,
    cautions_sentences,
    chart_sentences,
    component_sentences,
    correcting_sentences,
    curve_sentences,
    fault_sentences,
    judging_sentences,
    note_sentences,
    reporting_sentences,
    run_ends,
    signing_sentences,
    uncertainty_sentences,
    warning_sentences,
)
from daq.methods.sentences.kinds import Kind, Sentence

TOPICS: Final[Mapping[str, Mapping[str, Sentence]]] = {
    "ends of steps and runs": run_ends.SENTENCES,
    "notes of a run": note_sentences.SENTENCES,
    "faults of a value": fault_sentences.SENTENCES,
    "verdict, verification and correction": judging_sentences.SENTENCES,
    "uncertainty: contributions left out, no interval": uncertainty_sentences.SENTENCES,
    "components of an uncertainty budget": component_sentences.SENTENCES,
    "cautions": cautions_sentences.SENTENCES,
    "advice": advice_sentences.SENTENCES,
    "warnings of a plan": warning_sentences.SENTENCES,
    "flow curves": curve_sentences.SENTENCES,
    "reportable results": reporting_sentences.SENTENCES,
    "corrections and annulments": correcting_sentences.SENTENCES,
    "control charts": chart_sentences.SENTENCES,
    "signatures and releases": signing_sentences.SENTENCES,
}
SENTENCES: Final[Mapping[str, Sentence]] = {code: found for topic in TOPICS.values() for code, found in topic.items()}
CODES_NAME: Final = "codes"
CODES_VERSION: Final = 1


def codes_document() -> dict[str, Any]:
    """Return every code with its English template and parameters, for subscribers.

    A number with ``within`` ends at the last of the two significant digits of the parameter named there.
    In a template ``{name}`` is a parameter with its unit, ``{name#}`` its number alone; ``[...]`` is left out where a
    parameter in it is null.
    """
    return {
        "title": "Codes of the statements in results and flow curves",
        "version": CODES_VERSION,
        "codes": {
            code: {
                "topic": topic,
                "template": found.template,
                "parameters": {name: _described(kind) for name, kind in found.parameters.items()},
            }
            for topic, sentences in TOPICS.items()
            for code, found in sentences.items()
        },
    }


def names_in(template: str) -> set[str]:
    """Return the parameters that a template refers to."""
    return set(re.findall(r"\{(\w+)#?\}", template))


def _described(kind: Kind) -> dict[str, str]:
    given = {
        "kind": kind.what,
        "format": kind.digits,
        "unit": kind.unit,
        "unit_at": kind.unit_at,
        "within": kind.within,
    }
    return {name: value for name, value in given.items() if value}
