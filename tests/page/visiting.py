"""A page in this process over a laboratory in this process, and browsers that visit it."""

import asyncio
import contextlib
from dataclasses import replace

import httpx

from daq.adapters.store.reading import Reader
from daq.app.daemon.protocol import LoggedIn, Status, Visitor
from daq.app.daemon.queries.registry import answered, query
from daq.app.laboratory.acts import carry_out
from daq.app.laboratory.given import Given
from daq.app.laboratory.identity import acting, identify, log_in
from daq.app.laboratory.laboratory import new
from daq.app.screens.bench.bench_view import BenchView, ListedSample
from daq.app.screens.bench.live_frame import LiveFrame, LiveReading
from daq.core.errors import LinkError
from daq.laboratory.samples import Sample
from daq.methods.files.load import parse
from daq.page.application import make_application, make_parts
from daq.page.settings import PageSettings
from tests.bench_flow.parts import with_flows

PORT = 8042
ORIGIN = f"http://127.0.0.1:{PORT}"
KEY = b"k" * 32
BENCH = "bench-1"
MARKUP = "<script>alert(1)</script>"
HOSTILE = f"\"'>{MARKUP}<img src=x onerror=alert(1)>{{{{7*7}}}}{{% raw %}}=1+1&lt;"
"""A text that breaks out of markup, attributes, scripts and templates, if anything does not escape it."""


class DaemonInProcess:
    """The daemon as the page uses it: identity, acts and queries are the daemon's own, on a laboratory."""

    def __init__(self, lab):
        self.lab = replace(with_flows(lab), login="the-page")
        self.stopped, self.frames, self.asked = [], asyncio.Queue(), []
        self.lost = ""

    def _reached(self):
        if self.lost:
            raise LinkError(self.lost)

    def _by(self, ticket):
        return Given(ticket=ticket, page=True)

    async def stop(self, bench):
        self._reached()
        self.stopped.append(bench)
        return True

    async def perform(self, act, order, ticket):
        self._reached()
        return carry_out(self.lab, act, order, self._by(ticket))

    async def query(self, name, parameters, ticket):
        self._reached()
        self.asked.append(name)
        acting(self.lab, name, query(name).role, self._by(ticket))
        with Reader(self.lab.store.path) as reader:
            return answered(reader, name, parameters, self.lab.clock.utc_ns(), self.lab.catalogue.folder)

    async def log_in(self, given):
        self._reached()
        ticket, who = log_in(self.lab, parse(Given, {**given, "page": True}))
        return LoggedIn(ticket, Visitor(who.name, who.role, True))

    async def log_out(self, ticket):
        self.lab.tickets.end(ticket)

    async def identify(self, ticket):
        self._reached()
        who = identify(self.lab, self._by(ticket))
        return Visitor(who.person.id if who.person else who.client, who.role or "", True)

    async def status(self):
        self._reached()
        return Status(instruments={}, runs={}, store="", broker=None, sparkplug=None)

    async def live(self):
        self._reached()
        while True:
            frame = await self.frames.get()
            if frame is None:
                return
            yield frame


def first_frame(sample="E-7"):
    """Return the first frame of a bench that waits for its next sample."""
    view = BenchView(
        bench=BENCH, stage="choosing", asks="sample", commands=("bath", "damage"), connection="ready", fitted=sample,
        worklist=(ListedSample(sample, product=sample, lot=sample),), revision=3,
    )  # fmt: skip
    reading = LiveReading(
        values={"torque": 1.5}, units={"torque": "%"}, connection="ready", still=True, age_s=0.1
    )  # fmt: skip
    return LiveFrame({BENCH: reading}, {BENCH: view}, {})


class Page:
    """A page and its parts; `browser` returns a client with cookies of its own."""

    def __init__(self, lab, *, people, sample="E-7", port=PORT):
        self.lab, self.daemon = lab, DaemonInProcess(lab)
        settings = PageSettings(socket=lab.store.path, port=port, signing_key=KEY, people=people)
        parts = make_parts(settings)
        self.parts = replace(parts, daemon=self.daemon)
        self.parts.hub._daemon = self.daemon
        self.parts.hub.take(first_frame(sample))
        self.app = make_application(self.parts)
        self._clients = contextlib.AsyncExitStack()

    async def __aenter__(self):
        return self

    async def __aexit__(self, *_):
        await self._clients.aclose()

    async def browser(self, person="", *, paired="", ticket="", address="127.0.0.1"):
        transport = httpx.ASGITransport(self.app, client=(address, 123))
        client = httpx.AsyncClient(transport=transport, base_url=ORIGIN, headers={"Origin": ORIGIN}, trust_env=False)
        await self._clients.enter_async_context(client)
        if person:
            ticket = self.daemon.lab.tickets.issue(person, by_badge=False, mono_ns=self.lab.clock.mono_ns())
        cookies = self.parts.cookies
        client.cookies.set(cookies.name("visit"), ticket or "anon.somebody", "127.0.0.1", "/")
        if paired:
            client.cookies.set(cookies.name("bench"), cookies.pairing(paired), "127.0.0.1", "/")
        return client

    def csrf(self, client):
        cookies = self.parts.cookies
        return cookies.csrf(client.cookies[cookies.name("visit")])

    async def send(self, client, method, path, form=None, body=None):
        """Send a request as a page or its scripts do."""
        if method == "GET":
            return await client.get(path)
        if path.startswith("/api/"):
            return await client.post(path, json=body or {}, headers={"X-CSRF-Token": self.csrf(client)})
        return await client.post(path, data={"csrf": self.csrf(client), **(form or {})})


def add_sample(lab, ident, **about):
    lab.change(new(Sample(id=ident, **about), "sample_added"))
