"""A part of a shift in Chromium over the daemon, by keyboard and scanner alone; the browser is closed in a run."""

import asyncio
import contextlib
import socket

import pytest
import uvicorn
from playwright.async_api import async_playwright

from daq.page.application import make_application, make_parts
from daq.page.settings import PageSettings
from tests.page.browsing import CHROMIUM, FLAGS
from tests.page.paged_shift import PagedShift
from tests.page.visiting import BENCH, KEY

pytestmark = [pytest.mark.asyncio, pytest.mark.slow, pytest.mark.timeout(300)]
LONG_MS = 60_000


@contextlib.asynccontextmanager
async def served(bench, folder):
    """Serve a page of its own over the daemon of a bench; yield its address and its codes that pair a browser."""
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        listening.listen()
        port = listening.getsockname()[1]
        parts = make_parts(PageSettings(socket=folder / "socket", port=port, signing_key=KEY))
        config = uvicorn.Config(make_application(parts), log_config=None)
        server = uvicorn.Server(config)
        server.capture_signals = contextlib.nullcontext
        task = asyncio.create_task(server.serve(sockets=[listening]))
        await parts.hub.ready.wait()
        try:
            yield f"http://127.0.0.1:{port}", parts.codes
        finally:
            parts.hub.close()
            server.should_exit = True
            await task
        assert bench.parts is not parts


async def opened(chromium, address, codes):
    tab = await (await chromium.new_context(viewport={"width": 800, "height": 480})).new_page()
    tab.set_default_timeout(LONG_MS)
    # The address pairs the browser: without people, only the screen of a bench starts runs.
    await tab.goto(f"{address}/pair/{BENCH}/{codes.made(BENCH)}")
    return tab


async def stage(tab, name):
    await tab.wait_for_selector(f"body[data-stage={name}]", timeout=LONG_MS)


async def press_main(tab):
    """Go to the large button of the stage by the tabulator key, and press it."""
    for _ in range(40):
        await tab.keyboard.press("Tab")
        if await tab.evaluate("document.activeElement.matches('button.main')"):
            break
    else:
        raise AssertionError("the tabulator key does not reach the large button")
    await asyncio.sleep(0.1)  # a person's key, which is no scanner's
    await tab.keyboard.press("Enter")


async def test_samples_are_measured_by_keyboard_and_a_closed_browser_loses_nothing(tmp_path):
    async with PagedShift(tmp_path) as bench, async_playwright() as playwright:
        chromium = await playwright.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        await bench.add("E-7", "E-8")
        async with served(bench, tmp_path) as (address, codes):
            tab = await opened(chromium, address, codes)
            await stage(tab, "zeroing")
            await press_main(tab)
            await stage(tab, "fitting")
            await press_main(tab)
            await stage(tab, "choosing")
            for number, sample in enumerate(("E-7", "E-8")):
                await tab.keyboard.type(sample)
                await tab.keyboard.press("Enter")
                await stage(tab, "checking")
                await press_main(tab)
                if number == 1:
                    await stage(tab, "running")
                    await tab.context.close()  # in the run
                    await bench.until_stage("verdict")
                    tab = await opened(chromium, address, codes)
                await stage(tab, "verdict")
                assert sample in await tab.inner_text("body")
                await press_main(tab)
                await stage(tab, "choosing")
            await tab.goto(f"{address}/results")
            text = await tab.inner_text("main")
            assert {"E-7", "E-8"} <= set(text.split())
            await tab.context.close()
        await chromium.close()
        assert len(bench.started_runs()) == 2
