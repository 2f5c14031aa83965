"""The exact distribution of a sum of rectangular quantities, as a reference for Monte Carlo propagation."""

import itertools
import math

from scipy.optimize import brentq


def half_width(half_widths, coverage=0.95):
    """Return the half-width of the symmetric interval that holds the sum with probability `coverage`.

    From the sum's distribution function (the polynomial of Irwin and Hall for unequal widths); up to 10 half-widths.
    """
    n = len(half_widths)
    corners = [
        (math.prod(signs), math.fsum(s * a for s, a in zip(signs, half_widths, strict=True)))
        for signs in itertools.product((1.0, -1.0), repeat=n)
    ]
    volume = math.factorial(n) * 2.0**n * math.prod(half_widths)

    def below(x):
        return math.fsum(sign * max(x + corner, 0.0) ** n for sign, corner in corners) / volume

    return float(brentq(lambda x: below(x) - (1.0 + coverage) / 2.0, 0.0, math.fsum(half_widths), xtol=1e-14))
