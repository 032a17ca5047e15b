"""The cheapest plan for a gap: against brute force, by simulation, and what it refuses."""

from __future__ import annotations

import itertools
import math
from pathlib import Path

import numpy as np
import pytest
from scipy import optimize, stats

from fanstats.errors import FanstatsError
from fanstats.planning.effort import Costs, Design, Effort, Scatter, cost_of, variance_parts
from fanstats.planning.gap_plan import GapPlan
from fanstats.planning.power import critical_value, power_continuing
from fanstats.planning.samples import units_for_gap
from fanstats.planning.settle import settle_gap

KNOWN = math.inf
CHEAP = Costs(price_first=20.0, price_second=20.0)
FRESH = Effort(together=True, tested=(0, 0), most_sittings=1, most_repeats=1, equal=True)


def simulated_variance(
    design: Design, scatter: Scatter, effort: Effort, trials: int = 20_000, *, past_shared: bool
) -> float:
    """Variance of the difference, drawn error by error, sitting by sitting."""
    rng = np.random.default_rng(12)
    sittings, repeats = design.sittings, design.repeats
    past, rounds = rng.normal(size=(2, trials)), rng.normal(size=(2, trials, sittings))
    if past_shared:
        past[1] = past[0]
    if effort.together:
        rounds[1] = rounds[0]
    past, rounds = past * [[0.9], [0.6]], rounds * [[[0.9]], [[0.6]]]
    means = []
    for which, (n, old) in enumerate(zip(design[:2], effort.tested, strict=True)):
        results = []
        for unit in range(int(n)):
            luck = rng.normal(0, scatter.unit, trials)
            tested = unit < old
            read = []
            for sitting in range(sittings):
                first = tested and sitting == 0
                times = effort.tested_repeats if first else repeats
                # A tested unit joins the first rounds; a new one sits in all of them.
                day = past[which] if first else rounds[which][:, sitting - tested]
                read.append(
                    day
                    + rng.normal(0, scatter.sitting, trials)
                    + rng.normal(0, scatter.reading / math.sqrt(times), trials)
                )
            results.append(luck + np.mean(read, axis=0))
        means.append(np.mean(results, axis=0) + rng.normal(0, scatter.model, trials))
    return float(np.var(means[1] - means[0]))


@pytest.mark.parametrize("past", ["as planned", "one day", "a day each"])
@pytest.mark.parametrize("together", [True, False])
@pytest.mark.parametrize(
    ("design", "tested"),
    [(Design(3, 2, 1, 2), (1, 1)), (Design(2, 4, 2, 3), (1, 1)), (Design(3, 2, 3, 1), (2, 0)),
     (Design(1, 1, 2, 2), (1, 1))],
)  # fmt: skip
def test_variance_of_a_design_equals_a_simulated_bench(
    together: bool, design: Design, tested: tuple[int, int], past: str
) -> None:
    """Units, sittings, readings, sessions and model errors add up as on a simulated bench."""
    shared = {"as planned": together, "one day": True, "a day each": False}[past]
    days = None if past == "as planned" else (0.81, 0.36, 0.54 if shared else 0.0)
    scatter = Scatter(
        unit=0.8, unit_dof=KNOWN, sitting=0.5, reading=0.4, session=(0.9, 0.6), model=0.3, days=days
    )
    effort = Effort(together=together, tested=tested, tested_repeats=2)
    found = variance_parts(design, scatter=scatter, effort=effort)
    simulated = simulated_variance(design, scatter, effort, past_shared=shared)

    # The variance of 20,000 normal draws has a relative standard error of 1 %.
    assert simulated == pytest.approx(float(found.whole), rel=0.04)


def test_one_model_twice_costs_packs_hours_and_sessions() -> None:
    """Packs are bought whole; hours are sittings, readings and sessions; old units sit again."""
    costs = Costs(
        price_first=25.0, price_second=10.0, pack_first=3, sitting_hours=0.5, reading_hours=0.1,
        session_hours=1.0, hour_price=2.0,
    )  # fmt: skip
    design = Design(5, 3, 2, 4)
    for together, sessions in ((True, 2), (False, 4)):
        money, hours = cost_of(design, costs=costs, effort=Effort(together=together, tested=(1, 2)))
        # New: 4 and 1 units twice; old: 3 units once more.
        expected = (4 * 2 + 1 * 2 + 3) * (0.5 + 0.4) + sessions

        assert hours == pytest.approx(expected)
        assert money == pytest.approx(2 * 25 + 10 + 2 * expected)


@pytest.mark.parametrize("dof", [KNOWN, 0.0, 6.0])
def test_equal_fresh_units_agree_with_the_plain_number_of_units(dof: float) -> None:
    """Without extras the plan is the textbook number of units of each model."""
    plan = settle_gap(1.2, Scatter(unit=0.8, unit_dof=dof), costs=CHEAP, effort=FRESH)
    plain = units_for_gap(1.2, 0.8, spread_dof=dof)

    assert plan.verdict == "test"
    assert plan.n_per_model == (plain.n_per_model, plain.n_per_model)
    assert plan.n_total == plain.n_total
    assert plan.power == pytest.approx(plain.reached)
    assert all(type(n) is int for n in (*plan.n_per_model, plan.n_total, plan.add_first))
    assert math.isnan(plan.power_now)


def mixed_chance(gap: float, estimated: float, known: float, dof: float, models: int) -> float:
    """Chance of a claim by plain loops: the limit solved anew for every outcome of the estimate."""
    if math.isinf(dof):
        return float(
            stats.norm.sf(critical_value(0.05, models=models) - gap / math.sqrt(estimated + known))
        )
    points = (np.arange(200) + 0.5) / 200
    scales = stats.chi2.ppf(points, dof) / dof
    table = np.linspace(0, 8, 400)
    inside = (
        2 * stats.norm.cdf(table) - 1
        if models == 2
        else stats.studentized_range.cdf(math.sqrt(2) * table, models, 1e5)
    )

    def limit(came_out: float) -> float:
        sd = np.sqrt(came_out / scales + known)
        return float(
            optimize.brentq(lambda q: np.interp(q / sd, table, inside).mean() - 0.95, 1e-3, 1e3)
        )

    limits = np.array([limit(estimated * u) for u in scales[4::8]])
    return float(stats.norm.sf((limits - gap) / math.sqrt(estimated + known)).mean())


@pytest.mark.parametrize("dof", [KNOWN, 3.0])
@pytest.mark.parametrize("models", [2, 6])
def test_the_plan_is_the_cheapest_of_all(dof: float, models: int) -> None:
    """No cheaper design within the limits reaches the power, by trying them all."""
    scatter = Scatter(unit=0.8, unit_dof=dof, sitting=0.3, reading=0.6, model=0.1)
    costs = Costs(
        price_first=30.0, price_second=12.0, pack_second=2, sitting_hours=0.5, reading_hours=0.2,
        hour_price=8.0,
    )  # fmt: skip
    effort = Effort(together=True, most_units=9, most_sittings=2, most_repeats=2)
    plan = settle_gap(2.3, scatter, costs=costs, effort=effort, models=models)
    cheapest = math.inf
    known = float(critical_value(0.05, models=models))
    for design in itertools.starmap(
        Design, itertools.product(range(1, 10), range(1, 10), range(1, 3), range(1, 3))
    ):
        money, _ = cost_of(design, costs=costs, effort=effort)
        estimated, _, fixed = variance_parts(design, scatter=scatter, effort=effort)
        error = math.sqrt(estimated + fixed)
        best_case = stats.norm.sf(known - 2.3 / error)  # what a known spread would give
        if money >= cheapest or best_case < 0.8:
            continue
        nu = dof + design.first + design.second - 2
        chance = mixed_chance(2.3, float(estimated), float(fixed), nu, models)
        if chance >= 0.8:
            cheapest = float(money)

    assert plan.verdict == "test"
    assert plan.money == pytest.approx(cheapest)
    assert plan.power >= 0.8


def test_repeats_do_not_buy_down_the_spread_and_units_do() -> None:
    """With one unit each, endless repeats leave 2.8 spreads as the smallest gap that counts."""
    plan = settle_gap(
        1.5, Scatter(unit=1.0, unit_dof=KNOWN, reading=0.3), costs=CHEAP,
        effort=Effort(together=True, tested_repeats=3),
    )  # fmt: skip
    floor = 1.959964 * math.sqrt(2)

    assert plan.counts_repeats_only == pytest.approx(floor, abs=1e-5)
    assert plan.counts_now == pytest.approx(1.959964 * math.sqrt(2 * (1 + 0.09 / 3)), abs=1e-5)
    assert plan.power_repeats_only < 0.25
    assert plan.counts_then < 1.5
    assert plan.power >= 0.8
    assert plan.counts_floor < 0.01
    assert plan.table().loc["endless repeats", "smallest gap that would count"] == (
        plan.counts_repeats_only
    )


def test_model_errors_make_a_gap_that_nothing_settles() -> None:
    """Where the meter's answer to the models alone hides the gap, the plan says so and stops."""
    plan = settle_gap(
        0.5, Scatter(unit=0.8, unit_dof=KNOWN, model=0.3), costs=CHEAP,
        effort=Effort(together=True),
    )  # fmt: skip

    assert plan.verdict == "cannot be settled"
    assert plan.counts_floor == pytest.approx(1.959964 * 0.3 * math.sqrt(2), rel=1e-4)
    assert plan.power_at_most == pytest.approx(0.2186, abs=2e-3)
    assert (plan.add_first, plan.add_second, plan.money) == (0, 0, 0.0)
    assert plan.sentence().startswith("A gap of 0.5 cannot be settled on this bench")
    assert "Publish it as a tie" in plan.sentence()


PAID = Costs(price_first=20.0, price_second=20.0, sitting_hours=1.0, currency="EUR")


def dear_plan(effort: Effort | None = None, **limits: float) -> GapPlan:
    """A plan of about 19 samples, 380 EUR and 19 h."""
    effort = effort or Effort(together=True)
    return settle_gap(1.0, Scatter(unit=0.8, unit_dof=KNOWN), costs=PAID, effort=effort, **limits)


@pytest.mark.parametrize(
    ("limits", "reason"),
    [
        ({"budget": 100.0}, "the budget of 100 EUR is 280 EUR short"),
        ({"bench_hours": 3.0}, "the 3 h at the bench are 16.0 h short"),
        (
            {"budget": 100.0, "bench_hours": 3.0},
            "the budget of 100 EUR is 280 EUR short and the 3 h at the bench are 16.0 h short",
        ),
    ],
)
def test_a_short_budget_is_called_so_and_not_a_tie(limits: dict[str, float], reason: str) -> None:
    """Where money or hours are short, the plan says by how much, and what they do buy."""
    plan = dear_plan(**limits)
    most = 5 if "budget" in limits and "bench_hours" not in limits else 3
    shares = itertools.combinations_with_replacement(range(most + 1), 2)
    best = max(
        settle_gap(
            1.0, Scatter(unit=0.8, unit_dof=KNOWN), costs=PAID,
            effort=Effort(together=True, tested=(1 + first, 1 + second)),
        ).power_now
        for first, second in shares
        if first + second <= most
    )  # fmt: skip

    assert (plan.verdict, plan.reason) == ("budget short", reason)
    assert plan.n_per_model in ((10, 11), (11, 10))
    assert (plan.money, plan.hours) == (380.0, 19.0)
    assert plan.within_means is not None
    assert sum(plan.within_means) == 2 + most
    assert plan.power_within_means == pytest.approx(best)
    assert "(21 in total), 1 sitting each with 1 reading: 380 EUR and 19.0 h" in plan.sentence()
    assert "as a tie" not in plan.sentence()
    assert "What there is buys" in plan.sentence()


@pytest.mark.parametrize(
    ("limits", "reason"),
    [
        ({"worth": 100.0}, "that is more than the 100 EUR it is said to be worth"),
        (
            {"effort": Effort(together=True, most_units=3)},
            "that is 11 samples of one model, more than the 3 that anybody means to test",
        ),
    ],
)
def test_what_is_not_worth_it_ends_as_a_tie_with_its_price(
    limits: dict[str, object], reason: str
) -> None:
    """Beyond its worth, or beyond the samples anybody would test: a tie, with money and hours."""
    plan = dear_plan(**limits)

    assert plan.verdict == "publish as a tie"
    assert plan.reason.startswith(reason)
    assert plan.power >= 0.8
    assert plan.money == 20.0 * (plan.n_total - 2)
    assert plan.hours == plan.n_total - 2
    assert plan.sentence().startswith("Not worth it, publish a gap of 1 as a tie: it would take")
    assert f"{plan.money:.0f} EUR and {plan.hours:.1f} h" in plan.sentence()
    assert reason in plan.sentence()


def test_nothing_is_invented_that_nobody_stated() -> None:
    """Without a currency it is price units; hours and prices not stated are said to be so."""
    scatter, effort = Scatter(unit=0.8, unit_dof=KNOWN), Effort(together=True)
    plans = [
        settle_gap(1.0, scatter, costs=costs, effort=effort)
        for costs in (CHEAP, Costs(), Costs(sitting_hours=1.0))
    ]

    assert "380 price units and bench hours not stated" in plans[0].sentence()
    assert "prices and bench hours not stated" in plans[1].sentence()
    assert "prices not stated and 19.0 h at the bench" in plans[2].sentence()
    assert "EUR" not in "".join(plan.sentence() for plan in plans)
    assert math.isnan(plans[0].hours)
    assert math.isnan(plans[1].money)
    assert plans[1].n_total == plans[2].n_total == 21


def test_the_curve_gives_power_and_cost_for_each_number_of_units() -> None:
    """Power against units with cost: rising, best shared, in whole packs."""
    costs = Costs(price_first=30.0, price_second=12.0, pack_second=4, sitting_hours=0.5)
    scatter = Scatter(unit=(0.8, 0.4), unit_dof=KNOWN)
    plan = settle_gap(1.2, scatter, costs=costs, effort=Effort(together=True, tested=(1, 2)))
    curve = plan.curve
    row = curve[curve["n_total"] == 8].iloc[0]

    assert list(curve) == [
        "n_total", "n_first", "n_second", "add_first", "add_second", "power", "smallest_gap",
        "money", "hours",
    ]  # fmt: skip
    assert curve["n_total"].tolist() == list(range(3, 3 + len(curve)))
    assert curve["power"].is_monotonic_increasing
    assert curve["power"].iloc[0] == pytest.approx(plan.power_now)
    assert curve["power"].iloc[-1] > plan.power_wanted
    assert (row["add_first"], row["add_second"]) == (row["n_first"] - 1, row["n_second"] - 2)
    assert row["money"] == 30 * row["add_first"] + 12 * math.ceil(row["add_second"] / 4)
    assert row["hours"] == 0.5 * (row["add_first"] + row["add_second"])
    errors = {n: 0.64 / n + 0.16 / (8 - n) for n in range(1, 7)}
    assert row["n_first"] == min(errors, key=lambda n: errors[n])
    error = math.sqrt(errors[row["n_first"]])
    assert row["power"] == pytest.approx(
        stats.norm.sf(1.959964 - 1.2 / error) + stats.norm.cdf(-1.959964 - 1.2 / error), abs=1e-6
    )


def test_a_plan_shows_itself_and_is_kept_as_text(tmp_path: Path) -> None:
    """A plan prints sentence and table, as HTML too, and writes CSV and Markdown."""
    plan = dear_plan()

    assert plan.sentence() in repr(plan)
    assert plan._repr_html_().startswith("<p>To settle a gap of 1")
    assert "<table" in plan._repr_html_()
    assert plan.to_csv().splitlines()[0].startswith("state,samples of the first,")
    assert plan.to_csv(tmp_path / "plan.csv") is None
    assert (tmp_path / "plan.csv").read_text() == plan.to_csv()
    assert "| with the plan" in plan.to_markdown()


def test_what_is_enough_already_needs_nothing() -> None:
    """A gap that the tested units show anyway costs nothing."""
    plan = settle_gap(
        9.0, Scatter(unit=0.8, unit_dof=KNOWN), costs=CHEAP, effort=Effort(together=True)
    )

    assert plan.verdict == "already enough"
    assert (plan.money, plan.hours, plan.add_first, plan.add_second) == (0.0, 0.0, 0, 0)
    assert "nothing needs to be bought" in plan.sentence()


def test_two_units_and_no_known_spread_claim_nothing_yet() -> None:
    """One unit of each and the spread to be estimated: no claim now, whatever the gap."""
    plan = settle_gap(
        50.0, Scatter(unit=0.8, unit_dof=0), costs=CHEAP, effort=Effort(together=True)
    )

    assert plan.power_now == 0.0
    assert plan.counts_now == math.inf
    assert plan.verdict == "test"
    assert plan.n_total == 3


def test_a_pair_off_a_chart_takes_more_than_a_pair_named_before() -> None:
    """Picking the pair from ten models costs units."""
    totals = [
        settle_gap(
            1.5, Scatter(unit=0.8, unit_dof=8), costs=CHEAP, effort=FRESH, models=models
        ).n_total
        for models in (2, 10)
    ]

    assert totals[0] < totals[1]


def test_a_vague_gap_is_planned_for_on_average() -> None:
    """Averaged over what is believed the power differs from that at the middle."""
    scatter = Scatter(unit=0.8, unit_dof=KNOWN)
    sure = settle_gap(1.5, scatter, costs=CHEAP, effort=FRESH, power=0.9)
    vague = settle_gap(1.5, scatter, costs=CHEAP, effort=FRESH, power=0.9, belief_sd=0.6)
    rng = np.random.default_rng(3)
    error = 0.8 * math.sqrt(2 / vague.n_per_model[0])
    d = rng.normal(1.5, 0.6, 40_000) + rng.normal(0, error, 40_000)
    claimed = float(np.mean(np.abs(d) > 1.959964 * error))

    assert vague.n_total > sure.n_total
    low, high = stats.binom.ppf([1e-4, 1 - 1e-4], 40_000, vague.power) / 40_000
    assert low <= claimed <= high
    assert "averaged over a true gap of 1.5 give or take 0.6" in vague.sentence()


def test_the_measured_gap_gives_the_chance_that_it_will_be_claimed() -> None:
    """With a measured gap the plan says how likely that very gap ends as a claim."""
    scatter = Scatter(unit=0.8, unit_dof=KNOWN)
    plan = settle_gap(1.5, scatter, costs=CHEAP, effort=Effort(together=True), measured=1.1)
    then = 0.64 * (1 / plan.n_per_model[0] + 1 / plan.n_per_model[1])

    assert plan.power_continuing == pytest.approx(
        float(power_continuing(1.1, 1.28, then, critical=1.959964)), abs=1e-6
    )


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: Scatter(unit=-0.8, unit_dof=1), r"`unit` must be a finite number at least 0"),
        (lambda: Scatter(unit=0.0, unit_dof=1), r"must not all be 0"),
        (
            lambda: Scatter(unit=1.0, unit_dof=1, session=(0.1, -0.2)),
            r"`session` must be a finite number at least 0; got -0.2",
        ),
        (lambda: Scatter(unit=0.8, unit_dof=-1), r"`unit_dof` must be a number at least 0"),
        (lambda: Costs(price_first=-1, price_second=1), r"`price_first` must be a finite"),
        (lambda: Costs(price_first=1, price_second=1, pack_first=0), r"`pack_first` must be a w"),
        (lambda: Effort(together=True, tested=(1, -1)), r"`tested` must be a whole number"),
        (
            lambda: Effort(together=True, tested=(9, 1), most_units=5),
            r"`most_units` must be a whole number of at least 9; got 5",
        ),
        (
            lambda: Effort(together=True, most_units=10_000_000),
            r"`most_units` must be at most 1000, beyond which no bench is planned; got 10000000",
        ),
        (lambda: plan_with(gap=0.0), r"`gap` must not be 0"),
        (lambda: plan_with(power=1.0), r"`power` must lie strictly between"),
        (lambda: plan_with(models=1), r"`models` must be a whole number of at least 2"),
        (lambda: plan_with(belief_sd=-1), r"`belief_sd` must be a finite number at least 0"),
        (
            lambda: plan_with(costs=Costs(), budget=50.0),
            r"`budget` must come with prices; got 50 and none",
        ),
        (
            lambda: plan_with(bench_hours=5.0),
            r"`bench_hours` must come with hours of a sitting; got 5 and none",
        ),
        (
            lambda: plan_with(
                scatter=Scatter(unit=0.8, unit_dof=0), effort=Effort(together=True, most_units=1)
            ),
            r"`most_units` must leave a degree of freedom for the spread.*got 1. One unit of each",
        ),
        (
            lambda: plan_with(scatter=Scatter(unit=0.8, unit_dof=0, dof_grows=False)),
            r"`unit_dof` must leave a degree of freedom for the spread",
        ),
        (lambda: Costs(price_first=20.0), r"`price_second` must be given with the other price"),
        (
            lambda: Costs(hour_price=5.0),
            r"`hour_price` must come with hours; got 5 and no hours",
        ),
        (lambda: plan_with(budget=-1), r"`budget` must be a finite number at least 0"),
        (
            lambda: plan_with(measured=1.0, effort=FRESH),
            r"`measured` must come with tested units of both models; got tested=\(0, 0\)",
        ),
    ],
)
def test_plans_that_make_no_sense_are_refused(call: object, message: str) -> None:
    """Each impossible request names its argument, the rule and what was found."""
    assert callable(call)
    with pytest.raises(FanstatsError, match=message):
        call()


def plan_with(**arguments: object) -> object:
    """Plan with usual arguments but for those given."""
    usual = {"gap": 1.5, "scatter": Scatter(unit=0.8, unit_dof=KNOWN), "costs": CHEAP,
             "effort": Effort(together=True)}  # fmt: skip
    return settle_gap(**{**usual, **arguments})
