"""The parts of a running page, and the one who visits it, as handlers find them."""

from dataclasses import dataclass, field
from typing import cast

from starlette.requests import Request

from daq.laboratory.people import Role
from daq.page.daemonlink import DaemonLink
from daq.page.livehub import LiveHub
from daq.page.settings import PageSettings
from daq.page.staticfiles import StaticFiles
from daq.page.texts.texts import LANGUAGES, languages_accepted
from daq.page.visits.attempts import Attempts
from daq.page.visits.cookies import THEMES, Cookies
from daq.page.visits.pairing import PairingCodes
from daq.page.visits.stop_touches import StopTouches


@dataclass(frozen=True, slots=True)
class PageParts:
    """The parts of one page."""

    settings: PageSettings
    daemon: DaemonLink
    hub: LiveHub
    cookies: Cookies
    attempts: Attempts
    codes: PairingCodes
    touches: StopTouches
    static: StaticFiles


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """A browser, or another client, with one request.

    Attributes:
        cookie: value of the visit's cookie; "" for none.
        ticket: of the person who has logged in; "" for none.
        bearer: the ticket came in the header Authorization, which no foreign site can make a browser send.
        person, role: id of the person and role in which the person acts; "" and None for no person.
        people: people are switched on.
        paired: bench with which the browser is paired; "" for none.
        language, theme: of the screens.
    """

    cookie: str = field(default="", repr=False)
    ticket: str = field(default="", repr=False)
    bearer: bool = False
    person: str = ""
    role: Role | None = None
    people: bool = False
    paired: str = ""
    language: str = "en"
    theme: str = "system"


def parts_of(request: Request) -> PageParts:
    """Return the parts of the page that serves a request."""
    return cast("PageParts", request.app.state.parts)


def stranger_of(request: Request, *, people: bool = True) -> Visit:
    """Return the one who sent a request as far as its cookies state it, without a person: pairing, language, theme."""
    cookies, sent = parts_of(request).cookies, request.cookies
    language, _, theme = sent.get(cookies.name("look"), "").partition(".")
    return Visit(
        cookie=cookies.visit(sent),
        people=people,
        paired=cookies.paired(sent),
        language=language if language in LANGUAGES else languages_accepted(request.headers.get("accept-language", "")),
        theme=theme if theme in THEMES else THEMES[0],
    )


def visit_of(request: Request) -> Visit:
    """Return the one who sent a request; `daq.page.admission` has found out."""
    return cast("Visit", request.state.visit)
