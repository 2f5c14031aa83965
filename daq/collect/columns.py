"""The columns of the collector's tables, derived from the model of the payload.

Tables, copies, views and rows use these lists, so a new column needs a change in one place only.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from daq.methods.curves.curvedata import CURVE_NAMES
from daq.methods.messages.leaves import Kind
from daq.methods.messages.named import RESULT_NAMES, In, Named
from daq.methods.messages.reportabledata import REPORTABLE_NAMES
from daq.methods.messages.signaturedata import SIGNATURE_NAMES

_TYPES: Final[dict[Kind, str]] = {
    "text": "text",
    "number": "double precision",
    "whole": "integer",
    "flag": "boolean",
    "moment": "timestamptz",
    "identity": "uuid",
    "part": "boolean",
}
"""SQL type of each kind of value; of a part, only its presence is stored."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column.

    Attributes:
        declared: its type in SQL.
        comment: the description stored in the database.
        named: path of its value in the event's data; None for a column of the envelope.
        place: the same path as text.
    """

    name: str
    declared: str
    comment: str = ""
    named: Named | None = None
    place: str = ""


ENVELOPE: Final = (
    Column("source", "integer NOT NULL"),
    Column("id", "uuid NOT NULL"),
    Column("time", "timestamptz NOT NULL"),
    Column("stream", "text NOT NULL"),
    Column("sequence", "bigint NOT NULL"),
    Column("prefix", "text NOT NULL"),
)
"""Columns of every event, before those of its data."""
RECEIVED: Final = Column("received", "timestamptz NOT NULL DEFAULT now()")
EVENT: Final = Column("event", "jsonb NOT NULL")


def _column(named: Named) -> Column:
    leaf, place = named.leaf, f"data.{named.leaf.dotted}"
    may_be_null = leaf.is_nullable and leaf.kind != "part"
    text = "whether there is one" if leaf.kind == "part" else leaf.description
    in_unit = f"unit {leaf.unit}" if leaf.unit else ""
    if leaf.unit_at:
        in_unit = f"unit in data.{leaf.unit_at}"
    comment = "; ".join(text for text in (place, text, in_unit) if text)
    return Column(named.name, _TYPES[leaf.kind] + ("" if may_be_null else " NOT NULL"), comment, named, place)


RESULT: Final = tuple(_column(n) for n in RESULT_NAMES if In.COLLECTOR in n.used)
ADDED: Final = ("attribution",)
"""Columns of results that later migrations added."""
RESULT_AT_FIRST: Final = tuple(c for c in RESULT if c.name not in ADDED)
CURVE: Final = tuple(_column(n) for n in CURVE_NAMES)
REPORTABLE: Final = tuple(_column(n) for n in REPORTABLE_NAMES)
SIGNATURE: Final = tuple(_column(n) for n in SIGNATURE_NAMES)
OF_TABLES: Final = {"results": RESULT, "curves": CURVE, "reportables": REPORTABLE, "signatures": SIGNATURE}
"""The columns of the data of each kind of event, by its table."""


def names_of(columns: Sequence[Column]) -> tuple[str, ...]:
    """Return the names of the columns that the writer fills: envelope, data, and the event itself."""
    return tuple(c.name for c in (*ENVELOPE, *columns, EVENT))


def table(name: str, columns: Sequence[Column]) -> str:
    """Return the SQL for a table of events, partitioned by time."""
    declared = ",\n".join(f"    {c.name} {c.declared}" for c in (*ENVELOPE, RECEIVED, *columns, EVENT))
    return f"CREATE TABLE lab.{name} (\n{declared}\n) PARTITION BY RANGE (time);\n"


def comments(name: str, columns: Sequence[Column]) -> str:
    """Return the SQL for the comments on the columns: path of the value in the event, description, unit."""
    quoted = ((c.name, c.comment.replace("'", "''")) for c in columns)
    return "".join(f"COMMENT ON COLUMN lab.{name}.{column} IS '{text}';\n" for column, text in quoted)
