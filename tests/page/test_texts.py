"""The catalogue of texts: complete in each language, used, and the only place of wording of templates and scripts."""

import ast
import importlib
import re
from datetime import UTC, date, timedelta, timezone
from html.parser import HTMLParser
from pathlib import Path
from typing import get_args

import pytest

from daq.app.daemon.protocol import Status
from daq.app.screens.bench.bench_words import HOWS, ITEMS, MESSAGES
from daq.core.linkstates import LinkState, Motor
from daq.core.run import State
from daq.laboratory.bench.benchstate import Stage
from daq.laboratory.bench.flow import OFFERED
from daq.laboratory.samples import SampleState
from daq.methods.files.instrument import Geometry
from daq.page.refusals import REASONS
from daq.page.shown.benches import LIVE, LIVE_FRAME
from daq.page.texts.texts import LANGUAGES, Texts, languages_accepted, placeholders, table
from daq.quality.limits import Verdict

PAGE = Path(__file__).parents[2] / "daq" / "page"
TEMPLATES = sorted((PAGE / "templates").rglob("*.html"))
SCRIPTS = sorted((PAGE / "static").glob("*.js"))
OTHERS = [code for code in LANGUAGES if code != "en"]
UNITS = r"(?<![\w{])(?:mm|mL|min|min⁻¹|s⁻¹|mPa·s|Pa|°C|µN·m|%|s|h|d)(?!\w)"
KINDS = [kind.model_fields["kind"].annotation.__args__[0] for kind in get_args(get_args(Geometry)[0])]


@pytest.mark.parametrize("language", OTHERS)
def test_every_text_is_there_in_every_language_with_the_same_placeholders(language):
    english, other = table("en"), table(language)
    assert other.keys() == english.keys()
    assert all(text.strip() for text in other.values())
    assert {key for key in english if placeholders(english[key]) != placeholders(other[key])} == set()
    same = {
        key
        for key in english
        if english[key] == other[key] and re.search("[A-Za-z]{2}", re.sub(r"\{\w+\}", "", english[key]))
    }
    # Names, codes and units are alike in all languages.
    assert same <= {
        "frame.product",
        "format.minutes",
        "format.hours",
        "bench.choosing.cup",
        "bench.verdict.interval",
        "bench.verdict.interval_simulated",
    }


@pytest.mark.parametrize("language", OTHERS)
def test_units_are_never_translated(language):
    for key, text in table("en").items():
        if "{" in text and not key.startswith("bench.command"):
            numbers = re.findall(r"\} (" + UNITS + ")", text)
            assert re.findall(r"\} (" + UNITS + ")", table(language)[key]) == numbers, key


def sources():
    return {
        path: path.read_text("utf-8")
        for path in [
            *TEMPLATES,
            *SCRIPTS,
            *sorted((PAGE / "shown").glob("*.py")),
            *sorted((PAGE / "texts").glob("*.py")),
            *sorted(PAGE.glob("*.py")),
            *sorted((PAGE / "visits").glob("*.py")),
        ]
    }


def used_keys():
    """Keys that are written in the sources, and beginnings of keys that end in a code."""
    text = "\n".join(sources().values())
    whole = set(re.findall(r"[\"']((?:[a-z_]+\.)+[a-z_]+)[\"']", text))
    begin = set(re.findall(r"[\"'](?:f\")?((?:[a-z_]+\.)+[a-z_]*)[\"']\s*~", text)) | {
        f"{group}." for group in re.findall(r"t\.code\(\s*[\"']([a-z_.]+)[\"']", text)
    }
    begin |= set(re.findall(r"f\"((?:[a-z_]+\.)+[a-z_]*)\{", text))
    whole |= {given[2] for _, kind, given in raised() if kind == "RefusedError" and len(given) > 2}
    return whole | {f"bench.{key}" for key in LIVE} | set(LIVE_FRAME), {b for b in begin if b != "bench."}


def test_every_text_is_used_and_every_key_exists():
    whole, begins = used_keys()
    known = table("en").keys()
    groups = {key.rpartition(".")[0] for key in known}
    unused = {key for key in known if key not in whole and not any(key.startswith(begin) for begin in begins)}
    assert unused == set()
    asked = set(re.findall(r"\bt\([\"']([a-z_.]+)[\"']\s*[,)]", "\n".join(sources().values())))
    assert asked <= set(known)
    assert {begin.rstrip("_").rstrip(".") for begin in begins if begin.endswith(".")} <= groups | {"bench.message"}


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_code_that_a_screen_shows_has_a_text(language):
    t = Texts(language)
    codes = {
        "bench.stage": get_args(Stage), "bench.item": ITEMS, "bench.how": HOWS, "bench.message": [m for m in MESSAGES if m],
        "bench.command": {c for offered in OFFERED.values() for c in offered}, "bench.state": [s.value for s in State],
        "bench.link": [s.value for s in LinkState], "bench.motor": [Motor.IN_DOUBT.value],
        "verdict": [v.value for v in Verdict], "validity": ("valid", "doubtful", "not_valid"),
        "outcome": ("complete", "stopped", "failed", "interrupted", "running"), "desk.sample_state": get_args(SampleState),
        "geometry.kind": KINDS, "geometry.drawing": KINDS,
    }  # fmt: skip
    assert {
        f"{group}.{code}" for group, found in codes.items() for code in found if not t.has(f"{group}.{code}")
    } == set()
    assert Status  # the screen of health shows its parts


class Visible(HTMLParser):
    """Texts that a person reads or hears, without those of the catalogue."""

    def __init__(self):
        super().__init__()
        self.found, self.code = [], 0

    def handle_starttag(self, tag, attrs):
        self.code += tag == "p" and ("class", "code") in attrs
        self.found += [
            value for name, value in attrs if name in ("aria-label", "title", "alt", "placeholder") and value
        ]

    def handle_endtag(self, tag):
        self.code -= self.code and tag == "p"

    def handle_data(self, data):
        self.found += [] if self.code else [data]


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda p: p.name)
def test_a_template_has_no_text_of_its_own(path):
    # The block `body` holds attributes alone.
    text = re.sub(r"\{% block body %\}.*?\{% endblock %\}", "", path.read_text("utf-8"))
    text = re.sub(r"\{#.*?#\}|\{%.*?%\}|\{\{.*?\}\}", "", text, flags=re.DOTALL)
    seen = Visible()
    seen.feed(text)
    assert [found for found in seen.found if re.search(r"[^\W\d_]", found) and found != " °C"] == []


IN_ENGLISH = {"acting.py": 2, "deskviews.py": 2, "formtable.py": 2, "settings.py": 2, "server.py": 4, "texts.py": 1}
"""Greatest number of refusals in English alone: of values of addresses, forms and programs, and of the process at its start."""


def raised():
    """Return each refusal that the page itself makes: module, class, and arguments."""
    for path in sorted(PAGE.rglob("*.py")):
        constants = vars(importlib.import_module(".".join(path.relative_to(PAGE.parents[1]).with_suffix("").parts)))
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Raise) and isinstance(node.exc, ast.Call) and isinstance(node.exc.func, ast.Name):
                yield path.name, node.exc.func.id, [_known(a, constants) for a in node.exc.args]


def _known(node, constants):
    """Return a text of an argument; "..." for the written part of one that is put together, None for any other."""
    if isinstance(node, ast.Name):
        return constants.get(node.id)
    return node.value if isinstance(node, ast.Constant) else "..." if isinstance(node, ast.JoinedStr) else None


def test_every_refusal_of_the_page_is_in_the_catalogue():
    known, english, seen = table("en").keys(), dict.fromkeys(IN_ENGLISH, 0), 0
    for module, kind, given in raised():
        keyed = {"RefusedError": given[2:3], "TooManyAttemptsError": given[1:2]}.get(kind, [])
        written = [text for text in given if isinstance(text, str) and text]
        if any(key in known for key in keyed) or not written or all(text in REASONS for text in written):
            seen += bool(keyed)
            continue
        assert module in IN_ENGLISH, (module, kind, given)
        english[module] += 1
    assert seen >= 9
    assert all(english[module] <= most for module, most in IN_ENGLISH.items()), english


def literals(text):
    """Literals of a script, without comments and without the code inside `${}`."""
    text = re.sub(r"/\*.*?\*/|(?<![:\"'])//[^\n]*", "", text, flags=re.DOTALL)
    found = re.findall(r"\"((?:[^\"\\\n]|\\.)*)\"|'((?:[^'\\\n]|\\.)*)'|`((?:[^`\\]|\\.)*)`", text)
    return [re.sub(r"\$\{[^}]*\}", "", next(filter(None, parts), "")) for parts in found]


@pytest.mark.parametrize("path", SCRIPTS, ids=lambda p: p.name)
def test_a_script_has_no_text_of_its_own(path):
    # A name has no space; addresses, selectors, classes and drawings are no words for a person.
    code = re.compile(r"[\[.#/]|^[mMaAvVhHlLzZ0-9 .,-]+$|^(word|event: ?|px system-ui, sans-serif|no-store)")
    wordy = [
        found
        for found in literals(path.read_text("utf-8"))
        if re.search(r"[A-Za-z]{2,} [A-Za-z]{2,}|[A-Z][a-z]+ |[가-힣]", found)
    ]
    assert [found for found in wordy if not code.search(found)] == []


def test_moments_spans_and_ranges_are_those_of_the_language():
    english, korean = Texts("en", UTC), Texts("ko", UTC)
    at = "2026-11-29T15:04:05Z"
    assert (english.moment(at), korean.moment(at)) == ("29 Nov 2026, 15:04", "2026년 11월 29일 15:04")
    assert (
        english.moment(1_790_000_000_000_000_000) == english.moment("2026-09-21T14:13:20+00:00") == "21 Sep 2026, 14:13"
    )
    assert english.moment(None) == "-"
    assert [english.span(s) for s in (8.5, 45, 125, 3780)] == ["8.5 s", "45 s", "2 min 05 s", "1 h 03 min"]
    assert (english.range("4", None), korean.range("4", "7")) == ("from 4", "4 ~ 7")


def test_a_sentence_is_said_in_the_language_and_an_unknown_code_in_english():
    t = Texts("ko")
    known = {
        "code": "below_band",
        "parameters": {"torque": 8.04},
        "text": "the mean torque is below the usable band: 8.0 % of full scale",
    }
    assert t.sentence(known) == "평균 토크가 사용 범위 아래임: 전체 범위의 8.0 %"
    assert t.sentence({"code": "of_a_newer_version", "parameters": {}, "text": "a new sentence"}) == "a new sentence"
    assert t.sentence(known | {"parameters": {}}) == known["text"]
    assert (
        t.sentence(
            {
                "code": "rule_above",
                "parameters": {"signal": "elapsed", "limit": 60.0, "unit": "s", "hold": None, "hold_turns": None},
                "text": "",
            }
        )
        == "경과 시간 ≥ 60 s"
    )


@pytest.mark.parametrize(
    ("header", "language"),
    [("ko-KR,ko;q=0.9,en;q=0.8", "ko"), ("de,en;q=0.5", "en"), ("en;q=0.2,ko;q=0.3", "ko"), ("ko;q=0", "en"), ("", "en"), ("ko;q=x", "en"), (",;=,*", "en")],
)  # fmt: skip
def test_the_language_is_the_first_that_the_page_has(header, language):
    assert languages_accepted(header) == language


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("hours", range(-12, 15))
def test_a_calendar_day_is_the_same_one_in_every_time_zone(language, hours):
    t = Texts(language, timezone(timedelta(hours=hours)))
    for first in (date(2026, 1, 1), date(2026, 2, 28), date(2024, 2, 29), date(2026, 12, 31)):
        month = t("format.months").split()[first.month - 1]
        assert t.day(first.isoformat()) == t("format.date", year=first.year, month=month, day=first.day)
    assert (t.day("never passed"), t.day(None), t.day("")) == ("never passed", "", "")
