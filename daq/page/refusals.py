"""Errors as answers: a status and a sentence, as JSON below the API, as a page elsewhere."""

import re
from collections.abc import Mapping
from typing import Final
from urllib.parse import urlencode

from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response

from daq.app.laboratory.bench.flows import OLD_VIEW
from daq.core.errors import DaqError, LinkError, NotAllowedError, SettingError, StoreError
from daq.page.answers import shown
from daq.page.daemonlink import NOT_DONE, SILENT
from daq.page.livehub import ENDED, NOT_YET, TOO_MANY
from daq.page.parts import stranger_of
from daq.page.routetable import API
from daq.page.shown.benches import without_commands
from daq.page.shown.refused import refusal_words
from daq.page.texts.texts import Texts
from daq.page.visits.attempts import TooManyAttemptsError
from daq.page.visits.cookies import safe_next

STATUSES: Final[tuple[tuple[type[DaqError], int], ...]] = (
    (NotAllowedError, 403),
    (TooManyAttemptsError, 429),
    (SettingError, 422),
    (LinkError, 503),
    (StoreError, 503),
)
"""Status of an answer by the class of the error, the first that fits."""
REASONS: Final = {
    NOT_YET: "connection.not_yet",
    ENDED: "connection.ended",
    SILENT: "connection.silent",
    NOT_DONE: "connection.not_done",
    TOO_MANY: "refused.too_many_pages",
}
"""Key of the text of a reason of the connection to the daemon."""
AT_BENCH: Final = re.compile(rf"({API}/benches|/bench)/")
"""Addresses of what a person does at a bench."""
CHANGED: Final = 409
"""Status of an order that was given on a screen which showed an earlier state."""


class RefusedError(Exception):
    """A request is refused; `status` is that of the answer.  Example: 401, log in first.

    `key` is that of the sentence in the texts of the page, with its `values`; "" where there is none.
    """

    def __init__(self, status: int, reason: str, key: str = "", **values: str) -> None:
        self.status, self.key, self.values = status, key, values
        self.reason = reason or Texts("en")(key, **values)
        super().__init__(self.reason)


def status_of(error: DaqError | RefusedError) -> int:
    """Return the status of the answer for an error."""
    if isinstance(error, RefusedError):
        return error.status
    if OLD_VIEW in str(error):
        return CHANGED
    return next((status for kind, status in STATUSES if isinstance(error, kind)), 502)


async def answer_error(request: Request, error: Exception) -> Response:
    """Return the answer for an error that a handler raised."""
    if isinstance(error, RefusedError):
        if error.key.startswith("error.") and not _is_api(request):
            text = words_of(request, error)
            return shown(
                request, "error.html", {"status": error.status, "reason": text, "alone": True}, status=error.status
            )
        return answer(request, error.status, words_of(request, error))
    if isinstance(error, DaqError):
        changed = status_of(error) == CHANGED
        words = str(error) if changed else words_of(request, error)
        return answer(request, status_of(error), words, code=error.code, values=error.values)
    if isinstance(error, RequestValidationError):
        found = error.errors()[:10]
        reason = "\n".join(f"{'.'.join(map(str, e['loc'][1:]))}: {e['msg']}" for e in found)
        return answer(request, 422, reason)
    if isinstance(error, HTTPException):
        return answer(request, error.status_code, str(error.detail), error.headers)
    return answer(request, 500, Texts(stranger_of(request).language)("error.fault_log"))


def words_of(request: Request, error: DaqError | RefusedError) -> str:
    """Return what a page says about an error: its sentence, or that the bench has changed in the meantime.

    A sentence of the page is in the visitor's language.  One of the daemon that is for the panel at a bench names no
    command, because nothing can be typed there.
    """
    t = Texts(stranger_of(request).language)
    if isinstance(error, RefusedError):
        return t(error.key, **error.values) if error.key else error.reason
    if isinstance(error, TooManyAttemptsError) and error.key:
        return t(error.key, **error.values)
    if status_of(error) == CHANGED:
        return f"{t('error.changed')} {t('error.changed_do')}"
    reason = refusal_words(t, error.code, error.values, reason_words(request, str(error)))
    return without_commands(t, reason) if AT_BENCH.match(request.url.path) else reason


def reason_words(request: Request, reason: str) -> str:
    """Return a reason of the connection to the daemon in the visitor's language; any other one as it is."""
    key = REASONS.get(reason)
    return Texts(stranger_of(request).language)(key) if key else reason


def _is_api(request: Request) -> bool:
    return request.url.path.startswith(f"{API}/")


def answer(
    request: Request,
    status: int,
    reason: str,
    more: Mapping[str, str] | None = None,
    *,
    code: str = "",
    values: Mapping[str, str] | None = None,
) -> Response:
    """Return an answer with a sentence and `more` headers; who only has to log in is sent to the log-in.

    An answer of the API has the code and the values of the sentence, where it has them.
    """
    headers = dict(more or {}) | ({"Retry-After": "5"} if status in (429, 503) else {})
    path = request.url.path
    if _is_api(request):
        if status == 401:
            headers["WWW-Authenticate"] = "Bearer"
        coded = {"code": code, "values": dict(values or {})} if code else {}
        return JSONResponse({"detail": reason} | coded, status, headers)
    if status == 401 and request.method == "GET":
        return RedirectResponse(f"/log-in?{urlencode({'next': safe_next(path)})}", 303)
    return shown(
        request, "error.html", {"status": status, "reason": reason, "alone": False}, status=status, headers=headers
    )
