"""Generated requests over the description of the API: no fault, and no answer that the description does not have."""

import json
import socket
import subprocess
import sys
import threading
from pathlib import Path

import httpx
import pytest
import uvicorn

from daq.page.routetable import ROUTES
from daq.page.work.deskapi import ABOUT
from daq.page.work.deskviews import VIEWS
from tests.page.visiting import Page, add_sample
from tests.support.laboratories import laboratory, staffed
from tests.support.processes.laboratory import eventually

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]

#: Names and times have rules that JSON Schema does not state; what breaks one gets 422 and a sentence.
LEFT_OUT = "positive_data_acceptance"


@pytest.mark.parametrize("people", [False, True])
def test_generated_requests_find_nothing(tmp_path, people):
    """Without people as a browser of this machine, with people as a person who administers."""
    with socket.socket() as listening, (staffed if people else laboratory)(tmp_path) as lab:
        listening.bind(("127.0.0.1", 0))
        listening.listen()
        port = listening.getsockname()[1]
        add_sample(lab, "E-7")
        page = Page(lab, people=people, port=port)
        server = uvicorn.Server(uvicorn.Config(page.app, log_config=None, lifespan="off"))
        thread = threading.Thread(target=server.run, args=([listening],), daemon=True)
        thread.start()
        eventually(lambda: server.started, what="the page")
        origin = f"http://127.0.0.1:{port}"
        if people:
            ticket = page.daemon.lab.tickets.issue("administer", by_badge=False, mono_ns=lab.clock.mono_ns())
            headers = {"Authorization": f"Bearer {ticket}"}
        else:
            with httpx.Client(base_url=origin, trust_env=False) as client:
                session = client.get("/api/v1/session").json()
                cookies = "; ".join(f"{name}={value}" for name, value in client.cookies.items())
            headers = {"Cookie": cookies, "X-CSRF-Token": session["csrf"], "Origin": origin}
        command = [
            str(Path(sys.executable).parent / "schemathesis"), "run", f"{origin}/api/v1/openapi.json", "--no-color", "--seed", "7",
            "--max-examples", "6" if people else "10", "--phases", "examples,fuzzing" if people else "examples,coverage,fuzzing", "--exclude-path-regex", ".*/events",
            "--exclude-checks", LEFT_OUT,
            *(part for name, value in headers.items() for part in ("-H", f"{name}: {value}")),
        ]  # fmt: skip
        done = subprocess.run(command, capture_output=True, text=True, timeout=500, cwd=tmp_path)
        server.should_exit = True
        thread.join(60)
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
