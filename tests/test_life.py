"""Life tests against published values, the binomial distribution and simulation."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from fanstats.errors import FanstatsError
from fanstats.planning.life import (
    acceleration_factor,
    characteristic_life,
    life_from_characteristic,
    life_shown,
    life_test_hours,
    life_test_units,
    reliability_shown,
    success_run_units,
    total_time_factor,
    warranty,
)

REFERENCE = Path(__file__).parent / "reference"
PUBLISHED = tomllib.loads((REFERENCE / "life_published.toml").read_text())


def table(name: str) -> pd.DataFrame:
    """Read a reference table."""
    return pd.read_csv(REFERENCE / name, comment="#")


# --- published and counted values ------------------------------------------------------------


def test_success_run_units_classical_and_with_a_uniform_prior() -> None:
    """Zero-failure sizes are ln(1 - C) / ln R rounded up, one fewer with a uniform prior."""
    for row in table("life_success_run.csv").itertuples():
        classical = success_run_units(row.reliability, row.confidence)
        uniform = success_run_units(row.reliability, row.confidence, prior="uniform")

        assert (classical, uniform) == (row.n_classical, row.n_uniform_prior)


def test_units_with_failures_allowed_are_the_smallest_by_the_binomial() -> None:
    """Sizes with 0 to 3 failures allowed pass the binomial limit, and one fewer would not."""
    for row in table("life_success_run_failures.csv").itertuples():
        n = success_run_units(row.reliability, row.confidence, failures=row.failures)

        assert n == row.n
        assert stats.binom.cdf(row.failures, n - 1, 1 - row.reliability) > 1 - row.confidence


@pytest.mark.parametrize(
    ("n", "prior", "printed"), [(1, "none", 0.10), (3, "none", 0.46), (10, "none", 0.794),
                                (10, "uniform", 0.811)],
)  # fmt: skip
def test_reliability_that_a_run_without_failure_shows(n: int, prior: str, printed: float) -> None:
    """One unit that lived shows 0.10 at 90 %, three 0.46, ten 0.794 (0.811 with a prior)."""
    shown = reliability_shown(n, confidence=0.9, prior=prior)

    assert shown == pytest.approx(printed, abs=0.005 if n < 10 else 0.0005)


def test_a_prior_is_worth_one_unit() -> None:
    """With failures too, the uniform prior equals one more unit that lived."""
    assert reliability_shown(9, confidence=0.8, failures=2, prior="uniform") == pytest.approx(
        reliability_shown(10, confidence=0.8, failures=2)
    )
    assert reliability_shown(3, confidence=0.9, failures=3) == 0.0


def test_total_time_factors_of_the_nist_handbook() -> None:
    """Total test time over mean life matches table 8.3.1.1 to its printed digits."""
    for row in table("life_test_length_factors.csv").itertuples():
        digits = 3 if row.factor_published < 1 else 2
        found = total_time_factor(row.failures, row.confidence)

        assert found == pytest.approx(row.factor_published, abs=0.5 * 10.0**-digits + 1e-9)
    case = PUBLISHED["mean_life_test"]
    assert total_time_factor(case["failures"], case["confidence"]) == pytest.approx(
        case["factor_printed"], abs=0.005
    )


def test_weibull_hours_without_failure() -> None:
    """Hours for an L10 of 50,000 h agree with the closed formula over shapes, units, levels."""
    for row in table("life_weibull_no_failure.csv").itertuples():
        test = life_test_hours(
            50_000, claim="L10", units=row.units, confidence=row.confidence, shape=row.shape
        )

        assert test.hours == pytest.approx(row.hours, abs=0.05 + 1e-6)
        assert test.chance_if_just_true == pytest.approx(1 - row.confidence)


def test_a_suppliers_printed_test_is_reproduced() -> None:
    """A supplier's printed test: 723.67 h and a mean life of 378,274 h, with its roundings."""
    case = PUBLISHED["supplier_test"]
    factor = acceleration_factor(
        case["test_temperature"],
        case["use_temperature"],
        factor_per_10_degrees=case["factor_per_10_degrees"],
    )
    assumed = {"confidence": case["confidence"], "shape": case["shape"], "acceleration": factor}
    test = life_test_hours(
        case["mean_life_claimed"], claim="mean life", units=case["units"], **assumed
    )
    shown = life_shown([case["hours_run"]] * case["units"], **assumed)

    assert factor == case["acceleration_printed"]
    # They round 1 / 1.1 to 0.91, and 1 / Gamma(1 + 1 / 1.1) to 1.036, good to 0.0005.
    exponent = (2.3026 / 50) ** (0.91 - 1 / 1.1)
    assert test.hours * exponent == pytest.approx(case["hours_printed"], rel=0.0005 / 1.036)
    assert shown.mean_life / exponent == pytest.approx(
        case["mean_life_printed"], rel=0.0005 / 1.036
    )


def test_mean_life_over_l10_as_printed_in_the_trade() -> None:
    """The ratio of mean life to L10 is 9.49, 7.46, 4.05, 2.73, 1.89 for shapes 1 to 3."""
    case = PUBLISHED["mean_life_over_L10"]
    for shape, ratio in zip(case["shapes"], case["ratios"], strict=True):
        eta = characteristic_life(1.0, "L10", shape=shape)

        assert life_from_characteristic(eta, "mean life", shape=shape) == pytest.approx(
            ratio, abs=0.005
        )


# --- the test and what it shows are each other's inverse -------------------------------------


@pytest.mark.parametrize("shape", [1.0, 1.1, 3.0])
@pytest.mark.parametrize("claim", ["L10", "mean life"])
def test_what_a_planned_test_shows_is_the_claim(shape: float, claim: str) -> None:
    """Run as planned without failure, a test shows just the life it was planned for."""
    assumed = {"confidence": 0.9, "shape": shape, "acceleration": 4.0}
    test = life_test_hours(40_000, claim=claim, units=7, **assumed)
    shown = life_shown([test.hours] * 7, **assumed)

    assert (shown.L10 if claim == "L10" else shown.mean_life) == pytest.approx(40_000)


def test_units_for_given_hours_are_the_smallest() -> None:
    """Fans that just meet the claim pass rarely enough; with one unit fewer they do not."""
    for failures in (0, 2):
        test = life_test_units(
            50_000, claim="L10", hours=20_000, confidence=0.9, shape=2.0, failures=failures
        )
        fails = 1 - 0.9 ** ((20_000 / 50_000) ** 2)

        assert stats.binom.cdf(failures, test.units, fails) <= 0.1
        assert stats.binom.cdf(failures, test.units - 1, fails) > 0.1
        assert type(test.units) is int


@pytest.mark.parametrize("failures", [0, 1, 3])
def test_fans_that_just_meet_the_claim_pass_as_rarely_as_stated(failures: int) -> None:
    """Simulated fans whose L10 just meets the claim pass with chance 1 - confidence."""
    rng, trials, units, shape = np.random.default_rng(2), 40_000, 12, 1.5
    test = life_test_hours(
        50_000, claim="L10", units=units, confidence=0.9, shape=shape, failures=failures
    )
    eta = 50_000 / (-math.log(0.9)) ** (1 / shape)
    lives = eta * rng.weibull(shape, (trials, units))
    passed = float(np.mean((lives <= test.hours).sum(axis=1) <= failures))
    doubled = float(np.mean((2 * lives <= test.hours).sum(axis=1) <= failures))

    for chance, simulated in ((0.1, passed), (test.chance_if_doubled, doubled)):
        low, high = stats.binom.ppf([1e-4, 1 - 1e-4], trials, chance) / trials
        assert low <= simulated <= high


def test_limits_shown_by_tests_stopped_at_a_time_are_safe() -> None:
    """Over simulated tests the L10 shown lies above the true one at most 1 - confidence often."""
    rng, trials, units, shape = np.random.default_rng(6), 2_000, 8, 2.0
    eta = 30_000.0
    true = life_from_characteristic(eta, "L10", shape=shape)
    lives = eta * rng.weibull(shape, (trials, units))
    run = np.minimum(lives, 24_000.0)
    failed = (lives < 24_000.0).sum(axis=1)
    shown = [
        life_shown(hours, confidence=0.9, shape=shape, failures=int(count)).L10
        for hours, count in zip(run, failed, strict=True)
    ]
    wrong = int((np.array(shown) > true).sum())

    assert wrong / trials <= stats.binom.ppf(1 - 1e-4, trials, 0.1) / trials
    assert wrong > 0


def test_large_shapes_and_hours_do_not_overflow() -> None:
    """Long runs and a steep shape give a finite limit."""
    found = life_shown([1e6, 1e6], confidence=0.9, shape=80.0).L10

    expected = 1e6 * (2 * math.log(0.9) / math.log(0.1)) ** (1 / 80)
    assert found == pytest.approx(expected)


# --- warranty and words ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("hours", "years"), [(40_000, 4.56), (50_000, 5.70), (60_000, 6.84), (150_000, 17.11)]
)
def test_claimed_hours_in_years_of_continuous_running(hours: float, years: float) -> None:
    """A year of continuous running has 8766 h."""
    found = warranty(6, claim_hours=hours, claim="L10", hours_per_day=24, shape=1.1)

    assert found.claim_years == pytest.approx(years, abs=0.005)


def test_a_warranty_of_the_claimed_life_expects_a_tenth_to_fail() -> None:
    """A warranty as long as the L10 means 10 of 100 failing, whatever the shape and the use."""
    for shape in (1.0, 3.0):
        found = warranty(
            40_000 / 8766 * 3, claim_hours=40_000, claim="L10", hours_per_day=8, shape=shape
        )
        assert found.share_failing == pytest.approx(0.1)
        assert found.share_of_claim == pytest.approx(1.0)
    assert "10 of 100 fail within the warranty. Assumed, not measured: Weibull shape 3." in (
        found.sentence()
    )


def test_every_sentence_names_its_assumptions() -> None:
    """Shape and acceleration are called assumptions wherever a life is stated."""
    test = life_test_hours(
        50_000, claim="L10", units=50, confidence=0.9, shape=1.1, acceleration=16
    )
    shown = life_shown([744.0] * 50, confidence=0.9, shape=1.1, acceleration=16)
    caution = (
        "Assumed, not measured: Weibull shape 1.1, acceleration factor 16 (a test at one "
        "temperature cannot tell whether it holds)."
    )

    assert test.sentence().endswith(caution)
    assert shown.sentence().endswith(caution)
    assert test.table()["hours"].iloc[0] == test.hours
    assert shown.table()["L10"].iloc[0] == shown.L10
    for result in (test, shown):
        assert result.sentence() in repr(result)
        assert "<table" in result._repr_html_()
        assert "confidence" in result.to_csv()
        assert "| confidence" in result.to_markdown()
    assert "| 50000 " in test.to_markdown()


def test_the_acceleration_rule_is_the_users_to_choose() -> None:
    """Forty degrees are 16 times with 2 for ten degrees, 5.06 with 1.5; there is no default."""
    assert acceleration_factor(80, 40, factor_per_10_degrees=2) == 16
    assert acceleration_factor(80, 40, factor_per_10_degrees=1.5) == pytest.approx(5.06, abs=0.005)
    with pytest.raises(TypeError, match="factor_per_10_degrees"):
        acceleration_factor(80, 40)  # type: ignore[call-arg]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"units": 0}, r"`units` must be a whole number of at least 1; got 0"),
        ({"units": 2.5}, r"`units` must be a whole number of at least 1; got 2.5"),
        ({"units": True}, r"`units` must be a whole number"),
        ({"failures": 5}, r"`failures` must be fewer than the 5 units on test; got 5"),
        ({"failures": -1}, r"`failures` must be a whole number of at least 0"),
        ({"shape": 0.0}, r"`shape` must be a finite number above 0; got 0.0"),
        ({"confidence": 90}, r"`confidence` must be a fraction.*Write 0.9 for 90 %"),
        ({"claim": "MTBF"}, r"`claim` must be one of 'L10', 'mean life'; got 'MTBF'"),
        ({"acceleration": 0.0}, r"`acceleration` must be a finite number above 0"),
        ({"claim_hours": -1.0}, r"`claim_hours` must be a finite number above 0; got -1.0"),
    ],
)
def test_a_life_test_that_makes_no_sense_is_refused(
    arguments: dict[str, float], message: str
) -> None:
    """Each impossible request names its argument, the rule and what was found."""
    usual = {"claim_hours": 5e4, "claim": "L10", "units": 5, "confidence": 0.9, "shape": 1.1}
    with pytest.raises(FanstatsError, match=message):
        life_test_hours(**{**usual, **arguments})


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: life_shown([], confidence=0.9, shape=1.0), r"`hours` must be finite"),
        (lambda: life_shown([-1.0], confidence=0.9, shape=1.0), r"`hours` must be finite"),
        (lambda: life_shown("long", confidence=0.9, shape=1.0), r"`hours` must be fin.*'long'"),
        (lambda: life_shown([744, None], confidence=0.9, shape=1.0), r"`hours` must be finite"),
        (lambda: reliability_shown("3", confidence=0.9), r"`n` must be a whole number"),
        (lambda: total_time_factor(1.5, 0.9), r"`failures` must be a whole number"),
        (
            lambda: warranty("six", claim_hours=5e4, claim="L10", hours_per_day=8, shape=1.1),
            r"`years` must be a finite number above 0; got 'six'",
        ),
        (
            lambda: characteristic_life(1e4, "L10", shape="steep"),
            r"`shape` must be a finite number above 0; got 'steep'",
        ),
        (lambda: life_shown([0.0], confidence=0.9, shape=1.0), r"`hours` must not all be 0"),
        (
            lambda: life_shown([1.0], confidence=0.9, shape=1.0, failures=2),
            r"`failures` must not exceed the 1 units tested; got 2",
        ),
        (
            lambda: life_test_units(5e4, claim="L10", hours=1e-9, confidence=0.9, shape=3.0),
            r"`hours` of 1e-09 are too few",
        ),
        (
            lambda: warranty(6, claim_hours=5e4, claim="L10", hours_per_day=25, shape=1.1),
            r"`hours_per_day` must be at most 24; got 25",
        ),
        (
            lambda: acceleration_factor(80, 40, factor_per_10_degrees=0.5),
            r"`factor_per_10_degrees` must be a finite number at least 1; got 0.5",
        ),
        (lambda: success_run_units(1.0, 0.9), r"`reliability` must be a fraction"),
        (lambda: success_run_units(0.9, 0.9, prior="flat"), r"`prior` must be one of 'none'"),
    ],
)
def test_other_requests_that_make_no_sense_are_refused(call: object, message: str) -> None:
    """Empty, negative or absurd requests are refused by name."""
    assert callable(call)
    with pytest.raises(FanstatsError, match=message):
        call()


def test_a_claim_of_no_hours_is_refused_by_the_name_it_was_given_by() -> None:
    """Whatever asks for claimed hours says `claim_hours`, not what it is reckoned by."""
    usual = {"claim_hours": 0.0, "claim": "L10", "shape": 1.1}
    for call in (
        lambda: life_test_hours(**usual, units=5, confidence=0.9),
        lambda: life_test_units(**usual, hours=1000, confidence=0.9),
        lambda: warranty(5, **usual, hours_per_day=8),
    ):
        with pytest.raises(FanstatsError, match=r"`claim_hours` must be a finite number above 0"):
            call()


def test_one_sample_is_spoken_of_as_one() -> None:
    """The sentence of a test of one unit agrees with itself."""
    said = life_test_units(
        5e4, claim="mean life", hours=9000.0, confidence=0.9, shape=1.1, acceleration=32
    ).sentence()

    assert said.startswith("1 sample run for 9000 h with no failure supports a mean life")
