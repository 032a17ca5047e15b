"""What a second test with new samples is likely to show, beside what the first one showed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
from matplotlib.lines import Line2D

from fanstats._arguments import count
from fanstats.charts._axes import (
    Inks,
    axes_for,
    caption_in,
    clipped,
    extent,
    inks_for,
    inside_legend,
    label_axes,
    label_for,
    line_height,
    settle,
    text_size,
    title_above,
)
from fanstats.charts._names import folded_line, name_rows, reasons_text, rows_that_fit
from fanstats.charts.ranges import Bars, draw_bars
from fanstats.decisions.retest import Retest
from fanstats.errors import FanstatsError
from fanstats.formatting import percentage
from fanstats.wording import samples_words, times_words

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.legend import Legend
    from matplotlib.text import Text

__all__ = ["SecondTestArtists", "second_test"]

# Share of the height that legend and lines of text take, about, and the shortest row in points.
_TAKEN: Final = 0.3
_ROW: Final = 13.0
_SMALLER: Final = 0.88


class SecondTestArtists(NamedTuple):
    """What a chart of a second test consists of.

    Attributes
    ----------
    values : Line2D
        What the first test showed.
    expected : Line2D or None
        What the second is expected to show; None where that cannot be told.
    ranges : Bars
        Of what the second test shows.
    orders : tuple of Text
        Between two rows: chance that the second test puts them in the same order.
    texts : tuple of Text
        What is folded, and models without an estimate.
    missing : Text or None
        Why there is nothing to see.
    legend : Legend or None
    """

    values: Line2D
    expected: Line2D | None
    ranges: Bars
    orders: tuple[Text, ...]
    texts: tuple[Text, ...]
    missing: Text | None
    legend: Legend | None


def second_test(
    found: Retest, *, top: int | None = None, legend: bool = True, ax: Axes | None = None
) -> SecondTestArtists:
    """Draw what a second test of all models is likely to show, beside the first.

    Parameters
    ----------
    found : Retest
        What `fanstats.retest` returns.
    top : int, optional
        How many models get a row; the others are folded into one line. By default as many as can
        be read.
    legend : bool
        Draw the legend.
    ax : Axes, optional
        Where to draw; the current axes by default.

    Returns
    -------
    SecondTestArtists

    Raises
    ------
    FanstatsError
        If it is something else, or `top` is no whole number from 1 on.

    Notes
    -----
    The number between two rows says how often, of 100 second tests, the upper model comes out
    before the lower one again.

    Examples
    --------
    >>> import fanstats as fs
    >>> import matplotlib.pyplot as plt
    >>> estimates = fs.equal_noise(fs.demo.readings(), 33, bench=fs.demo.bench(), draws=500, rng=1)
    >>> drawn = second_test(fs.retest(estimates, quantity="airflow", obstruction="open"))
    >>> len(drawn.values.get_xdata()), len(drawn.orders)
    (9, 8)
    >>> plt.close()
    """
    given: object = found
    if not isinstance(given, Retest):
        msg = f"`found` must be what `retest` returns; got {type(given).__name__}."
        raise FanstatsError(msg)
    asked = None if top is None else count("top", top)
    ax = axes_for(ax)
    inks = inks_for(ax)
    ranked = found.table[found.table["value"].notna()]
    names = [str(name) for name in ranked["model"]]
    # What stands beside the axes decides how wide they are: put it there, then measure.
    shown = rows_that_fit(ax, len(ranked), asked, taken=_TAKEN, row=_ROW)
    ax.set_ylim(shown, -0.6)
    name_rows(ax, names[:shown], row=_ROW)
    passing = _orders(ax, found, shown)
    label_axes(ax, label_for(found.quantity, found.units))
    title_above(ax, _title(found))
    settle(ax)
    if not shown:
        ax.set_xticks([])
    handles = _handles(found, inks) if shown else {}
    box = inside_legend(ax, list(handles.values()), list(handles)) if legend and shown else None
    for artist in passing:
        artist.remove()
    lines = _lines(ax, found)
    taken = sum(points for _, points in lines) / extent(ax)[1]
    taken += 0.0 if box is None else box.height
    shown = rows_that_fit(ax, len(ranked), asked, taken=min(taken, 0.75), row=_ROW)
    if shown < len(ranked):
        lines.insert(0, (f"and {len(ranked) - shown} more", _height(1)))
    texts = _share_out(ax, lines, shown, 0.0 if box is None else box.height)
    name_rows(ax, names[:shown], row=_row_of(ax))
    values, expected, ranges = _marks(ax, ranked.iloc[:shown], inks)
    missing = None if shown else caption_in(ax, "no model has an estimate")
    orders = _orders(ax, found, shown)
    drawn = None if box is None else box.legend
    return SecondTestArtists(values, expected, ranges, orders, texts, missing, drawn)


def _marks(ax: Axes, rows: pd.DataFrame, inks: Inks) -> tuple[Line2D, Line2D | None, Bars]:
    at = np.arange(len(rows), dtype=np.float64)
    value, expected, low, high = (
        rows[name].to_numpy(dtype=np.float64) for name in ("value", "expected", "low", "high")
    )
    ranges = draw_bars(
        ax, at, low, high, reach=value, horizontal=True, color=inks.series[0], linewidth=5.0
    )
    (values,) = ax.plot(value, at, zorder=3.0, **_first(inks))
    if not np.isfinite(expected).any():
        return values, None, ranges
    (then,) = ax.plot(expected, at, zorder=3.1, **_second(inks))
    return values, then, ranges


def _first(inks: Inks) -> dict[str, Any]:
    return {
        "linestyle": "none", "marker": "o", "markersize": 7.5, "markerfacecolor": inks.paper,
        "markeredgecolor": inks.ink, "markeredgewidth": 1.3,
    }  # fmt: skip


def _second(inks: Inks) -> dict[str, Any]:
    return {"linestyle": "none", "marker": "|", "markersize": 13.0, "color": inks.ink,
            "markeredgewidth": 2.0}  # fmt: skip


def _title(found: Retest) -> str:
    where = f" {found.where}" if found.where else ""
    new = samples_words(found.units_new).replace("1 sample", "one new sample")
    new = new if found.units_new == 1 else new.replace(" samples", " new samples")
    return f"A second test, with {new} of each: {found.quantity}{where}"


def _height(lines: int) -> float:
    return line_height(_SMALLER * text_size("ytick.labelsize")) * (lines + 0.5)


def _lines(ax: Axes, found: Retest) -> list[tuple[str, float]]:
    """Say which models have no estimate, with the height in points that it takes."""
    gone = found.table[found.table["value"].isna()]
    pairs = [(str(name), str(why)) for name, why in zip(gone["model"], gone["status"], strict=True)]
    if not pairs:
        return []
    size = _SMALLER * text_size("ytick.labelsize")
    text = clipped(reasons_text(pairs), 0.97 * extent(ax)[0], size, most=4)
    return [(text, _height(1 + text.count("\n")))]


def _share_out(
    ax: Axes, lines: list[tuple[str, float]], shown: int, legend: float
) -> tuple[Text, ...]:
    """Share the height of the axes out among rows, lines of text and the legend."""
    height = extent(ax)[1]
    free = height * (1.0 - legend) - sum(points for _, points in lines)
    row = max(free / max(shown + 0.2, 1.0), 0.8 * _ROW)
    texts, place = [], shown - 0.4
    for text, points in lines:
        texts.append(folded_line(ax, text, place + points / row / 2.0))
        place += points / row
    ax.set_ylim(max(place, -0.6 + height / row), -0.6)
    return tuple(texts)


def _row_of(ax: Axes) -> float:
    bottom, top = ax.get_ylim()
    return extent(ax)[1] / abs(bottom - top)


def _orders(ax: Axes, found: Retest, shown: int) -> tuple[Text, ...]:
    """Write between rows, beside the axes, how often two neighbours keep their order."""
    drawn = []
    for place, chance in enumerate(found.pairs["chance"].to_numpy()[: max(0, shown - 1)]):
        said = percentage(float(chance), found.draws).removesuffix(" %")
        said = said.replace("less than ", "<").replace("more than ", ">")
        drawn.append(
            ax.annotate(
                said, (1.0, place + 0.5), (5.0, 0.0), xycoords=ax.get_yaxis_transform(),
                textcoords="offset points", va="center", color=inks_for(ax, outside=True).ink,
                fontsize=_SMALLER * text_size("ytick.labelsize"), annotation_clip=False,
            )
        )  # fmt: skip
    return tuple(drawn)


def _handles(found: Retest, inks: Inks) -> dict[str, Artist]:
    """Say what the legend explains, and how: only what the chart holds."""
    handles: dict[str, Artist] = {"the first test": Line2D([], [], **_first(inks))}
    if found.table["expected"].notna().any():
        handles["expected of the second"] = Line2D([], [], **_second(inks))
    known = np.isfinite(found.table[["low", "high"]].to_numpy(dtype=np.float64))
    if known.any():
        words = f"range of the second, {times_words(found.probability)}"
        handles[words] = Line2D([], [], color=inks.series[0], linewidth=5.0)
    if (known.sum(axis=1) == 1).any():
        handles["open end: not covered by data"] = Line2D(
            [], [], color=inks.series[0], linestyle="none", marker=">", fillstyle="none",
            markersize=5.0,
        )  # fmt: skip
    if len(found.pairs):
        handles["right: times in 100 that two keep their order"] = Line2D([], [], linestyle="none")
    return handles
