"""The handlers of ``/api/v1``; their names are in the table of routes.  Their answers are what the pages show."""

import json
from collections.abc import AsyncIterator
from typing import Annotated, Any, Final
from urllib.parse import unquote

from fastapi import Header, Path, Query, Request
from fastapi.responses import JSONResponse, Response, StreamingResponse
from pydantic import BaseModel, ConfigDict, Field

from daq.app.daemon.queries.asked import MOST_ROWS, RunsAsked
from daq.app.laboratory.clients.bearer import is_token
from daq.core.encoding import encode
from daq.core.errors import LinkError
from daq.page.acting import ask, bench_of, carry_out, give_command, give_text, known, logged_in, run_of, stop_bench
from daq.page.admission import still_permits
from daq.page.livehub import MOST_BROWSERS, TOO_MANY
from daq.page.parts import parts_of, visit_of
from daq.page.routetable import ROUTES, Route
from daq.page.texts.texts import LANGUAGES
from daq.page.visits.cookies import ANONYMOUS_S, new_visit
from daq.page.visits.stop_touches import StopTouch

LONGEST_NAME: Final = 1000
BenchName = Annotated[str, Path(max_length=LONGEST_NAME, description="name of the bench")]
StopRunHeader = Annotated[str, Header(description="run that the screen shows, percent-encoded; none: any run")]
StopKeyHeader = Annotated[str, Header(description="the same in each sending of one stop")]
StopAgainHeader = Annotated[str, Header(description="1 in each sending after the first")]
Limit = Annotated[int, Query(ge=1, le=MOST_ROWS, description="greatest number of rows")]


class Body(BaseModel):
    """Base of the bodies: unknown keys are refused."""

    model_config = ConfigDict(extra="forbid", strict=True)


class RunFilters(RunsAsked):
    """Conditions on runs; "" means no condition."""

    # The values of an address are texts; FastAPI needs the whole model at once.
    model_config = ConfigDict(strict=False, defer_build=False)


class TextGiven(Body):
    """A text that was typed or scanned at a bench."""

    text: str = Field(max_length=LONGEST_NAME)
    seen: int = Field(ge=0, le=2**53, description="revision of the bench that the screen showed")


class CommandGiven(Body):
    """A command at a bench."""

    command: str = Field(max_length=LONGEST_NAME)
    seen: int = Field(ge=0, le=2**53, description="revision of the bench that the screen showed")
    text: str = Field(default="", max_length=LONGEST_NAME, description="draft that the command confirms")


class OrderGiven(Body):
    """The values of an act."""

    order: dict[str, Any] = Field(default_factory=dict)


class LogInGiven(Body):
    """A badge, or a person and password."""

    person: str = Field(default="", max_length=LONGEST_NAME)
    password: str = Field(default="", max_length=LONGEST_NAME, repr=False)
    badge: str = Field(default="", max_length=LONGEST_NAME, repr=False)


# ---- the visit


async def openapi(request: Request) -> JSONResponse:
    """Return the description of this interface (OpenAPI 3.1)."""
    return JSONResponse(request.app.openapi())


async def log_in(request: Request, given: LogInGiven) -> dict[str, Any]:
    """Return a ticket for a badge, or for a person and password; send it as `Authorization: Bearer TICKET`."""
    return encode(await logged_in(request, given.model_dump()))


async def session(request: Request, response: Response) -> dict[str, Any]:
    """Return who visits, and the token for the header `X-CSRF-Token`; a client without a cookie gets one.

    `program` is true where a token identifies a program, whose name is then in `person`.
    """
    visit, parts = visit_of(request), parts_of(request)
    cookie = visit.cookie or new_visit()
    if not visit.cookie and not visit.bearer:
        parts.cookies.set(response, "visit", cookie, ANONYMOUS_S)
    return {
        "person": visit.person,
        "program": is_token(visit.ticket),
        "role": visit.role,
        "people": visit.people,
        "paired": visit.paired,
        "csrf": parts.cookies.csrf(cookie),
        "languages": dict(LANGUAGES),
    }


# ---- benches


async def status(request: Request) -> dict[str, Any]:
    """Return the state of instruments, runs, store, outbox and broker."""
    return encode(await parts_of(request).daemon.status())


async def benches(request: Request) -> dict[str, Any]:
    """Return the newest state of all benches."""
    await known(request)
    hub = parts_of(request).hub
    return {"benches": [hub.bench(name) for name in hub.names()], "link": hub.link}


async def bench(request: Request, bench: BenchName) -> dict[str, Any]:  # noqa: ARG001 - it describes the path
    """Return the newest state of a bench."""
    return await bench_of(request)


async def bench_text(request: Request, bench: BenchName, given: TextGiven) -> dict[str, Any]:  # noqa: ARG001
    """Give a text that was typed or scanned to a bench; return stage, revision and message."""
    return await give_text(request, given.text, given.seen)


async def bench_command(request: Request, bench: BenchName, given: CommandGiven) -> dict[str, Any]:  # noqa: ARG001
    """Give a command to a bench; return stage, revision and message."""
    return await give_command(request, given.command, given.seen, given.text)


async def bench_stop(
    request: Request,
    bench: BenchName,  # noqa: ARG001 - it describes the path
    x_stop_run: StopRunHeader = "",
    x_stop_key: StopKeyHeader = "",
    x_stop_again: StopAgainHeader = "",
) -> dict[str, Any]:
    """Stop the run on a bench.  The answer: the command was taken.  The reading says whether the motor stands still.

    A client that sends a stop again until it is answered marks it: a further sending stops no other run than the one
    it names.  Then `taken` is false.
    """
    return await stop_bench(request, StopTouch(unquote(x_stop_run), x_stop_key, x_stop_again == "1"))


async def bench_trend(request: Request, bench: BenchName) -> dict[str, Any]:
    """Return the trend of the run on a bench: times (s since its start), values, and the age (s) of the newest one."""
    await bench_of(request)
    return parts_of(request).hub.trend(bench)


async def bench_events(request: Request, bench: BenchName) -> Response:
    """Stream what happens at a bench (server-sent events)."""
    await bench_of(request)
    return _stream(request, bench)


async def events(request: Request) -> Response:
    """Stream what happens at all benches (server-sent events)."""
    await known(request)
    return _stream(request, "")


def _stream(request: Request, bench: str) -> Response:
    hub = parts_of(request).hub
    if hub.browsers >= MOST_BROWSERS:
        raise LinkError(TOO_MANY)
    route = _route_of(request)

    async def lines() -> AsyncIterator[bytes]:
        async for event in hub.events(bench, allowed=lambda: still_permits(request, route)):
            if event is None:
                yield b": the page is there\n\n"
            else:
                kind, data = event
                # JSON has no line end outside its texts, and escapes those inside.
                yield f"event: {kind}\ndata: {json.dumps(data, separators=(',', ':'))}\n\n".encode()

    headers = {"X-Accel-Buffering": "no"}
    return StreamingResponse(lines(), headers=headers, media_type="text/event-stream")


def _route_of(request: Request) -> Route:
    path = request.scope["route"].path
    return next(r for r in ROUTES if r.path == path and r.method == "GET")


# ---- records


async def results(request: Request, asked: Annotated[RunFilters, Query()]) -> dict[str, Any]:
    """Return runs with their newest results, newest first, by conditions which all hold."""
    return await ask(request, "runs", asked.model_dump())


async def result(request: Request, run: Annotated[str, Path(max_length=LONGEST_NAME)]) -> dict[str, Any]:  # noqa: ARG001
    """Return everything that is stored about a run."""
    return await run_of(request)


async def readings(request: Request, run: Annotated[str, Path(max_length=LONGEST_NAME)]) -> dict[str, Any]:  # noqa: ARG001
    """Return the readings of the signal of a run's result over time, thinned for a plot, and the span of the result."""
    return await run_of(request, "readings")


async def samples(request: Request, limit: Limit = 100) -> dict[str, Any]:
    """Return the open samples in the order of the worklist."""
    await known(request)
    return await ask(request, "samples", {"benches": parts_of(request).hub.names(), "limit": limit})


async def sample(request: Request, sample: Annotated[str, Path(max_length=LONGEST_NAME)]) -> dict[str, Any]:
    """Return a sample and its runs."""
    return await ask(request, "sample", {"sample": sample})


async def act(
    request: Request, act: Annotated[str, Path(max_length=LONGEST_NAME)], given: OrderGiven
) -> dict[str, Any]:
    """Carry out an act on the records, in its role; return its outcome."""
    return await carry_out(request, act, given.order)
