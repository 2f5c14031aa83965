"""The sentences of results in Korean: each code, the same parameters, the same numbers and units."""

import re

import pytest

from daq.methods.parts.statement import Statement, state
from daq.methods.sentences.catalogue import SENTENCES, names_in
from daq.methods.sentences.languages.beside_english import KOREAN
from daq.methods.sentences.rendering import render, segments
from tests.methods.english_sentences import ENGLISH

NUMBER = re.compile(r"[-+]?\d+(?:\.\d+)?")


def test_every_code_has_a_korean_template_with_the_same_parameters():
    assert KOREAN.templates.keys() == SENTENCES.keys()
    wrong = {code for code, known in SENTENCES.items() if names_in(KOREAN.templates[code]) != names_in(known.template)}
    assert wrong == set()


@pytest.mark.parametrize("code", SENTENCES)
def test_a_korean_template_is_whole(code):
    template = KOREAN.templates[code]
    assert "".join(text for pieces, _ in segments(template) for text, _, _ in pieces).isprintable()
    assert re.search("[가-힣]", template) or not re.search(
        "[A-Za-z]{2}", re.sub(r"\{\w+#?\}", "", SENTENCES[code].template)
    )
    assert not re.search(r"[\[\]{}]", render(code, dict.fromkeys(SENTENCES[code].parameters), KOREAN))
    # A parameter that is optional in English is optional in Korean, so that nothing is left open.
    needed = lambda text: {name for pieces, optional in segments(text) if not optional for _, name, _ in pieces if name}  # noqa: E731
    assert needed(template) <= needed(SENTENCES[code].template)


@pytest.mark.parametrize(("found", "text"), ENGLISH, ids=lambda x: x.code if isinstance(x, Statement) else "")
def test_numbers_and_units_are_those_of_english(found, text):
    shown = found.rendered(KOREAN)
    given = {name for name, kind in SENTENCES[found.code].parameters.items() if kind.what == "name"}
    assert sorted(NUMBER.findall(shown)) == sorted(NUMBER.findall(text))
    for unit in ("mPa·s", "min⁻¹", "°C", "Pa·s"):
        assert shown.count(unit) == text.count(unit)
    assert all(str(found.parameters[name]) in shown for name in given if found.parameters[name])


def test_words_and_joins_are_korean():
    assert state("limit_of_other_quantity", limited="viscosity", quantity="apparent_viscosity").rendered(KOREAN) == (
        "한계는 점도에 대한 것이고, 결과는 겉보기 점도임"
    )
    assert "12 또는 6 min⁻¹" in state("other_speed", limit_speeds=(12.0, 6.0), new_speed=30.0, speed=60.0).rendered(
        KOREAN
    )
