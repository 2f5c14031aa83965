"""The views of the desk: for each a template, the fields that it takes from the address, and the query behind it."""

from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from starlette.requests import Request
from starlette.responses import Response

from daq.app.daemon.queries.desk_asked import MOST_COMPARED, SAMPLE_COLUMNS
from daq.core.encoding import encode
from daq.core.errors import LinkError, NotAllowedError, SettingError, coded
from daq.page.acting import ask, run_of
from daq.page.answers import shown
from daq.page.parts import parts_of, visit_of
from daq.page.refusals import RefusedError, status_of, words_of
from daq.page.shown.work import filled

Asked = Mapping[str, str]
"""Fields of an address or of a form, "" for each that is missing."""
Load = Callable[[Request, Asked], Awaitable[dict[str, Any]]]
Handler = Callable[[Request], Awaitable[Response]]
NO_CHOICES: Final[dict[str, Any]] = {"products": [], "fluids": [], "instruments": []}


@dataclass(frozen=True, slots=True)
class View:
    """A view.

    Attributes:
        template: its template.
        load: returns the values of the template.
        fields: names of the fields that it takes from the address.
        nothing: the values where a field was refused.
    """

    template: str
    load: Load
    fields: tuple[str, ...] = ()
    nothing: dict[str, Any] = field(default_factory=dict)


async def show(
    request: Request, view: View, given: Asked, *, refused: str = "", status: int = 200, **more: Any
) -> Response:
    """Return a view.

    Args:
        request: the request.
        view: the view.
        given: fields of the address, or of a form that was refused.
        refused: why the form was refused; "" otherwise.
        status: status of the answer.
        more: further values of the template.
    """
    asked = {name: str(given.get(name, "")) for name in view.fields} | {
        name: str(value) for name, value in request.path_params.items()
    }
    try:
        values = await view.load(request, asked)
    except (LinkError, NotAllowedError, RefusedError):
        raise
    except SettingError as error:
        values = view.nothing
        refused, status = refused or words_of(request, error), status if refused else status_of(error)
    own = {
        "asked": asked,
        "given": filled({name: value for name, value in given.items() if name not in ("csrf", "password")}),
        "refused": refused.splitlines(),
        "done": request.query_params.get("done", "") if request.method == "GET" else "",
    }
    return shown(request, view.template, own | values | more, status=status)


def viewing(name: str) -> Handler:
    """Return the handler of a view."""
    view = VIEWS[name]

    async def handle(request: Request) -> Response:
        return await show(request, view, dict(request.query_params))

    return handle


def _query(name: str, *fields: str, numbers: tuple[str, ...] = ()) -> Load:
    """Return the loader of a query that takes these fields as they are; "" leaves its default."""

    async def load(request: Request, asked: Asked) -> dict[str, Any]:
        given: dict[str, Any] = {key: asked[key] for key in fields if asked[key]}
        given |= {key: _number(asked[key], key) for key in numbers if asked[key]}
        return await ask(request, name, given)

    return load


def _number(text: str, key: str) -> int:
    if not text.isascii() or not text.isdecimal() or len(text) > 9:
        raise coded(SettingError("is no whole number", key=key), "no_whole_number", field=key)
    return int(text)


async def _import(_request: Request, _asked: Asked) -> dict[str, Any]:
    return {"preview": [], "columns": SAMPLE_COLUMNS}


async def _choices(request: Request, _asked: Asked) -> dict[str, Any]:
    return {"choices": await ask(request, "choices", {})}


async def _sample(request: Request, asked: Asked) -> dict[str, Any]:
    try:
        found = await ask(request, "sample", {"sample": asked["id"]})
    except NotAllowedError:
        raise
    except SettingError as error:
        raise RefusedError(404, words_of(request, error)) from None
    return found | {"choices": await ask(request, "choices", {})}


async def _signing(request: Request, asked: Asked) -> dict[str, Any]:
    given = {name: asked[name] for name in SIGNING if asked[name]} | {"person": visit_of(request).person}
    # Without a period the list would grow with the database.
    if not given.get("since") and not given.get("subject"):
        given["since"] = (await ask(request, "day", {}))["day"]
    found = await ask(request, "signing", given)
    return {"list": found, "period": given.get("since", "")}


SIGNING: Final = ("meaning", "subject", "since", "until", "product", "instrument", "what")


async def _run_changes(request: Request, _asked: Asked) -> dict[str, Any]:
    return await run_of(request)


async def _charts(request: Request, asked: Asked) -> dict[str, Any]:
    choices = await ask(request, "choices", {})
    if not asked["product"] and not asked["fluid"]:
        return {"choices": choices, "charts": None, "more": 0}
    load = _query("charts", "product", "fluid", "instrument", "geometry", "quantity", "language", numbers=("last",))
    spoken = {**asked, "language": visit_of(request).language}
    return {"choices": choices, **await load(request, spoken)}


async def _health(request: Request, asked: Asked) -> dict[str, Any]:
    choices = await ask(request, "choices", {})
    if not asked["instrument"]:
        return {"choices": choices, "found": None}
    load = _query("instrument_health", "instrument", numbers=("runs",))
    return {"choices": choices, "found": await load(request, asked)}


async def _compare(request: Request, _asked: Asked) -> dict[str, Any]:
    values = dict(request.query_params.multi_items())
    named = [text for key, value in request.query_params.multi_items() if key == "run" for text in value.split()]
    if not named and not values.get("run"):
        return {"compared": [], "named": []}
    if len(named) > MOST_COMPARED:
        raise coded(
            SettingError(f"choose at most {MOST_COMPARED} runs", key="run"), "compare_too_many", most=str(MOST_COMPARED)
        )
    return {"named": named, **await ask(request, "compare", {"runs": named})}


async def _trace(request: Request, asked: Asked) -> dict[str, Any]:
    if not asked["report"]:
        return {"traced": None}
    return {"traced": await ask(request, "trace", {"report": asked["report"]})}


async def _lot(request: Request, asked: Asked) -> dict[str, Any]:
    return {"case": await ask(request, "lot", {"lot": asked["lot"]}) if asked["lot"] else None}


async def _day(request: Request, asked: Asked) -> dict[str, Any]:
    choices = await ask(request, "choices", {})
    return {"sheet": await _query("day", "day", "instrument", "until")(request, asked), "choices": choices}


async def _month(request: Request, asked: Asked) -> dict[str, Any]:
    return {"review": await _query("month", "month")(request, asked)}


async def _outbox(request: Request, _asked: Asked) -> dict[str, Any]:
    status = encode(await parts_of(request).daemon.status())
    return {"outbox": await ask(request, "outbox", {}), "broker": status["broker"]}


VIEWS: Final[dict[str, View]] = {
    "sample_new": View("work/sample_new.html", _choices, nothing={"choices": NO_CHOICES}),
    "sample_import": View("work/sample_import.html", _import),
    "sample_list": View(
        "work/sample_list.html", _query("sample_list", "which"), ("which",), nothing={"samples": [], "more": False}
    ),
    "sample_one": View("work/sample.html", _sample, ("id",)),
    "review": View("work/review.html", _signing, SIGNING, nothing={"list": None, "period": ""}),
    "repeats": View("work/repeats.html", _query("repeats"), nothing={"rows": []}),
    "doubts": View(
        "work/doubts.html",
        _query("doubts", "verification"),
        ("verification",),
        nothing={"failed": [], "rows": [], "count": 0},
    ),
    "run_changes": View("work/run_changes.html", _run_changes),
    "charts": View(
        "work/charts.html",
        _charts,
        ("product", "fluid", "instrument", "geometry", "quantity", "last"),
        nothing={"choices": NO_CHOICES, "charts": None, "more": 0},
    ),
    "equipment": View(
        "work/equipment.html",
        _query("equipment", "piece"),
        ("piece",),
        nothing={"pieces": [], "history": [], "verifications": [], "constants": []},
    ),
    "instrument_health": View(
        "work/instrument_health.html",
        _health,
        ("instrument", "runs"),
        nothing={"choices": NO_CHOICES, "found": None},
    ),
    "reports": View(
        "work/reports.html", _query("reports", "of"), ("of",), nothing={"reports": [], "more": 0, "complete": True}
    ),
    "trace": View("work/trace.html", _trace, ("report",), nothing={"traced": None}),
    "day": View("work/day.html", _day, ("day", "instrument", "until"), nothing={"sheet": None, "choices": NO_CHOICES}),
    "month": View("work/month.html", _month, ("month",), nothing={"review": None}),
    "lot": View("work/lot.html", _lot, ("lot",), nothing={"case": None}),
    "compare": View("work/compare.html", _compare, nothing={"compared": [], "named": []}),
    "definitions": View("work/definitions.html", _query("definitions")),
    "definition": View(
        "work/definition.html",
        _query("definition", "kind", "id", "version", "against"),
        ("kind", "id", "version", "against"),
        nothing={"rows": [], "versions": [], "file": "", "kind": "", "id": "", "version": "", "against": ""},
    ),
    "outbox": View("work/outbox.html", _outbox),
    "driver_trial": View("work/driver_trial.html", _query("driver_trial"), nothing={"ports": [], "trial": None}),
    "tokens": View("work/tokens.html", _query("tokens"), nothing={"tokens": [], "more": False}),
}
"""The views by name."""
