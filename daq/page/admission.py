"""Who visits, and whether the visitor may use a route: the check before every handler."""

from collections.abc import Awaitable, Callable
from dataclasses import replace
from typing import Final

from starlette.requests import Request

from daq.app.laboratory.clients.bearer import is_token
from daq.core.errors import LinkError, SettingError
from daq.laboratory.people import ROLES, Role
from daq.page.answers import form
from daq.page.parts import PageParts, Visit, parts_of, stranger_of, visit_of
from daq.page.refusals import RefusedError
from daq.page.routetable import API, Route, permits

BEARER: Final = "bearer "
NO_COOKIE: Final = ("POST", f"{API}/log-in")
"""The route that takes no cookie and sets none, so that no token protects it."""
PAIR: Final = (
    "this browser is not paired with {bench}, and a motor starts from the screen of its bench alone: open "
    "/bench/{bench} and choose Pair"
)


def admission(route: Route) -> Callable[[Request], Awaitable[None]]:
    """Return the check of a route; it raises `RefusedError`."""

    async def admit(request: Request) -> None:
        parts = parts_of(request)
        request.state.visit = _paired_stop(request, parts, route) or await _visit(request, parts, route)
        if route.method == "POST":
            await _refuse_foreign(request, parts, route)
        refuse_without_need(request, route)

    return admit


def refuse_without_need(request: Request, route: Route) -> None:
    """Refuse a visitor who has not what a route needs; `RefusedError`."""
    visit = visit_of(request)
    bench = request.path_params.get("bench", "")
    if permits(route.need, role=visit.role, people=visit.people, paired=visit.paired, bench=bench):
        return
    if not visit.people:
        raise RefusedError(403, PAIR.format(bench=bench), "error.not_paired", bench=bench)
    if visit.role is None:
        raise RefusedError(401, "", "refused.log_in")
    raise RefusedError(403, "", "refused.role", need=route.need, person=visit.person, role=visit.role)


async def still_permits(request: Request, route: Route) -> bool:
    """Return whether a visitor still has what a route needs, as the daemon has it now."""
    request.state.visit = await _visit(request, parts_of(request), route)
    try:
        refuse_without_need(request, route)
    except RefusedError:
        return False
    return True


def _paired_stop(request: Request, parts: PageParts, route: Route) -> Visit | None:
    """Return who stops a bench with which the browser is paired, without asking the daemon; None for other requests.

    The pairing alone is enough for this stop.  The person of a ticket is known to the daemon alone, whose answer can
    take seconds while it checks passwords.
    """
    if route.need != "stop" or _bearer(request):
        return None
    stranger = stranger_of(request, people=parts.settings.people)
    return stranger if stranger.paired and stranger.paired == request.path_params.get("bench", "") else None


async def _visit(request: Request, parts: PageParts, route: Route) -> Visit:
    """Return the one who sent a request, as the daemon knows the person of the ticket, or the program of the token."""
    cookies = parts.cookies
    sent = _bearer(request)
    bearer = sent is not None
    ticket = cookies.ticket(request.cookies) if sent is None else sent
    if is_token(ticket) and not (bearer and route.is_api):
        ticket = ""  # screens are for persons, and a cookie never has a token
    person, role, people = "", None, parts.settings.people
    if people and ticket:
        try:
            found = await parts.daemon.identify(ticket)
            person, role = found.person, _role(found.role)
        except LinkError:
            pass  # without the daemon no person is known; a paired bench still shows that it is lost
        except SettingError:
            ticket = ""  # the log-in has ended
    stranger = stranger_of(request, people=people)
    cookie = "" if bearer else stranger.cookie
    return replace(stranger, cookie=cookie, ticket=ticket, bearer=bearer, person=person, role=role)


def _bearer(request: Request) -> str | None:
    """Return the ticket or token of the header Authorization; None without one."""
    authorization = request.headers.get("authorization", "")
    return authorization[len(BEARER) :].strip() if authorization[: len(BEARER)].lower() == BEARER else None


def _role(name: str) -> Role | None:
    return next((role for role in ROLES if role == name), None)


async def _refuse_foreign(request: Request, parts: PageParts, route: Route) -> None:
    """Refuse a change that a foreign site caused: by the header Origin, and by the token of the visit."""
    visit = visit_of(request)
    without_cookie = visit.bearer or (route.method, route.path) == NO_COOKIE
    origin = request.headers.get("origin")
    if origin is None and not without_cookie:
        raise RefusedError(403, "", "refused.foreign")
    if origin is not None and origin != f"{request.url.scheme}://{request.headers['host']}":
        raise RefusedError(403, "", "refused.foreign")
    if without_cookie:
        return
    bench = request.path_params.get("bench", "")
    if route.need == "stop" and bench and visit.paired == bench:
        return  # a log-in that has ended on a screen must not keep it from stopping; Origin and pairing are its own
    token = request.headers.get("x-csrf-token") if route.is_api else (await form(request)).get("csrf")
    if not parts.cookies.is_csrf(visit.cookie, token or ""):
        raise RefusedError(403, "", "refused.out_of_date")
