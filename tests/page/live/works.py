"""A works with three simulated benches: the daemon and the page as processes, two persons, and samples for every phase of a run."""

import itertools
import socket
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, BrowserContext, Page

from daq.adapters.paths import socket_path
from daq.page.settings import signing_key
from daq.page.visits.cookies import Cookies
from daq.process.logins import own_login
from daq.process.pagechild import page_command
from tests.page.live.cable import Cable
from tests.support.processes.laboratory import LONG, SHORT, Call, Daemon, Lab, Simulator, Simulators

LONG_MS = 60_000
"""Longest wait; a machine that stalls is no fault."""
SCALE = 2.0
"""Simulated seconds in a real second."""
PASSWORD = "correct horse 7"  # noqa: S105 - invented
FIELDS = """
id = "{id}"
name = "{id}"
version = "1"
approved_by = "boss"
valid_from = 2025-01-01
unit = "mPa.s"
reported_digits = 3
rounding = "unrounded"
temperature_coefficient = -2.0
sample_ids = ["*"]

[[tests]]
method = "{id} 1"
"""
WAITS = '\n[conditioning.temperature]\ntarget = 60.0\nband = 0.1\nhold = "30 s"\nlongest = "10 h"\n'
SOAKS = '\n[conditioning]\nsoak = "10 h"\n[conditioning.temperature]\ntarget = 25.0\nband = 20.0\nhold = "1 s"\nlongest = "10 h"\n'
SEEKS = """
id = "seeks"
version = "1"
title = "A band of torque that takes long to find"
claim = "at_time"

[[steps]]
name = "seek"
speed = 0.5
settle = "1 rev"
longest = "10 h"

[steps.seek]
low = 70
high = 90
slowest = 0.5
tries = 6
span = "20 rev"
"""


def _titled(text: str, name: str) -> str:
    return text.replace('"short"', f'"{name}"').replace('"long"', f'"{name}"')


METHODS = {
    "quick": _titled(SHORT, "quick").replace('stop = "12 s"', 'stop = "9 s"').replace('span = "5 s"', 'span = "3 s"'),
    "waits": _titled(SHORT, "waits") + WAITS,
    "soaks": _titled(SHORT, "soaks") + SOAKS,
    "shears": _titled(SHORT, "shears") + '\n[conditioning.preshear]\nspeed = 12\ntime = "10 h"\n',
    "rests": _titled(SHORT, "rests")
    + '\n[conditioning]\nrest = "10 h"\n[conditioning.preshear]\nspeed = 12\ntime = "1 s"\n',
    "seeks": SEEKS,
    "lasts": _titled(LONG, "lasts").replace('"15 min"', '"10 h"').replace('"20 min"', '"11 h"'),
}
"""A method for each phase in which a run can be caught; the product of a method has its name."""
PHASES = {
    "quick": "measuring", "waits": "equilibrating", "soaks": "soaking", "shears": "preshearing", "rests": "resting", "seeks": "seeking",
    "lasts": "measuring",
}  # fmt: skip
"""The state in which a run of each method is caught."""
LIMITS = '\n[[limits]]\nlow = 1\nhigh = 1e9\nunit = "mPa.s"\nmethods = ["quick 1"]\n'


def _is_started(view: dict[str, Any]) -> bool:
    """Return whether a run has started, was refused, or has failed at once."""
    return view["stage"] in ("running", "checking", "verdict")


class Works:
    """Daemon, page and instruments.

    Attributes:
        lab: the folder with its processes.
        daemon: the daemon.
        cable: another way to the page, which can be cut.
        page: the page's process; its address stays when it is started again.
    """

    def __init__(self, lab: Lab, *, interval_ms: int = 500) -> None:
        self.lab = lab
        self._numbers = itertools.count(1)
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = int(free.getsockname()[1])
        self.address = f"http://127.0.0.1:{self.port}"
        self.cable = Cable(self.port)
        for bench in lab.instruments:
            path = lab.config / "instruments" / f"{bench}.toml"
            path.write_text(path.read_text().replace("interval_ms = 100", f"interval_ms = {interval_ms}"))
        for name, text in METHODS.items():
            (lab.config / "methods" / f"{name}.toml").write_text(text)
            limits = LIMITS if name == "quick" else ""
            (lab.config / "products" / f"{name}.toml").write_text(FIELDS.format(id=name) + limits)
        with (lab.config / "daemon.toml").open("a") as file:
            file.write(f'[people]\nrequired = true\n[page]\nlisten = "127.0.0.1:{self.port}"\n')
            file.write(f'hosts = ["127.0.0.1:{self.cable.port}"]\n')
        self.daemon = Daemon(lab)
        self.act("person_add", id="boss", role="administer", logins=[own_login()], password=PASSWORD)
        for person in ("kim", "lee"):
            self.act("person_add", id=person, role="measure", password=PASSWORD)
        self.page = self.start_page()
        self.daemon.ready(*lab.instruments)

    # ---- the daemon

    def start_page(self) -> "subprocess.Popen[str]":
        """Start the page at its address and wait until it listens."""
        command = page_command(config=str(self.lab.config), state=str(self.lab.state), listen=f"127.0.0.1:{self.port}")
        self.page = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=self.lab.env)
        self.lab.processes.append(self.page)
        assert self.page.stdout is not None
        line = self.page.stdout.readline()
        assert line.startswith(f"open {self.address}"), line
        return self.page

    def act(self, name: str, **order: Any) -> dict[str, Any]:
        """Carry out an act for the administrator, as the command line does."""
        return dict(self.daemon.ask("perform", act=name, order=order).last("performed"))

    def view(self, bench: str = "bench-1") -> dict[str, Any]:
        """Return the work at a bench now."""
        return dict(self.daemon.ask("watch_bench", instrument=bench).last("bench_view"))

    def until(self, condition: Callable[[dict[str, Any]], bool], bench: str = "bench-1") -> dict[str, Any]:
        """Return the work at a bench when a condition holds."""
        call = Call(socket_path(self.lab.state), {"do": "watch_bench", "instrument": bench})
        try:
            return dict(call.until("bench_view", condition))
        finally:
            call.close()

    def until_stage(self, stage: str, bench: str = "bench-1") -> dict[str, Any]:
        """Return the work at a bench when it is in a stage."""
        return self.until(lambda view: view["stage"] == stage, bench)

    def press(self, command: str, bench: str = "bench-1") -> None:
        """Give a command at a bench on another screen."""
        self.act("bench_command", bench=bench, command=command, seen=self.view(bench)["revision"])

    def scan(self, text: str, bench: str = "bench-1") -> None:
        """Give a text at a bench on another screen."""
        self.act("bench_text", bench=bench, text=text, seen=self.view(bench)["revision"])

    def sample(self, product: str, bench: str = "bench-1") -> str:
        """Register a sample of a product for a bench; return its id."""
        made = f"S-{next(self._numbers):04d}"
        self.act("sample_add", id=made, product=product, bench=bench)
        return made

    def at_rest(self, bench: str = "bench-1") -> None:
        """Bring a bench to the choice of its next sample, whatever its stage is."""
        ways = {
            "zeroing": "confirm", "fitting": "confirm", "checking": "back", "verdict": "next", "remarking": "back",
            "repeating": "back", "damaging": "back", "waiting": "back", "bathing": "back", "discarding": "confirm",
        }  # fmt: skip
        while (stage := self.view(bench)["stage"]) != "choosing":
            if stage in ("running", "starting", "resting"):
                self.daemon.ask("stop", instrument=bench, bench=True).last("stopped")
                self.until(lambda view: view["stage"] not in ("running", "starting", "resting"), bench)
            else:
                self.press(ways[stage], bench)

    def begin(self, product: str, bench: str = "bench-1", *, confirmed: bool = True) -> str:
        """Name a new sample at a bench and confirm its checklist; return the sample."""
        while True:
            self.at_rest(bench)
            made = self.sample(product, bench)
            self.scan(made, bench)
            assert self.view(bench)["stage"] == "checking", self.view(bench)
            # The motor of the run before must be read as still.
            self.until(lambda view: all(i["met"] for i in view["items"] if i["code"] == "motor_still"), bench)
            if not confirmed:
                return made
            self.press("confirm", bench)
            # A run that a busy machine keeps from its instrument is started again.
            if self.until(_is_started, bench)["stage"] == "running" and self._in_phase(bench, PHASES[product]):
                return made

    def _in_phase(self, bench: str, phase: str) -> bool:
        """Wait until the run on a bench is in a phase; return False where it has ended before."""
        call = Call(socket_path(self.lab.state), {"do": "watch", "instrument": bench})
        try:
            while "view" in (answer := call.next()):
                if answer["view"]["state"] == phase:
                    return True
        finally:
            call.close()
        return False

    # ---- browsers

    def visitor(self, browser: Browser, person: str = "", *, paired: str = "", **options: Any) -> BrowserContext:
        """Return a browser of its own, with a log-in and a paired bench, as the page keeps them."""
        given: dict[str, Any] = {"viewport": {"width": 800, "height": 480}, "has_touch": True}
        context = browser.new_context(**(given | options))
        context.set_default_timeout(LONG_MS)
        cookies = Cookies(signing_key(self.lab.state / "page"), secure=False, port=self.port)
        values = {}
        if person:
            ticket = self.daemon.ask("log_in", by={"person": person, "password": PASSWORD, "page": True}).last("ticket")
            values[cookies.name("visit")] = ticket
        if paired:
            values[cookies.name("bench")] = cookies.pairing(paired)
        context.add_cookies([{"name": name, "value": value, "url": self.address} for name, value in values.items()])
        return context

    def opened(self, context: BrowserContext, path: str = "/bench/bench-1", *, by_cable: bool = False) -> Page:
        """Return a page of the works in a browser."""
        tab = context.new_page()
        tab.goto(f"http://127.0.0.1:{self.cable.port if by_cable else self.port}{path}")
        return tab


@contextmanager
def works(folder: Path, *, interval_ms: int = 500) -> Iterator[Works]:
    """Run a works for the time of a context; `interval_ms` is the time between two polls in simulated ms."""
    simulators = Simulators(folder, scale=SCALE)
    more = ("--fluid", "reference-b", "--geometry", "coaxial-15", "--temperature", "25", "--seed", "3")
    third = Simulator(folder, "bench-3", "rotational", "--serial", "R-1044", *more, scale=simulators.scale)
    third.wait_ready()
    simulators.all["bench-3"] = third
    lab = Lab(folder, simulators, benches=3)
    try:
        made = Works(lab, interval_ms=interval_ms)
        try:
            yield made
        finally:
            made.cable.close()
    finally:
        lab.close()
        simulators.stop()


def stage(tab: Page, name: str) -> None:
    """Wait until a page of a bench shows a stage."""
    tab.wait_for_selector(f"body[data-stage={name}]")
