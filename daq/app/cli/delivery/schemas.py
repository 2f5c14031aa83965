"""``daq schemas``: the JSON Schemas of all messages, and the AsyncAPI document."""

import argparse
from pathlib import Path


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument(
        "--asyncapi", action="store_true", help="print an AsyncAPI 3 document of all topics and messages"
    )
    parser.add_argument("--write", metavar="DIR", help="write each JSON Schema into this folder, as NAME-VERSION.json")


def run(args: argparse.Namespace) -> int:
    """List the schemas, or write them, or print the AsyncAPI document."""
    if args.asyncapi:
        from daq.app.delivery.asyncapi import asyncapi_text

        print(asyncapi_text().decode())
        return 0
    from daq.app.cli.printing import say
    from daq.app.delivery.contract import CODES, SCHEMAS, codes_text

    if args.write is None:
        for name, version, about in (*((s.name, s.version, s.about) for s in SCHEMAS), CODES):
            say(about, f"  {name} {version:<4} ")
        print()
        say("Each is retained under schema/NAME/VERSION on the broker; `daq schemas --write DIR` writes files.")
        return 0
    from daq.core.errors import SettingError

    try:
        texts = {f"{s.name}-{s.version}": s.text() for s in SCHEMAS} | {f"{CODES[0]}-{CODES[1]}": codes_text()}
    except OSError as error:
        reason = f"cannot be read: {error.strerror}; it is a part of daq: install daq again"
        raise SettingError(reason, file=str(error.filename)) from None
    folder = Path(args.write)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for stem, text in texts.items():
            file = folder / f"{stem}.json"
            file.write_bytes(text)
            print(file)
    except OSError as error:
        raise SettingError(f"cannot be written: {error.strerror}; name another folder", file=str(folder)) from None
    return 0
