"""The columns of the collector's tables, from the payload's own model.

Tables, copies, views and rows follow from them, so that a column is added in one place.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from daq.methods.curves.curvedata import CURVE_NAMES
from daq.methods.messages.leaves import Kind
from daq.methods.messages.named import RESULT_NAMES, In, Named

_TYPES: Final[dict[Kind, str]] = {
    "text": "text",
    "number": "double precision",
    "whole": "integer",
    "flag": "boolean",
    "moment": "timestamptz",
    "identity": "uuid",
    "part": "boolean",
}
"""A part is stored as whether it is there."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column.

    Attributes:
        declared: its type in SQL.
        comment: a description for who looks at the table.
        named: where its value is in the event's data; None for a column of the envelope.
        place: the same in words.
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
"""Of every event, before those of its data."""
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
CURVE: Final = tuple(_column(n) for n in CURVE_NAMES)


def names_of(columns: Sequence[Column]) -> tuple[str, ...]:
    """Names of the columns that the writer fills: around the data, of the data, and the event itself."""
    return tuple(c.name for c in (*ENVELOPE, *columns, EVENT))


def table(name: str, columns: Sequence[Column]) -> str:
    """The SQL that makes a table of events, partitioned by time."""
    declared = ",\n".join(f"    {c.name} {c.declared}" for c in (*ENVELOPE, RECEIVED, *columns, EVENT))
    return f"CREATE TABLE lab.{name} (\n{declared}\n) PARTITION BY RANGE (time);\n"


def comments(name: str, columns: Sequence[Column]) -> str:
    """The SQL that says of each column what it is, where its value is in the event, and its unit."""
    quoted = ((c.name, c.comment.replace("'", "''")) for c in columns)
    return "".join(f"COMMENT ON COLUMN lab.{name}.{column} IS '{text}';\n" for column, text in quoted)
