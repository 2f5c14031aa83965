"""`daq demo`: show a part of a shift on simulated instruments."""

import argparse
import asyncio
import contextlib
import json
import os
import signal
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from daq.app.cli.printing import print_table, say, terminal_columns
from daq.app.screens.result_screen import summary
from daq.app.screens.run_view import RunView
from daq.app.screens.shift_screen import ShiftScreen
from daq.app.screens.styled_lines import Line, joined, text_of
from daq.app.screens.text import digits_of, plain, sentence, shown_value, spaced
from daq.app.workshop.demonstration import Demonstration, Measured, Report
from daq.core.errors import SettingError
from daq.core.units import symbol
from daq.process.extras import need
from daq.process.logs import set_up_logs
from daq.quality.digits import NOTHING, significant

if TYPE_CHECKING:
    from daq.adapters.mqtt.embedded_broker import EmbeddedBroker

PACE = 15.0
PIPED_COLUMNS = 120
LAST_PORT = 65_535
SHOWN = 12
"""Number of runs in the report, the newest ones."""
INVENTED = "Simulated instruments, invented samples: nothing here was measured on anything real."


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("--live", action="store_true", help="at real speed, again and again, with a page, until Ctrl-C")
    parser.add_argument(
        "--shift",
        action="store_true",
        help="a whole shift in fast time: fifty samples on three benches, no broker",
    )
    parser.add_argument("--keep", metavar="DIR", help="keep the state in this folder (must be empty or new)")
    parser.add_argument(
        "--port", metavar="N", type=int, default=0, help="port of its broker on this machine (otherwise a free one)"
    )
    parser.add_argument(
        "--messages", metavar="DIR", help="write one message of each kind that the historian received into this folder"
    )


def run(args: argparse.Namespace) -> int:
    """Work through the samples, then print what happened."""
    if args.shift and (args.live or args.port or args.messages):
        raise SettingError("goes with --keep only: it has no broker and its own time", key="--shift")
    if not args.shift:
        need("amqtt", "the demonstration")
        if args.live:
            need("fastapi", "the page of the demonstration")
    set_up_logs("critical", "console")
    with contextlib.ExitStack() as stack:
        if args.keep:
            folder = _folder(args.keep, "--keep")
            if any(folder.iterdir()):
                raise SettingError("is not empty; name a new folder", file=str(folder), key="--keep")
        else:
            folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="daq-demo-")))
        if args.shift:
            from daq.app.cli.measuring.demo_shift import run_shift

            return run_shift(folder / "state", keep=bool(args.keep))
        messages = _folder(args.messages, "--messages") if args.messages else None
        broker = _broker(args.port)
        return asyncio.run(_demo(folder, live=args.live, keep=bool(args.keep), messages=messages, broker=broker))


def _broker(port: int) -> "EmbeddedBroker":
    """Return the broker; the user `historian` has the password of the environment, where it has one."""
    if not 0 <= port <= LAST_PORT:
        raise SettingError(f"{port} is no port; write a number from 1 to {LAST_PORT}", key="--port")
    from daq.adapters.mqtt.embedded_broker import EmbeddedBroker

    broker = EmbeddedBroker(port=port)
    if password := os.environ.get("BROKER_PASSWORD"):
        broker.passwords["historian"] = password
    return broker


async def _demo(folder: Path, *, live: bool, keep: bool, messages: Path | None, broker: "EmbeddedBroker") -> int:
    pace = "real time, until Ctrl-C" if live else f"{PACE:g} times faster than real"
    if not sys.stdout.isatty():
        print(f"{INVENTED}\nPace: {pace}.\n")
    audience = _Audience(f"daq demo: {pace}")
    demonstration = Demonstration(folder, scale=1.0 if live else PACE, audience=audience, broker=broker, visited=live)
    with audience.screen:
        async with demonstration.running():
            shift = asyncio.create_task(_again_and_again(demonstration) if live else _once(demonstration))
            for number in (signal.SIGINT, signal.SIGTERM):
                asyncio.get_running_loop().add_signal_handler(number, shift.cancel)
            with contextlib.suppress(asyncio.CancelledError):
                await shift
    if sys.stdout.isatty():
        say(INVENTED)
    _print_report(demonstration.report)
    if messages:
        _write(demonstration.report.messages, messages)
    if keep:
        print()
        say(f"Kept: {folder}/state. Try: daq --state {folder}/state runs")
    expected = len(demonstration.report.measured)
    return 0 if live or (expected and len(demonstration.report.received) == expected) else 13


async def _once(demonstration: Demonstration) -> None:
    await demonstration.shift()


async def _again_and_again(demonstration: Demonstration) -> None:
    while True:
        await demonstration.shift()


class _Audience:
    """Puts the demonstration on the screen."""

    def __init__(self, title: str) -> None:
        self.screen = ShiftScreen(title)

    def keep(self, line: str) -> None:
        """Show a sentence as long as the demonstration goes on."""
        self.screen.keep([(plain(line), "")])

    def tell(self, line: str) -> None:
        """Show a sentence about what happens."""
        self.screen.add([(plain(line), "")])

    def watch(self, bench: str, view: RunView) -> None:
        """Show the state of the run on a bench."""
        self.screen.show(bench, view)

    def finished(self, measured: Measured) -> None:
        """Show the result of a run."""
        sample = measured.sample
        self.screen.add([(f"{sample.bench}  {sample.sample}", "dim")], *_result(measured))


def _result(measured: Measured) -> list[Line]:
    """Return the result of a run: value, validity, verdict."""
    if measured.result is None:
        return [[(f"no result: {_reason(measured)}", "bad")]]
    return summary(measured.result)


def _reason(measured: Measured) -> str:
    end = measured.end
    return "" if end is None else sentence(end.fault or end.reason)


def _print_report(report: Report) -> None:
    print(f"\nWhat happened ({report.seconds:.0f} s):\n")
    if len(report.measured) > SHOWN:
        print(f"  (the last {SHOWN} of {len(report.measured)} runs)")
    for measured in report.measured[-SHOWN:]:
        _print_run(measured)
    if report.after_unplugging:
        print()
        say(f"Motor after the cable was unplugged and plugged in again: {spaced(report.after_unplugging)}.")
    print(f"\nWhat the historian received: {len(report.received)} results, each once.\n")
    topics: dict[str, list[list[str]]] = {}
    for topic, event in list(zip(report.topics, report.received, strict=True))[-SHOWN:]:
        data = event["data"]
        value = NOTHING if data["value"] is None else f"{shown_value(data)} {symbol(data['unit'])}".rstrip()
        topics.setdefault(plain(topic), []).append(
            [
                f"#{int(event['sequence'])}",
                plain(data["sample"]["id"]),
                value,
                spaced(data["quality"]),
                spaced(data["validity"]),
                "no limits" if data["verdict"]["verdict"] == "none" else spaced(data["verdict"]["verdict"]),
            ]
        )
    for topic, rows in topics.items():
        say(topic)
        print_table(["", "sample", "value", "quality", "validity", "verdict"], rows, right=frozenset({2}))
        print()
    for sample in report.again[-1:]:
        say(f"The historian asked for {sample} again, as after a loss; it came again with the same id.")


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
    print()
    say(f"One message of each kind, in {folder}: {', '.join(sorted(messages))}.")


def _print_run(measured: Measured) -> None:
    """Print one run of the shift: the sample, its result, reasons, advice, and the values of a flow curve."""
    sample, result = measured.sample, measured.result
    at = f" ({measured.speed:g} min⁻¹)" if measured.speed is not None else ""
    about = sample.about if measured.speed in (None, sample.speed) else "again, as advised"
    say(f"{about}{at}", f"  {sample.bench}  {sample.sample:<8} ")
    lead = " " * 11
    for line in joined(_result(measured), terminal_columns() or PIPED_COLUMNS, indent=lead):
        print(text_of(line))
    if result is None:
        return
    for reason in result["reasons"][:3]:
        say(sentence(reason), f"{lead}because: ")
    if result["value"] is None:
        for advice in result["advice"][:1]:
            say(sentence(advice), f"{lead}advice: ")
    speeds = {s["name"]: s for s in result["steps"] if s["at"] == "end"}
    if len(speeds) > 1:
        unit = symbol(result["unit"])
        values = ", ".join(
            f"{significant(s['value'], digits_of(result))} at {s['set_speed']:g}" for s in speeds.values()
        )
        say(f"{unit} at min⁻¹: {values}", lead)
