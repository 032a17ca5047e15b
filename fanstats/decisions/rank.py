"""Put models in order: which places are settled, which are not, and with what odds."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from fanstats._arguments import fraction
from fanstats._typing import BoolArray, FloatArray, IntArray, Scope
from fanstats.decisions.bands import comparing_range, total_range
from fanstats.decisions.chances import Chances, model_chances
from fanstats.decisions.compare import beyond_words
from fanstats.decisions.groups import group_letters, largest_groups
from fanstats.decisions.order import (
    Joint,
    close_to_call,
    joint_limits,
    not_covered,
    pair_variances,
    quasi_variances,
)
from fanstats.decisions.population import outsiders_words
from fanstats.decisions.rank_words import ranking_sentence
from fanstats.decisions.ranks import (
    mean_ranks,
    place_interval,
)
from fanstats.decisions.said import counted, too_close_words
from fanstats.decisions.selection import Best, Selection, select
from fanstats.tabled import Tabled
from fanstats.wording import where

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["ClosestCall", "Ranking", "rank"]


class ClosestCall(NamedTuple):
    """The two neighbours in a ranking whose order is least certain.

    Attributes
    ----------
    ahead, behind : str
        The two models, in the order of the ranking.
    probability : float
        That this order is right; NaN where nothing is uncertain.
    """

    ahead: str
    behind: str
    probability: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Ranking(Tabled):
    """Models in order, with what is certain about it and what is not.

    Attributes
    ----------
    table : DataFrame
        One row a model, the best first, those without an estimate last: `model`, `place` (shared by
        ties), `value`, `band_low` and `band_high` (for comparing: what all models share is left
        out), `low` and `high` (all of it), `chance_best`, `rank_low` and `rank_high` (range of
        ranks at `probability`), `guaranteed_low` and `guaranteed_high` (ranks that follow from the
        differences certain for all models at once), `group` (letters), `units_tested`, `status`.
    chance_best : DataArray
        Probability of being best, over `model`.
    pair_chances : DataArray
        Probability that the row's model is better than the column's, over `model` and `other`, in
        the order of the estimates; NaN on the diagonal and where nothing is uncertain between two.
    rank_probabilities : DataArray
        Probability of every rank, over `model` and `rank`.
    groups : tuple of tuple of str
        Largest sets of models of which no two can be told apart, family-wise; every model stands
        in at least one.
    label : {"chance", "confidence"}
        What the probabilities are: hit rates (five or more models), or a flat view of the true
        values.
    quantity, units, obstruction, where, scope, best : str
        What was ranked.
    probability : float
        Of the ranges, and that no two models are wrongly called different.
    multiplier : float
        Of the standard uncertainty of a difference, in the joint maximum.
    draws : int
        Monte Carlo draws.
    root : str or None
        Root seed; None where unverified.
    unranked : dict
        Models without an estimate, and why.
    too_close : tuple of tuple of str
        Pairs of which other draws could say otherwise whether they are told apart: their limit
        lies within its Monte Carlo error of 0.
    assumptions, not_considered, notes : tuple of str
        What was assumed, left out, and should be known.
    """

    table: pd.DataFrame
    chance_best: xr.DataArray
    pair_chances: xr.DataArray
    rank_probabilities: xr.DataArray
    groups: tuple[tuple[str, ...], ...]
    label: str
    quantity: str
    units: str
    obstruction: str | None
    where: str
    scope: str
    best: Best
    probability: float
    multiplier: float
    draws: int
    root: str | None
    unranked: dict[str, str]
    too_close: tuple[tuple[str, str], ...]
    assumptions: tuple[str, ...]
    not_considered: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def ranked(self) -> tuple[str, ...]:
        """Models with a place, the best first."""
        return tuple(self.table.loc[self.table["place"].notna(), "model"])

    @property
    def settled(self) -> dict[int, str]:
        """Places that are certain for all models at once, and who holds them."""
        sure = self.table[self.table["guaranteed_low"] == self.table["guaranteed_high"]]
        places = sure["guaranteed_low"].to_numpy(dtype=np.float64)
        return {round(place): name for place, name in zip(places, sure["model"], strict=True)}

    def closest_call(self) -> ClosestCall | None:
        """Neighbours in the ranking whose order is least certain.

        Returns
        -------
        ClosestCall or None
            None with fewer than two ranked models. Where nothing is uncertain, the two that lie
            nearest to each other, without a probability.
        """
        names = self.ranked
        if len(names) < 2:
            return None
        places = self.pair_chances.get_index("model").get_indexer(pd.Index(names))
        chances = self.pair_chances.values[places[:-1], places[1:]]
        unsure = np.abs(chances - 0.5)
        if np.isnan(unsure).all():
            unsure = np.abs(np.diff(self.table["value"].to_numpy(dtype=np.float64)[: len(names)]))
        nearest = int(np.nanargmin(unsure))
        return ClosestCall(names[nearest], names[nearest + 1], float(chances[nearest]))

    def sentence(self) -> str:
        """Say it in words that can stand under a chart.

        Returns
        -------
        str
        """
        return ranking_sentence(self)

    def _rows(self) -> pd.DataFrame:
        return self.table


def rank(
    estimates: xr.Dataset | xr.DataArray,
    *,
    quantity: str | None = None,
    obstruction: str | None = None,
    scope: Scope = "model",
    best: Best | None = None,
    probability: float = 0.95,
) -> Ranking:
    """Put all models of some estimates in order.

    Parameters
    ----------
    estimates : Dataset or DataArray
        What `equal_noise` and its sisters return, or any array over `model` and `draw`.
    quantity : str
        Such as "airflow". May be left out where there is only one.
    obstruction : str, optional
        Which obstruction; may be left out where there is only one.
    scope : {"tested unit", "model", "next unit"}
        Which true values are ranked.
    best : {"high", "low"}, optional
        Which way is better; follows from the quantity where that is known.
    probability : float
        Of the ranges, and that no two models are wrongly called different.

    Returns
    -------
    Ranking
        Models without an estimate in this scope stand last, without a place.

    Raises
    ------
    FanstatsError
        If the quantity or obstruction is not there or not said, nothing says which way is better,
        or the estimates stem from several root seeds.

    Notes
    -----
    Groups and guaranteed ranks rest on the joint maximum over all pairs. Probabilities come from
    random effects from five models on (`fanstats.effects`); in scope "next unit" the luck of each
    bought sample is added. Memory stays within a few times that of the draws of one scope.

    Examples
    --------
    >>> import fanstats as fs
    >>> estimates = fs.equal_noise(fs.demo.readings(), 33, bench=fs.demo.bench(), draws=500, rng=1)
    >>> ranking = rank(estimates, quantity="airflow", obstruction="open")
    >>> ranking.ranked[0], list(ranking.unranked)
    ('Varnost Lull', ['Fennimoor Gust'])
    """
    fraction("probability", probability)
    picked = select(estimates, quantity, obstruction)
    better = picked.better(best)
    place = picked.scope(scope)
    members = np.flatnonzero(picked.estimable[place])
    sign = -1.0 if better == "low" else 1.0
    values, draws = picked.judged(place, members)
    values, draws = sign * values, np.multiply(sign, draws, out=draws)
    variances = pair_variances(draws)
    own = quasi_variances(variances)
    order = _order(picked, members, values)
    joint = _joint(values, draws, variances, probability)
    missing = not_covered(*picked.uncovered(place, members, probability, sign))
    lower = np.where(missing & np.isfinite(joint.lower), np.nan, joint.lower)
    groups = _groups(lower, order)
    close = _close(picked, members[order], close_to_call(lower, joint.lower_error), order)
    chances = _where_uncertain(
        model_chances(picked, place, members, sign, values, draws, own), joint.lower
    )
    table = _table(picked, place, members, order, chances, lower, groups, own, probability)
    unranked = {
        name: picked.reason(place, number)
        for number, name in enumerate(picked.models)
        if not picked.estimable[place, number]
    }
    return Ranking(
        table=table,
        chance_best=_best(picked, members, chances),
        pair_chances=_pairs(picked, members, chances),
        rank_probabilities=_ranks(picked, members, chances),
        groups=tuple(tuple(picked.models[members[order[k]]] for k in group) for group in groups),
        label=chances.label,
        quantity=picked.title,
        units=picked.printed_units,
        obstruction=picked.obstruction,
        where=where(picked.attrs, picked.obstruction),
        scope=picked.scopes[place],
        best=better,
        probability=probability,
        multiplier=joint.multiplier,
        draws=picked.draws.shape[-1],
        root=picked.root,
        unranked=unranked,
        too_close=close,
        assumptions=picked.listed("assumptions"),
        not_considered=picked.listed("not_considered"),
        notes=(
            *_notes(picked, members, own, lower),
            *(
                text
                for member in members[order]
                for text in beyond_words(picked, place, int(member), probability)
            ),
            *outsiders_words(picked, members),
            *too_close_words(close, picked.draws.shape[-1]),
        ),
    )


def _order(picked: Selection, members: IntArray, values: FloatArray) -> IntArray:
    """Best first; ties by name, so that the order of the estimates plays no part."""
    names = np.array([picked.models[member] for member in members], dtype=object)
    return np.array(
        sorted(range(len(members)), key=lambda k: (-values[k], names[k])), dtype=np.intp
    )


def _joint(
    values: FloatArray, draws: FloatArray, variances: FloatArray, probability: float
) -> Joint:
    if len(values) < 2:
        alone = np.zeros((len(values), len(values)))
        return Joint(alone, math.nan, math.nan, alone)
    return joint_limits(values, draws, probability, variances)


def _close(
    picked: Selection, ordered: IntArray, near: BoolArray, order: IntArray
) -> tuple[tuple[str, str], ...]:
    """Pairs that other draws could turn, the better model first."""
    rows, columns = np.nonzero(np.triu(near[np.ix_(order, order)]))
    names = [picked.models[k] for k in ordered]
    return tuple((names[row], names[column]) for row, column in zip(rows, columns, strict=True))


def _where_uncertain(chances: Chances, lower: FloatArray) -> Chances:
    """Take away chances of what nothing is uncertain about: there is nothing to judge by."""
    certain = np.isneginf(lower)
    if not certain.any():
        return chances
    pairs = np.where(certain, np.nan, chances.pairs)
    ranks = chances.ranks.copy()
    ranks[certain.sum(axis=1) == len(lower) - 1] = np.nan
    return chances._replace(pairs=pairs, ranks=ranks)


def _groups(lower: FloatArray, order: IntArray) -> list[tuple[int, ...]]:
    apart = lower > 0
    alike = ~(apart | apart.T)
    return largest_groups(alike[np.ix_(order, order)])


def _table(
    picked: Selection,
    place: int,
    members: IntArray,
    order: IntArray,
    chances: Chances,
    lower: FloatArray,
    groups: list[tuple[int, ...]],
    own: FloatArray,
    probability: float,
) -> pd.DataFrame:
    count, apart = len(members), lower > 0
    total = total_range(picked, place, members, probability)
    band = comparing_range(picked, place, members, own, probability, total)
    rank_low, rank_high = place_interval(chances.ranks, probability)
    letters = group_letters(groups, count)
    last = [k for k in range(len(picked.models)) if not picked.estimable[place, k]]
    rows = [*members[order], *last]

    def column(found: FloatArray | IntArray, missing: object) -> list[object]:
        return [found[k] for k in order] + [missing] * len(last)

    whole = {
        "rank_low": rank_low,
        "rank_high": rank_high,
        "guaranteed_low": 1 + apart.sum(axis=0),
        "guaranteed_high": count - apart.sum(axis=1),
    }
    table = pd.DataFrame(
        {
            "model": [picked.models[k] for k in rows],
            "place": column(mean_ranks(chances.sign * picked.values[place, members]), np.nan),
            "value": column(picked.values[place, members], np.nan),
            "band_low": column(band.low, np.nan),
            "band_high": column(band.high, np.nan),
            "low": column(total.low, np.nan),
            "high": column(total.high, np.nan),
            "chance_best": column(chances.ranks[:, :1].ravel(), np.nan),
            **{
                name: pd.Series(column(found, pd.NA), dtype="Int64")
                for name, found in whole.items()
            },
            "group": [letters[k] for k in range(count)] + [""] * len(last),
            "units_tested": picked.units_tested[rows].astype(int),
            "status": [picked.reason(place, k) for k in rows],
        }
    )
    table.attrs["units"] = picked.units
    return table


def _attrs(picked: Selection, long_name: str) -> dict[str, str]:
    return {"long_name": long_name, "units": "1", "quantity": picked.name}


def _best(picked: Selection, members: IntArray, chances: Chances) -> xr.DataArray:
    import xarray as xr

    names = [picked.models[member] for member in members]
    attrs = _attrs(picked, f"{chances.label} of being best")
    return xr.DataArray(
        chances.ranks[:, :1].ravel(), {"model": names}, ("model",), "chance_best", attrs
    )


def _pairs(picked: Selection, members: IntArray, chances: Chances) -> xr.DataArray:
    import xarray as xr

    names = [picked.models[member] for member in members]
    attrs = _attrs(picked, f"{chances.label} that the row's model is better than the column's")
    coords = {"model": names, "other": names}
    return xr.DataArray(chances.pairs, coords, ("model", "other"), "pair_chances", attrs)


def _ranks(picked: Selection, members: IntArray, chances: Chances) -> xr.DataArray:
    import xarray as xr

    names = [picked.models[member] for member in members]
    attrs = _attrs(picked, f"{chances.label} of each rank")
    coords = {"model": names, "rank": np.arange(1, len(names) + 1)}
    return xr.DataArray(chances.ranks, coords, ("model", "rank"), "rank_probabilities", attrs)


def _notes(
    picked: Selection, members: IntArray, own: FloatArray, lower: FloatArray
) -> tuple[str, ...]:
    notes = [] if picked.root is not None else ["no root seed: shared draws could not be verified"]
    tested = picked.find("tested unit")
    if not len(members) and tested is not None and picked.estimable[tested].any():
        notes.append("the samples tested can be put in order: scope 'tested unit'")
    negative = [picked.models[k] for k, variance in zip(members, own, strict=True) if variance < 0]
    if negative:
        notes.append(
            f"band for comparing set to 0 for {', '.join(negative)}: what is shared with some of "
            "the other models is more than its own"
        )
    if len(members) > 1 and np.isinf(lower).any():
        pairs = counted(int(np.isinf(lower).sum()) // 2, "pair")
        notes.append(f"{pairs} without any uncertainty between them: nothing to judge by")
    return tuple(notes)
