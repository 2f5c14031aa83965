"""No screen shows an old value as now: each text that a live event changes is found, and is marked from 2 s on."""

import copy
import os
from contextlib import ExitStack
from dataclasses import replace

import pytest

from daq.page.texts.texts import LANGUAGES, Texts
from tests.page.browsing import chromium, until
from tests.page.example_pages import bench_pages, plain_desk_pages
from tests.page.example_result import RESULT
from tests.page.example_server import serving

pytestmark = [pytest.mark.slow, pytest.mark.timeout(300)]
TURNS = 60
"""Greatest number of looks, two a second: a machine that is busy draws late."""
CONNECTED = "document.querySelector('[data-live-part=lost]').hidden"
TEXTS = """() => {
  const all = [...document.querySelectorAll("body *")];
  window.fields ??= all.filter((one) => ![...one.childNodes].some((child) => child.nodeType === 1));
  return window.fields.map((one) => one.textContent);
}"""
SHOWN_AS_NEW = """([places, old]) => places.map((place) => window.fields[place]).filter((one) => {
  if (!one.isConnected || !one.checkVisibility() || one.textContent.trim() === "" || one.textContent.includes(old)) return false;
  // The age is beside the value of an item that a key reads; a time that is counted down goes on in the browser.
  if (one.closest("[data-read]")?.innerText.includes(old) || one.closest("[data-countdown]")) return false;
  for (let above = one; above; above = above.parentElement) {
    if (getComputedStyle(above).textDecorationLine.includes("line-through")) return false;
  }
  return one.textContent;
}).map((one) => one.outerHTML)"""


@pytest.fixture(scope="module")
def browser():
    with chromium() as running:
        yield running


def scaled(value, by):
    """Return a part of a view with each number in it multiplied."""
    if isinstance(value, dict):
        return {key: scaled(one, by) for key, one in value.items()}
    if isinstance(value, list):
        return [scaled(one, by) for one in value]
    return value * by if isinstance(value, float) else value


def events(page, by):
    """Return the events of a moment at which each value is another one by a factor."""
    cards = page.values["benches"] if page.name == "desk" else [page.values["bench"]]
    found = []
    for live in (copy.deepcopy(card) for card in cards):
        about = {"bench": live["bench"]}
        reading = live["reading"] | {"values": scaled(live["reading"]["values"], by), "age_s": 0.0}
        if live["run"]:
            changed = {key: scaled(live["run"][key], by) for key in ("signals", "value", "rules", "run_s", "stage_s")}
            found.append(("run", about | {"run": live["run"] | changed, "point": None}))
        found.append(("reading", about | reading))
        found += [("companion", about | {"instrument": name, **one, "values": scaled(one["values"], by), "age_s": 0.0})
                  for name, one in live.get("companions", {}).items()]  # fmt: skip
    return found


def pages():
    """Return every screen with a live value: a run, a list with measured items, or the overview of all benches."""
    for page in bench_pages(RESULT):
        live = page.values["bench"]
        items = [] if live["view"] is None else live["view"]["items"]
        is_listed = live["view"] is not None and live["view"]["stage"] in ("zeroing", "checking")
        if page.values["paired"] != "bench-1" or page.values["stop"]:
            continue  # the screen of the same stage for another visitor
        if page.values["link"]["daemon"] and (live["run"] or (is_listed and any(item["value"] for item in items))):
            yield page
    yield from (page for page in plain_desk_pages() if page.name == "desk")
    (page,) = [page for page in bench_pages(RESULT) if page.name == "bench-checking"]
    live = page.values["bench"]
    # A thermometer beside the bench that is read by a key: its value counts for longer than it is new.
    live["view"] |= {
        "signal": "bath.temperature",
        "items": [item | {"longest_s": 600.0} for item in live["view"]["items"]],
    }
    live["companions"] = {"bath": live["reading"] | {"values": {"temperature": 25.0}}}
    yield replace(page, name="bench-checking-by-key")


def test_every_text_that_a_live_event_changes_is_marked_as_old_from_2_s_on(browser):
    """Every second screen, and the overview; `DAQ_WHOLE_SWEEPS` in the environment takes all."""
    every = list(pages())
    taken = [
        page for n, page in enumerate(every) if n % 2 == 0 or page.name == "desk" or os.environ.get("DAQ_WHOLE_SWEEPS")
    ]
    with ExitStack() as opened:
        tabs = []
        for number, page in enumerate(taken):
            language = list(LANGUAGES)[number % len(LANGUAGES)]
            server = opened.enter_context(serving([page]))
            server.mute = True
            server.pushed += events(page, 1.0)
            tab = browser.new_context(viewport={"width": 1280, "height": 800}).new_page()
            opened.callback(tab.context.close)
            tab.goto(server.url(page, language))
            until(tab, "document.body !== null")
            tabs.append((page, server, tab, Texts(language)("connection.age", seconds="#").partition("#")[2].strip()))
        assert len(tabs) > 4
        tabs[-1][2].wait_for_timeout(500)
        before = [tab.evaluate(TEXTS) for _, _, tab, _ in tabs]
        for page, server, _, _ in tabs:
            server.pushed += events(page, 0.9)
        tabs[-1][2].wait_for_timeout(500)
        changed = []
        for (page, _, tab, _), texts in zip(tabs, before, strict=True):
            places = [n for n, (one, two) in enumerate(zip(texts, tab.evaluate(TEXTS), strict=True)) if one != two]
            assert places, f"{page.name}: nothing on the screen is live"
            changed.append(places)
        new = {"": ["not looked at yet"]}
        for _ in range(TURNS):
            # The page is not cut off: only the values have become old.
            for _, server, _, _ in tabs:
                server.pushed.append(("link", {"daemon": True, "reason": ""}))
            tabs[-1][2].wait_for_timeout(500)
            found = zip(tabs, changed, strict=True)
            new = {page.name: tab.evaluate(SHOWN_AS_NEW, [places, old]) for (page, _, tab, old), places in found}
            if not any(new.values()):
                break
        assert {name: found for name, found in new.items() if found} == {}
        assert [page.name for page, _, tab, _ in tabs if not tab.evaluate(CONNECTED)] == []
