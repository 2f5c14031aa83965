"""Every form of the desk by every role over measured runs: who may do it does it, and no one else changes anything."""

import json
import re

import pytest

from daq.app.laboratory.acts import ACTS
from daq.laboratory.people import ROLES, includes
from daq.page.work.formtable import FORMS
from tests.page.test_desk_forms import POSTS
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
    }[name]
    return POSTS[f"{name}_send"].path.format(run=run), given


#: Forms that the records of this laboratory refuse to every person, each with a part of the sentence.
REFUSED = {
    "repeat_assign": "no assigned cause|not registered",
    "chart_fix": "limits are fixed from at least|there is no",
    "report_chart": "no points|there is no",
    "report_certificate": "certificate|release",
}


async def test_every_form_by_every_role(tmp_path, bench):
    measured, runs = bench
    for name in [*FORMS, "sample_import"]:
        need = POSTS[f"{name}_send"].need
        for role in ROLES:
            folder = tmp_path / f"{name}-{role}"
            folder.mkdir()
            with signing_lab(measured, runs, folder) as signing:
                lab = signing.lab
                signing.do("person_add", "c.head", id="d.guest", role="look", password=PASSWORD)
                for ident in ("G-1", "G-2"):
                    signing.do("sample_add", "c.head", id=ident)
                signing.do("sample_cancel", "c.head", id="G-2", because="spilled")
                signing.do("equipment_out", "c.head", piece="bench-2", because="dented")
                verify(lab.store, "check-1", passed=False)
                async with Page(lab, people=True) as page:
                    browser = await page.browser(PEOPLE[role])
                    with lab.reader() as reader:
                        before = reader.audit()[-1].seq
                    path, form = fields(name, runs)
                    response = await page.send(browser, "POST", path, form)
                    with lab.reader() as reader:
                        after = [e for e in reader.audit(after=before) if not e.what.startswith("login")]
                about = (
                    name,
                    role,
                    response.status_code,
                    re.findall(r'role="alert">(.*?)</div>', response.text, re.DOTALL),
                )
                if not includes(role, need):
                    assert (response.status_code, after) == (403, []), about
                elif name in REFUSED:
                    assert response.status_code == 422, about
                    assert re.search(REFUSED[name], response.text), about
                    assert after == [], about
                elif name == "sign_measured" and role != "measure":
                    assert response.status_code == 422, about  # another person measured it
                else:
                    assert response.status_code in (200, 303), about
                    assert after, about
                    assert PEOPLE[role] in {e.who for e in after}, about
                    if FORMS.get(name) and FORMS[name].pdf:
                        assert response.content.startswith(b"%PDF"), about
                        assert re.fullmatch(
                            r'attachment; filename="[A-Za-z0-9-]+\.pdf"', response.headers["content-disposition"]
                        )


async def test_a_signature_needs_the_password_and_what_was_seen(tmp_path, bench):
    measured, runs = bench
    with signing_lab(measured, runs, tmp_path) as signing:
        async with Page(signing.lab, people=True) as page:
            browser = await page.browser("a.novak")
            text = (await browser.get("/review?since=2020-01-01&meaning=reviewed")).text
            records = dict(re.findall(r'name="(record\.\d+)" value="([^"]+)"', text))
            assert len(records) == len(runs)
            order = {"meaning": "reviewed", "since": "2020-01-01"} | records
            for form in (order, order | {"password": "wrong"}):
                response = await page.send(browser, "POST", "/review/sign", form)
                assert response.status_code in (403, 422)
                assert "password" in response.text
            stale = order | {"record.0": records["record.0"].replace("|", "|0", 1), "password": PASSWORD}
            response = await page.send(browser, "POST", "/review/sign", stale)
            assert "not as it was when you looked at it" in response.text
            response = await page.send(browser, "POST", "/review/sign", order | {"password": PASSWORD})
            assert response.status_code == 303
            assert "Signed." in (await browser.get(response.headers["location"])).text
            assert "wrong" not in json.dumps(dict(response.headers))
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
