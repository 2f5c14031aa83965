"""Weighted nonlinear least squares with standard errors; every curve fit of this package uses it.

Starting values must be right within a small factor; tests with the certified problems of NIST's Statistical
Reference Datasets show the range.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

from daq.core.arguments import (
    LARGEST,
    SMALLEST,
    ends,
    require_between,
    require_count,
    require_finite,
    require_instance,
    require_listed,
    require_numbers,
    require_positives,
    require_same_length,
)
from daq.core.errors import ArgumentError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

Status = Literal["converged", "out_of_evaluations", "stalled"]
DIFF_STEP: Final = 2.0 ** (-52.0 / 3.0)
"""Relative step of central differences: the cube root of the spacing of doubles at 1 (numerical analysis)."""
OFFSET: Final = 1e-3
"""Greatest relative offset of a fit that has converged (Bates and Watts, Technometrics 23 (1981) 179; from memory)."""
ROUNDING: Final = 1e-9
"""Residuals below this part of the data are rounding, and show no direction in which a better fit lies."""


@dataclass(frozen=True, slots=True)
class Solution:
    """Parameters that minimise sum(((f(x) - y)/sigma)^2)."""

    parameters: "Array"
    covariance: "Array | None"
    """s^2 (J'J)^-1 with s^2 the residual variance; None where J is singular (the parameters are not separable)."""
    sum_of_squares: float
    dof: int
    """Points less parameters."""
    status: Status = "converged"
    """Why the search ended: at a minimum; after the greatest number of evaluations; or at no minimum ("stalled")."""

    @property
    def standard_errors(self) -> "Array | None":
        """Square roots of the covariance's diagonal."""
        import numpy as np

        return None if self.covariance is None else np.sqrt(np.diag(self.covariance))

    @property
    def residual_sd(self) -> float:
        """sqrt(sum of squares over degrees of freedom)."""
        return math.sqrt(self.sum_of_squares / self.dof)


def fit_curve(  # noqa: PLR0913 - the options of a fit, each by its name
    function: "Callable[[Array, Array], Array]",
    x: "Sequence[float] | Array",
    y: "Sequence[float] | Array",
    start: "Sequence[float] | Array",
    *,
    sigma: "Sequence[float] | Array | None" = None,
    jacobian: "Callable[[Array, Array], Array] | None" = None,
    lower: "Sequence[float] | Array | None" = None,
    upper: "Sequence[float] | Array | None" = None,
    diff_step: float = DIFF_STEP,
    max_evaluations: int = 1000,
) -> Solution:
    """Fit `function(parameters, x)` to `y` (trust-region reflective, scipy).

    Args:
        function: (parameters, x) -> values, of the length of x.
        x: points at which `function` is evaluated.
        y: measured values, one for each x; more values than parameters.
        start: starting values; their size also scales the steps.
        sigma: standard deviations of y up to a common factor; None gives equal weights.
        jacobian: (parameters, x) -> one column of derivatives per parameter; None uses central differences.
        lower: lower bounds of the parameters; None for no bounds.
        upper: upper bounds of the parameters; None for no bounds.
        diff_step: step of the differences over the size of each parameter; over that of its start where the parameter
            is 0, and over 1 where both are.  Needed only without `jacobian`.
        max_evaluations: greatest number of evaluations; then the best point so far is returned, and its `status` tells.

    Raises:
        ArgumentError: as many parameters as points or more, values not finite, sigma not above 0, a start outside the
            bounds, or a step not between 0 and 1.
    """
    import numpy as np
    from scipy.optimize import least_squares

    require_between("diff_step", diff_step, 0.0, 1.0)
    require_count("max_evaluations", max_evaluations, 1, 10**6, "evaluations")
    xs, ys, p0, weights = _checked(x, y, start, sigma)
    low, high = _bounds("lower", lower, -math.inf, p0.size), _bounds("upper", upper, math.inf, p0.size)
    if np.any(low >= high):
        raise ArgumentError("must be above lower", key="upper")
    if np.any(p0 < low) or np.any(p0 > high):
        raise ArgumentError("starting values must be within the bounds", key="start")
    _check_call("function", function, p0, xs, ys.shape)
    if jacobian is not None:
        _check_call("jacobian", jacobian, p0, xs, (ys.size, p0.size))

    def residuals(p: "Array") -> "Array":
        out: Array = (function(p, xs) - ys) * weights
        return out

    typical = np.where(np.abs(p0) < SMALLEST, 1.0, np.abs(p0))

    def slopes(p: "Array") -> "Array":
        if jacobian is None:
            return _differences(residuals, p, diff_step * np.where(np.abs(p) < SMALLEST, typical, np.abs(p)), low, high)
        return jacobian(p, xs) * weights[:, None]

    try:
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            found = least_squares(
                residuals,
                p0,
                jac=slopes,
                bounds=(low, high),
                x_scale=typical,
                xtol=1e-15,
                ftol=1e-15,
                gtol=1e-15,
                max_nfev=max_evaluations,
            )
            p: Array = np.asarray(found.x, dtype=float)
            rest, at = residuals(p), np.asarray(found.jac, dtype=float)
            ss = math.fsum(float(r) ** 2 for r in rest)
            dof = ys.size - p0.size
            free = at[:, np.asarray(found.active_mask) == 0]
            status: Status = "converged"
            size = float(np.linalg.norm(ys * weights))
            if found.status == 0:
                status = "out_of_evaluations"
            elif math.sqrt(ss) > ROUNDING * size and _relative_offset(free, rest) > OFFSET:
                status = "stalled"
            solution = Solution(p, _covariance(at, ss / dof), ss, dof, status)
    except (ValueError, ArithmeticError) as error:
        raise ArgumentError(f"gives numbers that are not finite on the way to a fit: {error}", key="function") from None
    if not (math.isfinite(ss) and np.all(np.isfinite(p))):
        raise ArgumentError("gives numbers that are not finite on the way to a fit", key="function")
    return solution


def linear_fit(columns: "Array", y: "Array", sigma: "Array | None" = None) -> Solution:
    """Solve the linear least-squares problem `columns @ parameters` = `y`; weights and result as in `fit_curve`."""
    import numpy as np

    _numbers("columns", columns)
    if columns.ndim != 2 or columns.shape[1] < 1:
        raise ArgumentError("must have one column for each parameter", key="columns")
    require_numbers("y", y, 1)
    require_same_length("columns", columns, "y", y)
    if sigma is not None:
        require_positives("sigma", sigma)
        require_same_length("y", y, "sigma", sigma)
    y = np.asarray(y, dtype=float)
    weights = np.ones_like(y) if sigma is None else 1.0 / np.asarray(sigma, dtype=float)
    if y.size <= columns.shape[1]:
        raise ArgumentError(f"{y.size} points cannot give {columns.shape[1]} parameters and their errors", key="y")
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        solution = _solve(columns, y, weights)
    if not (math.isfinite(solution.sum_of_squares) and np.all(np.isfinite(solution.parameters))):
        raise ArgumentError("gives parameters that are not finite", key="columns")
    return solution


def _solve(columns: "Array", y: "Array", weights: "Array") -> Solution:
    import numpy as np

    weighted = columns * weights[:, None]
    p: Array = np.asarray(np.linalg.lstsq(weighted, y * weights, rcond=None)[0], dtype=float)
    ss = math.fsum(float(r) ** 2 for r in (columns @ p - y) * weights)
    dof = y.size - p.size
    return Solution(p, _covariance(weighted, ss / dof), ss, dof)


def _numbers(name: str, values: "Sequence[float] | Array") -> "Array":
    """Return finite numbers as an array of any shape."""
    import numpy as np

    try:
        out: Array = np.asarray(values, dtype=float)
    except (TypeError, ValueError, OverflowError):
        raise ArgumentError(f"must be numbers, is {values!r:.60}", key=name) from None
    if not out.ndim:
        raise ArgumentError(f"must be a list of numbers, is {values!r:.60}", key=name)
    require_finite(name, out)
    return out


def _checked(
    x: "Sequence[float] | Array",
    y: "Sequence[float] | Array",
    start: "Sequence[float] | Array",
    sigma: "Sequence[float] | Array | None",
) -> "tuple[Array, Array, Array, Array]":
    """Return x, y, the starting values and the weights 1/sigma as arrays."""
    import numpy as np

    require_numbers("y", y, 1)
    require_numbers("start", start, 1)
    if sigma is not None:
        require_positives("sigma", sigma)
        require_same_length("y", y, "sigma", sigma)
    ys, p0 = np.asarray(y, dtype=float), np.asarray(start, dtype=float)
    if ys.size <= p0.size:
        raise ArgumentError(f"{ys.size} points cannot give {p0.size} parameters and their errors", key="y")
    return _numbers("x", x), ys, p0, np.ones_like(ys) if sigma is None else 1.0 / np.asarray(sigma, dtype=float)


def _bounds(name: str, values: "Sequence[float] | Array | None", none: float, size: int) -> "Array":
    """Return bounds of `size` parameters, which may be infinite; `none` each where there are none."""
    import numpy as np

    if values is None:
        return np.full(size, none)
    require_listed(name, values)
    bounds = np.array([ends(name, value)[0] for value in values])
    for bound in bounds:
        if not (abs(bound) <= LARGEST or bound == none):
            raise ArgumentError(f"must be finite numbers or {none}, is {bound:g}", key=name)
    if bounds.size != size:
        raise ArgumentError(f"must be one for each of {size} parameters, is {bounds.size}", key=name)
    return bounds


def _check_call(
    name: str, function: "Callable[[Array, Array], Array]", p: "Array", x: "Array", shape: tuple[int, ...]
) -> None:
    """Raise `ArgumentError` unless a function gives finite numbers of a shape at the starting values."""
    import numpy as np

    require_instance(name, function, Callable)  # type: ignore[arg-type]  # an abstract class
    try:
        with np.errstate(all="ignore"):
            at_start = np.asarray(function(p, x), dtype=float)
    except (TypeError, ValueError, ArithmeticError, LookupError) as error:
        raise ArgumentError(f"cannot be computed at the starting values: {error}", key=name) from None
    if at_start.shape != shape:
        raise ArgumentError(f"must give numbers of the shape {shape}, gives {at_start.shape}", key=name)
    require_finite(name, at_start)


def _differences(
    function: "Callable[[Array], Array]", p: "Array", steps: "Array", low: "Array", high: "Array"
) -> "Array":
    """Return the derivatives of `function` by central differences; a step across a bound ends at it."""
    import numpy as np

    columns = []
    for i, step in enumerate(steps):
        above, below = p.copy(), p.copy()
        above[i], below[i] = min(p[i] + step, high[i]), max(p[i] - step, low[i])
        columns.append((function(above) - function(below)) / (above[i] - below[i]))
    return np.column_stack(columns)


def _relative_offset(jacobian: "Array", residuals: "Array") -> float:
    """Return the part of the residuals that lies in the space of the derivatives, over the rest, per dimension each."""
    import numpy as np

    n, k = jacobian.shape
    scale = np.linalg.norm(jacobian, axis=0)
    if k == 0 or not np.all(scale > 0.0) or not np.all(np.isfinite(scale)):
        return 0.0
    q, _ = np.linalg.qr(jacobian / scale)
    inside = float(np.linalg.norm(q.T @ residuals))
    outside = math.sqrt(max(float(residuals @ residuals) - inside**2, 0.0))
    return math.inf if outside == 0.0 else inside / math.sqrt(k) / (outside / math.sqrt(n - k))


def _covariance(jacobian: "Array", variance: float) -> "Array | None":
    import numpy as np

    scale = np.linalg.norm(jacobian, axis=0)
    if not np.all(scale > 0.0) or not np.all(np.isfinite(scale)):
        return None
    _, r = np.linalg.qr(jacobian / scale)
    singular = np.linalg.svd(r, compute_uv=False)
    if singular[-1] < 1e-7 * singular[0]:
        return None
    inverse = np.linalg.inv(r)
    covariance: Array = variance * (inverse @ inverse.T) / np.outer(scale, scale)
    return covariance
