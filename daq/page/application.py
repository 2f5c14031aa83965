"""The application: exactly the routes of the table, each behind its check, all behind the first check of a request."""

import contextlib
import secrets
from collections.abc import AsyncIterator, Awaitable, Callable
from types import ModuleType
from typing import Any, Final

import structlog
from fastapi import Depends, FastAPI
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route as Served
from starlette.types import ASGIApp

import daq
from daq.core.errors import DaqError
from daq.page import api, screens
from daq.page.admission import admission
from daq.page.daemonlink import DaemonLink
from daq.page.livehub import LiveHub
from daq.page.parts import PageParts
from daq.page.refusals import RefusedError, answer_error
from daq.page.requestcheck import RequestCheck, host_names
from daq.page.routetable import ROUTES, Route
from daq.page.settings import PageSettings
from daq.page.staticfiles import StaticFiles
from daq.page.visits.attempts import Attempts
from daq.page.visits.cookies import Cookies
from daq.page.visits.pairing import CODE_KEY_BYTES, PairingCodes
from daq.page.visits.stop_touches import StopTouches
from daq.page.work.deskapi import API_HANDLERS
from daq.page.work.deskforms import HANDLERS
from daq.process.tasks import Tasks

log = structlog.get_logger()

ANSWERS: Final[dict[int | str, dict[str, Any]]] = {
    status: {"description": text, "content": {"application/json": {"schema": {"$ref": "#/components/schemas/Refusal"}}}}
    for status, text in {
        400: "the request is not understood",
        401: "log in first",
        403: "the person may not do this",
        404: "there is no such thing",
        422: "something that was given is wrong",
        429: "too many attempts",
        502: "the daemon failed",
        503: "the daemon is not reached",
    }.items()
}
REFUSAL: Final = {"type": "object", "required": ["detail"], "properties": {"detail": {"type": "string"}}}
ERRORS: Final = (RefusedError, DaqError, HTTPException, RequestValidationError)


def make_parts(settings: PageSettings) -> PageParts:
    """Return the parts of a page."""
    link = DaemonLink(settings.socket)
    cookies = Cookies(settings.signing_key, settings.secure, settings.port)
    # The process that prints a code takes it: a key of its own ends the codes of every process before it, used or not.
    codes = PairingCodes(secrets.token_bytes(CODE_KEY_BYTES))
    return PageParts(settings, link, LiveHub(link), cookies, Attempts(), codes, StopTouches(), StaticFiles())


def make_application(parts: PageParts) -> ASGIApp:
    """Return the application of a page; it follows the daemon from its start to its end."""
    app = FastAPI(
        title="daq",
        version=daq.__version__,
        description="Benches, samples and results. Live values are server-sent events.",
        docs_url=None,
        redoc_url=None,
        openapi_url=None,
        redirect_slashes=False,
        lifespan=lambda _app: _following(parts),
    )
    app.state.parts = parts
    for route in ROUTES:
        _add(app, route)
    app.router.routes.append(Served("/static/{name:path}", parts.static.serve, methods=["GET"]))
    for kind in ERRORS:
        app.add_exception_handler(kind, answer_error)
    app.add_exception_handler(Exception, _answer_fault)
    _describe(app)
    settings = parts.settings
    return RequestCheck(app, host_names(settings.host, settings.port, settings.hosts), secure=settings.secure)


def _add(app: FastAPI, route: Route) -> None:
    room: ModuleType = api if route.is_api else screens
    own: Callable[..., Awaitable[Any]] | None
    own = API_HANDLERS.get(route.handler) if route.is_api else HANDLERS.get(route.handler)
    handler: Callable[..., Awaitable[Any]] = own or getattr(room, route.handler)
    endpoint = handler if route.is_api else _of_request(handler)
    app.add_api_route(
        route.path,
        endpoint,
        methods=[route.method],
        dependencies=[Depends(admission(route))],
        include_in_schema=route.is_api and route.handler != "openapi",
        response_model=None,
        responses=ANSWERS if route.is_api else None,
        name=f"{route.method} {route.path}",
        operation_id=f"{route.handler}_{route.method}".lower(),
    )


def _of_request(handler: Callable[..., Awaitable[Any]]) -> Callable[[Request], Awaitable[Response]]:
    """Return a handler that takes the request alone: further arguments of it are no parameters of the address."""

    async def handle(request: Request) -> Response:
        response: Response = await handler(request)
        return response

    return handle


@contextlib.asynccontextmanager
async def _following(parts: PageParts) -> AsyncIterator[None]:
    tasks = Tasks()
    tasks.start(parts.hub.run(), "live values")
    try:
        yield
    finally:
        parts.hub.close()
        await tasks.stop()


async def _answer_fault(request: Request, error: Exception) -> Response:
    # Neither body nor query nor the values in the path: they can hold secrets, such as the code of a pairing.
    path = getattr(request.scope.get("route"), "path", "")
    log.error("request failed", method=request.method, path=path, exc_info=error)
    return await answer_error(request, error)


def _describe(app: FastAPI) -> None:
    """Add the shape of a refusal to the description of the API."""
    made = app.openapi

    def described() -> dict[str, Any]:
        schema = made()
        schema.setdefault("components", {}).setdefault("schemas", {})["Refusal"] = REFUSAL
        return schema

    app.openapi = described  # type: ignore[method-assign]
