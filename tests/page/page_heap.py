"""Measure the memory of a bench's screen over a shift: readings go into the page's own event handlers, as fast as they are taken.

python -m tests.page.page_heap [--hours 8] [--per-second 10]

Prints the heap after a collection of garbage, the number of nodes and of listeners, after the first hour and at the end.
"""

import argparse
import json
from dataclasses import dataclass

from playwright.sync_api import Browser, CDPSession, Page

from tests.page.browsing import chromium, until
from tests.page.example_pages import bench_pages
from tests.page.example_server import serving

BATCH = 3000
"""Readings between two pauses, in which the browser draws."""
SOURCE = """window.EventSource = class extends EventTarget { constructor() { super(); window.source = this; this.readyState = 1; } close() {} };"""
"""A stream that a test feeds."""
FEED = """async ({from, count, step, run, reading}) => {
  for (let k = from; k < from + count; k++) {
    const torque = 45 + Math.sin(k / 50), viscosity = 800 + 5 * Math.sin(k / 70);
    const signals = {...run.signals, torque, viscosity};
    const give = (name, data) => window.source.dispatchEvent(new MessageEvent(name, {data: JSON.stringify(data)}));
    give('run', {bench: 'bench-1', run: {...run, run_s: k * step, stage_s: k * step, signals, value: {...run.value, value: viscosity, n: k}}, point: {signal: run.value.name, t: k * step, value: viscosity}});
    give('reading', {...reading, bench: 'bench-1', values: signals, age_s: 0.05, sent_s: performance.now() / 1000});
  }
  await new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)));
}"""


@dataclass(frozen=True, slots=True)
class Memory:
    """Memory of a page after a collection of garbage: bytes of the heap, nodes of documents, listeners of events."""

    heap: int
    nodes: int
    listeners: int


def memory(session: CDPSession) -> Memory:
    """Return the memory of a page; garbage is collected first, twice because some is freed only after finalizers have run."""
    for _ in range(2):
        session.send("HeapProfiler.collectGarbage")
    found = {one["name"]: one["value"] for one in session.send("Performance.getMetrics")["metrics"]}
    return Memory(int(found["JSHeapUsedSize"]), int(found["Nodes"]), int(found["JSEventListeners"]))


def fed(tab: Page, begin: int, end: int, step: float, live: dict[str, object]) -> None:
    """Give a page the readings `begin` to `end` of a run, `step` seconds apart."""
    for start in range(begin, end, BATCH):
        count = min(BATCH, end - start)
        tab.evaluate(
            FEED, {"from": start, "count": count, "step": step, "run": live["run"], "reading": live["reading"]}
        )


def measured(browser: Browser, first: int, last: int, per_second: float) -> tuple[Memory, Memory]:
    """Return the memory after `first` and after `last` readings."""
    with serving([page for page in bench_pages() if page.name == "bench-running"]) as server:
        page = server.by_name["bench-running"]
        tab = browser.new_page(viewport={"width": 800, "height": 480})
        tab.add_init_script(SOURCE)
        tab.goto(server.url(page))
        until(tab, "window.source !== undefined")
        session = tab.context.new_cdp_session(tab)
        session.send("Performance.enable")
        live = json.loads(json.dumps(page.values["bench"]))
        fed(tab, 1, first, 1 / per_second, live)
        early = memory(session)
        fed(tab, first, last, 1 / per_second, live)
        late = memory(session)
        assert tab.locator(".trend canvas").count() == 1
        tab.close()
    return early, late


def main() -> None:
    """Measure a shift."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=8.0)
    parser.add_argument("--per-second", type=float, default=10.0)
    args = parser.parse_args()
    hour = int(3600 * args.per_second)
    with chromium() as browser:
        early, late = measured(browser, hour, int(args.hours * hour), args.per_second)
    for label, found in (("1 h", early), (f"{args.hours:g} h", late)):
        print(f"{label}: heap {found.heap / 1e6:.2f} MB, {found.nodes} nodes, {found.listeners} listeners")
    print(f"growth {100 * (late.heap / early.heap - 1):+.1f} %")


if __name__ == "__main__":
    main()
