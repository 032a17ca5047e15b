"""Good enough: whether two models differ by less than what would matter, or one loses no more."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal, NamedTuple

import numpy as np
import pandas as pd

from fanstats._arguments import fraction
from fanstats._typing import FloatArray, Scope
from fanstats.decisions.compare import beyond_words, refuse_a_part
from fanstats.decisions.decision import Decision, facts_of
from fanstats.decisions.equivalence_words import equivalence_sentence
from fanstats.decisions.margins import Margin, read_margin
from fanstats.decisions.order import CLOSE, quantile_error, standard_uncertainty
from fanstats.decisions.said import draws_words
from fanstats.decisions.selection import Best, Selection, select
from fanstats.decisions.simultaneous import all_pairs, share_at_least, share_error
from fanstats.decisions.true_values import true_values
from fanstats.decisions.verdict import Chosen, OddsLabel
from fanstats.errors import FanstatsError, one_of

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["Equivalence", "equivalent", "good_enough"]

Question = Literal["equivalent", "good enough"]
Answer = Literal["yes", "no", "open"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Equivalence(Decision):
    """Whether a gap is smaller than what would matter.

    Attributes
    ----------
    table : DataFrame
        The same numbers in one row.
    question : {"equivalent", "good enough"}
        Whether the two differ by less than the margin, either way; or whether the first falls short
        of the second by less than the margin.
    first, second : str
        The models; differences are first minus second.
    margin : Margin
        In the unit of the quantity, or a fraction of the second model's value.
    chosen : {"from the chart", "before"}
        Whether the pair was picked because of where it stands.
    values : tuple of float
        Estimates of the two.
    difference, standard_uncertainty : float
        First minus second, in the unit of the margin (percent of the second for "%").
    verdict : {"yes", "no", "open"}
        Settled, refuted, or neither.
    p_low, p_high : float
        One-sided tests: level at which "the first is lower by the margin or more" and "higher by
        the margin or more" are just rejected; NaN where the question does not ask for it.
    p_error : float
        Monte Carlo standard error of `p`.
    too_close : bool
        Whether a limit lies within its Monte Carlo error of the margin, so that more draws could
        turn the verdict.
    smallest_margin : float
        Smallest margin, in its own unit, that the data would support with "yes".
    smallest_margin_tested : float
        The same for the samples that were on the bench, as a pair chosen beforehand.
    chance_typical, chance_bought : float
        That the gap is smaller than the margin: of the typical samples; of one bought sample each.
    label : {"chance", "confidence", ""}
        Whether these are hit rates.
    judged_among : tuple of str
        Models whose differences share the probability; none where nothing could be judged.
    """

    question: Question
    first: str
    second: str
    margin: Margin
    chosen: Chosen
    values: tuple[float, float]
    difference: float
    standard_uncertainty: float
    verdict: Answer
    p_low: float
    p_high: float
    p_error: float
    too_close: bool
    smallest_margin: float
    smallest_margin_tested: float
    chance_typical: float
    chance_bought: float
    label: OddsLabel
    judged_among: tuple[str, ...]

    @property
    def p(self) -> float:
        """The larger of the p values that the question asks for; "yes" is settled below it."""
        asked = (
            [self.p_low, self.p_high]
            if self.question == "equivalent"
            else [self.p_high if self.best == "low" else self.p_low]
        )
        return math.nan if any(math.isnan(p) for p in asked) else max(asked)

    def sentence(self) -> str:
        """Say it in words that can stand under a chart.

        Returns
        -------
        str
        """
        return " ".join([equivalence_sentence(self), *filter(None, self._rests_on())])


def equivalent(
    estimates: xr.Dataset | xr.DataArray,
    first: str,
    second: str,
    *,
    margin: float | str,
    quantity: str | None = None,
    obstruction: str | None = None,
    scope: Scope = "model",
    probability: float = 0.95,
    chosen: Chosen = "from the chart",
) -> Equivalence:
    """Say whether two models differ by less than a margin, either way.

    Parameters
    ----------
    estimates : Dataset or DataArray
        What `equal_noise` and its sisters return, or any array over `model` and `draw`.
    first, second : str
        The two models.
    margin : float or str
        The gap that would not matter: a number in the unit of the quantity, or text such as ``"5
        %"`` (of the second model's value) or ``"0.1 m/s"``. Never a multiple of a standard
        deviation.
    quantity, obstruction : str, optional
        Which; may be left out where there is only one.
    scope : {"tested unit", "model", "next unit"}
        Which true values are meant.
    probability : float
        1 - probability bounds the chance of a "yes" where the true gap is as large as the margin.
    chosen : {"from the chart", "before"}
        "from the chart": the pair was picked because of where it stands, and is judged by the joint
        maximum over all pairs. "before": it was of interest before anybody looked.

    Returns
    -------
    Equivalence
        Also where the unit-to-unit spread was never stated: then with verdict "open".

    Raises
    ------
    FanstatsError
        If a model, quantity or obstruction is not there, or the margin is not right.

    Notes
    -----
    Two one-sided tests: "yes" if both "lower by the margin or more" and "higher by the margin or
    more" are rejected, each at level 1 - probability. A difference that is not significant is no
    equivalence, and two models can be equivalent although one is surely ahead.

    References
    ----------
    Schuirmann, D. J. (1987), A comparison of the two one-sided tests procedure and the power
    approach, Journal of Pharmacokinetics and Biopharmaceutics 15, 657-680.

    Examples
    --------
    >>> import fanstats as fs
    >>> estimates = fs.equal_noise(fs.demo.readings(), 33, bench=fs.demo.bench(), draws=500, rng=1)
    >>> equivalent(estimates, "Quenhurst 24P", "Ombrel Sill", margin="25 %", quantity="airflow",
    ...            obstruction="open").verdict
    'yes'
    """
    return _answer(
        estimates, first, second, "equivalent", margin, quantity, obstruction, scope,
        probability, chosen, None,
    )  # fmt: skip


def good_enough(
    estimates: xr.Dataset | xr.DataArray,
    first: str,
    second: str,
    *,
    margin: float | str,
    quantity: str | None = None,
    obstruction: str | None = None,
    scope: Scope = "model",
    probability: float = 0.95,
    chosen: Chosen = "from the chart",
    best: Best | None = None,
) -> Equivalence:
    """Say whether one model falls short of another by less than a margin.

    Parameters
    ----------
    estimates, quantity, obstruction, scope, probability, chosen
        As in `equivalent`.
    first : str
        The model that would do, such as the cheap one.
    second : str
        The one that it is held against, such as the dear one.
    margin : float or str
        The largest loss you would not mind, as in `equivalent`: ``"5 %"`` of the second one.
    best : {"high", "low"}, optional
        Which way is better; follows from the quantity where that is known.

    Returns
    -------
    Equivalence
        One one-sided test (non-inferiority).

    Raises
    ------
    FanstatsError
        As in `equivalent`; or if nothing says which way is better.

    Examples
    --------
    >>> import fanstats as fs
    >>> estimates = fs.equal_noise(fs.demo.readings(), 33, bench=fs.demo.bench(), draws=500, rng=1)
    >>> good_enough(estimates, "Varnost Lull", "Ombrel Sill", margin="5 %", quantity="airflow",
    ...             obstruction="open").verdict
    'yes'
    """
    return _answer(
        estimates, first, second, "good enough", margin, quantity, obstruction, scope,
        probability, chosen, best,
    )  # fmt: skip


class _Pair(NamedTuple):
    """Two models, a margin, and on which sides a gap would matter."""

    picked: Selection
    first: int
    second: int
    margin: Margin
    low: bool
    high: bool

    def holds(self, first: FloatArray, second: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Give how far inside the margin each draw is on its low and on its high side."""
        if self.margin.relative:
            size = self.margin.size
            return first - (1.0 - size) * second, (1.0 + size) * second - first
        return first - second + self.margin.size, self.margin.size - (first - second)

    def gap(self, first: FloatArray, second: FloatArray) -> FloatArray:
        """Difference in the unit of the margin, as a fraction of the second where relative."""
        return first / second - 1.0 if self.margin.relative else first - second

    def smallest(self, low: float, high: float) -> float:
        """Smallest margin whose limits enclose these."""
        ends = [-low] * self.low + [high] * self.high
        return math.nan if any(math.isnan(end) for end in ends) else max(0.0, *ends)


class _Test(NamedTuple):
    """One-sided tests, and limits of the gap in the unit of the margin."""

    p_low: float
    p_high: float
    low: float
    high: float
    low_error: float = math.nan
    high_error: float = math.nan
    p_error: float = math.nan


_UNTESTED: Final = _Test(math.nan, math.nan, math.nan, math.nan)


def _answer(
    estimates: xr.Dataset | xr.DataArray,
    first: str,
    second: str,
    question: Question,
    margin: float | str,
    quantity: str | None,
    obstruction: str | None,
    scope: Scope,
    probability: float,
    chosen: Chosen,
    best: Best | None,
) -> Equivalence:
    fraction("probability", probability)
    one_of("chosen", chosen, ("from the chart", "before"))
    picked = select(estimates, quantity, obstruction)
    one, two = picked.model("first", first), picked.model("second", second)
    if one == two:
        msg = f"`first` and `second` must be two models; both are {first!r}."
        raise FanstatsError(msg)
    if chosen == "from the chart":
        refuse_a_part(picked)
    better = picked.better(best) if question == "good enough" else picked.way(None)
    pair = _Pair(
        picked, one, two, read_margin(margin, picked),
        low=question == "equivalent" or better == "high",
        high=question == "equivalent" or better == "low",
    )  # fmt: skip
    place = picked.scope(scope)
    test = _tested(pair, place, probability, chosen)
    return _result(pair, place, test, question, probability, chosen, better)


def _tested(pair: _Pair, place: int, probability: float, chosen: Chosen) -> _Test:
    picked, both = pair.picked, [pair.first, pair.second]
    if not picked.estimable[place, both].all():
        return _UNTESTED
    if _certain(pair, place):
        return _UNTESTED
    members = np.flatnonzero(picked.estimable[place])
    if chosen == "before" or len(members) == 2:
        found = _test_pair(pair, place, probability)
    else:
        found = _test_picked(pair, place, members, probability)
    return _without_uncovered(pair, place, probability, found)


def _without_uncovered(pair: _Pair, place: int, probability: float, found: _Test) -> _Test:
    """Take away the limits, and the tests by them, that rest on draws beyond what was read."""
    low, high = pair.picked.uncovered(place, [pair.first, pair.second], probability)
    if low[0] or high[1]:
        found = found._replace(p_low=math.nan, low=math.nan)
    if high[0] or low[1]:
        found = found._replace(p_high=math.nan, high=math.nan)
    return found


def _test_pair(pair: _Pair, place: int, probability: float) -> _Test:
    first, second = pair.picked.draws[place, [pair.first, pair.second]]
    inside_low, inside_high = pair.holds(first, second)
    gap, size = pair.gap(first, second), first.size
    low, high = np.quantile(gap, [1.0 - probability, probability])
    p_low, p_high = (
        (1.0 + np.count_nonzero(inside <= 0)) / (1.0 + size) for inside in (inside_low, inside_high)
    )
    asked = max([p_low] * pair.low + [p_high] * pair.high)
    return _Test(
        p_low,
        p_high,
        float(low),
        float(high),
        quantile_error(gap, 1.0 - probability),
        quantile_error(gap, probability),
        math.sqrt(asked * (1.0 - asked) / size),
    )


def _test_picked(pair: _Pair, place: int, members: np.ndarray, probability: float) -> _Test:
    """Test a pair picked from the chart, by the joint maximum over all its pairs."""
    picked = pair.picked
    values, draws = picked.judged(place, members)
    found = all_pairs(values, draws, probability)
    one, two = (int(np.flatnonzero(members == model)[0]) for model in (pair.first, pair.second))
    gap = float(values[one] - values[two])
    low, high = _bounds(pair, place)
    statistics = np.array(
        [(gap - low) / found.reach[one, two], (high - gap) / found.reach[two, one]]
    )
    p_low, p_high = share_at_least(found.maxima, statistics)
    asked = [s for s, wanted in zip(statistics, (pair.low, pair.high), strict=True) if wanted]
    low, high = float(found.lower[one, two]), float(-found.lower[two, one])
    near = _as_margin(pair, place, low + float(found.lower_error[one, two]))
    far = _as_margin(pair, place, high + float(found.lower_error[two, one]))
    low, high = _as_margin(pair, place, low), _as_margin(pair, place, high)
    return _Test(
        float(p_low),
        float(p_high),
        low,
        high,
        near - low,
        far - high,
        float(share_error(found.maxima, np.array(min(asked)), len(members))),
    )


def _bounds(pair: _Pair, place: int) -> tuple[float, float]:
    """Give the ends of the margin on the scale that pairs are judged on."""
    size, picked = pair.margin.size, pair.picked
    if not picked.ratio:
        return -size, size
    share = size if pair.margin.relative else size / float(picked.values[place, pair.second])
    return (math.log1p(-share) if share < 1 else -math.inf), math.log1p(share)


def _as_margin(pair: _Pair, place: int, limit: float) -> float:
    """Give a limit on the scale that pairs are judged on in the unit of the margin."""
    if not pair.picked.ratio:
        return limit
    share = math.expm1(limit)
    return share if pair.margin.relative else share * float(pair.picked.values[place, pair.second])


def _result(
    pair: _Pair,
    place: int,
    test: _Test,
    question: Question,
    probability: float,
    chosen: Chosen,
    better: Best | None,
) -> Equivalence:
    picked, both = pair.picked, [pair.first, pair.second]
    tested = picked.find("tested unit")
    smallest_tested = math.nan
    if tested is not None and picked.estimable[tested, both].all():
        on_bench = _test_pair(pair, tested, probability)
        smallest_tested = pair.smallest(on_bench.low, on_bench.high)
    known = math.isfinite(pair.smallest(test.low, test.high))
    values = picked.values[place, both]
    if tested is not None:
        values = np.where(np.isfinite(values), values, picked.values[tested, both])
    spread = math.nan
    if picked.estimable[place, both].all():
        spread = standard_uncertainty(pair.gap(*picked.draws[place, both]))
    typical, label = _chance(pair, "model")
    bought, label_bought = _chance(pair, "next unit")
    if len(picked.scopes) == 1 and math.isnan(typical) and math.isnan(bought):
        typical, label = _chance(pair, picked.scopes[0])
    percent = 100.0 if pair.margin.relative else 1.0
    result = {
        "first": picked.models[pair.first],
        "second": picked.models[pair.second],
        "difference": percent * float(pair.gap(values[0], values[1])),
        "standard_uncertainty": percent * spread,
        "verdict": _verdict(pair, test, probability),
        "p_low": test.p_low if pair.low else math.nan,
        "p_high": test.p_high if pair.high else math.nan,
        "p_error": test.p_error,
        "too_close": _too_close(pair, test),
        "smallest_margin": percent * pair.smallest(test.low, test.high) if known else math.nan,
        "smallest_margin_tested": percent * smallest_tested,
        "chance_typical": typical,
        "chance_bought": bought,
        "label": label or label_bought,
    }
    judged = np.flatnonzero(picked.estimable[place]) if chosen == "from the chart" else both
    if not picked.estimable[place, both].all():
        judged = []  # nothing was judged, whatever else stands on the chart
    return Equivalence(
        table=pd.DataFrame([{"question": question, "margin": pair.margin.text, **result}]),
        units=pair.margin.units,
        best=better,
        probability=probability,
        question=question,
        margin=pair.margin,
        chosen=chosen,
        values=(float(values[0]), float(values[1])),
        judged_among=tuple(picked.models[k] for k in judged),
        **facts_of(
            picked,
            place,
            both,
            [
                *_reasons(pair, place, probability),
                *([draws_words(picked.draws.shape[-1])] if result["too_close"] else []),
            ],
        ),
        **result,  # type: ignore[arg-type]
    )


def _too_close(pair: _Pair, test: _Test) -> bool:
    """Whether other draws could move a limit to the other side of the margin."""
    size = pair.margin.size
    sides = (
        (pair.low, test.low, test.low_error),
        (pair.high, test.high, test.high_error),
        # What refutes: the opposite limit beyond the same margin.
        (pair.low, test.high, test.high_error),
        (pair.high, test.low, test.low_error),
    )
    edges = (-size, size, -size, size)
    return any(
        asked and abs(limit - edge) < CLOSE * error
        for (asked, limit, error), edge in zip(sides, edges, strict=True)
    )


def _verdict(pair: _Pair, test: _Test, probability: float) -> Answer:
    size = pair.margin.size
    if (not pair.low or test.low > -size) and (not pair.high or test.high < size):
        return "yes"
    beyond = (pair.low and test.high < -size) or (pair.high and test.low > size)
    return "no" if beyond and probability > 0.5 else "open"


def _chance(pair: _Pair, scope: str) -> tuple[float, OddsLabel]:
    """Probability that the gap is inside the margin, and what kind of probability it is."""
    picked, both = pair.picked, [pair.first, pair.second]
    place = picked.find(scope)
    if place is None or not picked.estimable[place, both].all() or _certain(pair, place):
        return math.nan, ""
    members = np.flatnonzero(picked.estimable[place])
    found = true_values(picked, place, members)
    first, second = found.draws[[int(np.flatnonzero(members == k)[0]) for k in both]]
    if picked.ratio:
        first, second = np.exp(first), np.exp(second)
    inside_low, inside_high = pair.holds(first, second)
    inside = (inside_low > 0) | (not pair.low)
    return float(np.mean(inside & ((inside_high > 0) | (not pair.high)))), found.label


def _certain(pair: _Pair, place: int) -> bool:
    """Whether nothing is uncertain between the two."""
    first, second = pair.picked.draws[place, [pair.first, pair.second]]
    return bool(np.ptp(first - second) == 0)


def _reasons(pair: _Pair, place: int, probability: float) -> list[str]:
    picked, notes = pair.picked, []
    for model in (pair.first, pair.second):
        reason = picked.reason(place, model)
        if reason:
            notes.append(f"{picked.models[model]}: {reason}")
        notes += beyond_words(picked, place, model, probability)
    if picked.estimable[place, [pair.first, pair.second]].all() and _certain(pair, place):
        notes.append("no uncertainty between the two: nothing to judge by")
    return notes
