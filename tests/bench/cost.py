"""CPU per reading from bytes to journaled, judged and stored, on the hardest example method."""

import hashlib
import json
import os
import pty
import random
import re
import sqlite3
import tempfile
import threading
import time
import tty
from collections.abc import Callable
from dataclasses import asdict, replace
from pathlib import Path

import serial

from daq.adapters.paths import examples_dir
from daq.adapters.store.rows import RunRecord
from daq.adapters.store.store import Store
from daq.adapters.store.transactions import AppendBlock, BeginRun, RegisterMethod
from daq.app.run.runner import FLUSH_S
from daq.app.setup.catalogue import Catalogue
from daq.core.effects import Effect, Kept, Send, StepEnded
from daq.core.events import Event, LinkUp, OperatorCommand, Received, Sent
from daq.core.journal import JournalWriter
from daq.core.pipeline import Pipeline
from daq.core.plan import Plan, Rule
from daq.methods.planning.compile import compile_plan
from daq.testing.bench import header_of
from tests.bench.goals import Row
from tests.support.instruments.described import RotationalDriver, line

SECOND = 1_000_000_000
METHOD = "casting-slip-equilibrium"
"""Checksum on every line, values kept every 10 s and at the end, steadiness judged over a trailing span of 20 s."""
LINES = 1000
"""Readings per simulated second: 1 kHz, so that spans hold tens of thousands of readings."""


def main() -> list[Row]:
    print(f"CPU per reading, method {METHOD} (checksum, overlapping spans, steadiness)")
    lines = make_lines(LINES)
    bulk, bulk_digest = ours(lines, chunk=LINES, seconds=200)
    single, single_digest = ours(lines, chunk=1, seconds=20)
    _, same_digest = ours(lines, chunk=LINES, seconds=20)
    bare = bare_loop(lines, 200)
    script = readline_script(lines, 10)
    show("bytes to journaled, judged and stored, chunks of 1,000 lines", bulk, bare)
    show("the same, chunks of one line", single, bare)
    show("bare read-split-float-insert loop", bare, bare)
    show("readline-regex-insert script on a pseudo-terminal", script, bare)
    print(
        f"  digests of the effects of both ways of cutting: {'the same' if single_digest == same_digest else 'DIFFERENT'}"
    )
    print(f"  (200 s in bulk: {bulk_digest[:12]})")
    return [
        Row("bulk: bytes to stored / bare loop", bulk / bare, 2, "x"),
        Row("the same, one line per chunk", single / bare, 7, "x"),
    ]


def show(what: str, microseconds: float, bare: float) -> None:
    print(f"  {what:<62} {microseconds:7.2f} us  {microseconds / bare:6.2f} x bare")


def make_lines(count: int) -> list[bytes]:
    rng = random.Random(7)
    return [
        line(f"val {42 + rng.gauss(0, 0.2):.2f} {30 + rng.gauss(0, 0.002):.3f} {25 + rng.gauss(0, 0.01):.3f} -")
        for _ in range(count)
    ]


def plan_and_driver() -> tuple[Plan, RotationalDriver]:
    catalogue = Catalogue.load(examples_dir())
    driver = RotationalDriver({"mode": "stream", "interval_ms": 50})
    instrument = catalogue.instrument("bench-1").model_copy(update={"companions": {}})
    plan = compile_plan(catalogue.method(METHOD), instrument, driver)
    step = plan.steps[0]
    return replace(plan, steps=(replace(step, stop=never_steady(step.stop)),)), driver


def never_steady(rule: Rule) -> Rule:
    """Return the rule with a steadiness that is judged but cannot be reached, so that the step does not end."""
    return replace(rule, limit=0.0, rules=tuple(never_steady(r) for r in rule.rules))


def ours(lines: list[bytes], *, chunk: int, seconds: int) -> tuple[float, str]:
    """Return microseconds of CPU per reading (all threads: pipeline, journal, SQLite writer) and the digest of the effects."""
    plan, driver = plan_and_driver()
    pipeline = Pipeline(plan, {plan.lead.name: driver})
    name = plan.lead.name
    journal = JournalWriter([name])
    digest = hashlib.sha256()
    data = [b"".join(lines[i : i + chunk]) for i in range(0, len(lines), chunk)]
    with tempfile.TemporaryDirectory() as folder, Store(Path(folder) / "bench.sqlite") as store:
        store.submit(RegisterMethod(plan.method, plan.version, plan.digest, "", 0, "bench")).result()
        store.submit(BeginRun(run_record(plan))).result()
        journal.header(header_of(plan, {name: driver}), 0)

        def feed(event: Event) -> list[Effect]:
            journal.event(event)
            effects = pipeline.step((event,))
            for effect in effects:
                journal.effect(effect, event.t)
                if isinstance(effect, (Kept, StepEnded)):
                    digest.update(json.dumps(asdict(effect), sort_keys=True).encode())
            return effects

        t = start_measuring(feed, pipeline, name)
        began, flushed = time.process_time(), time.monotonic()
        for second in range(1, seconds + 1):
            at = t + second * SECOND
            for part in data:
                feed(Received(at, name, part))
            # The runner commits every half second of real time, and once at the end.
            if second == seconds or time.monotonic() - flushed > FLUSH_S:
                flushed = time.monotonic()
                block = journal.cut()
                if block is not None:
                    store.submit(AppendBlock("bench", block)).result()
        spent = time.process_time() - began
    if pipeline.state != "measuring":
        raise RuntimeError(f"the run ended early: {pipeline.facts().reason}")
    return spent / (seconds * len(lines)) * 1e6, digest.hexdigest()


def run_record(plan: Plan) -> RunRecord:
    return RunRecord(
        id="bench",
        instrument=plan.lead.name,
        method_id=plan.method,
        method_version=plan.version,
        method_digest=plan.digest,
        began_utc_ns=0,
    )


IDENTITY = "is rotational serial=R-1042 firmware=1.2 fs=1000"


def start_measuring(feed: Callable[[Event], list[Effect]], pipeline: Pipeline, name: str) -> int:
    """Answer the pipeline's requests until it measures; return the time (ns) of that moment."""
    t = SECOND
    set_speed, turning = 0.0, False
    waiting = [*feed(LinkUp(t, name)), *feed(OperatorCommand(t, "begin", "bench"))]
    while pipeline.state not in ("measuring", "ended"):
        t += SECOND // 20
        sends = [e for e in waiting if isinstance(e, Send)]
        waiting = []
        for send in sends:
            word, _, value = send.data.partition(b"#")[0].decode().partition(" ")
            if word == "speed":
                set_speed = float(value)
            elif word in ("turn", "halt"):
                turning = word == "turn"
            waiting += feed(Sent(t, name, send.data))
            answer = IDENTITY if word == "who" else f"ok {word} {value}".strip()
            waiting += feed(Received(t, name, line(answer)))
        waiting += feed(Received(t, name, line(f"val 40.00 {set_speed if turning else 0:.3f} 25.000 -")))
    return t


def bare_loop(lines: list[bytes], seconds: int) -> float:
    data = b"".join(lines)
    with tempfile.TemporaryDirectory() as folder:
        db = sqlite3.connect(Path(folder) / "bare.sqlite")
        db.execute("PRAGMA journal_mode=WAL")
        db.execute("PRAGMA synchronous=FULL")
        db.execute("CREATE TABLE reading (torque REAL, speed REAL, temperature REAL)")
        began = time.process_time()
        for _ in range(seconds):
            rows = []
            for text in data.split(b"\r\n"):
                parts = text.split()
                if len(parts) == 5:
                    rows.append((float(parts[1]), float(parts[2]), float(parts[3])))
            db.executemany("INSERT INTO reading VALUES (?, ?, ?)", rows)
            db.commit()
        spent = time.process_time() - began
        db.close()
    return spent / (seconds * len(lines)) * 1e6


def readline_script(lines: list[bytes], seconds: int) -> float:
    """Return the cost of a simple script: readline, a regular expression, one insert per line."""
    pattern = re.compile(r"val (-?\d+\.\d+) (-?\d+\.\d+) (-?\d+\.\d+) ")
    outer, inner = pty.openpty()
    tty.setraw(inner)
    name = os.ttyname(inner)
    count = seconds * len(lines)

    def write() -> None:
        for _ in range(seconds):
            for text in lines:
                os.write(outer, text)

    with tempfile.TemporaryDirectory() as folder, serial.Serial(name, timeout=2) as port:
        db = sqlite3.connect(Path(folder) / "script.sqlite")
        db.execute("CREATE TABLE reading (torque REAL, speed REAL, temperature REAL)")
        writer = threading.Thread(target=write, daemon=True)
        writer.start()
        began = time.thread_time()
        for _ in range(count):
            found = pattern.match(port.readline().decode())
            if found:
                db.execute("INSERT INTO reading VALUES (?, ?, ?)", [float(x) for x in found.groups()])
        db.commit()
        spent = time.thread_time() - began
        db.close()
        writer.join(5)
    for fd in (outer, inner):
        os.close(fd)
    return spent / count * 1e6
