"""Make captures of a simulated instrument as a person does: requests in rounds, values and states that change."""

from daq.descriptions.capture import Capture, Piece
from tests.campaigns.dialects.dialect import Dialect
from tests.campaigns.dialects.speaker import Speaker

MILLISECOND = 1_000_000


def captured(dialect: Dialect, speaker: Speaker, rounds: int) -> Capture:
    """Return the capture of `rounds` rounds of requests."""
    capture = Capture(about={"settings": "9600 baud, 8N1"})
    t = 0
    end = dialect.sends_end.encode()

    def take(data: bytes) -> None:
        if data:
            capture.pieces.append(Piece(t, "<", data))

    for number in range(rounds):
        speaker.move()
        sends = [] if dialect.streams else [dialect.request]
        if number % 4 == 0 or not dialect.streams:
            sends += [text for text in (dialect.identity_request, dialect.scale_request) if text]
        for text in sends:
            capture.pieces.append(Piece(t, ">", text.encode() + end))
            t += 5 * MILLISECOND
            take(speaker.receive(text.encode() + end))
            t += 100 * MILLISECOND
        wait = dialect.interval_s if dialect.streams else 0.3
        t += round(wait * 1e9)
        take(speaker.advance(wait))
    return capture
