"""The lucky winner: what to expect when the models of a chart are tested again with new samples."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from fanstats._arguments import count, fraction
from fanstats._typing import FloatArray, IntArray
from fanstats.decisions.decision import Decision, facts_of
from fanstats.decisions.effects import FEWEST_FOR_CHANCES
from fanstats.decisions.order import (
    pair_variances,
    quasi_variances,
    standard_uncertainty,
)
from fanstats.decisions.population import effects_numbers, population, value_draws
from fanstats.decisions.ranks import (
    mean_ranks,
    place_interval,
    rank_probabilities,
)
from fanstats.decisions.rerun import floor_of
from fanstats.decisions.retest_words import retest_sentence
from fanstats.decisions.said import counted
from fanstats.decisions.selection import Best, Selection, select
from fanstats.decisions.verdict import OddsLabel
from fanstats.engine.draws import LabelledDraws

if TYPE_CHECKING:
    import xarray as xr

    from fanstats.sources import Bench

__all__ = ["Retest", "retest"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Retest(Decision):
    """What a second test with new samples is likely to show.

    Attributes
    ----------
    table : DataFrame
        One row a model, in the present order, those without an estimate last: `model`, `place`,
        `value`, `expected` (in the second test; NaN with fewer than five models), `low` and `high`
        (range of the second test's value), `change` (expected minus value), `place_low` and
        `place_high` (range of the second test's places), `chance_first`, `chance_top`,
        `units_tested`, `status`.
    pairs : DataFrame
        One row each two neighbours in the present order: `ahead`, `behind`, `gap` (now) and
        `chance` (that the second test puts them in the same order).
    units_new : int
        New samples of each model in the second test.
    top : int
        How many models `top_stays` and `chance_top` are about.
    first_stays : float
        Chance that the model on top stays on top.
    top_stays, top_in_order : float
        Chance that the same models fill the top places, and that they do so in the same order.
    order_stays : float
        Chance that the whole order comes out the same.
    label : {"chance", "confidence", ""}
        "chance": hit rates, from random effects of five or more models. "confidence": a flat view
        of the true values, which does not know that a winner is lucky.
    same_bench : bool
        Whether errors that belong to a model were taken to repeat.
    """

    pairs: pd.DataFrame
    units_new: int
    top: int
    first_stays: float
    top_stays: float
    top_in_order: float
    order_stays: float
    label: OddsLabel
    same_bench: bool

    def sentence(self) -> str:
        """Say it in words that can stand under a chart.

        Returns
        -------
        str
        """
        return " ".join([retest_sentence(self), *filter(None, self._rests_on())])


def retest(
    estimates: xr.Dataset | xr.DataArray,
    *,
    quantity: str | None = None,
    obstruction: str | None = None,
    units: int = 1,
    top: int = 3,
    bench: Bench | None = None,
    best: Best | None = None,
    probability: float = 0.95,
) -> Retest:
    """Predict how a second test of all models, with new samples, would come out.

    Parameters
    ----------
    estimates : Dataset or DataArray
        What `equal_noise` and its sisters return, with the spread stated.
    quantity, obstruction : str, optional
        Which; may be left out where there is only one.
    units : int
        New samples of each model in the second test.
    top : int
        How many places the chart's top has; all of them where it ranks fewer models, and then the
        result says so.
    bench : Bench, optional
        For a second test on the same bench: what it states as `model` errors (a meter's answer to
        one model's tone) then comes out the same again. Without it all measurement is drawn anew,
        as on another bench of the same quality.
    best : {"high", "low"}, optional
        Which way is better; follows from the quantity where that is known.
    probability : float
        Of the ranges.

    Returns
    -------
    Retest
        With fewer than five models, ranges and no expected values: how much of a lead is luck
        cannot be told from so few. With the spread not stated, nothing but the reasons.

    Raises
    ------
    FanstatsError
        If the quantity or obstruction is not there or not said, or an argument is out of range.

    Notes
    -----
    The models' true values are drawn from random effects whose spread `tau` is drawn from its
    likelihood, not plugged in. To each is added the luck of the new samples, and measurement as
    uncertain as in the first test, a sample. Errors that all models share are left out of both.

    References
    ----------
    Gelman, A., Carlin, J. B., Stern, H. S. et al. (2013), Bayesian Data Analysis, 3rd ed., 5.4.

    Examples
    --------
    >>> import fanstats as fs
    >>> estimates = fs.equal_noise(fs.demo.readings(), 33, bench=fs.demo.bench(), draws=500, rng=1)
    >>> found = retest(estimates, quantity="airflow", obstruction="open")
    >>> bool(found.table["change"].iloc[0] < 0)
    True
    """
    fraction("probability", probability)
    count("units", units)
    count("top", top)
    picked = select(estimates, quantity, obstruction)
    better = picked.better(best)
    place = picked.find("model")
    place = picked.scope("model") if place is None else place
    sign = -1.0 if better == "low" else 1.0
    members = _in_order(picked, place, sign)
    second = _second_test(picked, place, members, sign, units, bench)
    asked, top = top, min(top, len(members))
    rows, pairs, stays = _survival(picked, place, members, sign, second, top, probability)
    return Retest(
        table=_with_unranked(picked, place, members, rows),
        pairs=pairs,
        units=picked.printed_units,
        best=better,
        probability=probability,
        units_new=units,
        top=top,
        label=second.label,
        same_bench=bench is not None,
        **stays,
        **facts_of(
            picked,
            place,
            members,
            [*_notes(picked, members, second, bench), *_whole_chart(asked, len(members))],
        ),
    )


class _SecondTest(NamedTuple):
    """Draws of what the second test shows, larger being better."""

    draws: FloatArray
    label: OddsLabel
    without_luck: bool
    shrunk: bool  # a lucky winner is expected to fall


def _in_order(picked: Selection, place: int, sign: float) -> IntArray:
    """Models with an estimate, the best first; ties by name."""
    members = np.flatnonzero(picked.estimable[place])
    values = sign * picked.values[place, members]
    order = sorted(range(len(members)), key=lambda k: (-values[k], picked.models[members[k]]))
    return members[np.array(order, dtype=np.intp)]


def _second_test(
    picked: Selection,
    place: int,
    members: IntArray,
    sign: float,
    units: int,
    bench: Bench | None,
) -> _SecondTest:
    size = picked.draws.shape[-1]
    if not len(members):
        return _SecondTest(np.zeros((0, size)), "", without_luck=False, shrunk=False)
    values, draws = picked.judged(place, members)
    values, draws = sign * values, np.multiply(sign, draws, out=draws)
    own = _own_variances(draws)
    luck = _luck(picked, members, sign)
    measured = _measured(picked, members, own, luck)
    repeated = np.zeros(len(members))
    if bench is not None:
        repeated = np.minimum(floor_of(picked, members.tolist(), bench), measured)
    unsure = own - np.minimum(repeated, own)
    alike = population(picked, members)
    label: OddsLabel = "confidence"
    if alike.sum() >= FEWEST_FOR_CHANCES:
        true = value_draws(picked, members, values, unsure)[0]
        label = "chance" if alike.all() else "confidence"
    else:
        streams = effects_numbers(picked, members)[2]
        true = values[:, np.newaxis] + np.sqrt(unsure)[:, np.newaxis] * streams
    tested = np.maximum(1.0, picked.units_tested[members])
    anew = np.sqrt((measured - repeated) * tested / units)
    for row, member in enumerate(members):
        true[row] += anew[row] * _measurement(picked, int(member))
    if luck is not None:
        true += luck / math.sqrt(units)
    shrunk = bool(alike.sum() >= FEWEST_FOR_CHANCES)
    return _SecondTest(true, label, without_luck=luck is None, shrunk=shrunk)


def _own_variances(draws: FloatArray) -> FloatArray:
    if len(draws) == 1:
        return np.array([standard_uncertainty(draws[0]) ** 2])
    return np.maximum(0.0, quasi_variances(pair_variances(draws)))


def _luck(picked: Selection, members: IntArray, sign: float) -> FloatArray | None:
    """Draws of one new sample's luck; None where the estimates hold no bought samples."""
    bought, model = picked.find("next unit"), picked.find("model")
    if bought is None or model is None or not picked.estimable[bought, members].all():
        return None
    drawn = picked.judged(bought, members)[1] - picked.judged(model, members)[1]
    return np.asarray(np.multiply(sign, drawn, out=drawn), dtype=np.float64)


def _measured(
    picked: Selection, members: IntArray, own: FloatArray, luck: FloatArray | None
) -> FloatArray:
    """Variance of what was measured, without the luck of the samples tested."""
    tested = picked.find("tested unit")
    if tested is not None and picked.estimable[tested, members].all():
        return _own_variances(picked.judged(tested, members)[1])
    if luck is None:
        return own
    one = np.array([standard_uncertainty(row) ** 2 for row in luck])
    return np.maximum(0.0, own - one / np.maximum(1.0, picked.units_tested[members]))


def _measurement(picked: Selection, member: int) -> FloatArray:
    """Give standard normal numbers for measuring one model again."""
    root = picked.root or ""
    source = LabelledDraws(int(root) if root.isdecimal() else 0, picked.draws.shape[-1])
    label = ("second test", picked.name, picked.obstruction or "", picked.models[member])
    return source.standard(label, "normal")


class _Stays(NamedTuple):
    """How much of the present order survives."""

    first: float
    top: float
    top_in_order: float
    order: float


def _survival(
    picked: Selection,
    place: int,
    members: IntArray,
    sign: float,
    second: _SecondTest,
    top: int,
    probability: float,
) -> tuple[pd.DataFrame, pd.DataFrame, dict[str, float]]:
    draws = second.draws
    stays = _stays(draws, top)
    names = [picked.models[k] for k in members]
    values = picked.values[place, members]
    chances = rank_probabilities(draws)
    low, high = _limits(picked, draws, sign, probability)
    expected = np.full(len(members), np.nan)
    if second.shrunk:
        means = sign * draws.mean(axis=1)
        expected = np.exp(means) if picked.ratio else means
    place_low, place_high = place_interval(chances, probability)
    table = pd.DataFrame(
        {
            "model": names,
            "place": mean_ranks(sign * values),
            "value": values,
            "expected": expected,
            "low": low,
            "high": high,
            "change": expected - values,
            "place_low": pd.Series(place_low, dtype="Int64"),
            "place_high": pd.Series(place_high, dtype="Int64"),
            "chance_first": chances[:, :1].ravel(),
            "chance_top": chances[:, :top].sum(axis=1),
            "units_tested": picked.units_tested[members].astype(int),
            "status": [picked.reason(place, k) for k in members],
        }
    )
    pairs = pd.DataFrame(
        {
            "ahead": names[:-1],
            "behind": names[1:],
            "gap": values[:-1] - values[1:],
            "chance": (draws[:-1] > draws[1:]).mean(axis=1) if len(members) > 1 else [],
        }
    )
    return (
        table,
        pairs,
        {
            "first_stays": stays.first,
            "top_stays": stays.top,
            "top_in_order": stays.top_in_order,
            "order_stays": stays.order,
        },
    )


def _stays(draws: FloatArray, top: int) -> _Stays:
    """Share of second tests that keep the order of the rows."""
    if len(draws) < 2:
        return _Stays(math.nan, math.nan, math.nan, math.nan)
    ahead = draws[:-1] > draws[1:]
    below = draws[top:].max(axis=0) if top < len(draws) else np.full(draws.shape[1], -np.inf)
    on_top = draws[:top].min(axis=0) > below
    return _Stays(
        float((draws[0] > draws[1:].max(axis=0)).mean()),
        float(on_top.mean()),
        float((on_top & ahead[: top - 1].all(axis=0)).mean()),
        float(ahead.all(axis=0).mean()),
    )


def _limits(
    picked: Selection, draws: FloatArray, sign: float, probability: float
) -> tuple[FloatArray, FloatArray]:
    if not len(draws):
        return np.zeros(0), np.zeros(0)
    tails = np.array([(1.0 - probability) / 2.0, (1.0 + probability) / 2.0])
    low, high = np.sort(sign * np.quantile(draws, tails, axis=1), axis=0)
    return (np.exp(low), np.exp(high)) if picked.ratio else (low, high)


def _with_unranked(
    picked: Selection, place: int, members: IntArray, table: pd.DataFrame
) -> pd.DataFrame:
    last = [k for k in range(len(picked.models)) if k not in members]
    if not last:
        return table
    rows = pd.DataFrame(
        {
            "model": [picked.models[k] for k in last],
            "units_tested": picked.units_tested[last].astype(int),
            "status": [picked.reason(place, k) for k in last],
        }
    )
    if table.empty:
        return rows.reindex(columns=table.columns)
    joined = table.set_index("model").reindex([*table["model"], *rows["model"]])
    joined.loc[rows["model"], ["units_tested", "status"]] = rows.set_index("model")
    found = joined.reset_index()
    found["units_tested"] = found["units_tested"].astype(int)
    return found


def _whole_chart(asked: int, ranked: int) -> list[str]:
    """Say that the top asked for is the whole chart."""
    if not 0 < ranked < asked:
        return []
    return [f"only {counted(ranked, 'model')} ranked: a top of {asked} holds all of them"]


def _notes(
    picked: Selection, members: IntArray, second: _SecondTest, bench: Bench | None
) -> list[str]:
    notes = []
    if second.without_luck:
        notes.append(
            "these estimates say nothing of bought samples: their luck is left out of the second "
            "test"
        )
    if bench is None and len(members):
        notes.append("all measurement is taken to be done anew, as on another bench")
    values = picked.values[:, members][picked.find("model") or 0]
    if len(set(values)) < len(values):
        notes.append("models with the same figure are put in order by name")
    return notes
