"""How many more samples of two models settle a gap between them, planned from estimates."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np

from fanstats._arguments import count, fraction, number
from fanstats.decisions.compare import compare
from fanstats.decisions.offers import Offer, one_currency, read_offers
from fanstats.decisions.selection import Selection, select
from fanstats.decisions.verdict import Chosen
from fanstats.errors import FanstatsError, one_of
from fanstats.planning.effort import Costs, Effort, Scatter
from fanstats.planning.gap_plan import GapPlan
from fanstats.planning.gap_scale import GapScale
from fanstats.planning.next_units import NextUnits, plan_next
from fanstats.planning.parts import Parts, reach_of, take_apart
from fanstats.planning.settle import settle_gap
from fanstats.planning.shown import at_most_words
from fanstats.planning.units_plan import UnitsPlan
from fanstats.wording import where

if TYPE_CHECKING:
    import xarray as xr

    from fanstats.sources import Bench

__all__ = ["NextUnits", "SpreadThen", "UnitsPlan", "plan_next", "plan_units"]

SpreadThen = Literal["estimated again", "as stated"]
# A loss of chance from which it is said.
_LOST: Final = 0.005


def plan_units(
    estimates: xr.Dataset,
    first: str,
    second: str,
    *,
    gap: float | str,
    power: float = 0.8,
    prices: Mapping[str, Any] | str | None = None,
    quantity: str | None = None,
    obstruction: str | None = None,
    probability: float = 0.95,
    chosen: Chosen = "from the chart",
    bench: Bench | None = None,
    belief_sd: float | str = 0.0,
    spread_then: SpreadThen = "estimated again",
    budget: float | None = None,
    worth: float | None = None,
    bench_hours: float | None = None,
    sitting_hours: float | None = None,
    reading_hours: float | None = None,
    session_hours: float | None = None,
    hour_price: float = 0.0,
    most_units: int = 40,
    most_sittings: int = 1,
    most_repeats: int = 1,
    together: bool = True,
    equal: bool = False,
) -> UnitsPlan:
    """Plan how many more samples of two models settle a gap between them.

    Parameters
    ----------
    estimates : Dataset
        What `equal_noise` and its sisters return, with the spread stated.
    first, second : str
        The two models.
    gap : float or str
        True gap to be found, in the unit of the quantity; or text such as ``"5 %"`` for
        quantities compared as ratios.
    power : float
        Wanted chance of calling it.
    prices : mapping or JSON text, optional
        By model: the price of one sample, or a mapping with ``price``, ``pack`` and ``currency``.
        None takes what the estimates carry. Without prices the fewest samples are sought.
    quantity, obstruction : str
        As in `compare`.
    probability : float
        One minus the chance of a false lead.
    chosen : {"from the chart", "before"}
        Whether the pair was picked because of where it stands among the models present.
    bench : Bench, optional
        A bench to plan for; by default the one that the estimates were made with.
        Sample luck that it does not state is that of the estimates.
    belief_sd : float or str
        Standard deviation of what is believed about the true gap, as `gap` is stated; the power is
        then averaged over it (assurance).
    spread_then : {"estimated again", "as stated"}
        A spread known from few samples: whether it will be estimated again with the further ones
        (`unit_spread`), each adding a degree of freedom, or stays as stated now.
    budget, bench_hours : float, optional
        The most that may be spent, in the prices' currency and at the bench.
    worth : float, optional
        What settling the gap is worth; a plan that costs more ends as "publish as a tie".
    sitting_hours, reading_hours, session_hours : float, optional
        Hours that mounting a sample, one round of readings, starting a session take.
    hour_price : float
        What an hour at the bench costs.
    most_units, most_sittings, most_repeats : int
        Most samples of one model, sittings of one sample, readings in one sitting.
    together : bool
        Whether every session holds both models, so that what a session shares cancels.
    equal : bool
        Whether both models must get the same number.

    Returns
    -------
    UnitsPlan

    Raises
    ------
    FanstatsError
        If the spread is unknown, a model is missing, or a request makes no sense.

    Notes
    -----
    Each further sample is taken to be measured like those tested, once each so far. The power
    is that of `compare`: with a spread known from few samples its limits mix Student's t of that
    spread with what is known about the measuring. Errors that all models share leave the
    difference. Luck that runs past the steps read leaves a gap open; how often is reckoned from
    the draws that do so now. For a pair picked from a chart the limits are those of models tested
    all alike.

    References
    ----------
    O'Hagan, Stevens and Campbell (2005), Pharmaceutical Statistics 4, 187-201 (assurance).

    Examples
    --------
    >>> import fanstats as fs
    >>> from fanstats.planning.plan import plan_units
    >>> estimates = fs.equal_noise(fs.demo.readings(), 33, bench=fs.demo.bench(), draws=1000, rng=1)
    >>> names = [str(name) for name in estimates.model.values[:2]]
    >>> plan = plan_units(estimates, *names, gap="10 %", quantity="airflow",
    ...                   obstruction=str(estimates.obstruction.values[0]))
    >>> plan.n_total == sum(plan.n_per_model)
    True
    >>> list(plan.curve())[:4]
    ['n_total', 'n_first', 'n_second', 'add_first']
    """
    one_of("chosen", chosen, ("from the chart", "before"))
    one_of("spread_then", spread_then, ("estimated again", "as stated"))
    alpha = 1.0 - fraction("probability", probability)
    picked = select(estimates, quantity, obstruction)
    pair = [picked.model("first", first), picked.model("second", second)]
    if first == second:
        msg = f"`second` must be another model than `first`; got {second!r} twice."
        raise FanstatsError(msg)
    parts = take_apart(picked, pair, bench)
    scale = GapScale(picked, pair)
    offers = _offers(picked, prices, first, second)
    tested = (int(parts.tested[0]), int(parts.tested[1]))
    among = 2 if chosen == "before" else int(picked.estimable[picked.scope("model")].sum())
    reach = reach_of(picked, pair, parts, scale.sign)
    if reach is not None:  # then it is reckoned with
        parts = replace(parts, not_considered=parts.beside_the_ends)
    plan = settle_gap(
        scale.judged("gap", gap),
        replace(_scatter(parts, spread_then), reach=reach),
        costs=replace(
            _costs(offers, first, second),
            sitting_hours=sitting_hours,
            reading_hours=reading_hours,
            session_hours=session_hours,
            hour_price=hour_price,
        ),
        effort=Effort(
            together=together,
            tested=tested,
            most_units=max(count("most_units", most_units), *tested),
            most_sittings=most_sittings,
            most_repeats=most_repeats,
            equal=equal,
        ),
        power=power,
        alpha=alpha,
        models=among,
        belief_sd=_belief(scale, belief_sd),
        measured=float(parts.values[0] - parts.values[1]),
        budget=budget,
        bench_hours=bench_hours,
        worth=worth,
    )
    assumed = _assumed(parts, scale, plan, probability, among, spread_then, together, belief_sd)
    judged = compare(
        estimates, first, second, quantity=quantity, obstruction=obstruction,
        probability=probability, chosen=chosen, best=picked.way(None) or "high",
    )  # fmt: skip
    counts_now = judged.critical_difference[0 if scale.sign > 0 else 1]
    return _named(plan, picked, pair, parts, scale, offers, assumed, counts_now, probability)


def _belief(scale: GapScale, belief_sd: float | str) -> float:
    if isinstance(belief_sd, str):
        return scale.judged("belief_sd", belief_sd)
    found = number("belief_sd", belief_sd, at_least=0)
    return scale.judged("belief_sd", found) if found else 0.0


def _scatter(parts: Parts, spread_then: SpreadThen) -> Scatter:
    unit, second, known = (
        (math.sqrt(luck[0]), math.sqrt(luck[1]))
        for luck in (parts.luck, parts.luck_second, parts.luck_known)
    )
    grows = spread_then == "estimated again"
    # What these two models already give to an estimated spread comes with their units.
    given = float((parts.tested - 1).sum()) if grows else 0.0
    session = np.sqrt(parts.session)
    return Scatter(
        unit=unit,
        unit_second=second,
        unit_known=known,
        unit_dof=max(0.0, parts.dof - given),
        dof_grows=grows,
        mean_square=parts.mean_square,
        sitting=_of_both(parts.sitting, parts),
        reading=_of_both(parts.reading, parts),
        session=(float(session[0]), float(session[1])),
        days=(float(parts.days[0, 0]), float(parts.days[1, 1]), float(parts.days[0, 1])),
        model=math.sqrt(float(parts.floor.mean())),
    )


def _of_both(one_unit: np.ndarray, parts: Parts) -> float:
    """One standard deviation for both models, right for the difference as it stands."""
    weights = 1.0 / parts.tested
    return math.sqrt(float(one_unit @ weights / weights.sum()))


def _offers(
    picked: Selection, prices: Mapping[str, Any] | str | None, first: str, second: str
) -> dict[str, Offer]:
    """Give the offers of both models; none where nobody states any."""
    if prices is None and not picked.attrs.get("prices"):
        return {}
    offers = read_offers(prices, picked.attrs)
    missing = [name for name in (first, second) if name not in offers]
    if prices is None and missing:
        return {}
    for name in missing:
        listed = ", ".join(map(repr, offers))
        msg = f"`prices` must name {name!r}; got {listed}. Add it."
        raise FanstatsError(msg)
    return {name: offers[name] for name in (first, second)}


def _costs(offers: Mapping[str, Offer], first: str, second: str) -> Costs:
    if not offers:
        return Costs()
    one_currency(offers.values())
    return Costs(
        price_first=offers[first].price,
        price_second=offers[second].price,
        pack_first=offers[first].pack,
        pack_second=offers[second].pack,
        currency=offers[first].currency or offers[second].currency,
    )


def _assumed(
    parts: Parts,
    scale: GapScale,
    plan: GapPlan,
    probability: float,
    among: int,
    spread_then: SpreadThen,
    together: bool,
    belief_sd: float | str,
) -> tuple[str, ...]:
    spreads = [scale.spread_words(math.sqrt(v)) for v in parts.luck_whole]
    origin = "taken as known"
    if math.isfinite(parts.dof):
        then = "estimated again with the further samples"
        then = then if spread_then == "estimated again" else "not estimated again"
        origin = f"known from {parts.dof:g} degrees of freedom, {then}"
    measuring = [scale.spread_words(math.sqrt(v)) for v in parts.sitting + parts.reading]
    notes = [
        f"sample luck of one sample (standard deviation): {_both(spreads)}, {origin}",
        f"measuring one sample adds {_both(measuring)}; further samples measured like those tested",
        f"a false lead at most {round(100 * (1 - probability), 3):g} times in 100"
        + (f", the pair picked from a chart of {among} models" if among > 2 else ""),
    ]
    if together:
        notes.append("both models in every session")
    else:
        notes.append("sessions of one model only")
    if plan.power_lost >= _LOST:
        notes.append(
            f"the chance is {100 * plan.power_lost:.0f} in 100 lower because sample luck may run "
            "past the steps read, where nothing counts: read further steps"
        )
    if belief_sd:
        size = belief_sd if isinstance(belief_sd, str) else f"{belief_sd:g} {scale.units}"
        notes.append(
            f"chances averaged over a true gap of {scale.printed(plan.gap):.3g} {scale.units} "
            f"give or take {size}"
        )
    return tuple(notes)


def _both(words: list[str]) -> str:
    return " and ".join(dict.fromkeys(words))


def _named(
    plan: GapPlan,
    picked: Selection,
    pair: list[int],
    parts: Parts,
    scale: GapScale,
    offers: Mapping[str, Offer],
    assumed: tuple[str, ...],
    counts_now: float,
    probability: float,
) -> UnitsPlan:
    first, second = (picked.models[place] for place in pair)
    values = picked.values[picked.scope("model"), pair]
    add = {first: plan.add_first, second: plan.add_second}
    floor = scale.printed(plan.counts_floor)
    reason = plan.reason
    if plan.verdict == "cannot be settled" and plan.power_at_most < plan.power_wanted:
        reason = (
            "errors that belong to a model, which nothing bought reduces, let no gap below "
            f"{floor:.3g} {scale.units} count and find this one with a chance "
            f"{at_most_words(plan.power_at_most)}"
        )
    within = plan.within_means
    # What is read off lopsided draws may undercut what is reckoned alike either way.
    then = scale.printed(plan.counts_then) if sum(add.values()) else counts_now
    return UnitsPlan(
        first=first,
        second=second,
        quantity=picked.title,
        units=scale.units,
        where=where(picked.attrs, picked.obstruction),
        scope="model",
        verdict=plan.verdict,
        reason=reason,
        gap=scale.printed(plan.gap),
        gap_now=float(values[0] - values[1]),
        gap_percent=scale.percent(plan.gap),
        n_per_model=plan.n_per_model,
        n_total=plan.n_total,
        add=add,
        packs={name: offers[name].packs(n) if offers else n for name, n in add.items()},
        sittings=plan.sittings,
        repeats=plan.repeats,
        power=plan.power,
        power_now=plan.power_now,
        power_repeats_only=plan.power_repeats_only,
        power_at_most=plan.power_at_most,
        power_lost=plan.power_lost,
        power_continuing=plan.power_continuing,
        counts_now=counts_now,
        counts_then=min(then, counts_now),
        counts_repeats_only=min(scale.printed(plan.counts_repeats_only), counts_now),
        counts_floor=min(floor, counts_now),
        money=plan.money,
        hours=plan.hours,
        currency=plan.currency,
        within_means=None if within is None else dict(zip((first, second), within, strict=True)),
        power_within_means=plan.power_within_means,
        probability=probability,
        power_wanted=plan.power_wanted,
        units_tested={
            name: round(picked.units_tested[place])
            for name, place in zip((first, second), pair, strict=True)
        },
        design=plan,
        assumed=assumed,
        assumptions=picked.listed("assumptions"),
        not_considered=parts.not_considered,
        _smallest=tuple(min(scale.printed(gap), counts_now) for gap in plan.curve["smallest_gap"]),
    )
