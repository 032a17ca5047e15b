"""Price against performance: which models nothing else beats on both, and with what chance."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, Literal, NamedTuple

import numpy as np
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.lines import Line2D

from fanstats._arguments import count
from fanstats.charts._axes import (
    Inks,
    axes_for,
    caption_in,
    clipped,
    extent,
    fitted,
    inks_for,
    inside_legend,
    label_axes,
    label_for,
    line_height,
    literal,
    settle,
    text_size,
    text_width,
    title_above,
)
from fanstats.charts._names import reasons_text
from fanstats.charts.ranges import Bars, draw_bars
from fanstats.decisions.value_for_money import ValueForMoney
from fanstats.errors import FanstatsError
from fanstats.formatting import percentage
from fanstats.wording import SCOPE_WORDS, times_words

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.collections import LineCollection, PathCollection
    from matplotlib.legend import Legend
    from matplotlib.text import Text

    from fanstats._typing import FloatArray

__all__ = ["PriceArtists", "price_performance"]

_SMALLER: Final = 0.88
# Radius of a dot with its edge, in points.
_DOT: Final = 5.0
_MOST_NAMES: Final = 24
# Of more models than this only those that are unbeaten at least so often get a name.
_FEW: Final = 24
_BEATEN: Final = 0.05
# More bars than this cannot be followed: then only named models keep theirs.
_MOST_BARS: Final = 40


class PriceArtists(NamedTuple):
    """What a chart of price against performance consists of.

    Attributes
    ----------
    dots : PathCollection or None
        One a model with a price and an estimate, full as far as its chance goes.
    ranges : Bars
        Of the performance.
    names : dict of str to Text
        Names with chances, by model, where they have room.
    notes : Text or None
        Models without a name or not drawn, and why.
    missing : Text or None
        Why there is nothing to see.
    legend : Legend or None
    """

    dots: PathCollection | None
    ranges: Bars
    names: dict[str, Text]
    notes: Text | None
    missing: Text | None
    legend: Legend | None


def price_performance(
    found: ValueForMoney,
    *,
    top: int | None = None,
    legend: bool = True,
    ax: Axes | None = None,
) -> PriceArtists:
    """Draw what models give against what they cost, with the chance that nothing beats them.

    Parameters
    ----------
    found : ValueForMoney
        What `fanstats.value_for_money` returns.
    top : int, optional
        How many models get a name at most, the least likely beaten first. By default as many as
        have room.
    legend : bool
        Draw the legend.
    ax : Axes, optional
        Where to draw; the current axes by default.

    Returns
    -------
    PriceArtists

    Raises
    ------
    FanstatsError
        If it is something else, or `top` is no whole number from 1 on.

    Notes
    -----
    A model is unbeaten if nothing that costs no more is better. The number beside a name is the
    chance of that, in hundredths, and a dot is as full of colour as its chance is high. How much
    money a gain is worth is for the buyer to say, and no figure here says it.

    Examples
    --------
    >>> import fanstats as fs
    >>> import matplotlib.pyplot as plt
    >>> estimates = fs.equal_noise(fs.demo.readings(), 33, bench=fs.demo.bench(), draws=500, rng=1)
    >>> found = fs.value_for_money(
    ...     estimates, {"Varnost Lull": 24.0, "Ombrel Sill": 17.0, "Sorrelby N1": 9.0},
    ...     quantity="airflow", obstruction="open")
    >>> drawn = price_performance(found)
    >>> sorted(drawn.names)
    ['Ombrel Sill', 'Sorrelby N1', 'Varnost Lull']
    >>> plt.close()
    """
    given: object = found
    if not isinstance(given, ValueForMoney):
        msg = f"`found` must be what `value_for_money` returns; got {type(given).__name__}."
        raise FanstatsError(msg)
    asked = _MOST_NAMES if top is None else count("top", top)
    ax = axes_for(ax)
    inks = inks_for(ax)
    known = found.table["chance_unbeaten"].notna()
    table = found.table[known].sort_values("chance_unbeaten", ascending=False, kind="stable")
    more = "more" if found.best != "low" else "less"
    label_axes(ax, _paid(found), f"{label_for(found.quantity, found.units)}; {more} is better")
    title_above(ax, _title(found))
    settle(ax)
    if table.empty:
        ax.set(xticks=[], yticks=[])
        why = f"no model has both a price and an estimate; {_reasons(found)}"
        return PriceArtists(None, Bars(None, ()), {}, None, caption_in(ax, why), None)
    likely = int((table["chance_unbeaten"] >= _BEATEN).sum())
    asked = min(asked, len(table) if len(table) <= _FEW else max(likely, 1))
    dots = _dots(ax, table, asked, inks)
    ranges = _bars(ax, table if len(table) <= _MOST_BARS else table.iloc[:asked], inks)
    ax.margins(x=0.1, y=0.1)
    ax.autoscale_view()
    drawn = _legend(ax, found, ranges, inks) if legend else None
    _room_for_notes(ax, found, len(table), asked)
    names = _names(ax, table, asked, ranges, drawn, found, inks)
    text = _notes(ax, found, table, names)
    return PriceArtists(dots, ranges, names, text, None, drawn)


def _title(found: ValueForMoney) -> str:
    where = f" {found.where}" if found.where else ""
    about = SCOPE_WORDS.get(found.scope, found.scope)
    return f"Price and {found.quantity}{where}, for {about}"


def _paid(found: ValueForMoney) -> str:
    money = found.currency or "price units"
    places = "" if found.need == 1 else f" for {found.need} places"
    packs = ", whole packs" if (found.table["bought"] > found.table["fans"]).any() else ""
    return f"to be paid{places} ({money}{packs})"


def _dots(ax: Axes, table: pd.DataFrame, named: int, inks: Inks) -> PathCollection:
    """Draw a dot a model; small ones for those that are to have no name."""
    sizes = np.where(np.arange(len(table)) < named, 64.0, 12.0)
    shades = LinearSegmentedColormap.from_list("chance", [inks.paper, inks.series[0]])
    return ax.scatter(
        table["paid"], table["value"], s=sizes, c=table["chance_unbeaten"], cmap=shades, vmin=0.0,
        vmax=1.0, edgecolors=inks.ink, linewidths=1.1, zorder=3.0,
    )  # fmt: skip


def _bars(ax: Axes, table: pd.DataFrame, inks: Inks) -> Bars:
    paid, value, low, high = (
        table[name].to_numpy(dtype=np.float64) for name in ("paid", "value", "low", "high")
    )
    return draw_bars(ax, paid, low, high, reach=value, color=inks.faint, linewidth=1.1, caps=5.0)


def _legend(ax: Axes, found: ValueForMoney, ranges: Bars, inks: Inks) -> Legend:
    style: dict[str, Any] = {
        "linestyle": "none", "marker": "o", "markersize": 8.0, "markeredgecolor": inks.ink,
        "markeredgewidth": 1.1,
    }  # fmt: skip
    words = f"number, and how full a dot is: {found.label} in 100 that nothing beats it"
    handles: dict[str, Artist] = {words: Line2D([], [], markerfacecolor=inks.series[0], **style)}
    if ranges.lines is not None:
        handles[f"range, {times_words(found.probability)}"] = Line2D(
            [], [], color=inks.faint, linewidth=1.1
        )
    if ranges.open_ends:
        handles["open end: not covered by data"] = Line2D(
            [], [], color=inks.faint, linestyle="none", marker="^", fillstyle="none", markersize=5.0
        )
    box = inside_legend(ax, list(handles.values()), list(handles), loc="upper left")
    low, high = ax.get_ylim()
    ax.set_ylim(low, low + (high - low) / (1.0 - box.height))
    return box.legend


# Names ---------------------------------------------------------------------------------------


class _Box(NamedTuple):
    """A rectangle in points from the lower left corner of the axes."""

    left: float
    bottom: float
    right: float
    top: float

    def meets(self, other: _Box) -> bool:
        """Whether the two overlap."""
        return (
            self.left < other.right
            and other.left < self.right
            and self.bottom < other.top
            and other.bottom < self.top
        )


def _names(
    ax: Axes,
    table: pd.DataFrame,
    asked: int,
    ranges: Bars,
    legend: Legend | None,
    found: ValueForMoney,
    inks: Inks,
) -> dict[str, Text]:
    """Name dots, the least likely beaten first, wherever a name meets nothing else."""
    size = _SMALLER * text_size("ytick.labelsize")
    scale = 72.0 / ax.get_figure(root=True).dpi  # type: ignore[union-attr]
    corner = np.array([ax.get_window_extent().x0, ax.get_window_extent().y0])
    places = (ax.transData.transform(table[["paid", "value"]].to_numpy()) - corner) * scale
    width, height = extent(ax)
    radii = [_DOT if place < asked else _DOT / 2.0 for place in range(len(places))]
    taken = [_Box(x - r, y - r, x + r, y + r) for (x, y), r in zip(places, radii, strict=True)]
    if legend is not None:
        box = legend.get_window_extent()
        ends = np.array([[box.x0, box.y0], [box.x1, box.y1]]) - corner
        taken.append(_Box(*(ends * scale).ravel()))
    bars = [] if ranges.lines is None else _boxes_of(ranges.lines, ax, corner, scale)
    drawn: dict[str, Text] = {}
    for (x, y), row in zip(places[:asked], table.iloc[:asked].to_dict("records"), strict=True):
        said = _hundredths(float(row["chance_unbeaten"]), found.draws)
        text = f"{row['model']}: {said}"
        spot = _spot(float(x), float(y), text, size, (width, height), taken, bars)
        if spot is None:
            continue
        taken.append(spot.box)
        (dx, dy), align = spot.shift, spot.align
        lead = {"arrowstyle": "-", "color": inks.faint, "linewidth": 0.7, "shrinkB": _DOT}
        drawn[str(row["model"])] = ax.annotate(
            literal(text), (float(row["paid"]), float(row["value"])), (dx, dy),
            textcoords="offset points", ha=align, va="center", fontsize=size, color=inks.ink,
            zorder=3.2, arrowprops=lead if spot.away else None,
            bbox={"facecolor": inks.paper, "edgecolor": "none", "alpha": 0.8, "pad": 0.6},
        )  # fmt: skip
    return drawn


class _Spot(NamedTuple):
    """Where a name stands: its rectangle, shift from its dot and alignment; far off, or beside."""

    box: _Box
    shift: tuple[float, float]
    align: Literal["left", "right", "center"]
    away: bool


def _boxes_of(lines: LineCollection, ax: Axes, corner: FloatArray, scale: float) -> list[_Box]:
    boxes = []
    for part in lines.get_segments():
        ends = (ax.transData.transform(part) - corner) * scale
        boxes.append(_Box(*(ends.min(axis=0) - 1.0), *(ends.max(axis=0) + 1.0)))
    return boxes


def _spot(
    x: float,
    y: float,
    text: str,
    size: float,
    room: tuple[float, float],
    taken: list[_Box],
    bars: list[_Box],
) -> _Spot | None:
    """Find a place for a name: beside its dot, else farther off; off the ranges if there is one."""
    width, half = text_width(text, size) + 2.0, 0.62 * size
    spots = [
        _spot_at(x, y, dx, dy, width, half, away) for dx, dy, away in _shifts(_DOT + 3.0, half)
    ]
    free = [
        spot
        for spot in spots
        if spot.box.left >= 2.0 and spot.box.right <= room[0] - 2.0 and spot.box.bottom >= 0.0
        and spot.box.top <= room[1] and not any(spot.box.meets(other) for other in taken)
    ]  # fmt: skip
    led = [spot for spot in free if not (spot.away and _led_through(spot, x, y, taken))]
    clear = [spot for spot in led if not any(spot.box.meets(bar) for bar in bars)]
    return next(iter([*clear, *led, *free]), None)


def _led_through(spot: _Spot, x: float, y: float, taken: list[_Box]) -> bool:
    """Whether the line from a dot to its name passes behind another name or dot."""
    steps = max(2, int(np.hypot(*spot.shift)))
    along = [
        _Box(at[0], at[1], at[0] + 1.0, at[1] + 1.0)
        for at in np.linspace((x, y), np.add((x, y), spot.shift), steps)
    ]
    others = [box for box in taken if not box.meets(along[0])]
    return any(point.meets(other) for point in along for other in others)


def _spot_at(
    x: float, y: float, dx: float, dy: float, width: float, half: float, away: bool
) -> _Spot:
    align: Literal["left", "right", "center"] = (
        "center" if dx == 0 else "left" if dx > 0 else "right"
    )
    left = x + dx - {"left": 0.0, "right": width, "center": width / 2.0}[align]
    box = _Box(left, y + dy - half, left + width, y + dy + half)
    return _Spot(box, (dx, dy), align, away)


def _shifts(gap: float, half: float) -> list[tuple[float, float, bool]]:
    """List shifts from a dot in the order they are tried: beside it, then ever farther away."""
    near = [(gap, 0.0), (-gap, 0.0), (gap, half + 2.0), (gap, -half - 2.0), (-gap, half + 2.0),
            (-gap, -half - 2.0)]  # fmt: skip
    far = [
        (side * across * gap, up * rise)
        for rise in (18.0, 28.0, 40.0, 54.0)
        for across in (0.8, 2.5)
        for side in (1.0, -1.0)
        for up in (1.0, -1.0)
    ]
    return [*((*shift, False) for shift in near), *((*shift, True) for shift in far)]


def _hundredths(chance: float, draws: int) -> str:
    said = percentage(chance, draws).removesuffix(" %")
    return said.replace("less than ", "<").replace("more than ", ">")


# Notes ---------------------------------------------------------------------------------------


def _reasons(found: ValueForMoney) -> str:
    gone = found.table[found.table["chance_unbeaten"].isna()]
    return reasons_text(
        [(str(name), str(why)) for name, why in zip(gone["model"], gone["status"], strict=True)]
    )


def _room_for_notes(ax: Axes, found: ValueForMoney, total: int, named: int) -> None:
    """Lower the bottom of the axes for lines of text."""
    size = _SMALLER * text_size("ytick.labelsize")
    reasons = _reasons(found)
    lines = 1 + fitted(reasons, 0.96 * extent(ax)[0], size).count("\n") if reasons else 0
    # A name that finds no room is counted in a line of its own.
    lines = min(lines, 4) + (1 if total > named or total > _MOST_NAMES // 2 else 0)
    share = line_height(size) * (lines + 0.5) / extent(ax)[1] if lines else 0.0
    low, high = ax.get_ylim()
    ax.set_ylim(low - (high - low) * share / (1.0 - share), high)


def _notes(
    ax: Axes, found: ValueForMoney, table: pd.DataFrame, names: dict[str, Text]
) -> Text | None:
    left = table[~table["model"].isin(list(names))]
    parts = [_reasons(found)] if _reasons(found) else []
    if len(left):
        best = _hundredths(float(left["chance_unbeaten"].max()), found.draws)
        parts.insert(0, f"{len(left)} more without a name, none above {best}")
    if not parts:
        return None
    size = _SMALLER * text_size("ytick.labelsize")
    written = "\n".join(clipped(part, 0.96 * extent(ax)[0], size, most=4) for part in parts)
    text = ax.text(
        0.012, 0.012, written, transform=ax.transAxes, ha="left", va="bottom", fontsize=size,
        color=inks_for(ax).faint, zorder=3.3,
    )  # fmt: skip
    text.set_in_layout(False)
    return text
