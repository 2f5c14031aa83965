"""`daq run`: measure one sample, through the daemon where one runs, otherwise in this process."""

import argparse
import asyncio
import contextlib
import signal
import sys
from collections.abc import AsyncIterator, Callable, Container, Coroutine
from pathlib import Path
from typing import TYPE_CHECKING, Final

from daq.adapters.paths import config_dir, state_dir
from daq.app.cli.common import chosen_state
from daq.app.cli.laboratory.typed_secrets import badge_arguments, badge_of
from daq.app.daemon.daemon_client import follow
from daq.app.daemon.protocol import Answer, Ended, Started, StopRun, Viewed
from daq.app.screens.live import RunScreen, exit_code
from daq.app.screens.text import called, plain
from daq.app.setup.run_order import RunOrder
from daq.core.errors import LinkError, NotComparableError, SettingError, SettingErrors
from daq.methods.files.load import parse
from daq.process.stop_request import daemon_socket

if TYPE_CHECKING:
    from daq.app.setup.catalogue import Catalogue
    from daq.methods.files.instrument import Instrument
    from daq.methods.files.recipe import Method

EXAMPLES: Final = """\
examples:
  daq run G-1042                     a sample that is registered with its product
  daq run G-1042 --same-fill         once more without a fresh filling
  daq run G-1050 --product clear-glaze --instrument bench-1
  daq run clear-glaze-qc --instrument bench-1 --sample NEW-1 --set speed=10
"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.epilog = EXAMPLES
    parser.add_argument(
        "what",
        nargs="?",
        default="",
        metavar="METHOD|SAMPLE",
        help="id of the method, or of the sample instead of --sample",
    )
    parser.add_argument(
        "--instrument",
        default="",
        metavar="NAME",
        help="name of the instrument (otherwise the only one that is allowed)",
    )
    parser.add_argument("--sample", default="", metavar="ID", help="the sample's identifier")
    parser.add_argument(
        "--method-version", default="", metavar="V", help="version of the method (otherwise the newest)"
    )
    parser.add_argument("--product", default="", metavar="ID", help="product, for method, unit, limits and advice")
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
    for name, text in (
        ("same", "the vessel still holds the filling of the run before"),
        ("fresh", "the vessel was filled again"),
    ):
        parser.add_argument(f"--{name}-fill", dest="filling", action="store_const", const=name, default="", help=text)
    parser.add_argument(
        "--replicate",
        type=int,
        default=1,
        metavar="N",
        help="number of this run of the sample (otherwise the next one)",
    )
    parser.add_argument(
        "--sampled-at", default="", metavar="TIME", help="when the sample was taken: 14:20, or a day with a time"
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
    parser.add_argument(
        "--anyway",
        action="store_true",
        help="measure although the result cannot be comparable with the product's limits",
    )
    parser.add_argument("--plain", action="store_true", help="lines of text instead of a changing screen")


def run(args: argparse.Namespace) -> int:
    """Measure; the exit codes are those of `daq.app.screens.live.exit_code`."""
    folder = config_dir(args.config)
    try:
        state = chosen_state(args, create=True)
    except SettingError:  # the daemon's file is no TOML: it is named below
        state = state_dir(args.state)
    order = _order(args, lambda: _methods(folder))
    screen = RunScreen(plain=args.plain)
    try:
        socket = daemon_socket(state)
        if socket is not None:
            return asyncio.run(_through_daemon(socket, order, screen))
        # With a daemon only the client's part is imported, and no file is read: the daemon compares them itself.
        from daq.app.cli.measuring.run_alone import alone
        from daq.app.setup.catalogue import Catalogue

        catalogue = Catalogue.load(folder)
        return asyncio.run(alone(catalogue, state, order, lambda answers, stop: _show(answers, screen, stop)))
    except NotComparableError:
        raise
    except SettingError as error:
        fuller = _fuller(error, folder, order)
        if fuller is None:
            raise
        raise fuller from error


def _methods(folder: Path) -> Container[str]:
    """Return the ids of the methods of a configuration folder."""
    from daq.app.setup.catalogue import Catalogue

    return Catalogue.read(folder, kinds=("methods",))[0].methods


def _fuller(error: SettingError, folder: Path, order: RunOrder) -> SettingError | None:
    """Return an error that says more about the cause of a refusal; None where there is no more to say."""
    from daq.app.setup.catalogue import Catalogue, parts

    catalogue, wrong = Catalogue.read(folder)
    if wrong:
        # The daemon refuses the order, perhaps because a file that it names cannot be read: name those files too.
        known = {str(e) for e in parts(error)}
        return SettingErrors([*parts(error), *(e for e in wrong if str(e) not in known)])
    words = _of_another_instrument(catalogue, order)
    return SettingError(words) if words else None


def _order(args: argparse.Namespace, methods: Callable[[], Container[str]]) -> RunOrder:
    """Return the order; the first argument is a method if there is one of this name or ``--sample`` is given too.

    `methods` returns the ids of all methods.
    """
    is_method = bool(args.sample) or args.what in methods()
    if not args.sample and is_method and args.what:
        raise SettingError("is missing: the id of the sample that is measured", key="--sample")
    asked = {name: getattr(args, name) for name in RunOrder.model_fields if name != "badge" and hasattr(args, name)}
    named = {"method_id": args.what if is_method else "", "sample": args.sample or args.what}
    return parse(RunOrder, asked | named | {"choices": dict(args.choices), "badge": badge_of(args)})


def _of_another_instrument(catalogue: "Catalogue", order: RunOrder) -> str:
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


def _refusals(catalogue: "Catalogue", method: "Method", instrument: "Instrument") -> list[SettingError]:
    from daq.app.setup.catalogue import parts

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
    async def stop(instrument: str) -> None:
        async for _ in follow(path, StopRun(instrument=instrument)):
            pass

    return await _show(follow(path, order), screen, stop)


class _Stopping:
    """Stops the run at Ctrl-C and at SIGTERM, as soon as its instrument is known."""

    def __init__(self, stop: Callable[[str], Coroutine[None, None, None]]) -> None:
        self._stop = stop
        self._instrument = ""
        self._asked = False
        self._tasks: list[asyncio.Task[None]] = []
        for number in (signal.SIGINT, signal.SIGTERM):
            asyncio.get_running_loop().add_signal_handler(number, self._ask)

    def _ask(self) -> None:
        self._asked = True
        if self._instrument:
            self._tasks.append(asyncio.ensure_future(self._stop(self._instrument)))

    def started(self, instrument: str) -> None:
        """Take the instrument of the run that has started; stop it at once if that was asked before."""
        self._instrument = instrument
        if self._asked:
            self._ask()


async def _show(
    answers: AsyncIterator[Answer], screen: RunScreen, stop: Callable[[str], Coroutine[None, None, None]]
) -> int:
    """Show views until the end.  Ctrl-C stops the run; the views go on until the state of the motor is known."""
    stopping = _Stopping(stop)
    with contextlib.ExitStack() as shown:
        async for answer in answers:
            if isinstance(answer, Started):
                shown.enter_context(screen)
                stopping.started(answer.instrument)
                for line in answer.warnings:
                    print(f"daq: {plain(line)}", file=sys.stderr)
            elif isinstance(answer, Viewed):
                screen.show(answer.view)
            elif isinstance(answer, Ended):
                screen.finish(answer.outcome, answer.result)
                return exit_code(answer.outcome, answer.result)
    raise LinkError("the daemon ended its answer without an outcome")
