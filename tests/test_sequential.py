"""Group-sequential kernels against published constants, a multivariate normal and simulation."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path

import numpy as np
import pytest
from scipy import optimize, stats

from fanstats.errors import FanstatsError
from fanstats.planning.boundaries import (
    boundaries,
    crossing_probabilities,
    spending_boundaries,
    student_limits,
)
from fanstats.planning.samples import units_for_gap
from fanstats.planning.sequential import plan_looks

PUBLISHED = tomllib.loads(
    (Path(__file__).parent / "reference" / "sequential_published.toml").read_text()
)
RULES = {"pocock": "Pocock", "obrien_fleming": "O'Brien-Fleming"}


@pytest.mark.parametrize("name", RULES)
def test_constants_of_pocock_and_of_obrien_and_fleming(name: str) -> None:
    """The last boundary with equal steps matches the published constants to three decimals."""
    for alpha, constants in PUBLISHED[f"{name}_constant"].items():
        for looks, constant in constants.items():
            found = boundaries(range(1, int(looks) + 1), rule=RULES[name], alpha=float(alpha))

            assert found[-1] == pytest.approx(constant, abs=0.0005)


def test_naive_looking_inflates_false_claims_as_published() -> None:
    """Five looks at 1.96 call like models different 14 times in 100, twenty 25 times."""
    case = PUBLISHED["naive"]
    for looks, false_claims in zip(case["looks"], case["false_claims"], strict=True):
        info = np.arange(1.0, looks + 1)
        limits = boundaries(info, rule="every look alone")

        assert limits == pytest.approx(1.959964, abs=1e-6)
        assert crossing_probabilities(info, limits).sum() == pytest.approx(false_claims, abs=5e-4)


@pytest.mark.parametrize("name", RULES)
def test_largest_information_over_that_of_a_fixed_plan(name: str) -> None:
    """The price of looking, in information, matches the published inflation factors."""
    for wanted, factors in PUBLISHED[f"{name}_inflation"].items():
        fixed = (stats.norm.isf(0.025) + stats.norm.ppf(float(wanted))) ** 2
        for looks, factor in factors.items():
            info = np.arange(1.0, int(looks) + 1) / int(looks)
            limits = boundaries(info, rule=RULES[name])
            root = optimize.brentq(
                lambda r, info=info, limits=limits, fixed=fixed, wanted=wanted: (
                    crossing_probabilities(r * fixed * info, limits, 1.0).sum() - float(wanted)
                ),
                1.0,
                2.0,
            )

            assert root == pytest.approx(factor, abs=0.0005)


@pytest.mark.parametrize("name", RULES)
def test_spending_boundaries_with_two_equal_steps(name: str) -> None:
    """Alpha spending with two equal looks gives the published pairs of boundaries."""
    found = spending_boundaries([1.0, 2.0], full=2.0, rule=RULES[name])

    assert found == pytest.approx(PUBLISHED["spending"][f"{name}_2"], abs=0.0005)


@pytest.mark.parametrize("gap", [0.0, 0.7])
def test_crossing_probabilities_equal_the_multivariate_normal(gap: float) -> None:
    """Unequal steps: staying inside to look k is a rectangle probability of the joint normal."""
    info, limits = np.array([1.0, 1.7, 4.0]), np.array([2.6, 2.3, 2.0])
    ratio = np.minimum.outer(info, info) / np.maximum.outer(info, info)
    covariance, mean = np.sqrt(ratio), gap * np.sqrt(info)
    inside = [
        stats.multivariate_normal.cdf(
            limits[:k], mean[:k], covariance[:k, :k], lower_limit=-limits[:k],
            rng=np.random.default_rng(0), abseps=1e-8, releps=1e-8, maxpts=2_000_000,
        )
        for k in (1, 2, 3)
    ]  # fmt: skip
    expected = -np.diff([1.0, *inside])

    assert crossing_probabilities(info, limits, gap) == pytest.approx(expected, abs=2e-6)


@pytest.mark.parametrize("rule", ["Pocock", "O'Brien-Fleming"])
@pytest.mark.parametrize("info", [[1.0, 2.0, 5.0], [0.2, 0.5, 0.55, 3.0]])
def test_false_claims_are_kept_at_alpha_with_unequal_steps(rule: str, info: list[float]) -> None:
    """Whatever the steps, the boundaries spend alpha, no more and no less."""
    planned = boundaries(info, rule=rule, alpha=0.03)
    spent = spending_boundaries(info, full=info[-1], rule=rule, alpha=0.03)

    assert crossing_probabilities(info, planned).sum() == pytest.approx(0.03, abs=1e-9)
    assert crossing_probabilities(info, spent).sum() == pytest.approx(0.03, abs=1e-9)


def test_spending_does_not_look_ahead_and_stops_when_all_is_spent() -> None:
    """A boundary depends on the looks up to it alone; beyond the full information none is left."""
    all_looks = spending_boundaries([1.0, 1.5, 3.0, 4.0], full=3.0, rule="Pocock")
    first_two = spending_boundaries([1.0, 1.5], full=3.0, rule="Pocock")

    assert all_looks[:2] == pytest.approx(first_two, abs=1e-12)
    assert all_looks[3] == math.inf


@pytest.mark.parametrize("rule", ["Pocock", "O'Brien-Fleming", "every look alone"])
@pytest.mark.parametrize("floor", [0.0, 0.3])
def test_a_plan_comes_true_when_simulated(rule: str, floor: float) -> None:
    """Simulated benches stop, claim, and use units as often as the plan says, floor included."""
    rng, trials = np.random.default_rng(17), 40_000
    plan = plan_looks(1.4, 0.8, looks=4, rule=rule, floor=floor)
    n = plan.n_per_model
    units = rng.normal(0.0, 0.8, (trials, 2, n)).cumsum(axis=2)
    at = np.array(plan.units) - 1
    noise = (units[:, 1, at] - units[:, 0, at]) / np.array(plan.units)
    noise = noise + rng.normal(0.0, 1.0, (trials, 1)) * floor
    naive_limit = 1.959964 * np.array(plan.counts) / np.array(plan.limits)
    shares = {
        "alike": (np.abs(noise) > plan.counts, sum(plan.stops_alike)),
        "gap": (np.abs(noise + 1.4) > plan.counts, plan.power),
        "naive": (np.abs(noise) > naive_limit, plan.naive_false_claims),
    }
    for claimed, said in shares.values():
        low, high = stats.binom.ppf([1e-4, 1 - 1e-4], trials, said) / trials
        assert low <= float(claimed.any(axis=1).mean()) <= high
    crossed = shares["gap"][0]
    stop = np.where(crossed.any(axis=1), crossed.argmax(axis=1), len(plan.units) - 1)
    used = np.array(plan.units)[stop]
    assert used.mean() == pytest.approx(
        plan.expected_per_model, abs=4 * used.std() / math.sqrt(trials)
    )


@pytest.mark.parametrize(("rule", "step", "looks", "elsewhere"), [
    ("Pocock", 2, 3, 0), ("Pocock", 1, 5, 5), ("O'Brien-Fleming", 1, 3, 3),
])  # fmt: skip
def test_limits_for_an_estimated_spread_keep_false_claims_near_alpha(
    rule: str, step: int, looks: int, elsewhere: int
) -> None:
    """With the spread estimated as one goes, false claims stay below 0.06; known limits triple."""
    rng, trials = np.random.default_rng(9), 40_000
    n = step * np.arange(1, looks + 1)
    limits, dof = boundaries(n, rule=rule), 2 * n - 2 + elsewhere
    units = rng.normal(size=(trials, 2, n[-1]))
    d = np.stack([units[:, 1, :k].mean(axis=1) - units[:, 0, :k].mean(axis=1) for k in n], -1)
    square = np.stack([units[:, :, :k].var(axis=2).sum(axis=1) * k for k in n], -1)
    if elsewhere:
        square = square + rng.chisquare(elsewhere, (trials, 1))
    t = np.abs(d) / np.sqrt(square / dof * 2 / n)
    naive = float((t > limits).any(axis=1).mean())
    kept = float((t > student_limits(limits, dof)).any(axis=1).mean())

    # Within 0.01 of alpha, and the simulation's own error (4 standard errors).
    assert kept == pytest.approx(0.05, abs=0.01 + 4 * math.sqrt(0.05 * 0.95 / trials))
    assert naive > 2 * kept


def test_looking_without_correction_states_its_real_false_rate() -> None:
    """Buying until it looks settled is wrong 14 times in 100 with five looks, not 5.

    Armitage, McPherson and Rowe (1969), table 2: 0.142 for five looks at 5 %.
    """
    plan = plan_looks(0.2, 0.8, looks=5, rule="every look alone", units="dB")
    published = PUBLISHED["naive"]["false_claims"][PUBLISHED["naive"]["looks"].index(5)]

    # Theirs are equal steps; a step that is one unit longer among fifty moves less than 0.0005.
    assert len(plan.units) == 5
    assert plan.false_claims == pytest.approx(published, abs=0.001)
    assert plan.false_claims == plan.naive_false_claims
    assert "Like models are called different 14 times in 100, not 5" in plan.sentence()
    kept = plan_looks(0.9, 0.8, looks=5, units="dB")
    assert kept.false_claims == pytest.approx(0.05, abs=1e-9)
    assert "Like models are called different 5 times in 100; looking as often" in kept.sentence()
    assert "a true gap of 0.9 dB" in kept.sentence()


def test_what_looking_costs_and_saves_is_in_money_and_hours() -> None:
    """Money and hours on average, at most and with one look only; nothing where not stated."""
    paid = plan_looks(1.0, 0.8, looks=3, price=45.0, sitting_hours=0.5, currency="EUR")
    bare = plan_looks(1.0, 0.8, looks=3)

    assert paid.money == pytest.approx(45.0 * paid.expected_per_model)
    assert paid.hours_at_most == pytest.approx(paid.n_total * 0.5)
    assert paid.money_fixed == 45.0 * paid.fixed_n_per_model
    assert f"{paid.n_total} in total; {45 * paid.n_per_model} EUR and" in paid.sentence()
    assert "stated" not in bare.sentence()
    assert bare._repr_html_().count("<tr") == 1 + len(bare.units)
    assert bare.to_csv().startswith("look,units of each model,")
    assert "| look |" in bare.to_markdown().replace("  ", " ").replace("  ", " ")


def test_looking_saves_units_on_average_and_costs_at_most() -> None:
    """A plan with looks may take more units than a fixed one, and takes fewer on average."""
    plan = plan_looks(1.0, 0.8, looks=5, rule="Pocock", power=0.9)
    fixed = units_for_gap(1.0, 0.8, spread_dof=math.inf, power=0.9).n_per_model

    assert plan.fixed_n_per_model == fixed
    assert plan.expected_per_model < fixed < plan.n_per_model
    assert plan.power >= 0.9
    assert sum(plan.stops_alike) == pytest.approx(0.05, abs=1e-9)
    assert plan.naive_false_claims > 0.12
    assert plan.n_total == 2 * plan.n_per_model == 2 * plan.units[-1]


def test_more_looks_than_units_are_merged() -> None:
    """A gap that takes two units gets two looks, not five."""
    plan = plan_looks(3.0, 0.8, looks=5)

    assert plan.units == tuple(range(1, plan.n_per_model + 1))
    assert len(plan.table()) == plan.n_per_model
    assert plan.table().index.name == "look"
    assert "Like models are called different 5 times in 100" in plan.sentence()


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: boundaries([1, 1], rule="Pocock"), r"`information` must grow.*got 1 at look 2"),
        (lambda: boundaries([0, 1], rule="Pocock"), r"from above 0; got 0 at look 1"),
        (lambda: boundaries([], rule="Pocock"), r"`information` must be finite numbers"),
        (lambda: boundaries([1, 2], rule="Haybittle"), r"`rule` must be one of 'Pocock'"),
        (lambda: boundaries([1, 2], rule="Pocock", alpha=1.5), r"`alpha` must be a fraction"),
        (
            lambda: spending_boundaries([1], full=1, rule="every look alone"),
            r"`rule` must be one of 'Pocock', \"O'Brien-Fleming\"; got",
        ),
        (lambda: plan_looks(0.0, 0.8, looks=3), r"`gap` must not be 0"),
        (lambda: plan_looks(1.0, -0.8, looks=3), r"`spread` must be a finite number at least 0"),
        (lambda: plan_looks(1.0, 0.0, looks=3), r"must not both be 0"),
        (lambda: plan_looks("wide", 0.8, looks=2), r"`gap` must be a finite number; got 'wide'"),
        (lambda: plan_looks(1.0, 0.8, looks=2, price=-1), r"`price` must be a finite number at l"),
        (lambda: boundaries("no", rule="Pocock"), r"`information` must be finite numbers.*'no'"),
        (lambda: plan_looks(1.0, 0.8, looks=0), r"`looks` must be a whole number of at least 1"),
        (lambda: plan_looks(1.0, 0.8, looks=2, power=0.01), r"`power` must lie strictly between"),
        (lambda: plan_looks(0.5, 0.8, looks=2, floor=0.5), r"floor of 0.5 stays"),
    ],
)
def test_looks_that_make_no_sense_are_refused(call: object, message: str) -> None:
    """Each impossible request names its argument, the rule and what was found."""
    assert callable(call)
    with pytest.raises(FanstatsError, match=message):
        call()


@pytest.mark.parametrize(("looks", "rule", "spread_dof", "floor"), [
    (3, "O'Brien-Fleming", 0, 0.0), (4, "Pocock", 3, 0.0), (3, "every look alone", 0, 0.0),
    (3, "Pocock", 4, 0.3),
])  # fmt: skip
def test_a_plan_with_an_estimated_spread_comes_true_when_simulated(
    looks: int, rule: str, spread_dof: float, floor: float
) -> None:
    """Units drawn one by one, their mean square found at each look: false claims, power, units."""
    rng, trials = np.random.default_rng(23), 40_000
    plan = plan_looks(1.6, 0.8, looks=looks, rule=rule, spread_dof=spread_dof, floor=floor)
    n = np.array(plan.units)
    units = rng.normal(0.0, 0.8, (trials, 2, plan.n_per_model))
    noise = np.stack([np.diff(units[:, :, :k].mean(axis=2), axis=1)[:, 0] for k in n], axis=1)
    noise += floor * rng.normal(size=(trials, 1))
    square = np.stack([units[:, :, :k].var(axis=2).sum(axis=1) * k for k in n], axis=1)
    if spread_dof:
        square = square + 0.64 * rng.chisquare(spread_dof, (trials, 1))
    error = np.sqrt(square / (spread_dof + 2 * n - 2) * 2 / n + floor**2)
    alike, found = (np.abs(noise + gap) > plan.limits * error for gap in (0.0, 1.6))

    # Four standard errors of this simulation, and 0.002 for the counting behind the plan.
    for claimed, said in ((alike, plan.false_claims), (found, plan.power)):
        share = float(claimed.any(axis=1).mean())
        assert share == pytest.approx(said, abs=0.002 + 4 * math.sqrt(said * (1 - said) / trials))
    if rule != "every look alone":
        assert plan.false_claims == pytest.approx(0.05, abs=1e-3)
    used = n[np.where(found.any(axis=1), found.argmax(axis=1), n.size - 1)]
    room = 0.002 * n[-1] + 4 * used.std() / math.sqrt(trials)
    assert used.mean() == pytest.approx(plan.expected_per_model, abs=room)


def test_an_estimated_spread_takes_more_looks_and_says_so() -> None:
    """Few degrees of freedom take more units than a known spread, and many take the same."""
    plans = [plan_looks(1.6, 0.8, looks=3, spread_dof=dof) for dof in (0, 6, 1e6, math.inf)]
    totals = [plan.n_total for plan in plans]

    assert totals == sorted(totals, reverse=True)
    assert totals[0] > totals[-1]
    assert totals[2] == totals[3]
    # The counting behind an estimated spread against the quadrature behind a known one.
    assert plans[2].power == pytest.approx(plans[3].power, abs=0.002)
    assert plans[2].limits == pytest.approx(plans[3].limits, rel=0.005)
    assert "estimated at each look from the samples so far alone" in plans[0].sentence()
    assert "6 degrees of freedom of other models" in plans[1].sentence()
    assert "(standard deviation), known" in plans[3].sentence()
    assert [plan.spread_dof for plan in plans] == [0, 6, 1e6, math.inf]


def test_there_is_no_look_before_a_degree_of_freedom() -> None:
    """One sample of each says nothing of a spread that these samples alone tell."""
    plan = plan_looks(4.0, 0.8, looks=5, spread_dof=0)

    assert min(plan.units) == 2
    assert plan.fixed_n_per_model >= 2
    with pytest.raises(FanstatsError, match=r"`spread_dof` must be a number at least 0; got -1"):
        plan_looks(1.0, 0.8, looks=3, spread_dof=-1)
