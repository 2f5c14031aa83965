"""The works' own files for reports: name, address and logo in ``reports/works.toml``, fonts in ``reports/fonts``."""

from pathlib import Path
from typing import Final

from daq.app.laboratory.reporting.page_blocks import WorksHead
from daq.app.screens.text import plain
from daq.core.errors import SettingError
from daq.methods.files.load import load_works
from daq.methods.files.works import LOGO_KINDS
from daq.textfiles.plain_file import read_plain

FOLDER: Final = "reports"
FILE: Final = "works.toml"
LARGEST_LOGO: Final = 200_000
"""Greatest size of a logo, bytes."""


def works_of(configuration: Path) -> WorksHead | None:
    """Return the head of the works in a configuration folder; None where it has no such file.

    Raises:
        SettingError: the file is wrong, or its logo cannot be read.
    """
    file = configuration / FOLDER / FILE
    if not file.is_file():
        return None
    works = load_works(file)
    lines = tuple(plain(line) for line in (*works.address, works.contact) if line)
    if works.logo is None:
        return WorksHead(works.name, lines)
    raw = read_plain(file.parent / works.logo, LARGEST_LOGO, what="a logo")
    if works.logo.endswith(LOGO_KINDS[1]):
        return WorksHead(works.name, lines, raw)
    try:
        return WorksHead(works.name, lines, raw.decode("utf-8"))
    except UnicodeDecodeError:
        raise SettingError("is not UTF-8 text", file=str(file.parent / works.logo), key="logo") from None


def fonts_of(configuration: Path) -> Path | None:
    """Return the folder with the works' own fonts; None where there is none."""
    folder = configuration / FOLDER / "fonts"
    return folder if folder.is_dir() else None
