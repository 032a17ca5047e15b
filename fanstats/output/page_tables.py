"""The tables of a page about a whole chart: rankings, chances of pairs, uncertainty budgets."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from fanstats.formatting import interval, number, percentage
from fanstats.quantities import QUANTITIES, units_label
from fanstats.wording import SCOPE_WORDS, figure, place_words, times_words

if TYPE_CHECKING:
    from collections.abc import Hashable, Mapping

    import pandas as pd

    from fanstats.output.page_parts import Case

__all__ = ["Row", "Table", "budget_table", "chances_table", "ranking_table"]

# A square of more chances than this is read by nobody.
_MOST_SQUARE: Final = 30
_COMBINED: Final = "u_c"
# From low to high of a normal, in standard uncertainties, at 95 times in 100.
_WIDTH: Final = 3.92
_SCOPES: Final = ("tested unit", "model", "next unit")
_BUDGET_TEXT: Final = ("component", "source", "units")
# Whose chance a cell of the square is.
_WHO: Final = {"model": "typical sample", "tested unit": "tested sample"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A row of a table: what it is about, and its cells or the reason why there are none."""

    name: str
    cells: tuple[str, ...] = ()
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table to be set in HTML.

    Attributes
    ----------
    caption : str
    head : tuple of str
        The first names what the rows are about.
    rows : tuple of Row
    text : frozenset of int
        Columns that hold text and are set to the left; the first always is.
    """

    caption: str
    head: tuple[str, ...]
    rows: tuple[Row, ...]
    text: frozenset[int] = frozenset()


def ranking_table(case: Case, summary: pd.DataFrame) -> Table:
    """Set a ranking, with the whole range of each scope beside the one for comparing.

    Parameters
    ----------
    case : Case
    summary : DataFrame
        From `fanstats.summary`, at the same probability.

    Returns
    -------
    Table
        Models without a place stand last, with the reason.
    """
    ranking, often = case.ranking, times_words(case.ranking.probability)
    u = _resolution(ranking.table)
    whole = _whole_ranges(case, summary)
    rows = []
    for found in ranking.table.to_dict("records"):
        name = str(found["model"])
        if not np.isfinite(found["value"]):
            rows.append(Row(name=name, reason=f"no place: {found['status']}"))
            continue
        ends = [interval(*whole[scope, name], digits_of=u) for scope in _SCOPES]
        rows.append(
            Row(
                name=name,
                cells=(
                    f"{found['place']:g}",
                    figure(found["value"], math.nan if u is None else u),
                    interval(found["band_low"], found["band_high"], digits_of=u),
                    *ends,
                    _hundredths(found["chance_best"], ranking.draws),
                    place_words(found["rank_low"], found["rank_high"]),
                    f"{round(found['units_tested'])}" if found["units_tested"] else "–",
                ),
            )
        )
    head = (
        "Model",
        "Place",
        f"Value{case.units}",
        "Range for comparing",
        *(f"Whole range, {SCOPE_WORDS[scope]}" for scope in _SCOPES),
        f"{ranking.label.capitalize()} that it is best, in 100",
        "Places",
        "Samples",
    )
    about = SCOPE_WORDS.get(case.scope, case.scope)
    return Table(
        caption=f"{case.title}{case.units}, ranked for {about}; ranges and places {often}",
        head=head,
        rows=tuple(rows),
    )


def _resolution(table: pd.DataFrame) -> float | None:
    """Uncertainty that sets the digits of a column: that of its sharpest range."""
    widths = (table["band_high"] - table["band_low"]).to_numpy(dtype=np.float64)
    widths = widths[np.isfinite(widths) & (widths > 0)]
    return float(widths.min()) / _WIDTH if widths.size else None


def _whole_ranges(case: Case, summary: pd.DataFrame) -> dict[tuple[str, str], tuple[float, float]]:
    chosen = summary[
        (summary["quantity"] == case.quantity)
        & (summary["obstruction"] == (case.obstruction or ""))
    ]
    keys = zip(chosen["scope"], chosen["model"], strict=True)
    return dict(zip(keys, zip(chosen["low"], chosen["high"], strict=True), strict=True))


def chances_table(case: Case) -> Table | None:
    """Set the chance of every pair as a full square, in the order of the readings.

    Parameters
    ----------
    case : Case

    Returns
    -------
    Table or None
        None for fewer than two models, and for more than anybody reads.
    """
    ranking = case.ranking
    names = [str(name) for name in ranking.pair_chances["model"].to_numpy()]
    if not 2 <= len(names) <= _MOST_SQUARE:
        return None
    more, less = QUANTITIES[case.quantity].comparative
    does = less if ranking.best == "low" and case.quantity == "noise" else more
    rows = tuple(
        Row(name=name, cells=tuple(_hundredths(found, ranking.draws) for found in line))
        for name, line in zip(names, ranking.pair_chances.to_numpy(), strict=True)
    )
    who = f"the row's {_WHO.get(case.scope, case.scope)}"
    caption = f"{ranking.label.capitalize()}, in 100, that {who} {does} than the column's"
    return Table(caption=caption, head=("Model", *names), rows=rows)


def _hundredths(found: float, draws: int) -> str:
    return _share(found, draws).removesuffix(" %")


def _share(found: float, draws: int | None = None) -> str:
    """Print a share in as little room as a cell of a table has."""
    text = percentage(found, draws)
    return text.replace("more than ", "> ").replace("less than ", "< ")


def budget_table(table: pd.DataFrame, title: str) -> Table:
    """Set an uncertainty budget in the order of columns of JCGM 100:2008, Table H.1.

    Parameters
    ----------
    table : DataFrame
        From `fanstats.budget`.
    title : str
        What of, for the caption.

    Returns
    -------
    Table
    """
    first, second = str(table.attrs["model"]), str(table.attrs["other"])
    units = _unit_words(str(table.attrs["units"]))
    head = [
        "Component", "Source", "Standard uncertainty u(x)", "Sensitivity c",
        f"Contribution |c| u(x){units}", "Degrees of freedom", "Share",
    ]  # fmt: skip
    if second:
        head += [f"In {first} alone{units}", f"In {second} alone{units}", "Cancels"]
    rows = tuple(_budget_row(row, bool(second)) for row in table.to_dict("records"))
    return Table(caption=title, head=tuple(head), rows=rows, text=frozenset({1}))


def _unit_words(units: str) -> str:
    label = units_label(units)
    return f" [{label}]" if label not in ("", "1") else ""


def _budget_row(row: Mapping[Hashable, object], difference: bool) -> Row:
    component = str(row["component"])
    found = {key: float(str(value)) for key, value in row.items() if key not in _BUDGET_TEXT}
    units = str(row["units"])
    size, share = found["standard_uncertainty"], found["share"]
    stated = f"{_two(100 * size)} %" if units == "1" else f"{_two(size)}{_after(units)}"
    cells = [
        _printed(str(row["source"])),
        "–" if math.isnan(size) else stated,
        _two(found["sensitivity"]),
        _two(found["contribution"]),
        "∞" if math.isinf(found["dof"]) else number(found["dof"], 1.0),
        "0 %" if share == 0 else "100 %" if component == _COMBINED else _share(share),
    ]
    if difference:
        gone = found["cancelled"]
        cells += [_two(found["in_first"]), _two(found["in_second"])]
        cells.append("–" if math.isnan(gone) else _share(min(max(gone, 0.0), 1.0)))
    name = "u_c, all together" if component == _COMBINED else component
    return Row(name=name, cells=tuple(cells))


def _after(units: str) -> str:
    return f" {units_label(units)}" if units else ""


def _printed(stated: str) -> str:
    """Spell the units of a statement as a reader knows them."""
    for units in ("degC", "degF", "m3/h", "m3/s"):
        stated = stated.replace(units, units_label(units))
    return stated


def _two(found: float) -> str:
    """Print a number to two significant digits."""
    if found == 0 or not math.isfinite(found):
        return "0" if found == 0 else "–"
    return number(found, abs(found) / 10.0)
