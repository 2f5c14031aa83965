"""A supply of a node's results over a database, and changes of the database past its triggers."""

import contextlib
import sqlite3
from dataclasses import dataclass, field
from types import SimpleNamespace

from daq.adapters.sparkplug.memory import Memory
from daq.adapters.store.store import Store
from daq.app.delivery.sparkplug_content import StoredContent, position
from tests.support.runs.stored import T0
from tests.support.sparkplug.stored import DEVICE

OTHER = "rotor-2"


@contextlib.contextmanager
def falsifying(path):
    """Yield a connection that changes a database past its triggers, which are there again afterwards."""
    with sqlite3.connect(path) as db:
        triggers = db.execute("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'").fetchall()
        for name, _ in triggers:
            db.execute(f"DROP TRIGGER {name}")
        db.execute("PRAGMA ignore_check_constraints = ON")
        yield db
        for _, sql in triggers:
            db.execute(sql)
    db.close()


@dataclass
class Node:
    """Supply of a node's results, as a daemon makes it at its start."""

    store: Store
    marks: dict = field(default_factory=lambda: {DEVICE: 0, OTHER: 0})

    def __post_init__(self):
        self.reader = self.store.reader()
        self.memory = Memory.open(self.store.path.parent, position(self.reader))
        bench = SimpleNamespace(store=self.store, clock=SimpleNamespace(utc_ns=lambda: T0), sessions={}, runs={})
        self.content = StoredContent(bench, self.reader, self.memory, None)

    def sent(self, limit=2):
        """Return the ids that are sent from the marks on, in batches as the link reads them."""
        marks, out = dict(self.marks), []
        while found := self.content.after(marks, limit):
            for result in found:
                marks[result.device] = result.mark
                out.append(identity(result))
            if self.memory.unsaved:
                self.memory.save()
        if self.memory.unsaved:
            self.memory.save()
        return out

    def born(self):
        """Return the id that the birth of each device shows."""
        found = [identity(result) for result in self.content.newest((DEVICE, OTHER))]
        if self.memory.unsaved:
            self.memory.save()
        return found


def identity(result):
    return next(m.value for m in result.metrics if m.name == "result/id")
