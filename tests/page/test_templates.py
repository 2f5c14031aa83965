"""The templates: every screen is rendered, foreign text stays text, and nothing breaks the policy of the page."""

import re

import pytest

from daq.page.shown.environment import environment, render
from daq.page.texts.texts import LANGUAGES
from tests.page.example_pages import bench_pages, frame, plain_desk_pages
from tests.page.example_result import HISTORY, RESULT
from tests.page.parsed import elements

PAGES = {p.name: p for p in (*plain_desk_pages(), *bench_pages(RESULT))}
RESULTS = {"result": ("result.html", frame("/results/x", history=HISTORY, entry={}))}
ALL = {**{name: (page.template, page.values) for name, page in PAGES.items()}, **RESULTS}
HOSTILE = "<img src=x onerror=alert(1)>\"'</title></script><script>alert(1)</script>{{7*7}}\u202e"


@pytest.mark.parametrize("lang", LANGUAGES)
@pytest.mark.parametrize("name", ALL)
def test_every_screen_is_whole_and_within_the_policy(name, lang):
    template, values = ALL[name]
    page = elements(render(template, lang, values))
    assert page.problems == []
    assert [i for i, n in page.ids.items() if i and n > 1] == []
    assert page.found["html", "data-theme", "lang"] == 1
    assert sum(n for (tag, *_), n in page.found.items() if tag == "h1") == 1
    assert sum(n for (tag, *_), n in page.found.items() if tag == "main") == 1


def foul(value, key=""):
    """A copy of JSON values with hostile text in the place of every text that a person or an instrument gives."""
    given = {"sample", "product", "lot", "title", "caution", "reason", "draft", "out_of_service", "name", "fitted", "text", "who", "method", "immersion",
             "vessel", "detail", "serial", "due", "asked", "refused", "absent", "next", "signed_by", "because", "operator", "probe", "rule"}  # fmt: skip
    if isinstance(value, dict):
        return {k: foul(v, k) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [foul(v, key) for v in value]
    return HOSTILE if isinstance(value, str) and key in given else value


@pytest.mark.parametrize("name", ALL)
def test_hostile_text_stays_text(name):
    template, values = ALL[name]
    text = render(template, "en", foul(values))
    page = elements(text)
    benign = elements(render(template, "en", values))
    assert page.problems == []
    assert {tag for tag, *_ in page.found} <= {tag for tag, *_ in benign.found} | {
        "p",
        "span",
        "br",
        "strong",
        "dt",
        "dd",
        "div",
    }
    assert "<img" not in text
    assert "49" not in re.findall(r"\{\{7\*7\}\}|49(?= *\u202e)", text)


def test_templates_escape_and_refuse_unknown_values():
    made = environment()
    assert made.from_string("{{ x }}").render(x="<b>") == "&lt;b&gt;"
    with pytest.raises(Exception, match="undefined"):
        made.from_string("{{ y }}").render()


def test_the_stop_is_on_every_screen_of_a_bench_and_of_a_paired_browser():
    for name, page in PAGES.items():
        text = render(page.template, "en", page.values)
        if page.values["paired"]:
            assert re.search(r'<form[^>]*action="/bench/bench-1/stop"', text), name
            assert re.search(r'<button class="button stop">', text), name
