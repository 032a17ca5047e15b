"""Where two models' curves cross, and from which level on one of them leads."""

from __future__ import annotations

import html
import itertools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
import pandas as pd

from fanstats.errors import FanstatsError
from fanstats.quantities import units_label
from fanstats.tabled import Tabled
from fanstats.wording import PAIR_WORDS, listed, times_words

if TYPE_CHECKING:
    import xarray as xr

    from fanstats._typing import FloatArray

__all__ = ["Crossing", "CrossingPoint", "check_difference", "crossing"]

_COLUMNS: Final = ("level", "low", "high", "ahead_above", "apart")
_SELDOM: Final = 0.05


class CrossingPoint(NamedTuple):
    """One level at which the curves cross, as read.

    Attributes
    ----------
    level : float
        dB.
    low, high : float
        Range of the level; NaN where the data end before the difference is settled.
    ahead_above : str
        Which model is ahead above it.
    apart : bool
        Whether it is told apart from every other crossing: the lead is settled between them.
    """

    level: float
    low: float
    high: float
    ahead_above: str
    apart: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Crossing(Tabled):
    """Where the curves of two models cross, and who leads where.

    Attributes
    ----------
    first, second, scope, obstruction, units : str
        What was compared; units of the level.
    points : tuple of CrossingPoint
        Crossings of the curves as read, from the quietest on; none, one or several.
    settled_from, settled_to : float
        From where to the loudest level, and from the quietest to where, one model is ahead,
        settled; NaN where nothing is.
    ahead_loud, ahead_quiet : str
        Which, "" where nothing is settled.
    everywhere : tuple of (float, float, str)
        Stretches in which the simultaneous range settles who is ahead.
    lowest, highest : float
        Levels looked at.
    never, once, often : float
        Shares of draws in which the curves cross in that range never, once, more often.
    probability : float
    why : str
        Why one of them has no airflow where that is so, "" where both have some at every level.
    """

    first: str
    second: str
    scope: str
    obstruction: str
    units: str
    points: tuple[CrossingPoint, ...]
    settled_from: float
    settled_to: float
    ahead_loud: str
    ahead_quiet: str
    everywhere: tuple[tuple[float, float, str], ...]
    lowest: float
    highest: float
    never: float
    once: float
    often: float
    probability: float
    why: str = ""

    @property
    def table(self) -> pd.DataFrame:
        """A row a crossing."""
        return pd.DataFrame(self.points, columns=list(_COLUMNS))

    def sentence(self) -> str:
        """Say it in words that can stand under a chart.

        Returns
        -------
        str
        """
        parts = [self._where(), *self._settled(), *self._draws()]
        return " ".join(parts)

    def _rows(self) -> pd.DataFrame:
        return self.table

    def _level(self, level: float) -> str:
        return f"{level:.1f} {self.units}".rstrip()

    def _where(self) -> str:
        about = PAIR_WORDS.get(self.scope, self.scope)
        behind = f", obstruction: {self.obstruction}" if self.obstruction else ""
        pair = f"The airflow curves of {self.first} and {self.second} ({about}{behind})"
        between = f"between {self._level(self.lowest)} and {self._level(self.highest)}"
        if self.lowest == self.highest:
            between = f"at {self._level(self.lowest)}, the only level looked at"
        if math.isnan(self.lowest):
            return f"{pair} cannot be compared at any level{f': {self.why}' if self.why else ''}."
        if not self.points:
            return f"{pair} do not cross as read {between}."
        if len(self.points) == 1:
            return f"{pair} cross at {self._point(self.points[0])}."
        told = listed([self._point(point) for point in self.points])
        apart = "" if all(point.apart for point in self.points) else (
            " Not all of these crossings are told apart: between some of them nobody is settled "
            "to be ahead.")  # fmt: skip
        return f"{pair} cross {len(self.points)} times as read: at {told}.{apart}"

    def _point(self, point: CrossingPoint) -> str:
        low = "below what was read" if math.isnan(point.low) else f"{point.low:.1f}"
        high = "beyond what was read" if math.isnan(point.high) else self._level(point.high)
        return (
            f"{self._level(point.level)} (range, {times_words(self.probability)}: {low} to {high}; "
            f"above it {point.ahead_above} moves more air)"
        )

    def _settled(self) -> list[str]:
        if math.isnan(self.lowest):
            return []
        told = []
        if self.ahead_loud:
            since = self._level(self.settled_from)
            told.append(f"From {since} on {self.ahead_loud} is ahead, settled.")
        if self.ahead_quiet and not (
            self.ahead_quiet == self.ahead_loud and self.settled_to >= self.highest
        ):
            told.append(f"Up to {self._level(self.settled_to)} {self.ahead_quiet} is, settled.")
        return told or ["At no end of this range is it settled who is ahead."]

    def _draws(self) -> list[str]:
        """Tell how often the curves cross otherwise than as read, where that is worth telling."""
        if math.isnan(self.never):
            return []
        if not self.points and 1 - self.never > _SELDOM:
            often = round(100 * (1 - self.never))
            return [f"Within the uncertainty they cross here after all {often} times in 100."]
        if len(self.points) == 1 and self.often > _SELDOM:
            return [f"They cross more than once {round(100 * self.often)} times in 100."]
        return []

    def __repr__(self) -> str:
        """Show the sentence."""
        return self.sentence()

    def _repr_html_(self) -> str:
        rows = self.table.to_html(index=False, float_format="{:.4g}".format, border=0)
        return f"<p>{html.escape(self.sentence())}</p>{rows if self.points else ''}"


def check_difference(band: xr.Dataset) -> None:
    """Refuse what is not the difference of two models over noise level.

    Parameters
    ----------
    band : Dataset
        What the caller passed.

    Raises
    ------
    FanstatsError
        If it is not what `difference_band` returns.
    """
    if "settled_from" not in getattr(band, "attrs", {}) or "ratio_value" not in band:
        msg = "`band` must be what `difference_band` returns: it says how two models differ."
        raise FanstatsError(msg)


def crossing(band: xr.Dataset) -> Crossing:
    """Read off where two models' curves cross, with a range, and from where on one leads.

    Parameters
    ----------
    band : xarray.Dataset
        What `difference_band` returns.

    Returns
    -------
    Crossing
        With ``sentence()``, ``to_csv()`` and ``points``.

    Raises
    ------
    FanstatsError
        If it is something else.

    Notes
    -----
    The range of a crossing holds every level, around it, at which the range of the difference
    holds "equal": where the curves truly cross, they are equal, and the range at that level holds
    so with its probability (the argument of Fieller for ratios). For curves that cross once in
    every draw these are quantiles of the draws' crossings. Between the levels of the band ends
    are interpolated; choose `levels` no coarser than the digits wanted.

    References
    ----------
    Fieller, E. C. (1954), Some problems in interval estimation, Journal of the Royal Statistical
    Society B 16, 175-185.

    Examples
    --------
    >>> import fanstats as fs
    >>> band = fs.difference_band(
    ...     fs.demo.readings(), "Varnost Lull", "Wexcombe Pale", [28, 30, 32, 34],
    ...     bench=fs.demo.bench(), obstruction="open", chosen="before", draws=200, rng=1)
    >>> crossing(band).points
    ()
    """
    check_difference(band)
    attrs = band.attrs
    level = band["level"].to_numpy().astype(np.float64)
    value = np.log(band["ratio_value"].to_numpy())
    limits = np.log(band["ratio"].transpose("level", "bound").to_numpy())
    joint = np.log(band["ratio_simultaneous"].transpose("level", "bound").to_numpy())
    names = str(attrs["first"]), str(attrs["second"])
    held = np.isfinite(value)
    units = units_label(str(band["level"].attrs.get("units", "")))
    start, stop = float(attrs["settled_from"]), float(attrs["settled_to"])
    return Crossing(
        first=names[0],
        second=names[1],
        scope=str(attrs["scope"]),
        obstruction=str(attrs.get("obstruction", "")),
        units=units,
        points=_points(level[held], value[held], limits[held], names),
        settled_from=start,
        settled_to=stop,
        ahead_loud=_ahead(level, value, start, names),
        ahead_quiet=_ahead(level, value, stop, names),
        everywhere=_stretches(level[held], joint[held], names),
        lowest=float(level[held].min()) if held.any() else math.nan,
        highest=float(level[held].max()) if held.any() else math.nan,
        never=float(attrs["crossing_never"]),
        once=float(attrs["crossing_once"]),
        often=float(attrs["crossing_often"]),
        probability=float(attrs["probability"]),
        why=_why(band, units),
    )


def _why(band: xr.Dataset, units: str) -> str:
    """Give the reason; where it differs from level to level, that in the middle of them."""
    if "ratio_status" not in band:
        return ""
    level, reasons = band["level"].to_numpy().tolist(), band["ratio_status"].to_numpy().tolist()
    told = [(at, reason) for at, reason in zip(level, reasons, strict=True) if reason]
    if len({reason for _, reason in told}) < 2:
        return str(told[0][1]) if told else ""
    at, reason = told[len(told) // 2]
    return f"at {at:.1f} {units}".rstrip() + f", {reason}"


def _ahead(level: FloatArray, value: FloatArray, at: float, names: tuple[str, str]) -> str:
    if math.isnan(at):
        return ""
    return names[0] if value[np.flatnonzero(level == at)[0]] > 0 else names[1]


def _points(
    level: FloatArray, value: FloatArray, limits: FloatArray, names: tuple[str, str]
) -> tuple[CrossingPoint, ...]:
    """Find the crossings as read, each with the stretch in which "equal" is not ruled out."""
    before = np.flatnonzero((value[:-1] > 0) != (value[1:] > 0))
    found = []
    for place in before:
        share = value[place] / (value[place] - value[place + 1])
        at = float(level[place] + share * (level[place + 1] - level[place]))
        low = _end(level, limits, int(place), -1)
        high = _end(level, limits, int(place) + 1, 1)
        found.append((at, low, high, names[0] if value[place + 1] > 0 else names[1]))
    return tuple(CrossingPoint(*one, _alone(found, one[1], one[2])) for one in found)


def _alone(found: list[tuple[float, float, float, str]], low: float, high: float) -> bool:
    """Whether a range holds one crossing only; a missing end reaches as far as there is any."""
    inside = [
        at
        for at, *_ in found
        if not (at < low or at > high)  # comparisons with NaN are false: inside
    ]
    return len(inside) == 1


def _end(level: FloatArray, limits: FloatArray, start: int, step: int) -> float:
    """Go from a crossing to one side until the range rules "equal" out; NaN if it never does."""
    place = start
    while 0 <= place < level.size:
        low, high = limits[place]
        if low > 0 or high < 0:
            return _between(level, limits[:, 0 if low > 0 else 1], place, place - step)
        place += step
    return math.nan


def _between(level: FloatArray, limit: FloatArray, outside: int, inside: int) -> float:
    """Interpolate where a limit passes through "equal"."""
    if not (0 <= inside < level.size) or not np.isfinite(limit[inside]):
        return float(level[outside])
    if limit[inside] * limit[outside] > 0:  # settled on both sides: they cross in between
        return float(level[outside])
    share = limit[outside] / (limit[outside] - limit[inside])
    return float(level[outside] + share * (level[inside] - level[outside]))


def _stretches(
    level: FloatArray, joint: FloatArray, names: tuple[str, str]
) -> tuple[tuple[float, float, str], ...]:
    """Give the runs of levels at which the simultaneous range has one sign."""
    sign = np.where(joint[:, 0] > 0, 1, np.where(joint[:, 1] < 0, -1, 0))
    edges = np.flatnonzero(np.diff(sign, prepend=0, append=0))
    return tuple(
        (float(level[start]), float(level[stop - 1]), names[0] if sign[start] > 0 else names[1])
        for start, stop in itertools.pairwise(edges)
        if sign[start]
    )
