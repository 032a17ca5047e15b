"""How much of the order of a mix is a matter of the weights."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from fanstats._arguments import number
from fanstats._typing import BoolArray, FloatArray, IntArray, Scope
from fanstats.decisions.decision import Decision, facts_of
from fanstats.decisions.mixed import Criterion, Weights, criteria_of, mixed_estimates
from fanstats.decisions.rank import rank
from fanstats.decisions.said import counted, in_hundred, shortened
from fanstats.decisions.selection import Best, Selection, select
from fanstats.engine.draws import LabelledDraws
from fanstats.formatting import percentage
from fanstats.wording import SCOPE_WORDS

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["WeightDependence", "weight_dependence"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class WeightDependence(Decision):
    """What of an order stays the same under other weights.

    Attributes
    ----------
    table : DataFrame
        One row a model, in the order that the given weights make, those without an estimate last:
        `model`, `place`, `value`, `chance_best` (at the given weights, with all uncertainty),
        `share_first` (of the weightings tried, by the estimates alone), `place_low`, `place_high`
        (over the weightings tried), `units_tested`, `status`.
    pairs : DataFrame
        One row a pair: `ahead`, `behind` (by the given weights), `chance` (that this order is
        right, at the given weights), `share` (of the weightings tried that keep it), `holds`
        (whether all weightings within the factor keep it: exact, not tried).
    factor : float
        Every weight may be off by so much either way; infinite: any weights at all.
    label : {"chance", "confidence"}
        What the probabilities are.
    """

    pairs: pd.DataFrame
    factor: float
    label: str

    def sentence(self) -> str:
        """Say it in words that can stand under a chart.

        Returns
        -------
        str
        """
        place = f" {self.where}" if self.where else ""
        about = SCOPE_WORDS.get(self.scope, self.scope)
        ranked = self.table[self.table["place"].notna()]
        if ranked.empty:
            return f"No model can be ranked on this mix{place} for {about}.{self._left_out()}"
        first = ranked.iloc[0]
        far = "any weights" if math.isinf(self.factor) else f"weights off by up to {self.factor:g}"
        far += "" if math.isinf(self.factor) else " times either way"
        text = (
            f"On the weighted mix{place}, for {about}, {first['model']} stands first: "
            f"{in_hundred(first['chance_best'], self.draws)} that it is best at these weights "
            f"({self.label}). With {far} it stays first by the estimates in "
            f"{percentage(first['share_first'], self.draws)} of the weightings tried."
        )
        left = self._left_out().strip()
        return " ".join(part for part in (text, self._pairs(), left, *self._rests_on()) if part)

    def _left_out(self) -> str:
        lost = self.table[self.table["place"].isna()]
        named = [f"{row['model']} ({row['status']})" for row in lost.to_dict("records")]
        return f" Without a place: {shortened(named)}." if named else ""

    def _pairs(self) -> str:
        if self.pairs.empty:
            return ""
        held = int(self.pairs["holds"].sum())
        whatever = "whatever the weights are" if math.isinf(self.factor) else "throughout"
        count = len(self.pairs)
        text = f"{held} of {counted(count, 'pair')} {'keep' if count > 1 else 'keeps'} "
        text += f"{'their' if count > 1 else 'its'} order {whatever}"
        turning = self.pairs[~self.pairs["holds"]].sort_values("share", kind="stable")
        if turning.empty:
            return f"{text}: the order is no matter of such weights."
        named = [f"{row['ahead']} / {row['behind']}" for row in turning.to_dict("records")]
        return f"{text}; of the rest, the weights decide, most of all: {shortened(named, 3)}."


def weight_dependence(
    estimates: xr.Dataset,
    weights: Weights,
    *,
    quantity: str | None = None,
    exchange: Mapping[str, float] | None = None,
    factor: float = 2.0,
    scope: Scope = "model",
) -> WeightDependence:
    """Say how much of the order on a mix depends on the weights.

    Parameters
    ----------
    estimates, weights, quantity, exchange
        As in `mix`.
    factor : float
        How far the weights may be off: each lies between itself divided by and times this. Infinite
        tries all weights there are.
    scope : {"tested unit", "model", "next unit"}
        Which true values are ranked.

    Returns
    -------
    WeightDependence

    Raises
    ------
    FanstatsError
        As in `mix`, or if `factor` is not above 1.

    Notes
    -----
    A mix is linear in its weights, so whether two models can change places is decided at the
    corners of the box of weights, without trying any. Shares are of as many weightings as there
    are draws, log-uniform within the factor; for an infinite one uniform over all weights that add
    up to 1.

    Examples
    --------
    >>> import fanstats as fs
    >>> estimates = fs.equal_noise(fs.demo.readings(), 33, bench=fs.demo.bench(), draws=200, rng=1)
    >>> found = weight_dependence(estimates, {"open": 1, "dust pad": 1}, quantity="airflow")
    >>> found.table["model"].iloc[0]
    'Varnost Lull'
    """
    number("factor", factor, above=1.0, infinite=True)
    criteria = criteria_of(estimates, weights, quantity, exchange)
    mixed = mixed_estimates(estimates, weights, quantity=quantity, exchange=exchange)
    picked = select(mixed, None, None)
    better = picked.better(_best(mixed))
    ranking = rank(mixed, scope=scope, best=better)
    place = picked.scope(scope)
    names = list(ranking.ranked)
    members = np.array([picked.models.index(name) for name in names], dtype=np.intp)
    sign = -1.0 if better == "low" else 1.0
    parts = sign * np.stack([one.worth * one.picked.values[place, members] for one in criteria])
    tried = _tried(picked, criteria, factor)
    shares = _shares(parts, tried)
    lost = [math.nan] * (len(ranking.table) - len(names))
    table = ranking.table[["model", "place", "value", "chance_best"]].copy()
    table["share_first"] = [*shares.first, *lost]
    for column, found in (("place_low", shares.low), ("place_high", shares.high)):
        table[column] = pd.Series([*found, *[pd.NA] * len(lost)], dtype="Int64")
    table[["units_tested", "status"]] = ranking.table[["units_tested", "status"]]
    return WeightDependence(
        table=table,
        pairs=_pairs(names, ranking.pair_chances, parts, criteria, factor, shares.ahead),
        units=picked.printed_units,
        best=better,
        probability=ranking.probability,
        factor=float(factor),
        label=ranking.label,
        **facts_of(picked, place, members, ranking.notes),
    )


def _best(mixed: xr.Dataset) -> Best | None:
    said = next(
        str(array.attrs["best"]) for array in mixed.data_vars.values() if "best" in array.attrs
    )
    return "high" if said == "high" else "low" if said == "low" else None


def _tried(picked: Selection, criteria: list[Criterion], factor: float) -> FloatArray:
    """Weightings to try, shape (criteria, draws)."""
    root = picked.root or ""
    source = LabelledDraws(int(root) if root.isdecimal() else 0, picked.draws.shape[-1])
    # Between -1 and 1, one stream a criterion.
    even = np.stack(
        [source.standard(("weights", one.text), "rectangular") / math.sqrt(3.0) for one in criteria]
    )
    if math.isinf(factor):
        # Exponential variables over their sum are uniform over all weights that add up to 1.
        return np.asarray(-np.log(np.clip((1.0 + even) / 2.0, 1e-300, None)), dtype=np.float64)
    given = np.array([one.weight for one in criteria])
    return np.asarray(given[:, np.newaxis] * factor**even, dtype=np.float64)


class _Shares(NamedTuple):
    first: FloatArray
    low: IntArray
    high: IntArray
    ahead: FloatArray  # (models, models): share of weightings in which the row is ahead


def _shares(parts: FloatArray, tried: FloatArray) -> _Shares:
    totals = parts.T @ tried
    count = len(totals)
    ahead = np.zeros((count, count))
    places = np.ones(totals.shape, dtype=np.intp)
    for row in range(count):
        ahead[row] = (totals[row] > totals).mean(axis=1)
        places[row] += (totals > totals[row]).sum(axis=0)
    if not count:
        none = np.zeros(0, dtype=np.intp)
        return _Shares(np.zeros(0), none, none, ahead)
    return _Shares((places == 1).mean(axis=1), places.min(axis=1), places.max(axis=1), ahead)


def _pairs(
    names: list[str],
    chances: xr.DataArray,
    parts: FloatArray,
    criteria: list[Criterion],
    factor: float,
    ahead: FloatArray,
) -> pd.DataFrame:
    holds = _holds(parts, np.array([one.weight for one in criteria]), factor)
    rows = [
        {
            "ahead": names[row],
            "behind": names[other],
            "chance": float(chances.sel(model=names[row], other=names[other])),
            "share": float(ahead[row, other]),
            "holds": bool(holds[row, other]),
        }
        for row in range(len(names))
        for other in range(row + 1, len(names))
    ]
    return pd.DataFrame(rows, columns=["ahead", "behind", "chance", "share", "holds"])


def _holds(parts: FloatArray, weights: FloatArray, factor: float) -> BoolArray:
    """Whether the row stays ahead of the column for all weights within the factor."""
    gaps = parts[:, :, np.newaxis] - parts[:, np.newaxis, :]
    if math.isinf(factor):
        return np.asarray((gaps >= 0).all(axis=0) & (gaps > 0).any(axis=0))
    scaled = weights[:, np.newaxis, np.newaxis] * gaps
    worst = np.where(gaps > 0, scaled / factor, scaled * factor).sum(axis=0)
    return np.asarray(worst > 0)
