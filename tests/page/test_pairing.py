"""A browser is paired with a bench by an address that is good once, within an hour; without people, only it starts runs."""

import random
import string
import subprocess

import httpx
import pytest
import structlog

from daq.adapters.paths import examples_dir
from daq.core.errors import SettingError
from daq.page.application import make_parts
from daq.page.routetable import ROUTES, permits
from daq.page.server import serve_page
from daq.page.settings import PageSettings
from daq.page.texts.texts import LANGUAGES, Texts
from daq.page.visits.pairing import GOOD_S, PairingCodes
from daq.process.pagechild import page_command
from tests.page.visiting import BENCH, KEY, ORIGIN, Page
from tests.support.laboratories import laboratory, staffed


class Clock:
    now = 1_800_000_000.0

    def __call__(self):
        return self.now


def test_a_code_is_good_once_for_its_bench_and_for_an_hour():
    clock = Clock()
    codes = PairingCodes(KEY, clock)
    code = codes.made(BENCH)
    assert not codes.take("bench-2", code)
    assert codes.take(BENCH, code)
    assert not codes.take(BENCH, code)
    for wait, good in ((GOOD_S - 1, True), (GOOD_S, False)):
        clock.now += 7200.0
        code = codes.made(BENCH)
        clock.now += wait
        assert codes.take(BENCH, code) == good
    assert not PairingCodes(b"x" * 32, clock).take(BENCH, codes.made(BENCH))


def test_no_changed_code_is_taken():
    rng, codes = random.Random(13), PairingCodes(KEY, Clock())
    code = codes.made(BENCH)
    for _ in range(500):
        place = rng.randrange(len(code))
        change = rng.choice(string.hexdigits[:16] + "-é x")
        wrong = rng.choice((code[:place] + change + code[place + 1 :], code[:place], code[place:], code + change))
        if wrong != code:
            assert not codes.take(BENCH, wrong), wrong
    assert codes.take(BENCH, code)


@pytest.mark.parametrize("paired", ["", BENCH, "bench-2"])
def test_without_people_only_the_screen_of_a_bench_has_its_work(paired):
    for route in ROUTES:
        bench = BENCH if "{bench}" in route.path else ""
        allowed = permits(route.need, role=None, people=False, paired=paired, bench=bench)
        assert allowed == (route.need != "work" or paired == BENCH), route


@pytest.mark.slow
@pytest.mark.asyncio
@pytest.mark.parametrize("language", LANGUAGES)
async def test_the_screen_says_how_to_pair_and_offers_work_only_then(tmp_path, language):
    t = Texts(language)
    with laboratory(tmp_path) as lab:
        async with Page(lab, people=False) as page:
            browser = await page.browser()
            browser.cookies.set(page.parts.cookies.name("look"), f"{language}.dark", "127.0.0.1", "/")
            text = (await browser.get(f"/bench/{BENCH}")).text
            assert t("bench.elsewhere.unpaired", bench=BENCH) in text
            assert t("frame.pair", bench=BENCH) in text
            assert 'name="command"' not in text
            assert text.count(" disabled") >= 2
            assert f'action="/bench/{BENCH}/stop"' in text
            code = page.parts.codes.made(BENCH)
            assert (await browser.get(f"/pair/bench-2/{code}")).status_code == 403
            answer = await browser.get(f"/pair/{BENCH}/{code}")
            assert (answer.status_code, answer.headers["location"]) == (303, f"/bench/{BENCH}")
            text = (await browser.get(f"/bench/{BENCH}")).text
            assert t("bench.elsewhere.unpaired", bench=BENCH) not in text
            assert 'name="command"' in text
            assert " disabled" not in text
            # The same browser may follow its address again, another one may not.
            assert (await browser.get(f"/pair/{BENCH}/{code}")).status_code == 303
            other = await page.browser()
            other.cookies.set(page.parts.cookies.name("look"), f"{language}.dark", "127.0.0.1", "/")
            refused = await other.get(f"/pair/{BENCH}/{code}")
            assert t("error.pairing_over", bench=BENCH) in refused.text
            sent = await page.send(other, "POST", f"/bench/{BENCH}/command", {"command": "confirm", "seen": "3"})
            assert sent.status_code == 403
            assert t("error.not_paired", bench=BENCH) in sent.text
            assert refused.status_code == 403
            assert not any("bench" in c for c in refused.headers.get_list("set-cookie"))


@pytest.mark.slow
def test_a_page_prints_an_address_that_pairs_the_browser_which_opens_it(tmp_path):
    command = page_command(config=str(examples_dir()), state=str(tmp_path), listen="127.0.0.1:0", pair="bench é")
    process = subprocess.Popen([*command, "--log", "critical"], stdout=subprocess.PIPE, text=True)
    try:
        page, address = (process.stdout.readline().removeprefix("open ").strip() for _ in range(2))
        assert address.startswith(f"{page}/pair/bench%20%C3%A9/")
        answer = httpx.get(address, timeout=60)
        assert (answer.status_code, answer.headers["location"]) == (303, "/bench/bench%20%C3%A9")
        assert answer.cookies
        assert httpx.get(address, timeout=60).status_code == 403
    finally:
        process.terminate()
        process.wait(60)
        process.stdout.close()


@pytest.mark.asyncio
async def test_no_cookie_of_the_page_but_a_pairing_pairs(tmp_path):
    """A person in the role measure stops and copies each cookie, and each token, into that of a pairing."""
    with staffed(tmp_path) as lab:
        async with Page(lab, people=True) as page:
            browser = await page.browser("measure")
            await page.send(browser, "POST", f"/bench/{BENCH}/stop")
            assert page.daemon.stopped == [BENCH]
            cookies = page.parts.cookies
            taken = browser.cookies[cookies.name("taken")]
            assert f"{Texts('en')('bench.stop.taken')}." in (await browser.get(f"/bench/{BENCH}")).text
            name = cookies.pairing(BENCH).partition(".")[0]
            for value in (taken, *browser.cookies.values(), page.csrf(browser)):
                for copied in (value, f"{name}.{value}", f"{name}.{value.rpartition('.')[2]}"):
                    assert cookies.paired({cookies.name("bench"): copied}) == ""
            assert cookies.paired({cookies.name("bench"): cookies.pairing(BENCH)}) == BENCH


@pytest.mark.asyncio
@pytest.mark.parametrize("person", ["", "look", "measure", "review", "administer"])
async def test_with_people_a_code_pairs_only_for_a_person_who_administers(tmp_path, person):
    with staffed(tmp_path) as lab:
        async with Page(lab, people=True) as page:
            browser = await page.browser(person)
            answer = await browser.get(f"/pair/{BENCH}/{page.parts.codes.made(BENCH)}")
            paired = page.parts.cookies.paired(browser.cookies) == BENCH
            assert (answer.status_code, paired) == ((303, True) if person == "administer" else (403, False))


def test_a_code_of_an_earlier_process_is_over(tmp_path):
    """A used code is known to its process alone, and the signing key of the page outlives it."""
    settings = PageSettings(socket=tmp_path / "s", port=1, signing_key=KEY)
    before, after = make_parts(settings), make_parts(settings)
    assert not after.codes.take(BENCH, before.codes.made(BENCH))
    assert after.codes.take(BENCH, after.codes.made(BENCH))
    assert after.cookies.paired({after.cookies.name("bench"): before.cookies.pairing(BENCH)}) == BENCH


@pytest.mark.asyncio
async def test_a_fault_logs_no_code(tmp_path, monkeypatch):
    with laboratory(tmp_path) as lab:
        async with Page(lab, people=False) as page:
            transport = httpx.ASGITransport(page.app, raise_app_exceptions=False)
            code = page.parts.codes.made(BENCH)
            monkeypatch.setattr(PairingCodes, "take", lambda *_: 1 / 0)
            async with httpx.AsyncClient(transport=transport, base_url=ORIGIN) as browser:
                with structlog.testing.capture_logs() as logs:
                    assert (await browser.get(f"/pair/{BENCH}/{code}")).status_code == 500
            assert [entry["path"] for entry in logs] == ["/pair/{bench}/{code}"]
            assert code not in repr([entry | {"exc_info": ""} for entry in logs])


@pytest.mark.asyncio
async def test_where_persons_log_in_a_code_gives_no_more_than_a_pairing_and_none_is_printed(tmp_path):
    with staffed(tmp_path) as lab:
        async with Page(lab, people=True) as page:
            browser = await page.browser()
            assert (await browser.get(f"/pair/{BENCH}/0-0")).status_code == 403
    settings = PageSettings(socket=tmp_path / "s", signing_key=KEY, people=True)
    with pytest.raises(SettingError, match="a person who administers pairs"):
        await serve_page(settings, pair=BENCH)
