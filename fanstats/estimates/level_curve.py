"""The level of the fan alone over speed, one sitting at a time, and its inverse."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from fanstats._typing import BoolArray, FloatArray
from fanstats.estimates.curves import (
    SLOPE_HIGH,
    SLOPE_LOW,
    CurveKind,
    Solved,
    fit_power_law,
    fit_power_law_with_floor,
    monotone_slopes,
    monotone_values,
    precision_of,
    solve_monotone,
    solve_straight,
    weight_of,
)
from fanstats.estimates.knots import Abscissa, Knots, abscissa_draws_of, choose_knots, merged
from fanstats.estimates.perturbation import reading_errors_of, room_errors
from fanstats.levels.kernels import FLOOR, add_levels, subtract_levels

if TYPE_CHECKING:
    from collections.abc import Sequence

    from fanstats.estimates.draws import Draws
    from fanstats.estimates.sittings import Channel, Sitting
    from fanstats.sources import Bench

__all__ = ["LevelCurve", "LevelKnots", "Slope", "level_curve", "precision", "remove_room"]

# Policy: a draw closer to the room than this is held here and counted as below.
HELD_ABOVE_ROOM: Final = FLOOR
_LN10: Final = float(np.log(10.0))
_EVERY: Final = slice(None)


def remove_room(total: FloatArray, room: FloatArray) -> FloatArray:
    """Take the room off a reading, by energy, which leaves the level of the fan alone.

    Parameters
    ----------
    total, room : ndarray
        dB, broadcastable. A total less than 0.2 dB above the room is held there.

    Returns
    -------
    ndarray
        dB.
    """
    return subtract_levels(total, room, floor=HELD_ABOVE_ROOM)[0]


class Slope(NamedTuple):
    """How the level of the fan alone rises with speed, where a curve is a single point.

    Attributes
    ----------
    value, uncertainty : float
        dB a decade of speed, and its standard uncertainty.
    origin : str
        Where it comes from, in words.
    """

    value: float
    uncertainty: float
    origin: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LevelCurve:
    """How one sitting's noise readings are to be read: chosen once, at the readings as read.

    Attributes
    ----------
    sitting : Sitting
        The sitting.
    channel : tuple of str
        ``("noise", "")`` in free air.
    kind : {"smooth", "straight", "power law"}
        Curve through the knots.
    abscissa : {"speed", "drive_voltage", "drive_duty"}
        What it runs over.
    knots : Knots
        Cells that carry it.
    room : {"read", "fitted", "unknown"}
        Whether the room was read, is the floor of the fit, or is unknown.
    omit_shared : bool
        Whether the meter's shared error is left out (target as read).
    problem : str
        Why nothing can be read off it, "" where something can.
    slope : Slope or None
        What carries a single point on; None where the curve has a slope of its own.
    covariance : ndarray, shape (knot, knot), or None
        What the knots of a power law are weighed with; None where all count alike.
    """

    sitting: Sitting
    channel: Channel
    kind: CurveKind
    abscissa: Abscissa
    knots: Knots
    room: str
    omit_shared: bool
    problem: str = ""
    slope: Slope | None = None
    covariance: FloatArray | None = None

    @property
    def over_speed(self) -> bool:
        """Whether the curve runs over speed, so that fan laws hold past its ends."""
        return self.abscissa in ("speed", "relative")

    @property
    def is_point(self) -> bool:
        """Whether a single step carries the curve: dialled in, or a number off a chart."""
        return self.knots.count == 1


class LevelKnots(NamedTuple):
    """Knots of level curves, perturbed; the axis of curves is left out for a single one.

    Attributes
    ----------
    x : ndarray, shape (knot, curve, draw) or (knot, curve, 1)
        Speed or drive.
    level : ndarray, shape (knot, curve, draw)
        Level of the fan alone where the room is known, else as read; dB.
    room : ndarray, shape (curve, draw)
        Level of the room in each sitting; minus infinity where unknown.
    fit : tuple of ndarray or None
        Intercept and slope of a power law over ln speed, each of shape (curve, draw); of several
        knots by least squares, weighed with `LevelCurve.covariance`.
    """

    x: FloatArray
    level: FloatArray
    room: FloatArray
    fit: tuple[FloatArray, FloatArray] | None


def level_curve(
    bench: Bench,
    sitting: Sitting,
    channel: Channel,
    abscissa: Abscissa,
    kind: CurveKind,
    *,
    omit_shared: bool,
) -> LevelCurve:
    """Choose the knots of one sitting's level curve, or say why it has none.

    Parameters
    ----------
    bench : Bench
        What is stated about the instruments.
    sitting : Sitting
        The sitting.
    channel : tuple of str
        ``("noise", "")``, or noise behind an obstruction.
    abscissa : {"speed", "drive_voltage", "drive_duty"}
        What the curve runs over.
    kind : {"smooth", "straight", "power law"}
        Curve through the knots.
    omit_shared : bool
        Leave the noise instrument's shared error out.

    Returns
    -------
    LevelCurve
    """
    knots = choose_knots(bench, sitting, channel, abscissa, above=sitting.background)
    room = "read" if np.isfinite(sitting.background) else "unknown"
    problem = _problem(knots, kind, abscissa)
    if room == "unknown" and kind == "power law" and knots.count >= 4:
        room = "fitted"
    return LevelCurve(
        sitting=sitting,
        channel=channel,
        kind=kind,
        abscissa=abscissa,
        knots=knots,
        room=room,
        omit_shared=omit_shared,
        problem=problem,
    )


def _problem(knots: Knots, kind: CurveKind, abscissa: Abscissa) -> str:
    if knots.count == 0:
        lost = bool(knots.dropped)
        return "at the room's floor: no step clears the room" if lost else "no noise readings"
    if knots.count < 2 and abscissa not in ("speed", "relative"):
        return "only one usable step over drive: a curve needs two"
    if knots.count < 2:
        return ""
    if kind == "power law" and abscissa != "speed":
        return "a power law needs speed readings"
    return ""


def level_knots(draws: Draws, bench: Bench, curve: LevelCurve) -> LevelKnots:
    """Perturb the knots of one level curve.

    Parameters
    ----------
    draws : Draws
        Where draws come from.
    bench : Bench
        What is stated about the instruments.
    curve : LevelCurve
        The curve.

    Returns
    -------
    LevelKnots
        Without the axis of curves.
    """
    knots = level_knots_of(draws, bench, [curve])
    fit = None if knots.fit is None else (knots.fit[0][0], knots.fit[1][0])
    return LevelKnots(knots.x[:, 0], knots.level[:, 0], knots.room[0], fit)


def level_knots_of(draws: Draws, bench: Bench, curves: Sequence[LevelCurve]) -> LevelKnots:
    """Perturb the knots of several level curves that are alike: one rig, equally many knots.

    Parameters
    ----------
    draws : Draws
        Where draws come from.
    bench : Bench
        What is stated about the instruments.
    curves : sequence of LevelCurve
        The curves.

    Returns
    -------
    LevelKnots
        With an axis of curves before the draws.
    """
    key = ("level knots", *(id(curve) for curve in curves))
    return draws.in_full(key, lambda whole: _perturbed(whole, bench, curves))


def _perturbed(draws: Draws, bench: Bench, curves: Sequence[LevelCurve]) -> LevelKnots:
    first = curves[0]
    sittings = [curve.sitting for curve in curves]
    knots = [curve.knots for curve in curves]
    indices = [k.index for k in knots]
    errors = reading_errors_of(
        draws, bench, sittings, first.channel, indices, omit_shared=first.omit_shared
    )
    cells = [
        sitting.channels[first.channel].values[index]
        for sitting, index in zip(sittings, indices, strict=True)
    ]
    reading = merged(knots[0], np.stack(cells, axis=1)[:, :, None] + errors.reading, "energy")
    x = abscissa_draws_of(draws, bench, sittings, first.abscissa, knots)
    fan = merged(knots[0], errors.fan) if errors.fan.shape[0] > 1 else errors.fan
    if first.room == "fitted":
        intercept, slope, room = fit_power_law_with_floor(np.log(x), reading, _weights(curves))
        level = remove_room(reading, room) + fan
        return LevelKnots(x, level, room, (intercept + fan[0], slope))
    if first.room == "read":
        background = np.array([[sitting.background] for sitting in sittings])
        room = background + room_errors(draws, bench, sittings, omit_shared=first.omit_shared)
        level = remove_room(reading, room)
        level += fan
    else:
        room, level = np.full((len(curves), draws.size), -np.inf), reading + fan
    fit = None
    if first.is_point:
        fit = _through_point(draws, curves, x, level)
    elif first.kind == "power law":
        fit = fit_power_law(np.log(x), level, precision(curves))
    return LevelKnots(x, level, room, fit)


def precision(curves: Sequence[LevelCurve], kept: BoolArray | slice = _EVERY) -> FloatArray | None:
    """Give what the knots of alike power laws weigh, shape (curve, knot, knot).

    Parameters
    ----------
    curves : sequence of LevelCurve
        The curves.
    kept : ndarray of bool, shape (knot,), or slice
        Which knots the line runs through.

    Returns
    -------
    ndarray or None
        None where all knots of all curves count alike.
    """
    if all(curve.covariance is None for curve in curves):
        return None
    return precision_of(_covariances(curves)[:, kept][:, :, kept])


def _covariances(curves: Sequence[LevelCurve]) -> FloatArray:
    alike = np.eye(curves[0].knots.count)
    return np.stack([alike if c.covariance is None else c.covariance for c in curves])


def _weights(curves: Sequence[LevelCurve]) -> FloatArray | None:
    """Give what residuals about a floored power law are multiplied by; None where all alike."""
    if all(curve.covariance is None for curve in curves):
        return None
    return weight_of(_covariances(curves))


def _through_point(
    draws: Draws, curves: Sequence[LevelCurve], x: FloatArray, level: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Carry single points on by their slopes."""
    slopes = []
    for curve in curves:
        assert curve.slope is not None
        z = draws.standard(("slope", curve.sitting.model), "normal")
        slopes.append(np.maximum(curve.slope.value + curve.slope.uncertainty * z, SLOPE_LOW / 2))
    slope = np.stack(slopes) / _LN10
    return np.asarray(level[0] - slope * np.log(x[0])), slope


def solve_level(curve: LevelCurve, knots: LevelKnots, target: FloatArray) -> Solved:
    """Find the speed (or drive) at which the curve meets a target.

    Parameters
    ----------
    curve : LevelCurve
        The curve.
    knots : LevelKnots
        Its perturbed knots.
    target : ndarray, shape (query, draw)
        Level of the fan alone where the room is known, else as read; dB.

    Returns
    -------
    Solved
        Speed or drive, not its logarithm.
    """
    if curve.is_point and knots.fit is not None:
        intercept, slope = knots.fit
        nowhere = np.zeros(np.broadcast_shapes(target.shape, slope.shape), dtype=np.bool_)
        return Solved(np.exp((target - intercept) / slope), nowhere, nowhere)
    if curve.kind == "power law" and knots.fit is not None:
        return _solve_power_law(knots, knots.fit, target)
    if curve.kind == "straight":
        return _solve_straight(curve, knots, target)
    x = np.log(knots.x) if curve.over_speed else knots.x
    solved = solve_monotone(x, knots.level, target, continues=curve.over_speed)
    if not curve.over_speed:
        return solved
    at = np.exp(solved.at)
    # exp(ln N) may round past the very step it stands on: that is inside the sweep.
    last = np.broadcast_to(knots.x[-1], at.shape)
    np.minimum(at, last, out=at, where=~solved.above)
    return Solved(at, *solved[1:])


def _solve_power_law(
    knots: LevelKnots, fit: tuple[FloatArray, FloatArray], target: FloatArray
) -> Solved:
    intercept, slope = fit
    # A fit that does not rise is no fan law; its slope is held as past the ends of a sweep.
    held = np.maximum(slope, SLOPE_LOW / _LN10)
    speed = np.exp((target - intercept) / held)
    return Solved(speed, speed < knots.x[0] * (1 - 1e-9), speed > knots.x[-1] * (1 + 1e-9))


def _solve_straight(curve: LevelCurve, knots: LevelKnots, target: FloatArray) -> Solved:
    reading, wanted = add_levels(knots.level, knots.room), add_levels(target, knots.room)
    solved = solve_straight(knots.x, reading, wanted)
    if not (curve.over_speed and (solved.below.any() or solved.above.any())):
        return solved
    low = _end_speed(knots, 0, 1, target)
    high = _end_speed(knots, -1, -2, target)
    at = np.where(solved.below, low, np.where(solved.above, high, solved.at))
    return Solved(at, solved.below, solved.above)


def _end_speed(knots: LevelKnots, end: int, inner: int, target: FloatArray) -> FloatArray:
    span = np.log(knots.x[end]) - np.log(knots.x[inner])
    slope = np.clip(
        (knots.level[end] - knots.level[inner]) / span, SLOPE_LOW / _LN10, SLOPE_HIGH / _LN10
    )
    return np.asarray(knots.x[end] * np.exp((target - knots.level[end]) / slope))


def level_at(curve: LevelCurve, knots: LevelKnots, at: FloatArray) -> Solved:
    """Evaluate the level of the fan alone at a speed (or drive).

    Parameters
    ----------
    curve : LevelCurve
        The curve.
    knots : LevelKnots
        Its perturbed knots.
    at : ndarray, shape (query, draw)
        Speed or drive.

    Returns
    -------
    Solved
        Level in `at`, dB; past the ends it runs on within 30 to 70 dB a decade of speed.
    """
    below: BoolArray = at < knots.x[0]
    above: BoolArray = at > knots.x[-1]
    if curve.is_point and knots.fit is not None:
        nowhere = np.zeros_like(below)
        return Solved(knots.fit[0] + knots.fit[1] * np.log(at), nowhere, nowhere)
    if curve.kind == "power law" and knots.fit is not None:
        intercept, slope = knots.fit
        return Solved(intercept + slope * np.log(at), below, above)
    if curve.kind == "straight":
        reading = add_levels(knots.level, knots.room)
        values = _straight_values(knots.x, reading, at)
        inside = remove_room(values, knots.room) if curve.room != "unknown" else values
    else:
        x = np.log(knots.x) if curve.over_speed else knots.x
        inside = monotone_values(x, knots.level, np.log(at) if curve.over_speed else at).at
    if not (curve.over_speed and (below.any() or above.any())):
        return Solved(inside, below, above)
    slopes = np.clip(
        monotone_slopes(np.log(knots.x), knots.level), SLOPE_LOW / _LN10, SLOPE_HIGH / _LN10
    )
    low = knots.level[0] + slopes[0] * np.log(at / knots.x[0])
    high = knots.level[-1] + slopes[-1] * np.log(at / knots.x[-1])
    return Solved(np.where(below, low, np.where(above, high, inside)), below, above)


def _straight_values(x: FloatArray, y: FloatArray, at: FloatArray) -> FloatArray:
    """Evaluate straight lines between knots, held past the ends."""
    values = np.broadcast_to(y[0], np.broadcast_shapes(at.shape, at.shape[:1] + y.shape[1:]))
    for knot in range(x.shape[0] - 1):
        share = np.clip((at - x[knot]) / (x[knot + 1] - x[knot]), 0.0, 1.0)
        line = y[knot] + (y[knot + 1] - y[knot]) * share
        values = np.where(at > x[knot], line, values)
    return np.asarray(values)
