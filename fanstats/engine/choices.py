"""What is chosen once: slopes of single points, weights of power laws, how far a curve is off."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from fanstats.engine.curves import (
    LN10,
    Solved,
    fit_power_law,
    fit_power_law_with_floor,
    has_full_rank,
    precision_of,
    remove_room,
    weight_of,
)
from fanstats.engine.draws import Moved, Still
from fanstats.engine.ledger import SHARED_BY
from fanstats.engine.points import LevelKnots, fan_level, level_at, level_knots, solve_level
from fanstats.engine.question import Slope

if TYPE_CHECKING:
    from fanstats._typing import BoolArray, FloatArray, IntArray
    from fanstats.engine.layout import Layout, LevelCurves
    from fanstats.engine.ledger import Ledger
    from fanstats.engine.points import Asked

__all__ = ["curve_uncertainty", "slopes_of_points", "weighed"]

# Fan law: 50 lg N for the level, from memory of the fan-law literature; fitted slopes of 40 to 60
# dB a decade are usual, hence a rectangular half width of 10.
_FAN_LAW: Final = Slope(50.0, 10.0 / 3.0**0.5, "from the fan laws (50 lg N)")
# Policy: how far a sweep's overall slope may be off at one point of it, dB a decade.
_OWN_SWEEP: Final = 2.0
_FEWEST: Final = 4  # knots of a curve that says how far a curve may be off
_ROUNDS: Final = 4
# Standard uncertainties that each error is moved by: little, for the room is no straight line.
_STEP: Final = 1e-4
_READING: Final = tuple(SHARED_BY.index(name) for name in ("reading", "room reading"))


# Slopes of single points --------------------------------------------------------------------------


def slopes_of_points(layout: Layout, ledger: Ledger, given: Slope | None) -> list[Slope | None]:
    """Give every model with a curve of a single point the slope that carries it on.

    The one the caller states, else the model's own sweep, the pooled slope of swept models, or the
    fan laws; None for a model without such a curve.
    """
    points: list[bool] = [
        any(layout.is_point(s) for unit in units for s in layout.noise_sittings(unit))
        for units in layout.units
    ]
    if not any(points):
        return [None] * len(layout.models)
    own: list[list[float]] = [[] for _ in layout.models]
    for curves in layout.level_curves(ledger):
        if curves.speed is not None and curves.noise.size > 1:
            knots = level_knots(Still(ledger), replace(curves, kind="smooth"))
            slopes = fit_power_law(np.log(knots.x[..., 0]), knots.level[..., 0])[1]
            for sitting, slope in zip(curves.sittings.tolist(), slopes * LN10, strict=True):
                own[layout.model_of[sitting]].append(float(slope))
    pooled = np.array([np.mean(slopes) for slopes in own if slopes])

    def best(model: int) -> Slope:
        if given is not None:
            return given
        if own[model]:
            return Slope(float(np.mean(own[model])), _OWN_SWEEP, "from the model's own sweep")
        if pooled.size > 1:
            spread = float(np.hypot(pooled.std(ddof=1), _OWN_SWEEP))
            return Slope(float(pooled.mean()), spread, f"pooled over {pooled.size} swept models")
        return _FAN_LAW

    return [best(model) if point else None for model, point in enumerate(points)]


# Weights of power laws ----------------------------------------------------------------------------


def weighed(layout: Layout, ledger: Ledger) -> Layout:
    """Give power laws the covariance that their steps are weighed with.

    Every error counts with what it does to the level of the fan alone at each step, to first order
    at the readings as read: reading errors, grown near the room by taking it off; the room's own
    error, which moves the steps nearest to it most; errors of speed through the slope (effective
    variance). What moves all steps alike shifts the line and leaves the weights as they are. On a
    fitted floor the levels as read are fitted, and errors of single readings alone weigh them. The
    covariance is fixed once; where a step has no error of its own, all steps count alike.

    References
    ----------
    Aitken, A. C. (1935), On least squares and linear combinations of observations, Proceedings of
    the Royal Society of Edinburgh 55, 42-48. Orear, J. (1982), Least squares when both variables
    have uncertainties, American Journal of Physics 50, 912-916.
    """
    if layout.curve != "power law":
        return layout
    found: dict[int, FloatArray] = {}
    for curves in layout.level_curves(ledger):
        if curves.noise.size > 2:
            covariances = _covariances(ledger, curves)
            pairs = zip(curves.sittings.tolist(), covariances, strict=True)
            found |= {sitting: own for sitting, own in pairs if has_full_rank(own)}
    return replace(layout, covariances=found)


def _covariances(ledger: Ledger, curves: LevelCurves) -> FloatArray:
    """Give the covariance of the steps about the line of each curve, shape (curve, knot, knot)."""
    fitted = curves.room_kind == "fitted"
    # As read where the floor is a parameter of the fit; the room taken off else.
    plain = replace(curves, kind="smooth", room_kind="unknown" if fitted else curves.room_kind)
    wanted = np.isin(ledger.label_space, _READING) | (not fitted)
    knots = level_knots(Moved(ledger, plain.inputs(), wanted, step=_STEP), plain)
    x = np.broadcast_to(np.log(knots.x), knots.level.shape)
    along, across = x[:, :, 1:] - x[:, :, :1], knots.level[:, :, 1:] - knots.level[:, :, :1]
    first, y = x[:, :, :1], knots.level[:, :, :1]
    count, models = y.shape[:2]
    covariance = np.broadcast_to(np.eye(count), (models, count, count))
    for _ in range(_ROUNDS):
        moved = (across - _slopes(first, y, covariance, fitted=fitted) * along) / _STEP
        covariance = np.einsum("kcl,jcl->ckj", moved, moved)
        if not all(has_full_rank(one) for one in covariance):
            break
    return covariance


def _slopes(x: FloatArray, y: FloatArray, covariance: FloatArray, *, fitted: bool) -> FloatArray:
    """Give the slope at each step, dB a unit of ln speed, shape (knot or 1, curve, 1)."""
    if not fitted:
        return fit_power_law(x, y, precision_of(covariance))[1][np.newaxis]
    intercept, slope, floor = fit_power_law_with_floor(x, y, weight_of(covariance))
    above = (intercept + slope * x - floor) * LN10 / 10.0
    return np.asarray(slope / (1.0 + np.exp(-above)))


# The choice of curve ------------------------------------------------------------------------------


def curve_uncertainty(asked: Asked) -> tuple[float, int]:
    """Pool what leaving the step nearest the target out does to the speed read.

    At one speed the target is each curve's own level there: the curve without its step has that
    level at another speed.

    With ``d`` the relative change of speed and ``v`` what reading noise alone moves it, the
    standard uncertainty is ``sqrt(max(0, mean(d**2 - v))) / 2``: half, because the full curve has
    steps twice as close. A curve says nothing where its nearest step is an end, where it has fewer
    than four usable knots, or where it does not reach the target. Given with how many curves said
    something; NaN where none did.
    """
    if asked.problem:
        return float("nan"), 0
    wanted = np.isin(asked.ledger.label_space, _READING)
    found: list[float] = []
    for curves in asked.layout.level_curves(asked.ledger):
        over_speed = asked.question.kind == "equal noise" or curves.speed is not None
        if over_speed and curves.noise.size >= _FEWEST:
            found += _excesses(asked, curves, wanted)
    if not found:
        return float("nan"), 0
    return float(np.sqrt(max(0.0, np.mean(np.sort(found)))) / 2.0), len(found)


def _excesses(asked: Asked, curves: LevelCurves, labels: BoolArray) -> list[float]:
    """Give d squared minus v for each of several alike curves that says something."""
    moved = Moved(asked.ledger, curves.inputs(), labels)
    knots = level_knots(moved, curves)
    if asked.question.kind == "equal speed":
        at = np.full((1, curves.sittings.size, moved.size), asked.at)
        wanted, *past = level_at(curves, knots, at)
        full = Solved(at, *past)
    else:
        wanted = _wanted(moved, asked, curves, knots)
        full = solve_level(curves, knots, wanted)
    distance = np.abs(knots.level[:, :, 0] - wanted[0, :, 0])
    nearest = np.argmin(distance, axis=0)
    usable = ~(full.below | full.above)[0, :, 0]
    found: list[float] = []
    for inner in range(1, curves.noise.size - 1):
        columns = np.flatnonzero(usable & (nearest == inner))
        if columns.size:
            fewer = _without(curves, knots, inner, columns)
            here = wanted[:, columns] if wanted.shape[1] > 1 else wanted
            # A fitted floor stays that of the whole sweep; only the fan's own line is fitted again.
            kind = "read" if curves.room_kind == "fitted" else curves.room_kind
            again = solve_level(replace(curves, room_kind=kind), fewer, here)
            change = again.at[0] / full.at[0, columns] - 1.0
            by_reading = np.sum((change[:, 1:] - change[:, :1]) ** 2, axis=1)
            found += (change[:, 0] ** 2 - by_reading).tolist()
    return found


def _wanted(x: Still, asked: Asked, curves: LevelCurves, knots: LevelKnots) -> FloatArray:
    """Give the level to be met, shape (1, curve or 1, draw)."""
    if curves.room_kind == "read":
        return fan_level(x, asked, asked.ledger.reference_inputs(curves.sittings.size))[0][
            np.newaxis
        ]
    level = np.full((1, 1, x.size), asked.at)
    if curves.room_kind == "fitted" and asked.question.background == "included":
        return remove_room(level, knots.room)
    return level


def _without(
    curves: LevelCurves, knots: LevelKnots, left_out: int, columns: IntArray
) -> LevelKnots:
    keep = np.arange(knots.x.shape[0]) != left_out
    x, level = knots.x[keep][:, columns], knots.level[keep][:, columns]
    fit: Any = None
    if knots.fit is not None:
        precision = None
        if curves.covariance is not None:
            precision = precision_of(curves.covariance[columns][:, keep][:, :, keep])
        fit = fit_power_law(np.log(x), level, precision)
    return LevelKnots(x, level, knots.room[columns], fit)
