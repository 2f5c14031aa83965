"""A page as a PDF/A file, by the library typst.  The same page gives the same bytes.

All texts reach the template as JSON data, never as source: none of them is markup.
"""

import json
import re
from datetime import UTC, datetime
from functools import lru_cache
from importlib.resources import files
from pathlib import Path
from typing import Any, Final, Literal

from daq.app.laboratory.reporting.page_blocks import Page, attached_texts, logo_of, number_of
from daq.app.screens.drawings.label_svg import code_svg
from daq.core.errors import SettingError, coded
from daq.process.extras import need

FONT: Final = "Libertinus Serif"
"""Font of all pages; typst brings it."""
SIZES: Final = (10.0, 9.5, 9.0, 8.5, 8.0, 7.5)
"""Sizes of the text (pt); a certificate takes the largest one with which it is one page."""
Standard = Literal["a-2a", "a-2u", "a-3a"]
CUSTOMERS: Final = "a-2a"
OWN: Final = "a-3a"
"""PDF/A for customers, without attachments (ISO 19005-2), and with them (ISO 19005-3); tagged both."""
UNSHOWN: Final = re.compile(r"the text `\"(.*?)\"` could not be displayed", re.DOTALL)
MOST_UNSHOWN: Final = 60
"""Greatest number of texts that are written with escapes because no font has their characters."""
PROBE: Final = b'#set document(title: "x")\n#set text(font: json(bytes(sys.inputs.fonts)))\n#sys.inputs.shown'
"""Template that shows one text."""
NO_ROOM: Final = "more than one page"


def typeset(page: Page, digest: str, fonts: Path | None = None) -> bytes:
    """Return a page as PDF/A.

    A character that no font has is written as an escape of Python.

    Args:
        page: the page.
        digest: id of the report, shown as number and QR code.
        fonts: folder with more fonts of the works; None: only those of typst.

    Raises:
        SettingError: a library of the extra `reports` is not installed, a certificate does not fit on one page, or the
            logo cannot be read.
    """
    need("typst", "a report as PDF")
    need("segno", "a report with a QR code")
    data = _escaped(_data(page, digest), fonts)
    for size in SIZES if page.is_certificate else SIZES[1:2]:
        pdf = _compiled(data, page, size, fonts)
        if pdf is not None:
            return pdf
    error = SettingError("the certificate does not fit on one page; shorten the address, the customer or the remarks")
    raise coded(error, "certificate_too_long")


def _data(page: Page, digest: str) -> dict[str, Any]:
    import segno

    code = segno.make_qr(digest.upper(), error="m", boost_error=False)
    made = datetime.fromtimestamp(page.made_utc_ns // 10**9, UTC)
    return {
        "title": page.title,
        "subtitle": page.subtitle,
        "simulated": page.simulated,
        "works": {"name": page.works.name, "lines": list(page.works.lines), "logo": logo_of(page.works)},
        "moment": [made.year, made.month, made.day, made.hour, made.minute, made.second],
        "blocks": list(page.blocks),
        "end": [*page.end, f"Number {number_of(digest)}. SHA-256 of all that is shown here: {digest}"],
        "footer": f"{page.title}, number {number_of(digest)}",
        "code": {"svg": code_svg([[int(bool(m)) for m in row] for row in code.matrix]), "text": digest},
        "attached": attached_texts(page),
        "one-page": page.is_certificate,
    }


def _compiled(data: dict[str, Any], page: Page, size: float, fonts: Path | None) -> bytes | None:
    """Return the PDF; None where a certificate needs more than one page."""
    shown = json.dumps(data, ensure_ascii=False, allow_nan=False)
    for _ in range(MOST_UNSHOWN):
        try:
            inputs = {"page": shown, "size": f"{size:g}"}
            return _pdf(_template(), inputs, CUSTOMERS if page.is_certificate else OWN, page.made_utc_ns, fonts)
        except RuntimeError as error:  # TypstError is one
            if NO_ROOM in str(error):
                return None
            unshown = UNSHOWN.search(str(error))
            if unshown is None:
                raise SettingError(f"the page cannot be set: {error}; look at the logo and the fonts") from None
            # A sequence of characters whose glyph is missing although each has one.
            for character in {c for c in unshown[1] if not c.isascii()}:
                shown = shown.replace(character, json.dumps(_escape(character))[1:-1])
    raise SettingError("the page has too many characters that no font has; put a font into reports/fonts")


def _pdf(source: bytes, inputs: dict[str, str], standard: Standard, utc_ns: int, fonts: Path | None) -> bytes:
    """Return the PDF of a template.

    Raises:
        RuntimeError: typst cannot set it.
    """
    import typst

    more = typst.Fonts(include_system_fonts=False, font_paths=[] if fonts is None else [fonts])
    compiler = typst.Compiler(source, font_paths=more, ignore_system_fonts=True)
    made = compiler.compile(
        sys_inputs=inputs | {"fonts": json.dumps(_families(fonts))},
        pdf_standards=[standard],
        timestamp=datetime.fromtimestamp(utc_ns // 10**9, UTC),
    )
    if not isinstance(made, bytes):
        raise SettingError("the library typst made no file; install the version that pyproject.toml names")
    return made


@lru_cache(maxsize=1)
def _template() -> bytes:
    return files(__package__).joinpath("page.typ").read_bytes()


def _families(fonts: Path | None) -> list[str]:
    """Return the font of the pages and those of the works, in the order in which characters are looked for."""
    if fonts is None:
        return [FONT]
    import typst

    found = typst.Fonts(include_system_fonts=False, include_embedded_fonts=False, font_paths=[str(fonts)])
    return [FONT, *found.families()]


def _escaped(data: Any, fonts: Path | None) -> Any:
    """Return data whose texts have escapes in the places of characters that no font has; attached files stay."""
    attached = data["attached"]
    text = json.dumps(data | {"attached": []}, ensure_ascii=False, allow_nan=False)
    missing = [c for c in sorted(set(text)) if not c.isascii() and not is_shown(c, fonts)]
    for character in missing:
        text = text.replace(character, json.dumps(_escape(character))[1:-1])
    return json.loads(text) | {"attached": attached}


def _escape(character: str) -> str:
    return character.encode("unicode_escape").decode("ascii")


@lru_cache(maxsize=4096)
def is_shown(character: str, fonts: Path | None = None) -> bool:
    """Return whether a font of the pages has a character."""
    try:
        _pdf(PROBE, {"shown": character}, "a-2u", 0, fonts)
    except RuntimeError as error:
        if UNSHOWN.search(str(error)) is None:
            raise
        return False
    return True
