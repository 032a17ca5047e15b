"""A value to publish from a few samples, and what it truly covers."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import fanstats as fs
from fanstats.spread.declared import acceptance_constant, declared_value, verify_declared

PUBLISHED = pd.read_csv(Path(__file__).parent / "reference" / "declared_published.csv", comment="#")


def test_iso_4871_one_machine_is_rounded_once():
    """ISO 4871:1996 A.2.2: 91.4 + 2.4 (sigma_R = 1.5 dB, K = 2.47) is 93.9, published as 94."""
    found = declared_value([91.4], sigma_R=1.5, about="this sample")

    assert found.adder == pytest.approx(2.47, abs=0.005)
    assert found.declared == 94.0
    assert "this sample alone" in found.sentence()
    assert declared_value([30.0], sigma_R=0.5, about="this sample").adder == pytest.approx(
        0.82, abs=0.005
    )


@pytest.mark.parametrize(
    ("sigma_R", "sigma_P", "adder"), [(1.5, 1.32, 3.00), (1.5, 0.25, 2.55), (0.5, 1.0, 2.17)]
)
def test_batch_adders_of_worked_numbers(sigma_R, sigma_P, adder):
    """Mean + 1.5 sigma_t + 0.564 (sigma_M - sigma_t) with sigma_M = 2.0 dB."""
    found = declared_value([34.0], sigma_R=sigma_R, sigma_P=sigma_P, sigma_M=2.0)
    assert found.adder == pytest.approx(adder, abs=0.005)


def test_three_samples_from_mean_to_published_value():
    """34.2, 35.0, 35.8 with 0.8 and 1.5 dB: 37.7, published as 38; a check passes up to 36.87."""
    found = declared_value([34.2, 35.0, 35.8], sigma_R=1.5, sigma_P=0.8, sigma_M=2.0)

    assert (found.mean, found.sigma_total) == pytest.approx((35.0, 1.70))
    assert found.adder == pytest.approx(2.72, abs=0.005)
    assert found.declared == 38.0
    assert verify_declared(38, [36.87] * 3, sigma_M=2.0).limit == pytest.approx(36.87, abs=0.005)


def test_the_statutory_example_needs_two_decibels():
    """Sigma_M = 3.5 dB: the mean of three must lie 2 dB under the declared value."""
    found = verify_declared(60.0, [58.0, 58.0, 58.1], sigma_M=3.5)

    assert 60.0 - found.limit == pytest.approx(2.0, abs=0.05)
    assert not found.passed
    assert verify_declared(60.0, [58.0, 58.0, 58.0], sigma_M=3.5).passed


@pytest.mark.parametrize(
    "row", list(PUBLISHED.itertuples()), ids=lambda row: f"{row.samples} samples"
)
def test_what_the_rule_covers_for_the_next_sample(row):
    """The mean of few samples is uncertain, so 93.5 % of them do not stay below."""
    found = declared_value(np.full(row.samples, 30.0), sigma_R=0.0, sigma_P=1.0)
    # The rule prints 1.5 for 1.514: the cover is that of the printed constant.
    from scipy.stats import norm

    shift = norm.ppf(row.covers_next) * 1.5 / 1.5141
    assert acceptance_constant(row.samples) == pytest.approx(row.acceptance, abs=5e-5)
    assert found.covers_next == pytest.approx(norm.cdf(shift), abs=1e-4)
    assert found.adder_needed == pytest.approx(row.needed, abs=5e-5)


@pytest.mark.simulation
def test_cover_and_acceptance_are_those_of_simulated_batches():
    """Three samples published, one more bought, three more checked: a plain simulation."""
    rng = np.random.default_rng(3)
    trials = 100_000
    total = 1.6
    found = declared_value([30.0, 30.0, 30.0], sigma_R=total, sigma_P=0.0)
    tested = rng.normal(size=(trials, 3)).mean(axis=1) * total
    bought = rng.normal(size=trials) * total
    covered = np.mean(bought <= tested + found.adder)
    checked = rng.normal(size=(trials, 3)).mean(axis=1) * total
    # A declared value set at the true mean + the rule's own constant passes 95 times in 100.
    passed = np.mean(checked <= 1.5141 * total - acceptance_constant(3) * total)

    assert found.covers_next == pytest.approx(covered, abs=4 * np.sqrt(0.1 * 0.9 / trials))
    assert passed == pytest.approx(0.95, abs=4 * np.sqrt(0.05 * 0.95 / trials))


def test_a_measured_spread_brings_its_degrees_of_freedom():
    """0.8 dB on 6 degrees of freedom beside 1.5 dB that is known (Satterthwaite)."""
    measured = replace(fs.standard(0.8), dof=6.0)
    found = declared_value([34.2, 35.0, 35.8], sigma_R=1.5, sigma_P=measured)
    dof = 6 * (1.7 / 0.8) ** 4

    assert found.sigma_total == pytest.approx(1.7)
    assert found.dof == pytest.approx(dof)
    assert found == declared_value([34.2, 35.0, 35.8], sigma_R=1.5, sigma_P=0.8, dof=dof)
    # Of a mean square with the errors of reading in it, the rest is the samples' own.
    square = replace(fs.standard(1.0), dof=6.0, kind="mean square", removed_variance=0.36)
    taken = declared_value([34.0], sigma_R=0.0, sigma_P=square)
    assert taken.sigma_total == pytest.approx(0.8)
    assert taken.dof == pytest.approx(6 * 0.64**2)
    with pytest.raises(fs.FanstatsError, match=r"a spread of noise, in dB; got s = 2 %"):
        declared_value([34.0], sigma_R=1.5, sigma_P=fs.standard("2 %"))
    assert declared_value([34.0], sigma_R=1.5, sigma_P=measured, about="this sample").dof == np.inf


def test_what_is_declared_and_checked_prints_in_words():
    """The value, what it promises and how a check went."""
    found = declared_value([34.2, 35.0, 35.8], sigma_R=1.5, sigma_P=0.8, sigma_M=2.0)
    assert repr(found) == found.sentence()
    assert "the one you would buy reads no more 92 times in 100" in repr(found)
    good, bad = (verify_declared(38, [x, x, x], sigma_M=2.0) for x in (36.0, 37.0))
    assert repr(good) == (
        "The declared value is verified by 3 samples: mean 36.00 dB, which had to stay within "
        "36.87 dB."
    )
    assert "is not verified by 3 samples" in repr(bad)


def test_a_model_without_a_spread_is_refused():
    """One sample cannot say how samples differ."""
    with pytest.raises(fs.FanstatsError, match="`sigma_P` must be given for a model"):
        declared_value([34.0], sigma_R=1.5)
    with pytest.raises(fs.FanstatsError, match="`sigma_M` must be given to check a batch"):
        verify_declared(38, [36.0, 37.0])
    with pytest.raises(fs.FanstatsError, match="takes one level; got 2"):
        declared_value([34.0, 35.0], sigma_R=1.5, about="this sample")
    with pytest.raises(fs.FanstatsError, match="one finite level a sample"):
        declared_value([np.nan], sigma_R=1.5, sigma_P=1.0)


def test_halves_go_up_and_decimals_are_kept():
    """34.25 + 0 is published as 34.3 with one decimal."""
    assert declared_value([34.25], sigma_R=0, sigma_P=0, decimals=1).declared == 34.3
    assert declared_value([34.5], sigma_R=0, sigma_P=0).declared == 35.0
