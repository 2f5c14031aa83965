"""The exact distribution of a sum of rectangular quantities, as a reference for Monte Carlo propagation."""

import itertools
import math
from fractions import Fraction


def half_width(half_widths, coverage=0.95):
    """Return the half-width of the symmetric interval that holds the sum with probability `coverage`.

    From the sum's distribution function (the polynomial of Irwin and Hall for unequal widths); up to 10 half-widths.
    Its terms are large against their sum where the widths differ, so they are added as fractions, without rounding.
    """
    widths = [Fraction(w) for w in half_widths if w]
    n = len(widths)
    if not n:
        return 0.0
    corners = [
        (math.prod(signs), sum(s * a for s, a in zip(signs, widths, strict=True)))
        for signs in itertools.product((1, -1), repeat=n)
    ]
    volume = math.factorial(n) * 2**n * math.prod(widths)

    def below(x):
        return sum(sign * max(x + corner, 0) ** n for sign, corner in corners) / volume

    target = (1 + Fraction(coverage)) / 2
    low, high = 0.0, float(sum(widths))
    # Bisection to the last bit of a double: the function rises, and each of its values is exact.
    while low < (middle := (low + high) / 2) < high:
        low, high = (middle, high) if below(Fraction(middle)) < target else (low, middle)
    return middle
