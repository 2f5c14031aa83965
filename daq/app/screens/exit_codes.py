"""Exit codes of a run and of a reported sample, for scripts."""

VALID, OUTSIDE, NOT_VALID, STOPPED, FAILED, UNDECIDED = 0, 10, 11, 12, 13, 14


def code_of_verdict(verdict: str) -> int:
    """Return the exit code of a verdict on a valid value."""
    return {"outside": OUTSIDE, "not_comparable": OUTSIDE, "undecided": UNDECIDED}.get(verdict, VALID)
