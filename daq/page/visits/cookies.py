"""The cookies of a browser: its visit (a log-in or none), its paired bench, and its language and theme."""

import base64
import hashlib
import hmac
import secrets
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from starlette.responses import Response

ANONYMOUS: Final = "anon."
"""Beginning of the value of a visit without a log-in; no ticket has a dot."""
PAIRING_S: Final = 10 * 365 * 86_400
VISIT_S: Final = 12 * 3600
"""Time in seconds after which a browser forgets the ticket of a person."""
ANONYMOUS_S: Final = 400 * 86_400
"""Time in seconds after which a browser forgets a visit without a person, which permits nothing: the longest that
browsers take (RFC 6265bis, 5.5).  The screen of a bench stays open for weeks."""
THEMES: Final = ("system", "light", "dark")


@dataclass(frozen=True, slots=True)
class Cookies:
    """Reads and sets cookies.

    Attributes:
        signing_key: signs pairings, CSRF tokens and stops that were taken, each with a purpose of its own.
        secure: browsers reach the page by TLS.
        port: makes the names different from those of another page on this machine, because cookies ignore ports.
    """

    signing_key: bytes = field(repr=False)
    secure: bool
    port: int

    def name(self, what: str) -> str:
        """Return the name of a cookie; with TLS the browser keeps it to this host (RFC 6265bis, 4.1.3.2)."""
        return f"{'__Host-' if self.secure else ''}daq-{what}-{self.port}"

    def set(self, response: Response, what: str, value: str, seconds: int) -> None:
        """Set a cookie; "" deletes it."""
        response.set_cookie(
            self.name(what),
            value,
            max_age=seconds if value else 0,
            path="/",
            secure=self.secure,
            httponly=True,
            samesite="strict",
        )

    # ---- the visit

    def visit(self, found: Mapping[str, str]) -> str:
        """Return the value of the visit; "" for none."""
        return found.get(self.name("visit"), "")

    def ticket(self, found: Mapping[str, str]) -> str:
        """Return the ticket of the visit; "" for none."""
        visit = self.visit(found)
        return "" if visit.startswith(ANONYMOUS) else visit

    def csrf(self, visit: str) -> str:
        """Return the CSRF token of a visit; "" without one."""
        return self._signed("csrf", visit) if visit else ""

    def is_csrf(self, visit: str, token: str) -> bool:
        """Return whether a token belongs to a visit."""
        return bool(visit) and hmac.compare_digest(self.csrf(visit).encode(), token.encode())

    # ---- the paired bench

    def pairing(self, bench: str) -> str:
        """Return the value for a paired bench."""
        name = base64.urlsafe_b64encode(bench.encode()).decode().rstrip("=")
        return f"{name}.{self._signed('bench', bench)}"

    def paired(self, found: Mapping[str, str]) -> str:
        """Return the bench with which the browser is paired; "" for none."""
        name, _, signature = found.get(self.name("bench"), "").partition(".")
        try:
            bench = base64.urlsafe_b64decode(name + "=" * (-len(name) % 4)).decode()
        except ValueError:
            return ""
        signed = self._signed("bench", bench)
        return bench if hmac.compare_digest(signed.encode(), signature.encode()) else ""

    # ---- a stop by a form

    def stop_taken(self, bench: str) -> str:
        """Return the value that states a stop of a bench that was taken; it pairs no browser."""
        return self._signed("taken", bench)

    def _signed(self, purpose: str, text: str) -> str:
        return hmac.new(self.signing_key, f"{purpose}:{text}".encode(), hashlib.sha256).hexdigest()


def new_visit() -> str:
    """Return the value of a visit without a log-in."""
    return ANONYMOUS + secrets.token_urlsafe(24)


def safe_next(path: str) -> str:
    """Return a path of this page to go on to; ``/`` for anything else, such as an address of another host."""
    harmless = path.startswith("/") and not path.startswith("//") and "\\" not in path and path.isprintable()
    return path if harmless and len(path) <= 500 else "/"
