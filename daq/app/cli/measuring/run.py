"""`daq run`: measure one sample, through the daemon where one runs, otherwise in this process."""

import argparse
import asyncio
import signal
from collections.abc import AsyncIterator, Callable, Coroutine
from pathlib import Path

from daq.adapters.clock import SystemClock
from daq.adapters.paths import config_dir, state_dir
from daq.app.cli.laboratory.typed_secrets import badge_arguments, badge_of
from daq.app.cli.measuring.serve import publishing, sparkplug
from daq.app.daemon.control import daemon_socket, follow
from daq.app.daemon.process import served
from daq.app.daemon.protocol import Answer, Ended, StopRun, Viewed
from daq.app.daemon.supervisor import Supervisor
from daq.app.screens.live import RunScreen, exit_code
from daq.app.screens.text import called
from daq.app.setup.catalogue import Catalogue, parts
from daq.app.setup.orders import RunOrder
from daq.core.errors import LinkError, SettingError, SettingErrors
from daq.methods.files.instrument import Instrument
from daq.methods.files.load import parse
from daq.methods.files.recipe import Method
from daq.process.logins import own_login
from daq.process.logs import set_up_logs


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("method_id", metavar="METHOD", help="id of the method")
    parser.add_argument("--instrument", required=True, metavar="NAME", help="name of the instrument")
    parser.add_argument("--sample", required=True, metavar="ID", help="the sample's identifier")
    parser.add_argument(
        "--method-version", default="", metavar="V", help="version of the method (otherwise the newest)"
    )
    parser.add_argument("--product", default="", metavar="ID", help="product, for unit, limits and advice")
    parser.add_argument("--fluid", default="", metavar="ID", help="reference fluid, where the sample is one")
    parser.add_argument(
        "--as-left",
        dest="condition",
        action="store_const",
        const="as_left",
        default="",
        help="a verification repeated after cleaning or adjusting (otherwise: as found)",
    )
    parser.add_argument("--lot", default="", metavar="LOT")
    parser.add_argument("--fill", default="", metavar="ID", help="this filling of the vessel, where it is used again")
    parser.add_argument("--replicate", type=int, default=1, metavar="N")
    parser.add_argument(
        "--sampled-at", default="", metavar="TIME", help="when the sample was taken, ISO 8601 with offset"
    )
    parser.add_argument("--operator", default="", metavar="NAME", help="who measures (otherwise your login)")
    badge_arguments(parser)
    parser.add_argument(
        "--set",
        dest="choices",
        action="append",
        type=_choice,
        default=[],
        metavar="CHOICE=VALUE",
        help="a choice of the method, e.g. speed=20",
    )
    parser.add_argument("--plain", action="store_true", help="lines of text instead of a changing screen")


def run(args: argparse.Namespace) -> int:
    """Measure; the exit codes are those of `daq.app.screens.live.exit_code`."""
    catalogue, wrong = Catalogue.read(config_dir(args.config))
    state = state_dir(args.state, catalogue.state)
    asked = {name: getattr(args, name) for name in RunOrder.model_fields if name != "badge"}
    order = parse(RunOrder, asked | {"choices": dict(args.choices), "badge": badge_of(args)})
    screen = RunScreen(plain=args.plain)
    try:
        socket = daemon_socket(state)
        if socket is not None:
            # The daemon compares the files itself, and names those that are wrong.
            return asyncio.run(_through_daemon(socket, order, screen))
        if wrong:
            raise SettingErrors(wrong)
        set_up_logs("error", "auto")
        return asyncio.run(_alone(catalogue, state, order, screen))
    except SettingError as error:
        if wrong:
            raise
        words = _of_another_instrument(catalogue, order)
        if words:
            raise SettingError(words) from error
        raise


def _of_another_instrument(catalogue: Catalogue, order: RunOrder) -> str:
    """Return a sentence where the instrument does not read the method's quantity at all; otherwise ""."""
    try:
        method = catalogue.method(order.method_id, order.method_version)
        instrument = catalogue.instrument(order.instrument)
        refused = _refusals(catalogue, method, instrument)
        # Where a measuring geometry can be fitted, the quantity may be missing only because none is fitted.
        if instrument.geometries or not any(e.key == "result" and e.file == method.source for e in refused):
            return ""
        others = [catalogue.method(name) for name in catalogue.methods]
        able = [m.id for m in others if not _refusals(catalogue, m, instrument)]
    except SettingError:
        return ""  # the first error has the reason
    there = f"methods for it: {', '.join(able)}" if able else "there is no method for it"
    return (
        f"method {method.id} measures {called(method.result)}, which {instrument.name} does not read; {there}; "
        "`daq check` tells which methods fit which instrument"
    )


def _refusals(catalogue: Catalogue, method: Method, instrument: Instrument) -> list[SettingError]:
    try:
        catalogue.compile(method, instrument)
    except SettingError as error:
        return parts(error)
    return []


def _choice(text: str) -> tuple[str, float | str]:
    name, sign, value = text.partition("=")
    if not sign or not name or not value:
        raise SettingError(f"{text!r} is not a choice; write NAME=VALUE, for example speed=20", key="--set")
    try:
        return name, float(value)
    except ValueError:
        return name, value


async def _through_daemon(path: Path, order: RunOrder, screen: RunScreen) -> int:
    async def stop() -> None:
        async for _ in follow(path, StopRun(instrument=order.instrument)):
            pass

    return await _show(follow(path, order), screen, stop)


async def _alone(catalogue: Catalogue, state: Path, order: RunOrder, screen: RunScreen) -> int:
    instrument = catalogue.instrument(order.instrument)
    only = (instrument.name, *instrument.companions.values())
    supervisor = Supervisor(
        catalogue,
        state,
        SystemClock(),
        only=only,
        publishing=publishing(catalogue),
        sparkplug=sparkplug(catalogue),
    )
    async with served(supervisor) as service:

        async def stop() -> None:
            supervisor.stop_run(order.instrument, own_login())

        return await _show(service.handle(order), screen, stop)


async def _show(
    answers: AsyncIterator[Answer], screen: RunScreen, stop: Callable[[], Coroutine[None, None, None]]
) -> int:
    """Show views until the end.  Ctrl-C stops the run; the views go on until the state of the motor is known."""
    loop = asyncio.get_running_loop()
    stopping: list[asyncio.Task[None]] = []
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, lambda: stopping.append(asyncio.ensure_future(stop())))
    with screen:
        async for answer in answers:
            if isinstance(answer, Viewed):
                screen.show(answer.view)
            elif isinstance(answer, Ended):
                screen.finish(answer.outcome, answer.result)
                return exit_code(answer.outcome, answer.result)
    raise LinkError("the daemon ended its answer without an outcome")
