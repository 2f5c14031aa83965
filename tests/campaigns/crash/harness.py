"""Kills the daemon again and again while it measures, starts it anew, and keeps the books."""

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
from tests.campaigns.crash.victim import Doom, Victim
from tests.support.processes.laboratory import SCALE, Call, Lab, Simulator

LINK = "bench-1"
ANY_MOMENT_EVERY = 5
"""One kill of so many strikes at a random moment instead of at a named point."""
ONCE = ("see_instrument.audit", "see_instrument.audit_head")
"""Points that are passed only when an instrument is seen for the first time: they come first."""
TWICE = ("StepEnded.next", "end_run.committed")
"""Killed while the motor turns, and again when the next start has ended that run and not yet stopped the motor."""
LONGEST_LIFE_S = 15.0
AFTER_THE_END_S = 0.5
"""So long a daemon whose point did not come may live on after its run, for what the publisher still does."""

# Long enough for a loss above the window; still at first, so that the turning begins behind a stored block.
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
    """What `Lab` needs: one rotational instrument with a tap, and a thermometer."""

    def __init__(self, folder: Path, seed: int) -> None:
        self.scale = SCALE
        self.tap = folder / "tap"
        fill = ("--fluid", "reference-500", "--geometry", "coaxial-15", "--temperature", "25", "--seed", str(seed))
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
        """End them."""
        for simulator in self.all.values():
            simulator.stop()


@dataclass
class Books:
    """What came of all kills."""

    kills: int = 0
    missed: int = 0
    """Lives whose point did not come; they were killed from outside after their run."""
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
        """Note a violation."""
        self.violations.append(text)


class Harness:
    """The world the daemon lives and dies in."""

    def __init__(self, folder: Path, seed: int, *, verbose: bool = False) -> None:
        self._rng = random.Random(seed)
        self._verbose = verbose
        self._folder = folder
        self._drivers = Drivers.find()
        self.books = Books()
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
        """End every process."""
        for stream in (self._subscriber.stdin, self._subscriber.stdout):
            if stream is not None:
                stream.close()
        self._subscriber.wait(10)
        self._lab.close()
        self._simulators.stop()

    # ---- lives of the daemon

    def run(self, kills: int) -> Books:
        """So many kills, with the checks after each, and the last ones at the end."""
        began = time.monotonic()
        points = self._census()
        self.books.points_known = len(points)
        # What the census wrote is out of the way: an instrument is seen for the first time again.
        shutil.rmtree(self._lab.state)
        self._lab.state.mkdir(mode=0o700)
        for doom in self._plan(points, kills):
            self._one_life(doom)
        self._last_life()
        self.books.seconds = time.monotonic() - began
        return self.books

    def _census(self) -> Counter[str]:
        """One undisturbed life, and how often it passes each point; its beginning is passed by every life."""
        victim = self._birth(Doom(), census=True)
        assert self._until_ready(victim), self._log()
        self._measure(victim, "census")
        self._drained(victim)
        with self._lab.reader() as reader:
            for run in reader.runs():
                # Otherwise the kills would not meet what a run does to its end.
                if run.outcome != "complete":
                    self.books.wrong(f"the undisturbed run did not complete: {run.outcome}, {run.reason}")
        victim.signal(signal.SIGTERM)
        self._until_ended(victim)
        self._quiet_from()
        return Counter(" ".join(words) for words in victim.lines("passed"))

    def _plan(self, points: Counter[str], kills: int) -> list[Doom]:
        """Every point in turn in random order, at a random one of its passings, and now and then at any moment."""
        dooms = [Doom(point) for point in (*ONCE, *TWICE) if point in points]
        names = sorted(points.keys() - set(ONCE))
        order: list[str] = []
        while len(dooms) < kills:
            if len(dooms) % ANY_MOMENT_EVERY == 0:
                dooms.append(Doom(after=self._rng.uniform(0.05, 2.0)))
                continue
            if not order:
                order = self._rng.sample(names, len(names))
            point = order.pop()
            dooms.append(Doom(point, self._rng.randint(1, max(1, points[point] * 3 // 4))))
        return dooms[:kills]

    def _birth(self, doom: Doom, *, census: bool = False) -> Victim:
        self._number += 1
        # Another version each time, so that a method is registered in every life.
        method = METHOD.replace('version = "1"', f'version = "{self._number}"')
        (self._lab.config / "methods" / "crash.toml").write_text(method)
        report = self._folder / f"report-{self._number}"
        return Victim(self._lab, doom, report, self._folder / "daemon.log", census=census)

    def _one_life(self, doom: Doom) -> None:
        victim = self._birth(doom)
        sample = f"kill-{self._number}"
        asked_ns = 0
        if self._until_ready(victim):
            self._check_after_restart()
            asked_ns = time.monotonic_ns()
            self._measure(victim, sample)
            end = time.monotonic() + AFTER_THE_END_S
            while victim.ended is None and time.monotonic() < end:
                time.sleep(0.005)
        if victim.ended is None:
            self.books.missed += 1
            victim.signal(signal.SIGKILL)
            outside_ns = time.monotonic_ns()
        self._until_ended(victim)
        died = victim.lines("died")
        died_ns, point = (int(died[0][0]), " ".join(died[0][1:])) if died else (outside_ns, "from outside")
        if victim.ended != -signal.SIGKILL:
            self.books.wrong(f"life {self._number} ended by itself with {victim.ended}: see {self._log()}")
        self.books.kills += 1
        self.books.by_point[point] += 1
        self._quiet_from()
        if asked_ns:
            self._lives.append(Life(sample, asked_ns, died_ns, point, victim.real_ns))
        if self._verbose:
            print(f"{self._number:4d} {point} ({doom.n})", flush=True)

    def _last_life(self) -> None:
        victim = self._birth(Doom())
        if not self._until_ready(victim):
            self.books.wrong(f"the daemon does not come up any more: see {self._log()}")
            return
        self._check_after_restart()
        self._drained(victim)
        victim.signal(signal.SIGTERM)
        self._until_ended(victim)
        if victim.ended != 0:
            self.books.wrong(f"the last life ended with {victim.ended}")
        self._check_all()

    def _until_ready(self, victim: Victim) -> bool:
        """Wait until its instrument is ready and its motor accounted for; False where it dies before."""
        end = time.monotonic() + LONGEST_LIFE_S
        while victim.ended is None:
            if time.monotonic() > end:
                self.books.wrong(f"life {self._number} does not become ready: see {self._log()}")
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
                pass  # not yet, or not any more
            time.sleep(0.005)
        return False

    def _measure(self, victim: Victim, sample: str) -> None:
        """Ask for a run and follow it to its end or to the daemon's."""
        try:
            call = Call(
                socket_path(self._lab.state), {"do": "run", "method_id": "crash", "instrument": LINK, "sample": sample}
            )
        except OSError:
            return
        try:
            while not (answer := call.next()).get("done"):
                if "error" in answer and victim.ended is None:
                    self.books.wrong(f"{sample}: {answer['error']}")
        except (AssertionError, ValueError, OSError):
            if victim.ended is None:
                self._until_ended(victim)
        finally:
            call.close()

    def _quiet_from(self) -> None:
        """From now on nothing may be sent but what a later life sends: what the dead one wrote was read."""
        for _ in range(2):  # each answer shows that the instrument's loop came round
            self._simulators.all[LINK].state()
        self._quiet_from_ns = time.monotonic_ns()

    def _until_ended(self, victim: Victim) -> None:
        end = time.monotonic() + LONGEST_LIFE_S
        while victim.ended is None:
            if time.monotonic() > end:
                self.books.wrong(f"life {self._number} does not end: see {self._log()}")
                victim.signal(signal.SIGKILL)
            time.sleep(0.002)

    def _drained(self, victim: Victim) -> None:
        end = time.monotonic() + LONGEST_LIFE_S
        while victim.ended is None and time.monotonic() < end:
            with self._lab.reader() as reader:
                depth = reader.outbox_depth()
            if not depth.waiting and not depth.refused:
                return
            time.sleep(0.02)
        self.books.wrong("the outbox was not emptied")

    # ---- checks

    def _check_after_restart(self) -> None:
        """The daemon is up again: what was under way is settled, the motor stands, nothing was started."""
        now_ns = time.monotonic_ns()
        if self._simulators.all[LINK].turning:
            self.books.wrong(f"the motor turns after the restart behind life {self._number}")
        self._tap.catch_up()
        since = b"".join(data for _, data in self._tap.between("<", self._quiet_from_ns, now_ns))
        if b"turn" in since or b"speed" in since:
            self.books.wrong(f"motion was commanded after the kill before life {self._number}: {since!r}")
        self.books.stops_after_restart += b"halt" in since
        with self._lab.reader() as reader:
            if unfinished := reader.unfinished_runs():
                self.books.wrong(f"{len(unfinished)} runs unfinished after a restart: {unfinished[0].id}")
            for life in self._lives:
                for run in reader.runs(sample=life.sample):
                    self._settle(reader, run, life)
        self._lives.clear()

    def _settle(self, reader: Any, run: Any, life: Life) -> None:
        for text in check_run(reader, run, self._drivers):
            self.books.wrong(f"{life.point}: {text}")
        self.books.runs += 1
        self.books.outcomes[run.outcome] += 1
        try:
            loss = lost_readings(reader, run, life, self._tap, LINK)
        except AssertionError as error:
            self.books.wrong(f"{life.point}: {error}")
            return
        self.books.losses_s.append(loss.seconds)
        self.books.lost_readings += loss.readings
        if loss.seconds > WINDOW_S:
            self.books.wrong(f"{life.point}: run {run.id} lost {loss.seconds:.3f} s of readings")

    def _check_all(self) -> None:
        """Everything in the database together, and what the historian has."""
        with self._lab.reader() as reader:
            for run in reader.runs(limit=-1):
                if len(reader.results(run.id)) != 1 or run.state != "ended":
                    self.books.wrong(f"run {run.id} ({run.sample}) is not settled in the end")
            end = time.monotonic() + LONGEST_LIFE_S
            source, _ = reader.identity()
            while True:
                received = [json.loads(line) for line in self._received.read_text().splitlines()]
                received = [m for m in received if m["source"].startswith(f"urn:uuid:{source}")]
                wrong, self.books.duplicates = check_delivery(reader, received)
                if not wrong or time.monotonic() > end:
                    break
                time.sleep(0.05)
            self.books.delivered = len({m["id"] for m in received})
        self.books.violations += wrong
        for finding in check_database(database_path(self._lab.state), utc_ns=time.time_ns()):
            if not finding.ok and finding.what != "disk":
                self.books.wrong(f"{finding.what}: {finding.say}")

    def _log(self) -> str:
        return str(self._folder / "daemon.log")
