"""An exchange with the bytes that it sent, in virtual time."""

from daq.core.exchange import Exchange
from tests.support.runs.scripts import Polled

MS = 1_000_000


class Link:
    """An exchange with the bytes that it sent; times in ms."""

    def __init__(self, driver=None, interval_ms=0):
        self.sent, self.failed = [], []
        self.exchange = Exchange(
            "lead", driver or Polled({}), lambda _l, data: self.sent.append(data.strip()), self._fail, interval_ms * MS
        )
        self.exchange.link_up(0)
        self.now = 0

    def _fail(self, _link, request, reason):
        self.failed.append((request.expects, reason))

    def ask(self, ms, action, **more):
        self.exchange.ask(ms * MS, self.exchange.driver.action(action), **more)

    def receive(self, ms, *lines):
        return list(self.exchange.receive(ms * MS, b"".join(line + b"\n" for line in lines)))

    def until(self, ms):
        """Tick at every time at which an action is due."""
        while self.exchange.wake_at <= ms * MS:
            self.exchange.tick(self.exchange.wake_at)

    def counted(self, **expected):
        found = self.exchange.report()
        assert {k: found[k] for k in expected} == expected
