"""Refusals before any handler: foreign hosts and sites, forged forms, bodies that are too large."""

import httpx
import pytest

from daq.page.requestcheck import LARGEST_BODY, host_names
from daq.page.routetable import ROUTES
from daq.page.visits.cookies import Cookies, safe_next
from tests.page.visiting import BENCH, ORIGIN, Page, add_sample
from tests.support.laboratories import laboratory, staffed

POSTS = [r for r in ROUTES if r.method == "POST"]


async def raw(page, method, path, *, host="127.0.0.1:8042", **more):
    headers = {"Host": host} | more.pop("headers", {})
    async with httpx.AsyncClient(
        transport=httpx.ASGITransport(page.app), base_url=ORIGIN, headers=headers, trust_env=False
    ) as client:
        return await client.request(method, path, **more)


FOREIGN_HOSTS = (
    "evil.example", "evil.example:8042", "127.0.0.1", "127.0.0.1:80", "127.0.0.1:8042.evil.example", "localhost", "", "[::1]", "127.0.0.2:8042",
)  # fmt: skip


@pytest.mark.asyncio
async def test_a_foreign_name_of_the_page_is_refused(tmp_path):
    # DNS rebinding: a name of a foreign site that resolves to this machine
    with laboratory(tmp_path) as lab:
        async with Page(lab, people=False) as page:
            for host in FOREIGN_HOSTS:
                assert (await raw(page, "GET", "/api/v1/session", host=host)).status_code == 421, host
                assert (await raw(page, "GET", "/static/daq.css", host=host)).status_code == 421, host


def test_the_names_of_an_address():
    local = {"localhost:8042", "127.0.0.1:8042", "[::1]:8042"}
    assert host_names("127.0.0.1", 8042, ()) == local
    assert host_names("::1", 8042, ()) == local
    assert host_names("192.0.2.7", 443, ("Lab.example.org",)) == {
        "192.0.2.7:443", "192.0.2.7", "lab.example.org:443", "lab.example.org",
    }  # fmt: skip
    assert host_names("::", 8443, ("lab.example.org", "lab:9000")) == {"lab.example.org:8443", "lab:9000"}
    assert host_names("2001:db8::1", 8443, ()) == {"[2001:db8::1]:8443"}


@pytest.mark.asyncio
async def test_other_methods_are_refused(tmp_path):
    with laboratory(tmp_path) as lab:
        async with Page(lab, people=False) as page:
            for method in ("HEAD", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "CONNECT"):
                response = await raw(page, method, "/api/v1/session")
                assert (response.status_code, response.headers["allow"]) == (405, "GET"), method


@pytest.mark.slow
@pytest.mark.parametrize(
    "origin", [None, "null", "http://evil.example", "https://127.0.0.1:8042", "http://127.0.0.1:8043"]
)
@pytest.mark.asyncio
async def test_a_change_from_another_site_is_refused_on_every_route(tmp_path, origin):
    with laboratory(tmp_path) as lab:
        add_sample(lab, "E-7")
        async with Page(lab, people=False) as page:
            browser = await page.browser()
            del browser.headers["Origin"]
            if origin is not None:
                browser.headers["Origin"] = origin
            for route in POSTS:
                if origin is None and route.path == "/api/v1/log-in":
                    continue  # it takes no cookie, so that a program may send it without an origin
                path = route.path.format(bench=BENCH, act="sample_add", run="r")
                response = await page.send(browser, "POST", path)
                assert response.status_code == 403, route
                assert "another site" in response.text or "another site" in response.json().get("detail", ""), route
            assert page.daemon.stopped == []


@pytest.mark.parametrize("sent", ["", "x", "of another visit"])
@pytest.mark.asyncio
async def test_a_change_without_the_token_of_the_visit_is_refused_on_every_route(tmp_path, sent, monkeypatch):
    monkeypatch.setattr("daq.page.answers.render", lambda *_: "")
    with laboratory(tmp_path) as lab:
        async with Page(lab, people=False) as page:
            browser = await page.browser()
            given = page.parts.cookies.csrf("anon.other") if sent == "of another visit" else sent
            page.csrf = lambda _client: given
            for route in POSTS:
                if route.path != "/api/v1/log-in":
                    path = route.path.format(bench=BENCH, act="sample_add", run="r")
                    assert (await page.send(browser, "POST", path)).status_code == 403, route
            assert page.daemon.stopped == []


@pytest.mark.asyncio
async def test_a_bearer_needs_no_token_and_its_ticket_is_checked(tmp_path):
    with staffed(tmp_path) as lab:
        async with Page(lab, people=True) as page:
            ticket = page.daemon.lab.tickets.issue("measure", by_badge=False, mono_ns=lab.clock.mono_ns())
            for given, wanted in ((ticket, 200), ("wrong", 401)):
                headers = {"Authorization": f"Bearer {given}"}
                response = await raw(page, "POST", f"/api/v1/benches/{BENCH}/stop", headers=headers)
                assert response.status_code == wanted
            assert page.daemon.stopped == [BENCH]


@pytest.mark.asyncio
async def test_a_body_has_a_bound(tmp_path):
    with laboratory(tmp_path) as lab:
        async with Page(lab, people=False) as page:
            response = await raw(page, "POST", "/log-out", content=b"x" * (LARGEST_BODY + 1))
            assert response.status_code == 413
            response = await raw(page, "POST", "/log-out", headers={"Content-Length": "-1"}, content=b"")
            assert response.status_code == 413


@pytest.mark.asyncio
async def test_every_answer_has_the_headers(tmp_path):
    with staffed(tmp_path) as lab:
        async with Page(lab, people=True) as page:
            browser = await page.browser("look")
            for path in ("/", "/nope", "/static/daq.css", "/static/nope", "/api/v1/nope", "/api/v1/session", "/log-in"):
                response = await browser.get(path)
                policy = response.headers["content-security-policy"]
                assert "default-src 'none'" in policy
                assert "unsafe" not in policy
                assert "frame-ancestors 'none'" in policy
                assert response.headers["x-content-type-options"] == "nosniff"
                assert response.headers["cache-control"] == ("no-cache" if path == "/static/daq.css" else "no-store")
            assert (await raw(page, "GET", "/", host="evil.example")).headers["x-frame-options"] == "DENY"


def test_cookies_are_closed_to_scripts_and_to_other_sites():
    from starlette.responses import Response

    for secure in (False, True):
        response = Response()
        cookies = Cookies(b"k" * 32, secure, 8042)
        for what in ("visit", "bench", "look"):
            cookies.set(response, what, "x", 60)
        found = response.headers.getlist("set-cookie")
        assert len(found) == 3
        for text in found:
            assert "httponly" in text.lower()
            assert "samesite=strict" in text.lower()
            assert ("secure" in text.lower().split("; ")) == secure
            assert text.startswith("__Host-") == secure
            assert "path=/" in text.lower()
            assert "domain" not in text.lower()


def test_a_pairing_is_of_one_bench_and_one_page():
    ours, other = Cookies(b"k" * 32, False, 1), Cookies(b"o" * 32, False, 1)
    name = ours.name("bench")
    for bench in ("bench-1", "Prüfplatz.1", "a.b"):
        good = ours.pairing(bench)
        assert ours.paired({name: good}) == bench
        assert other.paired({name: good}) == ""
        for place in range(len(good)):
            changed = good[:place] + ("A" if good[place] != "A" else "B") + good[place + 1 :]
            assert ours.paired({name: changed}) != bench or changed == good, changed
    for wrong in ("", ".", "x", "x.y", "\udcff.1", ours.pairing("bench-1").split(".")[1]):
        assert ours.paired({name: wrong}) == ""


@pytest.mark.parametrize(
    ("path", "safe"),
    [
        ("/", "/"), ("/bench/bench-1", "/bench/bench-1"), ("//evil.example", "/"), ("/\\evil.example", "/"), ("http://evil.example", "/"),
        ("evil", "/"), ("", "/"), ("/\r\nSet-Cookie: x=1", "/"), ("/" + "a" * 600, "/"), ("/results?sample=1", "/results?sample=1"),
    ],
)  # fmt: skip
def test_the_way_after_a_form_stays_on_the_page(path, safe):
    assert safe_next(path) == safe
