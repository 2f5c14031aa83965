"""A page of a report as data: blocks of text, tables and figures.  Pure; `typesetting` makes a PDF of it."""

import base64
import hashlib
import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

from daq.app.screens.text import plain
from daq.laboratory.reports import ReportForm, ShownResult

Block = dict[str, Any]
Rows = Sequence[tuple[str, str]]
GROUND: Final = re.compile(r'<rect width="\d+" height="\d+" fill="#ffffff"/>\n?')
"""White ground of a drawing."""


@dataclass(frozen=True, slots=True)
class Attached:
    """A file that is attached to a page."""

    name: str
    mime: Literal["application/json", "text/csv"]
    text: str
    description: str

    @property
    def digest(self) -> str:
        """SHA-256 (hex) of its bytes."""
        return hashlib.sha256(self.text.encode()).hexdigest()


@dataclass(frozen=True, slots=True)
class WorksHead:
    """Name, address and logo of the works, as a page has them at its top.

    `logo` is the text of an SVG file, the bytes of a PNG file, or None.
    """

    name: str = ""
    lines: tuple[str, ...] = ()
    logo: str | bytes | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """Everything that a page shows.

    Attributes:
        form: kind of the report.
        of: run, sample, day or chart that it is about.
        title, subtitle: its head.
        blocks: its content, made by the functions below.
        end: sentences at its end.
        shown: the results on it.
        simulated: whether no real sample was measured for one of them.
        works: head of the works.
        made_utc_ns: moment that the PDF carries as its date.
        attached: attached files.
        sample: sample that it is about; "" where it is about something else.
    """

    form: ReportForm
    of: str
    title: str
    subtitle: str
    blocks: tuple[Block, ...]
    end: tuple[str, ...]
    shown: tuple[ShownResult, ...]
    simulated: bool
    works: WorksHead
    made_utc_ns: int
    attached: tuple[Attached, ...] = ()
    sample: str = ""

    @property
    def is_certificate(self) -> bool:
        """True for a page that goes to a customer: one page, nothing attached."""
        return self.form == "certificate"

    @property
    def digest(self) -> str:
        """SHA-256 (hex) of everything that the page shows; it is the id of the report."""
        logo = self.works.logo
        shown = {
            "form": self.form,
            "of": self.of,
            "head": [self.title, self.subtitle, self.works.name, *self.works.lines],
            "logo": None if logo is None else hashlib.sha256(_bytes(logo)).hexdigest(),
            "blocks": self.blocks,
            "end": self.end,
            "simulated": self.simulated,
            "results": [s.model_dump(mode="json") for s in self.shown],
            "attached": [[a.name, a.digest] for a in self.attached],
        }
        text = json.dumps(shown, sort_keys=True, ensure_ascii=False, allow_nan=False)
        return hashlib.sha256(text.encode()).hexdigest()


def _bytes(given: str | bytes) -> bytes:
    return given.encode() if isinstance(given, str) else given


def headline(quantity: str, value: str, below: str = "", verdict: str = "") -> Block:
    """Return the block that shows one value in large digits."""
    texts = {"quantity": quantity, "value": value, "below": below, "verdict": verdict}
    return {"kind": "headline"} | {name: plain(text) for name, text in texts.items()}


def section(text: str) -> Block:
    """Return a heading."""
    return {"kind": "section", "text": plain(text)}


def facts(rows: Rows, columns: Literal[1, 2] = 1) -> Block:
    """Return names with their values, in one or two columns; a row without a value is left out."""
    given = [[plain(name), plain(value)] for name, value in rows if value]
    if columns == 2 and len(given) % 2:
        given.append(["", ""])
    return {"kind": "facts", "rows": given, "columns": columns}


def table(head: Sequence[str], rows: Sequence[Sequence[str]], right: frozenset[int] = frozenset()) -> Block:
    """Return a table; the columns `right` are aligned to the right."""
    align = ["right" if i in right else "left" for i in range(len(head))]
    cells = [[plain(cell) for cell in row] for row in rows]
    return {"kind": "table", "head": [plain(cell) for cell in head], "rows": cells, "align": align}


def text(rows: Sequence[str]) -> Block:
    """Return paragraphs."""
    return {"kind": "text", "rows": [plain(row) for row in rows]}


def figure(number: int, svg: str, caption: str, width: int = 100) -> Block:
    """Return a drawing with its caption; `width` is in percent of the page's text."""
    # Without its white ground, so that SIMULATED behind it stays visible.
    drawn = GROUND.sub("", svg, count=1)
    return {"kind": "figure", "number": number, "svg": drawn, "caption": plain(caption), "width": width}


def signatures(rows: Sequence[str]) -> Block:
    """Return lines to be signed by hand."""
    return {"kind": "signatures", "rows": [plain(row) for row in rows]}


def attached_texts(page: Page) -> list[dict[str, str]]:
    """Return the attached files as the template takes them."""
    return [{"name": a.name, "mime": a.mime, "text": a.text, "description": a.description} for a in page.attached]


def logo_of(works: WorksHead) -> str | list[int] | None:
    """Return the logo as the template takes it: text, or the bytes as numbers."""
    return list(works.logo) if isinstance(works.logo, bytes) else works.logo


def encoded(pdf: bytes) -> str:
    """Return a PDF as text, for an answer of the daemon."""
    return base64.b64encode(pdf).decode("ascii")
