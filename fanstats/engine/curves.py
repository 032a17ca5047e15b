"""Array kernels for curves over speed: monotone cubics, their inverse, and fits.

Knots run along axis 0; all other axes (curves, draws) are carried along, so nothing loops over
draws. Speeds enter as natural logarithms where a curve of level is meant. Numbers may be complex,
with an infinitesimal imaginary part: what comes out then carries its derivative (complex step).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from fanstats._typing import BoolArray, FloatArray
from fanstats.levels import kernels

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = [
    "CURVES",
    "CurveKind",
    "Located",
    "Solved",
    "add_room",
    "airflow_located",
    "continued_linear",
    "crossings",
    "fit_power_law",
    "fit_power_law_with_floor",
    "has_full_rank",
    "locate",
    "monotone_slopes",
    "monotone_values",
    "precision_of",
    "remove_room",
    "rising",
    "solve_monotone",
    "solve_straight",
    "straight_values",
    "weight_of",
]

# Interval numbers: a sweep has a dozen steps, and small integers compare fast.
_Index = NDArray[np.int8]

CurveKind = Literal["smooth", "straight", "power law"]
CURVES: Final = ("smooth", "straight", "power law")

LN10: Final = float(np.log(10.0))
# Policy for draws past the ends of a sweep: slope of the fan-alone level, dB a decade of speed.
SLOPE_LOW: Final = 30.0
SLOPE_HIGH: Final = 70.0
# ... and of lg airflow over lg speed (the fan law says 1).
_AIRFLOW_SLOPES: Final = (0.7, 1.3)
_NEWTON_STEPS: Final = 3
_BRACKETED_STEPS: Final = 60
_CONVERGED: Final = 1e-13
_MARQUARDT_STEPS: Final = 60
_MARQUARDT_SETTLED: Final = 1e-9
_SINGULAR: Final = 1e-10
_INFINITESIMAL: Final = 1e-30
_NUDGE: Final = 1e-12


class Solved(NamedTuple):
    """Where a curve meets a target, or what it reads; and where that lies beyond its ends."""

    at: FloatArray
    below: BoolArray
    above: BoolArray


def is_step(*parts: FloatArray) -> bool:
    """Say whether numbers carry a derivative in their imaginary part."""
    return any(np.iscomplexobj(part) for part in parts)


def at_least(values: FloatArray, low: float | FloatArray) -> FloatArray:
    """Hold values at a lower limit."""
    if is_step(values):
        return np.where(values.real < np.asarray(low).real, low, values)
    return np.asarray(np.maximum(values, low))


def held(values: FloatArray, low: float, high: float) -> FloatArray:
    """Hold values within limits."""
    if not is_step(values):
        return np.asarray(np.clip(values, low, high))
    return np.where(values.real < low, low, np.where(values.real > high, high, values))


def remove_room(total: FloatArray, room: FloatArray) -> FloatArray:
    """Take the room off a reading, by energy; a reading less than 0.2 dB above it is held there."""
    if not is_step(total, room):
        return kernels.subtract_levels(total, room, floor=kernels.FLOOR)[0]
    gap = at_least(total - room, kernels.FLOOR)
    return np.asarray(room + gap + kernels.DB * np.log(1.0 - np.exp(gap / -kernels.DB)))


def add_room(level: FloatArray, room: FloatArray) -> FloatArray:
    """Add the room to a level, by energy."""
    if not is_step(level, room):
        return kernels.add_levels(level, room)
    louder = np.real(level) > np.real(room)
    top, other = np.where(louder, level, room), np.where(louder, room, level)
    heard = np.isfinite(other)  # silence adds nothing
    below = np.where(heard, other, top) - top
    return np.asarray(top + kernels.DB * np.log(1.0 + heard * np.exp(below / kernels.DB)))


def energy_mean(levels: FloatArray, starts: NDArray[np.intp], share: FloatArray) -> FloatArray:
    """Average runs of levels along the first axis by energy."""
    power = np.add.reduceat(np.exp(levels * (LN10 / 10.0)), starts, axis=0) / share
    return np.asarray(np.log(power) / (LN10 / 10.0))


def rising(x: FloatArray) -> FloatArray:
    """Make abscissas strictly rising along axis 0 where errors of reading swapped neighbours.

    Knots lie at least four standard uncertainties apart, so a swap is a freak draw; it is held
    at its neighbour rather than allowed to fold the curve.
    """
    if x.shape[0] < 2 or bool(np.all(x[1:].real > x[:-1].real)):
        return x
    steady: FloatArray = np.maximum.accumulate(x, axis=0)
    nudge = np.spacing(np.abs(steady).max()) * 16 * np.arange(x.shape[0])
    return np.asarray(steady + nudge.reshape((-1,) + (1,) * (x.ndim - 1)))


def monotone_slopes(x: FloatArray, y: FloatArray) -> FloatArray:
    """Slopes of the monotone piecewise cubic through two knots or more.

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
    slopes = np.empty(np.broadcast_shapes(x.shape, y.shape), dtype=delta.dtype)
    if h.shape[0] == 1:
        slopes[:] = delta
        return slopes
    before, after = delta[:-1], delta[1:]
    rises = bool((delta.real > 0).all())
    total = h[1:] + h[:-1]
    w_before, w_after = total + h[1:], total + h[:-1]
    weighted = w_before * after
    weighted += w_after * before
    product = before * after
    with np.errstate(divide="ignore", invalid="ignore"):
        inner = product * (w_before + w_after)
        inner /= weighted
    slopes[1:-1] = inner if rises else np.where(product.real > 0, inner, 0.0)
    slopes[0] = _end_slope(h[0], h[1], delta[0], delta[1], rises)
    slopes[-1] = _end_slope(h[-1], h[-2], delta[-1], delta[-2], rises)
    return slopes


def _end_slope(
    h_end: FloatArray, h_next: FloatArray, d_end: FloatArray, d_next: FloatArray, rises: bool
) -> FloatArray:
    slope = ((2.0 * h_end + h_next) * d_end - h_end * d_next) / (h_end + h_next)
    if rises:
        return at_least(slope, 0.0)
    slope = np.where((slope * d_end).real <= 0, 0.0, slope)
    overshoots = ((d_end * d_next).real <= 0) & (np.abs(slope) > 3.0 * np.abs(d_end))
    return np.asarray(np.where(overshoots, 3.0 * d_end, slope))


class _Places(NamedTuple):
    """Which interval each query lies in: the lowest and highest that occur, and where to look.

    `flat` points into coefficients of the intervals from `low` on, raveled; None where all
    queries share one interval.
    """

    low: int
    high: int
    flat: NDArray[np.intp] | None
    shape: tuple[int, ...]


def _places(index: _Index) -> _Places:
    low, high = int(index.min()), int(index.max())
    if low == high:
        return _Places(low, high, None, index.shape)
    size = math.prod(index.shape[1:])
    flat = (index - np.int8(low)).astype(np.intp)
    flat *= size
    flat += np.arange(size).reshape(index.shape[1:])
    return _Places(low, high, flat, index.shape)


def _picked(of_intervals: FloatArray, places: _Places) -> FloatArray:
    """Pick each query's coefficient out of those of the intervals, shape (interval, ...)."""
    if places.flat is None:
        return np.asarray(of_intervals[0])
    shape = (places.high - places.low + 1, *places.shape[1:])
    wide = np.broadcast_to(of_intervals, shape).reshape(-1)
    return np.asarray(np.take(wide, places.flat, mode="clip"))


def _windows(values: FloatArray, places: _Places) -> tuple[FloatArray, FloatArray]:
    """Give the lower and the upper ends of the intervals that occur."""
    return values[places.low : places.high + 1], values[places.low + 1 : places.high + 2]


def _slopes_around(x: FloatArray, y: FloatArray, places: _Places) -> tuple[FloatArray, FloatArray]:
    """Give the slopes at both ends of the intervals that occur, from the next knots only."""
    needed = _needed(places, x.shape[0])
    slopes = monotone_slopes(x[needed], y[needed])
    return _windows(slopes, _counted_from(places, needed.start))


def _needed(places: _Places, knots: int) -> slice:
    """Give the knots that values and slopes in the intervals that occur depend on."""
    return slice(max(places.low - 1, 0), min(places.high + 3, knots))


def _counted_from(places: _Places, first: int) -> _Places:
    return places._replace(low=places.low - first, high=places.high - first)


class Located(NamedTuple):
    """Where queries lie between the knots; serves every quantity read at the same speeds.

    `h` are widths of the intervals that occur, `t` places in them from 0 to 1 (queries past the
    ends are held there).
    """

    x: FloatArray
    at: FloatArray
    places: _Places
    h: FloatArray
    t: FloatArray
    below: BoolArray
    above: BoolArray

    @property
    def needed(self) -> slice:
        """The knots that any value read off here depends on."""
        return _needed(self.places, self.x.shape[0])

    def among(self, knots: slice) -> Located:
        """Give the same queries among some of the knots, `needed` or more."""
        return self._replace(x=self.x[knots], places=_counted_from(self.places, knots.start))


def locate(x: FloatArray, at: FloatArray) -> Located:
    """Find where queries, shape (query, ...), lie between two strictly rising knots or more."""
    wide = np.broadcast_to(at, at.shape[:1] + np.broadcast_shapes(at.shape[1:], x.shape[1:]))
    index = np.zeros(wide.shape, dtype=np.int8)
    for knot in range(1, x.shape[0] - 1):
        index += (wide.real >= x[knot].real).view(np.int8)
    places = _places(index)
    left, right = _windows(x, places)
    h = right - left
    t = wide - _picked(left, places)
    if is_step(t, h):
        t = held(t / _picked(h, places), 0.0, 1.0)
    else:
        t /= _picked(h, places)
        np.maximum(t, 0.0, out=t)
        np.minimum(t, 1.0, out=t)
    return Located(x, at, places, h, t, wide.real < x[0].real, wide.real > x[-1].real)


def monotone_values(x: FloatArray, y: FloatArray, at: FloatArray) -> Solved:
    """Evaluate the monotone cubic inside its knots; past the ends hold the end value."""
    shape = np.broadcast_shapes(at.shape[1:], x.shape[1:], y.shape[1:])
    return _values_at(locate(x, np.broadcast_to(at, at.shape[:1] + shape)), y)


def _values_at(located: Located, y: FloatArray) -> Solved:
    """Cubic Hermite on each interval, written so that its ends give the knots exactly."""
    places, t = located.places, located.t
    y0, y1 = _windows(y, places)
    d0, d1 = _slopes_around(located.x, y, places)
    rise = y1 - y0
    rest = 1.0 - t
    # on an interval: rest y0 + t y1 + t rest (rest (h d0 - rise) + t (rise - h d1))
    bend = rest * _picked(located.h * d0 - rise, places)
    bend += t * _picked(rise - located.h * d1, places)
    bend *= t
    bend *= rest
    bend += rest * _picked(y0, places)
    bend += t * _picked(y1, places)
    return Solved(bend, located.below, located.above)


def solve_monotone(
    x: FloatArray, y: FloatArray, target: FloatArray, *, continues: bool = True
) -> Solved:
    """Find where the monotone cubic of level over ln speed reaches a target.

    The crossing taken is the upward one of the highest speed. Past the ends the curve runs on
    straight, with its end slope held within 30 to 70 dB a decade of speed; without `continues`
    (an abscissa with no fan law behind it) the ends hold.
    """
    if is_step(x, y, target):
        inside, below, above = _stepped(x, y, target, continues)
    else:
        places, below, above = _upward_interval(y, target)
        x0, x1 = _windows(x, places)
        y0, y1 = _windows(y, places)
        piece = _Piece(x0, x1 - x0, y0, y1 - y0, *_slopes_around(x, y, places))
        inside = _solve_cubic(piece, places, np.broadcast_to(target, places.shape))
    _run_on(inside, below, x, y, target, (0, 1, 2), continues)
    _run_on(inside, above, x, y, target, (-1, -2, -3), continues)
    return Solved(inside, below, above)


def _stepped(
    x: FloatArray, y: FloatArray, target: FloatArray, continues: bool
) -> tuple[FloatArray, BoolArray, BoolArray]:
    """Carry derivatives through the inverse: one Newton step from the root of the real parts."""
    real = [np.asarray(part.real[..., :1]) for part in (x, y, target)]
    root = solve_monotone(real[0], real[1], real[2], continues=continues)
    size = max(part.shape[-1] for part in (x, y, target))
    at = np.broadcast_to(root.at, (*root.at.shape[:-1], size))
    below, above = (np.broadcast_to(side, at.shape) for side in root[1:])
    miss = monotone_values(x, y, at).at - target
    forward: Any = root.at + _INFINITESIMAL * 1j
    ahead = monotone_values(real[0], real[1], forward)
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = ahead.at.imag / _INFINITESIMAL
        return at - 1j * (miss.imag / slope), below, above


class _Piece(NamedTuple):
    """Intervals of each curve: start, width, value, rise, and slopes at both ends."""

    x0: FloatArray
    h: FloatArray
    y0: FloatArray
    rise: FloatArray
    d0: FloatArray
    d1: FloatArray


def _run_on(
    values: FloatArray,
    past: BoolArray,
    x: FloatArray,
    y: FloatArray,
    target: FloatArray,
    knots: tuple[int, int, int],
    continues: bool,
) -> None:
    """Put where the curve meets the targets past one of its ends, `knots` from that end on."""
    for beyond, share in _past_and_at(past, target, y[knots[0]]):
        where = np.nonzero(beyond)
        if where[0].size == 0:
            continue
        near = [knot for knot in knots if -x.shape[0] <= knot < x.shape[0]]
        x_end, y_end = (_at(part, near, past.shape, where) for part in (x, y))
        found = x_end[0]
        if continues:
            order = slice(None) if knots[0] == 0 else slice(None, None, -1)
            slope = monotone_slopes(x_end[order], y_end[order])[knots[0]]
            slope = held(slope, SLOPE_LOW / LN10, SLOPE_HIGH / LN10)
            found = found + (np.broadcast_to(target, past.shape)[where] - y_end[0]) / slope
        values[where] = found if share == 1.0 else values[where] + share * (found - values[where])


def _at(
    part: FloatArray, knots: list[int], shape: tuple[int, ...], where: tuple[NDArray[np.intp], ...]
) -> FloatArray:
    """Give some knots of the curves that single queries belong to, shape (knot, query)."""
    return np.stack([np.broadcast_to(part[knot], shape[1:])[where[1:]] for knot in knots])


def _upward_interval(y: FloatArray, target: FloatArray) -> tuple[_Places, BoolArray, BoolArray]:
    """Find the highest interval whose ends rise through the target; else on which side it lies."""
    shape = np.broadcast_shapes(target.shape, target.shape[:1] + y.shape[1:])
    index = np.zeros(shape, dtype=np.int8)
    if bool((y[1:] > y[:-1]).all()):
        for knot in range(1, y.shape[0] - 1):
            index += (target >= y[knot]).view(np.int8)
        return _places(index), target < y[0], target > y[-1]
    found = np.zeros(shape, dtype=np.bool_)
    beneath = y[0] <= target
    for knot in range(y.shape[0] - 1):
        reached = target <= y[knot + 1]
        rises = beneath & reached
        index[rises] = knot
        found |= rises
        beneath = y[knot + 1] < target
    above = ~found & (target > y[-1])
    return _places(index), ~found & ~above, above


def _solve_cubic(piece: _Piece, places: _Places, target: FloatArray) -> FloatArray:
    """Invert the Hermite cubic of each query's interval, where it rises through the target.

    Newton's method from a first-order guess; where it has not settled after a few steps (a flat
    stretch, a bend at the very end), it goes on inside a shrinking bracket. Targets outside the
    interval give its nearer end.
    """
    # In units of the rise: f(t) = t + t (1 - t) (a (1 - t) + b t) - goal
    rise = np.where(piece.rise > 0, piece.rise, np.inf)  # a fall or a flat gives its lower end
    a = _picked(piece.h * piece.d0 / rise - 1.0, places)
    b = _picked(1.0 - piece.h * piece.d1 / rise, places)
    goal = target - _picked(piece.y0, places)
    goal /= _picked(rise, places)
    np.maximum(goal, 0.0, out=goal)
    np.minimum(goal, 1.0, out=goal)
    t = _newton(goal, a, b)
    rough = ~(np.abs(_cubic(t, a, b) - goal) < _CONVERGED)
    if rough.any():
        wide = np.broadcast_arrays(goal, a, b)
        t[rough] = _bracketed(*(part[rough] for part in wide))
    t *= _picked(piece.h, places)
    t += _picked(piece.x0, places)
    return t


def _cubic(t: FloatArray, a: FloatArray, b: FloatArray) -> FloatArray:
    rest = 1.0 - t
    return t + t * rest * (a * rest + b * t)


def _newton(goal: FloatArray, a: FloatArray, b: FloatArray) -> FloatArray:
    """Give a root after a fixed number of steps: no draw's result depends on its neighbours."""
    rest = 1.0 - goal
    t: FloatArray = goal - goal * rest * (a * rest + b * goal)
    np.maximum(t, 0.0, out=t)
    np.minimum(t, 1.0, out=t)
    bend = b - a
    with np.errstate(divide="ignore", invalid="ignore"):
        for _ in range(_NEWTON_STEPS):
            np.subtract(1.0, t, out=rest)
            mix = a * rest
            mix += b * t
            both = t * rest
            slope = (rest - t) * mix
            slope += both * bend
            slope += 1.0
            both *= mix
            both += t
            both -= goal
            both /= slope  # the step
            t -= both
            np.maximum(t, 0.0, out=t)
            np.minimum(t, 1.0, out=t)
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
    """Find where straight lines of level as read over speed reach a target; the ends hold."""
    places, below, above = _upward_interval(reading.real, target.real)
    inside = _either_side(lambda level: _straight_inside(speed, reading, level), target)
    at = np.where(below, speed[0], np.where(above, speed[-1], inside))
    return Solved(np.broadcast_to(at, np.broadcast_shapes(at.shape, places.shape)), below, above)


def _straight_inside(speed: FloatArray, reading: FloatArray, target: FloatArray) -> FloatArray:
    places, _, _ = _upward_interval(reading.real, target.real)
    x0, x1 = _windows(speed, places)
    y0, y1 = _windows(reading, places)
    rise = np.where((y1 - y0).real > 0, y1 - y0, np.inf)  # a fall or a flat gives its lower end
    share = (target - _picked(y0, places)) / _picked(rise, places)
    share = share if is_step(share) else np.clip(share, 0.0, 1.0)
    return np.asarray(_picked(x0, places) + _picked(x1 - x0, places) * share)


def _either_side(read: Callable[[FloatArray], FloatArray], at: FloatArray) -> FloatArray:
    """Read a curve with kinks; a derivative at a kink is the mean of those on both sides."""
    if not is_step(at):
        return read(at)
    nudge = _NUDGE * np.abs(at.real)
    return np.asarray(0.5 * (read(at - nudge) + read(at + nudge)))


def straight_values(x: FloatArray, y: FloatArray, at: FloatArray) -> FloatArray:
    """Evaluate straight lines between knots, held past the ends."""

    def read(at: FloatArray) -> FloatArray:
        values = np.broadcast_to(y[0], np.broadcast_shapes(at.shape, at.shape[:1] + y.shape[1:]))
        for knot in range(x.shape[0] - 1):
            share = (at - x[knot]) / (x[knot + 1] - x[knot])
            share = share if is_step(share) else np.clip(share, 0.0, 1.0)
            line = y[knot] + (y[knot + 1] - y[knot]) * share
            runs = knot == 0 and is_step(share)
            values = line if runs else np.where(at.real > x[knot].real, line, values)
        return np.asarray(values)

    return _either_side(read, at)


def has_full_rank(covariance: FloatArray) -> bool:
    """Say whether every point has an error of its own, so that a fit can be weighed by it."""
    size = np.sqrt(np.diag(covariance))
    if not (size > 0).all():
        return False
    return bool(np.linalg.eigvalsh(covariance / np.outer(size, size))[0] > _SINGULAR)


def precision_of(covariance: FloatArray) -> FloatArray:
    """Invert covariances of steps, shape (curve, knot, knot), on the scale of their own errors."""
    size = np.sqrt(np.einsum("...kk->...k", covariance))
    scale = size[..., :, np.newaxis] * size[..., np.newaxis, :]
    return np.asarray(np.linalg.inv(covariance / scale) / scale)


def weight_of(covariance: FloatArray) -> FloatArray:
    """Give one over the standard uncertainty of each step, shape (knot, curve, 1)."""
    return np.asarray(1.0 / np.sqrt(np.einsum("ckk->kc", covariance)))[:, :, np.newaxis]


def fit_power_law(
    x: FloatArray, y: FloatArray, precision: FloatArray | None = None
) -> tuple[FloatArray, FloatArray]:
    """Fit level = intercept + slope * ln speed by least squares, every draw by itself.

    With a precision, the inverse covariance of the knots of each curve (curve, knot, knot), `x` and
    `y` have shape (knot, curve, draw); without it every knot counts alike.
    """
    if precision is None:
        centre, middle = x.mean(axis=0), y.mean(axis=0)
        dx = x - centre
        slope = (dx * (y - middle)).sum(axis=0) / (dx**2).sum(axis=0)
        return middle - slope * centre, slope
    share = precision.sum(axis=-1).T[:, :, np.newaxis]
    share = share / share.sum(axis=0)
    centre, middle = (share * x).sum(axis=0), (share * y).sum(axis=0)
    dx = x - centre
    weighed = np.einsum("ckj,jcd->kcd", precision, dx)
    slope = (weighed * (y - middle)).sum(axis=0) / (weighed * dx).sum(axis=0)
    return middle - slope * centre, slope


def fit_power_law_with_floor(
    x: FloatArray, y: FloatArray, weight: FloatArray | None = None
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Fit a power law standing on a constant floor, every draw by itself: intercept, slope, floor.

    The model is ``y = 10 lg(10**((intercept + slope x) / 10) + 10**(floor / 10))``; least squares
    in dB by the Levenberg-Marquardt method, the same damping rule for every draw. `weight` is what
    residuals are multiplied by.

    References
    ----------
    Marquardt, J. Soc. Indust. Appl. Math. 11 (1963) 431-441.
    """
    shape = np.broadcast_shapes(x.shape, y.shape)
    if weight is None:
        relative: FloatArray = np.ones((1,) * len(shape))
    else:  # on a scale of its own, so that the damping means the same
        relative = weight / np.sqrt(np.mean(weight**2, axis=0))
    x, y, relative = (
        np.broadcast_to(part, shape).reshape(shape[0], -1) for part in (x, y, relative)
    )
    centre = x.mean(axis=0)
    dx = x - centre
    real = [part.real for part in (dx, y)]
    slope = at_least((real[1][-1] - real[1][-2]) / (real[0][-1] - real[0][-2]), SLOPE_LOW / LN10)
    start = np.stack([real[1][-1] - slope * real[0][-1], slope, real[1][0] - 3.0], axis=-1)
    found = _marquardt(real[0], real[1], start, relative)
    if is_step(dx, y):
        found = _fit_step(dx, y, found, relative)
    at_centre, slope, floor = found.T
    intercept = at_centre - slope * centre
    return intercept.reshape(shape[1:]), slope.reshape(shape[1:]), floor.reshape(shape[1:])


def _floored(dx: FloatArray, parameters: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Levels of the floored power law, and the fan's share of the energy."""
    fan, room = parameters[:, 0] + parameters[:, 1] * dx, parameters[:, 2]
    if is_step(fan, room):
        total = add_room(fan, room)
        return total, np.exp((fan - total) * (LN10 / 10.0))
    energy = fan * (LN10 / 10.0)
    both = np.logaddexp(energy, room * (LN10 / 10.0))
    return both * (10.0 / LN10), np.exp(energy - both)


def _gradient(
    dx: FloatArray, y: FloatArray, parameters: FloatArray, weight: FloatArray
) -> FloatArray:
    """Give what is 0 at the least squares, shape (fit, 3)."""
    model, share = _floored(dx, parameters)
    jacobian = np.stack([share, share * dx, 1.0 - share], axis=-1)
    return np.asarray(np.einsum("kni,kn->ni", jacobian, weight**2 * (y - model)))


def _fit_step(dx: FloatArray, y: FloatArray, found: FloatArray, weight: FloatArray) -> FloatArray:
    """Carry derivatives through the fit: the implicit function of its vanishing gradient."""
    moves: Any = 1j * _INFINITESIMAL * np.eye(3)
    bent = [_gradient(dx.real, y.real, found + move, weight).imag for move in moves]
    bend = np.stack(bent, axis=-1) / _INFINITESIMAL
    there: Any = found + 0j
    moved = _gradient(dx, y, there, weight).imag[..., np.newaxis]
    return np.asarray(found - 1j * np.linalg.solve(bend, moved)[..., 0])


def _marquardt(dx: FloatArray, y: FloatArray, start: FloatArray, weight: FloatArray) -> FloatArray:
    """Fit many floored power laws; each stops by itself, so none hangs on its neighbours.

    `dx`, `y` and `weight` have shape (knot, fit), `start` (fit, 3).
    """
    found = start.copy()
    going = np.arange(len(start))
    damping = np.full(len(start), 1e-2)
    for _ in range(_MARQUARDT_STEPS):
        found[going], damping, settled = _marquardt_step(
            dx[:, going], y[:, going], weight[:, going], found[going], damping
        )
        going, damping = going[~settled], damping[~settled]
        if going.size == 0:
            break
    return found


def _marquardt_step(
    dx: FloatArray, y: FloatArray, weight: FloatArray, parameters: FloatArray, damping: FloatArray
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Go one step where it makes the fit better; give what is settled then."""
    model, share = _floored(dx, parameters)
    left = weight * (y - model)
    jacobian = np.stack([share, share * dx, 1.0 - share], axis=-1) * weight[..., np.newaxis]
    normal = np.einsum("kni,knj->nij", jacobian, jacobian)
    gradient = np.einsum("kni,kn->ni", jacobian, left)
    diagonal = np.einsum("nii->ni", normal)
    damped = normal + (damping[:, np.newaxis] * diagonal + 1e-9)[..., np.newaxis] * np.eye(3)
    step = np.clip(np.linalg.solve(damped, gradient[..., np.newaxis])[..., 0], -20.0, 20.0)
    trial = weight * (y - _floored(dx, parameters + step)[0])
    better: BoolArray = (trial**2).sum(axis=0) <= (left**2).sum(axis=0)
    small = np.abs(step).max(axis=-1) < _MARQUARDT_SETTLED
    damping = np.clip(np.where(better, damping / 4.0, damping * 4.0), 1e-12, 1e8)
    # A step that small and no better: rounding has the last word.
    return np.where(better[:, np.newaxis], parameters + step, parameters), damping, small


def airflow_located(located: Located, airflow: FloatArray) -> Solved:
    """Evaluate airflow where queries were located among its speeds.

    Past the ends lg airflow runs on over lg speed with its end slope held within 0.7 to 1.3 (the
    fan law says 1).
    """
    values = _values_at(located, airflow)
    _carry_on(values.at, located, airflow, located.below, (0, 1, 2))
    _carry_on(values.at, located, airflow, located.above, (-1, -2, -3))
    return values


def _carry_on(
    values: FloatArray,
    located: Located,
    airflow: FloatArray,
    past: BoolArray,
    knots: tuple[int, int, int],
) -> None:
    """Put airflow by the held power law past one end of the speeds, `knots` from that end on."""
    for beyond, share in _past_and_at(past, located.at, located.x[knots[0]]):
        where = np.nonzero(beyond)
        if where[0].size == 0:
            continue
        near = [knot for knot in knots if -located.x.shape[0] <= knot < located.x.shape[0]]
        x, y = (_at(part, near, past.shape, where) for part in (located.x, airflow))
        order = slice(None) if knots[0] == 0 else slice(None, None, -1)
        slope = monotone_slopes(x[order], y[order])[knots[0]]
        at = np.broadcast_to(located.at, past.shape)[where]
        with np.errstate(divide="ignore", invalid="ignore"):
            exponent = np.where(y[0].real > 0, held(slope * x[0] / y[0], *_AIRFLOW_SLOPES), 0.0)
            found = y[0] * np.exp(exponent * np.log(at_least(at / x[0], 1e-9)))
        values[where] = found if share == 1.0 else values[where] + share * (found - values[where])


def _past_and_at(past: BoolArray, at: FloatArray, end: FloatArray) -> list[tuple[BoolArray, float]]:
    """Give what lies past an end; a derivative at the very end is the mean of both sides."""
    if not is_step(at, end):
        return [(past, 1.0)]
    return [(past, 1.0), (np.broadcast_to(at.real == end.real, past.shape), 0.5)]


def at_the_ends(
    inside: FloatArray,
    at: FloatArray,
    ends: tuple[FloatArray, FloatArray],
    beyond: tuple[FloatArray, FloatArray],
    past: tuple[BoolArray, BoolArray],
) -> FloatArray:
    """Put values past the low and the high end of a curve in the place of those inside."""
    for k in range(2):
        for where, share in _past_and_at(past[k], at, ends[k]):
            found = beyond[k] if share == 1.0 else inside + share * (beyond[k] - inside)
            inside = np.where(where, found, inside)
    return np.asarray(inside)


def continued_linear(x: FloatArray, y: FloatArray, at: FloatArray) -> Solved:
    """Evaluate the monotone cubic, running on with its end slope past the ends."""
    slopes = monotone_slopes(x, y)
    inside = monotone_values(x, y, at)
    low = y[0] + slopes[0] * (at - x[0])
    high = y[-1] + slopes[-1] * (at - x[-1])
    values = np.where(inside.below, low, np.where(inside.above, high, inside.at))
    return Solved(values, inside.below, inside.above)


def crossings(x: FloatArray, y: FloatArray, target: float) -> FloatArray:
    """List every abscissa where the monotone cubic of one curve meets the target.

    A flat stretch at the target gives both of its ends.

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
            of_interval: list[Any] = [x[k], x[k + 1] - x[k], sign * y[k], sign * (y[k + 1] - y[k])]
            of_interval += [sign * slopes[k], sign * slopes[k + 1]]
            piece = _Piece(*(np.array([[part]]) for part in of_interval))
            place = _Places(k, k, None, (1, 1))
            found.append(float(_solve_cubic(piece, place, np.array([[sign * target]]))[0, 0]))
    if y[-1] == target:
        found.append(float(x[-1]))
    return np.array(found)
