"""The readings of a result as they are drawn: those of the journal, with the span from which the result was made."""

import json
import statistics

import pytest

from daq.adapters.paths import examples_dir
from daq.adapters.store.reading import Reader
from daq.app.daemon.queries.registry import answered
from daq.app.screens.drawings import trend_svg
from tests.page.browsing import chromium
from tests.page.example_pages import every_page
from tests.page.example_server import serving
from tests.support.runs.full_database import make_full_database

NOW = 1_790_000_000_000_000_000


@pytest.fixture(scope="module")
def database(tmp_path_factory):
    return make_full_database(tmp_path_factory.mktemp("state"))


@pytest.fixture
def reader(database):
    with Reader(database) as found:
        yield found


def drawn(reader, run):
    return answered(reader, "readings", {"run": run}, NOW, examples_dir())


def test_the_mean_over_the_shaded_span_is_the_result(reader):
    runs = [r for r in reader.runs(limit=100) if reader.results(r.id)]
    assert len(runs) >= 3
    for run in runs:
        data = json.loads(reader.results(run.id)[-1].data)
        trend = drawn(reader, run.id)["trend"]
        inside = [
            v for s, v in zip(trend["seconds"], trend["values"], strict=True) if trend["begin"] < s <= trend["end"]
        ]
        assert len(inside) == data["span"]["n"] < len(trend["values"])
        # The mean of a result is weighted by time.
        assert statistics.fmean(inside) == pytest.approx(data["value"], rel=1e-6)
        assert trend["end"] - trend["begin"] == pytest.approx(data["span"]["seconds"])
        assert trend["unit"] == "mPa·s"
        (compared,) = answered(reader, "compare", {"runs": [run.id]}, NOW, examples_dir())["compared"]
        assert compared["trend"] == trend


def test_thinned_readings_keep_least_and_greatest(reader, monkeypatch):
    run = reader.runs(limit=1)[0].id
    whole = drawn(reader, run)["trend"]
    monkeypatch.setattr(trend_svg, "BUCKETS", 10)
    few = drawn(reader, run)["trend"]
    assert len(few["values"]) <= 20 < len(whole["values"])
    assert (min(few["values"]), max(few["values"])) == (min(whole["values"]), max(whole["values"]))
    pairs = set(zip(whole["seconds"], whole["values"], strict=True))
    assert set(zip(few["seconds"], few["values"], strict=True)) <= pairs


def test_a_damaged_journal_is_named_and_draws_nothing(reader, monkeypatch):
    monkeypatch.setattr("daq.app.daemon.queries.report_queries.raw_journal", lambda *_: (b"no journal", b""))
    found = drawn(reader, reader.runs(limit=1)[0].id)
    assert found["trend"] is None
    assert found["trouble"] != ""


@pytest.mark.slow
def test_the_page_draws_the_readings_and_shades_the_span(database, reader):
    """The shade is in the plot where the span is, and nowhere else."""
    run = reader.runs(limit=1)[0].id
    pages = every_page(database)
    with serving(pages) as server, chromium() as browser:
        server.readings = drawn(reader, run)
        tab = browser.new_context(viewport={"width": 1280, "height": 800}).new_page()
        problems = []
        tab.on("console", lambda message: problems.append(message.text) if message.type == "error" else None)
        tab.on("pageerror", lambda error: problems.append(str(error)))
        page = next(p for name, p in server.by_name.items() if name.startswith("result-"))
        tab.goto(server.url(page))
        tab.wait_for_selector("[data-readings] canvas")
        begin, end = server.readings["trend"]["begin"], server.readings["trend"]["end"]
        shaded = tab.evaluate(SHADED)
        times = server.readings["trend"]["seconds"]
        first, last = ((x - times[0]) / (times[-1] - times[0]) for x in (begin, end))
        assert shaded == pytest.approx([first, last], abs=0.02)
        server.readings = {"trend": None, "trouble": "the journal <b>is damaged</b>"}
        tab.goto(server.url(page))
        tab.wait_for_selector("text=the journal <b>is damaged</b>")
        assert tab.locator("canvas").count() == 0
        assert problems == []


SHADED = """() => { const c = document.querySelector('[data-readings] canvas'), over = document.querySelector('[data-readings] .u-over').getBoundingClientRect();
  const box = c.getBoundingClientRect(), scale = c.width / box.width, g = c.getContext('2d', { willReadFrequently: true });
  const y = Math.round((over.top - box.top + 3) * scale), left = Math.round((over.left - box.left) * scale), width = Math.round(over.width * scale);
  const row = g.getImageData(left, y, width, 1).data, filled = [];
  for (let x = 1; x < width - 1; x++) if (row[4 * x - 1] > 0 && row[4 * x + 3] > 0 && row[4 * x + 7] > 0) filled.push(x);
  return [filled[0] / width, filled.at(-1) / width]; }"""
