"""One, two, three fans of one model against one of another, at equal total noise."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from fanstats._arguments import count
from fanstats._typing import Scope
from fanstats.decisions.compare import compare
from fanstats.decisions.decision import Decision, facts_of
from fanstats.decisions.offers import (
    Offer,
    Prices,
    one_currency,
    read_offers,
    refuse_misspelt,
)
from fanstats.decisions.said import in_hundred
from fanstats.decisions.selection import select
from fanstats.decisions.verdict import Comparison
from fanstats.engine.draws import root_from
from fanstats.errors import FanstatsError
from fanstats.face import equal_noise
from fanstats.wording import figure

if TYPE_CHECKING:
    import xarray as xr

    from fanstats._typing import SeedLike
    from fanstats.sources import Bench

__all__ = ["SeveralAgainstOne", "several_against_one"]

# Whom the statement is about, as there may be more than two fans.
_ABOUT: Final = {
    "tested unit": "the samples tested",
    "model": "typical fans of both models",
    "next unit": "fans you would buy",
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class SeveralAgainstOne(Decision):
    """What several fans of one model move together, against one of another.

    Attributes
    ----------
    table : DataFrame
        One row a number of fans: `fans`, `airflow` (their sum), `airflow_one`, `ratio`, `low`,
        `high` (of the ratio), `chance_as_good_typical`, `chance_as_good_bought` (confidence that
        together they move at least as much air), `paid`, `paid_one`, `extra` (what the several
        cost more).
    several, one : str
        The two models.
    """

    several: str
    one: str

    def sentence(self) -> str:
        """Say it in words that can stand under a chart.

        Returns
        -------
        str
        """
        told = [row for row in self.table.to_dict("records") if math.isfinite(row["ratio"])]
        where = self.where or "at equal noise"
        head = f"Nothing can be said about {self.several} and {self.one} {where}."
        if told:
            found = "; ".join(self._line(row) for row in told)
            about = _ABOUT.get(self.scope, self.scope)
            head = f"All fans together {where}, each in its own opening, for {about}: {found}."
        return " ".join([head, *filter(None, self._rests_on())])

    def _line(self, row: Mapping[Hashable, Any]) -> str:
        share = figure(100.0 * row["ratio"], 100.0 * (row["high"] - row["low"]) / 4.0, "%")
        text = f"{row['fans']} of {self.several}: {share} of the air of one {self.one}"
        chances = [
            f"{in_hundred(row[f'chance_as_good_{name}'], self.draws)} for {about}"
            for name, about in (("typical", "typical fans"), ("bought", "fans bought"))
            if math.isfinite(row[f"chance_as_good_{name}"])
        ]
        if chances:
            text += f" (confidence that it is as much or more: {', '.join(chances)})"
        if math.isfinite(row["extra"]):
            text += f", for {row['paid']:g} against {row['paid_one']:g}"
        return text


def several_against_one(
    readings: xr.Dataset,
    level: float,
    several: str,
    one: str,
    *,
    bench: Bench,
    most: int = 4,
    prices: Prices | None = None,
    obstruction: str | None = None,
    scope: Scope = "model",
    probability: float = 0.95,
    draws: int = 10_000,
    rng: SeedLike = None,
) -> SeveralAgainstOne:
    """Hold one, two, three ... fans of one model against one of another at equal total noise.

    Parameters
    ----------
    readings : Dataset
        From `read_readings`.
    level : float
        The noise of all fans together, in the unit of the noise readings.
    several, one : str
        The model of which there may be several, and the one that stands alone.
    bench : Bench
        What is stated about the instruments and the unit-to-unit spread.
    most : int
        So many of `several` at most.
    prices : mapping or JSON text, optional
        As in `value_for_money`; those of the readings if left out. Without any, money is NaN; given
        here, they must name both models.
    obstruction : str, optional
        Which; may be left out where there is only one.
    scope : {"tested unit", "model", "next unit"}
        Which true values are meant.
    probability : float
        Coverage probability of the ranges, of this pair alone.
    draws, rng
        As in `equal_noise`.

    Returns
    -------
    SeveralAgainstOne

    Raises
    ------
    FanstatsError
        If a model is not there, or as in `equal_noise`.

    Notes
    -----
    Each fan has its own opening, and they run on one drive: n of them are 10 lg n dB quieter each.

    Examples
    --------
    >>> import fanstats as fs
    >>> found = several_against_one(
    ...     fs.demo.readings(), 36, "Wexcombe Pale", "Varnost Lull", bench=fs.demo.bench(), most=2,
    ...     prices={"Wexcombe Pale": 6.0, "Varnost Lull": 18.0}, obstruction="open", draws=500,
    ...     rng=1,
    ... )
    >>> list(found.table["fans"]), list(found.table["extra"])
    ([1, 2], [-12.0, -6.0])
    """
    count("most", most)
    if several == one:
        msg = f"`several` and `one` must be two models; both are {one!r}."
        raise FanstatsError(msg)
    offers = _offers(readings, prices, several, one)
    root, rows = root_from(rng), []
    for fans in range(1, most + 1):
        estimates = equal_noise(
            readings, level, bench=bench, draws=draws, rng=root, fans={several: fans}
        )
        picked = select(estimates, "airflow", obstruction)
        both = [picked.model("several", several), picked.model("one", one)]
        # Several fans together are no member of the chart's population: a flat view of the two.
        pair = compare(
            estimates.isel(model=both), several, one, quantity="airflow",
            obstruction=obstruction, scope=scope, probability=probability, chosen="before",
        )  # fmt: skip
        rows.append({"fans": fans, **_row(pair), **_money(offers, several, one, fans)})
    place = picked.scope(scope)
    reasons = [picked.reason(place, k) for k in both]
    facts = facts_of(picked, place, both, [reason for reason in reasons if reason])
    # Both are judged by themselves, so the population of the chart plays no part here.
    facts["notes"] = tuple(note for note in facts["notes"] if "together)" not in note)
    # What the estimates say of the last number of fans holds for all numbers.
    said = [text.replace(f"{most} of {several}", f"the fans of {several}")
            for text in facts["assumptions"]]  # fmt: skip
    facts["assumptions"] = tuple(said)
    return SeveralAgainstOne(
        table=pd.DataFrame(rows),
        several=several,
        one=one,
        units=picked.printed_units,
        best="high",
        probability=probability,
        **facts,
    )


def _row(pair: Comparison) -> dict[str, Any]:
    return {
        "airflow": pair.values[0],
        "airflow_one": pair.values[1],
        "ratio": pair.ratio.value,
        "low": pair.ratio.low,
        "high": pair.ratio.high,
        "chance_as_good_typical": pair.odds_typical.first_ahead,
        "chance_as_good_bought": pair.odds_bought.first_ahead,
    }


def _offers(
    readings: xr.Dataset, prices: Prices | None, several: str, one: str
) -> dict[str, Offer]:
    """Give what the two are sold for; empty where nothing is said of prices."""
    given = readings.attrs.get("prices") if prices is None else prices
    offers = read_offers(given, {}) if given else {}
    models = sorted({str(name) for name in np.atleast_1d(readings["model"].values)})
    refuse_misspelt(prices, offers, models)
    for name in (several, one):
        if prices is not None and name in models and name not in offers:
            msg = f"`prices` must name {name!r}; got {', '.join(map(repr, offers))}. Add it."
            raise FanstatsError(msg)
    one_currency(offers[name] for name in (several, one) if name in offers)
    return offers


def _money(offers: Mapping[str, Offer], several: str, one: str, fans: int) -> dict[str, float]:
    paid = offers[several].paid(fans) if several in offers else math.nan
    alone = offers[one].paid(1) if one in offers else math.nan
    return {"paid": paid, "paid_one": alone, "extra": paid - alone}
