"""The first visit of a browser: the token of the page it was given stays good."""

import re

import httpx
import pytest

from tests.page.visiting import ORIGIN, Page
from tests.support.laboratories import laboratory


@pytest.mark.asyncio
@pytest.mark.parametrize("path", ["/favicon.ico", "/no-such-page", "/static/no-such-file"])
async def test_an_answer_without_a_visit_does_not_replace_one_that_began(tmp_path, path):
    # A browser asks for an icon while the first page is under way, without the cookie of that page.
    with laboratory(tmp_path) as lab:
        async with Page(lab, people=False) as page:
            transport = httpx.ASGITransport(page.app)
            async with httpx.AsyncClient(transport=transport, base_url=ORIGIN, trust_env=False) as browser:
                token = re.search(r'data-csrf="(\w+)"', (await browser.get("/")).text)[1]
                missing = await httpx.AsyncClient(transport=transport, base_url=ORIGIN, trust_env=False).get(path)
                assert (missing.status_code, missing.headers.get("set-cookie")) == (404, None)
                sent = {"csrf": token, "lang": "ko", "theme": "dark", "next": "/"}
                answer = await browser.post("/preferences", data=sent, headers={"Origin": ORIGIN})
                assert answer.status_code == 303
