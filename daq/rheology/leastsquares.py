"""Weighted nonlinear least squares with standard errors; every curve fit of this package uses it.

Starting values must be right within a small factor; tests with the certified problems of NIST's Statistical
Reference Datasets show the range.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal

from daq.core.arguments import LARGEST, SMALLEST, require_between, require_count
from daq.core.errors import ArgumentError
from daq.rheology.fitarguments import as_many, positive_series, series_of

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

Status = Literal["converged", "out_of_evaluations", "stalled"]
DIFF_STEP: Final = 2.0 ** (-52.0 / 3.0)
"""Relative step of central differences: the cube root of the spacing of doubles at 1 (numerical analysis)."""
OFFSET: Final = 1e-3
"""Greatest relative offset of a fit that has converged (Bates and Watts, Technometrics 23 (1981) 179; from memory)."""
POLISH: Final = 5
"""Greatest number of Gauss-Newton steps after the search."""
SINGULAR: Final = 1e-7
"""Columns of derivatives, each of length 1, depend on each other if their least singular value is below this part of
the largest."""
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

    xs, ys, p0 = series_of("x", x), series_of("y", y), series_of("start", start)
    as_many("y", ys, "x", xs)
    weights = _weights(sigma, ys)
    if ys.size <= p0.size:
        raise ArgumentError(f"{ys.size} points cannot give {p0.size} parameters and their errors", key="y")
    require_count("max_evaluations", max_evaluations, 1)
    require_between("diff_step", diff_step, 0.0, 1.0)
    low, high = _bounds(lower, upper, p0)

    def residuals(p: "Array") -> "Array":
        out: Array = (function(p, xs) - ys) * weights
        return out

    _check_functions(function, jacobian, p0, xs)
    typical = np.where(np.abs(p0) < SMALLEST, 1.0, np.abs(p0))

    def slopes(p: "Array") -> "Array":
        if jacobian is None:
            return _differences(residuals, p, diff_step * np.where(np.abs(p) < SMALLEST, typical, np.abs(p)), low, high)
        return jacobian(p, xs) * weights[:, None]

    try:
        # Far from the solution a model may overflow; the search then turns back, and the end is checked.
        with np.errstate(all="ignore"):
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
            if found.status != 0:
                p = _polished(p, np.asarray(found.active_mask) == 0, residuals, slopes, (low, high))
            rest, at = residuals(p), slopes(p)
    except (ValueError, TypeError, ArithmeticError) as error:
        raise ArgumentError(f"the fit broke down: {error}", key="function") from error
    ss = float(rest @ rest)
    if not (np.all(np.isfinite(p)) and ss <= LARGEST and np.all(np.abs(at) <= LARGEST)):
        raise ArgumentError("the fit broke down: the values overflow", key="function")
    dof = ys.size - p0.size
    free = at[:, np.asarray(found.active_mask) == 0]
    status: Status = "converged"
    if found.status == 0:
        status = "out_of_evaluations"
    elif math.sqrt(ss) > ROUNDING * float(np.linalg.norm(ys * weights)) and _relative_offset(free, rest) > OFFSET:
        status = "stalled"
    return Solution(p, _covariance(at, ss / dof), ss, dof, status)


def linear_fit(columns: "Array", y: "Array", sigma: "Array | None" = None) -> Solution:
    """Solve the linear least-squares problem `columns @ parameters` = `y`; weights and result as in `fit_curve`."""
    import numpy as np

    columns, y = series_of("columns", columns, shape=2), series_of("y", y)
    if columns.shape[0] != y.size:
        raise ArgumentError(f"must have {y.size} rows, one for each y, has {columns.shape[0]}", key="columns")
    weights = _weights(sigma, y)
    if y.size <= columns.shape[1]:
        raise ArgumentError(f"{y.size} points cannot give {columns.shape[1]} parameters and their errors", key="y")
    weighted = columns * weights[:, None]
    p: Array = np.asarray(np.linalg.lstsq(weighted, y * weights, rcond=None)[0], dtype=float)
    ss = math.fsum(float(r) ** 2 for r in (columns @ p - y) * weights)
    dof = y.size - p.size
    return Solution(p, _covariance(weighted, ss / dof), ss, dof)


def _check_functions(function: Any, jacobian: Any, start: "Array", x: "Array") -> None:
    """Raise `ArgumentError` unless both are functions, and the first gives a finite number for each x at the start."""
    import numpy as np

    for name, given in (("function", function), ("jacobian", jacobian)):
        if not callable(given) and not (name == "jacobian" and given is None):
            raise ArgumentError("must be a function", key=name)
    try:
        with np.errstate(all="ignore"):
            values = np.asarray(function(start, x), dtype=float)
    except (ValueError, TypeError, ArithmeticError) as error:
        raise ArgumentError(f"must give numbers: {error}", key="function") from error
    if values.shape not in {x.shape, ()} or not np.all(np.abs(values) <= LARGEST):
        raise ArgumentError("must give a finite number for each x at the start", key="function")


def _weights(sigma: "Sequence[float] | Array | None", y: "Array") -> "Array":
    import numpy as np

    if sigma is None:
        return np.ones_like(y)
    scale = positive_series("sigma", sigma)
    as_many("sigma", scale, "y", y)
    return np.asarray(1.0 / scale)


def _bounds(
    lower: "Sequence[float] | Array | None", upper: "Sequence[float] | Array | None", start: "Array"
) -> "tuple[Array, Array]":
    """Return the bounds of the parameters, between which the start lies; an infinite one is none."""
    import numpy as np

    found: list[Array] = []
    for name, given, default in (("lower", lower, -math.inf), ("upper", upper, math.inf)):
        bounds: Any = np.full(start.size, default) if given is None else given
        if not isinstance(bounds, (Sequence, np.ndarray)) or isinstance(bounds, (str, bytes)):
            raise ArgumentError("must be a series of numbers", key=name)
        try:
            out = np.asarray(bounds, dtype=float)
        except (TypeError, ValueError, ArithmeticError) as error:
            raise ArgumentError(f"must be a series of numbers: {error}", key=name) from error
        as_many(name, out, "start", start)
        if np.any(np.isnan(out)):
            raise ArgumentError("must be numbers, or infinite for no bound", key=name)
        found.append(out)
    low, high = found
    if np.any(low >= high):
        raise ArgumentError("must be above the lower bounds", key="upper")
    if np.any(start < low) or np.any(start > high):
        raise ArgumentError("starting values must be within the bounds", key="start")
    return low, high


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


def _polished(
    p: "Array",
    free: "Any",
    residuals: "Callable[[Array], Array]",
    slopes: "Callable[[Array], Array]",
    bounds: "tuple[Array, Array]",
) -> "Array":
    """Return the end of the search after Gauss-Newton steps of its `free` parameters.

    The search ends where the sum of squares no longer falls.  About half of the digits of the parameters then depend on
    the rounding of the processor.  The steps make the gradient zero instead, so that every processor gives the same.
    """
    import numpy as np

    if not np.any(free):
        return p
    low, high = bounds
    smallest = math.inf
    most = float(residuals(p) @ residuals(p)) * (1.0 + ROUNDING)
    for _ in range(POLISH):
        at = slopes(p)[:, free]
        scale = np.linalg.norm(at, axis=0)
        if not (np.all(scale > 0.0) and np.all(np.isfinite(at))):
            return p
        step, _, rank, _ = np.linalg.lstsq(at / scale, -residuals(p), rcond=SINGULAR)
        change = p.copy()
        change[free] += step / scale
        size = float(np.linalg.norm(step))
        # A step that is no shorter than the last one is rounding, or the problem is not a minimum of full rank.
        if rank < at.shape[1] or not size < 0.5 * smallest or np.any(change < low) or np.any(change > high):
            return p
        rest = residuals(change)
        if not float(rest @ rest) <= most:
            return p
        p, smallest = change, size
    return p


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
    if singular[-1] < SINGULAR * singular[0]:
        return None
    inverse = np.linalg.inv(r)
    covariance: Array = variance * (inverse @ inverse.T) / np.outer(scale, scale)
    return covariance
