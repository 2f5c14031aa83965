"""The scripts of the desk in Chromium: runs in one plot, and files that fill a field."""

import hashlib
import json

import pytest

from tests.page.browsing import chromium, until
from tests.page.example_server import serving

pytestmark = [pytest.mark.slow, pytest.mark.timeout(300)]
LONG_MS = 30_000
PLOTS = """Object.defineProperty(window, 'uPlot', { configurable: true, set(made) {
  const kept = window.plots = []; const Watched = function (...given) { const plot = new made(...given); kept.push({plot, given}); return plot; };
  Object.assign(Watched, made); Object.defineProperty(window, 'uPlot', { value: Watched }); } });"""
"""Keeps each plot that the page makes."""
HEAD = '<!doctype html><html lang="en"><head><title>x</title><link rel="stylesheet" href="/static/daq.css"><link rel="stylesheet" href="/static/work.css">'
COMPARE = (
    HEAD
    + '<script defer src="/static/uplot.iife.min.js"></script><script type="module" src="/static/compare.js"></script></head>'
    "<body><main>{plots}</main></body></html>"
)
FILL = (
    HEAD
    + '<script type="module" src="/static/filling.js"></script></head><body><form><input type="hidden" name="file">'
    '<div data-{what}-into="into" data-too-large="The file is too large." hidden><input id="pick" type="file"></div>'
    '<textarea id="into" name="text"></textarea></form></body></html>'
)


@pytest.fixture(scope="module")
def served():
    with serving([]) as server, chromium() as browser:
        yield server, browser


def shown(served, html):
    server, browser = served
    tab = browser.new_context(viewport={"width": 1280, "height": 800}).new_page()
    tab.set_default_timeout(LONG_MS)
    tab.problems = []
    tab.on("pageerror", lambda error: tab.problems.append(str(error)))
    tab.add_init_script(PLOTS)
    tab.route("**/own", lambda route: route.fulfill(body=html, content_type="text/html"))
    tab.goto(f"{server.address}/own")
    return tab


def group(*runs):
    return {
        "name": "viscosity",
        "unit": "mPa.s",
        "runs": [{"run": f"r{n}", "sample": f"G-{n}", "seconds": s, "values": v} for n, (s, v) in enumerate(runs)],
    }


def element(found):
    text = json.dumps(found).replace("&", "&amp;").replace('"', "&quot;")
    legend = "".join(f'<li><svg class="key k{n}"><path d="M2 6h40"/></svg></li>' for n in range(len(found["runs"])))
    return f'<div class="plot" data-compare="{text}"></div><ul class="legend">{legend}</ul>'


def test_runs_are_joined_by_time_and_each_value_keeps_its_run(served):
    one = group(([0, 1, 2.5], [10, 11, 12.5]), ([0.5, 1, 4], [20, 21, 24]), ([7], [30]))
    tab = shown(served, COMPARE.format(plots=element(one) + element(group(([], []), ([1], [5])))))
    until(tab, "window.plots?.length === 2")
    data = tab.evaluate("plots.map(({given}) => given[1])")
    assert data[0] == [
        [0, 0.5, 1, 2.5, 4, 7], [10, None, 11, 12.5, None, None], [None, 20, 21, None, 24, None], [None, None, None, None, None, 30],
    ]  # fmt: skip
    assert data[1] == [[1], [None], [5]]
    # A run with readings at other times than the others is one line, not points.
    assert tab.evaluate("plots[0].given[0].series.slice(1).every(one => one.spanGaps)")
    assert tab.evaluate("plots[0].given[0].series.slice(1).map(one => one.label)") == ["G-0", "G-1", "G-2"]
    assert tab.problems == []
    tab.context.close()


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_no_two_runs_look_alike_and_the_legend_is_that_of_the_plot(served, theme):
    tab = shown(served, COMPARE.format(plots=element(group(*[([0, 1], [n, n + 1]) for n in range(6)]))))
    tab.emulate_media(color_scheme=theme)
    # A change of the theme draws the plot anew, once.
    until(tab, "wanted => getComputedStyle(document.body).colorScheme !== wanted || plots.length >= 1", theme)
    until(tab, "document.querySelectorAll('.plot canvas').length === 1")
    series = tab.evaluate(
        "plots.at(-1).plot.series.slice(1).map(one => [one.stroke(plots.at(-1).plot, 1), one.dash.join(' ')])"
    )
    assert len({dash for _, dash in series}) == 6
    keys = tab.evaluate(
        "[...document.querySelectorAll('.key path')].map(path => getComputedStyle(path)).map(s => [s.stroke, s.strokeDasharray.replaceAll('px', '').replaceAll(',', '')])"
    )
    assert [colour for colour, _ in keys] == [colour for colour, _ in series]
    assert len({dash for _, dash in keys}) == 6
    assert tab.problems == []
    tab.context.close()


def test_a_plot_follows_the_size_of_its_window(served):
    tab = shown(served, COMPARE.format(plots=element(group(([0, 1], [1, 2])))))
    until(tab, "window.plots?.length === 1")
    for width in (600, 1000):
        tab.set_viewport_size({"width": width, "height": 700})
        until(
            tab,
            "(() => { const e = document.querySelector('.plot'); return e.clientWidth <= innerWidth && plots[0].plot.width === e.clientWidth; })()",
        )
    tab.context.close()


def files(*named):
    return [{"name": name, "mimeType": "application/octet-stream", "buffer": content} for name, content in named]


@pytest.mark.parametrize("content", [b"", b"%PDF-1.7 \x00\xff", "id,product\nG-1,글레이즈\n".encode() * 1000], ids=len)
def test_a_digest_is_that_of_the_file(served, content):
    tab = shown(served, FILL.format(what="digest"))
    tab.locator("[data-digest-into]").wait_for()
    tab.locator("#pick").set_input_files(files(("report.pdf", content)))
    until(tab, "document.getElementById('into').value !== ''")
    assert tab.input_value("#into") == hashlib.sha256(content).hexdigest()
    assert tab.locator("[name=file]").input_value() == "report.pdf"
    assert tab.problems == []
    tab.context.close()


def test_a_text_fills_the_field_and_a_file_that_is_not_taken_leaves_nothing_of_the_one_before(served):
    tab = shown(served, FILL.format(what="file"))
    # 51 MB without their bytes.
    tab.evaluate(
        "Object.defineProperty(File.prototype, 'size', { get() { return this.name === 'large.csv' ? 51_000_000 : 1; } })"
    )
    text = "id,product\r\nG-1,글레이즈\r\n"
    tab.locator("#pick").set_input_files(files(("samples.csv", text.encode())))
    until(tab, "document.getElementById('into').value !== ''")
    assert tab.input_value("#into") == text.replace("\r\n", "\n")
    tab.locator("#pick").set_input_files(files(("large.csv", b"x")))
    until(tab, "document.getElementById('pick').validationMessage === 'The file is too large.'")
    assert (tab.input_value("#into"), tab.locator("[name=file]").input_value()) == ("", "")
    tab.locator("#pick").set_input_files(files(("next.csv", b"id")))
    until(tab, "document.getElementById('into').value === 'id'")
    assert tab.evaluate("document.getElementById('pick').validationMessage") == ""
    tab.context.close()


def test_a_file_that_is_read_late_does_not_replace_the_one_that_was_picked_after_it(served):
    tab = shown(served, FILL.format(what="file"))
    tab.evaluate(
        "const read = File.prototype.text; window.late = new Promise(go => { window.go = go; });"
        "File.prototype.text = async function () { const text = await read.call(this); if (this.name === 'first.csv') { await window.late; window.was = true; } return text; }; true"
    )
    tab.locator("#pick").set_input_files(files(("first.csv", b"first")))
    tab.locator("#pick").set_input_files(files(("second.csv", b"second")))
    until(tab, "document.getElementById('into').value === 'second'")
    tab.evaluate("window.go()")
    until(tab, "window.was")
    tab.evaluate("new Promise(done => setTimeout(done))")  # the rest of the first handler
    assert (tab.input_value("#into"), tab.locator("[name=file]").input_value()) == ("second", "second.csv")
    tab.context.close()


TRIAL = (
    HEAD
    + '<script type="module" src="/static/trial.js"></script></head><body><div data-trial="{stage}">{lines}</div></body></html>'
)


def test_a_trial_whose_answers_do_not_come_is_marked_as_old(served):
    server, browser = served
    tab = browser.new_context().new_page()
    tab.set_default_timeout(LONG_MS)
    cut = []

    def answer(route):
        if cut:
            route.abort()
        else:
            route.fulfill(body=TRIAL.format(stage="capturing", lines="one"), content_type="text/html")

    tab.route("**/health/trial", answer)
    tab.goto(f"{server.address}/health/trial")
    shown = "document.querySelector('[data-trial]').classList.contains('stale')"
    until(tab, f"!{shown}")
    cut.append(True)
    until(tab, shown)
    cut.clear()
    until(tab, f"!{shown}")
    tab.context.close()


def test_the_screen_of_a_trial_renews_itself_until_the_trial_has_ended(served):
    server, browser = served
    tab = browser.new_context().new_page()
    tab.set_default_timeout(LONG_MS)
    answers = [
        ("capturing", "one"),
        ("capturing", "one two"),
        "lost",
        ("checking", "one two three"),
        ("done", "all"),
        ("done", "never"),
    ]
    asked = []

    def answer(route):
        asked.append(answers[min(len(asked), len(answers) - 1)])
        if asked[-1] == "lost":
            route.abort()
        else:
            stage, lines = asked[-1]
            route.fulfill(body=TRIAL.format(stage=stage, lines=lines), content_type="text/html")

    tab.route("**/health/trial", answer)
    tab.goto(f"{server.address}/health/trial")
    until(tab, "document.querySelector('[data-trial]').dataset.trial === 'done'")
    assert tab.inner_text("[data-trial]") == "all"
    # One that has ended is not asked for again: a person may be correcting the description.
    tab.wait_for_timeout(1500)
    assert len(asked) == 5
    tab.context.close()
