"""`daq run`: measure one sample, through the daemon where one runs, otherwise in this process."""

import argparse
import contextlib
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from daq.adapters.paths import DAEMON_FILE, config_dir, state_dir
from daq.app.cli.common import chosen_state
from daq.app.cli.laboratory.typed_secrets import badge_arguments, badge_of
from daq.core.errors import NotComparableError, SettingError, SettingErrors
from daq.process.stop_request import PROTOCOL, daemon_socket, line_of, sent
from daq.textfiles.plain_file import read_plain
from daq.textfiles.toml_file import LARGEST_FILE, read_toml, tables_of

if TYPE_CHECKING:
    from daq.app.setup.catalogue import Catalogue
    from daq.app.setup.run_order import RunOrder
    from daq.methods.files.instrument import Instrument
    from daq.methods.files.recipe import Method

ASKED: Final = (
    "instrument", "method_version", "product", "fluid", "condition", "lot", "fill", "filling", "replicate",
    "sampled_at", "operator", "anyway",
)  # fmt: skip
"""Keys of an order that the arguments name as the order does."""

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
    order = _order(args, folder)
    try:
        socket = daemon_socket(state)
        if socket is not None:
            return _through_daemon(socket, order, plain=args.plain)
        return _alone(folder, state, order, plain=args.plain)
    except NotComparableError:
        raise
    except SettingError as error:
        fuller = _fuller(error, folder, order)
        if fuller is None:
            raise
        raise fuller from error


def _through_daemon(path: Path, order: dict[str, Any], *, plain: bool) -> int:
    """Send the order to the daemon, which checks it; then import what shows its answers, and show them."""
    with _noted_signals() as noted, sent(path, line_of({"protocol": PROTOCOL, "do": "run", **order})) as connection:
        import asyncio

        from daq.app.cli.measuring.run_shown import shown_from_daemon

        return asyncio.run(shown_from_daemon(connection, path, plain=plain, stop=lambda: bool(noted)))


@contextlib.contextmanager
def _noted_signals() -> Iterator[list[int]]:
    """Note Ctrl-C and SIGTERM until the run is shown: the run that was ordered meanwhile is stopped, not left alone."""
    noted: list[int] = []
    before = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}
    for number in before:
        signal.signal(number, lambda number, _: noted.append(number))
    try:
        yield noted
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _alone(folder: Path, state: Path, asked: dict[str, Any], *, plain: bool) -> int:
    import asyncio

    from daq.app.setup.run_order import RunOrder
    from daq.methods.files.load import parse

    order = parse(RunOrder, asked)
    from daq.app.cli.measuring.run_alone import alone
    from daq.app.cli.measuring.run_shown import shown
    from daq.app.setup.catalogue import Catalogue

    catalogue = Catalogue.load(folder)
    return asyncio.run(alone(catalogue, state, order, lambda answers, stop: shown(answers, stop, plain=plain)))


def _is_method(folder: Path, word: str) -> bool:
    """Return whether a file of a configuration folder has a method with this id."""
    named: object = None
    with contextlib.suppress(SettingError, AttributeError):
        named = read_toml(folder / DAEMON_FILE).get("folders", {}).get("methods")
    for path in (folder / (named if isinstance(named, str) else "methods")).glob("*.toml"):
        with contextlib.suppress(SettingError):  # the daemon, or the run without it, names the wrong file
            raw = read_plain(path, LARGEST_FILE)
            # Most files need no parser: the word is not in them, and no escape that could be a letter of it.
            if (word.encode("utf-8", "replace") in raw or b"\\" in raw) and tables_of(raw, str(path)).get("id") == word:
                return True
    return False


def _fuller(error: SettingError, folder: Path, asked: dict[str, Any]) -> SettingError | None:
    """Return an error that says more about the cause of a refusal; None where there is no more to say."""
    from daq.app.setup.catalogue import Catalogue, parts
    from daq.app.setup.run_order import RunOrder
    from daq.methods.files.load import parse

    try:
        order = parse(RunOrder, asked)
    except SettingError:
        return None  # the order itself is wrong, and no file is the reason
    catalogue, wrong = Catalogue.read(folder)
    if wrong:
        # The daemon refuses the order, perhaps because a file that it names cannot be read: name those files too.
        known = {str(e) for e in parts(error)}
        return SettingErrors([*parts(error), *(e for e in wrong if str(e) not in known)])
    words = _of_another_instrument(catalogue, order)
    return SettingError(words) if words else None


def _order(args: argparse.Namespace, folder: Path) -> dict[str, Any]:
    """Return the order; the first argument is a method if it is the id of one or ``--sample`` is given too."""
    named = bool(args.what) and (bool(args.sample) or _is_method(folder, args.what))
    sample = args.sample or ("" if named else args.what)
    if not sample:
        from daq.app.setup.catalogue import Catalogue

        missing = SettingError("is missing: the id of the sample that is measured", key="--sample")
        _, wrong = Catalogue.read(folder, kinds=("methods",))
        # The word may be the id of a method whose file is refused.
        raise SettingErrors([missing, *wrong]) if named and wrong else missing
    asked = {name: getattr(args, name) for name in ASKED}
    more = {"method_id": args.what if named else "", "sample": sample, "choices": dict(args.choices)}
    return asked | more | {"badge": badge_of(args)}


def _of_another_instrument(catalogue: "Catalogue", order: "RunOrder") -> str:
    """Return a sentence where the instrument does not read the method's quantity at all; otherwise ""."""
    from daq.app.screens.text import called

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
