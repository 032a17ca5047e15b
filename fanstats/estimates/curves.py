"""Array kernels for curves over speed: monotone cubics, their inverse, and fits.

Knots run along axis 0; all other axes (curves, draws) are carried along, so nothing loops over
draws. Speeds enter as natural logarithms where a curve of level is meant.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from fanstats._typing import BoolArray, FloatArray

__all__ = [
    "CURVES",
    "CurveKind",
    "Solved",
    "airflow_at",
    "continued_linear",
    "crossings",
    "fit_power_law",
    "fit_power_law_with_floor",
    "monotone_slopes",
    "monotone_values",
    "rising",
    "solve_monotone",
    "solve_straight",
]

# Interval numbers: a sweep has a dozen steps, and small integers compare fast.
_Index = NDArray[np.int8]

CurveKind = Literal["smooth", "straight", "power law"]
CURVES: Final = ("smooth", "straight", "power law")

_LN10: Final = float(np.log(10.0))
# Policy for draws past the ends of a sweep: slope of the fan-alone level, dB a decade of speed.
SLOPE_LOW: Final = 30.0
SLOPE_HIGH: Final = 70.0
# ... and of lg airflow over lg speed (the fan law says 1).
AIRFLOW_SLOPE_LOW: Final = 0.7
AIRFLOW_SLOPE_HIGH: Final = 1.3
_NEWTON_STEPS: Final = 5
_BRACKETED_STEPS: Final = 60
_CONVERGED: Final = 1e-13


class Solved(NamedTuple):
    """Where a curve meets a target.

    Attributes
    ----------
    at : ndarray
        Abscissa, shape of the target.
    below, above : ndarray of bool
        Where the target lies beyond the lower or upper end of the curve.
    """

    at: FloatArray
    below: BoolArray
    above: BoolArray


def rising(x: FloatArray) -> FloatArray:
    """Make abscissas strictly rising along axis 0 where errors of reading swapped neighbours.

    Knots lie at least four standard uncertainties apart, so a swap is a freak draw; it is held
    at its neighbour rather than allowed to fold the curve.

    Parameters
    ----------
    x : ndarray, shape (knot, ...)

    Returns
    -------
    ndarray
        `x` itself where nothing was wrong.
    """
    if x.shape[0] < 2 or bool(np.all(x[1:] > x[:-1])):
        return x
    held: FloatArray = np.maximum.accumulate(x, axis=0)
    nudge = np.spacing(np.abs(held).max()) * 16 * np.arange(x.shape[0])
    return np.asarray(held + nudge.reshape((-1,) + (1,) * (x.ndim - 1)))


def monotone_slopes(x: FloatArray, y: FloatArray) -> FloatArray:
    """Slopes of the monotone piecewise cubic through knots.

    Parameters
    ----------
    x, y : ndarray, shape (knot, ...)
        Strictly rising abscissas; two knots or more.

    Returns
    -------
    ndarray, shape (knot, ...)

    References
    ----------
    Fritsch and Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300-304; end slopes by the
    three-point formula with the limits of Moler, "Numerical Computing with MATLAB" (2004), 3.6.

    Examples
    --------
    >>> monotone_slopes(np.array([0.0, 1.0, 3.0]), np.array([0.0, 2.0, 6.0]))
    array([2., 2., 2.])
    """
    h = x[1:] - x[:-1]
    delta = (y[1:] - y[:-1]) / h
    slopes = np.empty(np.broadcast_shapes(x.shape, y.shape))
    if h.shape[0] == 1:
        slopes[:] = delta
        return slopes
    w_left = 2.0 * h[1:] + h[:-1]
    w_right = h[1:] + 2.0 * h[:-1]
    same = delta[:-1] * delta[1:] > 0
    with np.errstate(divide="ignore", invalid="ignore"):
        harmonic = (w_left + w_right) / (w_left / delta[:-1] + w_right / delta[1:])
    slopes[1:-1] = np.where(same, harmonic, 0.0)
    slopes[0] = _end_slope(h[0], h[1], delta[0], delta[1])
    slopes[-1] = _end_slope(h[-1], h[-2], delta[-1], delta[-2])
    return slopes


def _end_slope(
    h_end: FloatArray, h_next: FloatArray, d_end: FloatArray, d_next: FloatArray
) -> FloatArray:
    slope = ((2.0 * h_end + h_next) * d_end - h_end * d_next) / (h_end + h_next)
    slope = np.where(slope * d_end <= 0, 0.0, slope)
    overshoots = (d_end * d_next <= 0) & (np.abs(slope) > 3.0 * np.abs(d_end))
    return np.asarray(np.where(overshoots, 3.0 * d_end, slope))


class _Piece(NamedTuple):
    """One interval of each curve: its ends, values and slopes there."""

    x0: FloatArray
    x1: FloatArray
    y0: FloatArray
    y1: FloatArray
    d0: FloatArray
    d1: FloatArray


def _by_interval(
    x: FloatArray,
    y: FloatArray,
    index: _Index,
    query: FloatArray,
    work_out: Callable[[_Piece, FloatArray], FloatArray],
) -> FloatArray:
    """Work queries out interval by interval.

    Draws mostly share one interval: it serves the whole array without gathering anything, and
    the few queries of other intervals are picked out and put back.
    """
    low, high = int(index.min()), int(index.max())
    first, last = max(low - 1, 0), min(high + 3, x.shape[0])
    # Slopes depend on the next knots only, so those far from any query are not worked out.
    slopes = monotone_slopes(x[first:last], y[first:last])

    def piece(k: int) -> _Piece:
        d = slopes[k - first], slopes[k + 1 - first]
        return _Piece(x[k], x[k + 1], y[k], y[k + 1], *d)

    if low == high:
        return work_out(piece(low), query)
    counts = np.bincount(index.ravel(), minlength=high + 1)
    main = int(counts.argmax())
    found = work_out(piece(main), query)
    for k in range(low, high + 1):
        if k == main or counts[k] == 0:
            continue
        where = np.nonzero(index == k)
        wide = (np.broadcast_to(part, index.shape[1:])[where[1:]] for part in piece(k))
        found[where] = work_out(_Piece(*wide), query[where])
    return found


def monotone_values(x: FloatArray, y: FloatArray, at: FloatArray) -> Solved:
    """Evaluate the monotone cubic inside its knots; past the ends hold the end value.

    Parameters
    ----------
    x, y : ndarray, shape (knot, ...)
        Knots.
    at : ndarray, shape (query, ...)
        Where to evaluate.

    Returns
    -------
    Solved
        Values in `at`; `below` and `above` mark queries past the ends.
    """
    shape = np.broadcast_shapes(at.shape[1:], x.shape[1:], y.shape[1:])
    at = np.broadcast_to(at, at.shape[:1] + shape)
    index = np.zeros(at.shape, dtype=np.int8)
    for knot in range(1, x.shape[0] - 1):
        index += (at >= x[knot]).view(np.int8)
    return Solved(_by_interval(x, y, index, at, _hermite), at < x[0], at > x[-1])


def _hermite(piece: _Piece, at: FloatArray) -> FloatArray:
    """Cubic Hermite on one interval, written so that its ends give the knots exactly."""
    h = piece.x1 - piece.x0
    rise = piece.y1 - piece.y0
    t = np.clip((at - piece.x0) / h, 0.0, 1.0)
    rest = 1.0 - t
    bend = rest * (h * piece.d0 - rise)
    bend += t * (rise - h * piece.d1)
    bend *= t
    bend *= rest
    rest *= piece.y0
    t *= piece.y1
    rest += t
    rest += bend
    return np.asarray(rest)


def solve_monotone(
    x: FloatArray, y: FloatArray, target: FloatArray, *, continues: bool = True
) -> Solved:
    """Find where the monotone cubic of level over ln speed reaches a target.

    The crossing taken is the upward one of the highest speed. Past the ends the curve runs on
    straight, with its end slope held within 30 to 70 dB a decade of speed.

    Parameters
    ----------
    x : ndarray, shape (knot, ...)
        ln speed, strictly rising; two knots or more.
    y : ndarray, shape (knot, ...)
        Level of the fan alone, dB.
    target : ndarray, shape (query, ...)
        Level to be met, dB.
    continues : bool
        False for an abscissa with no fan law behind it (drive): then the ends hold.

    Returns
    -------
    Solved
        ln speed.
    """
    index, found = _upward_interval(y, target)
    inside = _by_interval(x, y, index, np.broadcast_to(target, index.shape), _solve_cubic)
    above = ~found & (target > y[-1])
    below = ~found & ~above
    if not (above.any() or below.any()):
        return Solved(inside, below, above)
    slopes = monotone_slopes(x, y)
    low = _continued(x[0], y[0], slopes[0], target, continues)
    high = _continued(x[-1], y[-1], slopes[-1], target, continues)
    return Solved(np.where(below, low, np.where(above, high, inside)), below, above)


def _upward_interval(y: FloatArray, target: FloatArray) -> tuple[_Index, BoolArray]:
    """Find the highest interval whose ends rise through the target, and whether there is one."""
    shape = np.broadcast_shapes(target.shape, target.shape[:1] + y.shape[1:])
    index = np.zeros(shape, dtype=np.int8)
    found = np.zeros(shape, dtype=np.bool_)
    beneath = y[0] <= target
    for knot in range(y.shape[0] - 1):
        reached = target <= y[knot + 1]
        rises = beneath & reached
        index[rises] = knot
        found |= rises
        beneath = y[knot + 1] < target
    return index, found


def _continued(
    x_end: FloatArray, y_end: FloatArray, slope: FloatArray, target: FloatArray, continues: bool
) -> FloatArray:
    if not continues:
        return x_end
    held = np.clip(slope, SLOPE_LOW / _LN10, SLOPE_HIGH / _LN10)
    return np.asarray(x_end + (target - y_end) / held)


def _solve_cubic(piece: _Piece, target: FloatArray) -> FloatArray:
    """Invert the Hermite cubic of one interval, where it rises through the target.

    Newton's method from a first-order guess; where it has not settled after a few steps (a flat
    stretch, a bend at the very end), it goes on inside a shrinking bracket. Targets outside the
    interval give its nearer end.
    """
    h = piece.x1 - piece.x0
    rise = piece.y1 - piece.y0
    # In units of the rise: f(t) = t + t (1 - t) (a (1 - t) + b t) - goal
    rise = np.where(rise > 0, rise, np.inf)  # a fall or a flat gives its lower end
    a = h * piece.d0 / rise - 1.0
    b = 1.0 - h * piece.d1 / rise
    goal = np.clip((target - piece.y0) / rise, 0.0, 1.0)
    t = _newton(goal, a, b)
    rough = ~(np.abs(_cubic(t, a, b) - goal) < _CONVERGED)
    if rough.any():
        wide = np.broadcast_arrays(goal, a, b)
        t[rough] = _bracketed(*(part[rough] for part in wide))
    t *= h
    t += piece.x0
    return t


def _cubic(t: FloatArray, a: FloatArray, b: FloatArray) -> FloatArray:
    rest = 1.0 - t
    return t + t * rest * (a * rest + b * t)


def _newton(goal: FloatArray, a: FloatArray, b: FloatArray) -> FloatArray:
    rest = 1.0 - goal
    t: FloatArray = np.clip(goal - goal * rest * (a * rest + b * goal), 0.0, 1.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        for _ in range(_NEWTON_STEPS):
            rest = 1.0 - t
            mix = a * rest + b * t
            both = t * rest
            step = (t + both * mix - goal) / (1.0 + (rest - t) * mix + both * (b - a))
            t = np.clip(t - step, 0.0, 1.0)
            if np.abs(step).max(initial=0.0) < _CONVERGED:
                break
    return t


def _bracketed(goal: FloatArray, a: FloatArray, b: FloatArray) -> FloatArray:
    t, low, high = goal.copy(), np.zeros_like(goal), np.ones_like(goal)
    for _ in range(_BRACKETED_STEPS):
        rest = 1.0 - t
        mix = a * rest + b * t
        f = t + t * rest * mix - goal
        low = np.where(f <= 0, t, low)
        high = np.where(f >= 0, t, high)
        slope = 1.0 + (rest - t) * mix + t * rest * (b - a)
        with np.errstate(divide="ignore", invalid="ignore"):
            step = t - f / slope
        usable = (step > low) & (step < high)
        settled = np.abs(f) < _CONVERGED
        t = np.where(settled, t, np.where(usable, step, 0.5 * (low + high)))
        if settled.all():
            break
    return t


def solve_straight(speed: FloatArray, reading: FloatArray, target: FloatArray) -> Solved:
    """Find where straight lines of level as read over speed reach a target.

    Parameters
    ----------
    speed : ndarray, shape (knot, ...)
        Speed, strictly rising (not its logarithm).
    reading : ndarray, shape (knot, ...)
        Level as read, dB.
    target : ndarray, shape (query, ...)
        Level as read to be met, dB.

    Returns
    -------
    Solved
        Speed; past the ends the end value, for the caller to continue.
    """
    index, found = _upward_interval(reading, target)
    wide = np.broadcast_to(target, index.shape)
    inside = _by_interval(speed, reading, index, wide, _chord)
    above = ~found & (target > reading[-1])
    below = ~found & ~above
    return Solved(np.where(below, speed[0], np.where(above, speed[-1], inside)), below, above)


def _chord(piece: _Piece, target: FloatArray) -> FloatArray:
    """Invert the straight line of one interval."""
    rise = piece.y1 - piece.y0
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(rise > 0, np.clip((target - piece.y0) / rise, 0.0, 1.0), 0.0)
    return np.asarray(piece.x0 + (piece.x1 - piece.x0) * share)


def fit_power_law(x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Fit level = intercept + slope * ln speed by least squares, every draw by itself.

    Parameters
    ----------
    x, y : ndarray, shape (knot, ...)
        ln speed and level, dB.

    Returns
    -------
    intercept, slope : ndarray, shape (...)
        Level at ln speed 0, and dB a unit of ln speed.
    """
    centre = x.mean(axis=0)
    dx = x - centre
    slope = (dx * (y - y.mean(axis=0))).sum(axis=0) / (dx**2).sum(axis=0)
    return y.mean(axis=0) - slope * centre, slope


def fit_power_law_with_floor(
    x: FloatArray, y: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Fit a power law standing on a constant floor, every draw by itself.

    The model is ``y = 10 lg(10**((intercept + slope x) / 10) + 10**(floor / 10))``; least squares
    in dB by the Levenberg-Marquardt method, the same damping rule for every draw.

    Parameters
    ----------
    x, y : ndarray, shape (knot, ...)
        ln speed and level as read, dB; four knots or more.

    Returns
    -------
    intercept, slope, floor : ndarray, shape (...)
        Level at ln speed 0, dB a unit of ln speed, and the floor in dB.

    References
    ----------
    Marquardt, J. Soc. Indust. Appl. Math. 11 (1963) 431-441.
    """
    shape = np.broadcast_shapes(x.shape, y.shape)
    x, y = np.broadcast_to(x, shape), np.broadcast_to(y, shape)
    centre = x.mean(axis=0)
    dx = x - centre
    slope = np.maximum((y[-1] - y[-2]) / (x[-1] - x[-2]), SLOPE_LOW / _LN10)
    start = np.stack([y[-1] - slope * dx[-1], slope, y[0] - 3.0], axis=-1)
    parameters = _marquardt(dx, y, start)
    return (
        parameters[..., 0] - parameters[..., 1] * centre,
        parameters[..., 1],
        parameters[..., 2],
    )


def _floored(dx: FloatArray, parameters: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Levels of the floored power law, and the fan's share of the energy."""
    fan = (parameters[..., 0] + parameters[..., 1] * dx) * (_LN10 / 10.0)
    total = np.logaddexp(fan, parameters[..., 2] * (_LN10 / 10.0))
    return total * (10.0 / _LN10), np.exp(fan - total)


def _marquardt(dx: FloatArray, y: FloatArray, parameters: FloatArray) -> FloatArray:
    damping = np.full(parameters.shape[:-1], 1e-2)
    model, share = _floored(dx, parameters)
    loss = ((y - model) ** 2).sum(axis=0)
    for _ in range(60):
        jacobian = np.stack([share, share * dx, 1.0 - share], axis=-1)
        normal = np.einsum("k...i,k...j->...ij", jacobian, jacobian)
        gradient = np.einsum("k...i,k...->...i", jacobian, y - model)
        diagonal = np.einsum("...ii->...i", normal)
        damped = normal + (damping[..., None] * diagonal + 1e-9)[..., None] * np.eye(3)
        step = np.linalg.solve(damped, gradient[..., None])[..., 0]
        trial = parameters + np.clip(step, -20.0, 20.0)
        trial_model, trial_share = _floored(dx, trial)
        trial_loss = ((y - trial_model) ** 2).sum(axis=0)
        better = trial_loss <= loss
        parameters = np.where(better[..., None], trial, parameters)
        model, share = np.where(better, trial_model, model), np.where(better, trial_share, share)
        settled = np.abs(np.where(better, step.max(axis=-1), 0.0)).max(initial=0.0) < 1e-9
        loss = np.where(better, trial_loss, loss)
        damping = np.clip(np.where(better, damping / 4.0, damping * 4.0), 1e-12, 1e8)
        if settled and bool(better.all()):
            break
    return parameters


def airflow_at(speed: FloatArray, airflow: FloatArray, at: FloatArray) -> Solved:
    """Evaluate airflow over speed: monotone cubic inside, held power law past the ends.

    Past the ends lg airflow runs on over lg speed with its end slope held within 0.7 to 1.3
    (the fan law says 1).

    Parameters
    ----------
    speed, airflow : ndarray, shape (knot, ...)
        Knots, speed strictly rising.
    at : ndarray, shape (query, ...)
        Speeds.

    Returns
    -------
    Solved
        Airflow in `at`.
    """
    inside = monotone_values(speed, airflow, at)
    if not (inside.below.any() or inside.above.any()):
        return inside
    slopes = monotone_slopes(speed, airflow)
    values = inside.at
    for past, end in ((inside.below, 0), (inside.above, -1)):
        if past.any():
            values = np.where(past, _power_past(speed[end], airflow[end], slopes[end], at), values)
    return Solved(values, inside.below, inside.above)


def _power_past(
    x_end: FloatArray, y_end: FloatArray, slope: FloatArray, at: FloatArray
) -> FloatArray:
    with np.errstate(divide="ignore", invalid="ignore"):
        exponent = np.where(
            y_end > 0, np.clip(slope * x_end / y_end, AIRFLOW_SLOPE_LOW, AIRFLOW_SLOPE_HIGH), 0.0
        )
        return np.asarray(y_end * np.exp(exponent * np.log(np.maximum(at / x_end, 1e-9))))


def continued_linear(x: FloatArray, y: FloatArray, at: FloatArray) -> Solved:
    """Evaluate the monotone cubic, running on with its end slope past the ends.

    Parameters
    ----------
    x, y : ndarray, shape (knot, ...)
        Knots, abscissas strictly rising.
    at : ndarray, shape (query, ...)
        Where to evaluate.

    Returns
    -------
    Solved
        Values in `at`.
    """
    slopes = monotone_slopes(x, y)
    inside = monotone_values(x, y, at)
    low = y[0] + slopes[0] * (at - x[0])
    high = y[-1] + slopes[-1] * (at - x[-1])
    values = np.where(inside.below, low, np.where(inside.above, high, inside.at))
    return Solved(values, inside.below, inside.above)


def crossings(x: FloatArray, y: FloatArray, target: float) -> FloatArray:
    """List every abscissa where the monotone cubic meets the target, rising or falling.

    Parameters
    ----------
    x, y : ndarray, shape (knot,)
        One curve.
    target : float
        Level to be met.

    Returns
    -------
    ndarray, shape (crossing,)
        Rising; a flat stretch at the target gives both of its ends.

    Examples
    --------
    >>> len(crossings(np.array([5.0, 7, 9, 12]), np.array([24.0, 30, 28, 34]), 29.0))
    3
    """
    slopes = monotone_slopes(x, y)
    found: list[float] = []
    for k in range(x.size - 1):
        low, high = y[k] - target, y[k + 1] - target
        if low == 0:
            found.append(float(x[k]))
        if low * high < 0:
            sign = 1.0 if high > low else -1.0
            ends = [x[k], x[k + 1], sign * y[k], sign * y[k + 1]]
            ends += [sign * slopes[k], sign * slopes[k + 1]]
            piece = _Piece(*(np.array([end]) for end in ends))
            found.append(float(_solve_cubic(piece, np.array([sign * target]))[0]))
    if y[-1] == target:
        found.append(float(x[-1]))
    return np.array(found)
