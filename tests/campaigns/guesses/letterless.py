"""Captures of whole numbers whose base only a person knows: ``python -m tests.campaigns.guesses.letterless [--captures 1000]``.

Each seed draws lines with one status, count, counter or value in decimal or hexadecimal digits; half of the captures in
hexadecimal have no letter A to F. The description is right, a question, refused, or wrong: a number of a second capture
has another value, and no open point names the base.
"""

import argparse
import random
import sys
import tomllib
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from daq.core.driver import Values
from daq.core.errors import SettingError
from daq.descriptions.capture import Capture, Piece
from daq.descriptions.guessing.guess import Guess, guess_description
from daq.descriptions.load import check_description

SHAPES = ("{}", "H {}", "H={} g", "{};12.5", "A  {} 00.5 g", "{} 12.5", "{}X", "T {},{}", "W {} mm OK")
BESIDE = (12.5, 0.5)
"""The other numbers of the lines."""
HALF_SECOND = 500_000_000
LETTERLESS = 20
"""Greatest number of counts that are drawn without a letter."""


@dataclass(frozen=True, slots=True)
class Drawn:
    """The lines of a seed: the base of the number, its lines for the description, later lines, and the display's texts."""

    base: int
    what: str
    lines: list[str]
    later: list[tuple[str, int]]
    notes: dict[int, str]


def drawn(seed: int) -> Drawn:
    """Return the lines of a seed."""
    r = random.Random(f"letterless {seed}")
    base = r.choice((10, 16, 16))
    what = r.choice(("status", "count", "counter", "value", "steps"))
    without_letters = base == 16 and r.random() < 0.5
    digits = r.choice((2, 3, 4))
    width = r.choice((0, digits, digits))
    form = "X" if r.random() < 0.8 else "x"
    blank = r.choice("0 ")
    shape = r.choice(SHAPES)
    number = _numbers(what, base, digits, r)

    def text(value: int) -> str:
        own = f"{value:{form if base == 16 else 'd'}}"
        return own.rjust(width, blank) if width else own

    values: list[int] = []
    tries = 0
    count = r.choice((4, 8, 20, 60, 120))
    # A hundred counts without a letter do not happen; a status without one does.
    without_letters = without_letters and (count <= LETTERLESS or what in ("status", "steps"))
    while len(values) < count and tries < 5000:
        tries += 1
        value = number(len(values))
        if not (without_letters and any(c.isalpha() for c in text(value))):
            values.append(value)
    lines = [shape.format(text(v), f"{i % 90 + 10}.5") for i, v in enumerate(values)]
    number = _numbers(what, base, digits, r)
    later = [(shape.format(text(v), "12.5"), v) for v in (number(i) for i in range(60))]
    noted = r.choice((0, 0, 0, 1, 3))
    notes = {i: f"{values[i]}" for i in r.sample(range(len(values)), min(noted, len(values)))}
    return Drawn(base, what, lines, later, notes)


def _numbers(what: str, base: int, digits: int, r: random.Random) -> Callable[[int], int]:
    top = base**digits
    bits = [1 << r.randrange(4 * digits) for _ in range(r.choice((1, 2, 4)))]
    start, step = r.randrange(top), r.choice((10, 16, 100))
    return {
        "status": lambda _: sum({b for b in bits if r.random() < 0.5}) % top,
        "count": lambda _: r.randrange(top // r.choice((1, 1, 10))),
        "counter": lambda i: (start + i) % top,
        "value": lambda _: round(r.gauss(top / 2, top / 8)) % top,
        "steps": lambda _: step * r.randrange(max(1, top // step)),
    }[what]


def judged(seed: int, answer: str = "") -> tuple[str, Drawn, Guess | None, str]:
    """Return the outcome for a seed, its lines, the description, and the line with a wrong value.

    `answer`: answer to the question for the base.
    """
    one = drawn(seed)
    pieces: list[Piece] = []
    for i, line in enumerate(one.lines):
        pieces.append(Piece(i * HALF_SECOND, "<", line.encode() + b"\r\n"))
        if i in one.notes:
            pieces.append(Piece(i * HALF_SECOND + 1, "=", one.notes[i].encode()))
    given: dict[str, str] = {}
    guess = None
    try:
        guess = guess_description("made", Capture(pieces), "made.capture", given)
        asked = [q for q in guess.questions if q.key.startswith(("digits ", "hex "))]
        if answer and asked:
            given = {q.key: answer if q.key.startswith("digits ") else "number 1" for q in asked}
            guess = guess_description("made", Capture(pieces), "made.capture", given)
        driver = check_description(tomllib.loads(guess.text), "made.toml").driver()
    except SettingError as error:
        # A file whose only number is in question has no channel until the answer.
        return "question" if guess is not None and _asks(guess) else "refused", one, guess, str(error)
    is_open = _asks(guess)
    own = [*zip(one.lines, [None] * len(one.lines), strict=True), *one.later]
    for line, value in own:
        if value is None:
            continue
        meaning = driver.decode(line.encode())
        row: Sequence[float | None] = (
            meaning.values if isinstance(meaning, Values) else meaning if isinstance(meaning, tuple) else ()
        )
        if not {*row} <= {value, *BESIDE} and not is_open:
            return "wrong", one, guess, line
    return "question" if is_open else "right", one, guess, ""


def _asks(guess: Guess) -> bool:
    """Return True where a question or an open point names the base."""
    return any("hexadecimal" in p for p in guess.open_points) or any(q.key.startswith("hex ") for q in guess.questions)


def main(given: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.campaigns.guesses.letterless", description=__doc__)
    parser.add_argument("--captures", type=int, default=1000, help="number of captures (1000)")
    parser.add_argument("--seed", type=int, default=1, help="seed of the first capture")
    args = parser.parse_args(given)
    counts: Counter[str] = Counter()
    for seed in range(args.seed, args.seed + args.captures):
        outcome, one, guess, line = judged(seed)
        counts[f"{'hexadecimal' if one.base == 16 else 'decimal'}: {outcome}"] += 1
        if outcome == "wrong":
            print(f"seed {seed}: {one.what}, base {one.base}: {line!r}\n{one.lines[:8]}\n{guess.text if guess else ''}")
    for what, count in sorted(counts.items()):
        print(f"{count:6} {what}")
    return 1 if any(what.endswith("wrong") for what in counts) else 0


if __name__ == "__main__":
    sys.exit(main())
