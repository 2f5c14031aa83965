"""The computations after a run has ended: each task is plain data, with the computation as a method.

A task is carried out in the process for computations, or in a thread of the daemon; the numbers are the same.  It reads
the database and hands transactions to the store.  A task may be carried out twice, where its process was killed: the
second time must find what the first one stored, and change nothing.
"""

# ruff: noqa: D102 - the docstring of each class says what its `carry_out` does

from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar, Generic, Literal, TypeVar

from daq.adapters.mqtt.topics import Topics
from daq.adapters.store.outgoing.derived import AddDerived
from daq.adapters.store.store import Writing
from daq.app.delivery.curve_publishing import curve_message
from daq.app.laboratory.progress import note_done
from daq.app.laboratory.signing.reportable_records import Keeping, samples_after
from daq.app.records.health_history import Figures, figures
from daq.app.records.history import raw_journal
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.drivers import Drivers
from daq.core.effects import Facts
from daq.core.plan import Plan
from daq.core.replay import MakeDriver
from daq.methods.concluding.conclude import conclude
from daq.methods.concluding.conclusion import Conclusion
from daq.methods.files.daemon import Daemon
from daq.methods.files.product import Product

T = TypeVar("T")
Queue = Literal["conclusion", "record", "journal"]


@dataclass(frozen=True, slots=True)
class Place:
    """Where a task is carried out.

    Attributes:
        store: the way to the database.
        make: makes the drivers of a recorded run.
        utc_ns: UTC of the request, ns.
    """

    store: Writing
    make: MakeDriver
    utc_ns: int


class Task(ABC, Generic[T]):
    """A computation about a stored run.

    Attributes:
        queue: "journal" for a task that computes a whole journal again: it takes time and memory with the length of
            the run, and it is not carried out in the daemon after it ended the process.  A task never waits for one of
            another queue.
    """

    __slots__ = ()
    queue: ClassVar[Queue] = "record"

    @abstractmethod
    def carry_out(self, place: Place) -> T:
        """Compute, and return what the daemon needs.

        Raises:
            DaqError: it cannot be computed or stored; the result of the run is not affected.
        """


@dataclass(frozen=True, slots=True)
class NoteSample(Task[bool]):
    """Set the sample of an ended run to done if it is open and measured; return whether it was set."""

    run: str
    products: Mapping[str, Product]

    def carry_out(self, place: Place) -> bool:
        catalogue = Catalogue(Path(), Daemon(), Drivers.find(), products=dict(self.products))
        return note_done(place.store, catalogue, self.run, place.utc_ns)


@dataclass(frozen=True, slots=True)
class StoreReportables(Task[list[str]]):
    """Store the reportable results that a run changes; return their ids.  `topics` None: none is published."""

    run: str
    topics: Topics | None

    def carry_out(self, place: Place) -> list[str]:
        keeping = Keeping(place.store, self.topics, place.utc_ns, "daemon")
        with place.store.reader() as reader:
            run = reader.run(self.run)
            samples = [] if run is None else samples_after(reader, run)
        return keeping.store_of_samples(samples)


@dataclass(frozen=True, slots=True)
class ComputeFigures(Task[Figures]):
    """Return the health figures of a run."""

    queue: ClassVar[Queue] = "journal"
    run: str

    def carry_out(self, place: Place) -> Figures:
        with place.store.reader() as reader:
            raw, _ = raw_journal(reader, self.run)
        return figures(raw, place.make)


@dataclass(frozen=True, slots=True)
class FitCurve(Task[AddDerived | None]):
    """Return the transaction that puts the flow curve of a run into the outbox; None where the run has none."""

    run: str
    topics: Topics

    def carry_out(self, place: Place) -> AddDerived | None:
        with place.store.reader() as reader:
            return curve_message(reader, self.run, place.store.uuid, self.topics, place.utc_ns)


@dataclass(frozen=True, slots=True)
class ComputeConclusion(Task[Conclusion]):
    """Return the conclusion of a run that has ended."""

    queue: ClassVar[Queue] = "conclusion"
    plan: Plan
    facts: Facts

    def carry_out(self, place: Place) -> Conclusion:  # noqa: ARG002 - it needs the facts alone
        return conclude(self.plan, self.facts)
