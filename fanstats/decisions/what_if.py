"""The verdict against a spread nobody knows."""

from __future__ import annotations

import json
import math
import zlib
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
from scipy import optimize

from fanstats._arguments import fraction, number
from fanstats._typing import FloatArray
from fanstats.decisions.compare import compare_selection, pair_limits, refuse_a_part
from fanstats.decisions.explain import luck_response
from fanstats.decisions.selection import Best, Selection, select
from fanstats.decisions.verdict import Chosen, Comparison
from fanstats.errors import FanstatsError, one_of
from fanstats.estimates.draws import LabelledDraws

if TYPE_CHECKING:
    import xarray as xr

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
        bench; if nobody stated it, the column `left_out` says so and no luck of that kind is added.
    probability, chosen, best
        As in `compare`.

    Returns
    -------
    DataFrame
        One row a spread: `noise`, `airflow`, `verdict`, `who`, `difference`, `low`, `high`,
        `critical` (smallest gap that would count, for the one that leads), `odds_typical`,
        `odds_bought` (that the first is ahead), `odds_label`, `share_beyond` (of the draws that ask
        for more noise luck than the curves cover), `left_out`. ``attrs["changes_at"]`` is the noise
        spread in dB up to which the verdict stays "ahead", 0 if it never is; ``attrs["sentence"]``
        says it in words.

    Raises
    ------
    FanstatsError
        If the estimates do not say how they respond to noise luck, or an argument is not right.

    Notes
    -----
    Luck is normal. The mean of several tested samples is moved by their luck over root n.
    """
    fraction("probability", probability)
    one_of("chosen", chosen, ("from the chart", "before"))
    spreads = _spreads(noise)
    if airflow is not None:
        number("airflow", airflow, at_least=0.0, mend="It is a fraction: 0.02 for 2 %.")
    picked = select(estimates, quantity, obstruction)
    pair = picked.model("first", first), picked.model("second", second)
    if chosen == "from the chart":
        refuse_a_part(picked)
    _check_response(picked, pair)
    share, left_out = _airflow_share(picked, airflow)
    source = _source(picked)
    rows, results = [], []
    for spread in spreads:
        supposed, beyond = _suppose(picked, source, spread, share, ("model", "next unit"))
        result = compare_selection(
            supposed,
            *pair,
            scope="model",
            probability=probability,
            margin=None,
            chosen=chosen,
            best=best,
        )
        rows.append(_row(result, spread, share, float(beyond[list(pair)].max()), left_out))
        results.append(result)
    table = pd.DataFrame(rows)
    way = picked.way(best)
    turns = _changes_at(picked, source, pair, share, chosen, probability)
    table.attrs["changes_at"] = turns
    table.attrs["sentence"] = _sentence(results[0], turns, way, left_out)
    return table


def _spreads(noise: float | Iterable[float]) -> list[float]:
    given = list(noise) if isinstance(noise, Iterable) else [noise]
    if not given:
        msg = "`noise` must hold at least one spread in dB; got none."
        raise FanstatsError(msg)
    return [number("noise", float(spread), at_least=0.0) for spread in given]


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


def _airflow_share(picked: Selection, airflow: float | None) -> tuple[float, str]:
    """Give the relative airflow spread to use, and what was left out."""
    if picked.name == "temperature_rise":
        return 0.0, "temperature spread"
    if picked.name != "airflow":
        return 0.0, ""
    if airflow is not None:
        return airflow, ""
    try:
        stated: Mapping[str, Any] = json.loads(picked.attrs.get("spread", "{}"))
    except (TypeError, ValueError):
        stated = {}
    entry = stated.get("airflow")
    if isinstance(entry, Mapping) and entry.get("standard") is not None:
        return float(entry["standard"]), ""
    return 0.0, "airflow spread (nobody stated it)"


def _suppose(
    picked: Selection,
    source: LabelledDraws,
    noise: float,
    airflow: float,
    scopes: tuple[str, ...],
) -> tuple[Selection, FloatArray]:
    """Fill in the scopes that need a spread, and give the share of draws beyond the curves."""
    tested = picked.scope("tested unit")
    base = picked.draws[tested]
    counts = np.maximum(1.0, picked.units_tested)
    drawn = np.full((1 + len(scopes), *base.shape), np.nan)
    drawn[0] = base
    beyond = np.zeros(len(base))
    for model in np.flatnonzero(picked.estimable[tested]):
        name, root_n = picked.models[model], math.sqrt(counts[model])
        old, new = (
            (
                noise * source.standard((name, "noise luck", age), "normal"),
                airflow * source.standard((name, "airflow luck", age), "normal"),
            )
            for age in ("tested", "bought")
        )
        luck = {"model": old[0] / root_n, "next unit": old[0] / root_n - new[0]}
        share = {"model": -_log(old[1] / root_n), "next unit": _log(new[1]) - _log(old[1] / root_n)}
        beyond[model] = _share_beyond(picked, int(model), luck["model"])
        for row, scope in enumerate(scopes, start=1):
            change = luck_response(picked, int(model), luck[scope])
            change = change + share[scope] if airflow > 0 else change
            drawn[row, model] = (
                base[model] * np.exp(change) if picked.ratio else base[model] + change
            )
    supposed = replace(
        picked,
        scopes=("tested unit", *scopes),
        values=np.repeat(picked.values[tested][np.newaxis], 1 + len(scopes), axis=0),
        draws=drawn,
        statuses=(picked.statuses[tested],) * (1 + len(scopes)),
        shares=np.repeat(picked.shares[:, [tested]], 1 + len(scopes), axis=1),
        attrs={**picked.attrs, "spread": "{}"},
    )
    return supposed, beyond


def _source(picked: Selection) -> LabelledDraws:
    root = picked.root or ""
    number_of = int(root) if root.isdecimal() else zlib.crc32(root.encode())
    return LabelledDraws(number_of % 2**128, picked.draws.shape[-1])


def _log(share: FloatArray) -> FloatArray:
    """Logarithm of 1 + a relative deviation, which no sample takes below a twentieth."""
    return np.log(np.maximum(0.05, 1.0 + share))


def _share_beyond(picked: Selection, model: int, luck: FloatArray) -> float:
    if picked.by_luck is None:
        return math.nan
    covered = picked.luck[np.isfinite(picked.by_luck[model])]
    return float(np.mean((luck < covered.min()) | (luck > covered.max())))


def _row(
    result: Comparison, spread: float, airflow: float, beyond: float, left_out: str
) -> dict[str, Any]:
    leads = 0 if result.difference.value >= 0 else 1
    return {
        "noise": spread,
        "airflow": airflow,
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
        "left_out": left_out,
    }


def _changes_at(
    picked: Selection,
    source: LabelledDraws,
    pair: tuple[int, int],
    airflow: float,
    chosen: Chosen,
    probability: float,
) -> float:
    """Noise spread at which the gap stops counting; 0 if it never counts."""

    def beyond_zero(spread: float) -> float:
        supposed, _ = _suppose(picked, source, spread, airflow, ("model",))
        place = supposed.scope("model")
        _, low, high = pair_limits(supposed, *pair, place, chosen=chosen, probability=probability)
        return max(low, -high)

    if pair[0] == pair[1] or not beyond_zero(0.0) > 0:
        return 0.0
    upper = 0.5
    while upper < _MOST_DB and beyond_zero(upper) > 0:
        upper *= 2.0
    if beyond_zero(upper) > 0:
        return math.inf
    return float(optimize.brentq(beyond_zero, 0.0, upper, xtol=1e-3))


def _sentence(result: Comparison, turns: float, way: Best | None, left_out: str) -> str:
    gap = result.difference.value
    ahead = result.first if (gap >= 0) != (way == "low") else result.second
    if turns == 0:
        text = "Measurement alone could explain the gap: it is not settled for any spread."
    elif math.isinf(turns):
        text = f"{ahead} is ahead for every spread of noise up to {_MOST_DB:g} dB."
    else:
        text = (
            f"{ahead} is ahead as long as samples of one model differ by less than {turns:.2g} dB "
            "at the same speed (standard deviation)."
        )
    return f"{text} Left out: {left_out}." if left_out else text
