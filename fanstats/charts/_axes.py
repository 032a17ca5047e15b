"""What all charts share: the axes, inks that suit them, literal text, legends inside the axes."""

from __future__ import annotations

import re
import textwrap
import warnings
from functools import lru_cache
from typing import TYPE_CHECKING, Final, Literal, NamedTuple

import matplotlib as mpl
import matplotlib.pyplot as plt
import numpy as np
from matplotlib.colors import to_hex, to_rgb, to_rgba
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import text_to_path

from fanstats.quantities import units_label
from fanstats.wording import times_words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.legend import Legend
    from matplotlib.text import Text

    from fanstats._typing import BoolArray

__all__ = [
    "DASHES",
    "MARKERS",
    "Inks",
    "LegendBox",
    "axes_for",
    "caption_in",
    "clipped",
    "extent",
    "fitted",
    "inks_for",
    "inside_legend",
    "label_axes",
    "label_for",
    "line_height",
    "literal",
    "margins",
    "name_width",
    "range_label",
    "readable_on",
    "runs",
    "settle",
    "text_size",
    "text_width",
    "title_above",
    "unwrapped",
    "wrapped",
]

# Chosen by a search: every two differ by 27 or more in CIE L*a*b* to normal and to red-, green- and
# blue-blind eyes (Machado, Oliveira and Fernandes 2009), each stands off its paper by 3:1 or more.
ON_LIGHT: Final = ("#1f5f8b", "#b7880d", "#8c3142", "#9577e7", "#e1625d", "#97080c")
ON_DARK: Final = ("#7fb8e6", "#fcc453", "#dc3b73", "#d2e5ac", "#7f6bdf", "#b26922")
# Never colour alone: a marker and a line style go with each place in a series of models.
MARKERS: Final = ("o", "s", "^", "D", "v", "P")
DASHES: Final = ("-", (0, (5, 1.6)), (0, (1.2, 1.4)), (0, (6, 1.6, 1.2, 1.6)), (0, (3, 1.2)), "-.")

_CONTRAST: Final = 4.5
TextSetting = Literal["axes.labelsize", "legend.fontsize", "xtick.labelsize", "ytick.labelsize"]
Corner = Literal[
    "lower left", "lower right", "upper left", "upper right", "lower center", "upper center", "best"
]  # fmt: skip
# Share of an axes' height that a legend may take.
_MOST_LEGEND: Final = 0.7


class Inks(NamedTuple):
    """Colours that can be read on one paper.

    Attributes
    ----------
    paper, ink : str
        What is drawn on, and what text and outlines are drawn with.
    faint : str
        For what stands back; still readable as text.
    wash : str
        For shaded zones and guide lines.
    series : tuple of str
        For models, one after the other.
    """

    paper: str
    ink: str
    faint: str
    wash: str
    series: tuple[str, ...]


class LegendBox(NamedTuple):
    """A legend inside the axes.

    Attributes
    ----------
    legend : Legend
    width, height : float
        Shares of the axes that it takes.
    """

    legend: Legend
    width: float
    height: float


def axes_for(ax: Axes | None) -> Axes:
    """Give the axes to draw into: those passed, else the current ones."""
    return plt.gca() if ax is None else ax


def inks_for(ax: Axes, *, outside: bool = False) -> Inks:
    """Choose colours for what lies behind: the axes, or the figure around them.

    Parameters
    ----------
    ax : Axes
        Where they are used.
    outside : bool
        For text beside the axes, such as tick labels.

    Returns
    -------
    Inks
        The text colour of the settings where it can be read, else black or white.
    """
    settled = to_hex(mpl.rcParams["text.color"])
    paper = _paper(ax, outside, settled)
    light = _luminance(paper) > 0.18
    ink = settled if _contrast(settled, paper) >= _CONTRAST else "#111111" if light else "#f2f2f2"
    return Inks(
        paper=paper,
        ink=ink,
        faint=_mixed(ink, paper, 0.66),
        wash=_mixed(ink, paper, 0.12),
        series=ON_LIGHT if light else ON_DARK,
    )


def readable_on(colour: tuple[float, float, float, float] | str, inks: Inks) -> str:
    """Give the ink or the paper, whichever can be read better on a colour."""
    ground = to_hex(colour)
    return max((inks.ink, inks.paper), key=lambda text: _contrast(text, ground))


def _paper(ax: Axes, outside: bool, text: str) -> str:
    figure = ax.get_figure(root=True)
    layers = [] if outside else [to_rgba(ax.get_facecolor())]
    if figure is not None:
        layers.append(to_rgba(figure.get_facecolor()))
    # Nothing but transparent layers: a page that the text was chosen for.
    colour = np.array(to_rgb("white" if _luminance(text) < 0.4 else "#1a1a1a"))
    for *rgb, alpha in reversed(layers):
        colour = alpha * np.array(rgb) + (1.0 - alpha) * colour
    return to_hex((float(colour[0]), float(colour[1]), float(colour[2])))


def _luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.2)."""
    rgb = np.array(to_rgb(colour))
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def _contrast(one: str, other: str) -> float:
    low, high = sorted((_luminance(one), _luminance(other)))
    return (high + 0.05) / (low + 0.05)


def _mixed(ink: str, paper: str, share: float) -> str:
    red, green, blue = share * np.array(to_rgb(ink)) + (1.0 - share) * np.array(to_rgb(paper))
    return to_hex((float(red), float(green), float(blue)))


def literal(text: str) -> str:
    r"""Write text such that nothing in it is taken for markup.

    Examples
    --------
    >>> literal("Gust $5 $x_1$")
    'Gust \\$5 \\$x_1\\$'
    """
    return text.replace("$", r"\$")


def wrapped(text: str, width: int, *, most: int | None = None) -> str:
    """Break text at spaces into lines of so many characters, and make it literal.

    Parameters
    ----------
    text : str
        What to break.
    width : int
        Characters a line; longer words are broken too.
    most : int, optional
        Lines that are kept; a cut is shown by dots.

    Returns
    -------
    str
    """
    lines = textwrap.wrap(
        text, max(4, width), max_lines=most, placeholder=" …", break_on_hyphens=False
    )
    return "\n".join(literal(line) for line in lines)


def fitted(text: str, width: float, size: float, *, even: bool = False) -> str:
    r"""Break text at spaces into lines that fit a width, measured, and make it literal.

    Parameters
    ----------
    text : str
        What to break.
    width, size : float
        Width of a line and size of the text, in points.
    even : bool
        Make the lines alike in length, so that no word is left alone on the last.

    Returns
    -------
    str

    Examples
    --------
    >>> fitted("airflow at equal noise, obstruction: insect screen", 130.0, 10.0, even=True)
    'airflow at equal noise,\nobstruction: insect screen'
    """
    lines = _filled(text, width, size)
    if even and len(lines) > 1:
        narrow, wide = width / 2.0, width
        while wide - narrow > size:
            middle = (narrow + wide) / 2.0
            fits = len(_filled(text, middle, size)) <= len(lines)
            narrow, wide = (narrow, middle) if fits else (middle, wide)
        lines = _filled(text, wide, size)
    return "\n".join(literal(line) for line in lines)


def clipped(text: str, width: float, size: float, *, most: int) -> str:
    """Break text as `fitted` does, into so many lines at most; a cut is shown by dots.

    Parameters
    ----------
    text : str
        What to break.
    width, size : float
        Width of a line and size of the text, in points.
    most : int
        Lines that are kept.

    Returns
    -------
    str

    Examples
    --------
    >>> clipped("sample luck in noise: tested sample", 100.0, 10.0, most=1)
    'sample luck in …'
    """
    lines = _filled(text, width, size)
    if len(lines) > most:
        last = lines[most - 1]
        while last and text_width(f"{last} …", size) > width:
            last = last.rpartition(" ")[0] if " " in last else last[:-1]
        lines = [*lines[: most - 1], f"{last} …".lstrip()]
    return "\n".join(literal(line) for line in lines)


def _filled(text: str, width: float, size: float) -> list[str]:
    """Fill lines word by word; a word that is too long for one is broken."""
    lines: list[str] = []
    # A number stays with its unit.
    kept = re.sub(r"(?<=\d) (?=[^\W\d]|%)", "\N{NO-BREAK SPACE}", " ".join(text.split()))
    for word in (part.replace("\N{NO-BREAK SPACE}", " ") for part in kept.split(" ")):
        joined = f"{lines[-1]} {word}" if lines else word
        if lines and text_width(joined, size) <= width:
            lines[-1] = joined
            continue
        rest = word
        while len(rest) > 4 and text_width(rest, size) > width:
            cut = max(3, int(len(rest) * width / text_width(rest, size)))
            lines.append(rest[:cut])
            rest = rest[cut:]
        lines.append(rest)
    return lines or [""]


def text_width(text: str, size: float) -> float:
    """Give the width in points that text has in the font of the settings."""
    return size / 100.0 * _hundred_points(text, tuple(mpl.rcParams["font.family"]), _families())


def _families() -> tuple[str, ...]:
    return tuple(mpl.rcParams["font.sans-serif"])


@lru_cache(maxsize=4096)
def _hundred_points(text: str, *_: tuple[str, ...]) -> float:
    """Measure text at 100 points; what has no letter in the font counts as its width in letters."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", r"Glyph \d+ .* missing from font")
        width, _height, _descent = text_to_path.get_text_width_height_descent(
            text, FontProperties(size=100.0), ismath=False
        )
    return float(width)


def unwrapped(text: str) -> str:
    r"""Undo `wrapped`, for text that was not cut.

    Examples
    --------
    >>> unwrapped(wrapped("at $5 or less", 8))
    'at $5 or less'
    """
    return text.replace("\n", " ").replace(r"\$", "$")


def label_for(name: str, units: str) -> str:
    """Name what an axis shows: the quantity, and its unit as a reader knows it.

    Examples
    --------
    >>> label_for("airflow", "m3/h"), label_for("ratio", "1")
    ('airflow (m³/h)', 'ratio')
    """
    printed = units_label(units)
    return f"{name} ({printed})" if printed not in ("", "1") else name


def label_axes(ax: Axes, x: str, y: str = "") -> bool:
    """Write axis labels, broken to the size of the axes once their layout is known.

    Parameters
    ----------
    ax : Axes
    x, y : str
        Taken literally.

    Returns
    -------
    bool
        As `settle`.
    """
    ax.set_xlabel(literal(x))
    ax.set_ylabel(literal(y))
    laid_out = settle(ax)
    size = text_size("axes.labelsize")
    width, height = extent(ax)
    ax.set_xlabel(fitted(x, width, size, even=True))
    ax.set_ylabel(fitted(y, height, size, even=True))
    return laid_out


def name_width(ax: Axes) -> int:
    """How many characters a name beside the axes may have: two fifths of the figure's width."""
    figure = ax.get_figure(root=True)
    width = 460.0 if figure is None else figure.get_figwidth() * 72.0
    return int(0.4 * width / (0.56 * text_size("ytick.labelsize")))


def range_label(words: str, probability: float | None) -> str:
    """Name a band in a legend, with its probability.

    Examples
    --------
    >>> range_label("this sample", 0.95)
    'this sample: range, 95 times in 100'
    """
    often = "" if probability is None else f", {times_words(probability)}"
    return f"{words}: range{often}" if words else f"range{often}"


def runs(mask: BoolArray) -> list[slice]:
    """Give the stretches in which a mask holds.

    Examples
    --------
    >>> runs(np.array([True, True, False, True]))
    [slice(0, 2, None), slice(3, 4, None)]
    """
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return [slice(int(start), int(stop)) for start, stop in edges.reshape(-1, 2)]


def settle(ax: Axes) -> bool:
    """Let the figure's layout make room for what stands beside the axes, before measuring them.

    Parameters
    ----------
    ax : Axes
        Whose figure.

    Returns
    -------
    bool
        Whether the figure has a layout; without one nothing makes room.
    """
    figure = ax.get_figure(root=True)
    engine = None if figure is None else figure.get_layout_engine()
    if figure is None or engine is None:
        return False
    engine.execute(figure)
    ax.apply_aspect()
    return True


def extent(ax: Axes) -> tuple[float, float]:
    """Give width and height of the axes in points."""
    box = ax.get_window_extent()
    return box.width * _points(ax), box.height * _points(ax)


def margins(ax: Axes) -> tuple[float, float]:
    """Give the room left and right of the axes, up to the edge of the figure, in points."""
    box, figure = ax.get_window_extent(), ax.get_figure(root=True)
    right = box.x1 if figure is None else figure.bbox.x1
    return box.x0 * _points(ax), (right - box.x1) * _points(ax)


def _points(ax: Axes) -> float:
    """Points a pixel."""
    figure = ax.get_figure(root=True)
    return 72.0 / (72.0 if figure is None else figure.dpi)


def line_height(size: float) -> float:
    """Give the height of a line of text in points."""
    return 1.25 * size


def text_size(setting: TextSetting) -> float:
    """Give the size in points that a setting such as ``"legend.fontsize"`` stands for."""
    return float(FontProperties(size=mpl.rcParams[setting]).get_size_in_points())


def title_above(ax: Axes, text: str) -> Text:
    """Write a title above the axes, wrapped to their width and in the size of axis labels."""
    size = text_size("axes.labelsize")
    return ax.set_title(fitted(text, extent(ax)[0], size, even=True), loc="left", fontsize=size)


def caption_in(ax: Axes, text: str) -> Text:
    """Write in the middle of empty axes why there is nothing to see."""
    size = text_size("axes.labelsize")
    characters = int(0.9 * extent(ax)[0] / (0.52 * size))
    return ax.text(
        0.5, 0.5, wrapped(text, characters, most=8), transform=ax.transAxes, ha="center",
        va="center", color=inks_for(ax).faint, fontsize=size,
    )  # fmt: skip


def inside_legend(
    ax: Axes,
    handles: Sequence[Artist],
    labels: Sequence[str],
    *,
    loc: Corner = "lower left",
    ncols: int | None = None,
) -> LegendBox:
    """Draw a legend inside the axes, wrapped to their width.

    Parameters
    ----------
    ax : Axes
        Where to.
    handles, labels : sequence
        What it explains, and how; labels are taken literally.
    loc : str
        Corner.
    ncols : int, optional
        Columns; by default as many as the width has room for.

    Returns
    -------
    LegendBox
    """
    settle(ax)
    width, height = extent(ax)
    size = 0.9 * text_size("legend.fontsize")
    columns = max(1, min(len(labels), int(width // (26 * size)))) if ncols is None else ncols
    room = width / columns - 5.3 * size
    legend = ax.legend(
        handles,
        [fitted(label, room, size, even=True) for label in labels],
        loc=loc,
        ncols=columns,
        frameon=True,
        facecolor=inks_for(ax).paper,
        edgecolor="none",
        framealpha=0.95,
        fontsize=size,
        labelcolor=inks_for(ax).ink,
        borderaxespad=0.4,
        handlelength=2.2,
        labelspacing=0.4,
        columnspacing=1.2,
    )
    box = legend.get_window_extent()
    sizes = (box.width * _points(ax) / max(width, 1.0), box.height * _points(ax) + 1.3 * size)
    return LegendBox(legend, sizes[0], min(_MOST_LEGEND, sizes[1] / max(height, 1.0)))
