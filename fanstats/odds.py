"""Who is really ahead, as odds: for tested samples, typical ones, and bought ones."""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np

from fanstats.effects import effects_pair, random_effects
from fanstats.order import pair_variances, quasi_variances, share_above
from fanstats.selection import Best, Selection
from fanstats.verdict import Odds

__all__ = ["FEWEST_FOR_CHANCES", "pair_odds"]

# From so many models on the spread between models can be estimated, and with it hit rates.
FEWEST_FOR_CHANCES: Final = 5


def pair_odds(picked: Selection, first: int, second: int, better: Best | None) -> dict[str, Odds]:
    """Odds that the first is ahead of the second, in every scope in which both are estimable.

    From five estimable models on they come from random effects (see `fanstats.effects`): in scope
    "next unit" those of the models, plus the luck of the two bought samples, draw by draw.
    """
    found: dict[str, Odds] = {}
    sign = -1.0 if better == "low" else 1.0
    for place, scope in enumerate(picked.scopes):
        if not picked.estimable[place, [first, second]].all():
            continue
        base = picked.find("model") if scope == "next unit" else place
        if base is None or not picked.estimable[base, [first, second]].all():
            base = place
        members = np.flatnonzero(picked.estimable[base])
        values, draws = picked.judged(base, members)
        one, two = (int(np.flatnonzero(members == model)[0]) for model in (first, second))
        if len(members) < FEWEST_FOR_CHANCES:
            ends = picked.judged(place, [first, second])[1]
            ahead = share_above(sign * ends[0], sign * ends[1])
            found[scope] = _stated(ahead, "confidence", draws.shape[1], len(members))
            continue
        own = np.maximum(0.0, quasi_variances(pair_variances(draws)))
        offsets = None
        if base != place:
            ends = picked.judged(place, [first, second])[1]
            offsets = sign * ((ends[0] - draws[one]) - (ends[1] - draws[two]))
        effects = random_effects(sign * values, own)
        ahead = effects_pair(effects, one, two, offsets)
        found[scope] = _stated(ahead, "chance", draws.shape[1], len(members))
    return found


def _stated(ahead: float, label: Any, draws: int, models: int) -> Odds:
    error = math.sqrt(max(ahead * (1.0 - ahead), 0.25 / draws) / draws)
    return Odds(first_ahead=ahead, label=label, standard_error=error, models=models)
