"""64 polled instruments without a page, and with a page and 20 open browsers, in turn: from the line to the judged reading.

The browsers are event streams that one light process holds and reads: 4 of the overview, which follow all benches, and
16 of a bench each.  Browsers that draw would take the cores of this machine from the daemon, which a browser on a
panel or on a desk does not; that process is nicer by 10 for the same reason.
"""

import asyncio
import json
import os
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Final

from daq.adapters.paths import examples_dir
from daq.process.pagechild import page_command, page_environment
from tests.bench.fleet import latencies, measured, running, simulated

INSTRUMENTS: Final = 64
OVERVIEWS: Final = 4
SCREENS: Final = 16
SETTLE_S: Final = 3.0
"""Time in seconds after a change before the measurement."""
ALIKE: Final = 0.10
"""Goal: greatest share by which the 99th percentile with a page exceeds that without."""
LINE: Final = 1 << 20


def main(seconds: float, rounds: int, hertz: float) -> None:
    """Print the 99th percentiles of both, and their ratio."""
    with tempfile.TemporaryDirectory() as folder:
        with simulated(Path(folder), INSTRUMENTS):
            words = (folder, repr(hertz), repr(seconds), str(rounds))
            command = [sys.executable, "-m", "tests.bench.page_fleet", "daemon", *words]
            out = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True).stdout
        written = json.loads((Path(folder) / "written.json").read_text())
    found: dict[str, list[float]] = {"without": [], "with": []}
    cpu: dict[str, list[float]] = {"without": [], "with": []}
    phases = json.loads(out)
    for phase in phases:
        found[phase["kind"]] += latencies(phase["judged"], written)
        cpu[phase["kind"]].append(phase["cpu"])
    high = {kind: statistics.quantiles(times, n=100)[98] for kind, times in found.items()}
    for kind, times in found.items():
        print(
            f"  {kind:>7} page: median {statistics.median(times) * 1e3:.2f} ms, 99th percentile {high[kind] * 1e3:.2f} ms, "
            f"{len(times)} readings, daemon {statistics.mean(cpu[kind]) * 100:.0f} % of one core"
        )
    shares = [share for phase in phases for share in phase["page"]]
    print(f"  the page takes {statistics.mean(shares) * 100:.0f} % of one core")
    more = high["with"] / high["without"] - 1
    print(f"  99th percentile with a page: {more:+.1%} (goal: at most {ALIKE:+.0%}){'' if more <= ALIKE else ' *'}")


async def daemon(folder: Path, hertz: float, seconds: float, rounds: int) -> None:
    """Serve the fleet, without and with page and browsers in turn; print the times of judgement of each phase."""
    phases = []
    async with running(folder, INSTRUMENTS, hertz) as (supervisor, judged):
        for _ in range(rounds):
            for kind in ("without", "with"):
                started = await visited(supervisor.state) if kind == "with" else []
                await asyncio.sleep(SETTLE_S)
                before = [used(process.pid) for process in started[:1]]
                cpu, times = await measured(judged, seconds)
                page = [(used(process.pid) - was) / seconds for process, was in zip(started, before, strict=False)]
                phases.append({"kind": kind, "cpu": cpu, "page": page, "judged": times})
                for process in reversed(started):
                    process.terminate()
                    await process.wait()
                await asyncio.sleep(SETTLE_S)
    print(json.dumps(phases))


def used(process: int) -> float:
    """Return the processor time (s) that a process has used."""
    about = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    return (int(about[11]) + int(about[12])) / os.sysconf("SC_CLK_TCK")


async def visited(state: Path) -> list[asyncio.subprocess.Process]:
    """Start a page and its browsers; return both processes when every stream has had a reading."""
    command = page_command(config=str(examples_dir()), state=str(state), listen="127.0.0.1:0")
    page = await asyncio.create_subprocess_exec(*command, stdout=asyncio.subprocess.PIPE, env=page_environment())
    assert page.stdout is not None
    address = (await page.stdout.readline()).decode().split()[1]
    words = ("-m", "tests.bench.page_fleet", "browsers", address)
    browsers = await asyncio.create_subprocess_exec(sys.executable, *words, stdout=asyncio.subprocess.PIPE)
    assert browsers.stdout is not None
    assert await browsers.stdout.readline() == b"open\n"
    return [page, browsers]


async def browsers(address: str) -> None:
    """Hold event streams and drop what they bring; say when each has brought a reading."""
    host, _, port = address.removeprefix("http://").partition(":")
    paths = ["/api/v1/events"] * OVERVIEWS + [f"/api/v1/benches/unit-{n}/events" for n in range(SCREENS)]
    first = [asyncio.Event() for _ in paths]

    async def follow(path: str, brought: asyncio.Event) -> None:
        reader, writer = await asyncio.open_connection(host, int(port), limit=LINE)
        writer.write(f"GET {path} HTTP/1.1\r\nHost: {host}:{port}\r\n\r\n".encode())
        while line := await reader.readline():
            if line.startswith(b"event: reading"):
                brought.set()

    os.nice(10)
    streams = [asyncio.create_task(follow(path, event)) for path, event in zip(paths, first, strict=True)]
    await asyncio.gather(*(event.wait() for event in first))
    print("open", flush=True)
    await asyncio.gather(*streams)


if __name__ == "__main__":
    if sys.argv[1] == "browsers":
        asyncio.run(browsers(sys.argv[2]))
    else:
        asyncio.run(daemon(Path(sys.argv[2]), float(sys.argv[3]), float(sys.argv[4]), int(sys.argv[5])))
