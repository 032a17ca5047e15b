"""Results as plain text for a terminal or under a chart."""

from __future__ import annotations

import json
import math
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr
from tabulate import tabulate

from fanstats._typing import Scope
from fanstats.decisions.compare import compare
from fanstats.decisions.rank import Ranking, rank
from fanstats.formatting import chance, interval
from fanstats.quantities import quantity as quantity_of
from fanstats.quantities import units_label
from fanstats.wording import figure

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["best_scope", "ranked_cases", "ranking_text", "standing_text"]

_SCOPE_WORDS = {
    "tested unit": "this sample",
    "model": "the typical one",
    "next unit": "the one you would buy",
}


def ranked_cases(estimates: xr.Dataset) -> Iterator[tuple[str, str | None]]:
    """Go through what can be ranked: (quantity, obstruction or None).

    Parameters
    ----------
    estimates : xarray.Dataset
        From `equal_noise` and its sisters.

    Yields
    ------
    tuple of str and (str or None)
        Quantities for which one way is better, in the order of the estimates.
    """
    for name in ("airflow", "temperature_rise", "noise"):
        if name not in estimates or quantity_of(name).best is None:
            continue
        if "obstruction" in estimates[name].dims:
            for obstruction in estimates["obstruction"].to_numpy():
                yield name, str(obstruction)
        else:
            yield name, None


_PLACES = (
    "  likely places: of each model by itself; certain places: of all at once, wrong for any of "
    "them at most 5 times in 100"
)


def best_scope(estimates: xr.Dataset, name: str) -> Scope:
    """Give the scope to speak about: the typical unit where the spread is known, else this sample.

    Parameters
    ----------
    estimates : xarray.Dataset
        From `equal_noise` and its sisters.
    name : str
        Quantity.

    Returns
    -------
    str
    """
    known = np.isfinite(estimates[f"{name}_value"].sel(scope="model")).any()
    return "model" if bool(known) else "tested unit"


def ranking_text(estimates: xr.Dataset, name: str, obstruction: str | None) -> str:
    """Print one ranking and its closest call.

    Parameters
    ----------
    estimates : xarray.Dataset
        From `equal_noise` and its sisters.
    name : str
        Quantity.
    obstruction : str or None
        Obstruction, None where the quantity has none.

    Returns
    -------
    str
    """
    scope = best_scope(estimates, name)
    ranking = rank(estimates, quantity=name, obstruction=obstruction, scope=scope)
    units = units_label(str(estimates[name].attrs["units"]))
    where = f", {obstruction}" if obstruction else ""
    heading = f"{quantity_of(name).title.capitalize()}{where} [{units}], {_SCOPE_WORDS[scope]}"
    parts = [heading, _table(ranking), _PLACES, _unranked(ranking)]
    call = ranking.closest_call()
    if call is not None:
        pair = compare(
            estimates,
            call.ahead,
            call.behind,
            quantity=name,
            obstruction=obstruction,
            scope=scope,
        )
        parts.append(f"Closest call: {pair.caption()}")
    return "\n".join(part for part in parts if part)


def _table(ranking: Ranking) -> str:
    rows = []
    widths = (ranking.table["band_high"] - ranking.table["band_low"]).to_numpy(dtype=float)
    widths = widths[np.isfinite(widths) & (widths > 0)]
    # One number of digits for the whole column, from the sharpest range.
    u = float(widths.min()) / 3.92 if widths.size else None
    for row in ranking.table.to_dict("records"):
        if not np.isfinite(row["value"]):
            continue
        rows.append(
            {
                "place": f"{row['place']:g}",
                "model": row["model"],
                "value": figure(row["value"], math.nan if u is None else u),
                "range for comparing": interval(row["band_low"], row["band_high"], digits_of=u),
                "best": chance(row["chance_best"], ranking.draws),
                "likely places": _places(row["rank_low"], row["rank_high"]),
                "certain places": _places(row["guaranteed_low"], row["guaranteed_high"]),
                "samples": row["units_tested"],
            }
        )
    if not rows:
        return "  no model can be ranked"
    sides = ("right", "left", "right", "left", "left", "left", "left", "right")
    return tabulate(rows, headers="keys", tablefmt="simple", disable_numparse=True, colalign=sides)


def _places(low: int, high: int) -> str:
    return f"{low}" if low == high else f"{low} to {high}"


def _unranked(ranking: Ranking) -> str:
    lost = ranking.table[~np.isfinite(ranking.table["value"])]
    return "\n".join(f"  no place: {row.model}: {row.status}" for row in lost.itertuples())


def standing_text(estimates: xr.Dataset) -> str:
    """Print what was assumed, measured, not considered and left out.

    Parameters
    ----------
    estimates : xarray.Dataset
        From `equal_noise` and its sisters.

    Returns
    -------
    str
    """
    parts = []
    for title, key in (
        ("Assumed", "assumptions"),
        ("Measured", "measured"),
        ("Not considered", "not_considered"),
        ("Left out of the curves", "left_out"),
    ):
        notes = json.loads(str(estimates.attrs.get(key, "[]")))
        if notes:
            parts.append("\n".join([f"{title}:", *(f"  - {note}" for note in notes)]))
    return "\n".join(parts)
