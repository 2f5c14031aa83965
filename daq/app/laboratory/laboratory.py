"""Reading and changing the records of the laboratory, for one person."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Generic, TypeVar

from daq.adapters.store.reading import Reader
from daq.adapters.store.records import Change, ChangeRecords, StoredRecord, found_by, newest_revision
from daq.app.laboratory.log_ins import LogIns, Tickets
from daq.core.errors import SettingError, coded
from daq.laboratory.record import Record

if TYPE_CHECKING:
    from daq.adapters.clock import Clock
    from daq.adapters.mqtt.topics import Topics
    from daq.adapters.store.store import Store
    from daq.app.laboratory.bench_work import BenchWork
    from daq.app.setup.catalogue import Catalogue
    from daq.laboratory.people import Who
    from daq.laboratory.trials import Trials

R = TypeVar("R", bound=Record)


@dataclass(frozen=True, slots=True)
class Kept(Generic[R]):
    """A record in its newest revision, with time (UTC ns), person, change and reason of that revision."""

    record: R
    revision: int
    utc_ns: int
    who: str
    what: str
    because: str


@dataclass(slots=True)
class Laboratory:
    """Records and configuration, open for the acts of one person.

    Attributes:
        store: the store.
        catalogue: the configuration.
        clock: the time of changes.
        login: login of the person, as the operating system knows it.
        log_ins: failed log-ins of this process.
        identified: the person who acts, as `daq.app.laboratory.identity` found out; None before that.
        topics: topics of the messages of new results; None: nothing is published.
        with_flat: whether the variant of results without nesting is published too.
        flows: the work at the benches, which the daemon holds; None without a daemon.
        trials: trials of instruments without a driver, likewise.
        badge: badge by which the person was identified, for a run that an act starts; "" for none.
        ticket: ticket by which the person was identified, likewise.
        tickets: the log-ins of this process.
    """

    store: "Store"
    catalogue: "Catalogue"
    clock: "Clock"
    login: str
    log_ins: LogIns = field(default_factory=LogIns)
    identified: "Who | None" = None
    topics: "Topics | None" = None
    with_flat: bool = False
    flows: "BenchWork | None" = None
    trials: "Trials | None" = None
    badge: str = field(default="", repr=False)
    ticket: str = field(default="", repr=False)
    tickets: Tickets = field(default_factory=Tickets)

    @property
    def who(self) -> str:
        """The person who acts, for the audit trail: id of the person, or the login where no person is known."""
        return self.login if self.identified is None else self.identified.name

    @contextmanager
    def reader(self) -> Iterator[Reader]:
        """Open a reader for the time of a context."""
        with self.store.reader() as reader:
            yield reader

    def found(self, model: type[R], ident: str) -> Kept[R] | None:
        """Return a record by its id, or None."""
        with self.reader() as reader:
            return find(reader, model, ident)

    def get(self, model: type[R], ident: str) -> Kept[R]:
        """Return a record by its id.

        Raises:
            SettingError: there is none.
        """
        kept = self.found(model, ident)
        if kept is None:
            raise coded(
                SettingError(f"there is no {model.kind} {ident!r}"), "unknown_name", what=model.kind, name=ident
            )
        return kept

    def change(self, *changes: Change, because: str = "") -> tuple[int, ...]:
        """Store changes, all or none; return the numbers of their audit entries.

        Raises:
            StoreError: another change of one of the records came first, or the store cannot write.
        """
        done = self.store.submit(ChangeRecords(changes, self.clock.utc_ns(), self.who, because))
        return done.result()


def new(record: Record, what: str) -> Change:
    """Return the change that adds a record."""
    return Change(record.kind, record.id, what, record.model_dump(mode="json"), record.keys())


def changed(kept: Kept[R], record: R, what: str) -> Change:
    """Return the change from a revision to the next."""
    return Change(record.kind, record.id, what, record.model_dump(mode="json"), record.keys(), kept.revision)


def find(reader: Reader, model: type[R], ident: str) -> Kept[R] | None:
    """Return a record by its id, or None."""
    stored = newest_revision(reader, model.kind, ident)
    return None if stored is None else kept(model, stored)


def listed(
    reader: Reader, model: type[R], key: str, first: str, last: str | None = None, *, limit: int = 100
) -> list[Kept[R]]:
    """Return at most `limit` records whose key has a value from `first` to `last` (None: `first` only), in order."""
    return [kept(model, s) for s in found_by(reader, model.kind, key, first, last, limit=limit)]


def kept(model: type[R], stored: StoredRecord) -> Kept[R]:
    """Return a stored revision as a record.  Contents were checked before they were stored."""
    record = model.model_validate(stored.data, strict=False)
    return Kept(record, stored.revision, stored.utc_ns, stored.who, stored.what, stored.because)
