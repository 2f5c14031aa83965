"""The disks that hold a file system, as the kernel of Linux shows them below ``/sys``."""

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Final

BLOCKS: Final = Path("/sys/dev/block")
"""Folder with a link to each block device by its numbers (`major:minor`)."""


def disks_of(device: int, blocks: Path = BLOCKS) -> frozenset[str]:
    """Return the names of the disks that hold the file system with a device number (`st_dev`).

    A partition is on its disk, and a device that is made of others, such as a mirror or an encrypted one, is on all of
    theirs.  Empty where the system does not show them: a network share, a memory file system, a subvolume, or a system
    without this folder.
    """
    try:
        return frozenset(_disks((blocks / f"{os.major(device)}:{os.minor(device)}").resolve(strict=True)))
    except OSError:
        return frozenset()


def _disks(block: Path) -> Iterator[str]:
    parts = block / "slaves"
    below = sorted(parts.iterdir()) if parts.is_dir() else []
    if below:
        for one in below:
            yield from _disks(one.resolve(strict=True))
    elif (block / "partition").exists():
        yield from _disks(block.parent)
    else:
        yield block.name
