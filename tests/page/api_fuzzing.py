"""Generated requests to every route of the API: ``python -m tests.page.api_fuzzing [--examples 200] [--seed 1] [--only people]``.

The page is in this process, over a laboratory in a temporary folder: without people as a browser of this machine, and
with people as a person who administers.  A finding ends the command with an error, and is printed with its request.
"""

import argparse
import socket
import subprocess
import sys
import tempfile
import threading
from pathlib import Path

import httpx
import uvicorn

from tests.page.visiting import Page, add_sample
from tests.support.laboratories import laboratory, staffed
from tests.support.processes.laboratory import eventually

LEFT_OUT = "positive_data_acceptance"
"""Names and times have rules that JSON Schema does not state; what breaks one gets 422 and a sentence."""
PHASES = "examples,coverage,fuzzing"


def fuzz(
    folder: Path, *, people: bool, examples: int, seed: int = 7, phases: str = PHASES, within_s: float = 500.0
) -> subprocess.CompletedProcess[str]:
    """Send generated requests to every route but the streams of events, and return how the fuzzer ended.

    Args:
        folder: an empty folder.
        people: with people, as a person who administers; otherwise as a browser of this machine.
        examples: greatest number of examples for each route and phase.
        seed: of the requests.
        phases: of the fuzzer.
        within_s: longest time in seconds.
    """
    with socket.socket() as listening, (staffed if people else laboratory)(folder) as lab:
        listening.bind(("127.0.0.1", 0))
        listening.listen()
        port = listening.getsockname()[1]
        add_sample(lab, "E-7")
        page = Page(lab, people=people, port=port)
        server = uvicorn.Server(uvicorn.Config(page.app, log_config=None, lifespan="off"))
        thread = threading.Thread(target=server.run, args=([listening],), daemon=True)
        thread.start()
        eventually(lambda: server.started, what="the page")
        origin = f"http://127.0.0.1:{port}"
        if people:
            ticket = page.daemon.lab.tickets.issue("administer", by_badge=False, mono_ns=lab.clock.mono_ns())
            headers = {"Authorization": f"Bearer {ticket}"}
        else:
            with httpx.Client(base_url=origin, trust_env=False) as client:
                session = client.get("/api/v1/session").json()
                cookies = "; ".join(f"{name}={value}" for name, value in client.cookies.items())
            headers = {"Cookie": cookies, "X-CSRF-Token": session["csrf"], "Origin": origin}
        command = [
            str(Path(sys.executable).parent / "schemathesis"), "run", f"{origin}/api/v1/openapi.json", "--no-color",
            "--seed", str(seed), "--max-examples", str(examples), "--phases", phases,
            "--exclude-path-regex", ".*/events", "--exclude-checks", LEFT_OUT,
            *(part for name, value in headers.items() for part in ("-H", f"{name}: {value}")),
        ]  # fmt: skip
        try:
            return subprocess.run(command, capture_output=True, text=True, timeout=within_s, cwd=folder)
        finally:
            server.should_exit = True
            thread.join(60)


def main() -> int:
    """Fuzz the API, and return 1 where something was found."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--examples", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=("people", "nobody"))
    parser.add_argument("--minutes", type=float, default=60.0)
    asked = parser.parse_args()
    found = 0
    for name in ("nobody", "people"):
        if asked.only not in (None, name):
            continue
        with tempfile.TemporaryDirectory() as folder:
            try:
                done = fuzz(
                    Path(folder),
                    people=name == "people",
                    examples=asked.examples,
                    seed=asked.seed,
                    within_s=60 * asked.minutes,
                )
            except subprocess.TimeoutExpired as late:
                print(f"== {name}: NOT FINISHED within {asked.minutes:g} min", (late.stdout or b"").decode(), sep="\n")
                found = 1
                continue
        print(f"== {name}: {'nothing found' if not done.returncode else 'FOUND'}", done.stdout, done.stderr, sep="\n")
        found |= done.returncode != 0
    return int(found)


if __name__ == "__main__":
    sys.exit(main())
