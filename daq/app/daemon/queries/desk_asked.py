"""The parameters of the queries of the desk, with their bounds."""

from typing import Final, Literal

from pydantic import Field

from daq.app.daemon.queries.asked import MOST_ROWS
from daq.methods.files.fields import Label, Model, NeededLabel

MOST_SIGNED: Final = 30
"""Greatest number of records that one screen signs; the rest comes after them."""
MOST_COMPARED: Final = 6
"""Greatest number of runs in one plot."""
MOST_EXPORTED: Final = 10_000
"""Greatest number of samples of one export."""
SAMPLE_COLUMNS: Final = (
    "id", "product", "lot", "sampled_at", "due", "condition", "received_by", "retain", "discard_on", "rework_of",
    "added", "bench", "priority", "remark",
)  # fmt: skip
"""Columns of a file of samples that is imported."""
MOST_IN_CHART: Final = 200
MOST_HEALTH_RUNS: Final = 100
LONGEST_CAUSE: Final = 800
"""Greatest length of the name of a calibration, which joins four names."""
LONGEST_SUBJECT: Final = 401
"""Greatest length of the id of a reportable result, which joins a sample and a test."""


class Nothing(Model):
    """No parameters."""


class ExportAsked(Model):
    """Samples in any state, by id."""

    limit: int = Field(default=MOST_EXPORTED, ge=1, le=MOST_EXPORTED)


class ListAsked(Model):
    """Samples in any state by id, or those whose retained part may be discarded today."""

    which: Literal["all", "discard"] = "all"
    limit: int = Field(default=100, ge=1, le=MOST_ROWS)


class SigningAsked(Model):
    """Records to sign: one, or those of a period; "" means no condition."""

    meaning: Literal["measured", "reviewed", "released", "rejected"] = "released"
    person: Label = ""
    """Id of the person who will sign; "": not known."""
    subject: str = Field(default="", max_length=LONGEST_SUBJECT)
    """A run, a reportable result or the number of a report; then the period has no effect."""
    since: Label = ""
    until: Label = ""
    product: Label = ""
    instrument: Label = ""
    what: Literal["runs", "reportables"] = "runs"


class RepeatsAsked(Model):
    """The greatest number of runs outside their limits that are examined."""

    limit: int = Field(default=200, ge=1, le=MOST_ROWS)


class DoubtsAsked(Model):
    """The run of a failed verification whose results are listed; "": the list of failed verifications alone."""

    verification: str = Field(default="", max_length=LONGEST_CAUSE)


class ChartsAsked(Model):
    """Charts of a product, or of an instrument's verifications with a fluid."""

    product: Label = ""
    fluid: Label = ""
    instrument: Label = ""
    geometry: Label = ""
    quantity: Label = ""
    last: int = Field(default=30, ge=1, le=MOST_IN_CHART)
    language: Literal["en", "ko"] = "en"
    """Language of the words in the drawings."""


class PieceAsked(Model):
    """The inventory; with a piece, its history too."""

    piece: Label = ""


class HealthAsked(Model):
    """Health figures of an instrument over its newest runs."""

    instrument: NeededLabel
    runs: int = Field(default=20, ge=1, le=MOST_HEALTH_RUNS)


class ReportsAsked(Model):
    """Reports about a sample, run, day or chart; "": all."""

    of: Label = ""
    limit: int = Field(default=50, ge=1, le=MOST_ROWS)


class TraceAsked(Model):
    """The number of a report, or the SHA-256 (hex) of its file."""

    report: NeededLabel


class DayAsked(Model):
    """A day, of all instruments ("") or of one; "" is today."""

    day: Label = ""
    instrument: Label = ""
    until: Label = ""
    """List only runs that started until then; "" means all."""
    limit: int = Field(default=50, ge=1, le=MOST_ROWS)
    """Greatest number of runs that are listed, the newest ones; the counts are of all."""


class MonthAsked(Model):
    """A month: 2026-11; "" is the present one."""

    month: Label = ""


class LotAsked(Model):
    """A lot."""

    lot: NeededLabel


class CompareAsked(Model):
    """Runs in one plot, each as a run is named."""

    runs: tuple[NeededLabel, ...] = Field(min_length=1, max_length=MOST_COMPARED, strict=False)


class DefinitionAsked(Model):
    """One product, method or fluid, in a version ("": the newest), and the differences from another version."""

    kind: Literal["product", "method", "fluid"]
    id: NeededLabel
    version: Label = ""
    against: Label = ""
