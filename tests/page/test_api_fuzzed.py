"""Generated requests over the description of the API: no fault, and no answer that the description does not have."""

import socket
import subprocess
import sys
import threading
from pathlib import Path

import httpx
import pytest
import uvicorn

from daq.page.routetable import ROUTES
from tests.page.visiting import Page, add_sample
from tests.support.laboratories import laboratory
from tests.support.processes.laboratory import eventually

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]

#: Names and times have rules that JSON Schema does not state; what breaks one gets 422 and a sentence.
LEFT_OUT = "positive_data_acceptance"


def test_generated_requests_find_nothing(tmp_path):
    with socket.socket() as listening, laboratory(tmp_path) as lab:
        listening.bind(("127.0.0.1", 0))
        listening.listen()
        port = listening.getsockname()[1]
        add_sample(lab, "E-7")
        page = Page(lab, people=False, port=port)
        server = uvicorn.Server(uvicorn.Config(page.app, log_config=None, lifespan="off"))
        thread = threading.Thread(target=server.run, args=([listening],), daemon=True)
        thread.start()
        eventually(lambda: server.started, what="the page")
        origin = f"http://127.0.0.1:{port}"
        with httpx.Client(base_url=origin, trust_env=False) as client:
            session = client.get("/api/v1/session").json()
            cookies = "; ".join(f"{name}={value}" for name, value in client.cookies.items())
        headers = {"Cookie": cookies, "X-CSRF-Token": session["csrf"], "Origin": origin}
        command = [
            str(Path(sys.executable).parent / "schemathesis"), "run", f"{origin}/api/v1/openapi.json", "--no-color", "--seed", "7",
            "--max-examples", "20", "--phases", "examples,coverage,fuzzing", "--exclude-path-regex", ".*/events",
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
