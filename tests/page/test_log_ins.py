"""Log-ins at the page: tickets instead of passwords, slow after failures, locked by address; no secret is repeated."""

from random import Random

import pytest
import structlog

from daq.app.laboratory.acts import carry_out
from daq.app.laboratory.log_ins import IDLE_NS, LIFE_NS, MOST, Tickets
from daq.page.visits.attempts import ADDRESS, BADGE, LOCKED_S, PERSON, Attempts, TooManyAttemptsError
from tests.page.visiting import BENCH, Page
from tests.support.laboratories import cheap_hashes, staffed

RIGHT = "correct horse 7"
WRONG = "wrong horse 77"


@pytest.fixture(autouse=True)
def _cheap(monkeypatch):
    cheap_hashes(monkeypatch)


@pytest.mark.asyncio
async def test_a_person_logs_in_acts_and_logs_out(tmp_path):
    with staffed(tmp_path) as lab:
        carry_out(lab, "person_password", {"id": "measure", "password": RIGHT})
        async with Page(lab, people=True) as page:
            browser = await page.browser()
            before = browser.cookies[page.parts.cookies.name("visit")]
            form = {"person": "measure", "password": RIGHT, "next": f"/bench/{BENCH}"}
            response = await page.send(browser, "POST", "/log-in", form)
            assert (response.status_code, response.headers["location"]) == (303, f"/bench/{BENCH}")
            ticket = browser.cookies[page.parts.cookies.name("visit")]
            assert ticket != before  # no fixation of a visit
            assert RIGHT not in ticket
            assert (await browser.get("/api/v1/session")).json()["person"] == "measure"
            act = {"order": {"id": "S-1", "product": "clear-glaze"}}
            assert (await page.send(browser, "POST", "/api/v1/acts/sample_add", body=act)).status_code == 200
            with lab.reader() as reader:
                assert reader.audit()[-1].who == "measure"
            await page.send(browser, "POST", "/log-out")
            assert (await browser.get("/api/v1/session")).json()["person"] == ""
            assert page.daemon.lab.tickets.use(ticket, lab.clock.mono_ns()) is None


@pytest.mark.asyncio
async def test_a_lock_and_a_role_apply_at_once(tmp_path):
    with staffed(tmp_path) as lab:
        async with Page(lab, people=True) as page:
            browser = await page.browser("review")
            assert (await browser.get("/samples")).status_code == 200
            carry_out(lab, "person_role", {"id": "review", "role": "look"})
            response = await page.send(browser, "POST", f"/api/v1/benches/{BENCH}/stop")
            assert (response.status_code, page.daemon.stopped) == (403, [])
            carry_out(lab, "person_lock", {"id": "review", "because": "left"})
            assert (await browser.get("/api/v1/samples")).status_code == 401


@pytest.mark.asyncio
async def test_wrong_passwords_are_slowed_by_person_and_locked_by_address(tmp_path):
    with staffed(tmp_path) as lab:
        carry_out(lab, "person_password", {"id": "measure", "password": RIGHT})
        async with Page(lab, people=True) as page:
            browser = await page.browser()
            with structlog.testing.capture_logs() as logs:
                first = await page.send(browser, "POST", "/log-in", {"person": "measure", "password": WRONG})
                assert first.status_code == 403
                # By person: the right password too, until the time is over.
                again = await page.send(browser, "POST", "/log-in", {"person": "measure", "password": RIGHT})
                assert again.status_code == 403
                found = {
                    (await page.send(browser, "POST", "/log-in", {"person": "p", "password": WRONG})).status_code
                    for _ in range(3)
                }
            assert 429 in found
            assert WRONG not in repr(logs) + first.text + again.text
            assert RIGHT not in repr(logs) + again.text


@pytest.mark.asyncio
async def test_every_refused_log_in_reads_the_same(tmp_path):
    with staffed(tmp_path) as lab:
        carry_out(lab, "person_password", {"id": "measure", "password": RIGHT})
        carry_out(lab, "person_badge", {"id": "measure", "badge": "4711-99"})
        texts = set()
        for form in (
            {"person": "measure", "password": WRONG},
            {"person": "nobody", "password": WRONG},
            {"badge": "4711-98"},
        ):
            async with Page(lab, people=True) as page:
                response = await page.send(await page.browser(), "POST", "/api/v1/log-in", body=form)
                texts.add((response.status_code, response.json()["detail"]))
        assert len(texts) == 1
        async with Page(lab, people=True) as page:
            lab.clock.now += 3600 * 10**9
            response = await page.send(await page.browser(), "POST", "/api/v1/log-in", body={"badge": "4711-99"})
            assert response.json()["visitor"]["role"] == "measure"
            carry_out(lab, "person_role", {"id": "measure", "role": "administer"})
            browser = await page.browser(ticket=response.json()["ticket"])
            # A badge identifies for the role measure at most, by its ticket too.
            assert (await browser.get("/api/v1/session")).json()["role"] == "measure"


def guess(attempts, person, now):
    """Fail as soon as it is permitted; return the time of the failure and the wait after it (s)."""
    keys = [("a", ADDRESS, ""), ("a", PERSON if person else BADGE, person)]
    now = max([now, *(attempts._failed[key].until_s for key in keys if key in attempts._failed)])
    attempts.begin("a", person, now)
    attempts.end("a", person, now, failed=True)
    return now, max(attempts._failed[key].until_s for key in keys) - now


def test_a_person_at_an_address_waits_longer_with_each_failure_and_is_locked():
    attempts, now, waits = Attempts(), 0.0, []
    for _ in range(PERSON.locked_after):
        now, wait = guess(attempts, "one", now)
        waits.append(wait)
    assert waits[0] <= 0.0
    assert waits[1:-1] == [2.0**n for n in range(PERSON.locked_after - 2)]
    assert waits[-1] == LOCKED_S
    with pytest.raises(TooManyAttemptsError, match="try again in"):
        attempts.begin("a", "one", now)
    now += LOCKED_S
    attempts.begin("a", "one", now)
    with pytest.raises(TooManyAttemptsError, match="being checked"):
        attempts.begin("a", "two", now)
    attempts.begin("b", "one", now)  # another address
    attempts.end("b", "one", now, failed=False)
    attempts.end("a", "one", now, failed=False)
    assert guess(attempts, "one", now)[1] == LOCKED_S  # the right one has cleared nothing
    now += (ADDRESS.locked_after + 1) * PERSON.forget_s
    attempts.begin("a", "one", now)
    attempts.end("a", "one", now, failed=False)
    assert attempts._failed == {}


def test_mistypes_of_many_persons_at_one_address_delay_none_of_them_until_they_are_those_of_a_stranger():
    """Ten persons mistype three times within a minute; a stranger who tries many names is locked all the same."""
    attempts = Attempts()
    for n in range(30):
        attempts.begin("a", f"p{n % 10}", 10.0 * n)
        attempts.end("a", f"p{n % 10}", 10.0 * n, failed=True)
    attempts.begin("a", "another", 300.0)
    attempts.end("a", "another", 300.0, failed=False)
    now, guesses = 300.0, 0
    while now < 86_400:
        guesses += 1
        now, _ = guess(attempts, f"stranger-{guesses}", now)
    assert guesses <= ADDRESS.locked_after + 86_400 / ADDRESS.forget_s


@pytest.mark.parametrize("named", [True, False])
@pytest.mark.parametrize("seed", range(5))
def test_own_log_ins_and_a_lost_daemon_between_guesses_give_no_further_guess(seed, named):
    """Any order of right log-ins, refusals of the daemon's socket and guesses, as quick as they are taken, for a day."""
    random = Random(seed)
    attempts, now, guesses, limit = Attempts(), 0.0, 0, PERSON if named else BADGE
    while now < 86_400:
        failed = random.random() < 0.5
        person = "" if not named else "one" if failed else "own"
        try:
            attempts.begin("a", person, now)
        except TooManyAttemptsError:
            now = max(found.until_s for found in attempts._failed.values())
            continue
        now += random.choice((0.0, 0.1))
        guesses += failed
        attempts.end("a", person, now, failed=failed)
        now += 0.05 if not failed else 0.0
    assert limit.locked_after < guesses <= limit.locked_after + 86_400 / limit.forget_s + 1


@pytest.mark.asyncio
async def test_a_wrong_badge_of_one_visitor_delays_no_other(tmp_path):
    with staffed(tmp_path) as lab:
        carry_out(lab, "person_badge", {"id": "measure", "badge": "4711-99"})
        async with Page(lab, people=True) as page:
            stranger, person = await page.browser(address="192.0.2.7"), await page.browser()
            for _ in range(BADGE.free + 1):
                wrong = await page.send(stranger, "POST", "/api/v1/log-in", body={"badge": "4711-98"})
                assert wrong.status_code == 422
            right = await page.send(person, "POST", "/api/v1/log-in", body={"badge": "4711-99"})
            assert right.json()["visitor"]["person"] == "measure"
            # The stranger waits; the log-in of the other has changed nothing for that address.
            wrong = await page.send(stranger, "POST", "/api/v1/log-in", body={"badge": "4711-98"})
            assert wrong.status_code == 429


@pytest.mark.asyncio
async def test_a_lost_daemon_clears_no_count(tmp_path):
    with staffed(tmp_path) as lab:
        async with Page(lab, people=True) as page:
            browser = await page.browser()
            statuses = []
            for lost in ("", "the daemon does not answer", "", ""):
                page.daemon.lost = lost
                given = {"person": "p", "password": WRONG}
                statuses.append((await page.send(browser, "POST", "/api/v1/log-in", body=given)).status_code)
            assert statuses[1] == 503
            assert statuses[3] == 429


def test_a_ticket_ends_with_its_shift_without_use_and_for_a_newer_one():
    tickets = Tickets()
    text = tickets.issue("measure", by_badge=False, mono_ns=0)
    assert text not in repr(tickets.__dict__)
    used = 0
    while used + IDLE_NS - 1 < LIFE_NS:
        used += IDLE_NS - 1
        assert tickets.use(text, used).person == "measure"
    assert tickets.use(text, LIFE_NS) is None
    idle = tickets.issue("measure", by_badge=True, mono_ns=0)
    assert tickets.use(idle, IDLE_NS) is None
    first = tickets.issue("first", by_badge=False, mono_ns=1)
    for number in range(MOST):
        tickets.issue(f"p{number}", by_badge=False, mono_ns=2)
    assert tickets.use(first, 3) is None
    assert len(tickets._held) == MOST
