"""Where uncertainty comes from: shares of a budget, and how samples of one model differ."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
from matplotlib.lines import Line2D
from scipy.special import ndtri

from fanstats._arguments import count, fraction
from fanstats.charts._axes import (
    MARKERS,
    axes_for,
    caption_in,
    extent,
    inks_for,
    inside_legend,
    label_axes,
    label_for,
    literal,
    settle,
    text_size,
    title_above,
)
from fanstats.charts._names import folded_line, name_rows, rows_that_fit
from fanstats.charts.ranges import Bars, draw_bars
from fanstats.errors import FanstatsError, one_of
from fanstats.formatting import percentage
from fanstats.wording import times_words

if TYPE_CHECKING:
    from collections.abc import Iterable

    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.collections import LineCollection
    from matplotlib.legend import Legend
    from matplotlib.text import Text

    from fanstats.spread.unit_spread import SpreadEstimate

__all__ = ["BudgetArtists", "ScatterArtists", "budget_shares", "unit_scatter"]

_WHOLE: Final = "u_c"
# Sources below this share of the variance are folded into one row.
_SMALL: Final = 0.01
# Height of the row of one sample in points, and share of a chart that its legend takes, about.
_SAMPLE: Final = 10.0
_LEGEND: Final = 0.15


class BudgetArtists(NamedTuple):
    """What a chart of a budget consists of.

    Attributes
    ----------
    stems : LineCollection or None
    shares : Line2D
    texts : tuple of Text
        Shares in figures.
    """

    stems: LineCollection | None
    shares: Line2D
    texts: tuple[Text, ...]


class ScatterArtists(NamedTuple):
    """What a chart of samples within models consists of.

    Attributes
    ----------
    units : tuple of Line2D
        One a model: its samples.
    ranges : Bars
        What measuring alone moves each sample.
    typical : Line2D
        Where each model's mean stands.
    marks : tuple of Text
        Which sample each point is, where there is room.
    missing : Text or None
        Why there is nothing to see.
    legend : Legend or None
    """

    units: tuple[Line2D, ...]
    ranges: Bars
    typical: Line2D
    marks: tuple[Text, ...]
    missing: Text | None
    legend: Legend | None


def budget_shares(table: pd.DataFrame, *, ax: Axes | None = None) -> BudgetArtists:
    """Draw what share of the variance each source of an uncertainty budget has.

    Parameters
    ----------
    table : DataFrame
        With `component` (or `source`) and `share`, a fraction: what `fanstats.budget` returns.
    ax : Axes, optional
        Where to draw; the current axes by default.

    Returns
    -------
    BudgetArtists

    Raises
    ------
    FanstatsError
        If a column is missing or a share is negative.

    Notes
    -----
    Sources of less than 1 in 100 stand together in the last row.

    Examples
    --------
    >>> import matplotlib.pyplot as plt
    >>> import pandas as pd
    >>> table = pd.DataFrame({"component": ["sample luck", "meter"], "share": [0.8, 0.2]})
    >>> drawn = budget_shares(table)
    >>> [text.get_text() for text in drawn.texts]
    ['80 %', '20 %']
    >>> plt.close()
    """
    names, shares = _shares(table)
    ax = axes_for(ax)
    inks = inks_for(ax)
    at = np.arange(len(names), dtype=np.float64)
    stems = draw_bars(
        ax, at, np.zeros(at.size), shares, horizontal=True, color=inks.series[0], linewidth=2.5
    )
    (dots,) = ax.plot(
        shares, at, linestyle="none", marker="o", markersize=7.0, color=inks.series[0], zorder=3.0
    )
    texts = tuple(
        ax.annotate(
            percentage(min(float(share), 1.0)) if share > 0 else "0 %", (share, place), (8.0, 0.0),
            textcoords="offset points", va="center", color=inks.ink,
            fontsize=text_size("ytick.labelsize"),
        )
        for share, place in zip(shares, at, strict=True)
    )  # fmt: skip
    ax.set_ylim(len(names) - 0.5, -0.5)
    name_rows(ax, names)
    ax.set_xticks([])
    label_axes(ax, "share of the variance")
    # Beside the longest stem stands its share in figures.
    points = extent(ax)[0]
    beside = 4.5 * text_size("ytick.labelsize")
    longest = max(float(shares.max(initial=0.0)), 0.01)
    ax.set_xlim(0.0, longest * points / max(points - beside, 0.3 * points))
    title_above(ax, _budget_title(table))
    return BudgetArtists(stems.lines, dots, texts)


def _shares(table: pd.DataFrame) -> tuple[list[str], np.ndarray]:
    named = next((name for name in ("component", "source") if name in table), None)
    if named is None or "share" not in table:
        msg = "`table` must have `component` (or `source`) and `share`, as a budget has."
        raise FanstatsError(msg)
    rows = table[table[named] != _WHOLE].sort_values("share", ascending=False, kind="stable")
    shares = rows["share"].to_numpy(dtype=np.float64)
    if (shares < 0).any():
        msg = f"`share` must not be negative; got {shares.min():g}."
        raise FanstatsError(msg)
    names, large = [str(name) for name in rows[named]], np.nan_to_num(shares) >= _SMALL
    if (~large).sum() < 2:
        return names, np.nan_to_num(shares)
    kept = [name for name, keep in zip(names, large, strict=True) if keep]
    rest = float(np.nansum(shares[~large]))
    return [*kept, f"{int((~large).sum())} more, together"], np.append(shares[large], rest)


def _budget_title(table: pd.DataFrame) -> str:
    about = {name: str(table.attrs.get(name, "")) for name in ("model", "other", "quantity")}
    who = about["model"]
    if who and about["other"]:
        who = f"{who} against {about['other']}"
    what = f": {about['quantity']}" if about["quantity"] else ""
    return f"What the uncertainty is made of{f', {who}' if who else ''}{what}"


def unit_scatter(
    estimate: SpreadEstimate,
    kind: str | None = None,
    *,
    models: Iterable[str] | None = None,
    top: int | None = None,
    probability: float = 0.95,
    legend: bool = True,
    ax: Axes | None = None,
) -> ScatterArtists:
    """Draw how the samples of each model differ from their mean.

    Parameters
    ----------
    estimate : SpreadEstimate
        What `fanstats.unit_spread` returns.
    kind : str, optional
        Which difference, as its table `deviations` names it; the first by default.
    models : iterable of str, optional
        Which, from the top; by default all with several samples.
    top : int, optional
        How many models get a row, where they are not named; the others are folded into one line.
        By default as many as can be read.
    probability : float
        Of the ranges.
    legend : bool
        Draw the legend.
    ax : Axes, optional
        Where to draw; the current axes by default.

    Returns
    -------
    ScatterArtists

    Raises
    ------
    FanstatsError
        If the kind or a model is not there.

    Examples
    --------
    >>> import fanstats as fs
    >>> import matplotlib.pyplot as plt
    >>> from fanstats.spread.unit_spread import unit_spread
    >>> drawn = unit_scatter(unit_spread(fs.demo.readings(), fs.demo.bench()))
    >>> [len(line.get_xdata()) for line in drawn.units]
    [3, 2]
    >>> plt.close()
    """
    fraction("probability", probability)
    table = estimate.deviations
    kinds = [str(name) for name in table["kind"].unique()]
    if kinds:
        kind = one_of("kind", kind, kinds) if kind is not None else kinds[0]
        table = table[table["kind"] == kind]
    present = [str(name) for name in table["model"].unique()]
    several = [name for name in present if (table["model"] == name).sum() > 1]
    names = several if models is None else [one_of("models", name, present) for name in models]
    ax = axes_for(ax)
    inks = inks_for(ax)
    typical = ax.axvline(0.0, color=inks.ink, linewidth=1.0, linestyle=(0, (4, 2)), zorder=1.2)
    factor, units = _scale(estimate.components, kind)
    total = len(names)
    if models is None:
        asked = None if top is None else count("top", top)
        row = _SAMPLE * max((table["model"] == name).sum() for name in names) if names else 1.0
        names = names[: rows_that_fit(ax, total, asked, taken=_LEGEND, row=float(row))]
    folded = total - len(names) if models is None else 0
    rows = [table[table["model"] == name] for name in names]
    places = [place + np.linspace(-0.22, 0.22, len(row)) for place, row in enumerate(rows)]
    values = [factor * row["deviation"].to_numpy(dtype=np.float64) for row in rows]
    half = float(ndtri((1.0 + probability) / 2.0)) * factor
    reach = [half * row["u"].to_numpy(dtype=np.float64) for row in rows]
    bars = Bars(None, ())
    if names:
        middle, around, at = (np.concatenate(part) for part in (values, reach, places))
        bars = draw_bars(
            ax, at, middle - around, middle + around, horizontal=True, color=inks.ink,
            linewidth=1.1, caps=6.0,
        )  # fmt: skip
    drawn = [
        ax.plot(
            value, at, linestyle="none", marker=MARKERS[k % len(MARKERS)], markersize=6.5,
            color=inks.series[0], zorder=3.0,
        )[0]
        for k, (value, at) in enumerate(zip(values, places, strict=True))
    ]  # fmt: skip
    counts = [f"{name} ({len(row)})" for name, row in zip(names, rows, strict=True)]
    bottom = max(len(names), 1) - 0.4 + (1.0 if folded else 0.0)
    ax.set_ylim(bottom, -0.6)
    name_rows(ax, counts, row=extent(ax)[1] * (1.0 - _LEGEND) / (bottom + 0.6))
    ax.margins(x=0.14)
    marks = _mark_samples(ax, rows, values, reach, places, bottom)
    if folded:
        folded_line(ax, f"and {folded} more models", bottom - 0.5)
    label_axes(ax, label_for("difference from the model's mean", units), "model (samples tested)")
    title_above(ax, f"How samples of one model differ{f': {kind}' if kind else ''}")
    settle(ax)
    missing = None
    if not names:
        typical.set_visible(False)
        ax.set_xticks([])
        missing = caption_in(ax, "no model with several samples")
    box = None
    if names and legend:
        words = f"what measuring alone explains, {times_words(probability)}"
        handle = Line2D([], [], color=inks.ink, linewidth=1.1)
        box = inside_legend(ax, [handle], [words])
        low, high = ax.get_ylim()
        ax.set_ylim(high + (low - high) / (1.0 - box.height), high)
    drawn_legend = None if box is None else box.legend
    return ScatterArtists(tuple(drawn), bars, typical, marks, missing, drawn_legend)


def _mark_samples(
    ax: Axes,
    rows: list[pd.DataFrame],
    values: list[np.ndarray],
    reach: list[np.ndarray],
    places: list[np.ndarray],
    bottom: float,
) -> tuple[Text, ...]:
    """Write which sample each point is beside its range, where samples stand far enough apart."""
    most = max((len(row) for row in rows), default=1)
    apart = 0.44 / max(most - 1, 1) * extent(ax)[1] * (1.0 - _LEGEND) / (bottom + 0.6)
    if apart < _SAMPLE:
        return ()
    found = []
    for row, value, around, at in zip(rows, values, reach, places, strict=True):
        for unit, end, place in zip(row["unit"], value + around, at, strict=True):
            found.append(
                ax.annotate(
                    literal(str(unit)), (float(end), float(place)), (6.0, 0.0),
                    textcoords="offset points", va="center", color=inks_for(ax).faint,
                    fontsize=0.88 * text_size("ytick.labelsize"),
                )
            )  # fmt: skip
    return tuple(found)


def _scale(components: pd.DataFrame, kind: str | None) -> tuple[float, str]:
    """Give the factor to and the unit of the numbers printed: relative ones in percent."""
    units = components.loc[components["kind"] == kind, "units"]
    said = str(units.iloc[0]) if len(units) else ""
    return (100.0, "%") if said == "relative" else (1.0, said)
