"""The pictures of a page: charts as images within the page, once for light and once for dark."""

from __future__ import annotations

import base64
import io
import warnings
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import matplotlib as mpl
from matplotlib.figure import Figure

from fanstats import charts
from fanstats.formatting import number
from fanstats.output.curves_behind import curves_behind
from fanstats.wording import listed

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    import xarray as xr
    from matplotlib.axes import Axes

    from fanstats.decisions.retest import Retest
    from fanstats.decisions.value_for_money import ValueForMoney
    from fanstats.output.page_parts import Case
    from fanstats.planning.plan import UnitsPlan
    from fanstats.sources import Bench

__all__ = [
    "DARK_PAPER",
    "Picture",
    "curves_picture",
    "plan_picture",
    "price_picture",
    "ranking_picture",
    "second_test_picture",
]

DARK_PAPER: Final = "#15191d"
_DARK_INK: Final = "#e8e6e1"
_DARK: Final = {
    **dict.fromkeys(("figure.facecolor", "axes.facecolor", "savefig.facecolor"), DARK_PAPER),
    **dict.fromkeys(("text.color", "axes.labelcolor", "xtick.color", "ytick.color"), _DARK_INK),
    "axes.edgecolor": "#9aa1a8",
}
# Narrow, so that a telephone shows the text of a chart at a size that can be read.
_WIDTH: Final = 3.6
_MOST_ROWS: Final = 24
_NAMED: Final = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A chart in two colourings.

    Attributes
    ----------
    light, dark : str
        Data URIs of SVG images.
    alt : str
        What it shows, in words.
    width, height : int
        In CSS pixels.
    """

    light: str
    dark: str
    alt: str
    width: int
    height: int


def ranking_picture(case: Case) -> Picture:
    """Draw a ranking.

    Parameters
    ----------
    case : Case

    Returns
    -------
    Picture
    """
    rows = min(max(len(case.ranking.table), 4), _MOST_ROWS)
    table = case.ranking.table
    best = [
        f"{name} {number(value, units=case.ranking.units)}"
        for name, value in zip(table["model"], table["value"], strict=True)
    ][: min(_NAMED, len(case.ranking.ranked))]
    return _picture(
        lambda ax: charts.ranked(case.ranking, ax=ax),
        height=2.5 + 0.32 * rows,
        alt=f"{case.title}: a dot and its ranges a model, the best on top. "
        f"First: {'; '.join(best)}. "
        "The figures stand in the ranking table.",
    )


def curves_picture(
    case: Case, estimates: xr.Dataset, readings: xr.Dataset, bench: Bench
) -> Picture | None:
    """Draw the airflow of the first two models of a case over noise level.

    Parameters
    ----------
    case : Case
        At equal noise, by airflow.
    estimates : Dataset
        The room, curve and root are theirs.
    readings : Dataset
    bench : Bench

    Returns
    -------
    Picture or None
        None with no model ranked.
    """
    names = list(case.ranking.ranked[:2])
    if not names:
        return None
    band = curves_behind(
        estimates, readings, bench, names, case.obstruction, case.ranking.probability
    )
    behind = "" if case.obstruction is None else f", obstruction: {case.obstruction}"
    return _picture(
        lambda ax: charts.noise_airflow(band, ax=ax),
        height=4.4,
        alt=f"Airflow over noise level of {listed(names)}{behind}: curves through what was read, "
        "with the range of the typical one around each.",
    )


def plan_picture(plan: UnitsPlan) -> Picture:
    """Draw the chance that a gap is called against the number of samples.

    Parameters
    ----------
    plan : UnitsPlan

    Returns
    -------
    Picture
    """
    return _picture(
        lambda ax: charts.power_and_cost(plan, ax=ax),
        height=4.4,
        alt=f"Chance that the gap between {plan.first} and {plan.second} is called, against the "
        "number of samples of both, with what they cost. The plan stands in the text.",
    )


def second_test_picture(found: Retest) -> Picture:
    """Draw what a second test is likely to show.

    Parameters
    ----------
    found : Retest

    Returns
    -------
    Picture
    """
    rows = min(max(len(found.table), 4), _MOST_ROWS)
    return _picture(
        lambda ax: charts.second_test(found, ax=ax),
        height=3.0 + 0.32 * rows,
        alt=f"A second test by {found.quantity} with new samples: a range a model, its first "
        "figure, the one expected, and how often two neighbours keep their order.",
    )


def price_picture(found: ValueForMoney) -> Picture:
    """Draw price against performance.

    Parameters
    ----------
    found : ValueForMoney

    Returns
    -------
    Picture
    """
    return _picture(
        lambda ax: charts.price_performance(found, ax=ax),
        height=4.4,
        alt=f"Price against {found.quantity}: a dot a model with its range, and the "
        f"{found.label} that nothing that costs no more is better.",
    )


def _picture(draw: Callable[[Axes], object], *, height: float, alt: str) -> Picture:
    return Picture(
        light=_drawn(draw, height, {}),
        dark=_drawn(draw, height, _DARK),
        alt=alt,
        width=round(96 * _WIDTH),
        height=round(96 * height),
    )


def _drawn(draw: Callable[[Axes], object], height: float, colours: dict[str, str]) -> str:
    """Draw into a figure of its own and give it as a data URI."""
    written = io.BytesIO()
    with _settings(colours):
        figure = Figure(figsize=(_WIDTH, height), layout="constrained")
        draw(figure.add_subplot())
        figure.savefig(written, format="svg", metadata={"Date": None, "Creator": None})
    return f"data:image/svg+xml;base64,{base64.b64encode(written.getvalue()).decode('ascii')}"


@contextmanager
def _settings(colours: dict[str, str]) -> Iterator[None]:
    """Set colours and sizes of the page's own, whatever the user's settings; fonts are kept."""
    families = {key: mpl.rcParams[key] for key in ("font.family", "font.sans-serif")}
    with mpl.rc_context():
        mpl.rcdefaults()
        settings: Any = {
            **families,
            **colours,
            "svg.fonttype": "none",  # text stays text: the browser has letters that we may lack
            "svg.hashsalt": "fanstats",  # the same numbers give the same file
        }
        mpl.rcParams.update(settings)
        with warnings.catch_warnings():
            warnings.filterwarnings("ignore", r"Glyph \d+ .* missing from font")
            yield
