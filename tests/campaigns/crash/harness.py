"""Kill the daemon repeatedly while it measures, restart it, check what it left, and count."""

import json
import random
import shutil
import signal
import subprocess
import sys
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from daq.adapters.paths import database_path, socket_path
from daq.adapters.store.checks import check_database
from daq.app.setup.drivers import Drivers
from tests.campaigns.crash.checks import WINDOW_S, Life, Tap, check_delivery, check_run, lost_readings
from tests.campaigns.crash.killed_daemon import KilledDaemon, KillPlan
from tests.support.processes.laboratory import SCALE, Call, Lab, Simulator

LINK = "bench-1"
ANY_MOMENT_EVERY = 5
"""One of this many kills is at a random moment instead of at a named point."""
ONCE = ("see_instrument.audit", "see_instrument.audit_head")
"""Points that are passed only when an instrument is connected for the first time; they are tried first."""
TWICE = ("StepEnded.next", "end_run.committed")
"""Two kills in a row: while the motor turns, and after the restart has ended that run but not yet stopped the motor."""
LONGEST_LIFE_S = 15.0
AFTER_THE_END_S = 0.5
"""Time (s) that a daemon which did not reach its point may go on after its run, for the work of the publisher."""

# Long enough for a loss above the window.  The motor is at rest at first, so that it starts to turn after a stored block.
METHOD = """
id = "crash"
version = "1"
title = "Everything a run can do, in half a minute"
claim = "at_time"

[conditioning]
soak = "11 s"
rest = "1 s"
[conditioning.preshear]
speed = 6
time = "2 s"

[[steps]]
name = "first"
speed = 12
settle = "1 s"
stop = "3 s"
longest = "1 min"
keep = [{ at = "end", span = "1 s" }]

[[steps]]
name = "second"
speed = 18
settle = "1 s"
stop = "15 s"
longest = "1 min"
keep = [{ at = "every", every = "3 s", span = "1 s" }, { at = "end", span = "2 s" }]
"""


class TappedSimulators:
    """Simulators of a `Lab`: one rotational instrument with a tap, and a thermometer."""

    def __init__(self, folder: Path, seed: int) -> None:
        self.scale = SCALE
        self.tap = folder / "tap"
        fill = ("--fluid", "reference-b", "--geometry", "coaxial-15", "--temperature", "25", "--seed", str(seed))
        self.all = {
            LINK: Simulator(
                folder, LINK, "rotational", "--serial", "R-1042", *fill,
                program=("tests.campaigns.crash.instrument", str(self.tap)),
            ),
            "thermo-1": Simulator(folder, "thermo-1", "thermometer", "--serial", "T-0310"),
        }  # fmt: skip
        for simulator in self.all.values():
            simulator.wait_ready()

    def stop(self) -> None:
        """Stop all simulators."""
        for simulator in self.all.values():
            simulator.stop()


@dataclass
class CrashTotals:
    """Totals of all kills."""

    kills: int = 0
    missed: int = 0
    """Lives that did not reach their point; they were killed from outside after their run."""
    by_point: Counter[str] = field(default_factory=Counter)
    runs: int = 0
    outcomes: Counter[str] = field(default_factory=Counter)
    losses_s: list[float] = field(default_factory=list)
    lost_readings: int = 0
    stops_after_restart: int = 0
    duplicates: int = 0
    delivered: int = 0
    points_known: int = 0
    seconds: float = 0.0
    violations: list[str] = field(default_factory=list)

    def wrong(self, text: str) -> None:
        """Add a violation."""
        self.violations.append(text)


class Harness:
    """One campaign: laboratory, broker, subscriber, and the daemon that is killed and restarted."""

    def __init__(self, folder: Path, seed: int, *, verbose: bool = False) -> None:
        self._rng = random.Random(seed)
        self._verbose = verbose
        self._folder = folder
        self._drivers = Drivers.find()
        self.totals = CrashTotals()
        self._simulators = TappedSimulators(folder, seed)
        self._lab = Lab(folder, self._simulators, companion=True)  # type: ignore[arg-type]
        broker = self._lab.start_broker()
        self._received = folder / "received"
        self._received.touch()
        self._subscriber = subprocess.Popen(
            [sys.executable, "-m", "tests.campaigns.crash.subscriber", str(broker.port), str(self._received)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert self._subscriber.stdout is not None
        assert self._subscriber.stdout.readline() == "ready\n"
        self._tap = Tap(self._simulators.tap)
        self._lives: list[Life] = []
        self._number = 0
        self._quiet_from_ns = 0

    def close(self) -> None:
        """Stop every process."""
        for stream in (self._subscriber.stdin, self._subscriber.stdout):
            if stream is not None:
                stream.close()
        self._subscriber.wait(10)
        self._lab.close()
        self._simulators.stop()

    # ---- lives of the daemon

    def run(self, kills: int) -> CrashTotals:
        """Kill the daemon `kills` times with the checks after each kill, then make the final checks."""
        began = time.monotonic()
        points = self._count_points()
        self.totals.points_known = len(points)
        # Remove the state of the counting life, so that an instrument is connected for the first time again.
        shutil.rmtree(self._lab.state)
        self._lab.state.mkdir(mode=0o700)
        for plan in self._plan(points, kills):
            self._one_life(plan)
        self._last_life()
        self.totals.seconds = time.monotonic() - began
        return self.totals

    def _count_points(self) -> Counter[str]:
        """Run one undisturbed life and count how often it passes each point.  Every life passes the points of the start."""
        daemon = self._start_daemon(KillPlan(), count_only=True)
        assert self._wait_until_ready(daemon), self._log()
        self._measure(daemon, "undisturbed")
        self._wait_for_empty_outbox(daemon)
        with self._lab.reader() as reader:
            for run in reader.runs():
                # Otherwise the kills would miss the points of a run that completes.
                if run.outcome != "complete":
                    self.totals.wrong(f"the undisturbed run did not complete: {run.outcome}, {run.reason}")
        daemon.signal(signal.SIGTERM)
        self._wait_for_end(daemon)
        self._quiet_from()
        return Counter(" ".join(words) for words in daemon.lines("passed"))

    def _plan(self, points: Counter[str], kills: int) -> list[KillPlan]:
        """Plan the kills: every point in turn in random order, at a random passing, and every fifth at a random moment."""
        plans = [KillPlan(point) for point in (*ONCE, *TWICE) if point in points]
        names = sorted(points.keys() - set(ONCE))
        order: list[str] = []
        while len(plans) < kills:
            if len(plans) % ANY_MOMENT_EVERY == 0:
                plans.append(KillPlan(after=self._rng.uniform(0.05, 2.0)))
                continue
            if not order:
                order = self._rng.sample(names, len(names))
            point = order.pop()
            plans.append(KillPlan(point, self._rng.randint(1, max(1, points[point] * 3 // 4))))
        return plans[:kills]

    def _start_daemon(self, plan: KillPlan, *, count_only: bool = False) -> KilledDaemon:
        self._number += 1
        # The version changes each time, so that a method is registered in every life.
        method = METHOD.replace('version = "1"', f'version = "{self._number}"')
        (self._lab.config / "methods" / "crash.toml").write_text(method)
        report = self._folder / f"report-{self._number}"
        return KilledDaemon(self._lab, plan, report, self._folder / "daemon.log", count_only=count_only)

    def _one_life(self, plan: KillPlan) -> None:
        daemon = self._start_daemon(plan)
        sample = f"kill-{self._number}"
        asked_ns = 0
        if self._wait_until_ready(daemon):
            self._check_after_restart()
            asked_ns = time.monotonic_ns()
            self._measure(daemon, sample)
            end = time.monotonic() + AFTER_THE_END_S
            while daemon.ended is None and time.monotonic() < end:
                time.sleep(0.005)
        if daemon.ended is None:
            self.totals.missed += 1
            daemon.signal(signal.SIGKILL)
            outside_ns = time.monotonic_ns()
        self._wait_for_end(daemon)
        died = daemon.lines("died")
        died_ns, point = (int(died[0][0]), " ".join(died[0][1:])) if died else (outside_ns, "from outside")
        if daemon.ended != -signal.SIGKILL:
            self.totals.wrong(f"life {self._number} ended by itself with {daemon.ended}: see {self._log()}")
        self.totals.kills += 1
        self.totals.by_point[point] += 1
        self._quiet_from()
        if asked_ns:
            self._lives.append(Life(sample, asked_ns, died_ns, point, daemon.real_ns))
        if self._verbose:
            print(f"{self._number:4d} {point} ({plan.n})", flush=True)

    def _last_life(self) -> None:
        daemon = self._start_daemon(KillPlan())
        if not self._wait_until_ready(daemon):
            self.totals.wrong(f"the daemon does not start any more: see {self._log()}")
            return
        self._check_after_restart()
        self._wait_for_empty_outbox(daemon)
        daemon.signal(signal.SIGTERM)
        self._wait_for_end(daemon)
        if daemon.ended != 0:
            self.totals.wrong(f"the last life ended with {daemon.ended}")
        self._check_all()

    def _wait_until_ready(self, daemon: KilledDaemon) -> bool:
        """Wait until its instrument is ready and its motor is known to be at rest; return False if the daemon dies before."""
        end = time.monotonic() + LONGEST_LIFE_S
        while daemon.ended is None:
            if time.monotonic() > end:
                self.totals.wrong(f"life {self._number} does not become ready: see {self._log()}")
                return False
            try:
                call = Call(socket_path(self._lab.state), {"do": "status"})
                try:
                    standings = call.until("status")["instruments"].values()
                finally:
                    call.close()
                if all(s["state"] == "ready" and not s["motor"] for s in standings):
                    return True
            except (OSError, AssertionError):
                pass  # the daemon does not listen yet, or was killed
            time.sleep(0.005)
        return False

    def _measure(self, daemon: KilledDaemon, sample: str) -> None:
        """Request a run and follow it until the run or the daemon ends."""
        try:
            call = Call(
                socket_path(self._lab.state), {"do": "run", "method_id": "crash", "instrument": LINK, "sample": sample}
            )
        except OSError:
            return
        try:
            while not (answer := call.next()).get("done"):
                if "error" in answer and daemon.ended is None:
                    self.totals.wrong(f"{sample}: {answer['error']}")
        except (AssertionError, ValueError, OSError):
            if daemon.ended is None:
                self._wait_for_end(daemon)
        finally:
            call.close()

    def _quiet_from(self) -> None:
        """Note the time from which on only a later life can send: the instrument has read all that the dead one wrote."""
        for _ in range(2):  # each answer shows that the instrument's loop has read its terminal once more
            self._simulators.all[LINK].state()
        self._quiet_from_ns = time.monotonic_ns()

    def _wait_for_end(self, daemon: KilledDaemon) -> None:
        end = time.monotonic() + LONGEST_LIFE_S
        while daemon.ended is None:
            if time.monotonic() > end:
                self.totals.wrong(f"life {self._number} does not end: see {self._log()}")
                daemon.signal(signal.SIGKILL)
            time.sleep(0.002)

    def _wait_for_empty_outbox(self, daemon: KilledDaemon) -> None:
        end = time.monotonic() + LONGEST_LIFE_S
        while daemon.ended is None and time.monotonic() < end:
            with self._lab.reader() as reader:
                depth = reader.outbox_depth()
            if not depth.waiting and not depth.refused:
                return
            time.sleep(0.02)
        self.totals.wrong("the outbox was not emptied")

    # ---- checks

    def _check_after_restart(self) -> None:
        """Check after a restart: the interrupted run has its result, the motor is at rest, and no motion was started."""
        now_ns = time.monotonic_ns()
        if self._simulators.all[LINK].turning:
            self.totals.wrong(f"the motor turns after the restart that follows life {self._number}")
        self._tap.catch_up()
        since = b"".join(data for _, data in self._tap.between("<", self._quiet_from_ns, now_ns))
        if b"turn" in since or b"speed" in since:
            self.totals.wrong(f"motion was commanded after the kill before life {self._number}: {since!r}")
        self.totals.stops_after_restart += b"halt" in since
        with self._lab.reader() as reader:
            if unfinished := reader.unfinished_runs():
                self.totals.wrong(f"{len(unfinished)} runs unfinished after a restart: {unfinished[0].id}")
            for life in self._lives:
                for run in reader.runs(sample=life.sample):
                    self._settle(reader, run, life)
        self._lives.clear()

    def _settle(self, reader: Any, run: Any, life: Life) -> None:
        for text in check_run(reader, run, self._drivers):
            self.totals.wrong(f"{life.point}: {text}")
        self.totals.runs += 1
        self.totals.outcomes[run.outcome] += 1
        try:
            loss = lost_readings(reader, run, life, self._tap, LINK)
        except AssertionError as error:
            self.totals.wrong(f"{life.point}: {error}")
            return
        self.totals.losses_s.append(loss.seconds)
        self.totals.lost_readings += loss.readings
        if loss.seconds > WINDOW_S:
            self.totals.wrong(f"{life.point}: run {run.id} lost {loss.seconds:.3f} s of readings")

    def _check_all(self) -> None:
        """Check the whole database and the results that the historian has."""
        with self._lab.reader() as reader:
            for run in reader.runs(limit=-1):
                if len(reader.results(run.id)) != 1 or run.state != "ended":
                    self.totals.wrong(f"run {run.id} ({run.sample}) has no single result at the end")
            end = time.monotonic() + LONGEST_LIFE_S
            source, _ = reader.identity()
            while True:
                received = [json.loads(line) for line in self._received.read_text().splitlines()]
                received = [m for m in received if m["source"].startswith(f"urn:uuid:{source}")]
                wrong, self.totals.duplicates = check_delivery(reader, received)
                if not wrong or time.monotonic() > end:
                    break
                time.sleep(0.05)
            self.totals.delivered = len({m["id"] for m in received})
        self.totals.violations += wrong
        for finding in check_database(database_path(self._lab.state), utc_ns=time.time_ns()):
            if not finding.ok and finding.what != "disk":
                self.totals.wrong(f"{finding.what}: {finding.say}")

    def _log(self) -> str:
        return str(self._folder / "daemon.log")
