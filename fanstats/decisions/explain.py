"""What would explain a gap: the sample luck at which it would no longer count."""

from __future__ import annotations

import json
import math
from typing import Final

import numpy as np
from scipy import optimize
from scipy.special import stdtrit

from fanstats._typing import FloatArray
from fanstats.decisions.order import ONE_SIGMA, standard_uncertainty
from fanstats.decisions.selection import Selection
from fanstats.decisions.verdict import Chosen, SpreadNeeded

__all__ = ["luck_response", "spread_needed"]

# Response to noise luck counted as straight if it bends less than this at the spread needed.
_STRAIGHT: Final = 0.05
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
) -> SpreadNeeded:
    """Unit-to-unit spread at which the gap would no longer count.

    With the variance `V` of the tested units' difference and the gap `d`, sample luck must add
    ``(d / multiplier)**2 - V`` to explain it.
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
        noise_db=_noise_needed(picked, pair, gap, measured, multiplier, counts, chosen),
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


def luck_response(picked: Selection, model: int, luck: FloatArray) -> FloatArray:
    """Change of a model's value with so much noise luck, on the scale models are compared on.

    Straight between the recorded steps, and on with the slope of the last step beyond them. NaN
    where nothing was recorded.
    """
    if picked.by_luck is None:
        return np.full(np.shape(luck), np.nan)
    row = picked.by_luck[model]
    usable = np.isfinite(row) & ((row > 0) | (not picked.ratio))
    steps, values = picked.luck[usable], row[usable]
    if steps.size < 2:
        return np.full(np.shape(luck), np.nan)
    if picked.ratio:
        values = np.log(values)
    slopes = np.diff(values)[[0, -1]] / np.diff(steps)[[0, -1]]
    inside = np.interp(luck, steps, values)
    below = np.minimum(0.0, luck - steps[0]) * slopes[0]
    above = np.maximum(0.0, luck - steps[-1]) * slopes[1]
    zero = np.interp(0.0, steps, values)
    return np.asarray(inside + below + above - zero, dtype=np.float64)


def _noise_needed(
    picked: Selection,
    pair: list[int],
    gap: float,
    measured: float,
    multiplier: float,
    counts: FloatArray,
    chosen: Chosen,
) -> float:
    """Noise luck in dB, one standard deviation a unit, that would explain the gap alone."""
    step = 0.5
    ends = np.array([-step, step])
    slopes = np.array([np.diff(luck_response(picked, m, ends))[0] / (2.0 * step) for m in pair])
    per_db = float((np.square(slopes) / counts).sum())
    if not math.isfinite(per_db):
        return math.nan
    room = (gap / multiplier) ** 2 - measured
    if room <= 0:
        return 0.0
    if per_db == 0:
        return math.inf
    straight = math.sqrt(room / per_db)

    # The side of each response that makes the gap smaller, read off one standard deviation out
    # for the joint maximum and at the multiplier itself for a plain interval.
    out = 1.0 if chosen == "from the chart" else multiplier
    toward = np.array([-1.0, 1.0]) * np.sign(gap)

    def left(spread: float) -> float:
        moved = 0.0
        for model, count, side in zip(pair, counts, toward, strict=True):
            reached = spread * out / math.sqrt(count)
            both = luck_response(picked, model, np.array([-reached, reached]))
            moved += (max(0.0, float((side * both).max())) / out) ** 2
        return room - moved

    at_straight = left(straight)
    if abs(at_straight) < _STRAIGHT * room:
        return straight
    upper = straight
    while left(upper) > 0 and upper < 100.0 * straight:
        upper *= 2.0
    if left(upper) > 0:
        return math.inf
    return float(optimize.brentq(left, 0.0, upper, xtol=1e-6))
