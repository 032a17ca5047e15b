"""What would explain a gap: the sample luck at which it would no longer count."""

from __future__ import annotations

import json
import math
from typing import Final

import numpy as np
from scipy import optimize
from scipy.special import ndtr, stdtrit

from fanstats._typing import FloatArray
from fanstats.decisions.order import ONE_SIGMA, joint_limits, standard_uncertainty
from fanstats.decisions.selection import Selection
from fanstats.decisions.suppose import label_source, luck_response, suppose
from fanstats.decisions.verdict import Chosen, SpreadNeeded

__all__ = ["luck_response", "spread_needed"]

# The standard normal: points, and the mass that stands for each.
_FAR: Final = 6.5
_NORMAL: Final = np.linspace(-_FAR, _FAR, 4001)
_MASS: Final = np.exp(-np.square(_NORMAL) / 2.0)
# Points of the difference at which its distribution is held.
_GRID: Final = 4096
# No spread explains a gap that such a one leaves standing.
_MOST_DB: Final = 1000.0
# With more models than this the joint maximum of the verdict is used as it is.
_MOST_MODELS: Final = 60
# Which kinds of luck move a quantity, for finding the degrees of freedom of its spread.
_LUCK: Final = {
    "equal noise": {
        "speed": ("noise",),
        "airflow": ("noise", "airflow"),
        "temperature_rise": ("noise", "temperature"),
        "temperature": ("noise", "temperature"),
    },
    "equal drive": {
        "speed": ("speed",),
        "noise": ("speed", "noise"),
        "airflow": ("speed", "airflow"),
        "temperature_rise": ("speed", "temperature"),
        "temperature": ("speed", "temperature"),
    },
}


def spread_needed(
    picked: Selection,
    first: int,
    second: int,
    multiplier: float,
    chosen: Chosen,
    place: int | None,
    probability: float,
) -> SpreadNeeded:
    """Unit-to-unit spread at which the gap would no longer count.

    With the variance `V` of the tested units' difference and the gap `d`, sample luck must add
    ``(d / multiplier)**2 - V`` to explain it. As noise luck alone it is found by its own
    distribution, since near the floor of the room the response to luck bends; and held against the
    joint maximum of the chart at that very luck.
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
    model = picked.find("model")
    stated = math.nan
    if place is not None and model is not None and picked.estimable[model, pair].all():
        stated = _stated_luck(picked, draws, picked.judged(model, pair)[1])
    return SpreadNeeded(
        factor=math.sqrt(room) / stated if stated > 0 else math.nan,
        unit_sd=math.sqrt(room / float((1.0 / counts).sum())),
        unit_sd_units=units,
        noise_db=_noise_needed(picked, pair, gap, measured, multiplier, chosen, probability),
        multiplier=multiplier,
    )


def _stated_luck(picked: Selection, tested: FloatArray, model: FloatArray) -> float:
    """Give the standard deviation of the difference due to sample luck as stated."""
    luck = (model[0] - tested[0]) - (model[1] - tested[1])
    dof = _degrees_of_freedom(picked)
    if math.isinf(dof):
        return standard_uncertainty(luck)
    low, high = np.quantile(luck, ONE_SIGMA)
    return float(high - low) / 2.0 / float(stdtrit(dof, ONE_SIGMA[1]))


def _degrees_of_freedom(picked: Selection) -> float:
    try:
        spread = json.loads(picked.attrs.get("spread", "{}"))
    except (TypeError, ValueError):
        return math.inf
    kinds = _LUCK.get(str(picked.attrs.get("kind", "")), {}).get(picked.name, (picked.name,))
    found = [(spread.get(kind) or {}).get("dof") for kind in kinds]
    return min((float(dof) for dof in found if dof is not None), default=math.inf)


def _noise_needed(
    picked: Selection,
    pair: list[int],
    gap: float,
    measured: float,
    multiplier: float,
    chosen: Chosen,
    probability: float,
) -> float:
    """Noise luck in dB, one standard deviation a unit, that would explain the gap alone."""
    sure = _PairGap(picked, pair, gap, measured)
    if not sure.known:
        return math.nan
    found = sure.turns_at(multiplier, chosen, probability)
    if chosen == "before" or not 0.0 < found < math.inf:
        return found
    members = _responding(picked)
    if not 2 < len(members) <= _MOST_MODELS:
        return found
    # Luck bends the response, and with it the joint maximum: take the one at the spread itself.
    source = label_source(picked)
    for _ in range(2):
        supposed = suppose(picked, source, found, scopes=("model",)).picked
        values, draws = supposed.judged(supposed.scope("model"), members)
        joint = joint_limits(values, draws, probability)
        found = sure.turns_at(joint.multiplier, chosen, probability)
        if not 0.0 < found < math.inf:
            break
    return found


def _responding(picked: Selection) -> FloatArray:
    """Models that were measured and of which it is recorded how they respond to noise luck."""
    tested = picked.scope("tested unit")
    return np.array(
        [
            int(model)
            for model in np.flatnonzero(picked.estimable[tested])
            if np.isfinite(luck_response(picked, int(model), np.zeros(1))).all()
        ],
        dtype=np.intp,
    )


def _shared_out(ends: FloatArray | list[float], step: float) -> FloatArray:
    """Mass of the normal on the grid, each point shared between its two neighbours by distance."""
    place = np.asarray(ends, dtype=np.float64) / step + _GRID / 2
    mass = _MASS / _MASS.sum() if place.size == _MASS.size else np.ones(1)
    low = np.clip(np.floor(place).astype(np.intp), 0, _GRID - 2)
    over = place - low
    found = np.bincount(low, mass * (1.0 - over), _GRID)
    return np.asarray(found + np.bincount(low + 1, mass * over, _GRID), dtype=np.float64)


class _PairGap:
    """The difference of two models, less its value, under any spread of noise luck.

    Its distribution is that of what was measured (normal) and of both responses to normal luck,
    convolved on a grid: without Monte Carlo error, and without taking a response for straight.
    """

    def __init__(self, picked: Selection, pair: list[int], gap: float, measured: float) -> None:
        self._picked, self._pair, self._gap = picked, pair, gap
        self._sd = math.sqrt(measured)
        self._counts = [max(1.0, picked.units_tested[model]) for model in pair]
        self.known = all(
            np.isfinite(luck_response(picked, model, np.zeros(1))).all() for model in pair
        )

    def _toward_zero(self, spread: float, tail: float) -> float:
        """How far the difference may lie from its value on the side of 0, but for a tail."""
        sign = -1.0 if self._gap > 0 else 1.0
        moved = [
            side * luck_response(self._picked, model, spread / math.sqrt(count) * _NORMAL)
            for model, count, side in zip(self._pair, self._counts, (sign, -sign), strict=True)
        ]
        reach = sum(float(np.abs(ends).max()) for ends in moved) + _FAR * self._sd
        if reach == 0.0:
            return 0.0
        step = 2.0 * reach / _GRID
        edges = (np.arange(_GRID + 1) - _GRID / 2 - 0.5) * step
        measured = np.diff(ndtr(edges / self._sd)) if self._sd > 0 else _shared_out([0.0], step)
        parts = [measured, *(_shared_out(ends, step) for ends in moved)]
        # What moves the difference is independent: the masses are multiplied as transforms.
        product = np.prod([np.fft.rfft(np.fft.ifftshift(part)) for part in parts], axis=0)
        above = np.cumsum(np.fft.fftshift(np.fft.irfft(product, _GRID))[::-1])[::-1]
        last = int(np.flatnonzero(above > tail)[-1])
        share = (above[last] - tail) / (above[last] - above[min(last + 1, _GRID - 1)])
        return float(edges[last] + share * step)

    def turns_at(self, multiplier: float, chosen: Chosen, probability: float) -> float:
        """Spread at which the gap stops counting; 0 if it never counts, infinite if always."""

        def left(spread: float) -> float:
            if chosen == "before":
                return abs(self._gap) - self._toward_zero(spread, (1.0 - probability) / 2.0)
            return abs(self._gap) - multiplier * self._toward_zero(spread, ONE_SIGMA[0])

        if left(0.0) <= 0.0:
            return 0.0
        upper = 0.5
        while left(upper) > 0.0:
            upper *= 2.0
            if upper > _MOST_DB:
                return math.inf
        return float(optimize.brentq(left, 0.0, upper, xtol=1e-5))
