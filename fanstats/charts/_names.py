"""Rows with names beside the axes: how many there is room for, and how their names are written."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from fanstats.charts._axes import clipped, extent, inks_for, line_height, text_size

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.text import Text

__all__ = ["SHORTEST_ROW", "folded_line", "name_rows", "reasons_text", "rows_that_fit"]

# Shortest row that a name beside it can still be read at, in points.
SHORTEST_ROW: Final = 11.0
_SMALLEST: Final = 7.0
# Smaller than this text is not made to have it uncut.
_UNCUT: Final = 8.0
_FEWEST: Final = 3
_MOST_LINES: Final = 3
# Share of a figure's width that names may take.
_WIDEST: Final = 0.42
_MOST_REASONS: Final = 5


def rows_that_fit(
    ax: Axes, total: int, top: int | None, *, taken: float, row: float = SHORTEST_ROW
) -> int:
    """Say how many of so many rows are shown.

    Parameters
    ----------
    ax : Axes
        Its height counts.
    total : int
        Rows there are.
    top : int or None
        How many at most; None for as many as can be read.
    taken : float
        Share of the height that legend and lines of text take.
    row : float
        Height of the shortest row, in points.

    Returns
    -------
    int
        At least 3, where there are as many.
    """
    if top is not None:
        return min(top, total)
    room = int(extent(ax)[1] * (1.0 - taken) / row)
    return total if total <= room else max(_FEWEST, min(room - 1, total - 1))


def name_rows(ax: Axes, names: Sequence[str], *, row: float | None = None) -> None:
    """Write names beside rows 0, 1, ..., in as many lines and as large as the rows are high.

    Parameters
    ----------
    ax : Axes
        Its limits along y are set already.
    names : sequence of str
        Taken literally.
    row : float, optional
        Height of a row in points; by default from the axes and their limits.
    """
    figure = ax.get_figure(root=True)
    width = _WIDEST * (460.0 if figure is None else figure.get_figwidth() * 72.0)
    bottom, top = ax.get_ylim()
    height = extent(ax)[1] / max(abs(bottom - top), 1.0) if row is None else row
    size = max(_SMALLEST, min(text_size("ytick.labelsize"), 0.9 * height))
    labels = _labels(names, width, height, size)
    while size > _UNCUT and any("…" in label for label in labels):
        size -= 0.5
        labels = _labels(names, width, height, size)
    ax.set_yticks(range(len(names)), labels, fontsize=size)
    ax.tick_params(axis="y", length=0)


def _labels(names: Sequence[str], width: float, height: float, size: float) -> list[str]:
    most = max(1, min(_MOST_LINES, int(height / line_height(size))))
    return [clipped(name, width, size, most=most) for name in names]


def folded_line(ax: Axes, text: str, at: float) -> Text:
    """Write a line of text in a row, such as what is folded: in faint ink.

    Parameters
    ----------
    ax : Axes
    text : str
        Literal, broken into lines.
    at : float
        Its middle, in rows.

    Returns
    -------
    Text
    """
    line = ax.text(
        0.012, at, text, transform=ax.get_yaxis_transform(), va="center", ha="left",
        color=inks_for(ax).faint, fontsize=0.88 * text_size("ytick.labelsize"), linespacing=1.1,
    )  # fmt: skip
    line.set_in_layout(False)  # it has the width of the axes, and must not decide it
    return line


def reasons_text(reasons: Sequence[tuple[str, str]]) -> str:
    """Say which models are not drawn, and why: the first few, and how many more.

    Parameters
    ----------
    reasons : sequence of (str, str)
        Names, and why each is missing.

    Returns
    -------
    str
        "" where none is missing.

    Examples
    --------
    >>> reasons_text([("Gust", "no price"), ("Lull", "below range")])
    'not drawn: Gust (no price); Lull (below range)'
    """
    if not reasons:
        return ""
    named = [f"{name} ({why or 'no estimate'})" for name, why in reasons[:_MOST_REASONS]]
    rest = len(reasons) - len(named)
    return f"not drawn: {'; '.join(named)}{f'; and {rest} more' if rest else ''}"
