"""How many units a wish takes."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.power import FTestAnovaPower

from fanstats.errors import FanstatsError
from fanstats.planning.claims import claim_limit
from fanstats.planning.power import critical_value
from fanstats.planning.samples import (
    UnitsNeeded,
    units_for_gap,
    units_for_half_width,
    units_for_models,
    units_for_spread,
)

REFERENCE = Path(__file__).parent / "reference"
KNOWN = math.inf


def binomial_bounds(chance: float, trials: int) -> tuple[float, float]:
    """Limits that a simulated share leaves once in 10,000 on each side."""
    low, high = stats.binom.ppf([1e-4, 1 - 1e-4], trials, chance) / trials
    return float(low), float(high)


def test_units_reach_the_power_of_cohens_cases_and_one_fewer_does_not() -> None:
    """The number of units is the smallest that reaches the power; Cohen's rounds, 0-4 less."""
    table = pd.read_csv(REFERENCE / "power_t_test_units.csv", comment="#")
    for row in table.itertuples():
        needed = units_for_gap(
            row.d, 1.0, spread_dof=0, power=row.power, alpha=row.alpha, sides=row.sides
        )

        assert needed.n_per_model == row.n_integer
        assert needed.n_total == 2 * row.n_integer
        assert needed.reached == pytest.approx(row.power_reached, abs=1e-8)
        assert needed.one_fewer < row.power <= needed.reached
        if not math.isnan(row.n_cohen):
            assert 0 <= needed.n_per_model - row.n_cohen <= 4


def test_twelve_units_for_one_decibel_as_an_int() -> None:
    """With sd 0.8, gap 1.0, power 0.8: 12 a model (0.8329), 11 give 0.7963; an int."""
    needed = units_for_gap(1.0, 0.8, spread_dof=0)

    assert type(needed.n_per_model) is int
    assert (needed.n_per_model, needed.n_total) == (12, 24)
    assert needed.reached == pytest.approx(0.8329, abs=5e-5)
    assert needed.one_fewer == pytest.approx(0.7963, abs=5e-5)


@pytest.mark.parametrize(("gap", "reached"), [(5.0, 0.8585), (8.0, 0.9927), (1e6, 1.0)])
def test_a_very_large_gap_takes_two_units(gap: float, reached: float) -> None:
    """A gap of many standard deviations takes 2 units, not NaN and not 1."""
    needed = units_for_gap(gap, 0.8, spread_dof=0)

    assert needed.n_per_model == 2
    assert needed.reached == pytest.approx(reached, abs=5e-5)
    assert math.isnan(needed.one_fewer)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"gap": -1.0, "sides": 1}, r"`gap` must be positive when one direction.*got -1"),
        ({"gap": 0.0}, r"`gap` must not be 0; got 0"),
        ({"power": 1.0}, r"`power` must lie strictly between `alpha` \(0.05\) and 1; got 1.0"),
        ({"power": 0.04}, r"`power` must lie strictly between `alpha` \(0.05\) and 1; got 0.04"),
        ({"spread": -0.8}, r"`spread` must be a finite number at least 0; got -0.8"),
        ({"spread": 0.0}, r"`spread` and `measurement` must not both be 0"),
        ({"spread": math.nan}, r"`spread` must be a finite number"),
        ({"alpha": 5.0}, r"`alpha` must be a fraction.*Write 0.05 for 5 %"),
        ({"spread_dof": -1}, r"`spread_dof` must be a number at least 0; got -1"),
        ({"sides": 3}, r"`sides` must be 1 or 2; got 3"),
        ({"gap": "wide"}, r"`gap` must be a finite number; got 'wide'"),
        ({"price": "dear"}, r"`price` must be a finite number at least 0; got 'dear'"),
        ({"sitting_hours": -1}, r"`sitting_hours` must be a finite number at least 0; got -1"),
        ({"gap": True}, r"`gap` must be a finite number; got True"),
        ({"floor": 0.5}, r"cannot be settled with power 0.8 by any number of units.*0.52"),
    ],
)
def test_impossible_requests_are_refused_with_the_argument_and_the_reason(
    arguments: dict[str, float], message: str
) -> None:
    """Each impossible request names its argument, the rule and what was found."""
    usual = {"gap": 1.0, "spread": 0.8, "spread_dof": 0}
    with pytest.raises(FanstatsError, match=message):
        units_for_gap(**{**usual, **arguments})


def test_four_models_give_units_per_model_and_in_total() -> None:
    """Means 30.0 to 31.5, sd 0.8, power 0.9: 9 per model, 36 in total; 8 give 0.8857."""
    needed = units_for_models([30.0, 30.5, 31.0, 31.5], 0.8, power=0.9)

    assert (needed.n_per_model, needed.n_total) == (9, 36)
    assert needed.reached == pytest.approx(0.9265, abs=5e-5)
    assert needed.one_fewer == pytest.approx(0.8857, abs=5e-5)
    f = math.sqrt(np.var([30.0, 30.5, 31.0, 31.5])) / 0.8
    assert needed.reached == pytest.approx(FTestAnovaPower().power(f, 36, 0.05, k_groups=4))


def test_models_far_apart_take_two_units_each() -> None:
    """Models many standard deviations apart take 2 units each, not NaN."""
    assert units_for_models([0.0, 1e5], 0.8).n_per_model == 2


@pytest.mark.parametrize(
    ("means", "spread", "message"),
    [
        ([30.0], 0.8, "`means` must be two or more"),
        (["loud", "quiet"], 0.8, r"`means` must be two or more finite.*got \['loud', 'quiet'\]"),
        ([30.0, math.nan], 0.8, "`means` must be two or more finite"),
        ([30.0, 30.0], 0.8, "`means` must not all be equal"),
        ([30.0, 31.0], 0.0, "`spread` must be a finite number above 0"),
    ],
)
def test_models_that_cannot_be_planned_for_are_refused(
    means: list[float], spread: float, message: str
) -> None:
    """One model, missing or equal means, and a zero spread are refused by name."""
    with pytest.raises(FanstatsError, match=message):
        units_for_models(means, spread)


@pytest.mark.parametrize("dof_elsewhere", [0.0, 4.0])
def test_planned_power_comes_true_when_simulated(dof_elsewhere: float) -> None:
    """A planned t test with few units finds the gap as often as planned."""
    rng, trials, spread, gap = np.random.default_rng(3), 40_000, 0.8, 1.5
    needed = units_for_gap(gap, spread, spread_dof=dof_elsewhere)
    n = needed.n_per_model
    first = rng.normal(0.0, spread, (trials, n))
    second = rng.normal(gap, spread, (trials, n))
    dof = 2 * n - 2
    squares = first.var(axis=1, ddof=0) * n + second.var(axis=1, ddof=0) * n
    if dof_elsewhere:
        squares = squares + spread**2 * rng.chisquare(dof_elsewhere, trials)
    s = np.sqrt(squares / (dof + dof_elsewhere))
    d = second.mean(axis=1) - first.mean(axis=1)
    limit = critical_value(0.05, dof=dof + dof_elsewhere) * s * math.sqrt(2 / n)
    found = float(np.mean(np.abs(d) > limit))

    low, high = binomial_bounds(needed.reached, trials)
    assert low <= found <= high


def test_planned_power_with_a_known_floor_comes_true() -> None:
    """With a floor a lead is claimed beyond draws of what is known and what is estimated."""
    rng, trials, spread, gap, floor = np.random.default_rng(5), 40_000, 0.8, 2.2, 0.4
    needed = units_for_gap(gap, spread, spread_dof=3, floor=floor)
    n = needed.n_per_model
    dof = 3 + 2 * n - 2
    d = gap + rng.normal(0, math.sqrt(2 * spread**2 / n + floor**2), trials)
    square = 2 / n * spread**2 * rng.chisquare(dof, trials) / dof
    found = float(np.mean(np.abs(d) > claim_limit(square, floor**2, dof=dof, alpha=0.05)))
    low, high = binomial_bounds(needed.reached, trials)

    assert low <= found <= high
    # One direction at half the rate is the same claim, but for the wrong direction.
    one = units_for_gap(gap, spread, spread_dof=3, floor=floor, sides=1, alpha=0.025)
    assert one.reached == pytest.approx(needed.reached)


@pytest.mark.parametrize("units", [1, 2, 7])
def test_a_half_width_with_a_floor_is_the_range_of_draws(units: int) -> None:
    """The half width planned is that of draws: an estimated spread, and what stays, known."""
    wanted = claim_limit(0.64 / units, 0.04, dof=4 + units - 1, alpha=0.05)
    needed = units_for_half_width(float(wanted) * 1.0001, 0.8, spread_dof=4, floor=0.2)

    assert needed.n_per_model == units
    assert needed.reached == pytest.approx(float(wanted))


def test_answers_say_what_they_take_where_somebody_stated_it() -> None:
    """Money and hours are those of all units; nothing is said where nothing was stated."""
    asked = {"price": 12.5, "sitting_hours": 0.5, "currency": "EUR"}
    gap = units_for_gap(1.0, 0.8, spread_dof=0, units="dB", **asked)
    models = units_for_models([30.0, 31.5], 0.8, **asked)
    spread = units_for_spread(0.5, models=8, **asked)
    width = units_for_half_width(0.5, 0.8, spread_dof=0, units="dB", **asked)

    assert "12 samples of each model (24 in total), 300 EUR and 12.0 h at the bench: " in (
        gap.sentence()
    )
    assert "a gap of 1 dB is claimed" in gap.sentence()
    assert "spread 0.8 dB" in gap.sentence()
    for needed in (gap, models, spread, width):
        assert needed.money == 12.5 * needed.n_total
        assert needed.hours == 0.5 * needed.n_total
        assert needed.table()["money"].iloc[0] == needed.money
        assert "<table" in needed._repr_html_()
        assert needed.to_csv().startswith("n_per_model,n_total,")
        assert "n_total" in needed.to_markdown()
    assert "stated" not in units_for_gap(1.0, 0.8, spread_dof=0).sentence()


def test_a_known_spread_needs_fewer_units_than_an_estimated_one() -> None:
    """Borrowed degrees of freedom stand between a spread known and one estimated on the spot."""
    sizes = [units_for_gap(1.0, 0.8, spread_dof=dof).n_per_model for dof in (KNOWN, 10, 1, 0)]

    assert sizes == sorted(sizes)
    assert sizes[0] < sizes[-1]


@pytest.mark.parametrize("dof", [0.0, 5.0, KNOWN])
def test_half_width_is_reached_and_one_fewer_is_wider(dof: float) -> None:
    """The number of units keeps the half width; one fewer does not."""
    needed = units_for_half_width(0.5, 0.8, spread_dof=dof, measurement=0.2)
    error = math.hypot(0.8, 0.2) / math.sqrt(needed.n_per_model)
    nu = dof + needed.n_per_model - 1

    assert needed.reached == pytest.approx(stats.t.isf(0.025, nu) * error)
    assert needed.reached <= 0.5 < needed.one_fewer
    assert needed.n_total == needed.n_per_model


def test_assured_half_width_holds_as_often_as_said() -> None:
    """With an assurance the half width found comes out small enough that often, and not before."""
    needed = units_for_half_width(0.5, 0.8, spread_dof=0, assurance=0.9)

    def share(n: int) -> float:
        # P(t s / sqrt(n) <= 0.5), s^2 = sigma^2 chi2 / (n - 1)
        limit = (0.5 * math.sqrt(n) / stats.t.isf(0.025, n - 1)) ** 2
        return float(stats.chi2.cdf((n - 1) * limit / 0.8**2, n - 1))

    assert share(needed.n_per_model) >= 0.9 > share(needed.n_per_model - 1)
    assert needed.n_per_model > units_for_half_width(0.5, 0.8, spread_dof=0).n_per_model


def test_a_half_width_below_the_floor_is_refused() -> None:
    """A half width that calibration alone exceeds is refused, with the least possible one."""
    with pytest.raises(FanstatsError, match=r"`half_width` of 0.5 cannot be reached.*alone give"):
        units_for_half_width(0.5, 0.8, spread_dof=KNOWN, floor=0.5)


def test_units_for_the_spread_hold_the_chi_square_interval() -> None:
    """The upper end of the spread's interval is within the wish; pooling models saves units."""
    for models in (1, 5):
        needed = units_for_spread(0.5, models=models)
        dof = models * (needed.n_per_model - 1)

        assert needed.reached == pytest.approx(math.sqrt(dof / stats.chi2.ppf(0.025, dof)) - 1)
        assert needed.reached <= 0.5 < needed.one_fewer
        assert needed.n_total == models * needed.n_per_model


@pytest.mark.parametrize(("n", "point"), [(3, 0.0506), (5, 0.484), (10, 2.700)])
def test_interval_of_the_spread_by_printed_chi_square_points(n: int, point: float) -> None:
    """With the chi-square points printed in tables, the upper end is sqrt(dof / chi2)."""
    half = 0.5 * 10.0 ** -(4 if point < 0.1 else 3)
    least, most = (math.sqrt((n - 1) / (point + shift)) - 1 for shift in (half, -half))

    assert units_for_spread(most).n_per_model == n
    assert least <= units_for_spread(most).reached <= most


def test_answers_speak_in_sentences_and_tables() -> None:
    """An answer says what it takes, what one fewer would give and what was assumed."""
    needed = units_for_gap(1.0, 0.8, spread_dof=0)

    assert needed.sentence() == (
        "12 samples of each model (24 in total): chance that a gap of 1 is claimed 0.833, wanted "
        "0.8; one fewer gives 0.796. Assumed: spread 0.8, spread estimated from these samples "
        "alone, false claims 0.05."
    )
    assert needed.table()["n_total"].tolist() == [24, 22]
    assert units_for_gap(9.0, 0.8, spread_dof=KNOWN).table()["n_per_model"].tolist() == [1]


@pytest.mark.parametrize(
    ("needed", "first", "name"),
    [
        (units_for_gap(1.0, 0.8, spread_dof=0, price=20.0, sitting_hours=0.5), 2, "power"),
        (units_for_gap(0.2, 0.8, spread_dof=KNOWN, price=20.0, sitting_hours=0.5), 1, "power"),
        (units_for_models([30.0, 30.5, 31.0], 0.8, price=20.0, sitting_hours=0.5), 2, "power"),
        (units_for_half_width(0.3, 0.8, spread_dof=3, price=20.0, sitting_hours=0.5), 1, "reached"),
        (units_for_spread(0.1, models=3, price=20.0, sitting_hours=0.5), 2, "reached"),
    ],
)
def test_a_curve_runs_from_the_fewest_units_through_the_answer_and_past_it(
    needed: UnitsNeeded, first: int, name: str
) -> None:
    """Every size shows what it reaches and costs; the answer is where the wish is first met."""
    curve = needed.curve()
    by_size = curve.set_index("n_per_model")[name]
    met = by_size >= needed.wanted if name == "power" else by_size <= needed.wanted

    assert list(curve) == ["n_total", "n_per_model", name, "money", "hours"]
    assert by_size.index[0] == first
    assert by_size.index[-1] >= 1.3 * needed.n_per_model
    assert len(curve) <= 32
    assert (by_size[needed.n_per_model], by_size[needed.n_per_model - 1]) == (
        needed.reached, needed.one_fewer,
    )  # fmt: skip
    assert met.equals(pd.Series(by_size.index >= needed.n_per_model, by_size.index, name=name))
    assert (curve["n_total"] == needed.models * curve["n_per_model"]).all()
    assert curve["n_per_model"].dtype.kind == "i"
    assert curve["money"].to_numpy() == pytest.approx(20.0 * curve["n_total"].to_numpy())
    assert curve["hours"].to_numpy() == pytest.approx(0.5 * curve["n_total"].to_numpy())


# --- whatever is asked: enough, and one fewer is not ------------------------------------------


@given(
    effect=st.floats(0.25, 6.0),
    dof=st.sampled_from([0.0, 1.0, 4.0, 17.0, KNOWN]),
    power=st.floats(0.3, 0.99),
    alpha=st.floats(0.005, 0.2),
    sides=st.sampled_from([1, 2]),
)
@settings(max_examples=80, deadline=None)
def test_enough_units_reach_any_power_and_one_fewer_does_not(
    effect: float, dof: float, power: float, alpha: float, sides: int
) -> None:
    """Held against the noncentral t, or the normal, of scipy: n does it, n - 1 does not."""
    needed = units_for_gap(effect, 1.0, spread_dof=dof, power=power, alpha=alpha, sides=sides)
    n = needed.n_per_model

    def chance(size: int) -> float:
        behind, shift = dof + 2 * size - 2, effect * math.sqrt(size / 2)
        if math.isinf(behind):
            limit = stats.norm.isf(alpha / sides)
            ways = [stats.norm.sf(limit - shift), stats.norm.cdf(-limit - shift)]
        else:
            limit = stats.t.isf(alpha / sides, behind)
            ways = [stats.nct.sf(limit, behind, shift), stats.nct.sf(limit, behind, -shift)]
        return float(np.nan_to_num(ways)[:sides].sum())

    assert chance(n) >= power - 1e-9
    assert n == (1 if dof > 0 else 2) or chance(n - 1) < power + 1e-9
    assert needed.reached == pytest.approx(chance(n), abs=1e-8)


@given(
    means=st.lists(st.floats(-2.0, 2.0), min_size=2, max_size=6),
    power=st.floats(0.3, 0.99),
    alpha=st.floats(0.005, 0.2),
)
@settings(max_examples=50, deadline=None)
def test_enough_units_of_each_model_and_one_fewer_is_not(
    means: list[float], power: float, alpha: float
) -> None:
    """The F test of any number of models, held against the noncentral F of scipy."""
    between = float(np.square(np.array(means) - np.mean(means)).sum())
    assume(between > 0.05)
    needed = units_for_models(means, 1.0, power=power, alpha=alpha)
    n, models = needed.n_per_model, len(means)

    def chance(size: int) -> float:
        dof = models * (size - 1)
        return float(
            stats.ncf.sf(stats.f.isf(alpha, models - 1, dof), models - 1, dof, size * between)
        )

    assert needed.n_total == n * models
    assert chance(n) >= power - 1e-9
    assert n == 2 or chance(n - 1) < power + 1e-9


@given(
    width=st.floats(0.1, 5.0),
    dof=st.sampled_from([0.0, 2.0, 9.0, KNOWN]),
    probability=st.floats(0.5, 0.99),
)
@settings(max_examples=50, deadline=None)
def test_enough_units_pin_a_value_down_and_one_fewer_does_not(
    width: float, dof: float, probability: float
) -> None:
    """Half widths are Student's t times the spread over root n."""
    n = units_for_half_width(width, 1.0, spread_dof=dof, probability=probability).n_per_model

    def half(size: int) -> float:
        return float(stats.t.isf((1 - probability) / 2, dof + size - 1)) / math.sqrt(size)

    # The limits are read off a spline: to a ten-thousandth.
    assert half(n) <= width * (1 + 1e-4)
    assert n == (1 if dof > 0 else 2) or half(n - 1) > width * (1 - 1e-4)


@given(relative=st.floats(0.05, 3.0), models=st.integers(1, 12), probability=st.floats(0.5, 0.99))
@settings(max_examples=50, deadline=None)
def test_enough_units_pin_a_spread_down_and_one_fewer_does_not(
    relative: float, models: int, probability: float
) -> None:
    """The upper end of a spread is that of chi-square."""
    n = units_for_spread(relative, models=models, probability=probability).n_per_model

    def over(size: int) -> float:
        dof = models * (size - 1)
        return math.sqrt(dof / stats.chi2.ppf((1 - probability) / 2, dof)) - 1

    assert over(n) <= relative + 1e-12
    assert n == 2 or over(n - 1) > relative - 1e-12
