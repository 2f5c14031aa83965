"""Every form of the desk by every role over measured runs: who may do it does it, and no one else changes anything."""

import itertools
import re
import sqlite3
from contextlib import closing, contextmanager
from dataclasses import replace

import pytest

from daq.adapters.store.store import Store
from daq.app.laboratory.acts import ACTS
from daq.laboratory.people import ROLES, includes
from daq.page.work.formtable import FORMS
from tests.bench_flow.parts import with_flows
from tests.page.desk_fields import POSTS
from tests.page.visiting import Page
from tests.support.signed_laboratories import PASSWORD, measured_bench, signing_lab, verify

pytestmark = [pytest.mark.asyncio, pytest.mark.slow, pytest.mark.timeout(600)]
PEOPLE = {"look": "d.guest", "measure": "m.keeper", "review": "a.novak", "administer": "c.head"}


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    return measured_bench(tmp_path_factory.mktemp("measured"))


def fields(name, runs):
    """Return the path of a form and its fields."""
    run = runs[1]
    given = {
        "sample_add": {"id": "G-9"},
        "sample_change": {"id": "G-1", "lot": "8", "was.lot": "", "because": "read again"},
        "sample_cancel": {"id": "G-1", "because": "spilled"},
        "sample_again": {"id": "G-2", "because": "found"},
        "sign_measured": {"record.0": f"run||{run}", "password": PASSWORD},
        "sign": {"record.0": f"run||{run}", "password": PASSWORD, "meaning": "rejected", "because": "a bubble"},
        "repeat_assign": {"run": run, "cause": "bubbles", "because": "seen"},
        "doubt_decide": {"run": run, "verification": "check-1", "decision": "upheld", "because": "measured again"},
        "note_add": {"text": "cup was chipped"},
        "run_correct": {"lot": "L9", "was.lot": "", "because": "mistyped"},
        "run_annul": {"because": "a bubble"},
        "chart_fix": {"product": "clear-glaze", "last": "25", "because": "in control"},
        "equipment_out": {"piece": "bench-1", "because": "dented"},
        "equipment_back": {"piece": "bench-2", "because": "mended"},
        "equipment_calibrated": {"piece": "bench-3", "certificate": "C-7", "day": "2020-01-07"},
        "report_record": {"of": run},
        "report_certificate": {"of": run},
        "report_day": {"day": "2026-09-22"},
        "report_chart": {"product": "clear-glaze", "last": "25"},
        "sample_import": {"text": "id\nG-7\n", "step": "store"},
        "token_revoke": {"id": "registry", "because": "replaced"},
        "driver_trial": {"kind": "kiln-scale", "port": "/dev/kiln", "frame": "8N1", "baud": "9600", "seconds": "5"},
    }[name]
    return POSTS[f"{name}_send"].path.format(run=run), given


#: Forms that the records of this laboratory refuse to every person, each with a part of the sentence.
REFUSED = {
    "repeat_assign": "no assigned cause|not registered",
    "chart_fix": "Limits are fixed from at least|There is no",
    "report_certificate": "certificate|release",
    "report_chart": "The chart has no points",  # the failed verification puts all values in doubt
}


@pytest.fixture(scope="module")
def furnished(tmp_path_factory, bench):
    """A laboratory on whose copies the forms are sent; to make it once saves the hashing of passwords."""
    measured, runs = bench
    folder = tmp_path_factory.mktemp("furnished")
    with signing_lab(measured, runs, folder) as signing:
        signing.do("person_add", "c.head", id="d.guest", role="look", password=PASSWORD)
        for ident in ("G-1", "G-2"):
            signing.do("sample_add", "c.head", id=ident)
        signing.do("sample_cancel", "c.head", id="G-2", because="spilled")
        signing.do("token_add", "c.head", id="registry", role="look")
        signing.do("equipment_out", "c.head", piece="bench-2", because="dented")
        verify(signing.lab.store, "check-1", passed=False)
        yield signing.lab


@contextmanager
def copied(lab, folder):
    """Open a copy of a laboratory."""
    folder.mkdir()
    with closing(sqlite3.connect(lab.store.path)) as source, closing(sqlite3.connect(folder / "daq.db")) as copy:
        source.backup(copy)
    with Store(folder / "daq.db") as store:
        yield replace(lab, store=store)


async def sent(page, lab, name, role, runs):
    """Send a form as a person of a role; return the answer and the new entries of the audit trail."""
    page.daemon.lab = replace(with_flows(lab), login="the-page")
    browser = await page.browser(PEOPLE[role])
    with lab.reader() as reader:
        before = reader.audit()[-1].seq
    path, form = fields(name, runs)
    response = await page.send(browser, "POST", path, form)
    with lab.reader() as reader:
        return response, reader.audit(after=before)


async def test_every_form_by_every_role(tmp_path, bench, furnished):
    _, runs = bench
    async with Page(furnished, people=True) as page:
        for name, role in itertools.product([*FORMS, "sample_import"], ROLES):
            need = POSTS[f"{name}_send"].need
            if not includes(role, need):
                response, after = await sent(page, furnished, name, role, runs)
                assert (response.status_code, after) == (403, []), (name, role)
                continue
            with copied(furnished, tmp_path / f"{name}-{role}") as lab:
                response, after = await sent(page, lab, name, role, runs)
            about = (
                name,
                role,
                response.status_code,
                re.findall(r'role="alert">(.*?)</div>', response.text, re.DOTALL),
            )
            if name in REFUSED:
                assert response.status_code == 422, about
                assert re.search(REFUSED[name], response.text), about
                assert after == [], about
            elif name == "sign_measured" and role != "measure":
                assert (response.status_code, after) == (422, []), about  # another person measured it
            else:
                assert response.status_code in (200, 303), about
                assert PEOPLE[role] in {e.who for e in after}, about
                if name in FORMS and FORMS[name].pdf:
                    assert response.content.startswith(b"%PDF"), about
                    named = response.headers["content-disposition"]
                    assert re.fullmatch(r'attachment; filename="[A-Za-z0-9-]+\.pdf"', named), named


async def test_a_signature_needs_the_password_and_what_was_seen(tmp_path, bench):
    measured, runs = bench
    with signing_lab(measured, runs, tmp_path) as signing:
        async with Page(signing.lab, people=True) as page:
            browser = await page.browser("a.novak")
            text = (await browser.get("/review?since=2020-01-01&meaning=reviewed")).text
            records = dict(re.findall(r'name="(record\.\d+)" value="([^"]+)"', text))
            assert len(records) == len(runs)
            order = {"meaning": "reviewed", "since": "2020-01-01"} | records
            for person, form in (("b.lind", order), ("c.head", order | {"password": "wrong"})):
                response = await page.send(await page.browser(person), "POST", "/review/sign", form)
                assert response.status_code in (403, 422)
                assert signing.messages("signature") == []
            stale = order | {"record.0": records["record.0"].replace("|", "|0", 1), "password": PASSWORD}
            response = await page.send(browser, "POST", "/review/sign", stale)
            assert "is not as it was when you looked at it" in response.text
            response = await page.send(browser, "POST", "/review/sign", order | {"password": PASSWORD})
            assert response.status_code == 303
            assert "Signed." in (await browser.get(response.headers["location"])).text
        assert len(signing.messages("signature")) == len(runs)


async def test_a_correction_that_changes_a_value_is_left_to_a_person_who_reviews(tmp_path, bench):
    measured, runs = bench
    assert ACTS["run_correct"].role == "measure"
    for person, status in (("m.keeper", 403), ("a.novak", 303)):
        folder = tmp_path / person
        folder.mkdir()
        with signing_lab(measured, runs, folder) as signing:
            async with Page(signing.lab, people=True) as page:
                browser = await page.browser(person)
                form = {"geometry": "coaxial-15", "was.geometry": "coaxial-12", "because": "the other cylinder"}
                response = await page.send(browser, "POST", f"/results/{runs[0]}/correct", form)
                assert response.status_code == status
                with signing.lab.reader() as reader:
                    assert len(reader.results(runs[0])) == (1 if status == 403 else 2)
