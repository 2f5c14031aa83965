"""``daq driver new``: write a first description from a capture, or a Python distribution."""

import argparse
import tomllib
from pathlib import Path

from daq.app.cli.common import wanted_path
from daq.app.screens.text import plain
from daq.core.errors import SettingError


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.description = (
        "Write a first description of an instrument from a capture: how lines end, fields, units, checksum, what is\n"
        "asked and how often. What only a person can know is marked in it. Or, for what no description can hold\n"
        "(packets of bytes, arithmetic of its own), a distribution with a driver in Python to begin with."
    )
    parser.add_argument("name", metavar="NAME", help="kind of instrument, for example kiln-scale")
    what = parser.add_mutually_exclusive_group(required=True)
    what.add_argument("--from", dest="capture", metavar="CAPTURE", type=wanted_path, help="made with `daq capture`")
    what.add_argument("--python", metavar="FOLDER", type=wanted_path, help="write a distribution there")
    parser.add_argument(
        "--protocol", choices=("text", "bytes", "stream"), default="text",
        help="example of the distribution: lines that are asked for (default), frames of bytes, or a stream of lines",
    )  # fmt: skip
    parser.add_argument(
        "--ask", action="store_true", help="ask on the terminal, one by one, what only a person can know (with --from)"
    )
    parser.add_argument("-o", "--output", metavar="FILE", type=wanted_path, help="file to write (default: NAME.toml)")


def run(args: argparse.Namespace) -> int:
    """Write it, and print what was found and what to do next."""
    from daq.app.workshop.driver_template import checked_kind, write_distribution

    if args.python is not None:
        for written in write_distribution(args.name, args.python, args.protocol):
            print(f"wrote {written}")
        print("next: read README.md there; it works as it is, with a dialect of its own:")
        print(f"  pip install --no-deps -e {args.python} && python -m pytest {args.python}")
        return 0
    path: Path = args.output or Path(f"{checked_kind(args.name)}.toml")
    return _described(checked_kind(args.name), args.capture, path, ask=args.ask)


def _described(kind: str, source: Path, path: Path, *, ask: bool) -> int:
    from daq.app.cli.workshop.driver_ask import ask_through
    from daq.descriptions.capture import load_capture
    from daq.descriptions.guessing.guess import guess_description
    from daq.descriptions.guessing.remarks import open_points
    from daq.descriptions.load import check_description
    from daq.testing.case import ignored
    from daq.testing.talk import rejected, transcribe

    capture = load_capture(source)
    if capture.cut:
        print(f"{plain(str(source))}: its last line was cut off and is left out")
    if path.exists():
        raise SettingError("exists already; name another file with -o, or remove it", file=str(path))
    guess = ask_through(kind, capture, source.name) if ask else guess_description(kind, capture, source.name)
    _write(guess.text, path)
    try:
        description = check_description(tomllib.loads(guess.text), str(path))
    except SettingError as error:
        for finding in guess.findings:
            print(plain(finding))
        print(f"wrote {path}, which needs your hand:")
        for line in str(error).splitlines():
            print(f"  {plain(line)}")
        if guess.questions and not ask:
            print("next: remove it and answer the questions: the same command with --ask; or")
        print("next: correct it with an editor; the guide (daq/descriptions/README.md) names the keys")
        return 1
    talk = transcribe(description.driver(), capture, "capture")
    missed = [e for e in rejected(talk) if not ignored(e)]
    for finding in guess.findings:
        print(plain(finding))
    print(f"{len(talk.examples) - len(missed)} of {len(talk.examples)} lines of the capture are understood")
    for e in missed[:5]:
        print(f"  not understood: {plain(repr(e.frame)[1:])}")
    print(f"wrote {path}")
    points = list(open_points(guess.text))
    if points:
        print("fill in what only you can know:")
        for number, what in points:
            print(f"  line {number}: {plain(what)}")
    beside = source.with_name(path.with_suffix(".capture").name)
    given = "" if beside == source and source.parent == path.parent else f" --capture {source}"
    print(f"next: daq driver check {path}{given}")
    return 0


def _write(text: str, path: Path) -> None:
    try:
        with path.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text)
    except FileExistsError:
        raise SettingError("exists already; name another file with -o, or remove it", file=str(path)) from None
    except OSError as error:
        raise SettingError(f"cannot be written: {error.strerror}", file=str(path)) from error
