"""Recognise that most answers of an instrument are one error, and name the line end to set."""

import re
from collections import Counter
from collections.abc import Sequence
from typing import Final

from daq.descriptions.capture import escaped
from daq.descriptions.guessing.finding.transcript import Lines

LEAST: Final = 4
"""Least number of answers."""
REFUSAL: Final = re.compile(rb"ERR|UNKNOWN|INVALID|ILLEGAL|SYNTAX|NAK|\?|\x15", re.IGNORECASE)
"""Words in answers to an unknown request."""


def is_refusal(answer: bytes, request: bytes) -> bool:
    """Return True where an answer is a refusal; the part that repeats the request is ignored."""
    repeated = next((i for i, (a, b) in enumerate(zip(answer, request, strict=False)) if a != b), len(request))
    return REFUSAL.search(answer[repeated:]) is not None


def wrong_end(lines: Lines, refused: Sequence[tuple[bytes, bytes]], answered: Sequence[tuple[bytes, bytes]]) -> str:
    """Return the sentence on a wrong end of the requests; "" where most answers are no error.

    One request was refused and answered, too: so the request is right, and its end is not.

    Args:
        lines: the lines of the capture.
        refused: answers that are a refusal, each with its request.
        answered: all answers, each with its request.
    """
    if not refused or len(answered) < LEAST:
        return ""
    usual, count = Counter(text for text, _ in refused).most_common(1)[0]
    good = {request for text, request in answered if (text, request) not in refused}
    if count * 4 < 3 * len(answered) or not good & {request for _, request in refused}:
        return ""
    return (
        f"{count} of {len(answered)} answers are the same error ({escaped(usual)}) to a request that it answers, too: "
        f"{end_to_set(lines, answers_some=True)}"
    )


def end_to_set(lines: Lines, *, answers_some: bool) -> str:
    """Return the part of a sentence that names the line end to set; "" where the capture has no sign of a wrong one."""
    sent = lines.sends_end or b""
    own = next((end for end in lines.ends if end != sent), None)
    # The second byte of an end is before the next request where the instrument takes the first one for the end.
    wanted = sent[:1] if answers_some and len(sent) > 1 else own
    if answers_some and wanted is None:
        wanted = next(end for end in (b"\r\n", b"\r", b"\n") if end != sent)
    if wanted is None:
        return ""
    return (
        f"the requests end with {escaped(sent) or 'nothing'}, and the instrument wants another line end; capture again "
        f"with --end '{escaped(wanted)}'"
    )
