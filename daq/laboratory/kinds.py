"""Names that lists of runs need without the models behind them, whose import takes longer than the list itself."""

from typing import Final, Literal

SAMPLE: Final = "sample"
SIGNATURE: Final = "signature"
DOUBT_DECISION: Final = "doubt_decision"
REPORTABLE: Final = "reportable"
TRANSCRIBED: Final = "transcribed"
CHECKLIST: Final = "checklist"
DECLARATION: Final = "declaration"
NOTE: Final = "note"
EQUIPMENT: Final = "equipment"
"""Kinds of records, as the store names them."""

ReleaseState = Literal["released", "release_blocked", "release_withdrawn", "rejected"]
"""``release_blocked``: released, and put in doubt after that by a verification or a control."""

WITHDRAWN_LATER: Final = frozenset({"verification_withdrawn_later", "control_withdrawn_later"})
"""The doubts by a pass that was taken back; the others are those by a failure."""
FOUND_INSIDE: Final = "inside"
FOUND_OUTSIDE: Final = "outside"
"""The state in which a calibration found a piece, before any adjustment: within its tolerance, or outside of it."""
NEWEST: Final = "last"
"""Name of the newest run in commands; no sample has it as its id."""
LAST: Final = "\U0010ffff"
"""Sorts behind every text of a key."""
SHOWN_NUMBER: Final = 12
"""Number of hexadecimal digits of a report's number on its page."""
OF_SAMPLE: Final = "sample"
READ: Final = "read"
OPEN: Final = "open"
"""Keys of a transcribed value: the sample; the time of the reading; the sample, while no second person has confirmed
the value."""


def decision_id(verification: str, run: str, doubt: str) -> str:
    """Return the id of the decision about a run by what puts it in doubt (`daq.methods.messages.doubting.Doubt`).

    A decision about a pass that was taken back is none about a failure.  An earlier version of the program kept one
    decision for both; it counts for a failure.
    """
    ident = f"{verification}/{run}"
    return f"{ident}/withdrawn" if doubt in WITHDRAWN_LATER else ident


def cause_id(run: str, sample: str) -> str:
    """Return the id of the cause of a run as a run of a sample, where its first sample has one of its own."""
    return f"{run}/{sample}"


def reportable_id(sample: str, test: str) -> str:
    """Return the id of the reportable result of a test (id of its method) of a sample."""
    return f"{sample}/{test}"


def number_of(digest: str) -> str:
    """Return the number of a report from its digest, as its page shows it: ``3F2A-91BC-07DE``."""
    short = digest[:SHOWN_NUMBER].upper()
    return "-".join(short[i : i + 4] for i in range(0, SHOWN_NUMBER, 4))


def read_key(utc_ns: int) -> str:
    """Return a time as text that sorts as the time does."""
    return f"{utc_ns:020d}"


def worklist_key(bench: str) -> str:
    """Return the name of the key of the open samples of a bench; "" is the list from which any bench takes."""
    return f"open {bench}"
