"""``daq driver schema``: print the JSON Schema of description files."""

import argparse


def arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command; it has no arguments."""
    parser.description = (
        "Print the JSON Schema of description files. Editors that know JSON Schema complete and check a file whose\n"
        "first line is `#:schema PATH`, where PATH is where this was written to."
    )


def run(args: argparse.Namespace) -> int:
    """Print the schema."""
    from daq.descriptions.schema import schema_text

    del args
    print(schema_text(), end="")
    return 0
