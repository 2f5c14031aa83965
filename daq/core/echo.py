"""Remove the echo of a request from the received bytes: for instruments that repeat requests, and shared lines."""


class Echo:
    """Search the received bytes for the request that was sent last.  The result does not depend on how bytes are cut.

    Bytes before the echo are older than the request.  They are discarded, or returned where the instrument also sends
    unasked.  Where no correct echo arrives, the bytes that follow are discarded: they cannot be distinguished from one.
    """

    __slots__ = ("_awaited", "_held", "_speaks_unasked", "received_any")

    def __init__(self, *, speaks_unasked: bool = False) -> None:
        self._speaks_unasked = speaks_unasked
        self._awaited = b""
        self._held = b""
        self.received_any = False
        """True if bytes came since the request."""

    def expect(self, request: bytes) -> None:
        """Wait for the echo of `request`, which is being sent."""
        self._awaited, self._held, self.received_any = request, b"", False

    def forget(self) -> None:
        """Stop waiting for an echo."""
        self._awaited = self._held = b""

    @property
    def missing(self) -> bool:
        """True if an echo is still awaited."""
        return bool(self._awaited)

    def strip(self, data: bytes) -> bytes:
        """Return the bytes of `data` that do not belong to the echo."""
        if not self._awaited:
            return data
        self.received_any |= bool(data)
        data = self._held + data
        before, found, after = data.partition(self._awaited)
        if found:
            self.forget()
            return before + after if self._speaks_unasked else after
        keep = min(len(self._awaited) - 1, len(data))
        while keep and not self._awaited.startswith(data[len(data) - keep :]):
            keep -= 1
        self._held = data[len(data) - keep :]
        return data[: len(data) - keep] if self._speaks_unasked else b""
