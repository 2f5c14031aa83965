"""The process of a trial: ``python -m daq.app.workshop.live_trial STATE DEVICE``, with the order as JSON on its input.

It captures, writes a description from the capture, and runs the conformance kit on that.  Where the order has a
corrected description, it takes that, and where the order says so, the lines of the trial before.  It replaces the file
with the findings after each stage, and during the capture twice a second: the newest lines, and the values in them.
Besides, it keeps the lines in a file for the next trial.  It writes no other file, and has bounds of time, memory and
size.
"""

import asyncio
import io
import json
import os
import resource
import signal
import sys
import time
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Final

from daq.adapters.ports.transport import PortAddress
from daq.app.daemon.trials.trial_file import (
    CAPTURE_FILE,
    LARGEST,
    LONGEST_S,
    MOST_FINDINGS,
    MOST_LINES,
    TrialFinding,
    TrialReport,
    read_report,
    short,
    write_private,
    write_report,
)
from daq.app.workshop.capturing import Capturing, Wish
from daq.app.workshop.decoding import values_beside
from daq.app.workshop.openpoints import open_finding
from daq.core.driver import Driver, Port
from daq.core.errors import DaqError, LinkError, SettingError
from daq.descriptions.capture import Capture, Piece, load_capture, piece_line, unescaped
from daq.descriptions.guessing.guess import guess_description
from daq.descriptions.guessing.remarks import open_points
from daq.descriptions.load import check_description
from daq.laboratory.trials import LONGEST_DESCRIPTION, DriverTrial
from daq.methods.files.load import parse
from daq.testing.apart import check_driver_apart

POLITE: Final = 10
"""Niceness of the process: the daemon has priority."""
MOST_BYTES: Final = 64 * 1024
"""Greatest number of bytes from the instrument; then the capture ends and the rest of the trial goes on."""
MEMORY: Final = 2 << 30
"""Greatest address space of each process of the trial, bytes."""
CHECK_S: Final = 60.0
"""Longest time in seconds of one check of the kit."""
SHOW_S: Final = 0.5
"""Time in seconds between two reports during the capture."""
NEWEST: Final = 30
"""Number of newest lines in a report during the capture."""
LEAST_LINES: Final = 3
"""Number of received pieces from which a description is written from the capture so far."""
GUESS_SHARE: Final = 0.2
"""Greatest share of the time that goes into descriptions of the capture so far."""

Keep = Callable[[TrialReport], None]


def try_out(
    order: DriverTrial, device: str, report: TrialReport, keep: Keep, before: Path | None = None
) -> TrialReport:
    """Capture, describe and check, and return the last report.

    Args:
        order: what to do.
        device: the device that is opened; no other one is.
        report: the report at the start.
        keep: called with the report after each stage, and during the capture.
        before: file of the lines of the trial before, which is replaced by one at a port; None: there is none.
    """
    try:
        if order.captured and before is not None:
            capture, lost = load_capture(before), ""
        else:
            beside = _Beside(order)
            capture, lost = _captured(order, device, lambda pieces: keep(_so_far(report, pieces, beside)))
            if before is not None:
                write_private(before, _kept_text(capture))
    except (LinkError, SettingError) as error:
        return report.model_copy(update={"stage": "failed", "reason": short(str(error))})
    lines = [short(piece_line(piece)) for piece in capture.pieces]
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


class _Beside:
    """The values beside the newest lines: by the corrected description, otherwise by one of the capture so far."""

    def __init__(self, order: DriverTrial) -> None:
        self._order, self._driver = order, None if not order.description else _or_none(order.kind, order.description)
        self._free_at = 0.0

    def values(self, pieces: list[Piece]) -> list[str]:
        """Return the texts for pieces; "" for each where no description is known yet."""
        now = time.monotonic()
        received = sum(piece.way == "<" for piece in pieces)
        if self._driver is None and not self._order.description and received >= LEAST_LINES and now >= self._free_at:
            self._driver = _guessed(self._order.kind, pieces)
            self._free_at = now + (time.monotonic() - now) / GUESS_SHARE
        return [""] * len(pieces) if self._driver is None else values_beside(self._driver, pieces)


def _drivers_of(kind: str, text: str) -> Callable[[], Driver]:
    """Return the maker of drivers of a description; `DaqError` where it is wrong."""
    try:
        return check_description(tomllib.loads(text), f"{kind}.toml").driver
    except tomllib.TOMLDecodeError as error:
        raise SettingError(f"is no TOML: {error}", file=f"{kind}.toml") from None


def _or_none(kind: str, text: str) -> Driver | None:
    try:
        return _drivers_of(kind, text)()
    except DaqError:
        return None  # the check of the whole capture states the reason


def _guessed(kind: str, pieces: list[Piece]) -> Driver | None:
    try:
        text = guess_description(kind, Capture(list(pieces)), f"{kind}.capture").text
    except DaqError:
        return None  # more lines may tell more
    return _or_none(kind, text)


def _so_far(report: TrialReport, pieces: list[Piece], beside: _Beside) -> TrialReport:
    """Return the report of a capture that goes on: its newest lines, and the values in them."""
    values = beside.values(pieces)
    return report.model_copy(
        update={
            "received": sum(len(piece.data) for piece in pieces if piece.way == "<"),
            "sent": sum(piece.way == ">" for piece in pieces),
            "lines": tuple(short(piece_line(piece)) for piece in pieces[-NEWEST:]),
            "values": tuple(map(short, values[-NEWEST:])),
            "left_out": max(0, len(pieces) - NEWEST),
        }
    )


def _kept_text(capture: Capture) -> bytes:
    """Return the text of a capture in the size of the file: the oldest lines, where it is longer."""
    text = capture.text().encode()
    return text if len(text) <= LARGEST else text[: text.rindex(b"\n", 0, LARGEST) + 1]


def _captured(order: DriverTrial, device: str, show: Callable[[list[Piece]], None]) -> tuple[Capture, str]:
    """Return the capture, and why it ended early; `show` is called with the pieces so far, in a thread."""
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

    async def shown() -> None:
        while True:
            await asyncio.sleep(SHOW_S)
            # In a thread: a slow description must not hold up the bytes, whose times are measured.
            await asyncio.to_thread(show, list(capturing.capture.pieces))

    async def bounded() -> None:
        asyncio.get_running_loop().call_later(order.seconds, capturing.end)
        showing = asyncio.create_task(shown())
        try:
            await capturing.run()
        finally:
            showing.cancel()
            await asyncio.gather(showing, return_exceptions=True)

    asyncio.run(bounded())
    return capturing.capture, capturing.lost


def _described(order: DriverTrial, capture: Capture, report: TrialReport, keep: Keep) -> TrialReport:
    text = order.description
    findings: tuple[str, ...] = ()
    if not text:
        try:
            guess = guess_description(order.kind, capture, f"{order.kind}.capture")
        except DaqError as error:
            return report.model_copy(update={"stage": "failed", "reason": short(str(error))})
        text, findings = guess.text, tuple(guess.findings)
    if len(text) > LONGEST_DESCRIPTION:
        return report.model_copy(update={"stage": "failed", "reason": "the description is too long"})
    points = [f"line {number}: {what}" for number, what in open_points(text)]
    remarks = [*report.remarks, *map(short, findings), *map(short, points)]
    report = report.model_copy(
        update={"stage": "checking", "description": text, "remarks": tuple(remarks[:MOST_FINDINGS])}
    )
    keep(report)
    try:
        make = _drivers_of(order.kind, text)
        values = values_beside(make(), capture.pieces[: len(report.lines)])
        report = report.model_copy(update={"values": tuple(map(short, values))})
        keep(report)
        found = check_driver_apart(make, capture=capture, longest_s=CHECK_S)
    except DaqError as error:
        remarks += [short(line) for line in str(error).splitlines()]
        return report.model_copy(
            update={
                "stage": "failed",
                "reason": "the description is not complete; correct it with an editor",
                "remarks": tuple(remarks[-MOST_FINDINGS:]),
            }
        )
    shown = [f for f in (*open_finding(text), *found.findings) if f.outcome in ("failed", "note")]
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
        keep(try_out(order, device, report, keep, state / CAPTURE_FILE))
    except Exception as error:  # noqa: BLE001 - a person waits for the reason
        keep(report.model_copy(update={"stage": "failed", "reason": short(f"{type(error).__name__}: {error}")}))


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2])
