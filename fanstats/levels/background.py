"""Background removal by energy, its sensitivities, and where it turns into an upper bound."""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np

from fanstats._typing import FloatArray
from fanstats.errors import FanstatsError, FanstatsWarning, one_of
from fanstats.levels._values import (
    elementwise,
    floats,
    is_labelled,
    is_uncertain,
    on_floats,
    propagate,
    title,
    where_first,
)
from fanstats.levels.kernels import DB, FLOOR, add_levels, subtract_levels

__all__ = [
    "GRADES",
    "Grade",
    "Sensitivities",
    "add_background",
    "background_correction",
    "background_sensitivities",
    "remove_background",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Grade:
    """What one standard does about background: where it corrects, and what it states below.

    Attributes
    ----------
    name : str
        The standard.
    clause : str
        Where it says so.
    least : float
        Least gap between total and background, dB, at which the corrected level is a result.
    least_counts : bool
        Whether exactly `least` is enough.
    negligible : float
        Gap above which no correction is made.
    cap : float
        Correction held below `least`, where the level stated is an upper bound only.
    """

    name: str
    clause: str
    least: float
    least_counts: bool
    negligible: float
    cap: float

    def is_short(self, gap: Any) -> Any:
        """Say whether a gap makes the corrected level an upper bound only."""
        return gap < self.least if self.least_counts else gap <= self.least

    @property
    def rule(self) -> str:
        """The least gap in words."""
        return f"{'at least' if self.least_counts else 'more than'} {self.least:g} dB"


def _k1(gap: Any) -> Any:
    """ISO 3744:2010 Eq. 16."""
    return -DB * np.log(-np.expm1(-gap / DB))


def _grade(
    name: str, clause: str, least: float, negligible: float, *, corrects_at_least: bool = True
) -> Grade:
    cap = float(_k1(least)) if corrects_at_least else 0.0
    return Grade(name=name, clause=clause, least=least, least_counts=corrects_at_least,
                 negligible=negligible, cap=cap)  # fmt: skip


GRADES: Final[dict[str, Grade]] = {
    grade.name: grade
    for grade in (
        _grade("ISO 3744", "ISO 3744:2010, Eq. 16 (grade 2)", 6.0, 15.0),
        _grade("ISO 3746", "ISO 3746:2010 (grade 3)", 3.0, 10.0),
        _grade("ISO 11201", "ISO 11201:2010 (one fixed position, grade 2)", 6.0, 15.0),
        _grade("ISO 11202", "ISO 11202:2010 (one fixed position, grade 3)", 3.0, 15.0),
        _grade("ISO 1996-2", "ISO 1996-2:2017, 10.4", 3.0, math.inf, corrects_at_least=False),
    )
}
GradeName = Literal["ISO 3744", "ISO 3746", "ISO 11201", "ISO 11202", "ISO 1996-2"]


def remove_background(total: Any, background: Any, *, floor: float = FLOOR) -> Any:
    """Take the background off a level by energy: the source alone.

    Parameters
    ----------
    total : float, array_like, DataArray or uncertain number
        Level with the source running, dB.
    background : like `total`
        Level with the source off, dB.
    floor : float
        Least gap in dB at which a total counts as a reading of the source.

    Returns
    -------
    float, ndarray, DataArray or uncertain number
        As came in. In **arrays** a total less than `floor` above its background is held at
        `floor` above it, so draws there stay at the low end and are never dropped; a warning
        gives their number, and a DataArray's attributes ``share_below`` (total at or below the
        background) and ``share_held`` (less than `floor` above it).

    Raises
    ------
    FanstatsError
        If **one** total stands less than `floor` above its background: there is no level then,
        only an upper bound, which `corrected_level` gives.

    Warns
    -----
    FanstatsWarning
        Where an array has totals that are held at the floor.

    Notes
    -----
    ``L = 10 lg(10^(0.1 total) - 10^(0.1 background))``. A NaN stays NaN. Uncertain numbers are
    carried to first order with `background_sensitivities`; an error that total and background
    share moves the result by just as much and cancels in the correction. This near the
    background first order says little: use draws, or see `corrected_level`.

    References
    ----------
    ISO 3744:2010, Eq. 16; ISO 1996-2:2017, 10.4.

    Examples
    --------
    >>> round(remove_background(93.0, 89.0), 4)
    90.7952
    """
    check_floor(floor)
    held = on_floats(lambda t, b: t - b < floor, total, background)
    _refuse_one(held, total, background, floor)
    level = elementwise(
        lambda t, b: source_alone(t, b, floor),
        total,
        background,
        long_name=f"{title(total)}, background removed",
    )
    if np.any(held):
        below = on_floats(lambda t, b: t <= b, total, background)
        known = on_floats(lambda t, b: ~np.isnan(t - b), total, background)
        shares = [float(np.sum(mask) / np.sum(known)) for mask in (below, held)]
        if is_labelled(level):
            level.attrs |= {"share_below": shares[0], "share_held": shares[1]}
        msg = (
            f"`total` is at or below the background in {shares[0]:.1%} and less than {floor:g} dB "
            f"above it in {shares[1]:.1%} of what was read or drawn{where_first(held)}: those are "
            f"held {floor:g} dB above the background. Count them as 'below'."
        )
        warnings.warn(msg, FanstatsWarning, stacklevel=2)
    elif is_labelled(level):
        level.attrs |= {"share_below": 0.0, "share_held": 0.0}
    return level


def add_background(level: Any, background: Any) -> Any:
    """Add the background to a source's level by energy: what a meter reads in that room.

    Parameters
    ----------
    level : float, array_like, DataArray or uncertain number
        Level of the source alone, dB.
    background : like `level`
        Level with the source off, dB.

    Returns
    -------
    float, ndarray, DataArray or uncertain number
        As came in.

    Examples
    --------
    >>> round(add_background(30.0, 30.0), 2)
    33.01
    """

    def body(a: Any, b: Any) -> Any:
        source, room = floats("level", a), floats("background", b)
        value = add_levels(source, room)
        share = np.exp((source - value) / DB)
        return propagate(value, [(a, source, share), (b, room, 1.0 - share)])

    return elementwise(body, level, background, long_name=f"{title(level)}, background added")


def background_correction(
    total: Any, background: Any, *, grade: GradeName | None = "ISO 3744"
) -> Any:
    """Give the background correction K1, to be taken off the total.

    Parameters
    ----------
    total, background : float, array_like, DataArray or uncertain number
        Levels with the source running and off, dB.
    grade : {"ISO 3744", "ISO 3746", "ISO 11201", "ISO 11202", "ISO 1996-2"} or None
        Whose limits hold: no correction above a gap that makes it negligible, and a fixed one
        below the least gap, where the corrected level is an upper bound. None is the bare
        formula.

    Returns
    -------
    float, ndarray, DataArray or uncertain number
        K1, dB. An error that both readings share cancels in it.

    Raises
    ------
    FanstatsError
        With ``grade=None``, if a total is at or below its background.

    References
    ----------
    ISO 3744:2010, Eq. 16: ``K1 = -10 lg(1 - 10^(-0.1 (total - background)))``; limits in `GRADES`.

    Examples
    --------
    >>> round(background_correction(40.0, 30.0), 2), round(background_correction(40.0, 39.0), 2)
    (0.46, 1.26)
    """
    if grade is None:
        _refuse_below(total, background)
        limits = None
    else:
        limits = GRADES[one_of("grade", grade, GRADES)]
    return elementwise(
        lambda t, b: _correction(t, b, limits),
        total,
        background,
        long_name="background correction K1",
        attrs={"grade": grade or "none"},
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sensitivities:
    """How far a corrected level moves for one dB of what it was worked out from.

    Attributes
    ----------
    total : float, ndarray or DataArray
        ``1 / (1 - m)``, dB for one dB of the total.
    background : float, ndarray or DataArray
        ``-m / (1 - m)``, dB for one dB of the background. The two add up to 1.
    """

    total: Any
    background: Any


def background_sensitivities(total: Any, background: Any) -> Sensitivities:
    """Give the sensitivities of a corrected level to the total and to the background.

    Parameters
    ----------
    total, background : float, array_like or DataArray
        Levels with the source running and off, dB.

    Returns
    -------
    Sensitivities
        With ``m = 10^(-0.1 (total - background))``.

    Raises
    ------
    FanstatsError
        If a total is at or below its background.

    Notes
    -----
    They are meant for errors that differ between the two readings. A calibration error is the
    same in both: it moves the result dB for dB and no further.

    References
    ----------
    ISO 1996-2:2017, F.7 to F.9.

    Examples
    --------
    >>> at_three = background_sensitivities(33.0, 30.0)
    >>> round(at_three.total, 4), round(at_three.background, 4)
    (2.0048, -1.0048)
    """
    _refuse_below(total, background)
    moved = elementwise(
        lambda t, b: sensitivity(floats("total", t) - floats("background", b)),
        total,
        background,
        long_name="sensitivity of the corrected level to the total",
    )
    if not is_labelled(moved):
        return Sensitivities(total=moved, background=1.0 - moved)
    moved.attrs["units"] = "dB/dB"
    other = 1.0 - moved
    other.attrs = moved.attrs | {
        "long_name": "sensitivity of the corrected level to the background"
    }
    return Sensitivities(total=moved, background=other)


def check_floor(floor: float) -> None:
    """Refuse a floor that would let a corrected level run off to minus infinity."""
    if not (math.isfinite(floor) and floor >= 0.01):
        msg = f"`floor` must be a finite number of dB of at least 0.01; got {floor!r}."
        raise FanstatsError(msg)


def _refuse_one(held: Any, total: Any, background: Any, floor: float) -> None:
    if np.ndim(held) == 0 and held:
        top, bottom = floats("total", total), floats("background", background)
        msg = (
            f"`total` must stand at least {floor:g} dB above `background` for a corrected level; "
            f"got {top:g} over {bottom:g}. All that is known is an upper bound: "
            "corrected_level(total, background).stated."
        )
        raise FanstatsError(msg)


def _refuse_below(total: Any, background: Any) -> None:
    below = on_floats(lambda t, b: t <= b, total, background)
    if np.any(below):
        msg = (
            "`total` must stand above `background`, or there is no level of the source in it; "
            f"got {_example(below, total, background)}{where_first(below)}. "
            "corrected_level gives an upper bound."
        )
        raise FanstatsError(msg)


def _example(mask: Any, total: Any, background: Any) -> str:
    first = np.argmax(np.asarray(mask))
    gap = on_floats(lambda t, b: t - b, total, background)
    return f"{np.asarray(gap).ravel()[first]:g} dB of gap"


def source_alone(total: Any, background: Any, floor: float) -> Any:
    """Take the background off plain values, those at the floor held there."""
    numbers, room = floats("total", total), floats("background", background)
    value, held = subtract_levels(numbers, room, floor=floor)
    if not (is_uncertain(total) or is_uncertain(background)):
        return value
    moved = np.where(held, 0.0, sensitivity(np.maximum(numbers - room, floor)))
    return propagate(value, [(total, numbers, moved), (background, room, 1.0 - moved)])


def sensitivity(gap: FloatArray) -> FloatArray:
    """Give ``1 / (1 - m)``: ISO 1996-2:2017, F.7."""
    return np.asarray(-1.0 / np.expm1(-gap / DB))


def _correction(total: Any, background: Any, limits: Grade | None) -> Any:
    numbers, room = floats("total", total), floats("background", background)
    gap = np.asarray(numbers - room)
    free = np.ones(gap.shape, dtype=bool)  # where the formula holds and nothing caps it
    if limits is not None:
        free = ~(limits.is_short(gap) | (gap > limits.negligible))
    inside = np.where(free, gap, 10.0)
    value = np.where(free, _k1(inside), 0.0)
    if limits is not None:
        value = np.where(limits.is_short(gap), limits.cap, value)
    moved = np.where(free, 1.0 - sensitivity(inside), 0.0)
    return propagate(value, [(total, numbers, moved), (background, room, -moved)])
