"""The screen of a trial: hostile lines are harmless, and the description is a file and nothing else."""

import re

import pytest

from daq.app.daemon.trials.trial_file import TrialFinding, TrialReport, report_of, write_report
from daq.laboratory.people import ROLES
from daq.page.texts.texts import LANGUAGES
from tests.page.visiting import HOSTILE, MARKUP, Page
from tests.support.laboratories import laboratory, staffed

pytestmark = pytest.mark.asyncio


def report(**more):
    about = {"id": "t", "kind": "kiln-scale", "port": "/dev/ttyUSB7", "began_utc_ns": 0} | more
    return TrialReport(**about)


@pytest.mark.slow
async def test_hostile_lines_are_shown_harmlessly_in_each_language(tmp_path):
    with laboratory(tmp_path) as lab:
        finding = TrialFinding(name=HOSTILE, outcome="failed", message=HOSTILE, do=HOSTILE)
        shown = report(
            stage="done", received=9, lines=(HOSTILE,), remarks=(HOSTILE,), description=HOSTILE, findings=(finding,)
        )
        write_report(tmp_path, shown)
        async with Page(lab, people=False) as page:
            browser = await page.browser()
            for language in LANGUAGES:
                browser.cookies.set(page.parts.cookies.name("look"), f"{language}.dark", "127.0.0.1", "/")
                text = (await browser.get("/health/trial")).text
                assert text.count("alert(1)") >= 6
                assert MARKUP not in text
                assert "<img" not in text


@pytest.mark.slow
async def test_the_description_is_sent_as_a_file_and_not_written_into_the_configuration(tmp_path):
    with laboratory(tmp_path) as lab:
        async with Page(lab, people=False) as page:
            browser = await page.browser()
            address = "/health/trial/description.toml"
            assert (await browser.get(address)).status_code == 404
            write_report(tmp_path, report(stage="describing"))
            assert (await browser.get(address)).status_code == 404
            before = sorted(str(p) for p in lab.catalogue.folder.rglob("*"))
            write_report(tmp_path, report(stage="done", description='kind = "kiln-scale"\n'))
            found = await browser.get(address)
            assert found.text == 'kind = "kiln-scale"\n'
            assert found.headers["content-disposition"] == 'attachment; filename="kiln-scale.toml"'
            assert found.headers["content-type"] == "text/plain; charset=utf-8"
            assert sorted(str(p) for p in lab.catalogue.folder.rglob("*")) == before


async def test_a_form_of_a_person_who_administers_begins_a_trial_and_a_wrong_field_begins_none(tmp_path):
    started = []

    class Trials:
        def start(self, order, _utc_ns, audit):
            audit("t")
            started.append(order)
            return "t"

    form = {"kind": "kiln-scale", "port": "/dev/ttyUSB7", "baud": "4800", "frame": "7E2", "send": "P", "seconds": "5"}
    form |= {"end": "\\r"}
    wrong = ({"frame": "9N1"}, {"frame": HOSTILE}, {"baud": "x"}, {"seconds": "99"}, {"kind": HOSTILE}, {"kind": ""})
    with staffed(tmp_path) as lab:
        async with Page(lab, people=True) as page:
            page.daemon.lab.trials = Trials()
            boss = await page.browser("administer")
            for fields in wrong:
                refused = await page.send(boss, "POST", "/health/trial", form | fields)
                assert refused.status_code == 422, fields
                assert MARKUP not in refused.text
            for role in ROLES[:-1]:
                browser = await page.browser(role)
                assert (await page.send(browser, "POST", "/health/trial", form)).status_code == 403
                assert (await browser.get("/health/trial")).status_code == 403
            assert started == []
            done = await page.send(boss, "POST", "/health/trial", form)
            assert (done.status_code, done.headers["location"]) == (303, "/health/trial?done=started")
            write_report(
                tmp_path, report_of(started[0], "t", 0).model_copy(update={"stage": "done", "description": "a = 1\n"})
            )
            text = (await boss.get("/health/trial")).text
            sent = dict(
                re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)"', text.partition("<h2>Description")[2])
            )
            sent |= {"description": "a = 2\r\n", "captured": "1"}
            assert (await page.send(boss, "POST", "/health/trial", sent)).status_code == 303
            assert (await page.send(boss, "POST", "/health/trial", sent | {"captured": ""})).status_code == 303
            long = await page.send(boss, "POST", "/health/trial", sent | {"description": "x" * 70_000})
            assert long.status_code == 422
    order, again, at_port = started
    assert again == order.model_copy(update={"description": "a = 2\n", "captured": True, "of": "t"})
    assert at_port == order.model_copy(update={"description": "a = 2\n"})
    assert (order.baud, order.data_bits, order.parity, order.stop_bits) == (4800, 7, "E", 2)
    assert (order.send, order.end, order.seconds) == ("P", "\\r", 5)
