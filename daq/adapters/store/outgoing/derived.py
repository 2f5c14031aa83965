"""Messages computed from a result after its commit, so that the commit does not wait for them."""

# ruff: noqa: D102 - the docstring of each class says what its `apply` does

from dataclasses import dataclass
from typing import ClassVar

from daq.adapters.store.access import Access, Transaction
from daq.adapters.store.rows import Outgoing
from daq.adapters.store.steps import add_audit, add_messages
from daq.core.errors import StoreError


@dataclass(frozen=True, slots=True)
class AddDerived(Transaction[bool]):
    """Add a message about a result to the outbox, with the result's stream and number, and an audit entry.

    An id that its topic has already changes nothing.  Returns whether the message is new.

    Raises:
        StoreError: the result does not exist.
    """

    kind: ClassVar[str] = "add_derived"
    result: str
    message: Outgoing
    utc_ns: int

    def apply(self, access: Access) -> bool:
        row = access.one("result", "SELECT stream, sequence FROM results WHERE id = ?", (self.result,))
        if row is None:
            raise StoreError(f"result {self.result} is not in the store: nothing can be derived from it")
        if access.one(
            "known", "SELECT 1 FROM outbox WHERE id = ? AND topic = ?", (self.message.id, self.message.topic)
        ):
            return False
        messages = add_messages(access, [self.message], self.result, row[0], row[1], self.utc_ns)
        add_audit(access, self.utc_ns, "daemon", "message_derived", self.result, {"messages": messages})
        return True
