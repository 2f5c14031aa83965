"""Generated requests over the description of the API: no fault, and no answer that the description does not have."""

import json

import pytest

from daq.page.routetable import ROUTES
from daq.page.work.deskapi import ABOUT
from daq.page.work.deskviews import VIEWS
from tests.page.api_fuzzing import PHASES, fuzz
from tests.page.visiting import Page, add_sample
from tests.support.laboratories import laboratory, staffed

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]


@pytest.mark.parametrize("people", [False, True])
def test_generated_requests_find_nothing(tmp_path, people):
    """Few examples for each route; `python -m tests.page.api_fuzzing` sends many."""
    phases = "examples,fuzzing" if people else PHASES
    done = fuzz(tmp_path, people=people, examples=6 if people else 10, phases=phases)
    assert done.returncode == 0, done.stdout[-6000:] + done.stderr[-2000:]
    tested = [r for r in ROUTES if r.is_api and r.handler != "openapi" and not r.path.endswith("/events")]
    assert f"Tested: {len(tested)}" in done.stdout


def test_the_description_has_every_route_of_the_api_and_its_refusals(tmp_path):
    with laboratory(tmp_path) as lab:
        page = Page(lab, people=False)
        described = page.app._app.openapi()
    wanted = {(r.path, r.method.lower()) for r in ROUTES if r.is_api and r.handler != "openapi"}
    assert {(path, method) for path, methods in described["paths"].items() for method in methods} == wanted
    for methods in described["paths"].values():
        for about in methods.values():
            assert {"401", "403", "422", "503"} <= about["responses"].keys()
            assert about["summary"]


FORMS_ALONE = {"sample_new", "sample_import"}
"""Views of an empty form; what they offer is at `/api/v1/choices`."""
ELSEWHERE = {"sample_one": "sample", "run_changes": "result"}
"""Views with the values of another route of the API."""


def test_every_view_of_the_desk_is_there_for_programs():
    handlers = {r.handler for r in ROUTES if r.is_api}
    assert set(VIEWS) - FORMS_ALONE - ELSEWHERE.keys() == set(ABOUT)
    assert {*ABOUT, "choices", *ELSEWHERE.values()} <= handlers


@pytest.mark.asyncio
async def test_programs_get_the_values_that_the_desk_shows(tmp_path, monkeypatch):
    shown = {}
    monkeypatch.setattr(
        "daq.page.answers.render", lambda template, _lang, values: shown.update({template: values}) or ""
    )
    api = {r.handler: r.path for r in ROUTES if r.is_api}
    pages = {r.handler: r.path for r in ROUTES if not r.is_api and r.method == "GET"}
    with staffed(tmp_path) as lab:
        add_sample(lab, "E-7", product="engobe")
        async with Page(lab, people=True) as page:
            client = await page.browser("administer")
            for name in ABOUT:
                fields = {"kind": "product", "id": "engobe"} if name == "definition" else {"product": "engobe"}
                answer = await client.get(api[name], params=fields)
                assert answer.status_code == 200, (name, answer.text)
                assert (await client.get(pages[name], params=fields)).status_code == 200, name
                values = shown[VIEWS[name].template]
                assert answer.json() == json.loads(json.dumps({key: values[key] for key in answer.json()})), name
                assert answer.json().keys() >= VIEWS[name].nothing.keys()
            wrong = await client.get(api["charts"], params={"product": "engobe", "last": "x"})
            assert wrong.status_code == 422
