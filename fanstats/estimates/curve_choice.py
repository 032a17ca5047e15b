"""How far the choice of curve may be off: leave one step out and see how the reading moves."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from fanstats.estimates.curves import Solved, fit_power_law
from fanstats.estimates.draws import Label, OneAtATime, Recorder
from fanstats.estimates.level_curve import (
    LevelKnots,
    level_at,
    level_knots_of,
    precision,
    remove_room,
    solve_level,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from fanstats._typing import FloatArray, IntArray
    from fanstats.estimates.draws import Draws
    from fanstats.estimates.level_curve import LevelCurve
    from fanstats.estimates.target import NoiseTarget
    from fanstats.sources import Bench

__all__ = ["curve_uncertainty"]

# In a label: rig, instrument, level of sharing, source, and then what it belongs to.
_LEVEL_OF_SHARING = 2
_NAMED = 4
_FEWEST = 4


def curve_uncertainty(
    bench: Bench, curves: Iterable[LevelCurve], target: NoiseTarget | float
) -> tuple[float, int]:
    """Pool what leaving the step nearest the target out does to the speed read.

    At one speed the target is each curve's own level there: the curve without its step has that
    level at another speed.

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
    target : NoiseTarget or float
        The target, or the speed in rpm that everything is read off at.

    Returns
    -------
    u : float
        Relative standard uncertainty of a speed; NaN where no curve says anything.
    curves : int
        How many curves said something.
    """
    found: list[float] = []
    for alike in _alike(curves, target).values():
        found += _excesses(bench, alike, target)
    if not found:
        return float("nan"), 0
    return float(np.sqrt(max(0.0, np.mean(np.sort(found)))) / 2.0), len(found)


def _alike(
    curves: Iterable[LevelCurve], target: NoiseTarget | float
) -> dict[tuple[object, ...], list[LevelCurve]]:
    """Group curves that can be worked out in one array and stand in one room."""
    groups: dict[tuple[object, ...], list[LevelCurve]] = {}
    nowhere = not isinstance(target, float) and target.problem
    for curve in curves:
        if not (curve.problem or curve.knots.count < _FEWEST or nowhere):
            sitting = curve.sitting
            cells = (curve.knots.count, curve.knots.group.tobytes())
            key = (sitting.rig, sitting.background_reading, curve.room, cells)
            groups.setdefault(key, []).append(curve)
    return groups


def _excesses(
    bench: Bench, curves: Sequence[LevelCurve], target: NoiseTarget | float
) -> list[float]:
    """Give d squared minus v for each of several alike curves that says something."""
    recorder = Recorder()
    level_knots_of(recorder, bench, curves)
    moved = OneAtATime(_places(recorder, curves))
    knots = level_knots_of(moved, bench, curves)
    if isinstance(target, float):
        at = np.full((1, len(curves), moved.size), target)
        wanted, *past = level_at(curves[0], knots, at)
        full = Solved(at, *past)
    else:
        wanted = _wanted(moved, bench, curves[0], knots, target)
        full = solve_level(curves[0], knots, wanted)
    distance = np.abs(knots.level[:, :, 0] - wanted[0, :, 0])
    nearest = np.argmin(distance, axis=0)
    usable = ~(full.below | full.above)[0, :, 0]
    found: list[float] = []
    for inner in range(1, curves[0].knots.count - 1):
        columns = np.flatnonzero(usable & (nearest == inner))
        if columns.size:
            fewer = _without(curves, knots, inner, columns)
            here = wanted[:, columns] if wanted.shape[1] > 1 else wanted
            again = solve_level(replace(curves[0], room=_room(curves[0])), fewer, here)
            change = again.at[0] / full.at[0, columns] - 1.0
            by_reading = np.sum((change[:, 1:] - change[:, :1]) ** 2, axis=1)
            found += (change[:, 0] ** 2 - by_reading).tolist()
    return found


def _places(recorder: Recorder, curves: Sequence[LevelCurve]) -> dict[Label, int]:
    """Give reading errors their draws: the room's first, then each curve's own side by side.

    Curves of one group read the room together, so a draw never moves it for one of them alone.
    """
    reading = [label for label in recorder.labels if label[_LEVEL_OF_SHARING] == "reading"]
    owners = {curve.sitting.own_label for curve in curves}
    width = len(curves[0].sitting.own_label)
    by_owner: dict[Label, list[Label]] = {}
    for label in reading:
        owner = label[_NAMED : _NAMED + width]
        by_owner.setdefault(owner if owner in owners else (), []).append(label)
    common = by_owner.pop((), [])
    places = {label: place for place, label in enumerate(common, start=1)}
    for labels in by_owner.values():
        places |= {label: place for place, label in enumerate(labels, start=1 + len(common))}
    return places


def _room(curve: LevelCurve) -> str:
    # A fitted floor stays that of the whole sweep; only the fan's own line is fitted again.
    return "read" if curve.room == "fitted" else curve.room


def _wanted(
    draws: Draws, bench: Bench, curve: LevelCurve, knots: LevelKnots, target: NoiseTarget
) -> FloatArray:
    """Give the level to be met, shape (1, curve, draw) or (1, 1, draw)."""
    if curve.room == "read":
        return target.fan_level(draws, bench).level[None, None, :]
    level = np.full((1, 1, draws.size), target.level)
    if curve.room == "fitted" and target.background == "included":
        return remove_room(level, knots.room)
    return level


def _without(
    curves: Sequence[LevelCurve], knots: LevelKnots, left_out: int, columns: IntArray
) -> LevelKnots:
    keep = np.arange(knots.x.shape[0]) != left_out
    x, level = knots.x[keep][:, columns], knots.level[keep][:, columns]
    fit = None
    if knots.fit is not None:
        fit = fit_power_law(np.log(x), level, precision([curves[k] for k in columns], keep))
    return LevelKnots(x, level, knots.room[columns], fit)
