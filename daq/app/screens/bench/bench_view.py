"""The work at a bench as the daemon shows it: one tree of dataclasses for terminal, page and socket."""

from dataclasses import dataclass, field
from typing import Any, Final

CONTROL_DUE: Final = 0
"""Priority of the control of the shift on the worklist: it comes before all samples."""
OLD_S: Final = 2.0
"""Age (s) from which the age of a reading is shown, as in `static/stream.js` of the page."""


@dataclass(frozen=True, slots=True)
class ItemShown:
    """An item of the present checklist, as it would be confirmed now."""

    code: str
    how: str
    met: bool = True
    value: float | None = None
    unit: str = ""
    low: float | None = None
    high: float | None = None
    age_s: int | None = None
    """Age (s) of the reading; None where nothing was read."""
    longest_s: float | None = None
    """Age (s) up to which it counts."""


@dataclass(frozen=True, slots=True)
class ListedSample:
    """A sample of the worklist of the bench, or with the priority `CONTROL_DUE` the control fluid that is due."""

    sample: str
    product: str = ""
    lot: str = ""
    due: str = ""
    priority: int = 5
    enter_now: bool = False
    """Its cup enters the bath now."""
    in_bath_s: float | None = None
    """Time (s) of its cup in the bath; None where it is not there."""
    bath_s: float = 0.0
    """Time (s) that it needs in the bath; 0 where none is given."""


@dataclass(frozen=True, slots=True)
class CupShown:
    """A cup in the bath, and its time (s) there."""

    sample: str
    in_bath_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class GeometryShown:
    """The measuring geometry that is fitted, as its file describes it; "" and None for what the file leaves out."""

    name: str
    kind: str
    """As in the file: ``coaxial_cylinders``."""
    vessel: str = ""
    fill_volume: float | None = None
    """mL."""
    immersion: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchView:
    """The work at a bench at one moment.

    Attributes:
        bench, title: name and title of the instrument.
        revision: number of the state, which an act at the bench names.
        stage, asks, commands: the stage, the text that it asks for, and the commands that it takes.
        connection: state of the instrument's connection.
        fitted: the measuring geometry that is recorded as fitted; "" for none.
        geometry: the same with its kind, vessel and filling; None where none is recorded, or its file has it no more.
        out_of_service: why the equipment must not be used; "" where it may.
        message, values: code and values of the newest message; "" for none.
        sample, product, lot, method, caution, filling, reason: of the sample at the bench.
        signal, low, high: the temperature (Cel) that the method asks for; "" without one.
        items: the present checklist.
        stirring_left_s, resting_left_s: times that are still counted.
        worklist: the next samples.
        cups: the cups in the bath.
        discard, awaited: fills to discard, and samples whose repeat waits for an assigned cause.
        draft: text that is not confirmed yet.
        run, outcome, validity, verdict, repeat: the run of the flow, and its end.
        result: the result (`ResultData` as JSON); None where none is stored.
        warm_up: a warm-up is due, because the daemon before did not end regularly.
    """

    bench: str
    title: str = ""
    revision: int = 0
    stage: str
    asks: str = ""
    commands: tuple[str, ...] = ()
    connection: str = ""
    fitted: str = ""
    geometry: GeometryShown | None = None
    out_of_service: str = ""
    message: str = ""
    values: dict[str, str] = field(default_factory=dict)
    sample: str = ""
    product: str = ""
    lot: str = ""
    method: str = ""
    caution: str = ""
    filling: str = ""
    reason: str = ""
    signal: str = ""
    low: float = 0.0
    high: float = 0.0
    items: tuple[ItemShown, ...] = ()
    stirring_left_s: float = 0.0
    resting_left_s: float = 0.0
    worklist: tuple[ListedSample, ...] = ()
    cups: tuple[CupShown, ...] = ()
    discard: tuple[str, ...] = ()
    awaited: tuple[str, ...] = ()
    draft: str = ""
    run: str = ""
    outcome: str = ""
    validity: str = ""
    verdict: str = ""
    repeat: str = ""
    result: dict[str, Any] | None = None
    warm_up: bool = False
