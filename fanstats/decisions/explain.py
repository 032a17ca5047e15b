"""What would explain a gap: the sample luck at which it would no longer count."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from fanstats.decisions.order import ONE_SIGMA, joint_limits, standard_uncertainty
from fanstats.decisions.rerun import Again, NotAsAnswered, again, turning_point
from fanstats.decisions.verdict import Chosen, SpreadNeeded
from fanstats.engine.ledger import KINDS
from fanstats.sources import UnitSpread, standard

if TYPE_CHECKING:
    from collections.abc import Callable

    from fanstats.decisions.selection import Selection

__all__ = ["spread_needed"]

# With more models than this the joint maximum of the verdict is used as it is.
_MOST_MODELS: Final = 60


def spread_needed(
    picked: Selection,
    first: int,
    second: int,
    multiplier: float,
    chosen: Chosen,
    probability: float,
) -> SpreadNeeded:
    """Give the luck of one sample, about its model, at which the gap would no longer count.

    With the variance `V` of the tested units' difference and the gap `d`, luck in the quantity
    itself must add ``(d / multiplier)**2 - V`` to explain it. As noise luck alone, and as a
    multiple of the spread stated, it is where the verdict turns when the same is asked again.
    """
    units = "" if picked.ratio else picked.difference_units
    tested = picked.find("tested unit")
    pair = [first, second]
    if tested is None or not picked.estimable[tested, pair].all() or math.isnan(multiplier):
        return SpreadNeeded(unit_sd_units=units, multiplier=multiplier)
    values, draws = picked.judged(tested, pair)
    gap = float(values[0] - values[1])
    measured = standard_uncertainty(draws[0] - draws[1]) ** 2
    room = max(0.0, (gap / multiplier) ** 2 - measured)
    counts = np.where(picked.units_tested[pair] > 0, picked.units_tested[pair], np.nan)
    noise, factor = _asked_again(picked, pair, multiplier, chosen, probability)
    return SpreadNeeded(
        factor=factor,
        unit_sd=math.sqrt(room / float((1.0 / counts).sum())),
        unit_sd_units=units,
        noise_db=noise,
        multiplier=multiplier,
    )


def _asked_again(
    picked: Selection, pair: list[int], multiplier: float, chosen: Chosen, probability: float
) -> tuple[float, float]:
    """Give noise luck in dB and the multiple of the stated spread; NaN where none can be found."""
    if picked.answer is None:
        return math.nan, math.nan
    try:
        turns = _Turning(picked, pair, multiplier, chosen, probability)
        noise = math.nan
        if picked.attrs.get("kind") == "equal noise":
            noise = turns.at(lambda size: UnitSpread(
                noise=standard(size), airflow=0, speed=0, temperature=0))  # fmt: skip
        return noise, turns.factor()
    except NotAsAnswered:
        # Renamed or changed estimates are compared all the same; their readings say no more.
        return math.nan, math.nan


class _Turning:
    """Where the verdict on a pair turns as luck grows, by asking again."""

    def __init__(
        self,
        picked: Selection,
        pair: list[int],
        multiplier: float,
        chosen: Chosen,
        probability: float,
    ) -> None:
        self._probability, self._multiplier = probability, multiplier
        self._spread = picked.answer.bench.spread if picked.answer is not None else UnitSpread()
        members = pair
        tested = picked.scope("tested unit")
        present = [int(k) for k in np.flatnonzero(picked.estimable[tested])]
        self._joint = chosen == "from the chart" and 2 < len(present) <= _MOST_MODELS
        if self._joint:
            members = present
        self._fixed = chosen == "from the chart" and not self._joint and len(present) > 2
        self._pair = [members.index(k) for k in pair]
        self._again: Again = again(picked, members)

    def at(self, spread_of: Callable[[float], UnitSpread]) -> float:
        """Give the size of luck at which the gap stops counting; infinite if it never does."""
        return turning_point(lambda size: self._left(spread_of(size)), 0.5)

    def factor(self) -> float:
        """Give how many times the stated spread that is; NaN where it is unknown or zero."""
        stated = {kind: self._spread.of(kind) for kind in KINDS}
        known = {kind: source for kind, source in stated.items() if source is not None}
        if not any(not source.is_zero for source in known.values()):
            return math.nan

        def scaled(size: float) -> UnitSpread:
            moved: dict[str, Any] = {kind: s.scaled(size) for kind, s in known.items()}
            return replace(self._spread, **moved)

        if not self._counts(self._spread):
            return math.nan
        return turning_point(lambda size: self._left(scaled(size)), 1.0)

    def _counts(self, spread: UnitSpread) -> bool:
        found = self._again(spread)
        return bool(found.estimable[found.scope("model"), self._pair].all())

    def _left(self, spread: UnitSpread) -> float:
        """Give how far the gap stands clear of 0; below 0 where it does not count."""
        found = self._again(spread)
        scope = found.scope("model")
        members = np.flatnonzero(found.estimable[scope])
        if not np.isin(self._pair, members).all():
            return -math.inf
        one, two = (int(np.flatnonzero(members == k)[0]) for k in self._pair)
        values, draws = found.judged(scope, members)
        if self._fixed:
            return self._by_multiplier(values[[one, two]], draws[[one, two]])
        joint = joint_limits(values, draws, self._probability)
        return float(max(joint.lower[one, two], joint.lower[two, one]))

    def _by_multiplier(self, values: np.ndarray, draws: np.ndarray) -> float:
        """Hold the gap against the multiplier of the chart as it is."""
        gap = float(values[0] - values[1])
        low, high = np.quantile(draws[0] - draws[1], ONE_SIGMA)
        reach = gap - low if gap > 0 else high - gap
        return float(abs(gap) - self._multiplier * reach)
