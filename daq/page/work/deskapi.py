"""The views of the desk for programs: the values of each template below ``/api/v1``, by the same queries."""

import inspect
from collections.abc import Awaitable, Callable, Mapping
from typing import Annotated, Any, Final

from fastapi import Query, Request

from daq.app.daemon.queries.desk_asked import MOST_COMPARED
from daq.page.acting import ask
from daq.page.work.deskviews import VIEWS

Reading = Callable[..., Awaitable[Any]]
LONGEST: Final = 1000
NUMBERS: Final = ("last", "runs")
"""Fields of an address that are whole numbers."""
ABOUT: Final[Mapping[str, str]] = {
    "sample_list": "Return all samples, or those in a state.",
    "review": "Return what can be signed, and why other results cannot.",
    "repeats": "Return the repeats that wait for an assigned cause.",
    "doubts": "Return failed verifications, and the results that one of them puts in doubt.",
    "charts": "Return control charts, with the reason of each signal.",
    "equipment": "Return all pieces of equipment with what is due; of one piece also its history.",
    "instrument_health": "Return the health of an instrument over its newest runs.",
    "reports": "Return the reports that were made.",
    "trace": "Return what a report was made from.",
    "day": "Return the sheet of a day.",
    "month": "Return the review of a month.",
    "lot": "Return everything about a lot.",
    "compare": "Return the readings of several runs over time, for one plot.",
    "definitions": "Return products and methods with their versions.",
    "definition": "Return one version of a product or method, and its differences to another one.",
    "outbox": "Return the messages that wait for the broker.",
    "tokens": "Return the tokens of programs, without their texts.",
    "driver_trial": "Return the newest trial of an unknown instrument, and the ports.",
}
"""The views that programs read, with the first line of their description."""


def reading(name: str) -> Reading:
    """Return the handler of a view for programs; what is wrong with its fields is refused (422)."""
    view = VIEWS[name]

    async def handle(request: Request, **_asked: Any) -> Any:
        return await view.load(request, {field: request.query_params.get(field, "") for field in view.fields})

    handle.__doc__ = ABOUT[name]
    handle.__signature__ = inspect.Signature([  # type: ignore[attr-defined]
        inspect.Parameter("request", inspect.Parameter.POSITIONAL_OR_KEYWORD, annotation=Request),
        *(_parameter(field) for field in (*view.fields, *(("run",) if name == "compare" else ()))),
    ])  # fmt: skip
    return handle


def _parameter(field: str) -> inspect.Parameter:
    """Return a field of the address, as the description of the API has it."""
    kind: Any = Annotated[str, Query(max_length=LONGEST)]
    default: Any = ""
    if field in NUMBERS:
        kind = Annotated[str, Query(pattern="^[0-9]{0,9}$", description="a whole number")]
    elif field == "run":
        kind = Annotated[list[Annotated[str, Query(max_length=LONGEST)]], Query(max_length=MOST_COMPARED)]
        default = []
    return inspect.Parameter(field, inspect.Parameter.KEYWORD_ONLY, default=default, annotation=kind)


async def choices(request: Request) -> dict[str, Any]:
    """Return the products, fluids and instruments that forms offer."""
    return await ask(request, "choices", {})


API_HANDLERS: Final[dict[str, Reading]] = {**{name: reading(name) for name in ABOUT}, "choices": choices}
"""The handlers by their names in the table of routes."""
