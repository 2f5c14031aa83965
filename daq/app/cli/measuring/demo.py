"""`daq demo`: a part of a shift on simulated instruments."""

import argparse
import asyncio
import contextlib
import json
import signal
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from daq.app.screens.run_view import RunView
from daq.app.screens.text import called, number, value_line
from daq.app.workshop.demonstration import Demonstration, Measured, Report
from daq.core.errors import SettingError
from daq.core.units import symbol
from daq.process.logs import set_up_logs

PACE = 15.0
PROGRESS_S = 0.25


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("--live", action="store_true", help="at real speed, again and again, until Ctrl-C")
    parser.add_argument("--keep", metavar="DIR", help="keep the state in this folder (must be empty or new)")
    parser.add_argument(
        "--messages", metavar="DIR", help="write one message of each kind that the historian received into this folder"
    )


def run(args: argparse.Namespace) -> int:
    """Work through the samples and say what happened."""
    set_up_logs("critical", "console")
    with contextlib.ExitStack() as stack:
        if args.keep:
            folder = _folder(args.keep, "--keep")
            if any(folder.iterdir()):
                raise SettingError("is not empty; name a new folder", file=str(folder), key="--keep")
        else:
            folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="daq-demo-")))
        messages = _folder(args.messages, "--messages") if args.messages else None
        return asyncio.run(_demo(folder, live=args.live, keep=bool(args.keep), messages=messages))


async def _demo(folder: Path, *, live: bool, keep: bool, messages: Path | None) -> int:
    screen = _Progress()
    print("Simulated instruments, invented samples: nothing here was measured on anything real.")
    print(f"Pace: {'real time, until Ctrl-C' if live else f'{PACE:g} times faster than real'}.\n")
    demonstration = Demonstration(folder, scale=1.0 if live else PACE, tell=screen.tell, watch=screen.watch)
    async with demonstration.running():
        shift = asyncio.create_task(_again_and_again(demonstration) if live else _once(demonstration))
        for number in (signal.SIGINT, signal.SIGTERM):
            asyncio.get_running_loop().add_signal_handler(number, shift.cancel)
        with contextlib.suppress(asyncio.CancelledError):
            await shift
    screen.clear()
    _print_report(demonstration.report)
    if messages:
        _write(demonstration.report.messages, messages)
    if keep:
        print(f"\nKept: {folder}/state. Try: daq --state {folder}/state runs")
    expected = len(demonstration.report.measured)
    return 0 if live or (expected and len(demonstration.report.received) == expected) else 13


async def _once(demonstration: Demonstration) -> None:
    await demonstration.shift()


async def _again_and_again(demonstration: Demonstration) -> None:
    while True:
        await demonstration.shift()


class _Progress:
    """Lines as things happen; on a terminal also one line that changes."""

    def __init__(self) -> None:
        self._changing = sys.stdout.isatty()
        self._bars: dict[str, str] = {}
        self._last = 0.0

    def tell(self, line: str) -> None:
        """Print a line for good."""
        self.clear()
        print(line, flush=True)

    def watch(self, bench: str, view: RunView) -> None:
        """Show where a run stands."""
        value, torque = view.value, view.signals.get("torque")
        number = f"{value.value:.4g} {symbol(value.unit)}" if value is not None and value.value is not None else "-"
        load = f"{torque:.0f} %" if torque is not None else "-"
        self._bars[bench] = f"{bench} {view.sample}: {view.state} {view.stage_s:.0f} s, torque {load}, {number}"
        if self._changing and time.monotonic() - self._last > PROGRESS_S:
            self._last = time.monotonic()
            print("\r\x1b[2K" + "  |  ".join(self._bars.values())[:158], end="", flush=True)

    def clear(self) -> None:
        """Remove the changing line."""
        if self._changing:
            print("\r\x1b[2K", end="")


def _print_report(report: Report) -> None:
    print(f"\nWhat happened ({report.seconds:.0f} s):\n")
    for measured in report.measured:
        for line in _lines(measured):
            print(line)
    if report.after_unplugging:
        print(f"\nMotor after the cable was pulled and plugged in again: {report.after_unplugging}.")
    print(f"\nWhat the historian received: {len(report.received)} results, each once.\n")
    for topic, event in zip(report.topics, report.received, strict=True):
        data = event["data"]
        value = "null" if data["value"] is None else number(data["value"], 6)
        print(
            f"  {topic}  #{int(event['sequence'])}  {data['sample']['id']:<8} {value:>8} {data['unit']}  "
            f"{data['quality']:<16} {called(data['validity']):<9} {data['verdict']['verdict']}"
        )
    for sample in report.again:
        print(f"  {sample} was asked for again, as after a loss, and came again with the same id.")


def _folder(name: str, key: str) -> Path:
    folder = Path(name).absolute()
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise SettingError(f"cannot be made: {error.strerror}; name another folder", file=name, key=key) from None
    return folder


def _write(messages: dict[str, dict[str, Any]], folder: Path) -> None:
    for kind, message in messages.items():
        text = json.dumps(message, indent=2, ensure_ascii=False)
        (folder / f"{kind}.json").write_text(text + "\n", encoding="utf-8")
    print(f"\nOne message of each kind, in {folder}: {', '.join(sorted(messages))}.")


def _lines(measured: Measured) -> list[str]:
    sample, result = measured.sample, measured.result
    at = f" at {measured.speed:g} min⁻¹" if measured.speed is not None else ""
    head = f"  {sample.bench}  {sample.sample:<8} {sample.about}{at}"
    if result is None:
        end = measured.end
        return [head, f"           no result: {'' if end is None else end.fault or end.reason}"]
    said = "no value" if result["value"] is None else value_line(result)
    said += f", {called(result['validity'])}"
    verdict = result["verdict"]["verdict"]
    if verdict != "none":
        said += f", {verdict.replace('_', ' ')} {'its limits' if verdict in ('within', 'outside') else ''}".rstrip()
    lines = [head, f"           {said}"]
    lines += [f"           because: {reason['text']}" for reason in result["reasons"][:3]]
    lines += [f"           advice: {a['text']}" for a in result["advice"][:1] if result["value"] is None]
    speeds = {s["name"]: s for s in result["steps"] if s["at"] == "end"}
    if len(speeds) > 1:
        unit = symbol(result["unit"])
        table = ", ".join(f"{s['set_speed']:g}: {number(s['value'])}" for s in speeds.values())
        lines.append(f"           by speed (min⁻¹: {unit}): {table}")
    return lines
