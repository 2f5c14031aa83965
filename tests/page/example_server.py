"""A server of example pages on loopback: templates, static files, and a stream that brings a run and stays open."""

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from importlib.resources import files
from math import exp
from typing import Any
from urllib.parse import parse_qsl, urlsplit

from daq.page.shown.environment import render
from daq.page.trends import trend_signal
from tests.page.example_pages import ExamplePage

POLICY = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
TYPES = {"css": "text/css", "js": "text/javascript", "svg": "image/svg+xml"}
UPLOT = ("uplot.iife.min.js", "uplot.min.css")


class ExampleServer(ThreadingHTTPServer):
    """Pages by path; `lang` and `theme` are taken from the query."""

    daemon_threads = True

    def __init__(self, pages: list[ExamplePage]) -> None:
        super().__init__(("127.0.0.1", 0), Handler)
        self.pages = {urlsplit(page.path).path + "?" + page.name: page for page in pages}
        self.by_name = {page.name: page for page in pages}
        self.ending = threading.Event()
        self.posted: list[tuple[str, Any]] = []
        self.pushed: list[tuple[str, Any]] = []
        """Events that a test sends; with any, the stream sends nothing of its own after the first."""
        self.mute = False
        """True: the stream says nothing any more, as a page that is cut off."""
        self.beats = False
        """True: the stream goes on, without a value of its own."""
        self.readings: dict[str, Any] = {"trend": None, "trouble": ""}
        """Answer of every run's readings."""
        self.trend: dict[str, Any] = {"run": "", "signal": "", "times": [], "values": []}
        """Answer of the trend that the page keeps."""
        self.refuse: dict[str, int] = {}
        """Status of the answer to a POST, by the end of its path; also of the GET of `/trend`."""
        self.answer: dict[str, Any] = {}
        """Answer to a POST that is not refused."""
        self.headers: list[dict[str, str]] = []
        """Headers of the POSTs, with names in small letters."""
        self.visit: dict[str, str] | None = None
        """Token (`csrf`) and `person` of the present visit; with it, a POST with another token is refused."""

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.server_port}"

    def url(self, page: ExamplePage, lang: str = "en", theme: str = "light") -> str:
        return f"{self.address}/page/{page.name}?lang={lang}&theme={theme}"


def earlier(values: dict[str, Any]) -> dict[str, Any]:
    """Return the values of a page with its run as it was before the stream brings the rest."""
    live = values.get("bench")
    if not live or not live["run"]:
        return values
    run = live["run"]
    return values | {"bench": live | {"run": run | {"run_s": run["run_s"] - 120.0}}}


def trend_of(run: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Yield a run at its moments so far, four a second."""
    name = run["value"]["name"] if run["value"] else ""
    count = 440
    for k in range(count):
        back = (count - 1 - k) / 4
        signals = dict(run["signals"])
        newest = signals.get(name)
        if newest is not None:
            signals[name] = newest * (1 + 0.08 * exp(-k / 50)) + 0.002 * newest * ((k * 37) % 11 - 5)
        yield run | {"run_s": run["run_s"] - back, "signals": run["signals"] if k == count - 1 else signals}


def point_of(run: dict[str, Any]) -> dict[str, Any]:
    """Return the point of a run in its trend."""
    signal = trend_signal(run)
    return {"signal": signal, "t": run["run_s"], "value": run["signals"].get(signal)}


class Handler(BaseHTTPRequestHandler):
    server: ExampleServer

    def log_message(self, *args: Any) -> None:
        pass

    def do_GET(self) -> None:
        path, asked = urlsplit(self.path).path, dict(parse_qsl(urlsplit(self.path).query))
        if path.startswith("/static/"):
            self._static(path.removeprefix("/static/"))
        elif path.startswith("/page/"):
            page = self.server.by_name[path.removeprefix("/page/")]
            text = render(
                page.template, asked.get("lang", "en"), earlier(page.values) | {"theme": asked.get("theme", "light")}
            )
            self._send(text.encode(), "text/html; charset=utf-8")
        elif path.endswith("/events"):
            self._stream()
        elif path == "/api/v1/session" and self.server.visit:
            self._send(json.dumps(self.server.visit).encode(), "application/json")
        elif path.endswith("/trend") and "/trend" in self.server.refuse:
            self.send_error(self.server.refuse["/trend"])
        elif path.endswith("/trend"):
            self._send(json.dumps(self.server.trend).encode(), "application/json")
        elif path.endswith("/readings"):
            self._send(json.dumps(self.server.readings).encode(), "application/json")
        else:
            self.send_error(404)

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers.get("Content-Length") or 0))
        self.server.posted.append((self.path, json.loads(body) if body.startswith(b"{") else body.decode()))
        self.server.headers.append({name.lower(): value for name, value in self.headers.items()})
        visit = self.server.visit
        if visit and self.headers.get("X-CSRF-Token") != visit["csrf"]:
            self.send_error(403)
            return
        status = next((code for end, code in self.server.refuse.items() if self.path.endswith(end)), 200)
        if status != 200:
            self.send_error(status)
        else:
            self._send(json.dumps(self.server.answer).encode(), "application/json")

    def _send(self, content: bytes, kind: str) -> None:
        self.send_response(200)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Security-Policy", POLICY)
        self.send_header("Content-Length", str(len(content)))
        self.end_headers()
        self.wfile.write(content)

    def _static(self, name: str) -> None:
        found = (
            files("youplot").joinpath("vendor", name) if name in UPLOT else files("daq.page").joinpath("static", name)
        )
        self._send(found.read_bytes(), TYPES[name.rpartition(".")[2]])

    def _stream(self) -> None:
        """Send the run of the page that asks, as it came to be, then keep the connection open."""
        self.send_response(200)
        self.send_header("Content-Type", "text/event-stream")
        self.end_headers()
        name = urlsplit(self.headers.get("Referer", "")).path.removeprefix("/page/")
        page = self.server.by_name.get(name)
        live = page.values.get("bench") if page else None
        events: list[tuple[str, Any]] = (
            [("link", {"daemon": page.values["link"]["daemon"], "reason": ""})]
            if page and "link" in page.values
            else []
        )
        if live and live["run"]:
            events += [
                ("run", {"bench": live["bench"], "run": run, "point": point_of(run)}) for run in trend_of(live["run"])
            ]
        if live and live["reading"] and page and page.values["link"]["daemon"]:
            events.append(("reading", live["reading"] | {"bench": live["bench"]}))
        try:
            self.wfile.write("".join(f"event: {kind}\ndata: {json.dumps(data)}\n\n" for kind, data in events).encode())
            sent = 0
            while not self.server.ending.wait(0.05 if self.server.pushed else 0.5):
                newest = self.server.pushed[sent:]
                sent += len(newest)
                if (
                    not (self.server.pushed or self.server.mute or self.server.beats)
                    and events
                    and events[-1][0] == "reading"
                ):
                    newest = [events[-1]]
                if self.server.beats:
                    newest = [*newest, ("link", {"daemon": True, "reason": ""})]
                self.wfile.write(
                    "".join(f"event: {kind}\ndata: {json.dumps(data)}\n\n" for kind, data in newest).encode()
                )
        except OSError:
            return


@contextmanager
def serving(pages: list[ExamplePage]) -> Iterator[ExampleServer]:
    """Serve pages for the time of a context."""
    server = ExampleServer(pages)
    thread = threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True)
    thread.start()
    try:
        yield server
    finally:
        server.ending.set()
        server.shutdown()
        server.server_close()
        thread.join()
