"""``daq init DIR``: copy the example configuration."""

import argparse
import shutil
from pathlib import Path

from daq.adapters.paths import examples_dir
from daq.app.cli.common import wanted_path
from daq.core.errors import SettingError


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("folder", metavar="DIR", type=wanted_path, help="folder to copy the examples to")


def run(args: argparse.Namespace) -> int:
    """Copy every file that does not exist yet; overwrite none."""
    folder: Path = args.folder
    source = examples_dir()
    copied, kept = copy_tree(source, folder)
    for path in copied:
        print(f"  wrote  {folder / path}")
    for path in kept:
        print(f"  kept   {folder / path} (existed already)")
    print(f"\nNext:\n  1. Edit {folder / 'instruments'}: which port, which geometry, which specification.")
    print(f"  2. daq check {folder}")
    print(f"  3. daq --config {folder} serve")
    print("Before a motor may turn, set enable_motion = true in the instrument's file and read the cautions in it.")
    return 0


def copy_tree(source: Path, folder: Path) -> tuple[list[Path], list[Path]]:
    """Copy files below `source` to `folder`; return the relative paths of those copied and of those that existed.

    Raises:
        SettingError: the folder is a file, or cannot be written.
    """
    copied: list[Path] = []
    kept: list[Path] = []
    try:
        for path in sorted(p for p in source.rglob("*") if p.is_file() and p.suffix != ".pyc"):
            relative = path.relative_to(source)
            target = folder / relative
            target.parent.mkdir(parents=True, exist_ok=True)
            try:
                with path.open("rb") as read, target.open("xb") as written:
                    shutil.copyfileobj(read, written)
            except FileExistsError:
                kept.append(relative)
            else:
                copied.append(relative)
    except OSError as error:
        raise SettingError(f"cannot be written: {error.strerror}; choose another folder", file=str(folder)) from error
    return copied, kept
