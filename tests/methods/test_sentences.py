"""The catalogue of sentences: data with typed parameters, one English sentence for each code, other languages as a table."""

import ast
import itertools
import json
import re
from dataclasses import asdict
from pathlib import Path

import pytest

from daq.app.screens.run_view import written_note
from daq.core.effects import Noted
from daq.core.faults import FAULTS
from daq.core.remarks import Remark
from daq.laboratory.reportables import contents, reportable_record
from daq.methods.concluding.intervals import lines_of
from daq.methods.messages.comparing import in_words_of
from daq.methods.messages.reportabledata import AttemptData, ReportableData
from daq.methods.parts.component_names import COMPONENT_CODES
from daq.methods.parts.statement import Statement, state, statement_of
from daq.methods.sentences import component_sentences
from daq.methods.sentences.catalogue import SENTENCES, TOPICS, codes_document, names_in
from daq.methods.sentences.chart_sentences import PATTERNS, SIGNAL
from daq.methods.sentences.kinds import AS_SET, NAME, sentence
from daq.methods.sentences.rendering import EARLIER, Language, UnknownSentenceError, check, render, segments
from daq.rheology.uncertainty import Component, combine
from tests.methods.english_sentences import ENGLISH

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize(("found", "text"), ENGLISH, ids=lambda x: x.code if isinstance(x, Statement) else "")
def test_a_code_with_its_parameters_gives_its_sentence(found, text):
    assert found.text == text
    # A statement that is stored and read again gives the same sentence.
    again = Statement.model_validate(json.loads(json.dumps(found.model_dump(mode="json"))))
    assert (again, again.rendered()) == (found, text)
    assert statement_of(found.written()) == found


@pytest.mark.parametrize("code", SENTENCES)
def test_a_template_has_just_the_parameters_that_are_typed(code):
    known = SENTENCES[code]
    units = {x for kind in known.parameters.values() for x in (kind.unit_at, kind.within)} - {""}
    assert names_in(known.template) | units == set(known.parameters)
    assert re.fullmatch("[a-z][a-z0-9_]*", code)
    numbers = [kind for kind in known.parameters.values() if kind.what.startswith("number")]
    assert all(kind.digits for kind in numbers)
    # No bracket or brace is left over, and the sentence can be made without any optional part.
    assert "".join(t for pieces, _ in segments(known.template) for t, _, _ in pieces).isprintable()
    assert not re.search(r"[\[\]{}]", state(code).text)


SET = [
    (code, name)
    for code, known in SENTENCES.items()
    for name, kind in known.parameters.items()
    if kind.digits == AS_SET
]
"""Codes with the parameters that hold a number which a person set."""
LIMITS = {
    0.1: "0.1",
    1e6: "1000000",
    1234567.0: "1234567",
    1000.25: "1000.25",
    12345.678: "12345.678",
    1399.9999999999998: "1400",
}


def with_numbers(code, value):
    """Return the parameters of a code with `value` for each number that a person set, and 7 for the others."""
    of_kind = {"numbers": (value,), "names": ("n",), "alternatives": ("n",), "terms": ("t",), "unit": "mPa.s"}
    numbers = {
        n: value if k.digits == AS_SET else 7.0 for n, k in SENTENCES[code].parameters.items() if k.what == "number"
    }
    return {n: numbers.get(n, of_kind.get(k.what, "x")) for n, k in SENTENCES[code].parameters.items()}


@pytest.mark.parametrize(("code", "name"), SET)
def test_a_number_that_a_person_set_is_shown_as_it_was_set(code, name):
    """A record of an older daq, with six digits, has the same meaning: it is compared in its own words."""
    for value, text in LIMITS.items():
        found = state(code, **with_numbers(code, value))
        assert re.search(rf"(?<![\d.]){re.escape(text)}(?![\d.]*\d)", found.text), found.text
        assert "e+" not in found.text
        now = found.model_dump(mode="json")
        then = now | {"text": render(code, found.parameters, EARLIER)}
        assert in_words_of({"reasons": [then]}, {"reasons": [now]}) == {"reasons": [then]}
        other = now | {"text": "another limit"}
        assert in_words_of({"reasons": [other]}, {"reasons": [now]}) == {"reasons": [now]}


def test_a_reportable_result_whose_sentences_have_more_digits_now_is_unchanged():
    """Its release must stay after an update of daq, and it is not published again."""

    def reportable(found):
        why = AttemptData(run="r", instrument="b", method="m 1", fill="1", validity="valid", counted=False, why=found,
                          unit="mPa.s")  # fmt: skip
        data = ReportableData(
            revision=1, sample="G-1", test="m", simulated=False, state="blocked", blocked=found, method="m 1",
            quantity="viscosity", decided="none", how=found[0], verdict="none", limits=found, outliers=found,
            attempts=(why,), unit="mPa.s",
        )  # fmt: skip
        return reportable_record(data)

    differ = 0
    for code in dict(SET):
        now, other = (state(code, **with_numbers(code, value)) for value in (1e6, 2e6))
        then = now.model_copy(update={"text": render(code, now.parameters, EARLIER)})
        differ += then != now
        assert contents(reportable((then,))) == contents(reportable((now,)))
        assert contents(reportable((other,))) != contents(reportable((now,)))
    assert differ > 20


def test_every_code_is_in_one_topic_and_in_the_list_for_subscribers():
    assert sum(len(topic) for topic in TOPICS.values()) == len(SENTENCES)
    listed = codes_document()["codes"]
    assert list(listed) == list(SENTENCES)
    assert listed["above_limit"]["parameters"]["value"] == {
        "kind": "number", "format": ".6g", "unit_at": "unit", "within": "expanded",
    }  # fmt: skip


def literals(folder):
    """All texts in the code of a folder, without docstrings."""
    found = set()
    for path in (ROOT / folder).rglob("*.py"):
        if "sentences" not in path.parts and path != Path(__file__):
            found |= {n.value for n in ast.walk(ast.parse(path.read_text("utf-8"))) if isinstance(n, ast.Constant)}
    return found


@pytest.mark.slow
def test_every_code_is_made_somewhere_and_asserted_in_a_test():
    # The code of a signal is made of its rule and its side.
    signals = {SIGNAL + pattern for pattern in PATTERNS}
    assert sorted(SENTENCES.keys() - literals("daq") - signals) == []
    # Faults have tests of their own; the names of components are compared in the test of every component.
    known = FAULTS.keys() | signals | component_sentences.SENTENCES.keys()
    assert sorted(SENTENCES.keys() - literals("tests") - known) == []


def noted(folder):
    """The notes that the code of a folder makes: code, and names of the parameters."""
    for path in (ROOT / folder).rglob("*.py"):
        for call in ast.walk(ast.parse(path.read_text("utf-8"))):
            if not isinstance(call, ast.Call):
                continue
            name = getattr(call.func, "attr", getattr(call.func, "id", ""))
            if name == "note" and isinstance(call.args[0], ast.Constant):
                yield call.args[0].value, {k.arg for k in call.keywords}
            elif name == "Noted" and len(call.args) > 1 and isinstance(call.args[1], ast.Constant):
                yield call.args[1].value, {k.value for k in call.args[2].keys}


def test_every_note_of_a_run_is_a_code_of_the_catalogue():
    found = [*noted("daq/core"), *noted("daq/app/run")]
    assert len({code for code, _ in found}) == 9
    for code, names in found:
        assert names <= SENTENCES[code].parameters.keys(), code


def named_components():
    """The names of components in the code that makes budgets: literals, and constants that are given to the functions."""
    files = [*(ROOT / "daq/methods").rglob("*.py"), ROOT / "daq/rheology/viscosity_budget.py"]
    trees = [ast.parse(path.read_text("utf-8")) for path in files]
    texts = {
        t.id: n.value.value
        for n in itertools.chain.from_iterable(map(ast.walk, trees))
        if isinstance(n, ast.AnnAssign) and isinstance(n.value, ast.Constant) and isinstance(t := n.target, ast.Name)
    }
    for tree in trees:
        for call in ast.walk(tree):
            if not isinstance(call, ast.Call) or not call.args:
                continue
            name = getattr(call.func, "attr", getattr(call.func, "id", ""))
            if name in ("Component", "add", "make") or name.startswith("from_"):
                first = call.args[0]
                text = (
                    getattr(first, "value", None)
                    if isinstance(first, ast.Constant)
                    else texts.get(getattr(first, "id", ""))
                )
                if isinstance(text, str):
                    yield text


def test_every_component_of_a_budget_has_a_code_whose_sentence_is_its_name():
    assert {name: state(code).text for name, code in COMPONENT_CODES.items()} == {
        name: name for name in COMPONENT_CODES
    }
    # The certified fluid is compared with a value, and is in no published budget.
    found = set(named_components()) - {"certified fluid"}
    assert found == COMPONENT_CODES.keys()


def test_another_language_names_the_components_and_notes():
    other = Language({code: f"<{code}>" for code in SENTENCES})
    budget = combine([Component(name, 1.0) for name in COMPONENT_CODES])
    lines = lines_of(budget, "mPa.s")
    assert [x.name for x in lines] == list(COMPONENT_CODES)
    assert [render(x.code, {}, other) for x in lines] == [f"<{x.code}>" for x in lines]
    assert {x.code for x in lines} == component_sentences.SENTENCES.keys()
    for code, names in noted("daq/core"):
        # As a client gets it: the note as JSON.
        note = json.loads(json.dumps(asdict(written_note(Noted(0, code, dict.fromkeys(names))))))
        assert render(note["code"], note["parameters"], other) == f"<{code}>"


# A language of nothing but names and values, in another order than English.
OTHER = Language(
    {code: "".join(f"[<{name}={{{name}}}>]" for name in reversed(s.parameters)) for code, s in SENTENCES.items()},
    {"apparent_viscosity": "ηₐ"},
    comma="+",
    either="/",
)


@pytest.mark.parametrize(("found", "text"), ENGLISH, ids=lambda x: x.code if isinstance(x, Statement) else "")
def test_another_language_is_one_more_table(found, text):
    shown = found.rendered(OTHER)
    given = [name for name, value in found.parameters.items() if value not in (None, ())]
    assert re.findall(r"<(\w+)=", shown) == list(reversed([n for n in SENTENCES[found.code].parameters if n in given]))
    assert not given or shown != text


def test_another_language_has_its_own_words_and_joins():
    found = state("limit_of_other_quantity", limited="viscosity", quantity="apparent_viscosity")
    assert found.rendered(OTHER) == "<quantity=ηₐ><limited=viscosity>"
    assert state("identity_not_asked", instruments=("a", "b")).rendered(OTHER) == "<instruments=a+b>"
    # A code that the language does not have is shown in English.
    assert state("no_limits").rendered(Language(words={})) == "the product has no limits"


@pytest.mark.parametrize(
    ("code", "parameters", "why"),
    [
        ("no_such_code", {}, "there is no sentence 'no_such_code'"),
        ("no_limits", {"speed": 1.0}, "not the parameters of this sentence: speed"),
        ("below_band", {}, "not the parameters of this sentence: torque"),
        ("below_band", {"torque": "8"}, "torque must be a number"),
        ("below_band", {"torque": True}, "torque must be a number"),
        ("rule_named", {"rule": 5.0}, "rule must be a name"),
        ("identity_not_asked", {"instruments": "bench-1"}, "instruments must be a names"),
        ("other_speed", dict.fromkeys(SENTENCES["other_speed"].parameters) | {"limit_speeds": ("12",)}, "must be a numbers"),
    ],
)  # fmt: skip
def test_what_is_not_of_the_catalogue_is_refused(code, parameters, why):
    with pytest.raises(UnknownSentenceError, match=re.escape(why)):
        render(code, parameters)


def test_a_parameter_that_is_not_typed_is_found():
    with pytest.raises(UnknownSentenceError, match="other"):
        check(sentence("{name}", name=NAME), {"name": "a", "other": "b"})


def test_a_remark_shows_code_and_parameters_in_a_log():
    assert (
        str(Remark("no_rule_met", {"step": "reading", "longest": 60.0, "x": None}))
        == "no_rule_met: step=reading, longest=60.0"
    )
    assert str(Remark("stop_not_confirmed")) == "stop_not_confirmed"
