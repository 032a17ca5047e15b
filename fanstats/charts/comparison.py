"""Two models against each other: over noise level, and against a spread nobody knows."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import FuncFormatter

from fanstats.charts._axes import (
    Inks,
    axes_for,
    caption_in,
    inks_for,
    inside_legend,
    label_axes,
    label_for,
    range_label,
    runs,
    title_above,
)
from fanstats.charts.ranges import Bars, Ranges, add_ranges, draw_bars
from fanstats.decisions.crossing import check_difference, crossing
from fanstats.errors import FanstatsError
from fanstats.formatting import number
from fanstats.wording import PAIR_WORDS

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.legend import Legend
    from matplotlib.text import Text

    from fanstats._typing import FloatArray

__all__ = ["DifferenceArtists", "WhatIfArtists", "difference", "what_if"]

# Verdicts told apart by marker and by words, not by colour.
_VERDICTS: Final = {"ahead": "full", "leaning": "left", "open": "none"}
_VERDICT_WORDS: Final = {
    "ahead": "settled: one is ahead",
    "leaning": "leaning: odds of 3 to 1 or more, not settled",
    "open": "open",
}


_INNER: Final = 0.42
_CROSSED: Final = ("level", "low", "high")
_CROSSING: Final[dict[str, Any]] = {"marker": "D", "markersize": 6.0, "markeredgewidth": 1.2}


class DifferenceArtists(NamedTuple):
    """What a chart of a difference over noise level consists of.

    Attributes
    ----------
    curve : tuple of Line2D
        Stretches of the difference as read.
    ranges : Ranges or None
        Each right at its own level.
    joint : Ranges or None
        All right at once.
    equal : Line2D
        Where both are equal.
    crossings : Line2D or None
        Levels at which the curves cross as read.
    crossing_ranges : Bars
        Their ranges.
    settled : tuple of Artist
        Shaded levels at which the order is settled.
    missing : Text or None
        Why there is nothing to see.
    legend : Legend or None
    """

    curve: tuple[Line2D, ...]
    ranges: Ranges | None
    joint: Ranges | None
    equal: Line2D
    crossings: Line2D | None
    crossing_ranges: Bars
    settled: tuple[Artist, ...]
    missing: Text | None
    legend: Legend | None


class WhatIfArtists(NamedTuple):
    """What a chart of verdicts against a spread consists of.

    Attributes
    ----------
    values : dict
        Dots by verdict.
    ranges : Bars
    equal : Line2D
        Where both are equal.
    turns : Line2D or None
        Spread at which the verdict turns.
    legend : Legend or None
    """

    values: dict[str, Line2D]
    ranges: Bars
    equal: Line2D
    turns: Line2D | None
    legend: Legend | None


def difference(
    band: xr.Dataset, *, legend: bool = True, ax: Axes | None = None
) -> DifferenceArtists:
    """Draw how much more air one model moves than another, over noise level, and where they cross.

    Dark, the range at each level; pale, the one that holds at all levels at once; on the line of
    equal air, the levels at which the curves cross as read, each with its range.

    Parameters
    ----------
    band : Dataset
        What `difference_band` returns.
    legend : bool
        Draw the legend.
    ax : Axes, optional
        Where to draw; the current axes by default.

    Returns
    -------
    DifferenceArtists

    Raises
    ------
    FanstatsError
        If it is something else.

    Examples
    --------
    >>> import fanstats as fs
    >>> import matplotlib.pyplot as plt
    >>> band = fs.difference_band(
    ...     fs.demo.readings(), "Varnost Lull", "Wexcombe Pale", [28, 30, 32],
    ...     bench=fs.demo.bench(), obstruction="open", chosen="before", draws=200, rng=1)
    >>> drawn = difference(band)
    >>> len(drawn.settled)
    1
    >>> plt.close()
    """
    check_difference(band)
    ax = axes_for(ax)
    inks = inks_for(ax)
    level = band["level"].to_numpy()
    value = _percent(band["ratio_value"].to_numpy())
    (low, high), joint_ends = (_ends(band[name]) for name in ("ratio", "ratio_simultaneous"))
    equal = ax.axhline(0.0, color=inks.ink, linewidth=1.0, linestyle=(0, (4, 2)), zorder=1.2)
    curve: list[Line2D] = []
    for run in runs(np.isfinite(value)):
        curve += ax.plot(
            level[run], value[run], color=inks.series[0], linewidth=1.8, zorder=2.6,
            marker="" if run.stop - run.start > 1 else ".",
        )  # fmt: skip
    ranges, joint = (
        add_ranges(ax, level, *ends, value=value, color=inks.series[0], legend=False)
        if any(np.isfinite(end).any() for end in ends)
        else None
        for ends in ((low, high), joint_ends)
    )
    for fill in () if ranges is None else ranges.fills:
        fill.set_alpha(_INNER)  # darker than the band at once, where that ends too
    crossings, crossing_ranges = _crossings(ax, band, inks)
    settled = tuple(
        ax.axvspan(*span, color=inks.wash, linewidth=0, zorder=0.4) for span in _spans(band)
    )
    first, second = str(band.attrs["first"]), str(band.attrs["second"])
    ax.yaxis.set_major_formatter(FuncFormatter(_signed))
    label_axes(ax, label_for("noise", str(band["level"].attrs.get("units", ""))), "more air (%)")
    about = PAIR_WORDS.get(str(band.attrs["scope"]), str(band.attrs["scope"]))
    behind = str(band.attrs.get("obstruction", ""))
    where = f", obstruction: {behind}" if behind else ""
    title_above(ax, f"How much more air {first} moves than {second}{where}, for {about}")
    missing = None if curve else caption_in(ax, _why(band))
    handles: dict[str, Artist] = {}
    if curve:
        handles["as read"] = Line2D([], [], color=inks.series[0], linewidth=1.8)
    if ranges is not None:
        among = int(band.attrs.get("judged_among", 2))
        words = "" if among < 3 else f"picked from a chart of {among} models"
        probability = float(band.attrs["probability"])
        at_each = "at each level" + (f", {words}" if words else "")
        handles[range_label(at_each, probability)] = Patch(facecolor=inks.series[0], alpha=0.5)
        if joint is not None:
            handles[range_label("at all levels at once", probability)] = Patch(
                facecolor=inks.series[0], alpha=0.2
            )
    if ranges is not None and (np.isfinite(low) != np.isfinite(high)).any():
        handles["one edge alone: the other is not covered by data"] = Line2D(
            [], [], color=inks.series[0], linewidth=0.9
        )
    if crossings is not None:
        handles[range_label("where they cross", float(band.attrs["probability"]))] = Line2D(
            [], [], **_CROSSING, color=inks.ink, markerfacecolor=inks.paper, linewidth=2.2
        )
    if curve:
        handles[_settled_words(band)] = (
            Patch(color=inks.wash) if settled else Line2D([], [], linestyle="none")
        )
    drawn = _legend_above(ax, handles) if legend and handles else None
    return DifferenceArtists(
        tuple(curve), ranges, joint, equal, crossings, crossing_ranges, settled, missing, drawn
    )


def _ends(ranges: xr.DataArray) -> tuple[FloatArray, FloatArray]:
    low, high = (_percent(ranges.sel(bound=end).to_numpy()) for end in ("lower", "upper"))
    return low, high


def _crossings(ax: Axes, band: xr.Dataset, inks: Inks) -> tuple[Line2D | None, Bars]:
    """Mark the levels at which the curves cross as read, with their ranges, on the line of 0."""
    points = crossing(band).points
    if not points:
        return None, Bars(None, ())
    at, low, high = (np.array([getattr(p, name) for p in points]) for name in _CROSSED)
    zero = np.zeros(at.size)
    bars = draw_bars(
        ax, zero, low, high, reach=at, horizontal=True, color=inks.ink, linewidth=2.2, caps=8.0,
        zorder=2.8,
    )  # fmt: skip
    (marks,) = ax.plot(
        at, zero, linestyle="none", color=inks.ink, markerfacecolor=inks.paper, zorder=3.0,
        **_CROSSING,
    )  # fmt: skip
    return marks, bars


def _percent(ratio: FloatArray) -> FloatArray:
    return 100.0 * (ratio - 1.0)


def _signed(value: float, _: object = None) -> str:
    return "0" if value == 0 else f"{value:+g}".replace("-", "−")


def _spans(band: xr.Dataset) -> list[tuple[float, float]]:
    """Give the levels at which the order is settled: all of them, or a stretch at either end."""
    held = band["level"].to_numpy()[np.isfinite(band["ratio"].to_numpy()).any(axis=1)]
    start, stop = float(band.attrs["settled_from"]), float(band.attrs["settled_to"])
    if held.size and start <= held.min():
        return [(float(held.min()), float(held.max()))]
    spans = [(float(held.min()), stop)] if np.isfinite(stop) else []
    return [*spans, (start, float(held.max()))] if np.isfinite(start) else spans


def _settled_words(band: xr.Dataset) -> str:
    units = str(band["level"].attrs.get("units", ""))
    spans = [
        f"{number(low, 0.1)} to {number(high, 0.1, units=units)}"
        if low < high
        else number(low, 0.1, units=units)
        for low, high in _spans(band)
    ]
    return f"shaded: settled, {' and '.join(spans)}" if spans else "settled at no level"


def _why(band: xr.Dataset) -> str:
    texts = [str(text) for text in band["ratio_status"].to_numpy() if text]
    return max(texts, key=texts.count) if texts else "no level at which both have an estimate"


def _legend_above(ax: Axes, handles: dict[str, Artist]) -> Legend:
    """Draw a legend at the top, in room of its own."""
    box = inside_legend(ax, list(handles.values()), list(handles), loc="upper left")
    low, high = ax.get_ylim()
    ax.set_ylim(low, low + (high - low) / (1.0 - box.height))
    return box.legend


def what_if(
    table: pd.DataFrame,
    *,
    units: str | None = None,
    probability: float | None = None,
    legend: bool = True,
    ax: Axes | None = None,
) -> WhatIfArtists:
    """Draw the verdict on two models against a unit-to-unit spread nobody knows.

    Parameters
    ----------
    table : DataFrame
        What `fanstats.what_if` returns.
    units : str, optional
        Unit of the difference, where the table does not carry it.
    probability : float, optional
        Of the ranges, where the table does not carry it.
    legend : bool
        Draw the legend.
    ax : Axes, optional
        Where to draw; the current axes by default.

    Returns
    -------
    WhatIfArtists

    Raises
    ------
    FanstatsError
        If it is something else.

    Examples
    --------
    >>> import fanstats as fs
    >>> import matplotlib.pyplot as plt
    >>> estimates = fs.equal_noise(fs.demo.readings(), 33, bench=fs.demo.bench(), draws=500, rng=1)
    >>> table = fs.what_if(
    ...     estimates, "Varnost Lull", "Wexcombe Pale", quantity="airflow", obstruction="open",
    ...     noise=[0, 1, 2, 3])
    >>> drawn = what_if(table, units="m/s", probability=0.95)
    >>> drawn.turns is not None
    True
    >>> plt.close()
    """
    needed = [
        name for name in ("noise", "difference", "low", "high", "verdict") if name not in table
    ]
    if needed:
        msg = f"`table` must be what `what_if` returns; it lacks {', '.join(needed)}."
        raise FanstatsError(msg)
    ax = axes_for(ax)
    inks = inks_for(ax)
    spread, value, low, high = (
        table[name].to_numpy(dtype=np.float64) for name in ("noise", "difference", "low", "high")
    )
    equal = ax.axhline(0.0, color=inks.ink, linewidth=1.0, linestyle=(0, (4, 2)), zorder=1.2)
    bars = draw_bars(
        ax, spread, low, high, reach=value, color=inks.series[0], linewidth=1.8, caps=7.0
    )
    values: dict[str, Line2D] = {}
    for verdict, fill in _VERDICTS.items():
        which = (table["verdict"] == verdict).to_numpy()
        if which.any():
            (values[verdict],) = ax.plot(
                spread[which], value[which], linestyle="none", zorder=3.0, **_dot(fill, inks)
            )
    turns = _turns(ax, table, inks.ink)
    said = str(table.attrs.get("units", "")) if units is None else units
    spread_words = "samples of one model differ by (dB, standard deviation)"
    label_axes(ax, spread_words, label_for("difference", said))
    title_above(ax, _about(table))
    stated = table.attrs.get("probability", probability)
    handles: dict[str, Artist] = {
        _VERDICT_WORDS[verdict]: Line2D([], [], linestyle="none", **_dot(_VERDICTS[verdict], inks))
        for verdict in values
    }
    if bars.lines is not None:
        handles[range_label("", stated)] = Line2D([], [], color=inks.series[0], linewidth=1.8)
    if bars.open_ends:
        handles["open end: not covered by data"] = Line2D(
            [], [], color=inks.series[0], linestyle="none", marker="^", fillstyle="none",
            markersize=5.0,
        )  # fmt: skip
    if turns is not None:
        handles["settled to the left of it"] = Line2D([], [], color=inks.ink, linestyle=":")
    drawn = _legend_above(ax, handles) if legend and handles else None
    return WhatIfArtists(values, bars, equal, turns, drawn)


def _about(table: pd.DataFrame) -> str:
    """Say what the chart is about: the pair where the table names it, else its first sentence."""
    first, second = (str(table.attrs.get(name, "")) for name in ("first", "second"))
    if first and second:
        place = str(table.attrs.get("where", ""))
        return f"{first} minus {second}{f', {place}' if place else ''}, for the typical ones"
    said, stop, _ = str(table.attrs.get("sentence", "")).partition(". ")
    return f"{said}{stop.strip()}"


def _dot(fill: str, inks: Inks) -> dict[str, Any]:
    """Style of a dot: full, half or empty as the verdict is settled, leaning or open."""
    return {
        "marker": "o",
        "markersize": 7.5,
        "fillstyle": fill,
        "color": inks.series[0],
        "markerfacecoloralt": inks.paper,
        "markeredgecolor": inks.ink,
        "markeredgewidth": 1.2,
        **({"markerfacecolor": inks.paper, "fillstyle": "full"} if fill == "none" else {}),
    }


def _turns(ax: Axes, table: pd.DataFrame, ink: str) -> Line2D | None:
    turns = float(table.attrs.get("changes_at", np.nan))
    if not (np.isfinite(turns) and 0 < turns <= float(table["noise"].max())):
        return None
    return ax.axvline(turns, color=ink, linestyle=":", linewidth=1.4, zorder=1.3)
