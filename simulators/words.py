"""Parse the words of a command to a running simulator: numbers, seconds, counts and switches."""

import math
from collections.abc import Callable, Sequence

Command = Callable[[list[str]], None]
"""Carries out a command with the words after its name."""
COLDEST_CELSIUS, HOTTEST_CELSIUS = -20.0, 150.0


class CommandError(ValueError):
    """A command that cannot be carried out, with the remedy."""


def none(words: Sequence[str]) -> None:
    """Check that there are no further words.

    Raises:
        CommandError: there are some.  All functions here raise it where the words do not fit.
    """
    if words:
        raise CommandError(f"unexpected {' '.join(words)!r}")


def number(words: Sequence[str]) -> float:
    """Parse one finite number."""
    try:
        (word,) = words
        value = float(word)
    except ValueError:
        raise CommandError(f"expected one number, got {' '.join(words)!r}") from None
    if not math.isfinite(value):
        raise CommandError(f"expected a finite number, got {word!r}")
    return value


def within(words: Sequence[str], low: float, high: float, unit: str) -> float:
    """Parse one number within a range, both ends included."""
    value = number(words)
    if not low <= value <= high:
        raise CommandError(f"must be {low:g} to {high:g} {unit}, got {value:g}")
    return value


def positive(words: Sequence[str]) -> float:
    """Parse one number of seconds, 0 or more."""
    value = number(words)
    if value < 0.0:
        raise CommandError(f"expected 0 or more seconds, got {value:g}")
    return value


def count(words: Sequence[str]) -> int:
    """Parse one whole number."""
    value = number(words)
    if value != int(value) or not 0 <= value <= 100_000:
        raise CommandError(f"expected a whole number from 0 to 100000, got {value:g}")
    return int(value)


def one_of(words: Sequence[str], *choices: str) -> str:
    """Return the only word, one of `choices`."""
    if len(words) != 1 or words[0] not in choices:
        raise CommandError(f"expected one of: {', '.join(choices)}; got {' '.join(words)!r}")
    return words[0]


def celsius(value: float) -> float:
    """Return a temperature (Cel) within the range of the fluids' formulae.

    Raises:
        CommandError: colder than COLDEST_CELSIUS or hotter than HOTTEST_CELSIUS.
    """
    if not COLDEST_CELSIUS <= value <= HOTTEST_CELSIUS:
        raise CommandError(f"temperature must be {COLDEST_CELSIUS:g} to {HOTTEST_CELSIUS:g} Cel, got {value:g}")
    return value
