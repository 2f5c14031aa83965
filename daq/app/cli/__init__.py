"""The command line.  Nothing but argparse is imported before the command is known."""

import argparse
import gc
import importlib
import os
import sys
from collections.abc import Sequence
from typing import Final, Protocol, cast

from daq import __version__
from daq.core.errors import DaqError, NotComparableError, SettingError

EXIT_USAGE: Final = 2
EXIT_FAILED: Final = 13
EXIT_NOT_COMPARABLE: Final = 15
EXIT_INTERRUPTED: Final = 130
"""As a shell counts a process ended by SIGINT."""

#: Name, what it does, module below this package with `arguments(parser)` and `run(args)`.
COMMANDS: Final[tuple[tuple[str, str, str], ...]] = (
    ("demo", "show a part of a shift on simulated instruments, without any set-up", "measuring.demo"),
    ("init", "copy the example configuration to begin with", "setup.init"),
    ("check", "check configuration and methods", "setup.check"),
    ("serve", "run the daemon", "measuring.serve"),
    ("page", "serve the page for bench and desk, for browsers on this machine", "measuring.page"),
    ("reload", "take up changed files of the configuration", "setup.reload"),
    ("fit", "record which measuring geometry is fitted to an instrument", "laboratory.fit"),
    ("equipment", "list equipment; out of service and back; calibrations", "laboratory.equipment"),
    ("plan", "show which geometry and speed suit a viscosity", "measuring.plan"),
    ("run", "measure one sample", "measuring.run"),
    ("stop", "stop a run", "measuring.stop"),
    ("bench", "the work at a bench through a shift, with keyboard and bar-code scanner", "measuring.bench"),
    ("handover", "list runs in progress, filled cups and repeats due, and hand the shift over", "laboratory.handover"),
    ("repeat", "assign a cause to a valid result outside its limits, so that it may be repeated", "laboratory.repeat"),
    ("sample", "add, list, change, import and export samples; labels", "samples.sample"),
    ("correct", "correct the declaration of a run: sample, product, geometry and the like", "laboratory.correct"),
    ("annul", "annul a run, so that it does not count any more", "laboratory.annul"),
    ("sign", "sign runs or reportable results: measured, reviewed, released, rejected", "signing.sign"),
    ("affected", "list and decide on the results that a failed check or calibration puts in doubt", "signing.affected"),
    ("note", "add a note to a run", "laboratory.note"),
    ("transcribe", "enter values that were read by eye; a second person confirms each", "laboratory.transcribe"),
    ("person", "persons: roles, logins, passwords, badges, authorisations", "laboratory.person"),
    ("token", "tokens by which programs use the page's interface", "laboratory.token"),
    ("runs", "search and list runs", "records.runs"),
    ("day", "show all runs of a day by instrument, their counts, and what is open", "records.day"),
    ("show", "show a run and its result", "records.show"),
    ("reportable", "report a sample from all its runs by the product's rule for replicates", "signing.reportable"),
    ("case", "show everything about a lot: runs, corrections, verifications, documents", "laboratory.case"),
    ("review", "count repeats, corrections and left-out checks of a month", "laboratory.review"),
    ("chart", "show control charts of a product or of verifications, and fix their limits", "laboratory.chart"),
    ("precision", "show repeatability and reproducibility from the results of one sample", "records.precision"),
    ("report", "make the PDF of a run or a sample: the works' own record, or a certificate", "laboratory.report"),
    ("trace", "show everything behind a report, from its file or its number", "laboratory.trace"),
    ("export", "write the readings, kept values or notes of a run as CSV or JSON", "records.export"),
    ("replay", "compute a run again from its journal and compare", "records.replay"),
    ("verification", "show the verifications of instruments with certified fluids", "records.verification"),
    ("health", "show zero, ripple and return to zero of an instrument over its runs", "records.health"),
    ("backup", "copy the database while it is in use", "setup.backup"),
    ("archive", "move the journals of old runs to files on another medium", "setup.archive"),
    ("restore", "put a copy in the place of a database that is lost", "setup.restore"),
    ("verify", "compare all stored data, or a message kept outside, with the audit trail", "setup.verify"),
    ("outbox", "show what waits for the broker and what it refused", "delivery.outbox"),
    ("resend", "publish results again, same ids, same bytes", "delivery.resend"),
    ("collect", "write the results of many daemons from the broker into PostgreSQL", "delivery.collect"),
    ("capture", "record what goes over an instrument's line", "workshop.capture"),
    ("lines", "show the last raw lines of an instrument that the daemon serves", "workshop.raw_lines"),
    ("driver", "list, make, check and try drivers", "workshop.driver"),
    ("simulate", "simulate an instrument, from a capture or a description", "workshop.simulate"),
    ("schemas", "list or write the JSON Schemas of all messages", "delivery.schemas"),
    ("doctor", "find out what is wrong and what to do", "setup.doctor"),
)

CAUTION: Final = (
    "Software is not a safety function. Keep hands, hair and sleeves away from rotating parts, mind hot or hazardous\n"
    "samples, follow the sample's safety data sheet, the maker's manual and your local rules."
)


class Command(Protocol):
    """The functions of a command's module."""

    def arguments(self, parser: argparse.ArgumentParser) -> None:
        """Add the command's arguments."""
        ...

    def run(self, args: argparse.Namespace) -> int:
        """Carry the command out and return its exit code."""
        ...


def main(argv: Sequence[str] | None = None) -> int:
    """Run a command and return its exit code, never a traceback.

    2: wrong settings or usage; 13: it failed; 15: a run whose result would not be comparable was not started.
    """
    # The search for plug-ins of pydantic reads the metadata of every installed package; the program uses none.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    try:
        return _main(sys.argv[1:] if argv is None else list(argv))
    except NotComparableError as error:
        return _complain(error, EXIT_NOT_COMPARABLE)
    except SettingError as error:
        return _complain(error, EXIT_USAGE)
    except DaqError as error:
        return _complain(error, EXIT_FAILED)
    except PermissionError as error:
        print(f"daq: {_not_permitted(error)}", file=sys.stderr)
        return EXIT_USAGE
    except KeyboardInterrupt:
        return EXIT_INTERRUPTED
    except BrokenPipeError:
        # The reader has gone, as `head` does.  The rest of the buffer goes nowhere, so that the exit is quiet too.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return EXIT_FAILED
    except Exception as error:
        if os.environ.get("DAQ_DEBUG"):
            raise
        fault = f"{type(error).__name__}: {error}; this is a fault in daq; with DAQ_DEBUG=1 set it says where"
        print(f"daq: {fault}", file=sys.stderr)
        return EXIT_FAILED


def _not_permitted(error: PermissionError) -> str:
    """Return the sentence for a file of another login."""
    from pathlib import Path

    from daq.process.logins import login_of, own_login

    path = os.fsdecode(error.filename) if isinstance(error.filename, str | bytes) else "a file"
    try:
        owner = f"it belongs to {login_of(Path(path).stat().st_uid)}"
    except OSError:
        owner = "a folder above it is closed"
    return (
        f"{path}: {own_login()} has no permission ({owner}); use the login of the daemon (sudo -u daq daq ...), or "
        "name files of your own with --config and --state"
    )


def _main(argv: list[str]) -> int:
    top = _top_parser()
    first = top.parse_args(argv)
    if first.command is None:
        top.print_help()
        return EXIT_USAGE
    found = {name: (text, module) for name, text, module in COMMANDS}.get(first.command)
    if found is None:
        known = ", ".join(name for name, _, _ in COMMANDS)
        top.error(f"there is no command {first.command!r}; commands: {known}")
    text, module = found
    command = _imported(module)
    parser = argparse.ArgumentParser(
        prog=f"daq {first.command}",
        description=text[0].upper() + text[1:] + ".",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    command.arguments(parser)
    # The global options may come before or after the command.
    _global_options(parser.add_argument_group("everywhere"))
    args = parser.parse_args(first.rest, argparse.Namespace(config=first.config, state=first.state))
    code = command.run(args)
    sys.stdout.flush()
    return code


def _imported(module: str) -> Command:
    """Return the module of a command."""
    # Almost nothing that an import makes is ever garbage: a search for it while everything is made finds nothing and
    # takes a tenth of the time, and so do later ones that look at these objects again.
    collects = gc.isenabled()
    gc.disable()
    try:
        return cast("Command", importlib.import_module(f"{__name__}.{module}"))
    finally:
        if collects:
            gc.freeze()
            gc.enable()


def _top_parser() -> argparse.ArgumentParser:
    width = max(len(name) for name, _, _ in COMMANDS)
    listed = "\n".join(f"  {name:<{width}}  {text}" for name, text, _ in COMMANDS)
    parser = argparse.ArgumentParser(
        prog="daq",
        usage="daq [--config PATH] [--state DIR] COMMAND ...",
        description="Measures samples with instruments on serial lines, and keeps and publishes the results.",
        epilog=f"commands:\n{listed}\n\n`daq COMMAND --help` tells more.\n\n{CAUTION}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    _global_options(parser, default=None)
    parser.add_argument("--version", action="version", version=f"daq {__version__}")
    parser.add_argument("command", nargs="?", help=argparse.SUPPRESS)
    parser.add_argument("rest", nargs=argparse.REMAINDER, help=argparse.SUPPRESS)
    return parser


def _global_options(parser: argparse._ActionsContainer, default: str | None = argparse.SUPPRESS) -> None:
    parser.add_argument(
        "--config",
        metavar="PATH",
        default=default,
        help="daemon.toml or its folder (otherwise $DAQ_CONFIG, /etc/daq, ~/.config/daq, the examples)",
    )
    parser.add_argument(
        "--state",
        metavar="DIR",
        default=default,
        help="state directory (otherwise $STATE_DIRECTORY, the one in daemon.toml, ~/.local/state/daq)",
    )


def _complain(error: DaqError, code: int) -> int:
    print(f"daq: {error}", file=sys.stderr)
    return code
