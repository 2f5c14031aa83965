"""A stop that is sent again stops no other run than the one that its screen showed; in doubt it stops."""

from itertools import product

import pytest

from daq.page.visits.stop_touches import MOST, StopTouch, StopTouches
from tests.page.visiting import BENCH, Page
from tests.support.laboratories import laboratory

RUNS = (None, "run-1", "run-2")


def on_bench(run, motor=""):
    return {"bench": BENCH, "view": None, "run": run and {"run": run, "motor": motor}, "reading": None}


def test_only_a_further_sending_for_another_run_spares_a_bench():
    """Every combination of touch and bench; a stop is spared in one case alone."""
    for shown, on, again, late, known, motor in product(
        ("", "run-1"), RUNS, (False, True), (False, True), (False, True), ("", "may_still_be_turning", "in_doubt")
    ):
        touches = StopTouches()
        if late:  # a later sending of the touch has arrived before
            touches.spares(StopTouch(shown, "key", again=True), on_bench("run-1"), known=True)
        spared = touches.spares(StopTouch(shown, "key", again), on_bench(on, motor), known=known)
        another = on == "run-2" and not motor
        assert spared == ((again or late) and shown == "run-1" and known and another), (shown, on, again, late, known)


def test_sendings_without_a_key_are_touches_of_their_own_and_the_keys_are_bounded():
    touches = StopTouches()
    for number in range(2 * MOST):
        for key in ("", f"{number}"):
            assert not touches.spares(StopTouch("run-1", key), on_bench("run-2"), known=True)
    assert len(touches._keys) == MOST


@pytest.mark.asyncio
async def test_the_page_stops_at_the_first_sending_and_spares_another_run_at_a_further_one(tmp_path):
    with laboratory(tmp_path) as lab:
        async with Page(lab, people=False) as page:
            browser, hub = await page.browser(paired=BENCH), page.parts.hub
            hub._runs[BENCH] = on_bench("run-2")["run"]
            hub._set_link(reached=True)

            async def stop(expected, **headers):
                page.daemon.stopped.clear()
                sent = {f"X-Stop-{name}": value for name, value in headers.items()}
                answer = await browser.post(f"/api/v1/benches/{BENCH}/stop", headers=sent)
                assert (answer.status_code, answer.json()["taken"]) == (200, expected)
                assert page.daemon.stopped == [BENCH] * expected

            await stop(True)
            await stop(True, Run="run-1", Key="a")
            await stop(False, Run="run-1", Key="a")
            await stop(False, Run="run-1", Key="b", Again="1")
            await stop(False, Run="run%2D1", Again="1")
            await stop(True, Run="run-2", Key="a", Again="1")
            await stop(True, Key="c", Again="1")
            await stop(True, Run="run-1", Key="d" * 5000)
            await stop(True, Run="run-1", Again="0")
            hub._set_link(reached=False, reason="lost")
            await stop(True, Run="run-1", Key="a", Again="1")
            hub._set_link(reached=True)
            hub.ready.clear()
            await stop(True, Run="run-1", Key="a", Again="1")
