"""Ranges: bars at points and bands along curves, with gaps, open ends and log axes."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, Literal, NamedTuple

import numpy as np
from matplotlib.container import BarContainer
from matplotlib.transforms import offset_copy

from fanstats._arguments import fraction
from fanstats.charts._axes import axes_for, inks_for, literal, range_label, runs
from fanstats.errors import FanstatsError, one_of

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.collections import FillBetweenPolyCollection, LineCollection
    from matplotlib.lines import Line2D
    from numpy.typing import ArrayLike

    from fanstats._typing import BoolArray, FloatArray

__all__ = ["Bars", "Ranges", "add_ranges", "draw_bars"]

_CUT: Final = "cut off at the axis: it reaches 0 or less"
# Marks a legend of everything that has a name: it takes in what was drawn since.
_OURS: Final = "legend-of-all"
# Points from the last thing known, past a dot that stands there, to the tip that says "goes on".
_ARROW: Final = 7.0


class Bars(NamedTuple):
    """Ranges drawn as bars.

    Attributes
    ----------
    lines : LineCollection or None
        One segment a point that has a range.
    open_ends : tuple of Line2D
        Arrow tips where an end is not covered by data: low ones, high ones.
    """

    lines: LineCollection | None
    open_ends: tuple[Line2D, ...]


class Ranges(NamedTuple):
    """Ranges added to a chart.

    Attributes
    ----------
    fills : tuple of PolyCollection
        One a stretch in which both ends are known.
    edges : tuple of Line2D
        Ends that are known along a curve.
    bars : Bars
        Ranges of single points.
    cut : bool
        Whether something was cut off at the floor of a log axis.
    """

    fills: tuple[FillBetweenPolyCollection, ...]
    edges: tuple[Line2D, ...]
    bars: Bars
    cut: bool


def add_ranges(
    ax: Axes | None,
    x: ArrayLike,
    low: ArrayLike,
    high: ArrayLike,
    *,
    value: ArrayLike | None = None,
    kind: Literal["band", "bars"] = "band",
    probability: float | None = None,
    label: str = "",
    color: str | None = None,
    linestyle: Any = "-",
    legend: bool = True,
) -> Ranges:
    """Add ranges to a chart that somebody already drew.

    Parameters
    ----------
    ax : Axes or None
        The chart; None for the current axes.
    x : array_like, shape (point,)
        Where: numbers, or the categories of the chart.
    low, high : array_like, shape (point,)
        Ends of the ranges. NaN or infinity where an end is missing.
    value : array_like, shape (point,), optional
        What is plotted already: a bar with one end missing then reaches from the other end to it
        and is left open. A range need not contain it.
    kind : {"band", "bars"}
        A band along a curve, or one bar a point. Points of a band without neighbours get a bar.
    probability : float, optional
        Coverage probability, for the legend.
    label : str
        What the range is of, for the legend.
    color : str, optional
        Any matplotlib colour; by default the first that suits the axes, and on a chart of filled
        bars the ink of its text, which stands out from them.
    linestyle : str or tuple
        Of the edges of a band.
    legend : bool
        Name the ranges in the legend: one that stands there keeps its entries, title and place.

    Returns
    -------
    Ranges

    Raises
    ------
    FanstatsError
        If the arrays differ in length, or a low end lies above its high end.

    Notes
    -----
    On a log axis a range that reaches 0 or less is cut off at the floor of the axis, and the
    legend says so. The arrays passed are not changed.

    Examples
    --------
    A chart that somebody drew, and the one call that adds the band to it:

    >>> import matplotlib.pyplot as plt
    >>> _, ax = plt.subplots()
    >>> _ = ax.plot([5, 7, 12], [210, 330, 540], label="Gust 80")
    >>> _ = ax.legend(title="airflow, fpm")
    >>> added = add_ranges(ax, [5, 7, 12], [200, 318, 520], [220, 342, 560], probability=0.95)
    >>> [text.get_text() for text in ax.get_legend().get_texts()]
    ['Gust 80', 'range, 95 times in 100']
    >>> ax.get_legend().get_title().get_text()
    'airflow, fpm'
    >>> plt.close()
    """
    ax = axes_for(ax)
    one_of("kind", kind, ("band", "bars"))
    if probability is not None:
        fraction("probability", probability)
    at = np.asarray(ax.convert_xunits(x), dtype=np.float64).ravel()  # type: ignore[no-untyped-call]
    lower, upper, middle = _checked(at, low, high, value)
    order = np.argsort(at, kind="stable")
    at, lower, upper, middle = at[order], lower[order], upper[order], middle[order]
    floor, cut = _floor(ax, lower, upper, middle)
    if cut and kind == "band":
        at, lower, upper, middle = _with_crossings(at, lower, upper, middle, floor)
    if cut:
        lower, upper = _lifted(lower, floor), _lifted(upper, floor)
    colour = color if color is not None else _colour(ax, kind)
    alone = np.ones(at.size, dtype=np.bool_) if kind == "bars" else _alone(lower, upper)
    fills, edges = _band(ax, at, lower, upper, ~alone, colour, linestyle)
    bars = draw_bars(
        ax, at, *(np.where(alone, end, np.nan) for end in (lower, upper)), reach=middle,
        color=colour, linewidth=1.6, caps=7.0,
    )  # fmt: skip
    if cut:
        ax.set_ylim(bottom=floor)
    _name(ax, fills, bars, range_label(label, probability), cut, legend)
    return Ranges(fills, edges, bars, cut)


def _colour(ax: Axes, kind: str) -> str:
    on_bars = kind == "bars" and any(isinstance(drawn, BarContainer) for drawn in ax.containers)
    inks = inks_for(ax)
    return inks.ink if on_bars else inks.series[0]


def draw_bars(
    ax: Axes,
    at: FloatArray,
    low: FloatArray,
    high: FloatArray,
    *,
    reach: FloatArray | None = None,
    horizontal: bool = False,
    color: str,
    linewidth: float,
    caps: float = 0.0,
    zorder: float = 2.0,
    tips: bool = True,
) -> Bars:
    """Draw one line a point from its low to its high end, whatever lies between.

    Parameters
    ----------
    ax : Axes
        Where to.
    at : ndarray, shape (point,)
        Place of each.
    low, high : ndarray, shape (point,)
        Ends; NaN or infinity where one is missing.
    reach : ndarray, shape (point,), optional
        How far a line goes on the side whose end is missing, at least. Without it, or where it is
        missing too, a point with one end gets no line.
    horizontal : bool
        Lines along x.
    color, linewidth, zorder
        As matplotlib has them.
    caps : float
        Length in points of small bars across the ends; 0 for none.
    tips : bool
        Draw an open arrow tip where an end is missing.

    Returns
    -------
    Bars
    """
    known_low, known_high = np.isfinite(low), np.isfinite(high)
    middle = np.full(at.shape, np.nan) if reach is None else reach
    start = np.where(known_low, low, np.minimum(middle, np.where(known_high, high, np.nan)))
    stop = np.where(known_high, high, np.maximum(middle, np.where(known_low, low, np.nan)))
    drawn = np.isfinite(start) & np.isfinite(stop) & (known_low | known_high)
    if not drawn.any():
        return Bars(None, ())
    draw = ax.hlines if horizontal else ax.vlines
    lines = draw(
        at[drawn], start[drawn], stop[drawn], colors=color, linewidths=linewidth, zorder=zorder
    )
    style = {"color": color, "linestyle": "none", "zorder": zorder, "fillstyle": "none"}
    if caps:
        for ends, known in ((start, known_low), (stop, known_high)):
            _points(ax, at, ends, drawn & known, horizontal, marker="|" if horizontal else "_",
                    markersize=caps, markeredgewidth=linewidth, **style)  # fmt: skip
    open_ends = []
    for ends, known, marker, way in (
        (start, known_low, "<" if horizontal else "v", -1.0),
        (stop, known_high, ">" if horizontal else "^", 1.0),
    ):
        if tips and (drawn & ~known).any():
            tip = _points(ax, at, ends, drawn & ~known, horizontal, marker=marker,
                          markersize=5.0, markeredgewidth=1.0, **style)  # fmt: skip
            shift = {"x" if horizontal else "y": way * _ARROW, "units": "points"}
            tip.set_transform(offset_copy(ax.transData, ax.get_figure(root=True), **shift))  # type: ignore[arg-type]
            open_ends.append(tip)
    return Bars(lines, tuple(open_ends))


def _points(
    ax: Axes,
    at: FloatArray,
    ends: FloatArray,
    which: BoolArray,
    horizontal: bool,
    **style: Any,  # passed to Axes.plot
) -> Line2D:
    pair = (ends[which], at[which]) if horizontal else (at[which], ends[which])
    return ax.plot(*pair, **style)[0]


def _checked(
    at: FloatArray, low: ArrayLike, high: ArrayLike, value: ArrayLike | None
) -> tuple[FloatArray, FloatArray, FloatArray]:
    arrays = [np.array(low, dtype=np.float64).ravel(), np.array(high, dtype=np.float64).ravel()]
    arrays.append(
        np.full(at.shape, np.nan) if value is None else np.array(value, dtype=np.float64).ravel()
    )
    for name, array in zip(("low", "high", "value"), arrays, strict=True):
        if array.shape != at.shape:
            msg = f"`{name}` must have one number a point of `x` ({at.size}); got {array.size}."
            raise FanstatsError(msg)
        array[~np.isfinite(array)] = np.nan
    wrong = np.flatnonzero(arrays[0] > arrays[1])
    if wrong.size:
        first = int(wrong[0])
        msg = (
            f"`low` must not lie above `high`; got {arrays[0][first]:g} above "
            f"{arrays[1][first]:g} at point {first} ({wrong.size} in all). Pass the ends of the "
            "ranges, not their distances from the value."
        )
        raise FanstatsError(msg)
    return arrays[0], arrays[1], arrays[2]


def _floor(ax: Axes, low: FloatArray, high: FloatArray, value: FloatArray) -> tuple[float, bool]:
    """Give the lowest thing a log axis can show, and whether any range goes below it."""
    if ax.get_yscale() != "log":
        return np.nan, False
    everything = np.concatenate([low, high, value])
    positive = everything[everything > 0]
    cut = bool((low <= 0).any() or (high <= 0).any())
    if positive.size == 0:
        return float(min(ax.get_ylim())), cut
    bottom = min(ax.get_ylim())
    return float(min(bottom, positive.min() / 1.3) if bottom > 0 else positive.min() / 1.3), cut


def _lifted(ends: FloatArray, floor: float) -> FloatArray:
    return np.where(np.isfinite(ends), np.maximum(ends, floor), np.nan)


def _with_crossings(
    at: FloatArray, low: FloatArray, high: FloatArray, middle: FloatArray, floor: float
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Add the points at which an end passes the floor, so that what is cut is cut straight."""
    extra = []
    for ends in (low, high):
        with np.errstate(invalid="ignore"):
            crosses = np.flatnonzero((ends[:-1] - floor) * (ends[1:] - floor) < 0)
        share = (floor - ends[crosses]) / (ends[crosses + 1] - ends[crosses])
        extra.append(at[crosses] + share * (at[crosses + 1] - at[crosses]))
    new = np.setdiff1d(np.concatenate(extra), at)
    place = np.searchsorted(at, new)
    grown = np.insert(at, place, new)
    both = [np.insert(end, place, np.interp(new, at, end)) for end in (low, high)]
    return grown, both[0], both[1], np.insert(middle, place, np.nan)


def _alone(low: FloatArray, high: FloatArray) -> BoolArray:
    """Points that no neighbour makes part of a band: with both ends, or with one."""
    known = np.isfinite(low), np.isfinite(high)
    alone = np.zeros(low.shape, dtype=np.bool_)
    for run in runs(known[0] & known[1]):
        alone[run] = run.stop - run.start == 1
    both = known[0] & known[1]
    for end in known:
        for run in runs(end & ~alone):
            if run.stop - run.start == 1:
                alone[run] |= ~both[run]
    return alone


def _band(
    ax: Axes,
    at: FloatArray,
    low: FloatArray,
    high: FloatArray,
    used: BoolArray,
    color: str,
    linestyle: Any,
) -> tuple[tuple[FillBetweenPolyCollection, ...], tuple[Line2D, ...]]:
    fills = [
        ax.fill_between(
            at[run], low[run], high[run], color=color, alpha=0.2, linewidth=0, zorder=1.5
        )
        for run in runs(used & np.isfinite(low) & np.isfinite(high))
    ]
    edges = []
    for end in (low, high):
        for run in runs(used & np.isfinite(end)):
            edges += ax.plot(
                at[run], end[run], color=color, linestyle=linestyle, linewidth=0.9, zorder=1.6
            )
    return tuple(fills), tuple(edges)


def _name(
    ax: Axes,
    fills: tuple[FillBetweenPolyCollection, ...],
    bars: Bars,
    label: str,
    cut: bool,
    legend: bool,
) -> None:
    named = fills[0] if fills else bars.lines
    if named is None:
        return
    named.set_label(f"{literal(label)}\n({_CUT})" if cut else literal(label))
    if legend:
        _add_to_legend(ax, named)


def _add_to_legend(ax: Axes, named: Artist) -> None:
    """Name one artist more in the legend there is, or draw one of all that has a name."""
    old = ax.get_legend()
    if old is None or old.get_gid() == _OURS:
        ax.legend().set_gid(_OURS)
        return
    texts = old.get_texts()
    fonts = texts[0].get_fontproperties() if texts else None
    ax.legend(
        [*(handle for handle in old.legend_handles if handle is not None), named],
        [*(text.get_text() for text in texts), str(named.get_label())],
        loc=getattr(old, "_loc", "best"),
        title=old.get_title().get_text() or None,
        prop=fonts,
        frameon=old.get_frame_on(),
    )
