"""Bad values in the place of a good one, from a fixed list and from a seeded generator."""

import math
import random
from decimal import Decimal
from enum import Enum

import numpy as np

NOT_FINITE = (math.nan, math.inf, -math.inf, 10**400)
NO_NUMBER = (None, "1", [1.0], 1 + 2j, Decimal("NaN"), True, np.array([]), np.array([1.0, math.nan]), {}, b"1")
EXTREME = (0.0, -0.0, -1.0, 1e308, -1e308, 5e-324, -5e-324, 1e-200, 1e200, 1e59, -1e59, 1e-59, 0, 1, -1, 2**63, 1.5)


def numbers(seed, good, count):
    """Return numbers of all magnitudes and signs, some close to the good one."""
    rng = random.Random(seed)
    found = [rng.choice((-1, 1)) * 10 ** rng.uniform(-320, 308) for _ in range(count)]
    return found + [good * rng.choice((-1.0, 1e-3, 1e3, 1e6, 1.0 + 1e-15)) for _ in range(count)]


def of_number(seed, good, count):
    return [*NOT_FINITE, *NO_NUMBER, *EXTREME, *numbers(seed, float(good), count), np.float32(1.0), np.int64(-3)]


def of_series(seed, good, count):
    """Return series with one bad element, of another length, order or shape; and things that are no series."""
    rng = random.Random(seed)
    kept = list(good)
    out = [[], kept[:1], kept[:2], kept[::-1], [kept[0]] * len(kept), [*kept, kept[-1]], [0.0] * len(kept)]
    out += [[-v for v in kept], [v * 1e-300 for v in kept], [v * 1e300 for v in kept], [5e-324 * i for i in range(8)]]
    out += [None, 1.0, math.nan, "12345678", {1.0: 2.0}, [kept], [[v, v] for v in kept], np.array(1.0)]
    for bad in (*NOT_FINITE, *NO_NUMBER, *EXTREME, *numbers(seed, kept[0], count)):
        changed = list(kept)
        changed[rng.randrange(len(changed))] = bad
        out.append(changed)
    if isinstance(good, np.ndarray):
        arrays = []
        for changed in out:
            try:
                arrays.append(np.asarray(changed, dtype=float) if isinstance(changed, list) else changed)
            except (TypeError, ValueError, OverflowError):
                continue
        out = arrays
    return out


def of_rows(seed, good, count):
    """Return tables of pairs, or lists of lists, with one bad number; and things that are no table."""
    rng = random.Random(seed)
    out = [[], [*good, good[0]], good[:1], [good[0]] * 3, None, 1.0, "x", [1.0, 2.0], [()], [[]], [None]]
    for bad in (*NOT_FINITE, *NO_NUMBER, *EXTREME, *numbers(seed, good[0][0], count)):
        changed = [list(row) for row in good]
        row = rng.choice(changed)
        row[rng.randrange(len(row))] = bad
        out.append([type(good[0])(row) for row in changed])
    return out


def of_text(_seed, _good, _count):
    return [None, "", "nonsense", 1.0, math.nan, [], "\x00"]


def of_thing(_seed, _good, _count):
    return [None, 1.0, math.nan, "x", [], {}]


def of_things(_seed, good, _count):
    first = next(iter(good))
    return [[], None, 1.0, math.nan, "x", [None], [1.0], ["x"], [*good, first], [math.nan, first]]


def of_function(_seed, good, _count):
    return [
        None,
        1.0,
        lambda *a: good(*a) * math.nan,
        lambda *a: -good(*a),
        lambda *a: good(*a) * 0.0,
        lambda *a: good(*a)[:-1],
        lambda *a: 1e300 * good(*a),
        lambda *a: math.inf + 0.0 * good(*a),
        lambda *a: None,
        lambda *a: "x",
    ]


def in_place_of(good):
    """Return the generator of bad values for a good one."""
    if isinstance(good, (bool, np.random.Generator)) or good is None:
        return None
    if isinstance(good, (Enum, str)):
        return of_text
    if isinstance(good, (int, float, Decimal)):
        return of_number
    if isinstance(good, np.ndarray) and good.ndim == 1:
        return of_series
    if isinstance(good, np.ndarray):
        return of_rows_of_array
    if isinstance(good, (list, tuple)) and all(isinstance(v, (int, float)) for v in good):
        return of_series
    if isinstance(good, list) and all(isinstance(v, (list, tuple)) for v in good):
        return of_rows
    if isinstance(good, (list, frozenset, dict)):
        return of_things
    return of_function if callable(good) else of_thing


def of_rows_of_array(seed, good, count):
    out = [None, 1.0, good[:, :0], good[:1], good[:, 0], np.zeros_like(good), np.ones_like(good), good * 1e200]
    rng = random.Random(seed)
    for bad in (*NOT_FINITE[:3], *EXTREME, *numbers(seed, 1.0, count)):
        changed = good.copy()
        changed[rng.randrange(good.shape[0]), rng.randrange(good.shape[1])] = bad
        out.append(changed)
    return out
