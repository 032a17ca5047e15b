"""Arguments of a question, read and refused: levels, slopes, fans, draws."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from fanstats._arguments import bare_number
from fanstats.engine.draws import is_whole
from fanstats.engine.question import Slope
from fanstats.errors import FanstatsError

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

__all__ = ["draws_of", "fans_of", "finite", "levels_of", "slope_of"]

_LEVELS: Final = (-100.0, 300.0)  # dB: beyond lies no reading, as in a table
_FEWEST_DRAWS: Final = 100


def finite(argument: str, value: Any) -> float:
    """Return a value as a finite number, else refuse it."""
    kinds = (int, float, np.integer, np.floating)
    if isinstance(value, bool) or not isinstance(value, kinds):
        msg = f"`{argument}` must be one number; got {value!r}.{bare_number(value)}"
        raise FanstatsError(msg)
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not np.isfinite(number):
        msg = f"`{argument}` must be finite; got {value!r}."
        raise FanstatsError(msg)
    return number


def levels_of(level: Any) -> tuple[float, ...]:
    """Give one noise level, or several rising, each within what a table holds."""
    single = isinstance(level, (str, bytes)) or np.ndim(level) == 0
    asked = [level] if single else np.asarray(level).ravel().tolist()
    levels = [finite("level", one) for one in asked]
    if not levels or len(set(levels)) < len(levels):
        msg = f"`level` must hold at least one level, and none twice; got {level!r}."
        raise FanstatsError(msg)
    for number, given in zip(levels, asked, strict=True):
        if not _LEVELS[0] <= number <= _LEVELS[1]:
            msg = f"`level` must lie within {_LEVELS[0]:g} to {_LEVELS[1]:g} dB; got {given!r}."
            raise FanstatsError(msg)
    return tuple(sorted(levels))


def slope_of(given: float | tuple[float, float] | None) -> Slope | None:
    """Read a slope that the caller states: dB a decade of speed, and its standard uncertainty."""
    if given is None:
        return None
    parts: Sequence[object] = given if isinstance(given, (tuple, list)) else (given, 0.0)
    try:
        value, uncertainty = (finite("slope", part) for part in parts)
    except ValueError:  # no numbers, or not two of them
        value, uncertainty = -1.0, 0.0
    if not (value > 0 and uncertainty >= 0):
        msg = (
            "`slope` must be above 0 dB a decade, or a pair of that and its standard uncertainty "
            f"of 0 or more; got {given!r}."
        )
        raise FanstatsError(msg)
    return Slope(value, uncertainty, str(getattr(given, "origin", "as stated")))


def fans_of(fans: Mapping[str, int] | None, models: Collection[str]) -> dict[str, int]:
    """Give how many fans of a model run together, where it is more than one."""
    counts = dict(fans or {})
    for model, count in counts.items():
        if model not in models:
            msg = f"`fans` names the model {model!r}; the readings hold {', '.join(models)}."
            raise FanstatsError(msg)
        if not is_whole(count) or count < 1:
            msg = f"`fans` must give a whole number of at least 1; got {count!r} for {model!r}."
            raise FanstatsError(msg)
    return {str(model): int(count) for model, count in counts.items() if count != 1}


def draws_of(draws: object) -> int:
    """Refuse a number of draws that is none, or too small to say anything."""
    if not is_whole(draws) or int(str(draws)) < _FEWEST_DRAWS:
        msg = f"`draws` must be a whole number of at least {_FEWEST_DRAWS}; got {draws!r}."
        raise FanstatsError(msg)
    return int(str(draws))
