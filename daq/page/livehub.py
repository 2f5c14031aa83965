"""The one live subscription of a page, and the newest state for any number of browsers.

A browser that does not keep up loses old states, never the newest: its queue has one place for each kind of event and
bench, and a new event replaces the old one in it.
"""

import asyncio
import contextlib
import time
from collections import OrderedDict
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from typing import Any, Final

import structlog

from daq.app.screens.bench.live_frame import LiveFrame
from daq.core.encoding import encode
from daq.core.errors import DaqError, LinkError
from daq.page.daemonlink import DaemonLink
from daq.page.trends import Trends

log = structlog.get_logger()

AGAIN_S: Final = 1.0
"""Time in seconds after which a daemon that does not answer is asked again."""
MOST_BROWSERS: Final = 200
BEAT_S: Final = 15.0
"""Time in seconds between two comments that keep the connection; at each the visitor is checked again."""
QUIET_S: Final = 2.0
"""Time in seconds without an event after which a browser gets the state of the link again: by it, it knows that it is
not cut off."""
TOO_MANY: Final = "too many open pages; close some"
ENDED: Final = "the daemon ended"
NOT_YET: Final = "the daemon was not reached yet"

COMPANION: Final = "companion"
"""Event with the reading of an instrument beside that of a bench, whose values the screen of the bench shows."""

Event = tuple[str, dict[str, Any]]
"""Name and data of an event."""


def companions(view: dict[str, Any] | None, run: dict[str, Any] | None) -> frozenset[str]:
    """Return the instruments whose temperature the screen of a bench (`BenchView`, `RunView`) shows beside its own."""
    gate = run["temperature"] if run else None
    signals = (view["signal"] if view else "", gate["signal"] if gate else "")
    return frozenset(signal.partition(".")[0] for signal in signals if "." in signal)


@dataclass(eq=False, slots=True)
class Browser:
    """The events that wait for one browser; `bench` limits them to one bench, "" to none."""

    bench: str = ""
    waiting: "OrderedDict[tuple[str, str], Event]" = field(default_factory=OrderedDict)
    woken: asyncio.Event = field(default_factory=asyncio.Event)

    def put(self, kind: str, bench: str, data: dict[str, Any]) -> None:
        """Add an event; it replaces the older one of its kind and bench, or of its companion."""
        if self.bench in ("", bench) or not bench:
            key = (kind, data["instrument"] if kind == COMPANION else bench)
            self.waiting.pop(key, None)
            self.waiting[key] = (kind, data)
            self.woken.set()

    async def wait(self) -> bool:
        """Wait for an event, but not longer than `QUIET_S`; return whether there is one."""
        self.woken.clear()
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(QUIET_S):
                return await self.woken.wait()
        return False


class LiveHub:
    """Follows the daemon; knows the newest state of each bench."""

    def __init__(self, daemon: DaemonLink, clock: Callable[[], float] = time.monotonic) -> None:
        """`clock` gives seconds."""
        self._daemon, self._clock = daemon, clock
        self._readings: dict[str, tuple[dict[str, Any], float]] = {}
        self._benches: dict[str, dict[str, Any]] = {}
        self._runs: dict[str, dict[str, Any]] = {}
        self._companions: dict[str, frozenset[str]] = {}
        self._trends = Trends()
        self._browsers: set[Browser] = set()
        self._link: dict[str, Any] = {"daemon": False, "reason": NOT_YET}
        self._closed = False
        self.ready = asyncio.Event()
        """Set when everything is known, or after a failure; not while the first frames of a daemon arrive."""

    # ---- from the daemon

    async def run(self) -> None:
        """Follow the daemon until cancelled, again after each loss."""
        while True:
            reason = ENDED
            try:
                began = known = False
                async for frame in self._daemon.live():
                    if not began:
                        self._begin_again()
                        began = True
                    self.take(frame)
                    if not known and not frame.more:
                        # A run that goes on keeps its trend; after a restart of the daemon it is another run.
                        self._trends.keep(self._runs)
                        known = True
            except DaqError as error:
                reason = str(error)
            except ValueError as error:  # a line that is too long
                log.exception("live values lost")
                reason = f"the daemon's answer is not understood: {error}"
            self._set_link(reached=False, reason=reason)
            self.ready.set()
            await asyncio.sleep(AGAIN_S)

    def _begin_again(self) -> None:
        """Forget what the daemon before knew; the first frames, up to one without `more`, have everything."""
        self.ready.clear()
        for name in self._runs:
            self._put("run", name, {"bench": name, "run": None, "point": None})
        self._readings, self._benches, self._runs, self._companions = {}, {}, {}, {}

    def take(self, frame: LiveFrame) -> None:
        """Take a frame of the daemon."""
        now = self._clock()
        self._set_link(reached=True)
        for name, view in frame.benches.items():
            self._benches[name] = encode(view)
            self._put("bench", name, self._benches[name])
        for name, reading in frame.readings.items():
            self._readings[name] = (encode(reading), now)
        for name, run in frame.runs.items():
            point = None
            if run is None:
                self._runs.pop(name, None)
                self._trends.end(name)
            else:
                self._runs[name] = encode(run)
                point = self._trends.take(name, self._runs[name], self._read(name), now)
            self._put("run", name, {"bench": name, "run": self._runs.get(name), "point": point})
        for name in frame.readings:
            self._put("reading", name, {"bench": name, **self._readings[name][0]})
        self._put_companions(frame)
        if not frame.more:
            self.ready.set()

    def _put_companions(self, frame: LiveFrame) -> None:
        """Add the readings of companions that are new, or that the screen of a bench shows from now on."""
        before = dict(self._companions)
        for bench in frame.benches.keys() | frame.runs.keys():
            self._companions[bench] = companions(self._benches.get(bench), self._runs.get(bench))
        for bench, names in self._companions.items():
            for name in names:
                if name in frame.readings or name not in before.get(bench, ()):
                    self._put_companion(bench, name)

    def _put_companion(self, bench: str, name: str) -> None:
        for browser in self._browsers:
            if browser.bench == bench and name in self._readings:
                browser.put(COMPANION, bench, {"bench": bench, "instrument": name, **self._readings[name][0]})

    def _set_link(self, *, reached: bool, reason: str = "") -> None:
        link = {"daemon": reached, "reason": reason}
        if link != self._link:
            self._link = link
            self._put("link", "", link)

    def _put(self, kind: str, bench: str, data: dict[str, Any]) -> None:
        for browser in self._browsers:
            browser.put(kind, bench, data)

    # ---- the newest state

    @property
    def link(self) -> dict[str, Any]:
        """The state of the connection to the daemon: reached or not, and why not."""
        return self._link

    @property
    def browsers(self) -> int:
        """Number of browsers that follow."""
        return len(self._browsers)

    def names(self) -> list[str]:
        """Return the names of all benches that are known."""
        return sorted(self._benches.keys() | self._readings.keys())

    def bench(self, name: str) -> dict[str, Any]:
        """Return the newest state of a bench (`BenchLive` of the room's page)."""
        return {
            "bench": name,
            "view": self._benches.get(name),
            "run": self._runs.get(name),
            "reading": self._aged(name),
            "companions": {other: self._aged(other) for other in sorted(self._companions.get(name, ()))},
        }

    def trend(self, name: str) -> dict[str, Any]:
        """Return the trend of the run on a bench: run, signal, unit, times (s), values, age (s) of the last.

        Without a run all are empty: the trend of a run that has ended is in its stored readings.
        """
        found, run = self._trends.of(name), self._runs.get(name)
        if found is None or run is None:
            return {"bench": name, "run": "", "signal": "", "unit": "", "times": [], "values": [], "age_s": None}
        about = {"bench": name, "run": found.run, "signal": found.signal, "unit": found.unit}
        age = self._clock() - found.read_at if found.times else None
        return about | found.points() | {"age_s": age}

    def _read(self, name: str) -> tuple[float, float] | None:
        """Return the times (s) of arrival and reading of the newest values of a bench; None without values."""
        found = self._readings.get(name)
        if found is None or found[0]["age_s"] is None:
            return None
        return found[1], found[1] - found[0]["age_s"]

    def _aged(self, name: str) -> dict[str, Any] | None:
        found = self._readings.get(name)
        if found is None:
            return None
        data, at = found
        age = data["age_s"]
        return data | {"age_s": None if age is None else age + self._clock() - at}

    # ---- to browsers

    async def events(self, bench: str = "", *, allowed: Callable[[], Any] | None = None) -> AsyncIterator[Event | None]:
        """Yield events for one browser: the newest state, then each change; None at each beat.

        Args:
            bench: only of this bench; "" for all.
            allowed: an awaitable that is asked at each beat; False ends the events.

        Raises:
            LinkError: too many browsers.
        """
        if len(self._browsers) >= MOST_BROWSERS:
            raise LinkError(TOO_MANY)
        browser = Browser(bench)
        self._browsers.add(browser)
        try:
            self._snapshot(browser)
            asked_at = self._clock()
            while not self._closed:
                if self._clock() - asked_at >= BEAT_S:
                    asked_at = self._clock()
                    if allowed is not None and not await allowed():
                        break
                    yield None
                elif browser.waiting:
                    yield self._at_sending(browser.waiting.popitem(last=False)[1])
                elif not await browser.wait():
                    yield ("link", self._link)
            yield ("bye", {})
        finally:
            self._browsers.discard(browser)

    def _at_sending(self, event: Event) -> Event:
        """Return an event as it is sent: a reading has its age of now, and the time of sending (s, this clock)."""
        kind, data = event
        if kind not in ("reading", COMPANION):
            return event
        about: dict[str, Any] = {key: data[key] for key in ("bench", "instrument") if key in data}
        name: str = data["instrument"] if kind == COMPANION else data["bench"]
        return kind, {**(self._aged(name) or data), **about, "sent_s": self._clock()}

    def _snapshot(self, browser: Browser) -> None:
        browser.put("link", "", self._link)
        for name in self.names():
            if name in self._benches:
                browser.put("bench", name, self._benches[name])
            browser.put("run", name, {"bench": name, "run": self._runs.get(name), "point": None})
            reading = self._aged(name)
            if reading is not None:
                browser.put("reading", name, {"bench": name, **reading})
        for name in self._companions.get(browser.bench, ()):
            if name in self._readings:
                browser.put(
                    COMPANION, browser.bench, {"bench": browser.bench, "instrument": name, **self._readings[name][0]}
                )

    def close(self) -> None:
        """End the events of all browsers, each with a last one."""
        self._closed = True
        for browser in self._browsers:
            browser.woken.set()
