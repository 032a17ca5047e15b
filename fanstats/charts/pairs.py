"""All models against all: chances of pairs, and ranges of ranks."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
from matplotlib.colors import Colormap, LinearSegmentedColormap
from matplotlib.lines import Line2D
from matplotlib.ticker import MaxNLocator

from fanstats._arguments import count as count_of
from fanstats.charts._axes import (
    Inks,
    axes_for,
    caption_in,
    clipped,
    extent,
    inks_for,
    inside_legend,
    label_axes,
    literal,
    name_width,
    readable_on,
    settle,
    text_size,
    title_above,
)
from fanstats.charts._names import folded_line, name_rows, rows_that_fit
from fanstats.charts.ranges import draw_bars
from fanstats.decisions.rank import Ranking
from fanstats.errors import FanstatsError
from fanstats.formatting import percentage
from fanstats.wording import SCOPE_WORDS, times_words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.collections import LineCollection, QuadMesh
    from matplotlib.legend import Legend
    from matplotlib.text import Text

    from fanstats._typing import FloatArray

__all__ = ["PairArtists", "RankArtists", "pair_chances", "rank_intervals"]

# Whose numbers are compared, as the row of a square has it.
_ROW: Final = {
    "tested unit": "the row's sample",
    "model": "the row's typical sample",
    "next unit": "the row's sample that you would buy",
    "as given": "the row's model",
}
# Smallest text that can still be read in a cell, in points.
_SMALLEST: Final = 6.5
# Size of that text against the side of its cell.
_FILLS: Final = 0.4
# Share of a chart's height that its legend takes, about.
_LEGEND: Final = 0.22


class PairArtists(NamedTuple):
    """What a square of chances consists of.

    Attributes
    ----------
    mesh : QuadMesh or None
    texts : tuple of Text
        Chances in the cells, where they can be read.
    missing : Text or None
        Why there is nothing to see.
    """

    mesh: QuadMesh | None
    texts: tuple[Text, ...]
    missing: Text | None


class RankArtists(NamedTuple):
    """What a chart of ranks consists of.

    Attributes
    ----------
    ranges : LineCollection or None
        Ranges of ranks: thick.
    guaranteed : LineCollection or None
        Ranks that follow from the differences certain for all models at once: thin.
    places : Line2D
        Places.
    legend : Legend or None
    """

    ranges: LineCollection | None
    guaranteed: LineCollection | None
    places: Line2D
    legend: Legend | None


def pair_chances(
    ranking: Ranking,
    *,
    order: Sequence[str] | None = None,
    top: int | None = None,
    ax: Axes | None = None,
) -> PairArtists:
    """Draw the chance of every pair as a full square, models in your order.

    Parameters
    ----------
    ranking : Ranking
        What `rank` returns.
    order : sequence of str, optional
        Models, from the top; by default as the estimates have them.
    top : int, optional
        How many models, the best ones, are shown where no order is given; by default as many as
        have cells that can be read. The title counts the others.
    ax : Axes, optional
        Where to draw; the current axes by default.

    Returns
    -------
    PairArtists

    Raises
    ------
    FanstatsError
        If it is no ranking, or `order` names a model without a place.

    Notes
    -----
    The number in a cell is in hundredths. A cell is full of colour where the row's model has it for
    sure and of the paper's where the column's has; it says the same as its mirror image.

    Examples
    --------
    >>> import fanstats as fs
    >>> import matplotlib.pyplot as plt
    >>> estimates = fs.equal_noise(fs.demo.readings(), 33, bench=fs.demo.bench(), draws=500, rng=1)
    >>> ranking = fs.rank(estimates, quantity="airflow", obstruction="open")
    >>> drawn = pair_chances(ranking, order=["Ombrel Sill", "Varnost Lull"])
    >>> drawn.mesh.get_array().shape
    (2, 2)
    >>> plt.close()
    """
    _checked(ranking)
    ax = axes_for(ax)
    inks = inks_for(ax)
    present = [str(name) for name in ranking.pair_chances["model"].to_numpy()]
    names = _best_of(ax, ranking, present, top) if order is None else list(order)
    unknown = [name for name in names if name not in present]
    if unknown:
        msg = f"`order` must name ranked models ({', '.join(present)}); got {unknown[0]!r}."
        raise FanstatsError(msg)
    title = (
        f"{ranking.label.capitalize()}, in 100, that {_ROW.get(ranking.scope, 'the row')} "
        f"{_does(ranking)} than the column's{f' {ranking.where}' if ranking.where else ''}"
    )
    if len(names) < len(present) and order is None:
        title += f"; the first {len(names)} of {len(present)} models"
    if len(names) < 2:
        ax.set(xticks=[], yticks=[])
        settle(ax)
        title_above(ax, title)
        return PairArtists(None, (), caption_in(ax, "a pair takes two models with a place"))
    chances = ranking.pair_chances.sel(model=names, other=names).to_numpy()
    colours = LinearSegmentedColormap.from_list(
        "chance", [inks.paper, inks.series[0]]
    ).with_extremes(bad=inks.wash)
    mesh = ax.pcolormesh(
        np.ma.masked_invalid(chances), cmap=colours, vmin=0.0, vmax=1.0,
        edgecolors=inks.wash, linewidth=0.6,
    )  # fmt: skip
    ax.set(xlim=(0, len(names)), ylim=(len(names), 0), aspect="equal")
    _name_cells(ax, names)
    settle(ax)
    title_above(ax, title)
    settle(ax)
    return PairArtists(mesh, _write_cells(ax, chances, ranking, inks), None)


def rank_intervals(
    ranking: Ranking,
    *,
    order: Sequence[str] | None = None,
    top: int | None = None,
    legend: bool = True,
    ax: Axes | None = None,
) -> RankArtists:
    """Draw the range of ranks of every model.

    Parameters
    ----------
    ranking : Ranking
        What `rank` returns.
    order : sequence of str, optional
        Models, from the top; by default the best first.
    top : int, optional
        How many models get a row, where no order is given; the others are folded into one line.
        By default as many as can be read.
    legend : bool
        Draw the legend.
    ax : Axes, optional
        Where to draw; the current axes by default.

    Returns
    -------
    RankArtists

    Raises
    ------
    FanstatsError
        If it is no ranking, or `order` names a model without a place.

    Examples
    --------
    >>> import fanstats as fs
    >>> import matplotlib.pyplot as plt
    >>> estimates = fs.equal_noise(fs.demo.readings(), 33, bench=fs.demo.bench(), draws=500, rng=1)
    >>> drawn = rank_intervals(fs.rank(estimates, quantity="airflow", obstruction="open"))
    >>> len(drawn.places.get_xdata())
    9
    >>> plt.close()
    """
    _checked(ranking)
    ax = axes_for(ax)
    inks = inks_for(ax)
    names = list(ranking.ranked if order is None else order)
    if order is None:
        names = names[: rows_that_fit(ax, len(names), _top(top), taken=_LEGEND if legend else 0.0)]
    unknown = [name for name in names if name not in ranking.ranked]
    if unknown:
        msg = f"`order` must name ranked models; got {unknown[0]!r}."
        raise FanstatsError(msg)
    rows = ranking.table.set_index("model").loc[names]
    low, high, sure_low, sure_high, place = (
        rows[name].to_numpy(dtype=np.float64)
        for name in ("rank_low", "rank_high", "guaranteed_low", "guaranteed_high", "place")
    )
    at = np.arange(len(names), dtype=np.float64)
    # A range of one rank is still to be seen: every rank is as wide as its column.
    ranges = draw_bars(
        ax, at, low - 0.3, high + 0.3, horizontal=True, color=inks.series[0], linewidth=6.0,
        tips=False,
    )  # fmt: skip
    sure = draw_bars(
        ax, at, sure_low - 0.3, sure_high + 0.3, horizontal=True, color=inks.ink, linewidth=1.1,
        caps=9.0, zorder=2.4,
    )  # fmt: skip
    (places,) = ax.plot(
        place, at, linestyle="none", marker="o", markersize=6.0, markerfacecolor=inks.paper,
        markeredgecolor=inks.ink, markeredgewidth=1.5, zorder=3.0,
    )  # fmt: skip
    count = len(ranking.ranked)
    beyond = max(0.6, 0.025 * count)
    ax.set_xlim(1.0 - beyond, max(count, 1) + beyond)
    ticks = MaxNLocator(8, integer=True, min_n_ticks=1).tick_values(1, max(count, 1))
    ax.set_xticks([1, *(tick for tick in ticks if 1 < tick <= count)])
    folded = count - len(names) if order is None else 0
    bottom = len(names) - 0.5 + (1.0 if folded else 0.0)
    ax.set_ylim(bottom, -0.5)
    name_rows(ax, names, row=extent(ax)[1] * (1.0 - _LEGEND) / max(bottom + 0.5, 1.0))
    if folded:
        folded_line(ax, f"and {folded} more", bottom - 0.5)
    label_axes(ax, "rank (1 is best)")
    about = SCOPE_WORDS.get(ranking.scope, ranking.scope)
    where = f" {ranking.where}" if ranking.where else ""
    title_above(ax, f"Ranks by {ranking.quantity}{where}, for {about}")
    settle(ax)
    drawn = None
    if legend and names:
        often = times_words(ranking.probability)
        handles = {
            f"range of ranks, {often}": Line2D([], [], color=inks.series[0], linewidth=6.0),
            f"ranks that hold for all models at once, {often}": Line2D(
                [], [], color=inks.ink, linewidth=1.1
            ),
        }
        box = inside_legend(ax, list(handles.values()), list(handles))
        ax.set_ylim(-0.5 + (bottom + 0.5) / (1.0 - box.height), -0.5)
        drawn = box.legend
    return RankArtists(ranges.lines, sure.lines, places, drawn)


def _top(top: int | None) -> int | None:
    return None if top is None else count_of("top", top)


def _best_of(ax: Axes, ranking: Ranking, present: list[str], top: int | None) -> list[str]:
    """Keep the best models whose cells can be read, in the order of the estimates."""
    side = 0.8 * min(extent(ax))
    room = max(3, int(side / (_SMALLEST / _FILLS))) if _top(top) is None else int(top or 0)
    kept = set(ranking.ranked[:room])
    return [name for name in present if name in kept]


def _checked(ranking: object) -> None:
    if not isinstance(ranking, Ranking):
        msg = f"`ranking` must be what `rank` returns; got {type(ranking).__name__}."
        raise FanstatsError(msg)


def _does(ranking: Ranking) -> str:
    """Say what the better model does, such as "moves more air"."""
    better = {
        "airflow": "moves more air",
        "temperature rise": "stays cooler",
        "temperature": "stays cooler",
        "noise": "is quieter",
        "price": "costs less",
    }
    return better.get(ranking.quantity, f"has {'more' if ranking.best == 'high' else 'less'}")


def _colours(inks: Inks) -> Colormap:
    shades = LinearSegmentedColormap.from_list("chance", [inks.paper, inks.series[0]])
    return shades.with_extremes(bad=inks.wash)


def _name_cells(ax: Axes, names: Sequence[str]) -> None:
    middles = np.arange(len(names)) + 0.5
    size = text_size("ytick.labelsize")
    height = 0.7 * min(extent(ax)) / len(names)
    fitting = max(_SMALLEST, min(size, 0.9 * height))
    room = 0.62 * name_width(ax) * size
    labels = [clipped(name, room, fitting, most=1) for name in names]
    ax.set_yticks(middles, labels, fontsize=fitting)
    ax.set_xticks(middles, labels, fontsize=fitting, rotation=90)
    ax.tick_params(length=0)


def _write_cells(ax: Axes, chances: FloatArray, ranking: Ranking, inks: Inks) -> tuple[Text, ...]:
    """Write chances into cells that are large enough to hold three figures."""
    width, height = extent(ax)
    size = min(text_size("ytick.labelsize"), _FILLS * min(width, height) / len(chances))
    if size < _SMALLEST:
        return ()
    texts, shade = [], _colours(inks)
    for row, column in np.argwhere(np.isfinite(chances)):
        chance = float(chances[row, column])
        said = percentage(chance, ranking.draws).replace("%", "").strip()
        said = said.replace("less than ", "<").replace("more than ", ">")
        texts.append(
            ax.text(
                column + 0.5, row + 0.5, literal(said), ha="center", va="center", fontsize=size,
                color=readable_on(shade(chance), inks),
            )
        )  # fmt: skip
    return tuple(texts)
