"""``daq schemas``: the JSON Schemas of all messages."""

import argparse
from pathlib import Path


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("--write", metavar="DIR", help="write each JSON Schema into this folder, as NAME-VERSION.json")


def run(args: argparse.Namespace) -> int:
    """List the schemas, or write them."""
    from daq.app.cli.printing import say
    from daq.app.delivery.contract import SCHEMAS

    if args.write is None:
        for schema in SCHEMAS:
            say(schema.about, f"  {schema.name} {schema.version:<4} ")
        print()
        say("Each is retained under schema/NAME/VERSION on the broker; `daq schemas --write DIR` writes files.")
        return 0
    from daq.core.errors import SettingError

    folder = Path(args.write)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for schema in SCHEMAS:
            file = folder / f"{schema.name}-{schema.version}.json"
            file.write_bytes(schema.text())
            print(file)
    except OSError as error:
        raise SettingError(f"cannot be written: {error.strerror}; name another folder", file=str(folder)) from None
    return 0
