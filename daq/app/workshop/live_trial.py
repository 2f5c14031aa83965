"""The process of a trial: ``python -m daq.app.workshop.live_trial STATE DEVICE``, with the order as JSON on its input.

It captures, writes a description from the capture, and runs the conformance kit on that; after each stage it replaces
the file with the findings.  It writes no other file, and has bounds of time, memory and size.
"""

import asyncio
import io
import json
import os
import resource
import signal
import sys
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Final

from daq.adapters.ports.transport import PortAddress
from daq.app.daemon.trials.trial_file import (
    LARGEST,
    LONGEST_DESCRIPTION,
    LONGEST_S,
    MOST_FINDINGS,
    MOST_LINES,
    TrialFinding,
    TrialReport,
    read_report,
    short,
    write_report,
)
from daq.app.workshop.capturing import Capturing, Wish
from daq.core.driver import Port
from daq.core.errors import DaqError, LinkError, SettingError
from daq.descriptions.capture import Capture, unescaped
from daq.descriptions.guessing.guess import guess_description
from daq.descriptions.guessing.write import open_points
from daq.descriptions.load import check_description
from daq.laboratory.trials import DriverTrial
from daq.methods.files.load import parse
from daq.testing.apart import check_driver_apart

POLITE: Final = 10
"""Niceness of the process: the daemon goes first."""
MOST_BYTES: Final = 64 * 1024
"""Greatest number of bytes from the instrument; then the capture ends and the rest of the trial goes on."""
MEMORY: Final = 2 << 30
"""Greatest address space of each process of the trial, bytes."""
CHECK_S: Final = 60.0
"""Longest time in seconds of one check of the kit."""


def try_out(order: DriverTrial, device: str, report: TrialReport, keep: Callable[[TrialReport], None]) -> TrialReport:
    """Capture, describe and check, and return the last report.

    Args:
        order: what to do.
        device: the device that is opened; no other one is.
        report: the report at the start.
        keep: called with the report after each stage.
    """
    try:
        capture, lost = _captured(order, device)
    except (LinkError, SettingError) as error:
        return report.model_copy(update={"stage": "failed", "reason": short(str(error))})
    lines = [short(line) for line in capture.text().splitlines()]
    report = report.model_copy(
        update={
            "stage": "describing",
            "received": len(capture.received),
            "sent": len(capture.sent),
            "lines": tuple(lines[:MOST_LINES]),
            "left_out": max(0, len(lines) - MOST_LINES),
            "remarks": (short(lost),) if lost else (),
        }
    )
    keep(report)
    if not capture.received:
        return report.model_copy(update={"stage": "failed", "reason": "nothing came from the instrument"})
    return _described(order, capture, report, keep)


def _captured(order: DriverTrial, device: str) -> tuple[Capture, str]:
    """Return the capture, and why it ended early."""
    settings = Port(baud=order.baud, data_bits=order.data_bits, parity=order.parity, stop_bits=order.stop_bits)
    try:
        sends = [unescaped(order.send) + unescaped(order.end)] if order.send else []
    except ValueError as error:
        raise SettingError(str(error), key="send") from None
    rounds = order.seconds
    wish = Wish(PortAddress(device, settings), sends, rounds=rounds, listen_s=None if sends else float(order.seconds))
    received = 0

    def count(_line: str) -> None:
        nonlocal received
        received = len(capturing.capture.received)
        if received >= MOST_BYTES:
            capturing.end()

    capturing = Capturing(wish, io.StringIO(), count)

    async def bounded() -> None:
        asyncio.get_running_loop().call_later(order.seconds, capturing.end)
        await capturing.run()

    asyncio.run(bounded())
    return capturing.capture, capturing.lost


def _described(
    order: DriverTrial, capture: Capture, report: TrialReport, keep: Callable[[TrialReport], None]
) -> TrialReport:
    try:
        guess = guess_description(order.kind, capture, f"{order.kind}.capture")
    except DaqError as error:
        return report.model_copy(update={"stage": "failed", "reason": short(str(error))})
    if len(guess.text) > LONGEST_DESCRIPTION:
        return report.model_copy(update={"stage": "failed", "reason": "the description is too long"})
    points = [f"line {number}: {what}" for number, what in open_points(guess.text)]
    remarks = [*report.remarks, *map(short, guess.findings), *map(short, points)]
    report = report.model_copy(
        update={"stage": "checking", "description": guess.text, "remarks": tuple(remarks[:MOST_FINDINGS])}
    )
    keep(report)
    try:
        description = check_description(tomllib.loads(guess.text), f"{order.kind}.toml")
        found = check_driver_apart(description.driver, capture=capture, longest_s=CHECK_S)
    except DaqError as error:
        remarks += [short(line) for line in str(error).splitlines()]
        return report.model_copy(
            update={
                "stage": "failed",
                "reason": "the description is not complete; correct it with an editor",
                "remarks": tuple(remarks[-MOST_FINDINGS:]),
            }
        )
    shown = [f for f in found.findings if f.outcome in ("failed", "note")]
    return report.model_copy(
        update={
            "stage": "done",
            "passed": sum(f.outcome == "passed" for f in found.findings),
            "findings": tuple(
                TrialFinding(name=short(f.name), outcome=f.outcome, message=short(f.message), do=short(f.do))
                for f in shown[:MOST_FINDINGS]
            ),
        }
    )


def main(state: Path, device: str) -> None:
    """Carry out the order on the standard input."""
    os.nice(POLITE)
    signal.alarm(LONGEST_S)  # the kernel ends the process, also in the middle of a regular expression
    resource.setrlimit(resource.RLIMIT_CPU, (LONGEST_S, LONGEST_S))
    resource.setrlimit(resource.RLIMIT_FSIZE, (2 * LARGEST, 2 * LARGEST))
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
    order = parse(DriverTrial, json.loads(sys.stdin.buffer.read()))
    report = read_report(state, 0)
    if report is None:
        return

    def keep(now: TrialReport) -> None:
        write_report(state, now)

    try:
        keep(try_out(order, device, report, keep))
    except Exception as error:  # noqa: BLE001 - a person waits for the reason
        keep(report.model_copy(update={"stage": "failed", "reason": short(f"{type(error).__name__}: {error}")}))


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2])
