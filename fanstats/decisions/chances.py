"""Probabilities of ranks and of pairs for all models of a chart."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from fanstats._typing import BoolArray, FloatArray, IntArray
from fanstats.decisions.effects import FEWEST_FOR_CHANCES, effects_pairs
from fanstats.decisions.order import (
    pair_variances,
    quasi_variances,
)
from fanstats.decisions.population import population, value_draws
from fanstats.decisions.ranks import (
    rank_probabilities,
    ranks_from_draws,
    share_above,
)
from fanstats.decisions.selection import Selection

__all__ = ["Chances", "model_chances"]

_BLOCK: Final = 2**22


class Chances(NamedTuple):
    """Probabilities of a ranking, larger being better.

    Attributes
    ----------
    pairs : ndarray, shape (models, models)
        That the row is better than the column; NaN on the diagonal, and where nothing is
        uncertain between the two.
    ranks : ndarray, shape (models, ranks)
        Of every rank, 1 being best.
    label : {"chance", "confidence"}
        Hit rates from random effects, or a flat view of the true values.
    sign : float
        What values were multiplied by so that larger is better.
    """

    pairs: FloatArray
    ranks: FloatArray
    label: str
    sign: float


def model_chances(
    picked: Selection,
    place: int,
    members: IntArray,
    sign: float,
    values: FloatArray,
    draws: FloatArray,
    own: FloatArray,
) -> Chances:
    """Work out who is likely to be better than whom, and in which place.

    Parameters
    ----------
    picked : Selection
    place : int
        The scope.
    members : ndarray of int
        Models that are ranked.
    sign : float
        1 where more is better, else -1.
    values, draws, own : ndarray
        Estimates, draws and own variances of `members` in this scope, on the scale models are
        compared on, times `sign`. `draws` may be overwritten.

    Returns
    -------
    Chances
    """
    alike = population(picked, members)
    if alike.sum() < FEWEST_FOR_CHANCES:
        pairs = _flat_pairs(draws, np.ones(len(members), dtype=bool))
        return Chances(pairs, rank_probabilities(draws), "confidence", sign)
    flat = _flat_pairs(draws, ~alike)

    luck = None
    model = picked.find("model")
    bought = picked.scopes[place] == "next unit"
    if bought and model is not None and picked.estimable[model, members].all():
        values, typical = picked.judged(model, members)
        values, typical = sign * values, np.multiply(sign, typical, out=typical)
        own = quasi_variances(pair_variances(typical))
        luck = np.subtract(draws, typical, out=draws)
        del typical
    simulated, effects = value_draws(picked, members, values, np.maximum(0.0, own))
    if luck is None:
        pairs = np.full(flat.shape, np.nan)
        pairs[np.ix_(alike, alike)] = effects_pairs(effects)
    else:
        simulated += luck
        pairs = _pairs_by_ranks(simulated)
    pairs = np.where(alike[:, np.newaxis] & alike, pairs, flat)
    label = "chance" if alike.all() else "confidence"
    return Chances(pairs, rank_probabilities(simulated), label, sign)


def _flat_pairs(draws: FloatArray, wanted: BoolArray) -> FloatArray:
    """Share of draws in which the row lies above the column, for pairs that hold a model wanted."""
    count = len(draws)
    pairs = np.full((count, count), np.nan)
    for first in np.flatnonzero(wanted):
        for second in range(count):
            if second != first:
                pairs[first, second] = share_above(draws[first], draws[second])
                pairs[second, first] = 1.0 - pairs[first, second]
    return pairs


def _pairs_by_ranks(draws: FloatArray) -> FloatArray:
    """Probability that the row lies above the column, by counting; ties are taken as broken."""
    count, size = draws.shape
    ranks = ranks_from_draws(draws).astype(np.int16 if count < 2**15 else np.int32)
    pairs = np.full((count, count), np.nan)
    step = max(1, _BLOCK // size)
    for first in range(count):
        for start in range(first + 1, count, step):
            others = slice(start, start + step)
            ahead = np.count_nonzero(ranks[first] < ranks[others], axis=1) / size
            pairs[first, others] = ahead
            pairs[others, first] = 1.0 - ahead
    return pairs
