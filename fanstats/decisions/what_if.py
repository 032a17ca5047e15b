"""The verdict against a spread nobody knows."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import pandas as pd
from scipy import optimize
from scipy.special import ndtri

from fanstats._arguments import fraction, number
from fanstats.decisions.compare import compare_selection, pair_limits, refuse_a_part
from fanstats.decisions.decision import samples_tested
from fanstats.decisions.said import in_hundred
from fanstats.decisions.selection import Best, Selection, select
from fanstats.decisions.suppose import (
    NO_LUCK,
    Luck,
    Supposed,
    covered_luck,
    label_source,
    luck_response,
    stated_luck,
    suppose,
)
from fanstats.decisions.verdict import Chosen, Comparison
from fanstats.errors import FanstatsError, one_of
from fanstats.wording import times_words, where

if TYPE_CHECKING:
    import xarray as xr

    from fanstats.estimates.draws import LabelledDraws

__all__ = ["what_if"]

# No fan sample differs from its model by more: the search for the turning point ends there.
_MOST_DB: Final = 12.0


def what_if(
    estimates: xr.Dataset,
    first: str,
    second: str,
    *,
    quantity: str | None = None,
    obstruction: str | None = None,
    noise: float | Iterable[float],
    airflow: float | None = None,
    temperature: float | None = None,
    probability: float = 0.95,
    chosen: Chosen = "from the chart",
    best: Best | None = None,
) -> pd.DataFrame:
    """Give the verdict on two models for a range of unit-to-unit spreads.

    Parameters
    ----------
    estimates : Dataset
        What `equal_noise` returns; the spread need not have been stated.
    first, second : str
        The two models.
    quantity, obstruction : str, optional
        Which; may be left out where there is only one.
    noise : float or iterable of float
        Standard deviations to try, in dB: how much noisier one sample is than its model's typical
        one at the same speed. 0 is allowed.
    airflow : float, optional
        Relative standard deviation of the airflow at the same speed. Left out: as stated in the
        bench, with its shape and degrees of freedom; if nobody stated it, the column `left_out`
        says so and no luck of that kind is added.
    temperature : float, optional
        The same in K of a temperature rise at the same speed; for that quantity only.
    probability, chosen, best
        As in `compare`.

    Returns
    -------
    DataFrame
        One row a spread: `noise`, `airflow`, `temperature`, `verdict`, `who`, `difference`, `low`,
        `high` (NaN where an end is not covered by data), `critical` (smallest gap that would count,
        for the one that leads), `odds_typical`, `odds_bought` (that the first is ahead),
        `odds_label`, `share_beyond` (of the draws that ask for more noise luck than the curves
        cover), `too_close` (other draws could turn the verdict), `left_out`.
        ``attrs["changes_at"]`` is the noise spread in dB up to which the verdict stays "ahead", 0
        if it never is; ``attrs["covered_to"]`` the one up to which the data cover the end that
        decides it; ``attrs["sentence"]`` says it in words; ``attrs["units"]`` is the unit of the
        differences and ``attrs["probability"]`` that of the ranges; ``attrs["first"]`` and
        ``attrs["second"]`` are the models, ``attrs["where"]`` what they are compared at.

    Raises
    ------
    FanstatsError
        If the estimates do not say how they respond to noise luck, or an argument is not right.

    Notes
    -----
    Noise luck is normal. The mean of several tested samples is moved by their luck over root n.
    What the curves do not cover settles nothing: there the verdict ends before the gap does.

    Examples
    --------
    >>> import fanstats as fs
    >>> estimates = fs.equal_noise(fs.demo.readings(), 33, bench=fs.demo.bench(), draws=500, rng=1)
    >>> found = what_if(estimates, "Varnost Lull", "Wexcombe Pale", noise=[0.2, 0.8],
    ...                 quantity="airflow", obstruction="open")
    >>> list(found["verdict"])
    ['ahead', 'ahead']
    """
    fraction("probability", probability)
    one_of("chosen", chosen, ("from the chart", "before"))
    spreads = _spreads(noise)
    if airflow is not None:
        _relative(airflow)
    if temperature is not None:
        number("temperature", temperature, at_least=0.0, mend="It is in K.")
    picked = select(estimates, quantity, obstruction)
    pair = picked.model("first", first), picked.model("second", second)
    if chosen == "from the chart":
        refuse_a_part(picked)
    _check_response(picked, pair)
    besides = _besides(picked, airflow, temperature)
    source = label_source(picked)
    rows, results = [], []
    for spread in spreads:
        supposed, beyond = besides.supposed(picked, source, spread, ("model", "next unit"))
        result = compare_selection(
            supposed,
            *pair,
            scope="model",
            probability=probability,
            margin=None,
            chosen=chosen,
            best=best,
        )
        rows.append(_row(result, spread, besides, float(beyond[list(pair)].max())))
        results.append(result)
    table = pd.DataFrame(rows)
    gap_ends = _gap_ends(picked, source, pair, besides, chosen, probability)
    covered_to = _covered_to(picked, pair, probability)
    table.attrs["changes_at"] = min(gap_ends, covered_to) if gap_ends > 0 else 0.0
    table.attrs["covered_to"] = covered_to
    table.attrs["units"] = picked.difference_units
    table.attrs["probability"] = probability
    table.attrs |= {"first": first, "second": second}
    table.attrs["where"] = where(picked.attrs, picked.obstruction)
    table.attrs["sentence"] = _sentence(
        results, spreads, gap_ends, covered_to, picked.way(best), besides
    )
    return table


class _Besides(NamedTuple):
    """Luck in the quantity itself, besides that in noise."""

    airflow: Luck
    temperature: Luck
    left_out: str

    def supposed(
        self, picked: Selection, source: LabelledDraws, noise: float, scopes: tuple[str, ...]
    ) -> Supposed:
        """Estimates with so much noise luck, and this."""
        return suppose(
            picked, source, noise, airflow=self.airflow, temperature=self.temperature,
            scopes=scopes,
        )  # fmt: skip

    @property
    def words(self) -> str:
        """What was supposed, for a sentence."""
        if self.airflow.standard > 0:
            return f"a spread in airflow of {100.0 * self.airflow.standard:.3g} %"
        if self.temperature.standard > 0:
            return f"a spread in temperature rise of {self.temperature.standard:.3g} K"
        return ""


def _besides(picked: Selection, airflow: float | None, temperature: float | None) -> _Besides:
    """Which luck in the quantity itself to use: as given, else as stated; and what was left out."""
    given = {"airflow": ("airflow", airflow), "temperature_rise": ("temperature", temperature)}
    if picked.name not in given:
        return _Besides(NO_LUCK, NO_LUCK, "")
    kind, size = given[picked.name]
    luck = stated_luck(picked, kind) if size is None else Luck(standard=size)
    left_out = "" if luck is not None else f"{kind} spread (nobody stated it)"
    luck = NO_LUCK if luck is None else luck
    return (
        _Besides(luck, NO_LUCK, left_out)
        if kind == "airflow"
        else _Besides(NO_LUCK, luck, left_out)
    )


def _spreads(noise: float | Iterable[float]) -> list[float]:
    several = isinstance(noise, Iterable) and not isinstance(noise, str)
    given: list[object] = list(noise) if several else [noise]  # type: ignore[arg-type]
    if not given:
        msg = "`noise` must hold at least one spread in dB; got none."
        raise FanstatsError(msg)
    bare = [np.asarray(spread).tolist() for spread in given]  # of an array its elements
    return [number("noise", spread, at_least=0.0, mend="It is in dB.") for spread in bare]


def _relative(airflow: float) -> None:
    mend = "It is a fraction: 0.02 for 2 %."
    if number("airflow", airflow, at_least=0.0, mend=mend) >= 1.0:
        msg = f"`airflow` must be below 1; got {airflow!r}. {mend}"
        raise FanstatsError(msg)


def _check_response(picked: Selection, pair: tuple[int, int]) -> None:
    if picked.find("tested unit") is None or picked.by_luck is None:
        msg = (
            f"`estimates` must say how {picked.name or 'the quantity'} responds to noise luck, as "
            "those at equal noise do, and hold the scope 'tested unit'."
        )
        raise FanstatsError(msg)
    tested = picked.scope("tested unit")
    for model in pair:
        if (
            not picked.estimable[tested, model]
            or not np.isfinite(luck_response(picked, model, np.zeros(1))).all()
        ):
            reason = picked.reason(tested, model)
            msg = f"{picked.models[model]!r} cannot be judged: {reason or 'no estimate'}."
            raise FanstatsError(msg)


def _row(result: Comparison, spread: float, besides: _Besides, beyond: float) -> dict[str, Any]:
    leads = 0 if result.difference.value >= 0 else 1
    return {
        "noise": spread,
        "airflow": besides.airflow.standard,
        "temperature": besides.temperature.standard,
        "verdict": result.verdict,
        "who": result.who or "",
        "difference": result.difference.value,
        "low": result.difference.low,
        "high": result.difference.high,
        "critical": result.critical_difference[leads],
        "odds_typical": result.odds_typical.first_ahead,
        "odds_bought": result.odds_bought.first_ahead,
        "odds_label": result.odds_typical.label,
        "share_beyond": beyond,
        "too_close": result.too_close,
        "left_out": besides.left_out,
    }


def _gap_ends(
    picked: Selection,
    source: LabelledDraws,
    pair: tuple[int, int],
    besides: _Besides,
    chosen: Chosen,
    probability: float,
) -> float:
    """Noise spread at which the gap stops counting, were all of it covered; 0 if it never does."""

    def beyond_zero(spread: float) -> float:
        supposed = besides.supposed(picked, source, spread, ("model",)).picked
        supposed = replace(supposed, shares=np.zeros_like(supposed.shares))
        limits = pair_limits(
            supposed, *pair, supposed.scope("model"), chosen=chosen, probability=probability
        )
        return max(limits.low, -limits.high)

    if pair[0] == pair[1] or not beyond_zero(0.0) > 0:
        return 0.0
    upper = 0.5
    while upper < _MOST_DB and beyond_zero(upper) > 0:
        upper *= 2.0
    if beyond_zero(upper) > 0:
        return math.inf
    return float(optimize.brentq(beyond_zero, 0.0, upper, xtol=1e-3))


def _covered_to(picked: Selection, pair: tuple[int, int], probability: float) -> float:
    """Noise spread up to which the data cover the end of the difference that decides."""
    tested, tail = picked.scope("tested unit"), (1.0 - probability) / 2.0
    values = picked.values[tested, list(pair)]
    leads, other = pair if values[0] >= values[1] else pair[::-1]
    reached = []
    for model, side in ((leads, 0), (other, 1)):
        if picked.shares[side, tested, model] > tail:
            return 0.0
        low, high = covered_luck(picked, model)
        rises = luck_response(picked, model, np.array([-0.25, 0.25]))
        # The low end of a value that falls with the luck is the high end of the luck.
        room = -low if (side == 0) == (rises[1] >= rises[0]) else high
        reached.append(room * math.sqrt(max(1.0, picked.units_tested[model])))
    return max(0.0, min(reached)) / float(-ndtri(tail))


def _sentence(
    results: Sequence[Comparison],
    spreads: Sequence[float],
    gap_ends: float,
    covered_to: float,
    way: Best | None,
    besides: _Besides,
) -> str:
    first = results[0]
    gap = first.difference.value
    ahead = first.first if (gap >= 0) != (way == "low") else first.second
    other = first.second if ahead == first.first else first.first
    place = f" {first.where}" if first.where else ""
    if gap_ends == 0:
        text = f"Measurement alone could explain the gap{place}: it is not settled for any spread."
    elif covered_to < gap_ends:
        text = (
            f"{ahead} is ahead of {other} by {first.quantity}{place} as far as the readings reach: "
            f"where samples of one model differ by {covered_to:.2g} dB or more at the same speed "
            "(standard deviation), an end of the range lies beyond what was read."
        )
    elif math.isinf(gap_ends):
        text = f"{ahead} is ahead{place} for every spread of noise up to {_MOST_DB:g} dB."
    else:
        text = (
            f"{ahead} is ahead as long as samples of one model differ by less than "
            f"{gap_ends:.2g} dB at the same speed (standard deviation): by "
            f"{first.quantity}{place}, against {other}."
        )
    tested = {first.first: first.units_tested[0], first.second: first.units_tested[1]}
    parts = [text, _odds_words(results, spreads, ahead), samples_tested(tested)]
    if besides.words:
        parts.append(f"Supposed besides: {besides.words}.")
    if besides.left_out:
        parts.append(f"Left out: {besides.left_out}.")
    parts.append(f"Settled means {times_words(first.probability)}.")
    return " ".join(part for part in parts if part)


def _odds_words(results: Sequence[Comparison], spreads: Sequence[float], ahead: str) -> str:
    """Odds that the leading one is ahead, at the smallest and at the largest spread."""
    ends = sorted({int(np.argmin(spreads)), int(np.argmax(spreads))}, key=lambda k: spreads[k])
    told, label = [], ""
    for k in ends:
        odds = results[k].odds_typical
        if odds.label:
            chance = odds.first_ahead if ahead == results[k].first else 1.0 - odds.first_ahead
            told.append(f"{in_hundred(chance, results[k].draws)} at {spreads[k]:g} dB")
            label = odds.label
    lead = "Chance" if label == "chance" else "Confidence"
    return f"{lead} that {ahead} is ahead, typical samples: {', '.join(told)}." if told else ""
