"""Requests to the daemon's socket, always as the page: its own login identifies no person."""

import asyncio
from collections.abc import AsyncIterator, Mapping
from pathlib import Path
from typing import Any, Final, TypeVar

from daq.app.daemon.daemon_client import follow
from daq.app.daemon.protocol import (
    Answer,
    AskQuery,
    AskStatus,
    Identified,
    Identify,
    LiveViewed,
    LoggedIn,
    LoggedOut,
    LogIn,
    LogOut,
    Perform,
    Performed,
    Queried,
    Request,
    Status,
    StatusAnswer,
    Stopped,
    StopRun,
    Visitor,
    WatchLive,
)
from daq.app.laboratory.given import Given
from daq.app.screens.bench.live_frame import LiveFrame
from daq.core.errors import LinkError
from daq.methods.files.load import parse

ANSWER_S: Final = 15.0
"""Longest time in seconds that an answer is awaited; a query takes 10 s at most."""
SILENT_S: Final = 5.0
"""Longest time in seconds between two frames; the daemon sends one every second at least."""
SILENT: Final = "the daemon does not answer"
NOT_DONE: Final = "the daemon did not report that the request was done; see its log"

A = TypeVar("A", bound=Answer)


class DaemonLink:
    """The daemon, as the page uses it.

    Every method raises `DaqError` with the daemon's reason: `LinkError` where it is not reached, `NotAllowedError`
    where the person may not do this, `SettingError` where something that was given is wrong.
    """

    def __init__(self, socket: Path) -> None:
        """`socket` is the daemon's control socket."""
        self._socket = socket

    async def stop(self, bench: str) -> bool:
        """Stop the run on a bench, and what its work does before a run; return whether there was a run."""
        return (await self._ask(parse(StopRun, {"instrument": bench, "bench": True}), Stopped)).stopped

    async def perform(self, act: str, order: Mapping[str, Any], ticket: str) -> dict[str, Any]:
        """Carry out an act for the person of a ticket ("": for none), and return its outcome."""
        request = parse(Perform, {"act": act, "order": dict(order)}).model_copy(update={"by": _by(ticket)})
        return (await self._ask(request, Performed)).performed

    async def query(self, name: str, parameters: Mapping[str, Any], ticket: str) -> dict[str, Any]:
        """Return the answer to a query of the person of a ticket ("": of none)."""
        return (await self._ask(AskQuery(query=name, parameters=dict(parameters), by=_by(ticket)), Queried)).queried

    async def log_in(self, given: Mapping[str, str]) -> LoggedIn:
        """Return a ticket for a badge, or for a person and password."""
        return await self._ask(LogIn(by=parse(Given, {**given, "page": True})), LoggedIn)

    async def log_out(self, ticket: str) -> None:
        """End a ticket."""
        await self._ask(LogOut(ticket=ticket), LoggedOut)

    async def identify(self, ticket: str) -> Visitor:
        """Return the person of a ticket ("": no person)."""
        return (await self._ask(Identify(by=_by(ticket)), Identified)).visitor

    async def status(self) -> Status:
        """Return the state of everything that the daemon serves."""
        return (await self._ask(AskStatus(), StatusAnswer)).status

    async def live(self) -> AsyncIterator[LiveFrame]:
        """Yield what changes on all benches; `LinkError` where the daemon ends or falls silent."""
        answers = follow(self._socket, WatchLive())
        while True:
            try:
                async with asyncio.timeout(SILENT_S):
                    answer = await anext(answers)
            except TimeoutError:
                raise LinkError(SILENT) from None
            except StopAsyncIteration:
                return
            if isinstance(answer, LiveViewed):
                yield answer.live

    async def _ask(self, request: Request, kind: type[A]) -> A:
        """Send a request and return its last answer of a type."""
        found: A | None = None
        try:
            async with asyncio.timeout(ANSWER_S):
                async for answer in follow(self._socket, request):
                    if isinstance(answer, kind):
                        found = answer
        except TimeoutError:
            raise LinkError(SILENT) from None
        if found is None:
            raise LinkError(NOT_DONE)
        return found


def _by(ticket: str) -> Given:
    """Return who asks; the `SettingError` for a text that is no ticket or token does not repeat it."""
    return parse(Given, {"ticket": ticket, "page": True})
