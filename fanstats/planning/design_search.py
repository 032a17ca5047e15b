"""The search for the cheapest design: samples, sittings and repeats against money and hours."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from fanstats.planning.effort import Costs, Design, Variances, cost_of
from fanstats.planning.power import smallest_whole

if TYPE_CHECKING:
    from collections.abc import Callable

    from fanstats._typing import FloatArray
    from fanstats.planning.aim import Aim

__all__ = ["beyond_limits", "cheapest", "curve_of", "within_limits", "within_means"]


def within_limits(aim: Aim, costs: Costs) -> pd.DataFrame:
    """List the designs within the limits, cheapest first.

    Parameters
    ----------
    aim : Aim
    costs : Costs

    Returns
    -------
    DataFrame
        One row a design.
    """
    effort = aim.effort
    sizes = [np.arange(max(1, old), effort.most_units + 1.0) for old in effort.tested]
    first, second = (grid.ravel() for grid in np.meshgrid(*sizes, indexing="ij"))
    if effort.equal:
        same = first == second
        first, second = first[same], second[same]
    frames = []
    for sittings, repeats in itertools.product(
        range(1, effort.most_sittings + 1), range(1, effort.most_repeats + 1)
    ):
        design = Design(first, second, sittings, repeats)
        parts = aim.parts(design)
        money, hours = cost_of(design, costs=costs, effort=effort)
        columns = {
            "money": money, "hours": hours, "total": first + second, "sittings": sittings,
            "repeats": repeats, "n_first": first, "n_second": second, "variance": parts.whole,
            **parts._asdict(),
        }  # fmt: skip
        frames.append(pd.DataFrame(columns))
    order = ["money", "hours", "total", "sittings", "repeats", "variance", "n_first"]
    return pd.concat(frames, ignore_index=True).sort_values(order, ignore_index=True)


def _chances(aim: Aim, designs: pd.DataFrame) -> FloatArray:
    parts = Variances(*(designs[name].to_numpy() for name in Variances._fields))
    return aim.chance(parts, designs["n_first"].to_numpy(), designs["n_second"].to_numpy())


def _design(row: pd.Series[float]) -> Design:
    return Design(*(int(row[name]) for name in ("n_first", "n_second", "sittings", "repeats")))


def cheapest(aim: Aim, designs: pd.DataFrame) -> Design | None:
    """Find the cheapest design that reaches the power.

    Parameters
    ----------
    aim : Aim
    designs : DataFrame
        From `within_limits`.

    Returns
    -------
    Design or None
    """
    sure = replace(aim, scatter=replace(aim.scatter, unit_dof=math.inf, reach=None))
    # An estimated spread never gives a better chance than one known to be the same.
    candidates = designs[_chances(sure, designs) >= aim.wanted]
    start, size = 0, 64  # the cheapest of those is seldom far down
    while start < len(candidates):
        block = candidates.iloc[start : start + size]
        good = _chances(aim, block) >= aim.wanted
        if good.any():
            return _design(block.iloc[int(np.argmax(good))])
        start, size = start + size, min(2 * size, 1024)
    return None


def within_means(
    aim: Aim, designs: pd.DataFrame, limits: list[float]
) -> tuple[tuple[int, int], float] | None:
    """Give the design with the best chance within money and hours.

    Parameters
    ----------
    aim : Aim
    designs : DataFrame
        From `within_limits`.
    limits : list of float
        Money and hours there are.

    Returns
    -------
    tuple or None
        Units of either model, and the chance; None where nothing is within.
    """
    affordable = designs[(designs["money"] <= limits[0]) & (designs["hours"] <= limits[1])]
    if affordable.empty:
        return None
    chances = _chances(aim, affordable)
    best = _design(affordable.iloc[int(np.argmax(chances))])
    return (int(best.first), int(best.second)), float(chances.max())


def curve_of(aim: Aim, costs: Costs, design: Design) -> pd.DataFrame:
    """List the best sharing of every number of units from those tested on past the plan's.

    Parameters
    ----------
    aim : Aim
    costs : Costs
    design : Design
        The plan's.

    Returns
    -------
    DataFrame
    """
    old = aim.effort.tested
    least = max(2, sum(max(1, n) for n in old))
    most = max(int(design.first) + int(design.second), least + 8)
    most = min(math.ceil(1.3 * most), 2 * max(aim.effort.most_units, *old))
    totals = np.unique(np.linspace(least, max(most, least), 60).round().astype(int))
    rows = []
    for total in totals:
        first = np.arange(max(1, old[0]), total - max(1, old[1]) + 1)
        if aim.effort.equal:
            first = np.array([total / 2])
            if total % 2 or total / 2 < max(old):
                continue
        split = Design(first, total - first, design.sittings, design.repeats)
        at = int(np.argmin(aim.parts(split).whole))
        rows.append((int(first[at]), int(total - first[at])))
    return _curve_table(aim, costs, design, np.array(rows, dtype=np.float64).reshape(-1, 2))


def _curve_table(aim: Aim, costs: Costs, design: Design, rows: FloatArray) -> pd.DataFrame:
    first, second = rows.T
    at = Design(first, second, design.sittings, design.repeats)
    parts = aim.parts(at)
    money, hours = cost_of(at, costs=costs, effort=aim.effort)
    return pd.DataFrame(
        {
            "n_total": (first + second).astype(int),
            "n_first": first.astype(int),
            "n_second": second.astype(int),
            "add_first": first.astype(int) - aim.effort.tested[0],
            "add_second": second.astype(int) - aim.effort.tested[1],
            "power": aim.chance(parts, first, second) if len(rows) else [],
            "smallest_gap": aim.counts(parts, first + second) if len(rows) else [],
            "money": money if costs.money_stated else math.nan,
            "hours": hours if costs.hours_stated else math.nan,
        }
    )


def beyond_limits(aim: Aim, costs: Costs) -> Design | None:
    """Find the cheapest equal numbers of units that would do if `most_units` did not stand.

    Parameters
    ----------
    aim : Aim
    costs : Costs

    Returns
    -------
    Design or None
    """
    effort = aim.effort
    found = []
    for sittings, repeats in itertools.product(
        range(1, effort.most_sittings + 1), range(1, effort.most_repeats + 1)
    ):

        def design(n: int, sittings: int = sittings, repeats: int = repeats) -> Design:
            first, second = (max(n, old) for old in effort.tested)
            return Design(first, second, sittings, repeats)

        def reached(units: int, design: Callable[[int], Design] = design) -> bool:
            return aim.outlook(design(units))[0] >= aim.wanted

        n = smallest_whole(reached, max(1, *effort.tested))
        if n is not None:
            money, hours = cost_of(design(n), costs=costs, effort=effort)
            found.append(((float(money), float(hours), n, sittings, repeats), design(n)))
    return min(found)[1] if found else None
