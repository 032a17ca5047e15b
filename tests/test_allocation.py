"""Sharing units over models: against brute force, exact values and simulation."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy import integrate, stats

from fanstats.errors import FanstatsError
from fanstats.planning.allocation import (
    chance_best_on_top,
    gain_of_choosing,
    outlook,
    share_units,
)
from fanstats.planning.buying import Standing, buy_list

VALUES = [30.0, 30.8, 31.5, 33.0]


def standing(name: str, value: float, **other: float) -> Standing:
    """One model, tested once, with usual numbers."""
    usual = {"tested": 1, "unit_variance": 0.64, "floor_variance": 0.0, "price": 20.0}
    return Standing(model=name, value=value, **{**usual, **other})


def test_shares_follow_the_published_rule() -> None:
    """Chen, Lin, Yucesan and Chick (2000): ratios (s_i / d_i)^2, the best one by the root sum."""
    sd = np.array([0.7, 0.5, 2.0])
    shares = share_units([10.0, 12.0, 13.0], sd, best="low")
    second, third = (0.5 / 2) ** 2, (2.0 / 3) ** 2
    first = 0.7 * math.sqrt(second**2 / 0.25 + third**2 / 4.0)

    assert shares / shares[0] == pytest.approx(np.array([first, second, third]) / first)
    assert shares.sum() == pytest.approx(1.0)
    assert share_units([-10.0, -12.0, -13.0], sd, best="high") == pytest.approx(shares)


@pytest.mark.parametrize("sd", [1.0, [0.6, 1.2, 1.5]])
def test_shares_come_close_to_the_best_of_all_allocations(sd: float | list[float]) -> None:
    """With 60 units the rule's chance is within 0.005 of brute force and above equal shares."""
    values, total = [30.0, 30.7, 31.2], 60
    shares = np.maximum(1, np.round(share_units(values, sd, best="low") * total))
    every = (
        chance_best_on_top(values, sd, [first, second, total - first - second], best="low")
        for first, second in itertools.product(range(2, 57, 2), repeat=2)
        if total - first - second >= 1
    )
    ours = chance_best_on_top(values, sd, shares, best="low")

    assert ours > chance_best_on_top(values, sd, [20, 20, 20], best="low")
    assert ours == pytest.approx(max(every), abs=0.005)


def test_dearer_units_of_the_best_model_are_used_more_sparingly() -> None:
    """With prices the shares reach a higher chance for the same money than without."""
    values, sd, prices, money = [30.0, 30.7, 31.2], 1.0, np.array([60.0, 10.0, 10.0]), 1200.0

    def chance(shares: np.ndarray) -> float:
        units = money / (shares @ prices) * shares
        return chance_best_on_top(values, sd, units, best="low")

    blind = chance(share_units(values, sd, best="low"))
    priced = chance(share_units(values, sd, best="low", costs=prices))

    assert priced > blind + 0.01


def test_chance_of_the_best_on_top_of_two_is_a_normal_probability() -> None:
    """For two models it is the normal distribution of the difference; for four it is simulated."""
    found = chance_best_on_top([30.0, 31.0], [0.8, 0.5], [2, 3], best="low")
    assert found == pytest.approx(stats.norm.cdf(1 / math.sqrt(0.64 / 2 + 0.25 / 3)), abs=1e-12)

    rng, trials = np.random.default_rng(1), 40_000
    means = rng.normal(VALUES, 0.8 / np.sqrt([1, 2, 3, 1]), (trials, 4))
    low, high = (
        stats.binom.ppf(
            [1e-4, 1 - 1e-4], trials, chance_best_on_top(VALUES, 0.8, [1, 2, 3, 1], best="low")
        )
        / trials
    )
    assert low <= float((means.argmin(axis=1) == 0).mean()) <= high


def test_outlook_of_two_models_equals_the_integral() -> None:
    """The chance and loss after further units are one-dimensional integrals for two models."""
    t, g = np.random.default_rng(2).normal(size=(2, 40_000, 2))
    right, loss = outlook([30.0, 30.5], [0.9, 0.7], [0.3, 0.2], best="low", deviates=(t, g))
    sd_future, sd_left = math.sqrt(1.6 - 0.5), math.sqrt(0.5)

    def weigh(part: object) -> float:
        assert callable(part)
        found, _ = integrate.quad(
            lambda d: part(abs(d) / sd_left) * stats.norm.pdf(d, 0.5, sd_future), -6, 7,
            points=[0.0],
        )  # fmt: skip
        return float(found)

    chance = weigh(stats.norm.cdf)
    short = weigh(lambda z: sd_left * (stats.norm.pdf(z) - z * stats.norm.sf(z)))
    assert right.mean() == pytest.approx(chance, abs=4 * math.sqrt(chance * (1 - chance) / 40_000))
    assert loss.mean() == pytest.approx(short, abs=4 * loss.std() / math.sqrt(40_000))


def test_nothing_is_bought_of_a_model_far_behind() -> None:
    """The list buys the leaders and stops within the budget; each row adds up."""
    models = [standing(name, value) for name, value in zip("ABCD", VALUES, strict=True)]
    bought = buy_list(models, budget=85.0, best="low", rng=np.random.default_rng(4))

    assert bought["model"].iloc[0] == "nothing"
    assert set(bought["model"][1:]) <= {"A", "B", "C"}
    assert bought["spent"].tolist() == [0.0, 20.0, 40.0, 60.0, 80.0]
    assert bought["average loss"].is_monotonic_decreasing
    chance = bought["chance best on top"]
    assert chance.iloc[-1] > chance.iloc[0] + 4 * math.sqrt(0.25 / 20_000)


def test_the_list_comes_close_to_the_best_of_all_purchases() -> None:
    """Six purchases one by one lose at most a tenth more than the best of all six together."""
    models = [standing(name, value) for name, value in zip("ABCD", VALUES, strict=True)]
    bought = buy_list(models, budget=120.0, best="low", rng=np.random.default_rng(4))
    t, g = np.random.default_rng(40).normal(size=(2, 40_000, 4))

    def loss(more: object) -> float:
        then = 0.64 / (1 + np.asarray(more))
        return float(outlook(VALUES, [0.64] * 4, then, best="low", deviates=(t, g))[1].mean())

    best = min(loss(more) for more in itertools.product(range(7), repeat=4) if sum(more) == 6)
    ours = loss([int((bought["model"] == name).sum()) for name in "ABCD"])

    assert ours <= 1.1 * best
    assert ours < loss([0, 0, 0, 0]) / 1.5


def test_two_packs_that_only_help_together_are_seen() -> None:
    """Where one further pack helps hardly and two do, the list buys the two, near brute force."""
    # So well tested, so far apart: one more sample of either hardly ever turns the choice.
    models = [standing("A", 30.0, tested=12), standing("B", 30.24, tested=12)]
    one, two = (
        buy_list(models, budget=money, best="low", rng=np.random.default_rng(4), draws=4000)
        for money in (20.0, 40.0)
    )
    worth = {
        more: _gain(0.24, 0.64 * (2 / 12 - 1 / (12 + more[0]) - 1 / (12 + more[1])))
        for more in ((1, 0), (0, 1), (1, 1), (2, 0), (0, 2))
    }

    assert one["model"].tolist() == ["nothing"]
    assert sorted(two["model"]) == ["A", "B", "nothing"]
    assert two["step"].tolist() == [0, 1, 1]
    assert max(worth, key=lambda more: worth[more] / sum(more)) == (1, 1)


def _gain(gap: float, variance: float) -> float:
    """What choosing later is worth for two models, in closed form."""
    sd = math.sqrt(variance)
    return float(sd * stats.norm.pdf(gap / sd) - gap * stats.norm.sf(gap / sd))


def test_the_worth_of_choosing_later_is_the_fall_of_the_loss() -> None:
    """For two models it is a closed form, and on average the fall of the loss."""
    deviates = tuple(np.random.default_rng(2).normal(size=(2, 40_000, 2)))
    now, then = [0.9, 0.7], [0.3, 0.2]
    gain = gain_of_choosing([30.0, 30.5], now, then, best="low", deviates=deviates)
    losses = [
        outlook([30.0, 30.5], now, later, best="low", deviates=deviates)[1] for later in (now, then)
    ]
    fall = losses[0] - losses[1]

    assert gain.min() >= 0
    assert gain.mean() == pytest.approx(_gain(0.5, 1.1), abs=4 * gain.std() / 200)
    assert gain.mean() == pytest.approx(fall.mean(), abs=4 * fall.std() / 200)


@pytest.mark.parametrize(
    ("values", "tested", "prices", "money"),
    [
        ([30.0, 30.3, 31.0], [1, 3, 1], [20.0, 10.0, 30.0], 60.0),
        ([30.0, 30.1, 30.2, 32.0], [1, 1, 1, 1], [20.0, 20.0, 20.0, 5.0], 80.0),
        ([30.0, 31.2, 31.3], [6, 1, 1], [15.0, 15.0, 15.0], 45.0),
    ],
)
def test_the_list_comes_within_five_percent_of_brute_force(
    values: list[float], tested: list[int], prices: list[float], money: float
) -> None:
    """Of all that the money buys, nothing makes the average loss fall more than 5 % further."""
    models = [
        standing(name, value, tested=n, price=price)
        for name, value, n, price in zip("ABCD", values, tested, prices, strict=False)
    ]
    bought = buy_list(models, budget=money, best="low", rng=np.random.default_rng(4))
    now = [0.64 / n for n in tested]
    t, g = np.random.default_rng(40).normal(size=(2, 40_000, len(values)))

    def fall(more: object) -> float:
        then = 0.64 / (np.asarray(tested) + np.asarray(more))
        losses = [
            outlook(values, now, later, best="low", deviates=(t, g))[1].mean()
            for later in (now, then)
        ]
        return float(losses[0] - losses[1])

    every = itertools.product(*(range(int(money // price) + 1) for price in prices))
    best = max(fall(more) for more in every if np.dot(more, prices) <= money)
    ours = fall([int((bought["model"] == entry.model).sum()) for entry in models])

    assert bought["spent"].iloc[-1] <= money
    assert ours >= 0.95 * best


def test_packs_prices_and_floors_count() -> None:
    """A cheap pack is bought before a dear one, and what only the floor blurs is not bought."""
    dear_pack = [standing("A", 30.0, price=90.0, pack=3), standing("B", 30.2, price=15.0)]
    cheap_pack = [standing("A", 30.0, price=15.0), standing("B", 30.2, price=18.0, pack=3)]
    first, second = (
        buy_list(models, budget=100.0, best="low", rng=np.random.default_rng(4)).iloc[1]
        for models in (dear_pack, cheap_pack)
    )
    blurred = [
        standing(name, value, unit_variance=0.0, floor_variance=0.5)
        for name, value in (("A", 30.0), ("B", 30.2))
    ]

    assert (first["model"], first["units"], first["spent"]) == ("B", 1, 15.0)
    assert (second["model"], second["units"], second["spent"]) == ("B", 3, 18.0)
    bought = buy_list(blurred, budget=500.0, best="low", rng=np.random.default_rng(4))
    assert bought["model"].tolist() == ["nothing"]


def test_the_order_of_the_models_does_not_matter_to_what_is_bought() -> None:
    """Turned round, the list still buys the leaders."""
    models = [standing(name, value) for name, value in zip("ABCD", VALUES, strict=True)]
    sets = [
        set(buy_list(order, budget=60.0, best="low", rng=np.random.default_rng(4))["model"][1:])
        for order in (models, models[::-1])
    ]

    assert sets[0] == sets[1]


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: share_units([30.0], 1.0, best="low"), r"at least two models; got 1"),
        (lambda: share_units([30.0, 30.0], 1.0, best="low"), r"a tie at the top.*`resolution`"),
        (lambda: share_units([30.0, math.nan], 1.0, best="low"), r"must be finite numbers"),
        (lambda: share_units([30.0, 31.0], 0.0, best="low"), r"must be above 0"),
        (lambda: share_units([30.0, 31.0], 1.0, best="least"), r"`best` must be one of 'high'"),
        (lambda: standing("A", math.nan), r"`value` must be a finite number"),
        (lambda: standing("A", 30.0, price=0.0), r"`price` must be a finite number above 0"),
        (lambda: standing("A", 30.0, tested=0), r"`tested` must be a whole number of at least 1"),
        (
            lambda: buy_list(
                [standing("A", 30.0)], budget=1.0, best="low", rng=np.random.default_rng(1)
            ),
            r"`standings` must hold at least two models; got 1",
        ),
    ],
)
def test_allocations_that_make_no_sense_are_refused(call: object, message: str) -> None:
    """One model, ties, missing values and free fans are refused by name."""
    assert callable(call)
    with pytest.raises(FanstatsError, match=message):
        call()


def test_a_tie_at_the_top_is_shared_with_a_resolution() -> None:
    """With a smallest difference worth telling apart, tied models share alike."""
    shares = share_units([30.0, 30.0, 32.0], 1.0, best="low", resolution=0.5)

    assert shares[0] == pytest.approx(shares[1], rel=0.01)
    assert shares[2] < shares[1] / 10


@pytest.mark.parametrize("dof", [1, 2, 4, 30, math.inf])
def test_a_spread_of_few_degrees_of_freedom_makes_the_chance_students(dof: float) -> None:
    """Of two models the one in front is the better one with the chance that Student's t gives."""
    models = [
        standing(name, value, estimated_variance=0.64) for name, value in (("A", 30.0), ("B", 31.0))
    ]
    bought = buy_list(
        models, budget=0, best="low", rng=np.random.default_rng(2), draws=40_000, spread_dof=dof
    )
    expected = float(stats.t.cdf(1.0 / math.sqrt(2 * 0.64), dof))

    room = 4 * math.sqrt(expected * (1 - expected) / 40_000)
    assert bought["chance best on top"].iloc[0] == pytest.approx(expected, abs=room)


def test_what_is_known_beside_an_estimated_spread_stays_known() -> None:
    """A variance is scaled in its estimated part alone, and one part cannot exceed the whole."""
    entry = standing("A", 30.0, estimated_variance=0.14, floor_variance=0.1, unit_variance=0.64)

    assert entry.variance(2) == pytest.approx(0.42)
    assert entry.variance(2, [1.0, 3.0]) == pytest.approx([0.42, 0.32 + 0.14 + 0.1])
    with pytest.raises(FanstatsError, match=r"`estimated_variance` must not exceed .*; got 0.7"):
        standing("A", 30.0, estimated_variance=0.7)
    with pytest.raises(FanstatsError, match=r"`spread_dof` must be a number above 0; got 0"):
        buy_list([entry, entry], budget=0, best="low", rng=np.random.default_rng(1), spread_dof=0)
