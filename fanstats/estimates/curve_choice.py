"""How far the choice of curve may be off: leave one step out and see how the reading moves."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from fanstats.estimates.curves import fit_power_law
from fanstats.estimates.draws import Label, OneAtATime, Recorder
from fanstats.estimates.level_curve import LevelKnots, level_knots, remove_room, solve_level

if TYPE_CHECKING:
    from collections.abc import Iterable

    from fanstats._typing import FloatArray
    from fanstats.estimates.draws import Draws
    from fanstats.estimates.level_curve import LevelCurve
    from fanstats.estimates.target import NoiseTarget
    from fanstats.sources import Bench

__all__ = ["curve_uncertainty"]

_LEVEL_OF_SHARING = 2  # place of the level of sharing in a label
_FEWEST = 4


def curve_uncertainty(
    bench: Bench, curves: Iterable[LevelCurve], target: NoiseTarget
) -> tuple[float, int]:
    """Pool what leaving the step nearest the target out does to the speed read.

    With ``d`` the relative change of speed and ``v`` what reading noise alone moves it, the
    standard uncertainty is ``sqrt(max(0, mean(d**2 - v))) / 2``: half, because the full curve has
    steps twice as close. A curve says nothing where its nearest step is an end, where it has fewer
    than four usable knots, or where it does not reach the target.

    Parameters
    ----------
    bench : Bench
        What is stated about the instruments.
    curves : iterable of LevelCurve
        The noise curves of the table.
    target : NoiseTarget
        The target.

    Returns
    -------
    u : float
        Relative standard uncertainty of a speed; NaN where no curve says anything.
    curves : int
        How many curves said something.
    """
    found = [_excess(bench, curve, target) for curve in curves]
    told = np.array([excess for excess in found if excess is not None])
    if told.size == 0:
        return float("nan"), 0
    return float(np.sqrt(max(0.0, told.mean())) / 2.0), int(told.size)


def _excess(bench: Bench, curve: LevelCurve, target: NoiseTarget) -> float | None:
    """Give d squared minus v for one curve, None where it says nothing."""
    if curve.problem or curve.knots.count < _FEWEST or target.problem:
        return None
    recorder = Recorder()
    level_knots(recorder, bench, curve)
    reading: list[Label] = [
        label for label in recorder.labels if label[_LEVEL_OF_SHARING] == "reading"
    ]
    moved = OneAtATime(reading)
    knots = level_knots(moved, bench, curve)
    wanted = _wanted(moved, bench, curve, knots, target)
    full = solve_level(curve, knots, wanted)
    if full.below[0, 0] or full.above[0, 0]:
        return None
    nearest = int(np.argmin(np.abs(knots.level[:, 0] - wanted[0, 0])))
    if nearest in (0, curve.knots.count - 1):
        return None
    fewer = solve_level(replace(curve, room=_room(curve)), _without(knots, nearest), wanted)
    change = (fewer.at / full.at - 1.0)[0]
    return float(change[0] ** 2 - np.sum((change[1:] - change[0]) ** 2))


def _room(curve: LevelCurve) -> str:
    # A fitted floor stays that of the whole sweep; only the fan's own line is fitted again.
    return "read" if curve.room == "fitted" else curve.room


def _wanted(
    draws: Draws, bench: Bench, curve: LevelCurve, knots: LevelKnots, target: NoiseTarget
) -> FloatArray:
    if curve.room == "read":
        return target.fan_level(draws, bench).level[None, :]
    level = np.full((1, draws.size), target.level)
    if curve.room == "fitted" and target.background == "included":
        return remove_room(level, knots.room)
    return level


def _without(knots: LevelKnots, left_out: int) -> LevelKnots:
    keep = np.arange(knots.x.shape[0]) != left_out
    x, level = knots.x[keep], knots.level[keep]
    fit = None if knots.fit is None else fit_power_law(np.log(x), level)
    return LevelKnots(x, level, knots.room, fit)
