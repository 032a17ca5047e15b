"""How much each step counts in a power law: the covariance of the steps' errors."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from fanstats.estimates.curves import (
    fit_power_law,
    fit_power_law_with_floor,
    precision_of,
    weight_of,
)
from fanstats.estimates.draws import OneAtATime, Recorder
from fanstats.estimates.generalised_fit import has_full_rank
from fanstats.estimates.level_curve import LevelCurve, level_knots_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from fanstats._typing import FloatArray
    from fanstats.sources import Bench

__all__ = ["weighed"]

_BATCH: Final = 16
_ROUNDS: Final = 4
# Standard uncertainties that each error is moved by: little, for the room is no straight line.
_STEP: Final = 1e-4
# In a label: rig, instrument, level of sharing, source.
_LEVEL_OF_SHARING: Final = 2


def weighed(bench: Bench, curves: Iterable[LevelCurve]) -> dict[int, LevelCurve]:
    """Give power laws the covariance that their steps are weighed with.

    Parameters
    ----------
    bench : Bench
        What is stated about the instruments.
    curves : iterable of LevelCurve
        Those of another kind, with a problem or with two knots are left out: two steps give the
        same line whatever they weigh.

    Returns
    -------
    dict
        The curves by identity of those given.

    Notes
    -----
    Every error counts with what it does to the level of the fan alone at each step, to first order
    at the readings as read: reading errors, grown near the room by taking it
    off; the room's own error, which moves the steps nearest to it most; errors of speed through
    the slope (effective variance). What moves all steps alike, such as mounting or calibration, or
    goes straight along ln speed, such as a relative error of all speeds, shifts the line and
    leaves the weights of the steps to each other as they are. On a fitted floor the levels as read
    are fitted, and errors of single readings alone weigh them: what they share moves the line and
    the floor together.

    The covariance is fixed once, so all draws and the value use the same weights. Where a step has
    no error of its own stated, all steps count alike.

    References
    ----------
    Aitken, A. C. (1935), On least squares and linear combinations of observations, Proceedings of
    the Royal Society of Edinburgh 55, 42-48. Orear, J. (1982), Least squares when both variables
    have uncertainties, American Journal of Physics 50, 912-916.
    """
    groups: dict[tuple[object, ...], list[LevelCurve]] = {}
    for curve in curves:
        if curve.kind == "power law" and not curve.problem and curve.knots.count > 2:
            cells = (curve.knots.count, curve.knots.group.tobytes())
            key = (curve.sitting.rig, curve.room, curve.channel, curve.omit_shared, cells)
            groups.setdefault(key, []).append(curve)
    found: dict[int, LevelCurve] = {}
    for alike in groups.values():
        for start in range(0, len(alike), _BATCH):
            part = alike[start : start + _BATCH]
            for curve, covariance in zip(part, _covariances(bench, part), strict=True):
                usable = has_full_rank(covariance)
                found[id(curve)] = replace(curve, covariance=covariance) if usable else curve
    return found


def _covariances(bench: Bench, curves: Sequence[LevelCurve]) -> FloatArray:
    """Give the covariance of the steps about the line of each curve, shape (curve, knot, knot)."""
    fitted = curves[0].room == "fitted"
    # As read where the floor is a parameter of the fit; the room taken off else.
    plain = [replace(c, kind="smooth", room="unknown" if fitted else c.room) for c in curves]
    recorder = Recorder()
    level_knots_of(recorder, bench, plain)
    labels = [
        label
        for label in recorder.labels
        if not fitted or label[_LEVEL_OF_SHARING : _LEVEL_OF_SHARING + 1] == ("reading",)
    ]
    knots = level_knots_of(OneAtATime(labels, step=_STEP), bench, plain)
    x = np.broadcast_to(np.log(knots.x), knots.level.shape)
    along, across = x[:, :, 1:] - x[:, :, :1], knots.level[:, :, 1:] - knots.level[:, :, :1]
    first, y = x[:, :, :1], knots.level[:, :, :1]
    covariance = np.broadcast_to(np.eye(len(x)), (len(curves), len(x), len(x)))
    for _ in range(_ROUNDS):
        moved = (across - _slopes(first, y, covariance, fitted=fitted) * along) / _STEP
        covariance = np.einsum("kcl,jcl->ckj", moved, moved)
        if not all(has_full_rank(one) for one in covariance):
            break
    return covariance


def _slopes(x: FloatArray, y: FloatArray, covariance: FloatArray, *, fitted: bool) -> FloatArray:
    """Give the slope at each step, dB a unit of ln speed, shape (knot or 1, curve, 1)."""
    precision = precision_of(covariance)
    if not fitted:
        return fit_power_law(x, y, precision)[1][np.newaxis]
    intercept, slope, floor = fit_power_law_with_floor(x, y, weight_of(covariance))
    above = (intercept + slope * x - floor) * np.log(10.0) / 10.0
    return np.asarray(slope / (1.0 + np.exp(-above)))
