"""The forms of the desk: their orders, their roles, and what they do, without scripts."""

import csv
import io
import re

import pytest

from daq.app.daemon.queries.desk_asked import SAMPLE_COLUMNS
from daq.app.laboratory.acts import ACTS
from daq.app.laboratory.lists.sample_lists import COLUMNS
from daq.core.errors import SettingError
from daq.laboratory.samples import Sample
from daq.methods.files.load import parse
from daq.page.routetable import ROUTES
from daq.page.work.deskforms import HANDLERS, safe_name
from daq.page.work.deskviews import VIEWS
from daq.page.work.formtable import FORMS
from tests.page.desk_fields import POSTS, WHOLE
from tests.page.visiting import HOSTILE, Page
from tests.support.laboratories import laboratory, staffed


def test_every_form_has_a_route_with_the_role_of_its_act_and_a_view():
    assert set(WHOLE) == set(FORMS)
    assert {f"{name}_send" for name in FORMS} | {"sample_import_send"} == set(POSTS)
    for name, form in FORMS.items():
        route = POSTS[f"{name}_send"]
        assert (route.need, route.template) == (ACTS[form.act].role, VIEWS[form.view].template), name
    assert POSTS["sample_import_send"].need == ACTS["sample_import"].role
    served = {r.handler for r in ROUTES}
    assert set(HANDLERS) <= served


@pytest.mark.parametrize("name", FORMS)
def test_the_order_of_a_form_is_one_of_its_act(name):
    parse(ACTS[FORMS[name].act].order, FORMS[name].order(WHOLE[name]))
    assert FORMS[name].back(WHOLE[name]).startswith("/")


@pytest.mark.parametrize("name", FORMS)
def test_hostile_and_missing_fields_are_refused_in_a_sentence(name):
    whole = WHOLE[name]
    for given in (
        {},
        dict.fromkeys(whole, HOSTILE),
        *({k: v for k, v in whole.items() if k != gone} for gone in whole),
    ):
        back = FORMS[name].back(given)
        assert back.startswith("/")
        assert HOSTILE not in back
        try:
            order = FORMS[name].order(given)
        except SettingError:
            continue
        assert isinstance(order, dict)


def test_a_change_orders_only_what_differs_from_what_was_shown():
    change = {"id": "G-1", "because": "read again", "was.lot": "7", "lot": "8", "was.remark": "x", "remark": "x"}
    assert FORMS["sample_change"].order(change) == {"id": "G-1", "because": "read again", "lot": "8"}
    with pytest.raises(SettingError, match="no value differs"):
        FORMS["run_correct"].order({"run": "r", "because": "b", "was.lot": "7", "lot": "7"})


def test_names_of_files_have_letters_digits_and_hyphens_only():
    for text in (HOSTILE, "../../etc/passwd", "", "Prüfbericht 7", "a" * 500, "\r\nX: y", "\u202egpj.exe"):
        assert re.fullmatch(r"[A-Za-z0-9-]{1,60}", safe_name(text)), text


def test_the_columns_that_a_person_sees_are_those_of_the_import():
    assert set(SAMPLE_COLUMNS) == set(COLUMNS) - {"state"}


def stored(lab, ident):
    with lab.reader():
        found = lab.found(Sample, ident)
    return None if found is None else found.record


@pytest.mark.asyncio
async def test_samples_are_added_changed_cancelled_and_imported_by_forms(tmp_path):
    with laboratory(tmp_path) as lab:
        async with Page(lab, people=False) as page:
            browser = await page.browser()

            async def send(path, **form):
                return await page.send(browser, "POST", path, form)

            added = await send("/samples/new", id="G-1", product="white-glaze", lot="7", retain="shelf 3")
            assert (added.status_code, added.headers["location"]) == (303, "/sample?id=G-1&done=added")
            shown = (await browser.get(added.headers["location"])).text
            assert "The sample is added." in shown
            was = dict(re.findall(r'name="(was\.[a-z_]+)" value="([^"]*)"', shown))
            assert was["was.retain"] == "shelf 3"
            same = {name.removeprefix("was."): value for name, value in was.items()}
            await send("/sample/change", id="G-1", because="read again", **was, **(same | {"lot": "8"}))
            assert (stored(lab, "G-1").lot, stored(lab, "G-1").retained.place) == ("8", "shelf 3")
            refused = await send("/samples/new", id="G-1", product="no-glaze", remark="kept <b>")
            assert refused.status_code == 422
            assert refused.text.count("<li>") >= 2
            assert "kept &lt;b&gt;" in refused.text
            for path, state in (("cancel", "cancelled"), ("again", "open")):
                await send(f"/sample/{path}", id="G-1", because="spilled")
                assert stored(lab, "G-1").state == state
            wrong = await send("/samples/import", text="id,product\nG-1,\nG-2,no-glaze\n", step="store")
            assert wrong.status_code == 422
            assert "Line 2, Id: There is a sample G-1 already." in wrong.text
            assert "Line 3, Product: There is no product no-glaze." in wrong.text
            assert stored(lab, "G-2") is None
            lines = "id,product\nG-2,white-glaze\nG-3,\n"
            preview = await send("/samples/import", text=lines)
            assert (preview.status_code, stored(lab, "G-2")) == (200, None)
            assert "Add 2 samples" in preview.text
            done = await send("/samples/import", text=lines, step="store")
            assert (done.status_code, stored(lab, "G-2").product) == (303, "white-glaze")
            rows = list(csv.DictReader(io.StringIO((await browser.get("/samples.csv")).text)))
            assert [row["id"] for row in rows] == ["G-1", "G-2", "G-3"]
            out = await send("/equipment/out", piece="bench-1", because="dented")
            assert (out.status_code, out.headers["location"]) == (303, "/equipment?piece=bench-1&done=out")
            assert "out of service: dented" in (await browser.get("/equipment")).text


@pytest.mark.asyncio
async def test_a_form_is_shown_to_persons_who_may_send_it(tmp_path):
    with staffed(tmp_path) as lab:
        async with Page(lab, people=True) as page:
            found = {}
            for role in ("look", "measure", "review"):
                browser = await page.browser(role)
                text = (await browser.get("/equipment?piece=bench-1")).text
                found[role] = sorted(set(re.findall(r'action="/equipment/(\w+)"', text)))
    assert found == {"look": [], "measure": ["out"], "review": ["calibrated", "out"]}
