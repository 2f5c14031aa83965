"""The signatures of results on a report."""

from collections.abc import Sequence

from daq.adapters.store.reading import Reader


def signature_lines(_reader: Reader, _results: Sequence[str]) -> tuple[str, ...]:
    """Return one line for each signature of results, oldest first: meaning, person and time.

    The database has no signatures of results, so there are none; they are signed by hand.
    """
    return ()
