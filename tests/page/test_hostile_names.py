"""Names, remarks and addresses with markup, formulae and control characters on every route."""

import csv
import io
import json
import shutil
from urllib.parse import quote

import pytest

from daq.adapters.paths import database_path
from daq.page.routetable import ROUTES
from daq.page.texts.texts import LANGUAGES
from daq.page.work.deskviews import VIEWS
from tests.page.desk_fields import WHOLE
from tests.page.visiting import BENCH, HOSTILE, MARKUP, Page, add_sample
from tests.support.laboratories import laboratory
from tests.support.runs.virtual_bench import StoredBench

pytestmark = [pytest.mark.asyncio, pytest.mark.slow]
FORMULA = "=cmd|' /C calc'!A0"
ANYWHERE = ("sample", "lot", "product", "operator", "outcome", "verdict", "since", "limit", "next", "run", "x")
STREAMS = [r.path for r in ROUTES if r.path.endswith("events")]


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    bench = StoredBench(tmp_path_factory.mktemp("measured") / "state")
    bench.measure(HOSTILE, operator=HOSTILE, lot=HOSTILE, fill=HOSTILE)
    bench.measure(FORMULA, operator="m.keeper", lot=FORMULA)
    return bench.state


def harmless(text, *, whole=True):
    """Return whether a text has no markup of the name; where it is shown whole, its braces must be there as well."""
    escaped = MARKUP not in text and "<img" not in text
    return escaped and (not whole or "alert(1)" not in text or "{{7*7}}" in text)


def paths(run):
    """Yield an address for each GET of the table, and with hostile values wherever a value goes."""
    wild = quote(HOSTILE, safe="")
    for route in ROUTES:
        if route.method == "GET" and route.path not in STREAMS:
            yield route.path.format(bench=BENCH, run=run, sample=wild, code=wild)
            yield route.path.format(bench=wild, run=wild, sample=wild, code=wild)
            own = VIEWS[route.handler].fields if route.handler in VIEWS else ("id",)
            for name in dict.fromkeys((*ANYWHERE, *own)):
                yield f"{route.path.format(bench=BENCH, run=run, sample=wild, code=wild)}?{name}={wild}"


async def test_a_hostile_name_reaches_every_screen_harmlessly(tmp_path, measured):
    shutil.copyfile(database_path(measured), tmp_path / "daq.db")
    with laboratory(tmp_path) as lab:
        add_sample(lab, HOSTILE, product=HOSTILE, lot=HOSTILE, remark=HOSTILE, condition=HOSTILE)
        with lab.reader() as reader:
            run = next(r.id for r in reader.runs(limit=-1) if r.sample == HOSTILE)
        async with Page(lab, people=False, sample=HOSTILE) as page:
            browser = await page.browser()
            shown = 0
            for language in LANGUAGES:
                browser.cookies.set(page.parts.cookies.name("look"), f"{language}.dark", "127.0.0.1", "/")
                for path in paths(run):
                    response = await browser.get(path)
                    assert response.status_code < 500, (path, response.text[-2000:])
                    kind = response.headers["content-type"].partition(";")[0]
                    if kind == "text/html":
                        # Runs to compare are separated by spaces, which the name has.
                        assert harmless(response.text, whole=not path.startswith("/compare?run=")), path
                        shown += "alert(1)" in response.text
                    else:
                        # A browser shows none of these as markup (`nosniff`).
                        assert kind in ("application/json", "text/csv", "text/plain", "image/svg+xml"), path
            assert shown > 20  # the name was on the screens
            for route in ROUTES:
                if route.method == "POST":
                    path = route.path.format(bench=quote(HOSTILE, safe=""), act=quote(HOSTILE, safe=""), run=run)
                    body = {"text": HOSTILE, "seen": 0} if path.endswith("text") else {}
                    form = {
                        "text": HOSTILE,
                        "command": HOSTILE,
                        "seen": HOSTILE,
                        "next": HOSTILE,
                        "lang": HOSTILE,
                        "theme": HOSTILE,
                        "person": HOSTILE,
                        **dict.fromkeys(WHOLE.get(route.handler.removesuffix("_send"), ()), HOSTILE),
                    }
                    response = await page.send(browser, "POST", path, form, body)
                    assert response.status_code < 500, (path, response.text[-2000:])
                    assert response.headers.get("content-type") in ("application/json", "application/pdf") or harmless(
                        response.text
                    )
                    assert MARKUP not in repr(response.headers)


async def test_a_csv_has_no_formula_and_a_harmless_name(tmp_path, measured):
    shutil.copyfile(database_path(measured), tmp_path / "daq.db")
    with laboratory(tmp_path) as lab:
        async with Page(lab, people=False) as page:
            response = await (await page.browser()).get(f"/results.csv?sample={quote(FORMULA)}&next={quote(HOSTILE)}")
            rows = list(csv.DictReader(io.StringIO(response.text)))
            assert [row["sample"] for row in rows] == ["'" + FORMULA]
            assert rows[0]["lot"] == "'" + FORMULA
            name = response.headers["content-disposition"]
            assert name.startswith('attachment; filename="results-')
            assert all(c.isalnum() or c in '-.";= ' for c in name)


async def test_an_event_is_one_line_of_json(tmp_path):
    with laboratory(tmp_path) as lab:
        async with Page(lab, people=False, sample=HOSTILE + "\u2028\x85") as page:
            hub = page.parts.hub
            events = hub.events()
            for _ in range(4):
                kind, data = await anext(events)
                text = json.dumps(data, separators=(",", ":"))
                assert len(text.splitlines()) == 1, kind
