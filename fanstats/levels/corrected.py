"""A corrected level with all that has to be said about it: bound, flags, draws below."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import xarray as xr

from fanstats.errors import FanstatsError, one_of
from fanstats.levels._values import (
    elementwise,
    floats,
    is_labelled,
    is_uncertain,
    on_floats,
    plain,
    title,
)
from fanstats.levels.background import (
    GRADES,
    Grade,
    GradeName,
    background_correction,
    check_floor,
    sensitivity,
    source_alone,
)
from fanstats.levels.kernels import DB, FLOOR
from fanstats.levels.means import DRAWS

__all__ = ["CorrectedLevel", "corrected_level"]

# A first-order uncertainty is trusted while the sensitivity changes by no more than this share
# over one standard uncertainty of the gap.
_CURVATURE: Final = 0.2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CorrectedLevel:
    """A level with the background taken off, and how far it can be relied upon.

    Fields have the kind of the input: numbers, arrays, labelled arrays, uncertain numbers. Those
    marked (cell) have no draws.

    Attributes
    ----------
    estimate
        Level of the source alone by energy, without any limit. A reading less than `floor` above
        its background has none: NaN, with the reason in `status`. Draws there are held at `floor`
        above the background, at the low end, and none is dropped.
    stated
        (cell) What the standard has one state: the total less its limited correction. An upper
        bound where `upper_bound` says so.
    gap
        Total less background, dB.
    upper_bound
        (cell) Whether the gap, of draws their medians' gap, is too small for anything but a bound.
    share_below
        (cell) Share of draws with the total at or below the background; of a reading, 0 or 1.
    share_held
        (cell) Share of draws less than `floor` above the background; of a reading, 0 or 1.
    status
        (cell) "" if fine, else what to know, in words.
    grade : Grade
        Whose limits hold.
    """

    estimate: Any
    stated: Any
    gap: Any
    upper_bound: Any
    share_below: Any
    share_held: Any
    status: Any
    grade: Grade
    _draw_axis: int | None = field(default=None, repr=False)

    def coverage_interval(self, probability: float = 0.95) -> tuple[Any, Any]:
        """Give the interval between the quantiles of the draws, those held counted as "below".

        Parameters
        ----------
        probability : float
            Coverage probability, a fraction in (0, 1).

        Returns
        -------
        low, high : float, ndarray or DataArray
            In dB. `low` is ``-inf`` (no lower limit) where more than ``(1 - probability) / 2`` of
            the draws are held at the floor.

        Raises
        ------
        FanstatsError
            Without draws.
        """
        if not 0 < probability < 1:
            msg = f"`probability` must lie between 0 and 1; got {probability!r}."
            raise FanstatsError(msg)
        if self._draw_axis is None:
            msg = (
                "A coverage interval needs draws: a DataArray with the dimension 'draw', or an "
                "array and `draw_axis`."
            )
            raise FanstatsError(msg)
        tail = (1 - probability) / 2
        low = _over(self.estimate, lambda x, axis: np.quantile(x, tail, axis=axis), self._draw_axis)
        high = _over(
            self.estimate, lambda x, axis: np.quantile(x, 1 - tail, axis=axis), self._draw_axis
        )
        return _select(self.share_held > tail, -np.inf, low), high


def corrected_level(
    total: Any,
    background: Any,
    *,
    grade: GradeName = "ISO 3744",
    floor: float = FLOOR,
    draw_axis: int | None = None,
) -> CorrectedLevel:
    """Take the background off and say whether the result is a level or only an upper bound.

    Parameters
    ----------
    total, background : float, array_like, DataArray or uncertain number
        Levels with the source running and off, dB. A DataArray's dimension ``draw`` holds draws.
    grade : {"ISO 3744", "ISO 3746", "ISO 11201", "ISO 11202", "ISO 1996-2"}
        Whose limits decide; see `GRADES`.
    floor : float
        Least gap in dB at which a total counts as a reading of the source.
    draw_axis : int, optional
        Axis of a plain array that holds draws. Without it every element is a reading.

    Returns
    -------
    CorrectedLevel

    Raises
    ------
    FanstatsError
        If `grade` is none of those listed, or `draw_axis` goes with anything but a plain array.

    Notes
    -----
    A first-order uncertainty is flagged where the sensitivity changes by more than a fifth within
    one standard uncertainty of the gap: use draws there.

    Examples
    --------
    >>> near = corrected_level(31.0, 30.0)
    >>> round(near.estimate, 4), round(near.stated, 2), near.upper_bound
    (24.1317, 29.74, True)
    >>> near.status
    'gap 1.0 dB, ISO 3744 asks for at least 6 dB: at most 29.7 dB'
    >>> corrected_level(40.0, 30.0).status
    ''
    """
    limits = GRADES[one_of("grade", grade, GRADES)]
    check_floor(floor)
    gap = on_floats(np.subtract, total, background)
    axis = _draws_along(gap, draw_axis)
    estimate = elementwise(
        lambda t, b: source_alone(t, b, floor),
        total,
        background,
        long_name=f"{title(total)}, background removed",
    )
    below, held = _shares(gap, axis), _shares(gap, axis, floor=floor)
    if axis is None:
        estimate = _select(held > 0, np.nan, estimate)
    top, bottom = (_at_centre(value, gap, axis) for value in (total, background))
    stated = elementwise(
        lambda t, b: _as_numbers(t) - background_correction(t, b, grade=grade),
        top,
        bottom,
        long_name=f"{title(total)}, as {limits.name} has it stated",
    )
    centre = on_floats(np.subtract, top, bottom)
    return CorrectedLevel(
        estimate=estimate,
        stated=stated,
        gap=gap,
        upper_bound=limits.is_short(centre),
        share_below=below,
        share_held=held,
        status=_status(centre, stated, below, held, _curvature(top, bottom), limits, axis),
        grade=limits,
        _draw_axis=axis,
    )


def _draws_along(gap: Any, draw_axis: int | None) -> int | None:
    if is_labelled(gap):
        if draw_axis is not None:
            msg = f"`draw_axis` is for plain arrays; got {draw_axis!r} with labelled levels."
            raise FanstatsError(msg)
        return gap.dims.index(DRAWS) if DRAWS in gap.dims else None
    if draw_axis is not None and not -np.ndim(gap) <= draw_axis < np.ndim(gap):
        msg = f"`draw_axis` must be an axis of levels with {np.ndim(gap)}; got {draw_axis!r}."
        raise FanstatsError(msg)
    return draw_axis


def _over(values: Any, reduce: Callable[..., Any], axis: int) -> Any:
    """Reduce over the draws, labels kept."""
    if is_labelled(values):
        return values.reduce(reduce, dim=DRAWS, keep_attrs=True)
    return plain(reduce(values, axis=axis))


def _at_centre(value: Any, gap: Any, axis: int | None) -> Any:
    """Median over the draws where there are any; what has none is left alone."""
    if axis is None:
        return value
    if is_labelled(value):
        return value.reduce(np.median, dim=DRAWS, keep_attrs=True) if DRAWS in value.dims else value
    if is_labelled(gap):
        return value
    return _over(np.broadcast_to(floats("levels", value), np.shape(gap)), np.median, axis)


def _shares(gap: Any, axis: int | None, *, floor: float | None = None) -> Any:
    """Share of draws at or below the background, or less than `floor` above it."""

    def marked(gaps: Any) -> Any:
        return (gaps <= 0 if floor is None else gaps < floor) * 1.0

    shares = marked(gap)
    if axis is not None:
        shares = _over(shares, np.mean, axis)
    if is_labelled(shares):
        where = "at or below the background" if floor is None else "held at the floor"
        shares.attrs = {"units": "1", "long_name": f"share {where}"}
    return plain(shares)


def _select(condition: Any, value: float, otherwise: Any) -> Any:
    """Put `value` where the condition holds, in whatever kind `otherwise` is."""
    if is_labelled(otherwise):
        return otherwise.where(~condition, value)
    if np.ndim(condition) == 0 and np.ndim(otherwise) == 0:
        return value if condition else otherwise
    return np.where(condition, value, otherwise)


def _as_numbers(values: Any) -> Any:
    return np.asarray(values, dtype=object) if is_uncertain(values) else floats("total", values)


def _curvature(total: Any, background: Any) -> Any:
    """Change of the sensitivity over one standard uncertainty of the gap, as a share of it."""

    def body(t: Any, b: Any) -> Any:
        gap = np.asarray(_as_numbers(t) - _as_numbers(b))
        if not is_uncertain(gap):
            return np.zeros(gap.shape)
        from uncertainties import unumpy

        numbers = unumpy.nominal_values(gap)
        steep = sensitivity(np.where(numbers > 0, numbers, 1e-6)) - 1.0
        return np.asarray(unumpy.std_devs(gap) * steep / DB)

    return elementwise(body, total, background, long_name="")


def _status(
    centre: Any, stated: Any, below: Any, held: Any, curved: Any, limits: Grade, axis: int | None
) -> Any:
    def one(gap: float, bound: Any, below: float, held: float, curved: float) -> str:
        if np.isnan(gap):
            return "total or background not read"
        notes = []
        if limits.is_short(gap):
            at_most = float(getattr(bound, "nominal_value", bound))
            notes.append(
                f"gap {gap:.1f} dB, {limits.name} asks for {limits.rule}: at most {at_most:.1f} dB"
            )
        if axis is None and held:
            notes.append("at the background: no estimate")
        elif held:
            notes.append(f"{below:.2%} of draws at or below the background, {held:.2%} held")
        if curved > _CURVATURE:
            notes.append("first-order uncertainty not to be trusted this near the background")
        return "; ".join(notes)

    texts = np.vectorize(one, otypes=[object])
    cells = (centre, stated, below, held, curved)
    if is_labelled(*cells):
        result: xr.DataArray = xr.apply_ufunc(texts, *cells, keep_attrs=False)
        result = result.astype(str)
        result.attrs = {"long_name": "status"}
        return result
    found = texts(*cells)
    return str(found) if np.ndim(found) == 0 else np.asarray(found.astype(str))
