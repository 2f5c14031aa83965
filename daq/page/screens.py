"""The handlers of the pages; their names are in the table of routes."""

from datetime import UTC, datetime
from typing import Any, Final
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import Response

from daq.app.daemon.queries.asked import MOST_ROWS, OUTCOMES, VERDICTS
from daq.core.encoding import encode
from daq.core.errors import DaqError, LinkError, SettingError
from daq.page.acting import (
    ask,
    bench_of,
    filters,
    give_command,
    give_text,
    known,
    limit_of,
    logged_in,
    run_of,
    whole_number,
)
from daq.page.answers import back, form, shown
from daq.page.parts import parts_of, visit_of
from daq.page.refusals import RefusedError, reason_words, status_of, words_of
from daq.page.routetable import permits
from daq.page.texts.texts import LANGUAGES
from daq.page.visits.attempts import TooManyAttemptsError
from daq.page.visits.cookies import ANONYMOUS_S, PAIRING_S, THEMES, VISIT_S, new_visit, safe_next

TAKEN: Final = "taken"
FAILED: Final = "failed"
TAKEN_S: Final = 30
"""Longest time in seconds between a stop by a form and the page that states it."""
CODE_OVER: Final = (
    "this address pairs one browser, within an hour; it was used, or its hour has passed, or it is wrong: "
    "pair on the screen of {bench}"
)
NOTHING_FOUND: Final[dict[str, Any]] = {"rows": [], "reached": None, "absent": [], "by_hand": []}


# ---- the desk


async def desk(request: Request) -> Response:
    """Show all benches."""
    await known(request)
    hub = parts_of(request).hub
    link = hub.link | {"reason": reason_words(request, hub.link["reason"])}
    return shown(request, "desk.html", {"benches": [hub.bench(name) for name in hub.names()], "link": link})


async def results(request: Request) -> Response:
    """List runs by conditions."""
    asked, refused, status = filters(request), "", 200
    found = NOTHING_FOUND
    try:
        asked |= {"limit": str(limit_of(request))}
        found = await ask(request, "runs", asked | {"limit": int(asked["limit"])})
    except LinkError:
        raise
    except SettingError as error:
        refused, status = words_of(request, error), status_of(error)
    values = {
        "asked": {"limit": "50"} | asked,
        "verdicts": list(VERDICTS),
        "outcomes": list(OUTCOMES),
        # A file has more rows than the screen.
        "csv": {"asked": {key: value for key, value in asked.items() if key != "limit"}, "most": MOST_ROWS},
        "refused": refused,
        **{key: found[key] for key in NOTHING_FOUND},
    }
    return shown(request, "results.html", values, status=status)


async def results_csv(request: Request) -> Response:
    """Send runs by conditions as CSV; cells that a spreadsheet could run are made harmless."""
    found = await ask(request, "runs_csv", filters(request) | {"limit": limit_of(request, MOST_ROWS)})
    part = "-part" if found["is_cut"] else ""
    name = f"results-{datetime.now(UTC).date().isoformat()}{part}.csv"
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return Response(found["csv"], headers=headers, media_type="text/csv; charset=utf-8")


async def result(request: Request) -> Response:
    """Show one run."""
    return shown(request, "result.html", await run_of(request))


async def samples(request: Request) -> Response:
    """Show the worklist."""
    await known(request)
    found = await ask(request, "samples", {"benches": parts_of(request).hub.names()})
    return shown(request, "samples.html", found | {"done": request.query_params.get("done", "")})


async def health(request: Request) -> Response:
    """Show the state of instruments, store, outbox and broker, and when it was read."""
    read_at = datetime.now(UTC).isoformat()
    return shown(
        request, "health.html", {"status": encode(await parts_of(request).daemon.status()), "read_at": read_at}
    )


# ---- a bench


async def bench(request: Request, refused: str = "", status: int = 200, stop: str = "") -> Response:
    """Show one bench; `stop`: ``failed``, or ``taken`` once after a stop by a form."""
    parts, found = parts_of(request), await bench_of(request)
    cookies = parts.cookies
    was_stopped = request.cookies.get(cookies.name(TAKEN)) == cookies.stop_taken(found["bench"])
    stop = stop or (TAKEN if was_stopped else "")
    values = {"bench": found, "link": parts.hub.link, "refused": refused, "stop": stop}
    response = shown(request, "bench.html", values, status=status)
    if was_stopped:
        cookies.set(response, TAKEN, "", 0)
    return response


async def bench_text(request: Request) -> Response:
    """Give a text to a bench."""
    given = await form(request)
    try:
        await give_text(request, given.get("text", ""), whole_number(given.get("seen", "")))
    except (DaqError, RefusedError) as error:
        return await bench(request, words_of(request, error), status_of(error))
    return _to_bench(request)


async def bench_command(request: Request) -> Response:
    """Give a command to a bench."""
    given = await form(request)
    seen = whole_number(given.get("seen", ""))
    try:
        await give_command(request, given.get("command", ""), seen, given.get("text", ""))
    except (DaqError, RefusedError) as error:
        return await bench(request, words_of(request, error), status_of(error))
    return _to_bench(request)


async def bench_stop(request: Request) -> Response:
    """Stop the run on a bench."""
    try:
        await parts_of(request).daemon.stop(request.path_params["bench"])
    except DaqError as error:
        return await bench(request, words_of(request, error), status_of(error), FAILED)
    response = _to_bench(request)
    cookies = parts_of(request).cookies
    cookies.set(response, TAKEN, cookies.stop_taken(request.path_params["bench"]), TAKEN_S)
    return response


async def pair(request: Request) -> Response:
    """Pair the browser with a bench."""
    found = await bench_of(request)
    response = _to_bench(request)
    cookies = parts_of(request).cookies
    cookies.set(response, "bench", cookies.pairing(found["bench"]), PAIRING_S)
    return response


async def pair_by_code(request: Request) -> Response:
    """Pair the browser with a bench by a code that is good once; a browser that is paired with it needs none.

    With people a code pairs only for a person who may pair without one.
    """
    parts, name, visit = parts_of(request), str(request.path_params["bench"]), visit_of(request)
    if visit.paired == name:
        return _to_bench(request)
    if not permits("administer", role=visit.role, people=visit.people, paired=visit.paired, bench=name):
        raise RefusedError(403, CODE_OVER.format(bench=name), "error.pairing_over", bench=name)
    if not parts.codes.take(name, str(request.path_params["code"])):
        raise RefusedError(403, CODE_OVER.format(bench=name), "error.pairing_over", bench=name)
    return await pair(request)


async def unpair(request: Request) -> Response:
    """End the pairing of the browser."""
    response = back("/")
    parts_of(request).cookies.set(response, "bench", "", 0)
    return response


def _to_bench(request: Request) -> Response:
    return back(f"/bench/{quote(request.path_params['bench'], safe='')}")


# ---- the visit


async def log_in_form(request: Request) -> Response:
    """Show the log-in."""
    return shown(request, "log_in.html", {"refused": "", "next": safe_next(request.query_params.get("next", "/"))})


async def log_in(request: Request) -> Response:
    """Log a person in."""
    given = await form(request)
    to = safe_next(given.get("next", "/"))
    try:
        found = await logged_in(request, given)
    except (SettingError, TooManyAttemptsError) as error:
        status = 429 if isinstance(error, TooManyAttemptsError) else 403
        return shown(request, "log_in.html", {"refused": words_of(request, error), "next": to}, status=status)
    response = back(to)
    parts_of(request).cookies.set(response, "visit", found.ticket, VISIT_S)
    return response


async def log_out(request: Request) -> Response:
    """Log a person out."""
    visit, parts = visit_of(request), parts_of(request)
    response = back("/")
    parts.cookies.set(response, "visit", new_visit(), ANONYMOUS_S)
    if visit.ticket:
        await parts.daemon.log_out(visit.ticket)
    return response


async def preferences(request: Request) -> Response:
    """Keep language and theme in the browser."""
    given = await form(request)
    language = given.get("lang", "")
    theme = given.get("theme", "")
    visit = visit_of(request)
    response = back(safe_next(given.get("next", "/")))
    value = f"{language if language in LANGUAGES else visit.language}.{theme if theme in THEMES else visit.theme}"
    parts_of(request).cookies.set(response, "look", value, PAIRING_S)
    return response
