"""The page over the daemon: a sample by forms alone, stops in each phase, log-ins over the socket."""

import pytest

from daq.app.laboratory.acts import carry_out
from daq.process.logins import own_login
from tests.page.paged_shift import PagedShift
from tests.page.visiting import BENCH
from tests.support.laboratories import cheap_hashes

pytestmark = [pytest.mark.asyncio, pytest.mark.slow]


async def test_a_sample_from_the_id_to_its_result_by_forms_without_a_script(tmp_path):
    async with PagedShift(tmp_path) as bench:
        await bench.add("E-7")
        await bench.command("confirm")
        await bench.command("confirm")
        await bench.name("E-7")
        await bench.command("confirm")
        running = await bench.until_live(lambda b: b["run"] is not None and b["run"]["state"] == "measuring")
        assert running["run"]["sample"] == "E-7"
        assert running["reading"]["still"] is False
        page = await bench.browser.get(f"/bench/{BENCH}")
        assert "E-7" in page.text
        done = await bench.until_live(lambda b: b["view"]["stage"] == "verdict" and b["run"] is None)
        run = done["view"]["run"]
        found = (await bench.browser.get("/api/v1/results?sample=E-7")).json()["rows"]
        assert [row["run"] for row in found] == [run]
        assert found[0]["operator"] == own_login()
        assert run in (await bench.browser.get("/results")).text
        assert "E-7" in (await bench.browser.get(f"/results/{run}")).text
        await bench.until_live(lambda b: b["reading"]["still"] is True)
        await bench.command("next")


async def test_an_old_page_changes_nothing(tmp_path):
    async with PagedShift(tmp_path) as bench:
        response = await bench.post(f"/bench/{BENCH}/command", command="confirm")
        assert response.status_code == 303
        again = await bench.post(f"/bench/{BENCH}/command", command="confirm", seen="0")
        assert again.status_code == 409
        assert "The bench has changed in the meantime. Nothing was done." in again.text


@pytest.mark.parametrize("phase", ["starting", "conditioning", "measuring"])
async def test_a_paired_bench_stops_in_each_phase_without_a_log_in(tmp_path, phase):
    async with PagedShift(tmp_path, people=True) as bench:
        lab = bench.supervisor.laboratory(own_login())
        carry_out(lab, "person_add", {"id": "boss", "role": "administer", "logins": [own_login()]})
        cookies = bench.parts.cookies
        bench.browser.cookies.set(cookies.name("bench"), cookies.pairing(BENCH), "127.0.0.1", "/")
        active = await bench.begin("long")
        if phase != "starting":
            await bench.until(lambda: active.runner.pipeline.state.value not in ("connecting", "starting"))
        if phase == "measuring":
            await bench.until(lambda: active.runner.pipeline.state == "measuring")
        response = await bench.post(f"/bench/{BENCH}/stop")
        assert response.status_code == 303  # taken at once
        assert (await active.task).outcome == "stopped"
        await bench.until_live(lambda b: b["reading"]["still"] is True)
        # Nothing else is open to the screen of a paired bench.
        assert (await bench.post(f"/bench/{BENCH}/command", command="confirm")).status_code == 401
        assert (await bench.browser.get("/api/v1/results")).status_code == 401


async def test_a_person_logs_in_over_the_socket_and_measures_by_the_ticket(tmp_path, monkeypatch):
    cheap_hashes(monkeypatch)
    async with PagedShift(tmp_path, people=True) as bench:
        lab = bench.supervisor.laboratory(own_login())
        carry_out(lab, "person_add", {"id": "boss", "role": "administer", "logins": [own_login()]})
        carry_out(lab, "person_add", {"id": "kim", "role": "measure", "password": "correct horse 7"})
        carry_out(lab, "sample_add", {"id": "E-7", "product": "engobe"})
        # The login of this process is that of `boss`; the page must not act as boss.
        assert (await bench.browser.get(f"/bench/{BENCH}")).headers["location"] == f"/log-in?next=%2Fbench%2F{BENCH}"
        session = (await bench.browser.get("/api/v1/session")).json()
        form = {"csrf": session["csrf"], "person": "kim", "password": "correct horse 7", "next": f"/bench/{BENCH}"}
        assert (await bench.browser.post("/log-in", data=form)).headers["location"] == f"/bench/{BENCH}"
        await bench.command("confirm")
        await bench.command("confirm")
        await bench.name("E-7")
        await bench.command("confirm")
        done = await bench.until_live(lambda b: b["view"]["stage"] == "verdict")
        (row,) = (await bench.browser.get("/api/v1/results?sample=E-7")).json()["rows"]
        assert (row["run"], row["operator"]) == (done["view"]["run"], "kim")
        assert row["attribution"] != "unattributed"
