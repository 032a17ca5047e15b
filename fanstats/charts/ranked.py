"""Models in order, each with the range for comparing and the whole range."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import matplotlib.pyplot as plt
import numpy as np
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.transforms import ScaledTranslation

from fanstats._arguments import count
from fanstats.charts._axes import (
    Inks,
    axes_for,
    extent,
    inks_for,
    inside_legend,
    label_axes,
    label_for,
    runs,
    settle,
    title_above,
    unwrapped,
)
from fanstats.charts._rows import (
    Rows,
    groups_shown,
    most_brackets,
    names_inside,
    rows_for,
)
from fanstats.charts.ranges import draw_bars
from fanstats.decisions.rank import Ranking, rank
from fanstats.decisions.selection import select
from fanstats.errors import FanstatsError
from fanstats.wording import SCOPE_WORDS, times_words

if TYPE_CHECKING:
    from collections.abc import Container, Iterable, Sequence

    import pandas as pd
    import xarray as xr
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.collections import LineCollection
    from matplotlib.legend import Legend
    from matplotlib.text import Text

    from fanstats._typing import FloatArray, Scope

__all__ = ["RankedArtists", "ranked", "ranked_panels"]

# matplotlib's TICKLEFT and TICKUP.
_TOOTH: Final = 0
_TOOTH_UP: Final = 2


class RankedArtists(NamedTuple):
    """What a ranked chart consists of.

    Attributes
    ----------
    bands : LineCollection or None
        Ranges for comparing: thick.
    totals : LineCollection or None
        Whole ranges: thin.
    values : Line2D
        Dots.
    open_ends : tuple of Line2D
        Tips where an end is not covered by data.
    brackets : tuple of Line2D
        One a set of models that cannot be told apart.
    zones : tuple of Artist
        Shaded rows of those that cannot be told apart from the first, where brackets are too many.
    texts : tuple of Text
        Names inside the axes, what is folded, and the reasons of models without a place.
    legend : Legend or None
    """

    bands: LineCollection | None
    totals: LineCollection | None
    values: Line2D
    open_ends: tuple[Line2D, ...]
    brackets: tuple[Line2D, ...]
    zones: tuple[Artist, ...]
    texts: tuple[Text, ...]
    legend: Legend | None


def ranked(
    ranking_or_estimates: Ranking | xr.Dataset | xr.DataArray,
    *,
    quantity: str | None = None,
    obstruction: str | None = None,
    scope: Scope = "model",
    probability: float = 0.95,
    top: int | None = None,
    legend: bool = True,
    ax: Axes | None = None,
) -> RankedArtists:
    """Draw models in order, the best on top, each as a dot with its ranges.

    Parameters
    ----------
    ranking_or_estimates : Ranking, Dataset or DataArray
        What `rank` returns, or estimates that are then ranked with the arguments below.
    quantity, obstruction, scope, probability
        As in `rank`; of no account for a `Ranking`, which holds its own.
    top : int, optional
        How many models get a row; the others are folded into one line of text. By default as many
        as the height of the axes can hold at a readable size.
    legend : bool
        Draw the legend.
    ax : Axes, optional
        Where to draw; the current axes by default.

    Returns
    -------
    RankedArtists

    Raises
    ------
    FanstatsError
        As `rank`.

    Notes
    -----
    The thick line is the range for comparing: what all models share is left out, so it is the one
    to hold one model against another by. The thin line is the whole range. Names stand beside the
    axes where there is room for them, which ``layout="constrained"`` makes, else inside; a figure
    needs some 0.3 inch of height a model.

    Examples
    --------
    >>> import fanstats as fs
    >>> import matplotlib.pyplot as plt
    >>> estimates = fs.equal_noise(fs.demo.readings(), 33, bench=fs.demo.bench(), draws=500, rng=1)
    >>> drawn = ranked(estimates, quantity="airflow", obstruction="open")
    >>> len(drawn.values.get_xdata())
    9
    >>> plt.close()
    """
    ax = axes_for(ax)
    ranking = ranking_or_estimates
    if not isinstance(ranking, Ranking):
        ranking = rank(
            ranking, quantity=quantity, obstruction=obstruction, scope=scope,
            probability=probability,
        )  # fmt: skip
    if top is not None:
        count("top", top)
    return _draw(ax, ranking, top=top, legend=legend)


def _draw(
    ax: Axes,
    ranking: Ranking,
    *,
    top: int | None,
    legend: bool,
    inside: bool | None = None,
    explained: Container[str] = (),
) -> RankedArtists:
    inks, groups = inks_for(ax), groups_shown(ranking, top)
    more = "more" if ranking.best == "high" else "less"
    about = f"{label_for(ranking.quantity, ranking.units)}; {more} is better"
    ax.tick_params(axis="y", length=0)
    if not ranking.ranked:
        ax.set_xticks([])
    laid_out = label_axes(ax, about)
    if inside is None:
        inside = names_inside(ax, ranking, laid_out)
    bracketed = len(groups) <= most_brackets(ax, laid_out)
    # What stands beside the axes decides how wide they are: put it there once, then measure.
    rows = rows_for(ax, ranking, top, 0.2, inside)
    passing = (*_names(ax, rows), *_brackets(ax, groups, rows, bracketed))
    settle(ax)
    title_above(ax, _title(ranking))
    drawn_legend, share = None, 0.0
    handles = {
        words: handle
        for words, handle in _handles(ranking, groups, bracketed, inks).items()
        if words not in explained
    }
    if legend and handles:
        drawn_legend, _, share = inside_legend(ax, list(handles.values()), list(handles))
    else:
        settle(ax)
    for artist in passing:
        artist.remove()
    rows = rows_for(ax, ranking, top, share, inside)
    texts = (*_names(ax, rows), *_lines(ax, rows, inks))
    brackets = _brackets(ax, groups, rows, bracketed)
    zones = () if bracketed else _zones(ax, groups, rows.shown, inks)
    table = ranking.table.iloc[: rows.shown]
    at = np.arange(rows.shown, dtype=np.float64) + rows.lower
    _guides(ax, at, inks)
    bands, totals, values, open_ends = _ranges(ax, table, at, inks)
    return RankedArtists(bands, totals, values, open_ends, brackets, zones, texts, drawn_legend)


def ranked_panels(
    estimates: xr.Dataset,
    *,
    quantity: str | None = None,
    obstructions: Iterable[str] | None = None,
    scope: Scope = "model",
    probability: float = 0.95,
    top: int | None = None,
    axes: Sequence[Axes] | None = None,
) -> tuple[RankedArtists, ...]:
    """Draw one ranked chart an obstruction: what a fan does behind one says little of another.

    Parameters
    ----------
    estimates : Dataset
        What `equal_noise` and its sisters return.
    quantity : str, optional
        May be left out where there is only one.
    obstructions : iterable of str, optional
        Which; all by default.
    scope, probability, top
        As in `ranked`.
    axes : sequence of Axes, optional
        One an obstruction. By default the current figure gets them: one column where it is less
        than 7 inches wide, else two.

    Returns
    -------
    tuple of RankedArtists
        What the legend of one panel explains is not said again in the next.

    Raises
    ------
    FanstatsError
        If the quantity has no obstructions, or axes are too few.

    Examples
    --------
    >>> import fanstats as fs
    >>> import matplotlib.pyplot as plt
    >>> estimates = fs.equal_noise(fs.demo.readings(), 33, bench=fs.demo.bench(), draws=500, rng=1)
    >>> _ = plt.figure(figsize=(9.0, 9.0), layout="constrained")
    >>> drawn = ranked_panels(estimates, quantity="airflow", obstructions=["open", "dust pad"])
    >>> len(drawn), len(plt.gcf().axes)
    (2, 2)
    >>> plt.close()
    """
    names = _obstructions(estimates, quantity) if obstructions is None else list(obstructions)
    if axes is None:
        figure = plt.gcf()
        columns = 1 if figure.get_figwidth() < 7.0 or len(names) == 1 else 2
        grid = figure.subplots(-(-len(names) // columns), columns, squeeze=False)
        every = list(grid.ravel())
        for spare in every[len(names) :]:
            spare.remove()
        axes = every[: len(names)]
    if len(axes) < len(names):
        msg = f"`axes` must hold one a panel ({len(names)}: {', '.join(names)}); got {len(axes)}."
        raise FanstatsError(msg)
    drawn: list[RankedArtists] = []
    explained: set[str] = set()
    for name, ax in zip(names, axes, strict=False):
        ranking = rank(
            estimates, quantity=quantity, obstruction=name, scope=scope, probability=probability
        )
        found = _draw(ax, ranking, top=top, legend=True, inside=True, explained=explained)
        if found.legend is not None:
            explained |= {unwrapped(text.get_text()) for text in found.legend.get_texts()}
        drawn.append(found)
    return tuple(drawn)


def _obstructions(estimates: xr.Dataset, quantity: str | None) -> list[str]:
    if "obstruction" in estimates.coords and estimates["obstruction"].ndim == 1:
        names = [str(name) for name in estimates["obstruction"].to_numpy()]
        select(estimates, quantity, names[0])
        return names
    msg = "`estimates` must hold obstructions to draw a panel each; use `ranked`."
    raise FanstatsError(msg)


def _ranges(
    ax: Axes, table: pd.DataFrame, at: FloatArray, inks: Inks
) -> tuple[LineCollection | None, LineCollection | None, Line2D, tuple[Line2D, ...]]:
    value, low, high, band_low, band_high = (
        table[name].to_numpy(dtype=np.float64)
        for name in ("value", "low", "high", "band_low", "band_high")
    )
    with np.errstate(invalid="ignore"):
        far_low, far_high = np.fmin(value, band_low), np.fmax(value, band_high)
    reach = np.where(np.isfinite(low), far_high, far_low)
    bands = draw_bars(
        ax, at, band_low, band_high, horizontal=True, color=inks.series[0], linewidth=5.0,
        tips=False,
    )  # fmt: skip
    # On top, with caps higher than the thick line: it may be the shorter one.
    totals = draw_bars(
        ax, at, low, high, reach=reach, horizontal=True, color=inks.ink, linewidth=1.1, caps=9.0,
        zorder=2.4,
    )  # fmt: skip
    (values,) = ax.plot(
        value, at, linestyle="none", marker="o", markersize=6.0, markerfacecolor=inks.paper,
        markeredgecolor=inks.ink, markeredgewidth=1.5, zorder=3.0,
    )  # fmt: skip
    return bands.lines, totals.lines, values, totals.open_ends


def _guides(ax: Axes, at: FloatArray, inks: Inks) -> None:
    ax.hlines(
        at, 0.0, 1.0, colors=inks.wash, linewidths=0.8, zorder=0.5,
        transform=ax.get_yaxis_transform(),
    )  # fmt: skip


def _brackets(ax: Axes, groups: list[list[int]], rows: Rows, bracketed: bool) -> tuple[Line2D, ...]:
    ink = inks_for(ax, outside=True).ink
    seen = [[row + rows.lower for row in group if row < rows.shown] for group in groups]
    kept = [group for group in seen if len(group) > 1 and bracketed]
    return tuple(_bracket(ax, group, place, ink) for place, group in enumerate(kept))


def _zones(ax: Axes, groups: list[list[int]], shown: int, inks: Inks) -> tuple[Artist, ...]:
    """Shade the rows of those that cannot be told apart from the first."""
    alike = {row for rows in groups if 0 in rows for row in rows}
    mask = np.isin(np.arange(shown), sorted(alike))
    return tuple(
        ax.axhspan(run.start - 0.5, run.stop - 0.5, color=inks.wash, linewidth=0, zorder=0.4)
        for run in runs(mask)
    )


def _bracket(ax: Axes, rows: list[float], place: int, ink: str) -> Line2D:
    """Draw a line beside the axes over some rows, with a tooth at each of them."""
    figure = ax.get_figure(root=True)
    assert figure is not None
    shift = ScaledTranslation((6.0 + 7.0 * place) / 72.0, 0.0, figure.dpi_scale_trans)
    line = Line2D(
        [1.0] * len(rows), rows, color=ink, linewidth=1.2, marker=_TOOTH, markersize=3.5,
        markeredgewidth=1.2, clip_on=False, transform=ax.get_yaxis_transform() + shift,
    )  # fmt: skip
    ax.add_line(line)
    return line


def _lines(ax: Axes, rows: Rows, inks: Inks) -> list[Text]:
    """Write what is folded and why models have no place, under the ranked rows."""
    return [
        ax.text(
            0.012, line.at, line.text, transform=ax.get_yaxis_transform(), va="center", ha="left",
            color=inks.faint, fontsize=rows.notes, linespacing=1.1,
        )
        for line in rows.lines
    ]  # fmt: skip


def _handles(
    ranking: Ranking, groups: list[list[int]], bracketed: bool, inks: Inks
) -> dict[str, Artist]:
    """Say what the legend explains, and how: only what the chart holds."""
    table = ranking.table
    often = times_words(ranking.probability)
    found: dict[str, Artist] = {}
    if table["band_low"].notna().any():
        words = f"range for comparing, {often}"
        found[words] = Line2D([], [], color=inks.series[0], linewidth=5.0)
    if (table["low"].notna() | table["high"].notna()).any():
        words = f"whole range, with what all models share, {often}"
        found[words] = Line2D([], [], color=inks.ink, linewidth=1.1)
    if (table["value"].notna() & (table["low"].isna() | table["high"].isna())).any():
        found["open end: not covered by data"] = Line2D(
            [], [], color=inks.ink, linestyle="none", marker=">", fillstyle="none", markersize=5.0
        )
    if groups and bracketed:
        found["bracket: these cannot be told apart"] = Line2D(
            [], [], color=inks.ink, linewidth=1.2, marker=_TOOTH_UP, markersize=4.0
        )
    elif any(0 in rows for rows in groups):
        found["shaded: cannot be told apart from the first"] = Patch(color=inks.wash)
    return found


def _title(ranking: Ranking) -> str:
    place = f" {ranking.where}" if ranking.where else ""
    about = SCOPE_WORDS.get(ranking.scope, ranking.scope)
    return f"{ranking.quantity.capitalize()}{place}, for {about}"


def _names(ax: Axes, rows: Rows) -> list[Text]:
    """Name the rows: beside the axes, or inside them above each range."""
    ax.set_ylim(rows.bottom, -0.5 - 0.6 * rows.lower)
    if rows.inside:
        ax.set_yticks([])
        row = extent(ax)[1] / abs(rows.bottom + 0.5 + 0.6 * rows.lower)
        above = min(0.24, (0.62 * rows.size + 6.0) / row - rows.lower)
        return [
            ax.text(
                0.012, place - above, name, transform=ax.get_yaxis_transform(), va="center",
                ha="left", color=inks_for(ax).ink, fontsize=rows.size,
            )
            for place, name in zip(rows.ticks, rows.names, strict=True)
        ]  # fmt: skip
    ax.set_yticks(rows.ticks, rows.names)
    faint = inks_for(ax, outside=True).faint
    for place, label in enumerate(ax.get_yticklabels()):
        label.set_fontsize(rows.size)
        if place >= rows.shown:
            label.set_color(faint)
    ax.set_ylabel("model (samples tested)")
    return []
