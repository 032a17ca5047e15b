"""Power kernels against printed values, other programs and simulation."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, stats
from statsmodels.stats.power import TTestIndPower

from fanstats.planning.power import (
    critical_value,
    effective_dof,
    power,
    power_believed,
    power_continuing,
    smallest_whole,
    standard_error,
)

REFERENCE = Path(__file__).parent / "reference"
KNOWN = math.inf


def binomial_bounds(chance: float, trials: int) -> tuple[float, float]:
    """Limits that a simulated share leaves once in 10,000 on each side."""
    low, high = stats.binom.ppf([1e-4, 1 - 1e-4], trials, chance) / trials
    return float(low), float(high)


def test_power_matches_printed_outputs_of_r() -> None:
    """Power of one- and two-sample t tests equals what R's programs print."""
    table = pd.read_csv(REFERENCE / "power_t_test_published.csv", comment="#")
    for row in table.itertuples():
        two = row.design == "two_sample"
        dof = 2 * row.n - 2 if two else row.n - 1
        error = math.sqrt((2 if two else 1) / row.n)
        critical = critical_value(row.alpha, dof=dof, sides=row.sides)

        sides = 1 if row.direction == "one" else row.sides
        found = power(row.d, error, critical=critical, dof=dof, sides=sides)

        assert found == pytest.approx(row.power_published, abs=5e-8)


def test_nist_sample_sizes_with_the_spread_known() -> None:
    """With the spread known the NIST handbook's sample sizes come out; 8 are printed one higher."""
    table = pd.read_csv(REFERENCE / "power_nist_sample_size.csv", comment="#")
    for row in table.itertuples():
        critical = critical_value(row.alpha)

        def one_tail(n: int, row: object = row, critical: float = float(critical)) -> bool:
            found = power(row.shift, 1 / math.sqrt(n), critical=critical, sides=1)
            return bool(found >= 1 - row.beta)

        n = max(3, smallest_whole(one_tail, 1) or 0)

        assert row.n_published - n == (1 if row.printed_high == "yes" else 0)


@pytest.mark.parametrize(("models", "z"), [(2, 1.96), (5, 2.73), (10, 3.16), (30, 3.75)])
def test_a_pair_picked_from_like_models_needs_a_larger_multiplier(models: int, z: float) -> None:
    """The multiplier for the widest pair of like models is the studentized range over root 2."""
    assert round(float(critical_value(0.05, models=models)), 2) == z


def test_welch_satterthwaite_example_of_the_gum() -> None:
    """JCGM 100:2008, G.4.1: 0.25, 0.57 and 0.82 % with 10, 5 and 15 dof, and gives 19.0."""
    nu = effective_dof(np.square([0.25, 0.57, 0.82]), [9, 4, 14])

    assert float(nu) == pytest.approx(19.0, abs=0.05)


def test_power_with_unequal_units_equals_statsmodels() -> None:
    """Unequal numbers of units give the power that statsmodels gives."""
    dof = 3 + 9 - 2
    found = power(
        1.2,
        standard_error(0.8, 3, 9),
        critical=critical_value(0.05, dof=dof),
        dof=dof,
    )

    assert found == pytest.approx(TTestIndPower().power(1.5, 3, 0.05, ratio=3), abs=1e-10)


def test_power_averaged_over_a_belief_equals_the_integral() -> None:
    """The closed form of the averaged power is the integral of the power over the belief."""
    dof, error, mean, sd = 4.0, 0.5, 1.0, 0.7
    critical = float(critical_value(0.05, dof=dof))

    def weighted(gap: float) -> float:
        chance = float(power(gap, error, critical=critical, dof=dof))
        return chance * float(stats.norm.pdf(gap, mean, sd))

    expected, _ = integrate.quad(weighted, mean - 8 * sd, mean + 8 * sd, epsabs=1e-10)
    found = float(power_believed(mean, sd, error, critical=critical, dof=dof))

    assert found == pytest.approx(expected, abs=1e-8)
    assert power_believed(mean, 0.0, error, critical=critical, dof=dof) == pytest.approx(
        float(power(mean, error, critical=critical, dof=dof)), abs=1e-12
    )


def test_chance_after_further_units_comes_true_when_simulated() -> None:
    """Given what was measured, the final claim comes about as often as was said."""
    rng, trials = np.random.default_rng(11), 40_000
    spread, floor, old, new = 0.8, 0.3, 2, 3
    d_now, c = 1.6, 1.96
    # A flat view of the truth: draw it about what was measured, and the new units about it.
    now, final = (float(standard_error(spread, n, n, floor=floor)) ** 2 for n in (old, old + new))
    # (the errors that stay are in both and move nothing)
    truth_and_fixed = d_now + rng.normal(0, math.sqrt(now - floor**2), trials)
    later = truth_and_fixed + rng.normal(0, spread * math.sqrt(2 / new), trials)
    d_final = (old * d_now + new * later) / (old + new)
    claimed = float(np.mean(np.abs(d_final) > c * math.sqrt(final)))
    said = float(power_continuing(d_now, now, final, critical=c))

    low, high = binomial_bounds(said, trials)
    assert low <= claimed <= high


def test_without_further_units_the_claim_is_certain_or_impossible() -> None:
    """Where nothing is added, the chance is 0 or 1 by what was measured."""
    assert power_continuing(1.5, 0.5, 0.5, critical=1.96) == 1.0
    assert power_continuing(1.0, 0.5, 0.5, critical=1.96) == 0.0


def test_power_of_no_gap_is_alpha() -> None:
    """With no gap a claim is made with chance alpha, spread known or not."""
    for dof in (1, 5, KNOWN):
        critical = critical_value(0.05, dof=dof)
        # Quantiles of t with one degree of freedom are good to 1e-12 of the level in scipy 1.16.
        assert power(0.0, 1.0, critical=critical, dof=dof) == pytest.approx(0.05, abs=1e-11)


@pytest.mark.parametrize("dof", [1.0, 2.0, 7.5, 50.0, 1e5, KNOWN])
def test_power_rises_to_one_and_is_never_nan(dof: float) -> None:
    """From no gap to an absurd one, the power rises to 1 without a NaN."""
    critical = critical_value(0.05, dof=dof)
    found = power(np.geomspace(1e-3, 1e9, 200), 1.0, critical=critical, dof=dof)

    assert np.all(np.diff(found) >= -1e-12)
    assert found[-1] == 1.0


@pytest.mark.parametrize("first", [0, 1, 3])
@pytest.mark.parametrize("wanted", [4, 7, 1000])
def test_smallest_whole_number_is_found_from_any_start(first: int, wanted: int) -> None:
    """The search finds the smallest number from any start, or says that there is none."""
    assert smallest_whole(lambda n: n >= wanted, first) == wanted
    assert smallest_whole(lambda n: n >= wanted, first, most=wanted - 1) is None
