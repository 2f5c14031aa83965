"""Refusals of the daemon in each language: every code that is raised has its sentence, and screens show it."""

import ast
import json
import re
from pathlib import Path

import pytest

from daq.app.daemon.protocol import answer_line, failure, read_answer
from daq.core.errors import DaqError, LinkError, NotAllowedError, SettingError, SettingErrors, coded
from daq.laboratory.bench.bench_events import Refused, Text, coded_of
from daq.laboratory.bench.flow import step
from daq.methods.files.load import FIELD_CODES, FIELD_VALUES
from daq.methods.parts.statement import state
from daq.page.shown.benches import without_commands
from daq.page.shown.refused import TERMS, message_words, refusal_words
from daq.page.texts.texts import LANGUAGES, Texts, placeholders, table
from tests.bench_flow.flows import FACTS, in_stage

ROOT = Path(__file__).parents[2] / "daq"
BENCH_MODULES = (
    "app/laboratory/bench/naming.py", "app/laboratory/bench/flows.py", "app/laboratory/bench/bench_acts.py",
    "app/laboratory/ordering.py", "app/laboratory/repeats.py", "app/laboratory/log_ins.py",
    "app/laboratory/identity.py", "app/run/fills.py", "app/daemon/runs_in_progress.py",
)  # fmt: skip
"""Modules whose refusals a person at a bench meets: they name the sample, start and stop the run, know the person."""
IN_ENGLISH = {
    "flows.py": 1,  # OLD_VIEW, for which the page has a sentence of its own
    "bench_acts.py": 1,  # without a daemon there is no page
    "ordering.py": 3,  # an order without an instrument, with two fillings, or with another product: not from a bench
    "identity.py": 2,  # a badge beside a password, or neither: the form of the page sends one
    "runs_in_progress.py": 3,  # errors of files, with their paths and keys
}
"""Number of refusals in English alone, by module."""

DESK_ROOMS = ("app/laboratory", "app/daemon/queries", "app/daemon/trials")
"""Rooms whose refusals a person at the desk meets."""
NO_FORM = {
    "acts.py": 1, "registry.py": 1, "trial_act.py": 1, "bearer.py": 1,  # no form names an act or a query
    "transcribing.py": 7, "fitting.py": 1, "precision_study.py": 3, "people.py": 14, "tokens.py": 5,  # the command line
    "archive_acts.py": 5,  # alone has these acts
    "typesetting.py": 3, "works_head.py": 1, "query.py": 1, "free_ports.py": 1, "trial_file.py": 2,  # files and ports
    "asking.py": 4, "starting.py": 1,  # the link to the daemon, with texts of the page
    "making.py": 1,  # repeated, not shown
}  # fmt: skip
"""Number of refusals in English alone, by module of the desk, each with its reason."""


def coded_calls():
    """Yield module, code and names of the values of each `coded(error, code, ...)` of the daemon."""
    for path in sorted(ROOT.rglob("*.py")):
        source = path.read_text("utf-8")
        # Every worker does this before its first test; to parse all modules took a fifth of that time.
        if not re.search(r"\bcoded\(|\b(errors|self)\.add\(", source):
            continue
        tree = ast.parse(source)
        choices = {
            node.targets[0].id: [node.value.body.value, node.value.orelse.value]
            for node in ast.walk(tree)
            if isinstance(node, ast.Assign) and isinstance(node.value, ast.IfExp)
            and isinstance(node.value.body, ast.Constant) and isinstance(node.targets[0], ast.Name)
            and isinstance(node.value.orelse, ast.Constant)
        }  # fmt: skip
        for node in ast.walk(tree):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "coded":
                code, names = node.args[1], {keyword.arg for keyword in node.keywords}
                found = [code.value] if isinstance(code, ast.Constant) else choices.get(getattr(code, "id", ""), [])
                yield from ((path.name, one, names) for one in found)
            elif (
                isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr == "add"
                and isinstance(node.func.value, ast.Name) and node.func.value.id in ("errors", "self")
            ):  # fmt: skip
                code, names = node.args[-1], {keyword.arg for keyword in node.keywords}
                if isinstance(code, ast.Constant) and len(node.args) > 2:
                    yield path.name, code.value, names | {"field"}
    for code in FIELD_CODES.values():
        yield "load.py", code, {"field", *filter(None, (FIELD_VALUES.get(code),))}


CODES = {}
for _, a_code, a_names in coded_calls():
    CODES[a_code] = CODES.get(a_code, a_names) & a_names


def test_every_refusal_with_a_code_has_a_sentence_in_every_language_and_every_sentence_its_refusal():
    assert len(CODES) > 150
    for language in LANGUAGES:
        texts = {
            key.removeprefix("refusal.daemon."): text
            for key, text in table(language).items()
            if key.startswith("refusal.daemon.")
        }
        assert texts.keys() == CODES.keys()
        assert {code for code, text in texts.items() if not placeholders(text) <= CODES[code]} == set()


def test_every_refusal_that_a_person_at_a_bench_meets_has_a_code():
    english = dict.fromkeys(IN_ENGLISH, 0)
    for name in BENCH_MODULES:
        path = ROOT / name
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if not (isinstance(node, ast.Raise) and isinstance(node.exc, ast.Call)):
                continue
            kind = getattr(node.exc.func, "id", "")
            if kind.endswith(("Error", "Errors")):
                assert path.name in english, f"{path.name}, line {node.lineno}: give the refusal a code (`coded`)"
                english[path.name] += 1
    assert english == IN_ENGLISH


def test_every_refusal_that_a_form_of_the_desk_meets_has_a_code():
    english = {}
    paths = [path for room in DESK_ROOMS for path in sorted((ROOT / room).rglob("*.py"))]
    for path in paths:
        if path.relative_to(ROOT).as_posix() in BENCH_MODULES:
            continue
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            kind = (
                getattr(node.exc.func, "id", "")
                if isinstance(node, ast.Raise) and isinstance(node.exc, ast.Call)
                else ""
            )
            # Several errors have the codes of their parts.
            if kind.endswith("Error") and kind != "OSError":
                assert path.name in NO_FORM, f"{path.name}, line {node.lineno}: give the refusal a code (`coded`)"
                english[path.name] = english.get(path.name, 0) + 1
    assert english == NO_FORM


SAMPLE = {
    "state": "done", "link": "connecting", "what": "instrument", "need": "review", "role": "measure",
    "out": "coaxial-12 (serial number S-12) is out of service since 2026-11-29 08:20 UTC by m.keeper: 42",
    "reasons": json.dumps([state("below_band", torque=6.2).model_dump(mode="json")]),
    "errors": json.dumps([{"code": "no_run", "values": {"bench": "bench-1"}, "text": "no run is in progress"}]),
    "field": "values[0].as_left", "meaning": "reviewed",
}  # fmt: skip


@pytest.mark.parametrize("code", sorted(CODES))
def test_a_refusal_in_korean_has_no_english_sentence(code):
    t = Texts("ko")
    values = {name: SAMPLE.get(name, "42") for name in CODES[code]}
    error = coded(LinkError("an English sentence of the daemon"), code, **values)
    shown = without_commands(t, refusal_words(t, error.code, error.values, str(error)))
    if code != "out_of_service":  # the words of a person are as they were written
        assert re.search("[가-힣]", shown), shown
        assert not re.search(r"[A-Za-z]{2,} [A-Za-z]{2,}", shown), shown
    assert "{" not in shown
    assert set(TERMS) - {"state"} <= set(SAMPLE)


@pytest.mark.parametrize("kind", [SettingError, NotAllowedError, LinkError, DaqError])
def test_code_and_values_come_through_the_socket_with_the_english_sentence(kind):
    error = coded(kind("no sample 'G-1' is registered"), "sample_unknown", sample="G-1")
    with pytest.raises(kind) as found:
        read_answer(answer_line(failure(error)))
    assert (str(found.value), found.value.code, found.value.values) == (str(error), "sample_unknown", {"sample": "G-1"})
    # An older daemon sends neither.
    line = json.loads(answer_line(failure(error)))
    del line["code"], line["values"]
    with pytest.raises(kind) as found:
        read_answer(json.dumps(line).encode())
    assert (found.value.code, refusal_words(Texts("ko"), "", found.value.values, str(found.value))) == ("", str(error))


def test_the_only_error_of_several_files_keeps_its_code():
    one = coded(SettingError("a"), "sample_unknown", sample="G-1")
    assert SettingErrors([one]).code == "sample_unknown"


@pytest.mark.parametrize("language", LANGUAGES)
def test_each_of_several_errors_is_in_the_language_and_has_its_place(language):
    t = Texts(language)
    one = coded(SettingError("a"), "sample_unknown", sample="G-1", line="3", field="rework_of")
    several = SettingErrors(
        [one, SettingError("b is wrong", key="lot"), coded(SettingError("c"), "no_run", bench="b-1")]
    )
    shown = refusal_words(t, several.code, several.values, str(several)).splitlines()
    at = f"{t('refusal.at.line', line='3')}, {t('refusal.field.rework_of')}"
    assert shown == [
        f"{at}: {t('refusal.daemon.sample_unknown', sample='G-1')}",
        "lot: b is wrong",
        t("refusal.daemon.no_run", bench="b-1"),
    ]
    # Without any code they are as they were sent.
    assert SettingErrors([SettingError("a"), SettingError("b")]).code == ""


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_refusal_at_a_bench_is_a_message_in_the_language_of_the_screen(language):
    t = Texts(language)
    error = coded(SettingError("no sample 'X-1' is registered"), "sample_unknown", sample="X-1")
    for stage, event, code in (
        ("choosing", Text("X-1", None, str(error), coded_of(error)), "sample_refused"),
        ("starting", Refused(str(error), coded_of(error)), "not_started"),
    ):
        message = step(in_stage(stage), event, FACTS).message
        assert (message.code, message.values["reason"]) == (code, str(error))
        shown = message_words(t, {"message": message.code, "values": message.values})
        assert t("refusal.daemon.sample_unknown", sample="X-1") in shown
    # A refusal without a code, or of a newer daemon, is shown as it was sent.
    for values in ({"reason": "why"}, {"reason": "why", "refusal": "of_a_newer_daemon"}):
        assert "why" in message_words(t, {"message": "not_started", "values": values})


FORMS = (
    "work.sample", "work.common", "work.equipment", "work.trial", "work.cause", "work.changes", "work.figures",
    "desk.results", "desk.result",
)  # fmt: skip
"""Groups of texts with the labels of the fields of forms."""


def test_a_refusal_names_a_field_as_the_label_of_its_form_does():
    """Where both have the same English words, they have the same ones in every language."""
    english, compared = Texts("en"), 0
    names = [key.removeprefix("refusal.field.") for key in table("en") if key.startswith("refusal.field.")]
    for label in (f"{group}.{name}" for group in FORMS for name in names if english.has(f"{group}.{name}")):
        name = label.rpartition(".")[2]
        if english.template(label).casefold() != english.template(f"refusal.field.{name}").casefold():
            continue
        compared += 1
        for t in map(Texts, LANGUAGES):
            assert t.template(label).casefold() == t.template(f"refusal.field.{name}").casefold(), (t.language, label)
    assert compared > 12


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_refused_signature_has_the_words_of_the_form(language):
    t = Texts(language)
    for meaning in ("measured", "reviewed", "released", "rejected"):
        values = {"what": "run", "name": "1a2b", "meaning": meaning, "reasons": "[]"}
        assert t(f"release.{meaning}") in refusal_words(t, "not_signed", values, "ENGLISH")
