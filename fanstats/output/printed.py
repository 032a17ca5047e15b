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
from fanstats.decisions.said import in_hundred
from fanstats.formatting import interval
from fanstats.quantities import quantity as quantity_of
from fanstats.quantities import units_label
from fanstats.wording import PAIR_WORDS, SCOPE_WORDS, figure, range_words, times_words

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fanstats.decisions.verdict import Comparison

__all__ = ["best_scope", "pair_text", "ranked_cases", "ranking_text", "standing_text"]


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
    """Print one ranking, its first two places and its closest call.

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
    heading = f"{quantity_of(name).title.capitalize()}{where} [{units}], {SCOPE_WORDS[scope]}"
    places = _PLACES if ranking.ranked else ""
    parts = [heading, _table(ranking), places, _unranked(ranking)]
    first_two = tuple(ranking.ranked[:2])
    if len(first_two) == 2:
        pair = compare(estimates, *first_two, quantity=name, obstruction=obstruction, scope="model")
        parts.append(f"First against second: {pair_text(pair)}")
    call = ranking.closest_call()
    if call is not None and {call.ahead, call.behind} != set(first_two):
        pair = compare(
            estimates,
            call.ahead,
            call.behind,
            quantity=name,
            obstruction=obstruction,
            scope=scope,
        )
        parts.append(f"Closest call: {pair_text(pair)}")
    return "\n".join(part for part in parts if part)


def pair_text(pair: Comparison) -> str:
    """Print a comparison in three lines: the gap, who is ahead, the luck that would explain it.

    Parameters
    ----------
    pair : Comparison
        From `compare`. Where sample luck was not stated, the samples tested are told of, and
        how much luck would explain the gap between them.

    Returns
    -------
    str
    """
    lines = [_gap_line(pair), _lead_line(pair), _luck_line(pair)]
    return "\n  ".join(line for line in lines if line)


def _gap_line(pair: Comparison) -> str:
    known = math.isfinite(pair.difference.standard_uncertainty)
    gap = pair.difference if known else pair.tested
    u, units = gap.standard_uncertainty, gap.units
    text = f"{pair.first} minus {pair.second} is {figure(gap.value, u, units)}"
    if known and math.isfinite(pair.ratio.value):
        relative = 100.0 * pair.ratio.standard_uncertainty
        text += f" ({figure(100.0 * (pair.ratio.value - 1.0), relative, '%')})"
    text += "" if known else " between the samples tested"
    ends = range_words(gap.low, gap.high, u, units)
    return f"{text}, range, {times_words(pair.probability)}: {ends}"


def _lead_line(pair: Comparison) -> str:
    about = PAIR_WORDS.get(pair.scope, pair.scope)
    if not math.isfinite(pair.difference.standard_uncertainty):
        return f"open for {about}: sample luck was not stated"
    verdict = {
        "ahead": f"settled: {pair.who} is ahead",
        "leaning": f"leaning to {pair.who}, not settled",
        "open": "open",
    }[pair.verdict]
    chances = _chances(pair)
    return f"{verdict}; {chances}" if chances else verdict


def _chances(pair: Comparison) -> str:
    """Print the odds of the model that is ahead or leaned to, else of the likelier one."""
    typical = pair.odds_typical if pair.odds_typical.label else pair.odds
    about = "the typical ones" if pair.odds_typical.label else PAIR_WORDS.get(pair.scope, "")
    parts = [(typical, about), (pair.odds_bought, "one bought sample of each")]
    known = [(odds, words) for odds, words in parts if odds.label]
    if not known:
        return ""
    likelier = pair.first if known[0][0].first_ahead >= 0.5 else pair.second
    who = pair.who or likelier
    told = [
        f"{in_hundred(p if who == pair.first else 1.0 - p, pair.draws)} for {words}"
        for p, words in ((odds.first_ahead, words) for odds, words in known)
    ]
    return f"{known[0][0].label} that {who} is ahead: {', '.join(told)}"


def _luck_line(pair: Comparison) -> str:
    needed, sizes = pair.spread_needed, []
    relative = not needed.unit_sd_units
    if math.isfinite(needed.unit_sd):
        size = 100.0 * needed.unit_sd if relative else needed.unit_sd
        units = "%" if relative else needed.unit_sd_units
        sizes.append((size, f"{figure(size, size, units)} in {pair.quantity}"))
    if math.isfinite(needed.noise_db):
        size = needed.noise_db
        sizes.append((size, f"{figure(size, size, 'dB')} in noise alone"))
    if not sizes:
        return ""
    if max(size for size, _ in sizes) == 0:
        return "measurement alone could explain the gap"
    text = " or ".join(words for _, words in sizes)
    told = f"sample luck that would explain it (standard deviation): {text}"
    if math.isfinite(needed.factor):
        told += f", {needed.factor:.2g} times what was stated"
    if pair.where.startswith("at equal noise"):
        told += "; a tolerance of speed explains nothing at equal noise"
    return told


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
                "best": in_hundred(row["chance_best"], ranking.draws),
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
