"""Times of the page: ``python -m tests.page.page_times [--state DIR] [--only paint screen list end fleet newcomer]``.

* paint: from the start of a navigation until the content of a screen is painted, each in a browser without a cache.
* screen: from the reading of a line until its value is painted on the screen of the bench, at 20 readings a second.
* list: answers to filters of the results of a laboratory with 100,000 samples, and the painted list.  ``--state`` is its
  state directory, which is read in place; ``python -m tests.bench.laboratory --keep DIR`` makes it, as DIR/lab-100000.
* end: from SIGTERM until the end of the page's process, with open event streams, of which some take nothing.
* newcomer: from the start of `daq demo --live` to the first result of a visitor who touches the next thing at once.
* fleet: 64 polled instruments with and without a page and 20 browsers (`tests.bench.page_fleet`).

Everything goes over loopback, with processes of their own for daemon, page, instruments and Chromium.  A figure over
its goal is marked with an asterisk.
"""

import argparse
import asyncio
import os
import random
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, cast
from urllib.parse import urlencode

import httpx
import uvicorn
from playwright.sync_api import (
    Browser,
    TimeoutError,  # noqa: A004 - that of the browser
)

from daq.adapters.paths import database_path, examples_dir
from daq.app.daemon.queries.asking import QueryProcess
from daq.app.setup.catalogue import Catalogue
from daq.page.application import make_application, make_parts
from daq.page.settings import PageSettings, signing_key
from daq.page.visits.cookies import Cookies
from tests.bench import laboratory_state as made
from tests.bench import page_fleet
from tests.bench.laboratory import Place, p95
from tests.bench.laboratory_state import Size
from tests.page.browsing import chromium, until
from tests.page.live.works import Works, stage, works

PARTS: Final = ("paint", "screen", "list", "end", "fleet", "newcomer")
PAINT_S: Final = 0.5
SCREEN_S: Final = 0.2
LIST_S: Final = 0.2
END_S: Final = 1.0
NEWCOMER_S: Final = 120.0
CLICK_MS: Final = 500
LONGEST_S: Final = 600.0
"""Time after which the newcomer gives up."""
LOADS: Final = 15
"""Number of loads of each screen."""
READINGS: Final = 600
FILTERS: Final = 10
"""Number of calls of each filter, with different values."""
ENDS: Final = 5
STREAMS: Final = 20
SILENT: Final = 5
"""Number of the streams that take nothing."""
SCREENS: Final = {
    "desk": ("/", "!document.querySelector('.bench-card .digits')?.textContent.startsWith('–')"),
    "bench in a run": ("/bench/bench-1", "document.querySelector('[data-live-part=value]:not(.none)')"),
    "results": ("/results", "document.querySelector('.rows tbody tr')"),
}
"""Path of a screen, and the condition for its content: values that a script fills in are part of it."""
PAINTED = """(() => { const look = () => { if (document.body && %s) requestAnimationFrame(() => { window.painted = performance.now(); });
  else requestAnimationFrame(look); }; requestAnimationFrame(look); })();"""
FOLLOWED = """window.seen = []; const Source = window.EventSource;
window.EventSource = class extends Source { constructor(...given) { super(...given);
  this.addEventListener('reading', event => { const data = JSON.parse(event.data);
    requestAnimationFrame(() => setTimeout(() => window.seen.push([performance.timeOrigin + performance.now(), data.sent_s, data.age_s,
      document.querySelector('[data-gauge=torque] [data-live-part=now]').textContent]))); }); } };"""
"""For each reading the time (ms, UTC) after its frame was painted, the time of sending, the age then, and the text."""


def printed(name: str, times: list[float], goal: float) -> None:
    """Print median and 95th percentile (s) with their goal (s)."""
    high = p95(times)
    mark = "" if high < goal else " *"
    print(
        f"  {name:<34}{statistics.median(times) * 1e3:>9.1f} ms median{high * 1e3:>9.1f} ms 95th percentile "
        f"(goal {goal * 1e3:g} ms, {len(times)} times){mark}",
        flush=True,
    )


def paint(works: Works, browser: Browser) -> None:
    """Print the times of first useful paint."""
    works.begin("lasts")
    for name, (path, condition) in SCREENS.items():
        times = []
        for _ in range(1 + LOADS):
            context = works.visitor(browser, "kim", paired="bench-1")
            context.add_init_script(PAINTED % condition)
            tab = works.opened(context, path)
            times.append(until(tab, "window.painted") / 1e3)
            context.close()
        # The first one starts processes of the browser.
        printed(f"first useful paint, {name}", times[1:], PAINT_S)


def screen(works: Works, browser: Browser) -> None:
    """Print the time from the reading of a value to its paint."""
    works.begin("lasts")
    context = works.visitor(browser, "kim", paired="bench-1")
    context.add_init_script(FOLLOWED)
    tab = works.opened(context)
    stage(tab, "running")
    tab.evaluate("window.seen.length = 0")
    until(tab, "least => window.seen.length >= least", READINGS)
    # The page's clock is the monotonic one of this machine, that of the browser is UTC.
    monotonic = time.time() - time.monotonic()
    seen = tab.evaluate("window.seen")
    context.close()
    print(f"  {len({text for *_, text in seen})} different torques were on the screen")
    printed("reading to screen", [at / 1e3 - (sent + monotonic) + age for at, sent, age, _ in seen], SCREEN_S)


def end(works: Works) -> None:
    """Print the time from SIGTERM to the end of the page."""
    times = []
    for _ in range(ENDS):
        with streams(works.port, signing_key(works.lab.state / "page")):
            began = time.perf_counter()
            works.page.send_signal(signal.SIGTERM)
            works.page.wait()
            times.append(time.perf_counter() - began)
        assert works.page.stdout is not None
        works.page.stdout.close()
        works.start_page()
    printed(f"SIGTERM with {STREAMS} streams", times, END_S)


def newcomer(browser: Browser) -> None:
    """Print the times from the start of the demonstration to its page, and to a result that a visitor measures."""
    began = time.perf_counter()
    command = [sys.executable, "-m", "daq", "demo", "--live"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    try:
        address = next(word for line in process.stdout for word in line.split() if word.startswith("http://127.0.0.1:"))
        threading.Thread(target=process.stdout.read, daemon=True).start()  # it goes on telling what it does
        tab = browser.new_page()
        tab.goto(address)
        opened = time.perf_counter()
        while (stage_now := tab.locator("body").get_attribute("data-stage")) != "verdict":
            assert time.perf_counter() - began < LONGEST_S, f"the newcomer is still at {stage_now}"
            button = tab.locator(".next-list button" if stage_now == "choosing" else "button.main").first
            with suppress(TimeoutError):  # the screen is at its next stage
                button.click(timeout=CLICK_MS)
            tab.wait_for_timeout(CLICK_MS)
        done = time.perf_counter()
        text = tab.locator(".judged .digits").inner_text()
        tab.close()
    finally:
        process.send_signal(signal.SIGINT)
        process.wait()
    mark = "" if done - began < NEWCOMER_S else " *"
    print(
        f"  newcomer: page after {opened - began:.1f} s, the result {text} after {done - began:.1f} s "
        f"(goal {NEWCOMER_S:g} s){mark}",
        flush=True,
    )


@contextmanager
def streams(port: int, key: bytes) -> Iterator[None]:
    """Hold event streams of a paired bench; some of them take nothing."""
    cookies = Cookies(key, secure=False, port=port)
    cookie = f"{cookies.name('bench')}={cookies.pairing('bench-1')}"
    asked = f"GET /api/v1/benches/bench-1/events HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nCookie: {cookie}\r\n\r\n"
    held = []
    for number in range(STREAMS):
        one = socket.socket()
        if number < SILENT:
            one.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        one.connect(("127.0.0.1", port))
        one.sendall(asked.encode())
        held.append(one)
    for one in held[SILENT:]:
        while b"event: reading" not in one.recv(1 << 16):
            pass
    time.sleep(1.0)  # the buffers of the silent ones fill
    yield
    for one in held:
        one.close()


class Answers:
    """The part of the daemon that a list needs: the process that answers queries, over a state directory."""

    def __init__(self, state: Path) -> None:
        self._process = QueryProcess(database_path(state), examples_dir())

    def used(self) -> float:
        """Return the processor time (s) that the process has used."""
        assert self._process._process is not None
        return page_fleet.used(self._process._process.pid)

    async def query(self, name: str, parameters: dict[str, Any], _ticket: str) -> dict[str, Any]:
        return await self._process.ask(name, parameters)

    async def live(self) -> Any:
        await asyncio.Event().wait()
        yield  # never

    async def close(self) -> None:
        await self._process.close()


@contextmanager
def lists_of(answers: Answers, folder: Path) -> Iterator[str]:
    """Serve the page over a state directory without a daemon, in a thread; yield its address."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = int(free.getsockname()[1])
    settings = PageSettings(socket=folder / "none", port=port, signing_key=b"k" * 32)
    loop, ready = asyncio.new_event_loop(), threading.Event()

    async def serve() -> None:
        parts = replace(make_parts(settings), daemon=cast("Any", answers))
        parts.hub._daemon = parts.daemon
        config = uvicorn.Config(make_application(parts), port=port, log_config=None, access_log=False)
        serving = uvicorn.Server(config)
        ending.append(serving)
        task = asyncio.create_task(serving.serve())
        while not serving.started:
            await asyncio.sleep(0.01)
        ready.set()
        await task
        await answers.close()

    ending: list[uvicorn.Server] = []
    thread = threading.Thread(target=lambda: loop.run_until_complete(serve()))
    thread.start()
    ready.wait()
    try:
        yield f"http://127.0.0.1:{port}"
    finally:
        ending[0].should_exit = True
        thread.join()
        loop.close()


def filters(place: Place) -> dict[str, dict[str, str]]:
    """Return the fields of the form by the name of the filter, with seeded values."""
    sample, day = place.sample(), datetime.fromtimestamp(place.day()[0] / 1e9, UTC).date().isoformat()
    operator = made.PERSONS[place.rng.randrange(len(made.PERSONS))]
    return {
        "none": {},
        "sample": {"sample": made.sample_id(sample)},
        "lot": {"lot": made.lot_of(sample)},
        "product": {"product": "engobe"},
        "instrument": {"instrument": place.bench()},
        "operator": {"operator": operator},
        "verdict": {"verdict": "outside"},
        "outcome (none)": {"outcome": "stopped"},
        "a day": {"since": day, "until": day},
        "until, verdict": {"until": day, "verdict": "outside"},
        "product, operator, until": {"product": "engobe", "operator": operator, "until": day},
        "product, instrument, operator": {"product": "engobe", "instrument": place.bench(), "operator": operator},
        "product, unknown operator": {"product": "engobe", "operator": "nobody"},
    }


def filtered(state: Path, browser: Browser) -> None:
    """Print the times of filtered lists."""
    place = Place(Size(100_000, 300_000), state, Catalogue.load(examples_dir()), random.Random(7))
    print(f"  {database_path(state).stat().st_size / 1e9:.1f} GB in {state.name}")
    times: dict[str, list[float]] = {name: [] for name in filters(place)}
    painted = []
    answers = Answers(state)
    with tempfile.TemporaryDirectory() as folder, lists_of(answers, Path(folder)) as address:
        with httpx.Client(base_url=address, trust_env=False, timeout=60) as client:
            client.get("/results").raise_for_status()  # the start of the process of queries
            used = answers.used()
            for _ in range(FILTERS):
                for name, fields in filters(place).items():
                    began = time.perf_counter()
                    client.get("/results", params=fields).raise_for_status()
                    times[name].append(time.perf_counter() - began)
            share = (answers.used() - used) / sum(map(len, times.values()))
        tab = browser.new_page()
        shown = "(() => { const at = performance.getEntriesByName('first-contentful-paint')[0]; return at && at.startTime; })()"
        for _ in range(FILTERS):
            fields = filters(place)["lot"]
            tab.goto(f"{address}/results?{urlencode(fields)}")
            painted.append(until(tab, shown) / 1e3)
        tab.close()
    print(f"  {share * 1e3:.0f} ms of processor time for a query on average, whatever else the machine does")
    for name, found in times.items():
        printed(f"results by {name}", found, LIST_S)
    printed("results, all filters", [t for found in times.values() for t in found], LIST_S)
    printed("results by lot, painted", painted, LIST_S)


def main() -> int:
    """Measure the parts that were named."""
    parser = argparse.ArgumentParser(prog="python -m tests.page.page_times")
    parser.add_argument("--state", type=Path, help="state directory with 100,000 samples, for the list")
    parser.add_argument("--only", nargs="+", choices=PARTS, default=PARTS)
    parser.add_argument("--seconds", type=float, default=15.0, help="length of a phase of the fleet")
    parser.add_argument("--rounds", type=int, default=3, help="number of pairs of phases of the fleet")
    parser.add_argument("--hertz", type=float, default=10.0, help="readings per second of each instrument")
    asked = parser.parse_args()
    print(f"{os.cpu_count()} cores, load before {', '.join(f'{x:.2f}' for x in os.getloadavg())}", flush=True)
    with chromium() as browser:
        if {"paint", "screen", "end"} & set(asked.only):
            with tempfile.TemporaryDirectory() as folder, works(Path(folder), interval_ms=100) as here:
                for name, part in (("paint", paint), ("screen", screen)):
                    if name in asked.only:
                        part(here, browser)
                if "end" in asked.only:
                    end(here)
        if "list" in asked.only and asked.state is None:
            print("  no list: name a laboratory with --state")
        elif "list" in asked.only:
            filtered(asked.state, browser)
        if "newcomer" in asked.only:
            newcomer(browser)
    if "fleet" in asked.only:
        page_fleet.main(asked.seconds, asked.rounds, asked.hertz)
    return 0


if __name__ == "__main__":
    sys.exit(main())
