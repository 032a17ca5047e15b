"""How many more samples pin the value of one model down."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from fanstats._arguments import count, fraction, number
from fanstats.decisions.decision import carried, samples_tested
from fanstats.decisions.offers import read_offers
from fanstats.decisions.order import pair_variances, quasi_variances, standard_uncertainty
from fanstats.decisions.selection import Selection, select
from fanstats.errors import FanstatsError
from fanstats.planning.claims import claim_limit
from fanstats.planning.parts import Parts, take_apart
from fanstats.planning.power import MOST_UNITS, smallest_whole
from fanstats.planning.shown import Shown, spent_words
from fanstats.wording import times_words, where

if TYPE_CHECKING:
    import xarray as xr

    from fanstats.sources import Bench

__all__ = ["ValuePlan", "plan_value"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class ValuePlan(Shown):
    """Samples of one model that pin its value down, and what they cannot do.

    Attributes
    ----------
    model, quantity, units, where : str
        Which model, what, in which unit ("%" where models are compared as ratios), under which
        conditions, in words.
    scope : str
        Always "model": the value of the typical sample.
    verdict : str
        "test"; "already enough"; "not worth it" (it takes more samples than anybody means to
        test); "cannot be reached" (no number of samples does it).
    reason : str
        Why it is not worth it; "" otherwise.
    value : float
        Its value now, in the unit of the quantity.
    n_per_model, n_total, add : int
        Samples in the end (of one model both are the same), and samples to buy for testing.
    half_width, half_width_now, half_width_then, half_width_floor : float
        Of the range, in `units`: wanted, now, with the plan, with endless samples.
    probability : float
        Of the range.
    money, hours : float
        What the plan takes; NaN where nobody stated a price, or hours.
    currency : str
        "" where nobody stated one.
    units_tested : dict of str to int
        Samples tested so far.
    assumed, not_considered : tuple of str
        What the plan rests on, and what it leaves out.
    """

    model: str
    quantity: str
    units: str
    where: str
    scope: str
    verdict: str
    reason: str
    value: float
    n_per_model: int
    n_total: int
    add: int
    half_width: float
    half_width_now: float
    half_width_then: float
    half_width_floor: float
    probability: float
    money: float
    hours: float
    currency: str
    units_tested: dict[str, int]
    assumed: tuple[str, ...]
    not_considered: tuple[str, ...]

    def sentence(self) -> str:
        """Say the plan in words.

        Returns
        -------
        str
        """
        rests = (
            samples_tested(self.units_tested),
            carried("Assumed", self.assumed),
            carried("Not considered", self.not_considered),
        )
        return " ".join([self._plan(), *filter(None, rests)])

    def _plan(self) -> str:
        place = f" {self.where}" if self.where else ""
        about = (
            f"the {self.quantity} of the typical one of {self.model}{place} to ±"
            f"{self.half_width:.3g} {self.units} ({times_words(self.probability)})"
        )
        now = f"now ±{self.half_width_now:.3g} {self.units}"
        if self.verdict == "already enough":
            return f"The samples tested pin {about}: {now}; nothing needs to be bought."
        if self.verdict == "cannot be reached":
            return (
                f"No number of samples pins {about}: what every sample shares, calibration and "
                f"errors that belong to the model, leaves ±{self.half_width_floor:.3g} "
                f"{self.units} ({now})."
            )
        takes = (
            f"{self.add} more ({self.n_total} samples in total; "
            f"{spent_words(self.money, self.currency, self.hours)})"
        )
        endless = f"{now}; with endless samples ±{self.half_width_floor:.3g} {self.units}"
        if self.verdict == "not worth it":
            return f"Not worth it: to pin {about} would take {takes}; {self.reason} ({endless})."
        return (
            f"To pin {about}, test {takes}: ±{self.half_width_then:.3g} {self.units} ({endless})."
        )

    def table(self) -> pd.DataFrame:
        """Give the half width and the cost now, with the plan and with endless samples.

        Returns
        -------
        DataFrame
            Index `state`; columns samples, half width, money, hours.
        """
        widths = [self.half_width_now, self.half_width_then, self.half_width_floor]
        return pd.DataFrame(
            {
                "samples": [self.n_total - self.add, self.n_total, math.inf],
                f"half width [{self.units}]": widths,
                "money": [0.0, self.money, math.nan],
                "hours": [0.0, self.hours, math.nan],
            },
            index=pd.Index(["now", "with the plan", "endless samples"], name="state"),
        )


def plan_value(
    estimates: xr.Dataset,
    model: str,
    *,
    half_width: float | str,
    quantity: str | None = None,
    obstruction: str | None = None,
    probability: float = 0.95,
    bench: Bench | None = None,
    prices: Mapping[str, Any] | str | None = None,
    sitting_hours: float | None = None,
    most_units: int = 40,
) -> ValuePlan:
    """Plan how many more samples pin the value of one model down.

    Parameters
    ----------
    estimates : Dataset
        What `equal_noise` and its sisters return, with the spread stated.
    model : str
        Which model.
    half_width : float or str
        Wanted half width of its range, in the unit of the quantity; or text such as ``"3 %"`` for
        quantities compared as ratios.
    quantity, obstruction : str
        As in `compare`.
    probability : float
        Coverage probability of the range.
    bench : Bench, optional
        A bench to plan for; by default the one that the estimates were made with.
        Sample luck that it does not state is that of the estimates.
    prices : mapping or JSON text, optional
        As in `plan_units`.
    sitting_hours : float, optional
        Hours at the bench that one sample takes.
    most_units : int
        Most samples that anybody means to test; a plan that takes more ends as "not worth it".

    Returns
    -------
    ValuePlan

    Raises
    ------
    FanstatsError
        If the spread is unknown, the model is missing, or a request makes no sense.

    Notes
    -----
    Errors that all models share (calibration) are told from a sample's own by comparing models;
    with fewer than two models all measuring counts as shared. A spread known from few samples is
    taken to be estimated again with the further ones.

    Examples
    --------
    >>> import fanstats as fs
    >>> from fanstats.planning.value import plan_value
    >>> estimates = fs.equal_noise(fs.demo.readings(), 33, bench=fs.demo.bench(), draws=1000, rng=1)
    >>> plan = plan_value(estimates, str(estimates.model.values[0]), half_width="5 %",
    ...                   quantity="airflow", obstruction="open", bench=fs.demo.bench())
    >>> plan.n_total == plan.n_per_model
    True
    """
    alpha = 1.0 - fraction("probability", probability)
    picked = select(estimates, quantity, obstruction)
    place = picked.model("model", model)
    parts, shared, at = _parts(picked, place, bench)
    wanted, scale, units = _wanted(picked, place, half_width)
    tested = int(parts.tested[at])
    given = tested - 1
    measuring = float(parts.measuring[at])

    def reached(n: int) -> float:
        estimated, known = float(parts.luck[at]) / n, float(parts.luck_known[at]) / n + shared
        if parts.mean_square:
            estimated += measuring / n
        else:
            known += measuring / n
        dof = max(0.0, parts.dof - given) + n - 1
        second = float(parts.luck_second[at]) / n
        return scale * float(claim_limit(estimated, known, second=second, dof=dof, alpha=alpha))

    most = max(count("most_units", most_units), tested)
    n = smallest_whole(lambda size: reached(size) <= wanted, tested)
    end = tested if n is None else n
    verdict = "already enough" if end == tested else "test" if end <= most else "not worth it"
    verdict = "cannot be reached" if n is None else verdict
    reason = ""
    if verdict == "not worth it":
        reason = (
            f"that is more than the {most} that anybody means to test (`most_units`), which give "
            f"±{reached(most):.3g} {units}"
        )
    money, hours, currency = _cost(picked, prices, model, end - tested, sitting_hours)
    return ValuePlan(
        model=model,
        quantity=picked.title,
        units=units,
        where=where(picked.attrs, picked.obstruction),
        scope="model",
        verdict=verdict,
        reason=reason,
        value=float(picked.values[picked.scope("model"), place]),
        n_per_model=end,
        n_total=end,
        add=end - tested,
        half_width=wanted,
        half_width_now=reached(tested),
        half_width_then=reached(end),
        half_width_floor=reached(MOST_UNITS),
        probability=probability,
        money=money,
        hours=hours,
        currency=currency,
        units_tested={model: round(picked.units_tested[place])},
        assumed=_assumed(parts, at, scale, units),
        not_considered=parts.not_considered,
    )


def _parts(picked: Selection, place: int, bench: Bench | None) -> tuple[Parts, float, int]:
    """Take the estimates apart, with the variance that no further sample reduces."""
    model, tested = picked.find("model"), picked.find("tested unit")
    if model is None or tested is None or not picked.estimable[[model, tested], place].all():
        return take_apart(picked, [place], bench), math.nan, 0  # which says what is missing
    both = picked.estimable[model] & picked.estimable[tested]
    members = [int(k) for k in np.flatnonzero(both)]
    at = members.index(place)
    parts = take_apart(picked, members, bench, about=[place])
    draws = picked.judged(tested, members)[1]
    whole = standard_uncertainty(draws[at]) ** 2
    if len(members) == 1:
        return _nothing_own(parts), whole, 0
    own = float(quasi_variances(pair_variances(draws))[at])
    return parts, max(0.0, whole - own) + float(parts.floor[at]), at


def _nothing_own(parts: Parts) -> Parts:
    none = np.zeros_like(parts.sitting)
    return replace(parts, sitting=none, reading=none, floor=none, days=np.zeros((1, 1)))


def _wanted(picked: Selection, place: int, half_width: float | str) -> tuple[float, float, str]:
    """Give the wish, what the scale of judging is multiplied by, and the unit of both."""
    value = float(picked.values[picked.scope("model"), place])
    if isinstance(half_width, str):
        head = half_width.strip().removesuffix("%").strip()
        try:
            share = float(head) if half_width.strip().endswith("%") else math.nan
        except ValueError:
            share = math.nan
        if not (picked.ratio and 0 < share < math.inf):
            rule = "text such as '3 %' or a number" if picked.ratio else "a number"
            msg = f"`half_width` must be {rule} in {picked.difference_units}; got {half_width!r}."
            raise FanstatsError(msg)
        return share, 100.0, "%"
    wanted = number("half_width", half_width, above=0)
    return wanted, (value if picked.ratio else 1.0), picked.difference_units


def _cost(
    picked: Selection,
    prices: Mapping[str, Any] | str | None,
    model: str,
    add: int,
    sitting_hours: float | None,
) -> tuple[float, float, str]:
    hours = math.nan
    if sitting_hours is not None:
        hours = add * number("sitting_hours", sitting_hours, at_least=0)
    if prices is None and not picked.attrs.get("prices"):
        return math.nan, hours, ""
    offers = read_offers(prices, picked.attrs)
    if model not in offers:
        if prices is None:
            return math.nan, hours, ""
        msg = f"`prices` must name {model!r}; got {', '.join(map(repr, offers))}. Add it."
        raise FanstatsError(msg)
    return offers[model].paid(add), hours, offers[model].currency


def _assumed(parts: Parts, at: int, scale: float, units: str) -> tuple[str, ...]:
    luck = scale * math.sqrt(float(parts.luck_whole[at]))
    measuring = scale * math.sqrt(float((parts.sitting + parts.reading)[at]))
    origin = "taken as known"
    if math.isfinite(parts.dof):
        origin = f"known from {parts.dof:g} degrees of freedom, estimated again"
    return (
        f"sample luck of one sample (standard deviation): {luck:.2g} {units}, {origin}",
        f"measuring one sample adds {measuring:.2g} {units}; further samples measured like those "
        "tested",
    )
