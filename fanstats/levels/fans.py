"""Several fans together, and what a spread in speed does to the level."""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np

from fanstats.errors import FanstatsError
from fanstats.levels._values import elementwise, floats, is_uncertain, on_floats, propagate, title
from fanstats.levels.background import source_alone
from fanstats.levels.kernels import FLOOR
from fanstats.sources import Source

__all__ = ["fans_together", "level_each", "level_spread_from_speed", "speed_spread_from_level"]

_LN10: Final = math.log(10.0)


def fans_together(level: Any, n: Any) -> Any:
    """Give the level of n equal fans together: 10 lg n above one of them.

    For fans of different levels use `energy_sum`. A room is not multiplied: take the level of the
    fan alone, and put the room back with `add_background`.

    Parameters
    ----------
    level : float, array_like, DataArray or uncertain number
        Level of each fan alone, dB.
    n : int or array_like of int
        Number of fans.

    Returns
    -------
    float, ndarray, DataArray or uncertain number
        As came in.

    Raises
    ------
    FanstatsError
        If `n` is not a whole number of at least 1.

    Examples
    --------
    >>> round(fans_together(30.0, 3), 2)
    34.77
    """
    return elementwise(
        lambda one, fans: _shifted("level", one, _ten_lg(fans)),
        level,
        n,
        long_name=f"{title(level)} of the fans together",
    )


def level_each(target: Any, n: Any, room: Any = None) -> Any:
    """Give the level each of n equal fans may have so that together they meet a target.

    Parameters
    ----------
    target : float, array_like, DataArray or uncertain number
        Level to be met, dB: as a meter reads it in that room, or of the fans alone.
    n : int or array_like of int
        Number of fans.
    room : like `target`, optional
        Level of the room without fans. Without it `target` is that of the fans alone.

    Returns
    -------
    float, ndarray, DataArray or uncertain number
        Level of one fan alone, without the room.

    Raises
    ------
    FanstatsError
        If the room leaves the fans nothing, or `n` is not a whole number of at least 1.

    Examples
    --------
    >>> round(level_each(36.0, 3), 2), round(level_each(36.0, 3, room=30.0), 2)
    (31.23, 29.97)
    """
    name = f"level of each fan for {title(target)}"
    if room is None:
        return elementwise(
            lambda all_, fans: _shifted("target", all_, -_ten_lg(fans)), target, n, long_name=name
        )
    if np.any(on_floats(lambda t, b: t - b < FLOOR, target, room)):
        msg = (
            f"`target` must stand at least {FLOOR:g} dB above `room`: the room alone takes up all "
            f"of it and leaves the fans nothing; got {target} in a room of {room}."
        )
        raise FanstatsError(msg)
    return elementwise(
        lambda all_, fans, quiet: _less(source_alone(all_, quiet, FLOOR), _ten_lg(fans)),
        target,
        n,
        room,
        long_name=name,
    )


def _less(level: Any, step: Any) -> Any:
    return np.asarray(level) - step


def _shifted(argument: str, level: Any, step: Any) -> Any:
    numbers = floats(argument, level)
    return propagate(np.asarray(numbers + step), [(level, numbers, np.ones(()))])


def _ten_lg(n: Any) -> Any:
    fans = floats("n", n)
    if is_uncertain(n) or not np.all((fans >= 1) & (fans == np.floor(fans)) & np.isfinite(fans)):
        msg = f"`n` must be a whole number of fans, at least 1; got {n}."
        raise FanstatsError(msg)
    return 10.0 * np.log10(fans)


def level_spread_from_speed(speed_spread: Any, slope: Any = 50.0) -> Any:
    """Give the spread in level that a spread in speed causes at a given drive.

    At equal noise it does not arise: a unit that only spins faster is turned down.

    Parameters
    ----------
    speed_spread : float, array_like, DataArray, uncertain number or Source
        Relative standard deviation of speed, a fraction (0.02 is 2 %); or a source such as
        ``half_width("10 %")``.
    slope : float or array_like
        Level against the decimal logarithm of speed, dB a decade. 50 are the fan laws'; A-weighted
        levels run from 30 to 70.

    Returns
    -------
    float, ndarray, DataArray or uncertain number
        Standard deviation of the level, dB.

    Raises
    ------
    FanstatsError
        If the spread is negative, or a source that is not relative.

    Notes
    -----
    ``u(L) = slope / ln 10 * u(N) / N``, to first order: at 50 dB a decade 0.217 dB for 1 %.

    Examples
    --------
    >>> from fanstats.sources import half_width
    >>> round(level_spread_from_speed(half_width("10 %")), 2)
    1.25
    """
    spread = _relative(speed_spread)
    return elementwise(
        lambda s, k: _scaled("speed_spread", s, _slope(k) / _LN10),
        spread,
        slope,
        long_name="spread in level from speed",
        attrs={"units": "dB"},
    )


def speed_spread_from_level(level_spread: Any, slope: Any = 50.0) -> Any:
    """Give the relative spread in speed that would cause a spread in level.

    Parameters
    ----------
    level_spread : float, array_like, DataArray or uncertain number
        Standard deviation of the level, dB.
    slope : float or array_like
        As in `level_spread_from_speed`.

    Returns
    -------
    float, ndarray, DataArray or uncertain number
        Relative standard deviation of speed, a fraction.

    Raises
    ------
    FanstatsError
        If the spread is negative.

    Examples
    --------
    >>> round(speed_spread_from_level(1.25), 4)
    0.0576
    """
    return elementwise(
        lambda s, k: _scaled("level_spread", s, _LN10 / _slope(k)),
        level_spread,
        slope,
        long_name="relative spread in speed",
        attrs={"units": "1"},
    )


def _relative(spread: Any) -> Any:
    if not isinstance(spread, Source):
        return spread
    if spread.absolute:
        msg = f"`speed_spread` must be relative, such as half_width('10 %'); got {spread.stated!r}."
        raise FanstatsError(msg)
    return spread.relative


def _slope(slope: Any) -> Any:
    numbers = floats("slope", slope)
    if is_uncertain(slope) or not np.all(numbers > 0):
        msg = f"`slope` must be a plain number of dB a decade above 0; got {slope}."
        raise FanstatsError(msg)
    return numbers


def _scaled(argument: str, spread: Any, factor: Any) -> Any:
    numbers = floats(argument, spread)
    if np.any(numbers < 0):
        msg = f"`{argument}` must be at least 0; got {spread}."
        raise FanstatsError(msg)
    return propagate(np.asarray(numbers * factor), [(spread, numbers, np.asarray(factor))])
