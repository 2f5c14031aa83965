"""The work that pages and API do in the same way: acts at a bench, log-ins, and questions."""

import asyncio
import time
from collections.abc import Mapping
from typing import Any, Final

from starlette.requests import Request

from daq.app.daemon.protocol import LoggedIn
from daq.app.laboratory.bench import bench_acts
from daq.core.errors import DaqError, LinkError, NotAllowedError, SettingError, coded
from daq.page.parts import parts_of, visit_of
from daq.page.refusals import RefusedError, words_of
from daq.page.visits.stop_touches import StopTouch

READY_S: Final = 2.0
"""Longest time in seconds that a request waits for the first frame after the start of the page."""
FILTERS: Final = ("sample", "lot", "product", "operator", "instrument", "outcome", "verdict", "since", "until")
AT_BENCHES: Final = frozenset(act.name for act in bench_acts.ACTS)
"""Acts that can start a run; they are taken from the screen of their bench alone."""
WRONG_LOG_IN: Final = ("person", "password", "badge")


async def known(request: Request) -> None:
    """Wait until the state of the benches is known, or the daemon could not be reached."""
    hub = parts_of(request).hub
    try:
        async with asyncio.timeout(READY_S):
            await hub.ready.wait()
    except TimeoutError:
        pass


async def bench_of(request: Request) -> dict[str, Any]:
    """Return the newest state of the bench of a request; `RefusedError` where there is no such bench."""
    await known(request)
    hub, name = parts_of(request).hub, str(request.path_params["bench"])
    # While the first frames arrive, a bench that is missing may be in the next one.
    if name not in hub.names() and hub.link["daemon"] and hub.ready.is_set():
        raise RefusedError(404, "", "refused.no_bench")
    return hub.bench(name)


async def give_text(request: Request, text: str, seen: int) -> dict[str, Any]:
    """Give a text to the bench of a request, for the visitor; errors as the daemon's."""
    return await _perform(request, "bench_text", {"text": text, "seen": seen})


async def give_command(request: Request, command: str, seen: int, text: str = "") -> dict[str, Any]:
    """Give a command to the bench of a request, for the visitor; a draft `text` is given before it."""
    if text.strip():
        seen = int((await give_text(request, text, seen))["revision"])
    return await _perform(request, "bench_command", {"command": command, "seen": seen})


async def stop_bench(request: Request, touch: StopTouch) -> dict[str, Any]:
    """Stop the bench of a request; `taken` is False where another run than that of the touch is on, which goes on."""
    parts, bench = parts_of(request), str(request.path_params["bench"])
    known = parts.hub.ready.is_set() and bool(parts.hub.link["daemon"])
    if parts.touches.spares(touch, parts.hub.bench(bench), known=known):
        return {"taken": False, "run": False}
    return {"taken": True, "run": await parts.daemon.stop(bench)}


async def _perform(request: Request, act: str, order: Mapping[str, Any]) -> dict[str, Any]:
    bench = str(request.path_params["bench"])
    own = visit_of(request).paired
    if own and own != bench:
        raise RefusedError(403, "", "bench.elsewhere.screen", own=own, bench=bench)
    return await parts_of(request).daemon.perform(act, {"bench": bench, **order}, visit_of(request).ticket)


async def carry_out(request: Request, act: str, order: Mapping[str, Any]) -> dict[str, Any]:
    """Carry out an act of the visitor on the records; `SettingError` for one that belongs to a bench."""
    if act in AT_BENCHES:
        raise SettingError(f"{act} is given at a bench: POST /api/v1/benches/BENCH/text or command", key="act")
    return await parts_of(request).daemon.perform(act, order, visit_of(request).ticket)


async def ask(request: Request, query: str, parameters: Mapping[str, Any]) -> dict[str, Any]:
    """Return the answer to a query of the visitor."""
    return await parts_of(request).daemon.query(query, parameters, visit_of(request).ticket)


async def run_of(request: Request, query: str = "run") -> dict[str, Any]:
    """Return the answer to a query about the run of a request; `RefusedError` where there is none, or several."""
    try:
        return await ask(request, query, {"run": request.path_params["run"]})
    except NotAllowedError:
        raise
    except SettingError as error:
        raise RefusedError(404, words_of(request, error)) from None


async def logged_in(request: Request, given: Mapping[str, str]) -> LoggedIn:
    """Return the ticket for a badge, or for a person and password; failures are counted by address and person.

    Raises:
        TooManyAttemptsError: log-ins from this address failed too often.
        SettingError: the log-in is refused.
        LinkError: the daemon is not reached.
    """
    parts = parts_of(request)
    address = "" if request.client is None else request.client.host
    # A badge decides where both are given; the count of a person is for passwords.
    person = "" if given.get("badge") else given.get("person", "")
    parts.attempts.begin(address, person, time.monotonic())
    failed = False
    try:
        wanted = {key: given.get(key, "") for key in WRONG_LOG_IN if given.get(key)}
        return await parts.daemon.log_in(wanted)
    except LinkError:
        raise
    except DaqError as error:
        failed = True
        raise (
            error if isinstance(error, SettingError) else coded(SettingError(str(error)), error.code, **error.values)
        ) from None
    finally:
        parts.attempts.end(address, person, time.monotonic(), failed=failed)


def filters(request: Request) -> dict[str, str]:
    """Return the conditions on runs of a request; "" means no condition."""
    return {name: request.query_params.get(name, "") for name in FILTERS}


def limit_of(request: Request, otherwise: int = 50) -> int:
    """Return the number of rows that a request asks for; `SettingError` if it is no number."""
    text = request.query_params.get("limit", "")
    if not text:
        return otherwise
    if not text.isascii() or not text.isdecimal() or len(text) > 9:
        raise coded(SettingError("is no number of rows", key="limit"), "no_whole_number", field="limit")
    return int(text)


def whole_number(text: str) -> int:
    """Return a revision of a form; -1, which no bench has, for anything that is none."""
    return int(text) if text.isascii() and text.isdecimal() and len(text) < 16 else -1
