"""A daemon in this process with its socket, and a page over the socket."""

import asyncio
import re

import httpx

from daq.app.daemon.control import ControlServer
from daq.app.daemon.service import Service
from daq.methods.files.daemon import People
from daq.page.application import make_application, make_parts
from daq.page.settings import PageSettings
from tests.bench_flow.parts import Shift
from tests.page.visiting import BENCH, KEY, ORIGIN, PORT


class PagedShift(Shift):
    """A daemon in this process with its socket, and a page over the socket."""

    def __init__(self, folder, *, people=False, **options):
        super().__init__(folder, **options)
        self._folder, self._people = folder, people
        catalogue = self.supervisor.catalogue
        catalogue.daemon = catalogue.daemon.model_copy(update={"people": People(required=people)})

    async def __aenter__(self):
        await super().__aenter__()
        self.service = Service(self.supervisor)
        path = self._folder / "socket"
        self.control = ControlServer(path, self.service.handle)
        await self.control.start()
        self.parts = make_parts(PageSettings(socket=path, port=PORT, signing_key=KEY, people=self._people))
        self.following = asyncio.create_task(self.parts.hub.run())
        transport = httpx.ASGITransport(make_application(self.parts))
        self.browser = httpx.AsyncClient(
            transport=transport, base_url=ORIGIN, headers={"Origin": ORIGIN}, trust_env=False, timeout=60
        )
        if not self._people:
            cookies = self.parts.cookies
            self.browser.cookies.set(cookies.name("bench"), cookies.pairing(BENCH), "127.0.0.1", "/")
        return self

    async def __aexit__(self, *error):
        await self.browser.aclose()
        self.following.cancel()
        await asyncio.gather(self.following, return_exceptions=True)
        await self.supervisor.end_runs()
        await self.control.stop()
        await self.service.close()
        await super().__aexit__(*error)

    async def post(self, path, **form):
        """Send a form as the page has it: with the token and the revision that it shows."""
        shown = (await self.browser.get(f"/bench/{BENCH}")).text
        token = re.search(r'name="csrf" value="([0-9a-f]+)"', shown)[1]
        seen = re.search(r'data-revision="(\d+)"', shown)[1]
        return await self.browser.post(path, data={"csrf": token, "seen": seen, **form})

    async def live(self):
        return (await self.browser.get(f"/api/v1/benches/{BENCH}")).json()

    async def until_live(self, condition):
        async with asyncio.timeout(90):
            while not condition(found := await self.live()):
                await asyncio.sleep(0.02)
        return found

    async def command(self, command, **more):
        before = (await self.live())["view"]["revision"]
        response = await self.post(f"/bench/{BENCH}/command", command=command, **more)
        assert response.status_code == 303, response.text
        await self.until_live(lambda b: b["view"]["revision"] > before)

    async def name(self, sample):
        response = await self.post(f"/bench/{BENCH}/text", text=sample)
        assert response.status_code == 303
        await self.until_live(lambda b: b["view"]["stage"] == "checking")
