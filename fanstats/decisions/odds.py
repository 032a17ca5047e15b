"""Who is really ahead, as odds: for tested samples, typical ones, and bought ones."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from fanstats._typing import FloatArray
from fanstats.decisions.effects import RandomEffects, effects_pair, random_effects
from fanstats.decisions.order import pair_variances, quasi_variances, share_above
from fanstats.decisions.selection import Best, Selection
from fanstats.decisions.verdict import Odds, OddsLabel

__all__ = ["FEWEST_FOR_CHANCES", "pair_odds"]

# From so many models on the spread between models can be estimated, and with it hit rates.
FEWEST_FOR_CHANCES: Final = 5


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
        For the scope judged, "model" and "next unit", as far as both models are estimable there.

    Notes
    -----
    From five estimable models on odds come from random effects (see `fanstats.effects`): in scope
    "next unit" from those of the models, plus the luck of the two bought samples, draw by draw.
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
        members = [int(member) for member in np.flatnonzero(picked.estimable[base])]
        if len(members) < FEWEST_FOR_CHANCES:
            ends = sign * picked.judged(wanted, [first, second])[1]
            ahead = share_above(ends[0], ends[1])
            found[scope] = _stated(ahead, "confidence", picked, len(members))
            continue
        if base not in fitted:
            fitted[base] = (_fit(picked, base, members, sign), members)
        effects = fitted[base][0]
        offsets = None if base == wanted else sign * _luck(picked, first, second, base, wanted)
        ahead = effects_pair(effects, members.index(first), members.index(second), offsets)
        found[scope] = _stated(ahead, "chance", picked, len(members))
    return found


def _fit(picked: Selection, base: int, members: list[int], sign: float) -> RandomEffects:
    values, draws = picked.judged(base, members)
    return random_effects(sign * values, np.maximum(0.0, quasi_variances(pair_variances(draws))))


def _luck(picked: Selection, first: int, second: int, base: int, wanted: int) -> FloatArray:
    """Draws of what the two bought samples add to the difference of their models."""
    typical = picked.judged(base, [first, second])[1]
    bought = picked.judged(wanted, [first, second])[1]
    return np.asarray((bought[0] - typical[0]) - (bought[1] - typical[1]), dtype=np.float64)


def _stated(ahead: float, label: OddsLabel, picked: Selection, models: int) -> Odds:
    draws = picked.draws.shape[-1]
    error = math.sqrt(max(ahead * (1.0 - ahead), 0.25 / draws) / draws)
    return Odds(first_ahead=ahead, label=label, standard_error=error, models=models)
