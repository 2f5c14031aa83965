"""Every route of the page by every role, and by no one; and that nothing else is served."""

import functools

import pytest
from fastapi.routing import APIRoute

from daq.app.laboratory.acts import carry_out
from daq.app.setup.catalogue import Catalogue
from daq.laboratory.people import ROLES
from daq.page.application import make_application
from daq.page.routetable import ROUTES
from tests.page.visiting import BENCH, Page, add_sample
from tests.support.laboratories import laboratory, staffed

pytestmark = pytest.mark.asyncio

#: The need of each route.  A route that is missing here, or has another need, fails the first test.
NEEDED = {
    "GET /": "look",
    "GET /log-in": "open",
    "POST /log-in": "open",
    "POST /log-out": "open",
    "POST /preferences": "open",
    "GET /bench/{bench}": "bench",
    "POST /bench/{bench}/text": "work",
    "POST /bench/{bench}/command": "work",
    "POST /bench/{bench}/stop": "stop",
    "POST /bench/{bench}/pair": "administer",
    "GET /pair/{bench}/{code}": "open",
    "POST /unpair": "open",
    "GET /results": "look",
    "GET /results.csv": "look",
    "GET /results/{run}": "look",
    "GET /samples": "look",
    "GET /health": "look",
    "GET /samples/new": "measure",
    "POST /samples/new": "measure",
    "GET /samples/import": "measure",
    "POST /samples/import": "measure",
    "GET /samples/list": "look",
    "GET /samples.csv": "look",
    "GET /sample": "look",
    "GET /sample/label.svg": "look",
    "POST /sample/change": "measure",
    "POST /sample/cancel": "measure",
    "POST /sample/again": "measure",
    "GET /review": "look",
    "POST /review/measured": "measure",
    "POST /review/sign": "review",
    "GET /review/repeats": "look",
    "POST /review/repeats": "review",
    "GET /review/doubts": "look",
    "POST /review/doubts": "review",
    "GET /results/{run}/changes": "look",
    "POST /results/{run}/note": "measure",
    "POST /results/{run}/correct": "measure",
    "POST /results/{run}/annul": "review",
    "GET /compare": "look",
    "GET /charts": "look",
    "POST /charts/limits": "review",
    "POST /charts/report": "measure",
    "GET /equipment": "look",
    "POST /equipment/out": "measure",
    "POST /equipment/back": "review",
    "POST /equipment/calibrated": "review",
    "GET /equipment/health": "look",
    "GET /reports": "look",
    "POST /reports/record": "measure",
    "POST /reports/certificate": "review",
    "GET /reports/trace": "look",
    "GET /reports/day": "look",
    "POST /reports/day": "measure",
    "GET /reports/month": "look",
    "GET /reports/lot": "look",
    "GET /definitions": "look",
    "GET /definitions/one": "look",
    "GET /health/outbox": "look",
    "GET /health/tokens": "administer",
    "POST /health/tokens/revoke": "administer",
    "GET /health/trial": "administer",
    "POST /health/trial": "administer",
    "GET /health/trial/description.toml": "administer",
    "GET /api/v1/openapi.json": "look",
    "POST /api/v1/log-in": "open",
    "GET /api/v1/session": "open",
    "GET /api/v1/status": "look",
    "GET /api/v1/benches": "look",
    "GET /api/v1/benches/{bench}": "bench",
    "POST /api/v1/benches/{bench}/text": "work",
    "POST /api/v1/benches/{bench}/command": "work",
    "POST /api/v1/benches/{bench}/stop": "stop",
    "GET /api/v1/benches/{bench}/events": "bench",
    "GET /api/v1/benches/{bench}/trend": "bench",
    "GET /api/v1/events": "look",
    "GET /api/v1/results": "look",
    "GET /api/v1/results/{run}": "look",
    "GET /api/v1/results/{run}/readings": "look",
    "GET /api/v1/samples": "look",
    "GET /api/v1/samples/{sample}": "look",
    "GET /api/v1/sample-list": "look",
    "GET /api/v1/review": "look",
    "GET /api/v1/review/repeats": "look",
    "GET /api/v1/review/doubts": "look",
    "GET /api/v1/compare": "look",
    "GET /api/v1/charts": "look",
    "GET /api/v1/equipment": "look",
    "GET /api/v1/equipment/health": "look",
    "GET /api/v1/reports": "look",
    "GET /api/v1/reports/trace": "look",
    "GET /api/v1/reports/day": "look",
    "GET /api/v1/reports/month": "look",
    "GET /api/v1/reports/lot": "look",
    "GET /api/v1/definitions": "look",
    "GET /api/v1/definitions/one": "look",
    "GET /api/v1/choices": "look",
    "GET /api/v1/health/outbox": "look",
    "GET /api/v1/health/tokens": "administer",
    "GET /api/v1/health/trial": "administer",
    "POST /api/v1/acts/{act}": "look",
}
BODIES = {
    "text": {"text": "E-7", "seen": 0},
    "command": {"command": "confirm", "seen": 0},
    "{act}": {"order": {"id": "S-2"}},
    "log-in": {"person": "nobody", "password": "wrong"},
}
OPEN = {"open": -1, "look": 0, "bench": 0, "measure": 1, "stop": 1, "work": 1, "review": 2, "administer": 3}


def path_of(route):
    return route.path.format(bench=BENCH, run="last", sample="E-7", act="sample_add", code="0-0")


def body_of(route):
    return next((body for end, body in BODIES.items() if route.path.endswith(end)), {})


async def answered(page, client, route):
    """Return whether a route lets a visitor through to its handler."""
    if route.path.endswith("events"):
        # A stream does not end; its check is that of every other route.
        request = client.build_request("GET", path_of(route))
        return await admitted(page, request)
    response = await page.send(client, route.method, path_of(route), body_of(route), body_of(route))
    assert response.status_code != 500, (route, response.text)
    to_log_in = response.status_code == 303 and response.headers["location"].startswith("/log-in?")
    # A wrong password and a wrong code are refused by the handler.
    own_refusal = route.path.endswith(("/log-in", "/{code}"))
    return own_refusal or not (to_log_in or response.status_code in (401, 403))


async def admitted(page, request):
    seen = []

    async def receive():
        return {"type": "http.disconnect"}

    async def send(message):
        if message["type"] == "http.response.start":
            seen.append(message["status"])

    headers = [(name.lower(), value) for name, value in request.headers.raw]
    scope = {
        "type": "http", "method": "GET", "path": request.url.path, "raw_path": request.url.raw_path, "query_string": b"",
        "headers": headers, "scheme": "http", "server": ("127.0.0.1", 8042), "client": ("127.0.0.1", 1), "http_version": "1.1",
        "root_path": "", "asgi": {"version": "3.0"},
    }  # fmt: skip
    await page.app(scope, receive, send)
    return seen == [200]


async def test_the_application_serves_the_table_and_nothing_else(tmp_path):
    assert {f"{r.method} {r.path}": r.need for r in ROUTES} == NEEDED
    assert len(NEEDED) == len(ROUTES)
    with laboratory(tmp_path) as lab:
        served = make_application(Page(lab, people=False).parts)._app.router.routes
    found = {f"{m} {r.path}" for r in served if isinstance(r, APIRoute) for m in r.methods}
    assert found == set(NEEDED)
    assert [r.path for r in served if not isinstance(r, APIRoute)] == ["/static/{name:path}"]


@pytest.mark.slow
async def test_every_route_by_every_role_and_by_no_one(tmp_path, monkeypatch):
    # The templates are rendered in the other tests.
    monkeypatch.setattr("daq.page.answers.render", lambda *_: "")
    # The files stay as they are during the test.
    read = functools.cache(Catalogue.read)
    monkeypatch.setattr("daq.app.daemon.queries.query.Sources.catalogue", lambda sources: read(sources.folder)[0])
    with staffed(tmp_path) as lab:
        add_sample(lab, "E-7", product="engobe")
        carry_out(lab, "person_add", {"id": "locked", "role": "administer", "password": ""})
        carry_out(lab, "person_lock", {"id": "locked", "because": "left"})
        async with Page(lab, people=True) as page:
            visitors = {
                "nobody": ({}, -1),
                "an ended ticket": ({"ticket": "x" * 43}, -1),
                "locked": ({"person": "locked"}, -1),
                **{role: ({"person": role}, number) for number, role in enumerate(ROLES)},
            }
            for route in ROUTES:
                for name, (about, rank) in visitors.items():
                    client = await page.browser(**about)  # a log-out must not reach the next route
                    wanted = rank >= OPEN[route.need]
                    if route.path == "/api/v1/acts/{act}" and name == "look":
                        wanted = False  # the act itself needs the role measure
                    assert await answered(page, client, route) == wanted, (route, name)
                paired, elsewhere = [await page.browser(paired=name) for name in (BENCH, "bench-2")]
                may = route.need in ("open", "bench", "stop")
                assert await answered(page, paired, route) == may, (route, "paired")
                assert await answered(page, elsewhere, route) == (route.need == "open"), (route, "paired elsewhere")


@pytest.mark.slow
async def test_without_people_every_browser_acts_but_at_a_bench_that_is_not_its_own_and_where_a_person_is_needed(
    tmp_path,
):
    with laboratory(tmp_path) as lab:
        add_sample(lab, "E-7")
        async with Page(lab, people=False) as page:
            for paired in ("", BENCH, "bench-2"):
                for route in ROUTES:
                    browser = await page.browser(paired=paired)
                    may = route.need != "work" or paired == BENCH
                    assert await answered(page, browser, route) == may, (route, paired)
            browser = await page.browser()
            refused = await page.send(
                browser, "POST", f"/api/v1/benches/{BENCH}/command", body={"command": "confirm", "seen": 3}
            )
            assert f"not paired with {BENCH}" in refused.json()["detail"]
            order = {"id": "x", "role": "administer", "logins": ["the-page"]}
            response = await page.send(browser, "POST", "/api/v1/acts/person_add", body={"order": order})
            assert response.status_code == 403
            assert "nobody has logged in" in response.json()["detail"]


async def test_the_login_of_the_page_identifies_no_one(tmp_path):
    with staffed(tmp_path) as lab:
        carry_out(lab, "person_add", {"id": "owner", "role": "administer", "logins": ["the-page"]})
        async with Page(lab, people=True) as page:
            look = await page.browser("look")
            response = await page.send(
                look, "POST", "/api/v1/acts/person_lock", body={"order": {"id": "look", "because": "x"}}
            )
            assert response.status_code == 403
        # A page whose own file has people switched off: the daemon decides all the same.
        async with Page(lab, people=False) as page:
            nobody = await page.browser()
            order = {"id": "S-3", "product": "engobe"}
            response = await page.send(nobody, "POST", "/api/v1/acts/sample_add", body={"order": order})
            assert response.status_code == 403
            assert (await nobody.get("/api/v1/results")).status_code == 403


async def test_a_screen_is_paired_by_an_administrator_and_then_stops_its_bench_without_a_log_in(tmp_path):
    with staffed(tmp_path) as lab:
        async with Page(lab, people=True) as page:
            boss = await page.browser("administer")
            assert f'action="/bench/{BENCH}/pair"' in (await boss.get(f"/bench/{BENCH}")).text
            assert (await page.send(boss, "POST", f"/bench/{BENCH}/pair")).status_code == 303
            assert (await page.send(boss, "POST", "/bench/nothing/pair")).status_code == 404
            await page.send(boss, "POST", "/log-out")
            assert (await boss.get("/")).headers["location"] == "/log-in?next=%2F"
            shown = (await boss.get(f"/bench/{BENCH}")).text
            assert f'action="/bench/{BENCH}/stop"' in shown
            assert 'action="/unpair"' in shown
            assert (await page.send(boss, "POST", f"/bench/{BENCH}/stop")).status_code == 303
            assert page.daemon.stopped == [BENCH]
            await page.send(boss, "POST", "/unpair")
            assert (await page.send(boss, "POST", f"/bench/{BENCH}/stop")).status_code == 401
            assert page.daemon.stopped == [BENCH]
            look = await page.browser("look")
            assert "/pair" not in (await look.get(f"/bench/{BENCH}")).text.replace("/unpair", "")
