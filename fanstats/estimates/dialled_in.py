"""Steps dialled in at a level: nobody noted a drive or a speed, the noise says where they stand."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from fanstats.estimates.curves import rising, solve_monotone
from fanstats.estimates.knots import ABOVE_ROOM
from fanstats.levels.kernels import subtract_levels

if TYPE_CHECKING:
    from collections.abc import Sequence

    from fanstats._typing import BoolArray, FloatArray
    from fanstats.estimates.sittings import Cells, Channel, Sitting

__all__ = ["nearest_steps", "placed_steps"]

_NOISE: Final = ("noise", "")
_SPEED: Final = ("speed", "")


def placed_steps(sittings: Sequence[Sitting]) -> list[Sitting]:
    """Give steps with neither drive nor speed their place on the sweep of their own sitting.

    Parameters
    ----------
    sittings : sequence of Sitting
        All sittings.

    Returns
    -------
    list of Sitting
        The same where there is no such step, or no sweep beside it that reaches its level.

    Notes
    -----
    Where a step was put is told in `Sitting.dialled`, that it has no place in `placeless`.

    The place is where the sweep, as read, makes the noise that was dialled in. The step's noise and
    what was read at it then stand at one place, so an error of that place cancels where the
    quantity is read off at the level: what is left is the error of setting the level, which goes
    through the slope.
    """
    return [_placed(sitting) for sitting in sittings]


def _placed(sitting: Sitting) -> Sitting:
    loose = _placeless(sitting)
    if not loose.any():
        return sitting
    for name, x in _abscissas(sitting):
        level = _fan_level(sitting)
        swept = np.isfinite(x) & np.isfinite(level) & ~loose
        at = _on_sweep(x[swept], level[swept], level[loose]) if swept.sum() > 1 else None
        if at is None or not np.isfinite(at).any():
            continue
        filled = x.copy()
        filled[loose] = at
        sitting = _told(sitting, name, loose, at)
        if name == "drive_voltage":
            return replace(sitting, drive_voltage=filled)
        if name == "drive_duty":
            return replace(sitting, drive_duty=filled)
        cells = sitting.channels[_SPEED]
        values = np.where(loose, np.exp(filled), cells.values)
        return replace(sitting, channels={**sitting.channels, _SPEED: _with(cells, values)})
    return _told(sitting, "", loose, np.full(int(loose.sum()), np.nan))


def _told(sitting: Sitting, abscissa: str, loose: BoolArray, at: FloatArray) -> Sitting:
    """Note where each step dialled in was put; nothing where there is no sweep to put it on."""
    if loose.all():
        return sitting
    noise = sitting.channels[_NOISE].values[loose]
    units = sitting.units.get("noise", "dB")
    steps = [f"{sitting.place}: the step dialled in at {level:.1f} {units}" for level in noise]
    return replace(
        sitting,
        dialled=tuple(
            f"{step} stands where its sweep makes that noise, at {_named(abscissa, place)}"
            for step, place in zip(steps, at, strict=True)
            if np.isfinite(place)
        ),
        placeless=tuple(
            f"{step} is not used: its sweep does not make that noise"
            for step, place in zip(steps, at, strict=True)
            if not np.isfinite(place)
        ),
    )


def _named(abscissa: str, place: float) -> str:
    if abscissa == "speed":
        return f"{np.exp(place):.0f} rpm"
    return f"{place:.2f} V" if abscissa == "drive_voltage" else f"{place:.1f} %"


def _with(cells: Cells, values: FloatArray) -> Cells:
    return replace(cells, values=values, repeats=np.where(np.isfinite(values), 1, cells.repeats))


def _placeless(sitting: Sitting) -> BoolArray:
    """Cells with noise but neither drive nor speed."""
    missing = ~np.isfinite(sitting.drive_voltage) & ~np.isfinite(sitting.drive_duty)
    speed, noise = sitting.channels.get(_SPEED), sitting.channels.get(_NOISE)
    if noise is None:
        return np.zeros(len(sitting.steps), dtype=np.bool_)
    if speed is not None:
        missing = missing & ~np.isfinite(speed.values)
    return np.asarray(missing & np.isfinite(noise.values))


def _abscissas(sitting: Sitting) -> list[tuple[str, FloatArray]]:
    """List what a sweep may run over, the best first; speed as its logarithm."""
    found = []
    speed = sitting.channels.get(_SPEED)
    if speed is not None:
        with np.errstate(divide="ignore", invalid="ignore"):
            x = np.log(np.where(speed.values > 0, speed.values, np.nan))
        found.append(("speed", x))
    return [
        *found,
        ("drive_voltage", sitting.drive_voltage),
        ("drive_duty", sitting.drive_duty),
    ]


def _fan_level(sitting: Sitting) -> FloatArray:
    """Level of the fan alone where the room is known, else as read; NaN in the room's noise."""
    read = sitting.channels[_NOISE].values
    room = sitting.background
    if not np.isfinite(room):
        return read
    level = np.full(read.shape, np.nan)
    clear = read >= room + ABOVE_ROOM
    level[clear] = subtract_levels(read[clear], np.full(int(clear.sum()), room))[0]
    return level


def _on_sweep(x: FloatArray, level: FloatArray, wanted: FloatArray) -> FloatArray:
    """Find where a sweep makes some levels; NaN beyond its ends."""
    order = np.argsort(x, kind="stable")
    solved = solve_monotone(
        rising(x[order][:, None]), level[order][:, None], wanted[:, None], continues=False
    )
    return np.where(solved.below | solved.above, np.nan, solved.at)[:, 0]


def nearest_steps(sittings: Sequence[Sitting], level: float) -> list[Sitting]:
    """Keep, of several levels dialled in without drive or speed, the one nearest to a target.

    Parameters
    ----------
    sittings : sequence of Sitting
        All sittings.
    level : float
        The target, dB.

    Returns
    -------
    list of Sitting
        The same where a sitting has a sweep, or one such step.
    """
    return [_nearest(sitting, level) for sitting in sittings]


def _nearest(sitting: Sitting, level: float) -> Sitting:
    loose = _placeless(sitting)
    if loose.sum() < 2 or loose.sum() < len(sitting.steps):
        return sitting
    away = np.abs(sitting.channels[_NOISE].values - level)
    kept = int(np.argmin(np.where(loose, away, np.inf)))
    part = slice(kept, kept + 1)
    channels: dict[Channel, Cells] = {
        channel: cells.part(part) for channel, cells in sitting.channels.items()
    }
    return replace(
        sitting,
        drive_voltage=sitting.drive_voltage[part],
        drive_duty=sitting.drive_duty[part],
        steps=sitting.steps[part],
        channels=channels,
    )
