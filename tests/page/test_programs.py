"""Programs with a token at the page: the interface answers them, the screens do not, and a revoked one gets nothing."""

import traceback

import pytest

from daq.app.laboratory.acts import carry_out
from daq.app.laboratory.clients.bearer import MARK, new_text
from daq.core.errors import SettingError
from daq.page.daemonlink import DaemonLink
from daq.page.routetable import API, ROUTES
from tests.page.visiting import BENCH, Page, add_sample
from tests.support.laboratories import staffed

pytestmark = pytest.mark.asyncio


def path_of(route):
    return route.path.format(bench=BENCH, run="last", sample="E-7", act="sample_add")


def with_token(text):
    return {"Authorization": f"Bearer {text}"}


@pytest.mark.parametrize("more", ["\x80", "\u00e2\u0080\u008b", "\x7f", "\t", "x" * 200])
@pytest.mark.parametrize("at", [0, 10, 60])
async def test_a_damaged_token_is_refused_and_its_text_is_in_no_error(tmp_path, more, at):
    text, _ = new_text("display")
    wrong = f"{MARK}{text[len(MARK) :][:at]}{more}{text[len(MARK) :][at:]}"
    link = DaemonLink(tmp_path / "no-socket")
    for ask, given in ((link.identify, ()), (link.query, ("runs", {})), (link.perform, ("sample_add", {}))):
        with pytest.raises(SettingError) as caught:
            await ask(*given, wrong)
        assert text[-20:] not in "".join(traceback.format_exception(caught.value))


@pytest.mark.slow
async def test_programs_read_add_samples_and_stop_by_the_interface_alone(tmp_path, monkeypatch):
    monkeypatch.setattr("daq.page.answers.render", lambda *_: "")
    with staffed(tmp_path) as lab:
        add_sample(lab, "E-7", product="engobe")
        tokens = {
            role: carry_out(lab, "token_add", {"id": f"program-{role}", "role": role})["token"]
            for role in ("look", "measure")
        }
        async with Page(lab, people=True) as page:
            client = await page.browser()
            client.cookies.clear()
            for role, text in tokens.items():
                seen = (await client.get(f"{API}/session", headers=with_token(text))).json()
                assert (seen["person"], seen["role"], seen["program"]) == (f"program-{role}", role, True)
                for route in ROUTES:
                    if route.path.endswith("events") or route.need == "open":
                        continue
                    body = {"order": {"id": f"S-{role}"}, "text": "E-7", "command": "confirm", "seen": 0}
                    keys = {"{act}": ("order",), "text": ("text", "seen"), "command": ("command", "seen")}
                    own = next((k for end, k in keys.items() if route.path.endswith(end)), ())
                    found = await client.request(
                        route.method,
                        path_of(route),
                        headers=with_token(text),
                        json={key: body[key] for key in own} if route.method == "POST" else None,
                    )
                    least = "measure" if route.path.endswith("{act}") else route.need
                    enough = ("look", "bench", "stop", "work", "measure") if role == "measure" else ("look", "bench")
                    may = route.is_api and least in enough
                    may = may and route.handler not in ("bench_text", "bench_command")  # they can start a motor
                    refused = found.status_code in (401, 403) or found.headers.get("location", "").startswith("/log-in")
                    assert found.status_code != 500, route
                    assert refused == (not may), (route, role, found.status_code)
            # A cookie never has a token, so that no foreign site can use one that a browser keeps.
            client.cookies.set(page.parts.cookies.name("visit"), tokens["measure"], "127.0.0.1", "/")
            assert (await client.get(f"{API}/results")).status_code == 401


@pytest.mark.slow
async def test_a_program_signs_corrects_and_administers_nothing_by_the_interface(tmp_path):
    with staffed(tmp_path) as lab:
        text = carry_out(lab, "token_add", {"id": "registry", "role": "measure"})["token"]
        async with Page(lab, people=True) as page:
            client = await page.browser()
            for act, order in {
                "sign_measured": {"signed": [{"of": "run", "id": "r"}], "password": "x"},
                "run_correct": {"run": "r", "because": "x", "sample": "G-2"},
                "note_add": {"run": "r", "text": "x"},
                "token_add": {"id": "other", "role": "measure"},
                "person_password": {"id": "look", "password": "a new glaze"},
            }.items():
                response = await client.post(f"{API}/acts/{act}", json={"order": order}, headers=with_token(text))
                assert response.status_code == 403, act
                assert text.rpartition(".")[2] not in response.text


async def test_a_revoked_token_gets_nothing_at_once_and_the_screen_shows_it(tmp_path):
    with staffed(tmp_path) as lab:
        text = carry_out(lab, "token_add", {"id": "registry", "role": "measure"})["token"]
        async with Page(lab, people=True) as page:
            client, boss = await page.browser(), await page.browser("administer")
            assert (await client.get(f"{API}/samples", headers=with_token(text))).status_code == 200
            shown = (await boss.get("/health/tokens")).text
            assert 'value="registry"' in shown
            assert text.rpartition(".")[2] not in shown
            form = {"id": "registry", "because": "replaced"}
            for role in ("look", "measure", "review"):
                response = await page.send(await page.browser(role), "POST", "/health/tokens/revoke", form)
                assert response.status_code == 403
            assert (await client.get(f"{API}/samples", headers=with_token(text))).status_code == 200
            done = await page.send(boss, "POST", "/health/tokens/revoke", form)
            assert done.headers["location"] == "/health/tokens?done=revoked"
            assert (await client.get(f"{API}/samples", headers=with_token(text))).status_code == 401
            response = await client.post(
                f"{API}/acts/sample_add", json={"order": {"id": "S-9"}}, headers=with_token(text)
            )
            assert response.status_code == 401
            shown = (await boss.get("/health/tokens?done=revoked")).text
            assert "The token is revoked." in shown
            assert "administer: replaced" in shown
            assert 'action="/health/tokens/revoke"' not in shown
