"""Many comparisons at once: all pairs, each model against one, each against the best."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal, NamedTuple

import numpy as np
import pandas as pd

from fanstats._arguments import fraction
from fanstats._typing import BoolArray, FloatArray, IntArray, Scope
from fanstats.decisions.chances import Chances, model_chances
from fanstats.decisions.compare import apart, beyond_words
from fanstats.decisions.decision import Decision, facts_of
from fanstats.decisions.families_words import family_words
from fanstats.decisions.groups import group_letters, largest_groups
from fanstats.decisions.order import not_covered, pair_variances, quasi_variances
from fanstats.decisions.said import shortened, too_close_words
from fanstats.decisions.selection import Best, Selection, select
from fanstats.decisions.simultaneous import Side, against_best, against_one, all_pairs
from fanstats.errors import FanstatsError, one_of
from fanstats.wording import PAIR_WORDS

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["Family", "compare_all_pairs", "compare_with_best", "compare_with_one"]

_COLUMNS: Final = (
    *("model", "against", "difference", "low", "high", "ratio", "ratio_low", "ratio_high"),
    *("p_adjusted", "p_error", "chance", "verdict", "too_close"),
)
Kind = Literal["all pairs", "against one", "against the best"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Family(Decision):
    """Comparisons that are right together, with the given probability.

    Attributes
    ----------
    table : DataFrame
        One row a comparison, the better models first: `model`, `against`, `difference` (model minus
        the other), `low`, `high` (NaN where an end is not covered by data), `ratio`, `ratio_low`,
        `ratio_high` (NaN unless models are compared as ratios), `p_adjusted` (level at which the
        comparison just counts, all others taken into account), `p_error` (its Monte Carlo standard
        error), `chance` (that the row's model is ahead of the other, against the best that it is
        the best), `verdict`: of the row's model, "ahead", "behind" or "open"; against the best "the
        best", "not the best" or "may be the best"; and `too_close` (whether other draws could turn
        the verdict).
    kind : {"all pairs", "against one", "against the best"}
        Which family.
    models : tuple of str
        Judged together, the best first.
    reference : str or None
        The one that all were held against.
    multiplier : float
        What standard uncertainties of differences were multiplied by; the largest one where each
        model has its own.
    groups : tuple of tuple of str
        Largest sets of models of which no two can be told apart (all pairs only).
    label : {"chance", "confidence"}
        What `chance` is: a hit rate, or a flat view of the true values.
    left_out : dict
        Models without an estimate, and why.
    """

    kind: Kind
    models: tuple[str, ...]
    reference: str | None
    multiplier: float
    groups: tuple[tuple[str, ...], ...]
    label: str
    left_out: dict[str, str]

    def letters(self) -> pd.DataFrame:
        """Give letters for a table: two models share one exactly when they cannot be told apart.

        To share a letter is no proof of being alike: "cannot be told apart" is not transitive, and
        with more samples the two may come apart. `equivalent` asks whether a gap is small.

        Returns
        -------
        DataFrame
            `model` and `group`, the best model first.

        Raises
        ------
        FanstatsError
            If not all pairs were compared.
        """
        if self.kind != "all pairs":
            msg = f"Letters need all pairs; these are comparisons {self.kind}."
            raise FanstatsError(msg)
        places = {name: place for place, name in enumerate(self.models)}
        groups = [tuple(places[name] for name in group) for group in self.groups]
        return pd.DataFrame(
            {"model": self.models, "group": group_letters(groups, len(self.models))}
        )

    def sentence(self) -> str:
        """Say it in words that can stand under a chart.

        Returns
        -------
        str
        """
        place = f" {self.where}" if self.where else ""
        about = PAIR_WORDS.get(self.scope, self.scope)
        head = f"By {self.quantity}{place}, for {about}: {family_words(self)}"
        left = [f"{name} ({reason})" for name, reason in self.left_out.items()]
        parts = [head, f"Left out: {shortened(left)}." if left else "", *self._rests_on()]
        return " ".join(part for part in parts if part)


class _Chart(NamedTuple):
    """Models of one scope on the scale they are compared on, the best first."""

    picked: Selection
    place: int
    better: Best
    sign: float
    members: IntArray
    values: FloatArray
    draws: FloatArray
    missing: BoolArray
    chances: Chances

    def name(self, row: int) -> str:
        return self.picked.models[int(self.members[row])]

    def gap(self, row: int, other: int, low: float, high: float) -> dict[str, float]:
        """Difference and ratio of two models with limits, in units of the quantity."""
        picked = self.picked
        value, second = picked.values[self.place, self.members[[row, other]]]
        ends = (low, high) if self.sign > 0 else (-high, -low)
        if not picked.ratio:
            found = {"difference": value - second, "low": ends[0], "high": ends[1]}
            return {**found, "ratio": math.nan, "ratio_low": math.nan, "ratio_high": math.nan}
        # Limits of the ratio, and of the difference as `compare` has them.
        ratios, middle = tuple(math.exp(end) for end in ends), math.sqrt(value * second)
        return {
            "difference": value - second,
            "low": -math.inf if ratios[0] == 0 else middle * apart(ratios[0]),
            "high": middle * apart(ratios[1]),
            "ratio": value / second,
            "ratio_low": ratios[0],
            "ratio_high": ratios[1],
        }


def _chart(
    estimates: xr.Dataset | xr.DataArray,
    quantity: str | None,
    obstruction: str | None,
    scope: Scope,
    best: Best | None,
    probability: float,
) -> _Chart:
    fraction("probability", probability)
    picked = select(estimates, quantity, obstruction)
    better, place = picked.better(best), picked.scope(scope)
    sign = -1.0 if better == "low" else 1.0
    members = np.flatnonzero(picked.estimable[place])
    values = sign * picked.judged(place, members)[0]
    # Ties by name, so that the order of the estimates plays no part.
    order = sorted(range(len(members)), key=lambda k: (-values[k], picked.models[members[k]]))
    members = members[np.array(order, dtype=np.intp)]
    values, draws = picked.judged(place, members)
    values, draws = sign * values, np.multiply(sign, draws, out=draws)
    return _Chart(
        picked,
        place,
        better,
        sign,
        members,
        values,
        draws,
        not_covered(*picked.uncovered(place, members, probability, sign)),
        model_chances(
            picked, place, members, sign, values, draws.copy(),
            quasi_variances(pair_variances(draws)),
        ),
    )  # fmt: skip


def _family(
    chart: _Chart,
    rows: list[dict[str, Any]],
    *,
    kind: Kind,
    probability: float,
    multiplier: float,
    reference: str | None = None,
    groups: tuple[tuple[str, ...], ...] = (),
) -> Family:
    picked, place = chart.picked, chart.place
    return Family(
        table=pd.DataFrame(rows, columns=list(_COLUMNS)),
        units=picked.difference_units,
        best=chart.better,
        probability=probability,
        kind=kind,
        models=tuple(chart.name(row) for row in range(len(chart.members))),
        reference=reference,
        multiplier=multiplier,
        groups=groups,
        label=chart.chances.label,
        left_out={
            name: picked.reason(place, k)
            for k, name in enumerate(picked.models)
            if not picked.estimable[place, k]
        },
        **facts_of(picked, place, chart.members, _remarks(chart, rows, probability)),
    )


def _remarks(chart: _Chart, rows: list[dict[str, Any]], probability: float) -> list[str]:
    picked, remarks = chart.picked, []
    for member in chart.members:
        remarks += beyond_words(picked, chart.place, int(member), probability)
    close = [(row["model"], row["against"]) for row in rows if row["too_close"]]
    remarks += too_close_words(close, picked.draws.shape[-1])
    if len(rows) and not chart.missing.any() and any(math.isnan(row["p_adjusted"]) for row in rows):
        remarks.append("no uncertainty between two of the models: nothing to judge those by")
    missing = [name for name in picked.listed("models") if name not in picked.models]
    if missing:
        remarks.append(
            f"judged without {shortened(missing)} of the same chart: right only if these models "
            "were of interest before anybody looked"
        )
    return remarks


def compare_all_pairs(
    estimates: xr.Dataset | xr.DataArray,
    *,
    quantity: str | None = None,
    obstruction: str | None = None,
    scope: Scope = "model",
    best: Best | None = None,
    probability: float = 0.95,
) -> Family:
    """Compare every two models of a chart, so that no pair is wrongly called different.

    Parameters
    ----------
    estimates : Dataset or DataArray
        What `equal_noise` and its sisters return, or any array over `model` and `draw`.
    quantity, obstruction : str, optional
        Which; may be left out where there is only one.
    scope : {"tested unit", "model", "next unit"}
        Which true values are compared.
    best : {"high", "low"}, optional
        Which way is better; follows from the quantity where that is known.
    probability : float
        That all verdicts are right together.

    Returns
    -------
    Family
        Every pair has the verdict that `compare` gives it with ``chosen="from the chart"``.

    Raises
    ------
    FanstatsError
        If the quantity or obstruction is not there or not said, or nothing says which way is
        better.

    Examples
    --------
    >>> import fanstats as fs
    >>> estimates = fs.equal_noise(fs.demo.readings(), 33, bench=fs.demo.bench(), draws=500, rng=1)
    >>> found = compare_all_pairs(estimates, quantity="airflow", obstruction="open")
    >>> len(found.table)
    36
    """
    chart = _chart(estimates, quantity, obstruction, scope, best, probability)
    count = len(chart.members)
    if count < 2:
        return _family(
            chart, [], kind="all pairs", probability=probability, multiplier=math.nan,
            groups=tuple((chart.name(k),) for k in range(count)),
        )  # fmt: skip
    found = all_pairs(chart.values, chart.draws, probability, chart.missing)
    chances = _certain_left_out(chart.chances.pairs, found.reach)
    rows = [
        {
            "model": chart.name(row),
            "against": chart.name(other),
            **chart.gap(row, other, found.lower[row, other], -found.lower[other, row]),
            "p_adjusted": float(found.p_adjusted[row, other]),
            "p_error": float(found.p_error[row, other]),
            "chance": float(chances[row, other]),
            "verdict": _verdict(found.lower[row, other], -found.lower[other, row]),
            "too_close": bool(found.too_close[row, other]),
        }
        for row in range(count)
        for other in range(row + 1, count)
    ]
    apart = found.lower > 0
    groups = largest_groups(~(apart | apart.T))
    return _family(
        chart, rows, kind="all pairs", probability=probability, multiplier=found.multiplier,
        groups=tuple(tuple(chart.name(k) for k in group) for group in groups),
    )  # fmt: skip


def _certain_left_out(pairs: FloatArray, reach: FloatArray) -> FloatArray:
    """Take away chances of pairs without any uncertainty: nothing to judge by."""
    return np.where(reach > 0, pairs, np.nan)


def _verdict(low: float, high: float) -> str:
    return "ahead" if low > 0 else "behind" if high < 0 else "open"


def compare_with_one(
    estimates: xr.Dataset | xr.DataArray,
    reference: str,
    *,
    quantity: str | None = None,
    obstruction: str | None = None,
    scope: Scope = "model",
    best: Best | None = None,
    probability: float = 0.95,
    side: Side = "both",
) -> Family:
    """Compare every model of a chart with one of them that was named beforehand.

    The reference must be one that you had in mind before you saw the chart. Held against the model
    that came out on top, or against any other picked off the chart, the verdicts are not right
    together: `compare_all_pairs` and `compare_with_best` are for that.

    Parameters
    ----------
    estimates, quantity, obstruction, scope, best
        As in `compare_all_pairs`.
    reference : str
        The model that all others are held against, such as the fan that is in use now; named
        before anybody looked, never for its place in this chart.
    probability : float
        That all verdicts are right together.
    side : {"both", "ahead", "behind"}
        What is of interest: either, only who is ahead of the reference, or only who is behind it.
        One side alone is called with smaller gaps.

    Returns
    -------
    Family

    Raises
    ------
    FanstatsError
        As in `compare_all_pairs`; or if the reference has no estimate.

    Notes
    -----
    Fewer comparisons than all pairs, so smaller gaps count; but only if the reference was not
    picked because of where it stands in this chart.

    References
    ----------
    Dunnett, C. W. (1955), Journal of the American Statistical Association 50, 1096-1121.

    Examples
    --------
    >>> import fanstats as fs
    >>> estimates = fs.equal_noise(fs.demo.readings(), 33, bench=fs.demo.bench(), draws=500, rng=1)
    >>> in_use = "Wexcombe Pale"  # known before the test
    >>> found = compare_with_one(estimates, in_use, quantity="airflow", obstruction="open")
    >>> found.table.set_index("model")["verdict"]["Varnost Lull"]
    'ahead'
    """
    one_of("side", side, ("both", "ahead", "behind"))
    chart = _chart(estimates, quantity, obstruction, scope, best, probability)
    wanted = chart.picked.model("reference", reference)
    if wanted not in chart.members:
        reason = chart.picked.reason(chart.place, wanted)
        msg = f"`reference` must be a model with an estimate; {reference!r}: {reason}."
        raise FanstatsError(msg)
    held = int(np.flatnonzero(chart.members == wanted)[0])
    if len(chart.members) < 2:
        return _family(
            chart, [], kind="against one", probability=probability, multiplier=math.nan,
            reference=reference,
        )  # fmt: skip
    found = against_one(chart.values, chart.draws, held, probability, side, chart.missing)
    rows = [
        {
            "model": chart.name(row),
            "against": reference,
            **chart.gap(row, held, found.low[row], found.high[row]),
            "p_adjusted": float(found.p_adjusted[row]),
            "p_error": float(found.p_error[row]),
            "chance": float(chart.chances.pairs[row, held]),
            "verdict": _verdict(found.low[row], found.high[row]),
            "too_close": bool(found.too_close[row]),
        }
        for row in range(len(chart.members))
        if row != held
    ]
    return _family(
        chart, rows, kind="against one", probability=probability, multiplier=found.multiplier,
        reference=reference,
    )  # fmt: skip


def compare_with_best(
    estimates: xr.Dataset | xr.DataArray,
    *,
    quantity: str | None = None,
    obstruction: str | None = None,
    scope: Scope = "model",
    best: Best | None = None,
    probability: float = 0.95,
) -> Family:
    """Say which models may be the best, which are not, and by how much at most.

    Parameters
    ----------
    estimates, quantity, obstruction, scope, best
        As in `compare_all_pairs`.
    probability : float
        That all limits hold at once.

    Returns
    -------
    Family
        `difference` is that to the best estimate of the others; `low` and `high` bound the true
        difference to the best of the others and always hold 0 between them: a high of 0 (for
        quantities of which less is better, a low of 0) says "not the best".

    Raises
    ------
    FanstatsError
        As in `compare_all_pairs`.

    References
    ----------
    Hsu, J. C. (1984), Annals of Statistics 12, 1136-1144.

    Examples
    --------
    >>> import fanstats as fs
    >>> estimates = fs.equal_noise(fs.demo.readings(), 33, bench=fs.demo.bench(), draws=500, rng=1)
    >>> found = compare_with_best(estimates, quantity="airflow", obstruction="open")
    >>> found.table.set_index("model")["verdict"][["Varnost Lull", "Wexcombe Pale"]].to_list()
    ['may be the best', 'not the best']
    """
    chart = _chart(estimates, quantity, obstruction, scope, best, probability)
    count = len(chart.members)
    kind: Kind = "against the best"
    if count < 2:
        return _family(chart, [], kind=kind, probability=probability, multiplier=math.nan)
    found = against_best(chart.values, chart.draws, probability, chart.missing)
    rows = []
    for row in range(count):
        verdict = "may be the best"
        if found.low[row] == 0:
            verdict = "the best"
        elif found.high[row] == 0:
            verdict = "not the best"
        rows.append(
            {
                "model": chart.name(row),
                "against": "the best of the others",
                **chart.gap(row, 1 if row == 0 else 0, found.low[row], found.high[row]),
                "p_adjusted": float(found.p_not_best[row]),
                "p_error": float(found.p_error[row]),
                "chance": float(chart.chances.ranks[row, 0]),
                "verdict": verdict,
                "too_close": bool(found.too_close[row]),
            }
        )
    return _family(
        chart, rows, kind=kind, probability=probability, multiplier=float(found.multipliers.max())
    )
