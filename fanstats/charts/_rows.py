"""How the height of a ranked chart is shared out among rows, lines of text and the legend."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

from fanstats.charts._axes import clipped, extent, fitted, line_height, margins, text_size, wrapped
from fanstats.formatting import number
from fanstats.wording import samples_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from fanstats.decisions.rank import Ranking

__all__ = ["Line", "Rows", "groups_shown", "most_brackets", "names_inside", "rows_for"]

# More brackets side by side than this cannot be followed; a shaded zone stands instead.
_MOST_BRACKETS: Final = 5
# So many models without a place are named.
_MOST_UNRANKED: Final = 5
# Shortest row that a name beside it can still be read at, in points.
_SHORTEST: Final = 9.0
_FEWEST: Final = 3
# Size of lines of text against that of names.
_NOTES: Final = 0.88
# How far below the middle of its row a range stands that has its name above it.
_LOWER: Final = 0.2
# Narrowest axes beside which names may stand, in points.
_NARROW: Final = 190.0
# Characters of a name beside the axes.
_ONE_LINE: Final = 34
_TWO_LINES: Final = 24


class Line(NamedTuple):
    """A line of text among the rows.

    Attributes
    ----------
    text : str
        Literal, broken into lines.
    at : float
        Its middle, in rows.
    """

    text: str
    at: float


class Rows(NamedTuple):
    """Rows of a ranked chart; the first ranked one is at 0, one row is 1 high.

    Attributes
    ----------
    shown : int
        Ranked models that have a row.
    lines : tuple of Line
        What is folded, and why models have no place.
    ticks : list of float
    names : list of str
        Ranked models, then (beside the axes) those without a place.
    inside : bool
        Whether names stand inside the axes, each above its range.
    bottom : float
        Lower end of the axes.
    lower : float
        How far below the middle of its row a range stands.
    notes, size : float
        Size of the lines of text and of the names, in points.
    """

    shown: int
    lines: tuple[Line, ...]
    ticks: list[float]
    names: list[str]
    inside: bool
    bottom: float
    lower: float
    notes: float
    size: float


def names_inside(ax: Axes, ranking: Ranking, laid_out: bool) -> bool:
    """Whether names have to stand inside the axes: beside them there is no room.

    Parameters
    ----------
    ax : Axes
    ranking : Ranking
    laid_out : bool
        Whether the figure's layout makes room.

    Returns
    -------
    bool
    """
    width = extent(ax)[0]
    size = text_size("ytick.labelsize")
    longest = min(_ONE_LINE, max((len(name) + 4 for name in ranking.table["model"]), default=0))
    # Tick label and axis label.
    beside = 0.56 * size * longest + 2.5 * size
    return width - beside < _NARROW if laid_out else margins(ax)[0] < beside


def rows_for(ax: Axes, ranking: Ranking, top: int | None, legend: float, inside: bool) -> Rows:
    """Share the height of the axes out.

    Parameters
    ----------
    ax : Axes
        Their size counts.
    ranking : Ranking
        What is to be shown.
    top : int or None
        How many models at most; None for as many as can be read.
    legend : float
        Share of the height that is taken.
    inside : bool
        From `names_inside`.

    Returns
    -------
    Rows
    """
    width, height = extent(ax)
    size = text_size("ytick.labelsize")
    notes = _NOTES * size
    line, free_width = line_height(notes), 0.97 * width
    shortest = 1.9 * _SHORTEST if inside else _SHORTEST
    reasons = _reasons(ranking, free_width, notes, inside)
    heights = [line * (0.5 + 1.0 + text.count("\n")) for _, text in reasons]
    free, total = height * (1.0 - legend) - sum(heights), len(ranking.ranked)
    shown = total if top is None else min(top, total)
    if top is None and total > _FEWEST and free < total * shortest:
        shown = max(_FEWEST, min(total - 1, int((free - 1.5 * line) / shortest)))
    texts = [text for _, text in reasons]
    if shown < total:
        texts.insert(0, fitted(_folded(ranking, shown), free_width, notes))
        heights.insert(0, line * (0.5 + 1.0 + texts[0].count("\n")))
        free -= heights[0]
    row = max(free / max(shown, 1), 0.8 * shortest)
    middles, place = [], shown - 0.5
    for points in heights:
        middles.append(place + points / row / 2.0)
        place += points / row
    beside = [] if inside else middles[len(middles) - len(reasons) :]
    samples = [*ranking.ranked[:shown], *([] if inside else [name for name, _ in reasons])]
    return Rows(
        shown=shown,
        lines=tuple(Line(*pair) for pair in zip(texts, middles, strict=True)),
        ticks=[*map(float, range(shown)), *beside],
        names=[
            _named(ranking, name, inside, two=row >= 2.0 * line_height(size)) for name in samples
        ],
        inside=inside,
        # What rows and lines took, over the share left for them: the legend gets the rest.
        bottom=-0.5 + (place + 0.5) / max(1.0 - legend, 0.2),
        lower=_LOWER if inside else 0.0,
        notes=notes,
        size=max(5.0, min(size, (0.42 if inside else 0.95) * row)),
    )


def _folded(ranking: Ranking, shown: int) -> str:
    rest = ranking.table["value"].iloc[shown : len(ranking.ranked)].to_numpy()
    ends = [number(float(end), units=ranking.units) for end in (rest[0], rest[-1])]
    return f"and {rest.size} more, from {ends[0]} to {ends[1]}"


def _reasons(ranking: Ranking, width: float, size: float, inside: bool) -> list[tuple[str, str]]:
    """Give models without a place and why; the later ones are folded into one line."""
    entries = list(ranking.unranked.items())
    named = entries if len(entries) <= _MOST_UNRANKED + 1 else entries[:_MOST_UNRANKED]
    rows = []
    for name, why in named:
        start = f"{_counted(ranking, name, inside)}, no place" if inside else "no place"
        rows.append((name, clipped(f"{start}: {why}", width, size, most=4)))
    rest = len(entries) - len(named)
    return [*rows, ("", f"and {rest} more without a place")] if rest else rows


def _counted(ranking: Ranking, name: str, inside: bool) -> str:
    """Give a model's name with the number of its samples, where that is known."""
    found = ranking.table.loc[ranking.table["model"] == name, "units_tested"]
    samples = int(found.iloc[0]) if len(found) else 0
    if not samples:
        return name
    return f"{name} ({samples_words(samples) if inside else samples})"


def _named(ranking: Ranking, name: str, inside: bool, *, two: bool) -> str:
    two = two and not inside
    width = _TWO_LINES if two else _ONE_LINE + 12 * inside
    return wrapped(_counted(ranking, name, inside), width, most=2 if two else 1)


def most_brackets(ax: Axes, laid_out: bool) -> int:
    """How many brackets there is room for beside the axes, at most as many as can be followed."""
    return _MOST_BRACKETS if laid_out else min(_MOST_BRACKETS, int((margins(ax)[1] - 2.0) // 7.0))


def groups_shown(ranking: Ranking, top: int | None) -> list[list[int]]:
    """Give the rows of the sets that cannot be told apart, as far as they are shown.

    Parameters
    ----------
    ranking : Ranking
    top : int or None
        Rows shown.

    Returns
    -------
    list of list of int
        Sets of two or more, none of them part of another.
    """
    place = {name: row for row, name in enumerate(ranking.ranked[:top])}
    sets = {tuple(sorted(place[n] for n in group if n in place)) for group in ranking.groups}
    found = [list(rows) for rows in sorted(sets) if len(rows) > 1]
    return [rows for rows in found if not any(set(rows) < set(other) for other in found)]
