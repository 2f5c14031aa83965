"""The form of a certificate, accepted: a released run or sample gets one, its file is the one that is registered, and it is withdrawn with its result."""

import hashlib
import html
import io
import re

import pypdf
import pytest

from tests.page.visiting import Page
from tests.support.laboratories import cheap_hashes
from tests.support.signed_laboratories import SAMPLES, measured_bench, signing_lab

pytestmark = [pytest.mark.asyncio, pytest.mark.slow, pytest.mark.timeout(600)]
CUSTOMER = "Tile works <Kiln & Co>"


def text_of(content):
    return " ".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(content)).pages)


@pytest.fixture(autouse=True)
def _cheap(monkeypatch):
    cheap_hashes(monkeypatch)


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    return measured_bench(tmp_path_factory.mktemp("measured"))


async def test_a_released_run_gets_its_certificate_by_the_form(measured, tmp_path):
    with signing_lab(*measured, tmp_path) as signing:
        run, other = signing.runs[:2]
        signing.sign(run)
        async with Page(signing.lab, people=True) as page:
            reviewer, keeper = await page.browser("a.novak"), await page.browser("m.keeper")
            assert 'action="/reports/certificate"' in (await reviewer.get("/reports")).text
            assert 'action="/reports/certificate"' not in (await keeper.get("/reports")).text
            form = {"of": run, "customer": CUSTOMER}
            assert (await page.send(keeper, "POST", "/reports/certificate", form)).status_code == 403
            # Not released: refused in words, and what was typed stays.
            refused = await page.send(reviewer, "POST", "/reports/certificate", form | {"of": other})
            assert refused.status_code == 422
            assert 'value="Tile works &lt;Kiln &amp; Co&gt;"' in refused.text
            made = await page.send(reviewer, "POST", "/reports/certificate", form)
            assert made.status_code == 200, made.text
            assert made.headers["content-type"] == "application/pdf"
            text = text_of(made.content)
            assert CUSTOMER in text
            assert SAMPLES[0] in text
            (name,) = re.fullmatch(
                r'attachment; filename="([A-Za-z0-9-]+)\.pdf"', made.headers["content-disposition"]
            ).groups()
            listed = (await reviewer.get("/reports")).text
            (number,) = re.findall(r"report=[^\"]+\">([^<]+)</a>", listed)
            assert number in text
            assert number.replace("/", "-") in name
            # The file is the one that is registered; a file that was changed is found by nothing.
            digest = hashlib.sha256(made.content).hexdigest()
            traced = await reviewer.get(f"/reports/trace?report={digest}")
            assert traced.status_code == 200
            assert number in traced.text
            changed = hashlib.sha256(made.content + b" ").hexdigest()
            assert number not in (await reviewer.get(f"/reports/trace?report={changed}")).text
            # The button of the list sends the same certificate again; after a correction it is withdrawn.
            again = await page.send(reviewer, "POST", "/reports/certificate", {"of": run})
            assert again.status_code == 200
            signing.correct(run, lot="L-9", person="c.head")
            assert "superseded" in (await reviewer.get(f"/reports/trace?report={digest}")).text.lower()
            refused = await page.send(reviewer, "POST", "/reports/certificate", form)
            assert refused.status_code == 422  # the corrected result is not released yet


@pytest.mark.parametrize("rejected", ["report", "run", "reportable"])
async def test_the_trace_of_a_rejected_certificate_leads_to_the_review_that_lifts_it(measured, tmp_path, rejected):
    with signing_lab(*measured, tmp_path, required=False) as signing:
        signing.keep(*SAMPLES)
        made = signing.do("certificate_release", of=SAMPLES[1])["id"]
        subject = {"report": made, "run": signing.runs[1], "reportable": f"{SAMPLES[1]}/clear-glaze-qc"}[rejected]
        async with Page(signing.lab, people=False) as page:
            reader = await page.browser()

            async def links():
                traced = (await reader.get(f"/reports/trace?report={made}")).text
                return [html.unescape(link) for link in re.findall(r'href="(/review\?meaning=reviewed[^"]*)"', traced)]

            assert await links() == []
            signing.sign(subject, of=rejected, meaning="rejected", because="wrong value", person="b.lind")
            (link,) = await links()
            assert f'value="{rejected}|' in (await reader.get(link)).text
            signing.sign(subject, of=rejected, meaning="reviewed", because="the limit was misread", person="b.lind")
            assert await links() == []


async def test_a_sample_gets_the_certificate_of_its_reportable_value(measured, tmp_path):
    with signing_lab(*measured, tmp_path) as signing:
        signing.keep(*SAMPLES)
        signing.sign(f"{SAMPLES[1]}/clear-glaze-qc", of="reportable")
        async with Page(signing.lab, people=True) as page:
            reviewer = await page.browser("a.novak")
            made = await page.send(reviewer, "POST", "/reports/certificate", {"of": SAMPLES[1], "customer": ""})
            assert made.status_code == 200, made.text
            assert SAMPLES[1] in text_of(made.content)
