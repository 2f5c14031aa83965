"""The handlers of the desk's forms, and of its files."""

import base64
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any, Final

from starlette.requests import Request
from starlette.responses import Response

from daq.core.errors import DaqError, LinkError
from daq.page.acting import ask
from daq.page.answers import back, form
from daq.page.parts import parts_of, visit_of
from daq.page.refusals import RefusedError, status_of, words_of
from daq.page.work.deskviews import VIEWS, Handler, show, viewing
from daq.page.work.formtable import FORMS, Form

LONGEST_NAME: Final = 60
"""Greatest length of the part of a file's name that comes from data."""
REVIEWED: Final = {"run_correct": "run_correct_reviewed"}
"""Acts of a person who reviews, which follow where the first one answers that a review is needed."""


def sending(name: str) -> Handler:
    """Return the handler of a form."""
    sent = FORMS[name]

    async def handle(request: Request) -> Response:
        given = await form(request) | {key: str(value) for key, value in request.path_params.items()}
        try:
            done = await _done(request, sent, given)
        except LinkError:
            raise
        except DaqError as error:
            return await show(
                request, VIEWS[sent.view], given, refused=words_of(request, error), status=status_of(error)
            )
        return _pdf(done) if sent.pdf else back(sent.back(given))

    return handle


async def _done(request: Request, sent: Form, given: Mapping[str, str]) -> dict[str, Any]:
    order, ticket, daemon = sent.order(given), visit_of(request).ticket, parts_of(request).daemon
    done = await daemon.perform(sent.act, order, ticket)
    if "needs_review" in done:
        done = await daemon.perform(REVIEWED[sent.act], order, ticket)
    return done


def _pdf(done: Mapping[str, Any]) -> Response:
    name = f"{safe_name(str(done['title']))}-{safe_name(str(done['number']))}.pdf"
    return _file(base64.b64decode(done["pdf"]), name, "application/pdf")


def safe_name(text: str) -> str:
    """Return a text as part of a file's name: ASCII letters, digits and hyphens only, never empty."""
    cells = "".join(c if c.isascii() and c.isalnum() else "-" for c in text)
    return "-".join(part for part in cells.split("-") if part)[:LONGEST_NAME] or "file"


def _file(content: bytes | str, name: str, kind: str) -> Response:
    return Response(content, headers={"Content-Disposition": f'attachment; filename="{name}"'}, media_type=kind)


async def sample_import_send(request: Request) -> Response:
    """Check the lines of a file of samples, and add them where the person has seen them and asks for it."""
    given = await form(request)
    preview = given.get("step") != "store"
    order = {"file": given.get("file") or "samples.csv", "text": given.get("text", ""), "preview": preview}
    view = VIEWS["sample_import"]
    try:
        done = await parts_of(request).daemon.perform("sample_import", order, visit_of(request).ticket)
    except LinkError:
        raise
    except DaqError as error:
        return await show(request, view, given, refused=words_of(request, error), status=status_of(error))
    if preview:
        return await show(request, view, given, preview=done["samples"])
    return back("/samples?done=imported")


async def samples_csv(request: Request) -> Response:
    """Send all samples as CSV."""
    found = await ask(request, "samples_csv", {})
    part = "-part" if found["is_cut"] else ""
    return _file(found["csv"], f"samples-{datetime.now(UTC).date().isoformat()}{part}.csv", "text/csv; charset=utf-8")


async def sample_label(request: Request) -> Response:
    """Send the label of a sample as a drawing."""
    ident = request.query_params.get("id", "")
    found = await ask(request, "sample_label", {"sample": ident})
    return _file(found["svg"], f"label-{safe_name(ident)}.svg", "image/svg+xml")


async def trial_description(request: Request) -> Response:
    """Send the description of the newest trial; 404 where there is none."""
    trial = (await ask(request, "driver_trial", {}))["trial"]
    if trial is None or not trial["description"]:
        raise RefusedError(404, "", "refused.no_description")
    return _file(trial["description"], f"{safe_name(trial['kind'])}.toml", "text/plain; charset=utf-8")


HANDLERS: Final[dict[str, Handler]] = {
    **{name: viewing(name) for name in VIEWS},
    **{f"{name}_send": sending(name) for name in FORMS},
    "sample_import_send": sample_import_send,
    "samples_csv": samples_csv,
    "sample_label": sample_label,
    "trial_description": trial_description,
}
"""The handlers by their names in the table of routes."""
