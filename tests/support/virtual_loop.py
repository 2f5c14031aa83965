"""An event loop with virtual time: it advances only when no callback is ready, so sleeps and timers take no real time."""

import asyncio
import selectors


class _JumpingSelector(selectors.DefaultSelector):
    """A selector that advances the loop's time instead of waiting."""

    loop = None

    def select(self, timeout=None):
        ready = super().select(0)
        if not ready and timeout:
            self.loop.now += timeout
        return ready


class VirtualLoop(asyncio.SelectorEventLoop):
    """Event loop with virtual time, for code without threads and sockets."""

    def __init__(self):
        self.now = 1000.0
        selector = _JumpingSelector()
        selector.loop = self
        super().__init__(selector)

    def time(self):
        return self.now


class LoopClock:
    """A `daq.adapters.clock.Clock` with the time of the running loop."""

    boot_id = "virtual"

    def mono_ns(self):
        return round(asyncio.get_running_loop().time() * 1e9)

    utc_ns = mono_ns

    def call_at(self, mono_ns, callback):
        return asyncio.get_running_loop().call_at(mono_ns * 1e-9, callback)

    def synchronised(self):
        return None

    async def sleep(self, seconds):
        await asyncio.sleep(seconds)


def run(coroutine):
    """Run `coroutine` in virtual time."""
    loop = VirtualLoop()
    try:
        return loop.run_until_complete(coroutine)
    finally:
        loop.close()
