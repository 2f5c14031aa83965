"""An event loop whose time passes only when nothing else is to be done: sleeps and timers take no real time."""

import asyncio
import selectors


class _JumpingSelector(selectors.DefaultSelector):
    """Instead of waiting it moves the loop's time on."""

    loop = None

    def select(self, timeout=None):
        ready = super().select(0)
        if not ready and timeout:
            self.loop.now += timeout
        return ready


class VirtualLoop(asyncio.SelectorEventLoop):
    """For code without threads and sockets."""

    def __init__(self):
        self.now = 1000.0
        selector = _JumpingSelector()
        selector.loop = self
        super().__init__(selector)

    def time(self):
        return self.now


class LoopClock:
    """A `daq.adapters.clock.Clock` that reads the running loop."""

    boot_id = "virtual"

    def mono_ns(self):
        return round(asyncio.get_running_loop().time() * 1e9)

    utc_ns = mono_ns

    def call_at(self, mono_ns, callback):
        return asyncio.get_running_loop().call_at(mono_ns * 1e-9, callback)

    async def sleep(self, seconds):
        await asyncio.sleep(seconds)


def run(coroutine):
    """Run `coroutine` in virtual time."""
    loop = VirtualLoop()
    try:
        return loop.run_until_complete(coroutine)
    finally:
        loop.close()
