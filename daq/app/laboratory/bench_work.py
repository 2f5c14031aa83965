"""The work at the benches as an act uses it; the daemon holds it."""

from dataclasses import dataclass, field
from typing import Final, Protocol

from daq.laboratory.bench.bench_events import Message, Pressed
from daq.laboratory.bench.benchstate import BenchState


@dataclass(frozen=True, slots=True)
class Actor:
    """The person at a bench: the name for the audit trail, the login, and the badge or ticket that identifies.

    `withdraws`: the person may withdraw certificates.
    """

    who: str
    login: str
    badge: str = field(default="", repr=False)
    ticket: str = field(default="", repr=False)
    withdraws: bool = False


DAEMON: Final = Actor("daemon", "")
"""The daemon, where it acts by itself."""


class BenchWork(Protocol):
    """The state machines of the benches; `daq.app.laboratory.bench.flows` has them."""

    def text(self, bench: str, text: str, actor: Actor, seen: int) -> None:
        """Take a text that was typed or scanned while the screen showed the revision `seen`."""
        ...

    def command(self, bench: str, pressed: Pressed, actor: Actor, seen: int) -> None:
        """Take a command that was given while the screen showed the revision `seen`."""
        ...

    def state(self, bench: str) -> tuple[BenchState, int, Message]:
        """Return state, revision and message of a bench."""
        ...

    def forget(self) -> None:
        """Read all states from the store again."""
        ...
