"""Estimates asked again with other sample luck: the same readings and the same draws."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from scipy import optimize

from fanstats.decisions.split import split_by_sharing
from fanstats.engine.answers import Answer, Reruns, ask
from fanstats.engine.first_order import Effects, effects_of
from fanstats.errors import FanstatsError
from fanstats.face import spread_record

if TYPE_CHECKING:
    from fanstats._typing import FloatArray
    from fanstats.decisions.selection import Selection
    from fanstats.sources import Bench, UnitSpread

__all__ = [
    "Again",
    "NotAsAnswered",
    "again",
    "answer_behind",
    "effects_behind",
    "floor_of",
    "places_in",
    "planned_for",
    "turning_point",
]

# No sample differs from its model by more: where a gap still stands there, no luck explains it.
MOST: Final = 64.0
# Stands for no luck at all: where nothing else is uncertain either, 0 leaves nothing to judge by.
_LEAST: Final = 1e-6

Again = Callable[["UnitSpread"], "Selection"]


class NotAsAnswered(FanstatsError):
    """Estimates that no longer are what their readings gave: renamed, or other numbers."""


def answer_behind(picked: Selection) -> Answer:
    """Give the readings, bench and question behind estimates, or refuse."""
    if picked.answer is None:
        msg = (
            "`estimates` hold no readings to ask again: they were combined, changed, loaded or "
            "made from draws. Pass what equal_noise, equal_drive, equal_speed or from_chart gave."
        )
        raise FanstatsError(msg)
    level = picked.attrs.get("level") if picked.attrs.get("kind") == "equal noise" else None
    return picked.answer.at(None if level is None else float(level))


def places_in(picked: Selection, found: Answer, models: Sequence[int]) -> list[int]:
    """Give the places of models in the readings, or refuse names that are not among them."""
    known, wanted = found.layout.models, [picked.models[k] for k in models]
    strangers = [name for name in wanted if name not in known]
    if strangers:
        msg = (
            f"`estimates` must name models as the readings do, to ask those again; got "
            f"{', '.join(map(repr, strangers))}. Rename in the readings, and make the estimates "
            "again."
        )
        raise NotAsAnswered(msg)
    return [known.index(name) for name in wanted]


def again(picked: Selection, models: Sequence[int] | None = None) -> Again:
    """Give what asks again with another spread, for all models or some of them.

    The estimates it gives hold those models alone, in the order asked for.
    """
    found = answer_behind(picked)
    chosen = list(range(len(picked.models))) if models is None else list(models)
    reruns = Reruns(found, picked.parts, places_in(picked, found, chosen))
    tested = picked.find("tested unit")

    def ask(spread: UnitSpread) -> Selection:
        made = reruns(spread)
        if tested is not None and not _same(picked.values[tested, chosen], made.value[0]):
            msg = "`estimates` were changed since they were made; make them again and pass those."
            raise NotAsAnswered(msg)
        record = json.dumps(spread_record(replace(found.bench, spread=spread)))
        return replace(
            picked,
            models=tuple(picked.models[k] for k in chosen),
            scopes=("tested unit", "model", "next unit"),
            values=made.value,
            draws=made.draws,
            statuses=tuple(tuple(map(str, row)) for row in made.status),
            shares=made.shares,
            units_tested=picked.units_tested[chosen],
            readings=picked.readings[chosen],
            attrs={**picked.attrs, "spread": record},
        )

    return ask


def planned_for(picked: Selection, bench: Bench | None) -> Answer:
    """Give the answer behind estimates, asked of another bench where one is named.

    Sample luck that bench leaves unknown is that of the estimates: it is of the fans.
    """
    found = answer_behind(picked)
    if bench is None:
        return found
    own = found.bench.spread
    luck: dict[str, Any] = {kind: own.of(kind) for kind in bench.spread.unknown}
    if {"noise", "airflow"} <= set(luck):
        luck |= {"correlation": own.correlation, "correlation_dof": own.correlation_dof}
    bench = replace(bench, spread=replace(bench.spread, **luck))
    if bench == found.bench:
        return found
    question = replace(found.question, at=(found.asked[0].at,))
    return replace(found, bench=bench, asked=ask(found.readings, bench, question))


def floor_of(picked: Selection, models: Sequence[int], bench: Bench) -> FloatArray:
    """Give the variance that no further unit of a model reduces, on the scale of judging."""
    found = planned_for(picked, bench)
    values = picked.values[picked.scope("model"), list(models)]
    scale = values if picked.ratio else np.ones(len(models))
    return split_by_sharing(effects_behind(picked, found, models), picked.parts, scale).floor


def effects_behind(picked: Selection, found: Answer, models: Sequence[int]) -> Effects:
    """Give what every error does to the models' results, unit by unit, every luck by itself."""
    channels = [channel for channel, _ in picked.parts]
    asked = found.asked[0]
    spread = replace(asked.ledger.spread, correlation=0.0, correlation_dof=math.inf)
    asked = asked.with_ledger(replace(asked.ledger, spread=spread))
    return effects_of(asked, channels, places_in(picked, found, models))


def _same(held: np.ndarray, made: np.ndarray) -> bool:
    both = np.isfinite(held) & np.isfinite(made)
    return bool(np.allclose(held[both], made[both], rtol=1e-9, atol=0.0))


def turning_point(left: Callable[[float], float], start: float, *, xtol: float = 1e-4) -> float:
    """Give the size of luck at which a gap stops counting: 0 if it never counts, else infinite.

    `left` is above 0 as long as it counts.
    """
    if not left(_LEAST) > 0.0:
        return 0.0
    upper = start
    while left(upper) > 0.0:
        upper *= 2.0
        if upper > MOST:
            return math.inf
    return float(optimize.brentq(left, _LEAST, upper, xtol=xtol, rtol=1e-4))
