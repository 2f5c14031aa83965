"""The onset of Taylor vortices from the linear stability equations, as a reference for the table of the package."""

import numpy as np
from scipy.optimize import minimize_scalar


def critical_reynolds(inverse_ratio, points=40):
    """Return the Reynolds number ρ ω Ri d/η at which axisymmetric vortices start; `inverse_ratio` is Ri/Re.

    The outer cylinder is at rest, the cylinders are endless.  With L = D D* - k^2 the marginal disturbances satisfy
    L v = 2 A u and L^2 u = T 2 k^2 (Ω(r)/Ω1) v, u = u' = v = 0 at both walls (Chandrasekhar 1961, chapter VII).  Lengths
    are in gaps.  The equations are solved on Chebyshev points, and the smallest T over the wave number k is taken.
    """
    d, x = _differentiation(points)
    inner = inverse_ratio / (1.0 - inverse_ratio)
    r = inner + (x + 1.0) / 2.0
    slope = 2.0 * d
    a = -(inverse_ratio**2) / (1.0 - inverse_ratio**2)
    rotation = a + inner**2 / (1.0 - inverse_ratio**2) / r**2
    unit = np.eye(points + 1)

    def smallest(k):
        once = slope @ (slope + np.diag(1.0 / r)) - k * k * unit
        left = once @ once
        right = np.zeros_like(left)
        right[1:-1, 1:-1] = np.linalg.solve(once[1:-1, 1:-1], 2.0 * a * np.eye(points - 1))
        right = 2.0 * k * k * np.diag(rotation) @ right
        for row, condition in ((0, unit[0]), (1, slope[0]), (points - 1, slope[-1]), (points, unit[-1])):
            left[row], right[row] = condition, 0.0
        found = np.linalg.eigvals(np.linalg.solve(left, right))
        return 1.0 / found.real[np.abs(found.imag) < 1e-6 * np.abs(found).max()].max()

    least = minimize_scalar(smallest, bounds=(2.0, 6.0), method="bounded", options={"xatol": 1e-8}).fun
    return float(np.sqrt(least) * inner)


def _differentiation(n):
    """Return the differentiation matrix on the Chebyshev points of -1..1, and the points."""
    x = np.cos(np.pi * np.arange(n + 1) / n)
    c = np.where(np.arange(n + 1) % n == 0, 2.0, 1.0) * (-1.0) ** np.arange(n + 1)
    distances = x[:, None] - x[None, :] + np.eye(n + 1)
    d = np.outer(c, 1.0 / c) / distances
    return d - np.diag(d.sum(axis=1)), x
