"""Who is really ahead, as odds: for tested samples, typical ones, and bought ones."""

from __future__ import annotations

import math

import numpy as np

from fanstats._typing import FloatArray, IntArray
from fanstats.decisions.effects import (
    FEWEST_FOR_CHANCES,
    RandomEffects,
    effects_pair,
    random_effects,
)
from fanstats.decisions.order import (
    pair_variances,
    quasi_variances,
)
from fanstats.decisions.population import population
from fanstats.decisions.ranks import (
    share_above,
)
from fanstats.decisions.selection import Best, Selection
from fanstats.decisions.verdict import Odds, OddsLabel

__all__ = ["pair_odds"]


def pair_odds(
    picked: Selection, first: int, second: int, place: int, better: Best | None
) -> dict[str, Odds]:
    """Odds that the first is ahead of the second.

    Parameters
    ----------
    picked : Selection
    first, second : int
        The two models.
    place : int
        The scope that is judged.
    better : {"high", "low"} or None
        Which way is better; None counts as "high".

    Returns
    -------
    dict of str to Odds
        For the scope judged, "model" and "next unit", as far as both models are estimable there
        and anything is uncertain between them: a gap without any uncertainty has no odds.

    Notes
    -----
    From five estimable models of one population on (`fanstats.decisions.population`) odds come
    from random effects: in scope "next unit" from those of the models, plus the luck of the two
    bought samples, draw by draw. A model outside the population is judged by a flat view.
    """
    found: dict[str, Odds] = {}
    fitted: dict[int, tuple[RandomEffects, list[int]]] = {}
    sign = -1.0 if better == "low" else 1.0
    for wanted in dict.fromkeys((picked.find("model"), picked.find("next unit"), place)):
        if wanted is None or not picked.estimable[wanted, [first, second]].all():
            continue
        scope, base = picked.scopes[wanted], wanted
        model = picked.find("model")
        if (
            scope == "next unit"
            and model is not None
            and picked.estimable[model, [first, second]].all()
        ):
            base = model
        ends = sign * picked.judged(wanted, [first, second])[1]
        if first != second and np.ptp(ends[0] - ends[1]) == 0:
            continue
        present = np.flatnonzero(picked.estimable[base])
        members = [int(member) for member in present[population(picked, present)]]
        if len(members) < FEWEST_FOR_CHANCES or not {first, second} <= set(members):
            ahead = share_above(ends[0], ends[1])
            found[scope] = _stated(ahead, "confidence", picked, len(members))
            continue
        if base not in fitted:
            fitted[base] = (_fit(picked, base, present, members, sign), members)
        effects = fitted[base][0]
        offsets = None if base == wanted else sign * _luck(picked, first, second, base, wanted)
        ahead = effects_pair(effects, members.index(first), members.index(second), offsets)
        found[scope] = _stated(ahead, "chance", picked, len(members))
    return found


def _fit(
    picked: Selection, base: int, present: IntArray, members: list[int], sign: float
) -> RandomEffects:
    """Random effects of one population, with own variances among all models present."""
    values, draws = picked.judged(base, present)
    own = np.maximum(0.0, quasi_variances(pair_variances(draws)))
    inside = np.isin(present, members)
    return random_effects(sign * values[inside], own[inside])


def _luck(picked: Selection, first: int, second: int, base: int, wanted: int) -> FloatArray:
    """Draws of what the two bought samples add to the difference of their models."""
    typical = picked.judged(base, [first, second])[1]
    bought = picked.judged(wanted, [first, second])[1]
    return np.asarray((bought[0] - typical[0]) - (bought[1] - typical[1]), dtype=np.float64)


def _stated(ahead: float, label: OddsLabel, picked: Selection, models: int) -> Odds:
    draws = picked.draws.shape[-1]
    error = math.sqrt(max(ahead * (1.0 - ahead), 0.25 / draws) / draws)
    return Odds(first_ahead=ahead, label=label, standard_error=error, models=models)
