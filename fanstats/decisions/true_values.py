"""Draws of the models' true values from which chances are counted."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from fanstats._typing import FloatArray, IntArray
from fanstats.decisions.effects import FEWEST_FOR_CHANCES
from fanstats.decisions.order import pair_variances, quasi_variances
from fanstats.decisions.population import population, value_draws
from fanstats.decisions.selection import Selection
from fanstats.decisions.verdict import OddsLabel

__all__ = ["TrueValues", "true_values"]


class TrueValues(NamedTuple):
    """Joint draws of true values.

    Attributes
    ----------
    draws : ndarray, shape (models, draws)
        On the scale models are compared on, times the sign asked for.
    label : {"chance", "confidence"}
        Whether what is counted in them are hit rates, or a flat view of the true values.
    """

    draws: FloatArray
    label: OddsLabel


def true_values(
    picked: Selection, place: int, members: IntArray, *, sign: float = 1.0
) -> TrueValues:
    """Draw the true values of some models.

    Parameters
    ----------
    picked : Selection
    place : int
        The scope.
    members : ndarray of int
        The models; all must be estimable there.
    sign : float
        1, or -1 to turn the scale around.

    Returns
    -------
    TrueValues
        From random effects where there are five models or more of one population; what all models
        share is then left out, and one outside the population keeps its own estimate. In scope
        "next unit" the luck of each bought sample is added. The same draws as those that a
        ranking counts in.
    """
    values, draws = picked.judged(place, members)
    values, draws = sign * values, np.multiply(sign, draws, out=draws)
    alike = population(picked, members)
    if alike.sum() < FEWEST_FOR_CHANCES:
        return TrueValues(draws, "confidence")
    luck, model = None, picked.find("model")
    bought = picked.scopes[place] == "next unit"
    if bought and model is not None and picked.estimable[model, members].all():
        values, typical = picked.judged(model, members)
        values, typical = sign * values, np.multiply(sign, typical, out=typical)
        luck, draws = draws - typical, typical
    own = np.maximum(0.0, quasi_variances(pair_variances(draws)))
    simulated = value_draws(picked, members, values, own)[0]
    label: OddsLabel = "chance" if alike.all() else "confidence"
    return TrueValues(simulated if luck is None else simulated + luck, label)
