"""The verdict against a spread nobody knows."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from fanstats._arguments import fraction, number
from fanstats.decisions.compare import compare_selection, pair_limits, refuse_a_part
from fanstats.decisions.decision import samples_tested
from fanstats.decisions.rerun import MOST, Again, again, answer_behind, turning_point
from fanstats.decisions.said import in_hundred
from fanstats.decisions.selection import Best, Selection, select
from fanstats.decisions.verdict import Chosen, Comparison
from fanstats.errors import FanstatsError, one_of
from fanstats.sources import UnitSpread, standard
from fanstats.wording import times_words, where

if TYPE_CHECKING:
    import xarray as xr

    from fanstats.engine.ledger import SpreadKind

__all__ = ["what_if"]

# The kind of luck that a quantity has of its own, at a given speed.
_OWN: Final[Mapping[str, SpreadKind]] = {"airflow": "airflow", "temperature_rise": "temperature"}


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
        bench, with its shape and degrees of freedom; if nobody stated it, it stays unknown, the
        column `left_out` says so, and nobody is ahead.
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
        If the estimates are not at equal noise or hold no readings, or an argument is not right.

    Notes
    -----
    The same readings are asked again with the same draws, as if the bench had stated that spread:
    with noise luck normal, and its correlation with airflow luck as stated there. What the curves
    do not cover settles nothing: there the verdict ends before the gap does.

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
    sizes = _spreads(noise)
    if airflow is not None:
        _relative(airflow)
    if temperature is not None:
        number("temperature", temperature, at_least=0.0, mend="It is in K.")
    picked = select(estimates, quantity, obstruction)
    pair = picked.model("first", first), picked.model("second", second)
    if chosen == "from the chart":
        refuse_a_part(picked)
    _check_tested(picked, pair)
    supposed = _Supposed(picked, airflow, temperature)
    ask = again(picked)
    rows, results = [], []
    for size in sizes:
        found = ask(supposed.spread(size))
        result = compare_selection(
            found,
            *pair,
            scope="model",
            probability=probability,
            margin=None,
            chosen=chosen,
            best=best,
        )
        rows.append(_row(result, size, supposed, found, pair))
        results.append(result)
    table = pd.DataFrame(rows)
    turning = _Turning(picked, ask, supposed, pair, chosen, probability)
    gap_ends, covered_to = turning.gap_ends(), turning.covered_to()
    table.attrs["changes_at"] = min(gap_ends, covered_to) if gap_ends > 0 else 0.0
    table.attrs["covered_to"] = covered_to
    table.attrs["units"] = picked.difference_units
    table.attrs["probability"] = probability
    table.attrs |= {"first": first, "second": second}
    table.attrs["where"] = where(picked.attrs, picked.obstruction)
    table.attrs["sentence"] = _sentence(
        results, sizes, gap_ends, covered_to, picked.way(best), supposed
    )
    return table


class _Supposed:
    """A spread of which noise luck is varied: other kinds as given, else as stated."""

    def __init__(self, picked: Selection, airflow: float | None, temperature: float | None) -> None:
        stated = answer_behind(picked).bench.spread
        given: dict[str, Any] = {}
        if airflow is not None:
            given["airflow"] = standard(airflow, relative=True)
        if temperature is not None:
            given["temperature"] = standard(temperature)
        self._base = replace(stated, **given)
        names = {name for (name, _), _ in picked.parts}
        kinds = [kind for name, kind in _OWN.items() if name in names]
        self.sizes = {
            kind: _size(self._base, kind) if kind in kinds else 0.0 for kind in _OWN.values()
        }
        self.unknown = [kind for kind in kinds if self._base.of(kind) is None]

    @property
    def left_out(self) -> str:
        """Which kinds of luck stay unknown."""
        return ", ".join(f"{kind} spread (nobody stated it)" for kind in self.unknown)

    @property
    def words(self) -> str:
        """What was supposed besides, for a sentence."""
        if self.sizes["airflow"] > 0:
            return f"a spread in airflow of {100.0 * self.sizes['airflow']:.3g} %"
        if self.sizes["temperature"] > 0:
            return f"a spread in temperature rise of {self.sizes['temperature']:.3g} K"
        return ""

    def spread(self, noise: float) -> UnitSpread:
        """Give the spread with so much noise luck, dB."""
        return replace(self._base, noise=standard(noise))


def _size(spread: UnitSpread, kind: SpreadKind) -> float:
    source = spread.of(kind)
    if source is None:
        return math.nan
    total = (source.absolute + source.relative) ** 2 - source.removed_variance
    return math.sqrt(max(0.0, total))


class _Turning:
    """Where the verdict on a pair turns as noise luck grows."""

    def __init__(
        self,
        picked: Selection,
        ask: Again,
        supposed: _Supposed,
        pair: tuple[int, int],
        chosen: Chosen,
        probability: float,
    ) -> None:
        self._ask, self._supposed, self._pair = ask, supposed, pair
        self._chosen, self._probability = chosen, probability
        self._alone = again(picked, pair)

    def gap_ends(self) -> float:
        """Noise luck at which the gap stops counting, were all of it covered; else 0."""
        if self._pair[0] == self._pair[1] or self._supposed.unknown:
            return 0.0
        return turning_point(self._clear, 0.5, xtol=1e-3)

    def _clear(self, noise: float) -> float:
        found = self._ask(self._supposed.spread(noise))
        found = replace(found, shares=np.zeros_like(found.shares))
        scope = found.scope("model")
        if not found.estimable[scope, list(self._pair)].all():
            return -math.inf
        limits = pair_limits(
            found, *self._pair, scope, chosen=self._chosen, probability=self._probability
        )
        return max(limits.low, -limits.high)

    def covered_to(self) -> float:
        """Noise luck up to which the data cover the end of the difference that decides."""
        return turning_point(self._covered, 0.5, xtol=1e-3)

    def _covered(self, noise: float) -> float:
        """Give the tail less the share of draws past the end that the gap rests on."""
        found = self._alone(self._supposed.spread(noise))
        scope, tail = found.scope("model"), (1.0 - self._probability) / 2.0
        values = found.values[found.scope("tested unit")]
        leads, other = (0, 1) if values[0] >= values[1] else (1, 0)
        return tail - float(max(found.shares[0, scope, leads], found.shares[1, scope, other]))


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


def _check_tested(picked: Selection, pair: tuple[int, int]) -> None:
    if picked.attrs.get("kind") != "equal noise" or picked.find("tested unit") is None:
        msg = (
            f"`estimates` must be at equal noise, where noise luck moves "
            f"{picked.name or 'the quantity'}; got {picked.attrs.get('kind')!r}."
        )
        raise FanstatsError(msg)
    tested = picked.scope("tested unit")
    for model in pair:
        if not picked.estimable[tested, model]:
            reason = picked.reason(tested, model)
            msg = f"{picked.models[model]!r} cannot be judged: {reason or 'no estimate'}."
            raise FanstatsError(msg)


def _row(
    result: Comparison, spread: float, supposed: _Supposed, found: Selection, pair: tuple[int, int]
) -> dict[str, Any]:
    leads = 0 if result.difference.value >= 0 else 1
    beyond = found.shares[:, found.scope("model"), list(pair)]
    return {
        "noise": spread,
        "airflow": supposed.sizes["airflow"],
        "temperature": supposed.sizes["temperature"],
        "verdict": result.verdict,
        "who": result.who or "",
        "difference": result.difference.value,
        "low": result.difference.low,
        "high": result.difference.high,
        "critical": result.critical_difference[leads],
        "odds_typical": result.odds_typical.first_ahead,
        "odds_bought": result.odds_bought.first_ahead,
        "odds_label": result.odds_typical.label,
        "share_beyond": float(beyond.sum(axis=0).max()),
        "too_close": result.too_close,
        "left_out": supposed.left_out,
    }


def _sentence(
    results: Sequence[Comparison],
    spreads: Sequence[float],
    gap_ends: float,
    covered_to: float,
    way: Best | None,
    supposed: _Supposed,
) -> str:
    first = results[0]
    gap = first.difference.value
    ahead = first.first if (gap >= 0) != (way == "low") else first.second
    other = first.second if ahead == first.first else first.first
    place = f" {first.where}" if first.where else ""
    if supposed.unknown:
        text = (
            f"Whether {ahead} is ahead of {other} cannot be told{place}: nobody knows how samples "
            f"differ in {' and '.join(supposed.unknown)}. State it, or suppose it here."
        )
    elif gap_ends == 0:
        text = f"Measurement alone could explain the gap{place}: it is not settled for any spread."
    elif covered_to < gap_ends:
        text = (
            f"{ahead} is ahead of {other} by {first.quantity}{place} as far as the readings reach: "
            f"where samples of one model differ by {covered_to:.2g} dB or more at the same speed "
            "(standard deviation), an end of the range lies beyond what was read."
        )
    elif math.isinf(gap_ends):
        text = f"{ahead} is ahead{place} for every spread of noise up to {MOST:g} dB."
    else:
        text = (
            f"{ahead} is ahead as long as samples of one model differ by less than "
            f"{gap_ends:.2g} dB at the same speed (standard deviation): by "
            f"{first.quantity}{place}, against {other}."
        )
    tested = {first.first: first.units_tested[0], first.second: first.units_tested[1]}
    parts = [text, _odds_words(results, spreads, ahead), samples_tested(tested)]
    if supposed.words:
        parts.append(f"Supposed besides: {supposed.words}.")
    if supposed.left_out:
        parts.append(f"Unknown: {supposed.left_out}.")
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
