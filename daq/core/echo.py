"""Takes the echo of a request out of what comes back: instruments that repeat what they hear, and shared lines."""


class Echo:
    """Looks for the bytes of the request that was sent last; however the bytes are cut, what is left is the same.

    What comes before the echo is older than the request.  It is thrown away, or given on where the instrument also
    speaks unasked.  Where the echo does not come as it was sent, nothing after it is believed.
    """

    __slots__ = ("_awaited", "_held", "_speaks_unasked", "received_any")

    def __init__(self, *, speaks_unasked: bool = False) -> None:
        self._speaks_unasked = speaks_unasked
        self._awaited = b""
        self._held = b""
        self.received_any = False
        """Whether bytes came since the request."""

    def expect(self, request: bytes) -> None:
        """`request` is on its way."""
        self._awaited, self._held, self.received_any = request, b"", False

    def forget(self) -> None:
        """No echo is awaited any more."""
        self._awaited = self._held = b""

    @property
    def missing(self) -> bool:
        """Whether an echo is still awaited."""
        return bool(self._awaited)

    def strip(self, data: bytes) -> bytes:
        """What of `data` is not an echo."""
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
