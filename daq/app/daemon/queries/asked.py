"""The parameters of queries, with their bounds; a page builds and shows them without what answers them."""

from typing import Final, Literal

from pydantic import Field

from daq.methods.files.fields import Label, Model, NeededLabel

MOST_ROWS: Final = 500
"""Greatest number of rows of one answer."""
MOST_BENCHES: Final = 100
OUTCOMES: Final = ("complete", "stopped", "interrupted", "failed", "running")
VERDICTS: Final = ("within", "outside", "undecided", "not_comparable", "none")


class RunsAsked(Model):
    """Conditions on runs, all of which hold; "" means no condition."""

    sample: Label = ""
    lot: Label = ""
    product: Label = ""
    operator: Label = ""
    instrument: Label = ""
    outcome: Literal["", "complete", "stopped", "interrupted", "failed", "running"] = ""
    verdict: Literal["", "within", "outside", "undecided", "not_comparable", "none"] = ""
    since: Label = ""
    """Time as a person writes it: 06:00, a day, or a day with a time."""
    until: Label = ""
    limit: int = Field(default=50, ge=1, le=MOST_ROWS)


class RunAsked(Model):
    """The run's id, a unique beginning of it, ``last``, or the id of a sample with one run."""

    run: NeededLabel


class SamplesAsked(Model):
    """Open samples on the worklists of some benches, and on that of none."""

    benches: tuple[NeededLabel, ...] = Field(default=(), max_length=MOST_BENCHES, strict=False)
    limit: int = Field(default=100, ge=1, le=MOST_ROWS)


class SampleAsked(Model):
    """One sample by its id."""

    sample: NeededLabel
