"""The part of IEEE 488.2 and SCPI-1999 that the simulated instruments use: messages and the error queue."""

from collections import deque
from collections.abc import Callable, Mapping

QUEUE_LENGTH = 20
UNKNOWN = (-113, "Undefined header")
OVERFLOW = (-350, "Queue overflow")
INTERRUPTED = (-410, "Query INTERRUPTED")
NO_ERROR = '0,"No error"'

Handler = Callable[[], str | None]


class Errors:
    """The error queue: first in, first out; when it is full its newest entry becomes the overflow (SCPI-1999 21.8)."""

    def __init__(self) -> None:
        self._entries: deque[tuple[int, str]] = deque()

    def push(self, error: tuple[int, str]) -> None:
        """Add an error at the end."""
        if len(self._entries) < QUEUE_LENGTH:
            self._entries.append(error)
        else:
            self._entries[-1] = OVERFLOW

    def pop(self) -> str:
        """Remove the oldest entry and return it as text."""
        if not self._entries:
            return NO_ERROR
        code, text = self._entries.popleft()
        return f'{code},"{text}"'

    def clear(self) -> None:
        """Remove all entries."""
        self._entries.clear()

    def __len__(self) -> int:
        return len(self._entries)


def answer(message: str, handlers: Mapping[str, Handler], errors: Errors) -> str | None:
    """Carry out the parts of a message and return their answers joined by `;`; None where there is no answer.

    `handlers` are named by their short forms in upper case; a header may be in short or long form, in any case and
    with a leading colon.  An unknown part puts an error into the queue and has no answer.
    """
    answers = []
    for part in message.split(";"):
        header = part.strip().removeprefix(":").upper()
        if not header:
            continue
        handler = handlers.get(_short(header))
        if handler is None:
            errors.push(UNKNOWN)
            continue
        text = handler()
        if text is not None:
            answers.append(text)
    return ";".join(answers) if answers else None


_LONG = {
    "SYSTEM": "SYST",
    "ERROR": "ERR",
    "ERROR?": "ERR?",
    "FUNCTION?": "FUNC?",
    "MEASURE": "MEAS",
    "TEMPERATURE?": "TEMP?",
}


def _short(header: str) -> str:
    words, _, rest = header.partition(" ")
    short = ":".join(_LONG.get(word, word) for word in words.split(":"))
    # [:NEXT] is optional.
    short = short.replace("ERR:NEXT?", "ERR?")
    return f"{short} {rest.strip()}" if rest else short
