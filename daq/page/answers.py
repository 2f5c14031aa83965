"""Answers of handlers: pages from templates, and ways back after a form."""

from collections.abc import Mapping
from typing import Any
from urllib.parse import parse_qsl

from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from daq.page.parts import parts_of, stranger_of, visit_of
from daq.page.shown.environment import render
from daq.page.visits.cookies import ANONYMOUS_S, new_visit, safe_next

MOST_FIELDS = 100
"""Greatest number of fields of a form."""


def shown(
    request: Request,
    template: str,
    values: Mapping[str, Any],
    *,
    status: int = 200,
    headers: Mapping[str, str] | None = None,
) -> Response:
    """Return a page.  A browser without a visit gets one, to which the CSRF token of the page belongs.

    Args:
        request: the request.
        template: name of the template.
        values: its own values; every template has those of the visit besides.
        status: status of the answer.
        headers: further headers.
    """
    parts = parts_of(request)
    # A request that was refused early has no visit yet; the screen of a bench has its stop all the same.
    known = hasattr(request.state, "visit")
    visit = visit_of(request) if known else stranger_of(request)
    cookie = visit.cookie or new_visit()
    every = {
        "theme": visit.theme,
        "person": visit.person,
        "role": visit.role or "",
        "people": visit.people,
        "csrf": parts.cookies.csrf(cookie),
        "paired": visit.paired,
        "paired_live": parts.hub.bench(visit.paired) if visit.paired else None,
        "path": safe_next(request.url.path),
        "benches_menu": parts.hub.names(),
    }
    response = HTMLResponse(render(template, visit.language, every | dict(values)), status, dict(headers or {}))
    # An answer to an early refusal, such as that of an icon, must not replace the visit that a page has just started.
    if known and not visit.cookie:
        parts.cookies.set(response, "visit", cookie, ANONYMOUS_S)
    return response


def back(path: str) -> RedirectResponse:
    """Return the way to a page after a form."""
    return RedirectResponse(path, 303)


async def form(request: Request) -> dict[str, str]:
    """Return the fields of a form; where one is there twice, the last.

    A body that is no form has no fields.
    """
    try:
        text = (await request.body()).decode()
        return dict(parse_qsl(text, keep_blank_values=True, max_num_fields=MOST_FIELDS))
    except ValueError:
        return {}
