"""Checks of every request before any handler, and the security headers of every answer.

Host must be a name of the page (a foreign name that resolves to this machine is refused); bodies are bounded; the
policy of the answers permits only files of this page, no inline script and no inline style.
"""

import ipaddress
from collections.abc import Iterable
from typing import Final

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

LARGEST_BODY: Final = 1 << 20
"""Greatest length of a body in bytes."""
POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; font-src 'self'; connect-src 'self'; "
    "manifest-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS: Final = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    # With `no-referrer` browsers send the origin of a form as "null".
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
}


def host_names(host: str, port: int, more: Iterable[str]) -> frozenset[str]:
    """Return the values of the header Host by which browsers reach an address.

    Args:
        host: address on which the page listens.
        port: its port.
        more: further names, with a port where it differs.
    """
    names = list(more)
    found = ipaddress.ip_address(host)
    if found.is_loopback:
        names += ["localhost", "127.0.0.1", "[::1]"]
    if not found.is_unspecified:
        names.append(f"[{host}]" if found.version == 6 else host)
    out = set()
    for name in names:
        has_port = name.rpartition(":")[2].isdecimal() and not name.endswith("]")
        out.add(name.lower() if has_port else f"{name.lower()}:{port}")
        if not has_port and port in (80, 443):
            out.add(name.lower())
    return frozenset(out)


class RequestCheck:
    """The outermost part of the application."""

    def __init__(self, app: ASGIApp, hosts: frozenset[str], *, secure: bool) -> None:
        """`hosts`: permitted values of Host; `secure`: browsers reach the page by TLS."""
        self._app, self._hosts, self._secure = app, hosts, secure

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request, or refuse it."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return  # no other protocol is served; the server closes the connection

        async def headed(message: Message) -> None:
            if message["type"] == "http.response.start":
                self._head(MutableHeaders(scope=message))
            await send(message)

        headers = Headers(scope=scope)
        refused = self._refusal(headers)
        if refused is not None:
            await refused(scope, receive, headed)
            return
        await self._app(scope, _bounded(receive), headed)

    def _refusal(self, headers: Headers) -> PlainTextResponse | None:
        if headers.getlist("host") != [headers.get("host", "")] or headers["host"].lower() not in self._hosts:
            return PlainTextResponse("this page has another name; add it to hosts in [page] of daemon.toml\n", 421)
        length = headers.get("content-length", "0")
        if not length.isdecimal() or int(length) > LARGEST_BODY:
            return PlainTextResponse(f"a request has at most {LARGEST_BODY} bytes\n", 413)
        return None

    def _head(self, headers: MutableHeaders) -> None:
        for name, value in HEADERS.items():
            headers[name] = value
        if self._secure:
            headers["Strict-Transport-Security"] = "max-age=31536000"
        headers.setdefault("Cache-Control", "no-store")


def _bounded(receive: Receive) -> Receive:
    """Return `receive` that ends a body without a length at the bound, as if the client had gone."""
    seen = 0

    async def bounded() -> Message:
        nonlocal seen
        message = await receive()
        if message["type"] == "http.request":
            seen += len(message.get("body", b""))
            if seen > LARGEST_BODY:
                return {"type": "http.disconnect"}
        return message

    return bounded
