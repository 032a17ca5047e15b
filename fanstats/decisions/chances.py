"""Probabilities of ranks and of pairs for all models of a chart."""

from __future__ import annotations

import zlib
from typing import Final, NamedTuple

import numpy as np

from fanstats._typing import FloatArray, IntArray
from fanstats.decisions.effects import effects_draws, effects_pairs, random_effects
from fanstats.decisions.odds import FEWEST_FOR_CHANCES
from fanstats.decisions.order import (
    pair_variances,
    quasi_variances,
    rank_probabilities,
    ranks_from_draws,
    share_above,
)
from fanstats.decisions.selection import Selection
from fanstats.estimates.draws import LabelledDraws

__all__ = ["Chances", "model_chances"]

_BLOCK: Final = 2**22


class Chances(NamedTuple):
    """Probabilities of a ranking, larger being better.

    Attributes
    ----------
    pairs : ndarray, shape (models, models)
        That the row is better than the column; NaN on the diagonal.
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
    count = len(members)
    if count < FEWEST_FOR_CHANCES:
        pairs = np.full((count, count), np.nan)
        for first in range(count):
            for second in range(first + 1, count):
                pairs[first, second] = share_above(draws[first], draws[second])
                pairs[second, first] = 1.0 - pairs[first, second]
        return Chances(pairs, rank_probabilities(draws), "confidence", sign)

    luck = None
    model = picked.find("model")
    bought = picked.scopes[place] == "next unit"
    if bought and model is not None and picked.estimable[model, members].all():
        values, typical = picked.judged(model, members)
        values, typical = sign * values, np.multiply(sign, typical, out=typical)
        own = quasi_variances(pair_variances(typical))
        luck = np.subtract(draws, typical, out=draws)
        del typical
    effects = random_effects(values, np.maximum(0.0, own))
    order, centre, streams = effects_numbers(picked, members)
    simulated = effects_draws(effects, order, centre, streams)
    if luck is None:
        pairs = effects_pairs(effects)
    else:
        simulated += luck
        pairs = _pairs_by_ranks(simulated)
    return Chances(pairs, rank_probabilities(simulated), "chance", sign)


def effects_numbers(
    picked: Selection, members: IntArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Give random numbers that depend on the root and the names alone, not on their order."""
    size = picked.draws.shape[-1]
    root = picked.root or ""
    number = int(root) if root.isdecimal() else zlib.crc32(root.encode())
    source = LabelledDraws(number % 2**128, size)
    label = ("random effects", picked.name, picked.obstruction or "")
    streams = np.empty((len(members), size))
    for row, member in enumerate(members):
        streams[row] = source.standard((*label, "model", picked.models[member]), "normal")
    order = source.standard((*label, "tau"), "normal")
    return order, source.standard((*label, "centre"), "normal"), streams


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
