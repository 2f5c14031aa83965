"""1, 16 and 64 instruments (or a given number) on pseudo-terminals: CPU of the daemon, latency of a reading.

After the daemon the barest program (`tests.bench.fleet_bare`) polls the same instruments at the same phases.
"""

import asyncio
import bisect
import contextlib
import json
import os
import pty
import selectors
import statistics
import subprocess
import sys
import tempfile
import time
import tty
from collections.abc import AsyncIterator, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from tests.bench.goals import Row
from tests.support.instruments.described import line

if TYPE_CHECKING:
    from daq.app.daemon.supervisor import Supervisor

SECONDS = 15.0
FLEETS = (1, 16, 64)
GOALS = {64: 1.7, 256: 2.0, 512: 3.0}
"""Goal of the ratio to the barest program, by number of instruments."""
LONGEST_MS = {512: 20.0}
"""Goal of the 99th percentile, ms, by number of instruments."""
Judged = dict[str, list[tuple[int, int]]]
"""Number and monotonic time (ns) of the judgement of each reading, by instrument."""


def main(fleets: Sequence[int] = FLEETS, hertz: float = 10.0) -> list[Row]:
    rows = []
    print(f"Instruments polled at {hertz:g} Hz on pseudo-terminals, each in a run, {SECONDS:g} s")
    for count in fleets:
        cpu, bare, found = measure(count, hertz)
        high_ms = statistics.quantiles(found, n=100)[98] * 1e3
        print(
            f"  {count:>3} instruments: {cpu * 100:5.1f} % of one core, {cpu / bare:.2f} x the barest program, "
            f"{len(found) / SECONDS / count:.1f} readings/s each, latency median {statistics.median(found) * 1e3:.2f} ms, 99th percentile {high_ms:.2f} ms",
            flush=True,
        )
        if count in GOALS:
            rows.append(Row(f"{count} polled instruments / the barest program", cpu / bare, GOALS[count], "x"))
        if count in LONGEST_MS:
            rows.append(Row(f"{count} polled instruments, 99th percentile", high_ms, LONGEST_MS[count], "ms"))
    return rows


def measure(count: int, hertz: float) -> tuple[float, float, list[float]]:
    """Return the CPU (cores) of the daemon and of the barest program, and the latencies (s) of the daemon.

    A latency is the time from the writing of a reply to its judgement.
    """
    with tempfile.TemporaryDirectory() as folder:
        with simulated(Path(folder), count):
            command = [sys.executable, "-m", "tests.bench.fleet", "daemon", folder, str(count), repr(hertz)]
            out = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True).stdout
            done = json.loads(out)
            first = {name: times[0][1] if times else 0 for name, times in done["judged"].items()}
            command = [sys.executable, "-m", "tests.bench.fleet_bare", folder, repr(hertz), repr(SECONDS)]
            bare = subprocess.run(command, check=True, input=json.dumps(first), stdout=subprocess.PIPE, text=True)
        written = json.loads((Path(folder) / "written.json").read_text())
    return done["cpu"], float(bare.stdout), latencies(done["judged"], written)


def latencies(judged: Judged, written: Judged) -> list[float]:
    """Return the times (s) from the writing of each reply to its judgement; numbers come again after 1,000 readings."""
    found = []
    for name, times in judged.items():
        at: dict[int, list[int]] = {}
        for number, moment in written[name]:
            at.setdefault(number, []).append(moment)
        for number, t in times:
            before = bisect.bisect_right(at.get(number, []), t)
            if before:
                found.append((t - at[number][before - 1]) * 1e-9)
    return found


@contextlib.contextmanager
def simulated(folder: Path, count: int) -> Iterator[None]:
    """Simulate instruments in a process for the time of a context; `written.json` is there after it."""
    command = [sys.executable, "-m", "tests.bench.fleet", "instruments", str(folder), str(count)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    try:
        process.stdout.readline()
        yield
    finally:
        process.terminate()
        process.wait()
        process.stdout.close()


def instruments(folder: Path, count: int) -> None:
    """Simulate `count` instruments in one process; the torque of every reading is its number."""
    selector = selectors.DefaultSelector()
    written: dict[str, list[tuple[int, int]]] = {}
    states: dict[int, list[float]] = {}
    for i in range(count):
        outer, inner = pty.openpty()
        tty.setraw(inner)
        name = f"unit-{i}"
        (folder / name).symlink_to(os.ttyname(inner))
        written[name] = []
        states[outer] = [0.0, 0.0, 0.0]
        selector.register(outer, selectors.EVENT_READ, (name, inner))
    print("ready", flush=True)
    import signal

    stopping: list[int] = []
    signal.signal(signal.SIGTERM, lambda *_: stopping.append(1))
    while not stopping:
        for key, _ in selector.select(0.2):
            name, fd = key.data[0], key.fd
            for request in os.read(fd, 4096).split(b"\r\n"):
                answer = reply(request.partition(b"#")[0].decode(), states[fd], name)
                if answer:
                    written[name].append((int(states[fd][2]) % 1000, time.monotonic_ns()))
                    os.write(fd, answer)
    (folder / "written.json").write_text(json.dumps(written))


def reply(request: str, state: list[float], name: str) -> bytes:
    word, _, value = request.partition(" ")
    if word == "who":
        return line(f"is rotational serial={name} firmware=1 fs=1000.0")
    if word == "read":
        state[2] += 1
        return line(f"val {20 + int(state[2]) % 1000 / 100:.2f} {state[0] if state[1] else 0:.3f} 25.000 -")
    if word == "speed":
        state[0] = float(value)
        return line(f"ok speed {state[0]:.3f}")
    if word in ("turn", "halt"):
        state[1] = float(word == "turn")
        return line(f"ok {word}")
    return line("no command") if word else b""


@contextlib.asynccontextmanager
async def running(folder: Path, count: int, hertz: float) -> AsyncIterator[tuple["Supervisor", Judged]]:
    """Serve the fleet with all functions, each instrument in a run; yield the daemon and the times of judgement."""
    from daq.adapters.clock import SystemClock
    from daq.adapters.paths import examples_dir
    from daq.app.daemon.process import served
    from daq.app.daemon.supervisor import Supervisor
    from daq.app.run.runner import Runner
    from daq.app.setup.catalogue import Catalogue
    from daq.app.setup.run_order import RunOrder
    from daq.core.driver import Values
    from daq.methods.files.conditioning import Conditioning
    from daq.methods.files.daemon import Daemon
    from daq.methods.files.recipe import Stop
    from daq.process.logs import set_up_logs

    set_up_logs("critical", "json")
    catalogue = Catalogue.load(examples_dir())
    catalogue.daemon = Daemon()
    bench = catalogue.instrument("bench-1")
    catalogue.instruments = {
        f"unit-{i}": bench.model_copy(
            update={
                "name": f"unit-{i}", "port": str(folder / f"unit-{i}"), "companions": {}, "expect_serial": None,
                "simulated": True, "options": {**bench.options, "interval_ms": round(1000 / hertz)},
            }
        )
        for i in range(count)
    }  # fmt: skip
    method = catalogue.method("clear-glaze-qc")
    step = method.steps[0].model_copy(update={"longest": 3600 * 10**9, "stop": Stop.model_validate("3000 s")})
    endless = method.model_copy(update={"steps": (step,), "conditioning": Conditioning()})
    catalogue.methods["clear-glaze-qc"] = {"1": endless}
    judged: Judged = {name: [] for name in catalogue.instruments}
    received = Runner.received

    def timed(self: Runner, link: str, data: bytes) -> None:
        received(self, link, data)
        now = time.monotonic_ns()
        # Read the intake directly: making the view for screens would take more time than the measurement allows.
        last = self.pipeline.links[self.pipeline.lead].intake.last
        torque = (last.values if isinstance(last, Values) else last)[0] if last else None
        if torque is not None:
            judged[link].append((round((torque - 20) * 100), now))

    (folder / "state").mkdir()
    supervisor = Supervisor(catalogue, folder / "state", SystemClock())
    async with served(supervisor):
        Runner.received = timed  # type: ignore[method-assign]
        for name in catalogue.instruments:
            session = supervisor.sessions[name]
            while session.standing.state != "ready":
                await asyncio.sleep(0.05)
        for name in catalogue.instruments:
            order = RunOrder(method_id="clear-glaze-qc", instrument=name, sample="bench")
            await supervisor.begin(order)
        await asyncio.sleep(5)
        yield supervisor, judged
        for name in catalogue.instruments:
            supervisor.stop_run(name, "bench")
        await asyncio.sleep(1)


async def measured(judged: Judged, seconds: float) -> tuple[float, Judged]:
    """Return the CPU (cores) of this process, and the times of judgement, in the next seconds."""
    for times in judged.values():
        times.clear()
    began, cpu = time.monotonic(), time.process_time()
    await asyncio.sleep(seconds)
    share = (time.process_time() - cpu) / (time.monotonic() - began)
    return share, {name: list(times) for name, times in judged.items()}


async def daemon(folder: Path, count: int, hertz: float) -> None:
    """Serve the fleet; print CPU and the time at which each reading was judged."""
    async with running(folder, count, hertz) as (_, judged):
        share, done = await measured(judged, SECONDS)
    print(json.dumps({"cpu": share, "judged": done}))


if __name__ == "__main__":
    what, where, number = sys.argv[1], Path(sys.argv[2]), int(sys.argv[3])
    if what == "instruments":
        instruments(where, number)
    else:
        asyncio.run(daemon(where, number, float(sys.argv[4])))
