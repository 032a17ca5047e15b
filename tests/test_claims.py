"""When a lead is claimed with a spread that is estimated: closed forms, and draws as drawn."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, stats

from fanstats.planning.claims import chance_of_claim, claim_limit

KNOWN = math.inf


@pytest.mark.parametrize("dof", [1.0, 2.0, 2.5, 7.0, 22.0, 300.0])
@pytest.mark.parametrize("models", [2, 6])
def test_all_estimated_it_is_students_t_and_the_studentized_range(dof: float, models: int) -> None:
    """Without a known part the limit is that of Student's t, and of Tukey for a picked pair."""
    found = claim_limit(0.64, 0.0, dof=dof, alpha=0.05, models=models)
    t = stats.t.isf(0.025, dof)
    q = stats.studentized_range.isf(0.05, models, dof) / math.sqrt(2)

    assert found == pytest.approx(0.8 * (t if models == 2 else q), rel=1e-7)


@pytest.mark.parametrize("dof", [1.0, 2.0, 5.5, 22.0, 300.0])
@pytest.mark.parametrize("gap", [0.5, 2.0, 4.0, 9.0])
def test_all_estimated_the_chance_is_a_noncentral_t(dof: float, gap: float) -> None:
    """Without a known part the chance is that of a t test."""
    c = stats.t.isf(0.025, dof)
    expected = stats.nct.sf(c, dof, gap) + stats.nct.sf(c, dof, -gap)

    assert chance_of_claim(gap, 1.0, 0.0, dof=dof, alpha=0.05) == pytest.approx(expected, abs=1e-7)


def test_all_known_it_is_normal() -> None:
    """With everything known, limit and chance are normal; nothing uncertain counts at once."""
    limit = claim_limit([0.3, 0.0], [0.7, 1.0], dof=[KNOWN, 3.0], alpha=0.05)
    chance = chance_of_claim(2.0, [0.3, 0.0], [0.7, 1.0], dof=[KNOWN, 3.0], alpha=0.05)

    assert limit == pytest.approx(1.959964, abs=1e-6)
    assert chance == pytest.approx(stats.norm.sf(-0.040036) + stats.norm.cdf(-3.959964), abs=1e-6)
    assert claim_limit(0.0, 0.0, dof=3.0, alpha=0.05) == 0.0
    assert chance_of_claim(0.1, 0.0, 0.0, dof=3.0, alpha=0.05) == 1.0


def test_below_one_degree_of_freedom_nothing_is_claimed() -> None:
    """One unit of each and the spread to be estimated: no gap counts."""
    assert claim_limit(1.0, 0.5, dof=0.0, alpha=0.05) == math.inf
    assert chance_of_claim(50.0, 1.0, 0.5, dof=0.0, alpha=0.05) == 0.0


@pytest.mark.parametrize(
    ("dof", "estimated", "models"), [(2.0, 0.5, 2), (3.0, 0.2, 2), (4.0, 0.8, 5)]
)
def test_the_limit_is_the_quantile_of_draws(dof: float, estimated: float, models: int) -> None:
    """The limit is the 95 % point of draws whose spread is drawn from its degrees of freedom."""
    rng, size = np.random.default_rng(6), 400_000
    scale = np.sqrt(estimated * dof / rng.chisquare(dof, size) + 1 - estimated)
    errors = rng.normal(size=(models, size))
    widest = scale * np.ptp(errors, axis=0) / math.sqrt(2)
    limit = float(claim_limit(estimated, 1 - estimated, dof=dof, alpha=0.05, models=models))
    beyond = float(np.mean(widest > limit))

    # Standard error of a share of 0.05 among so many.
    assert beyond == pytest.approx(0.05, abs=4 * math.sqrt(0.05 * 0.95 / size))


@pytest.mark.parametrize("dof", [2.0, 6.0])
def test_the_chance_is_that_of_benches_judged_by_their_own_draws(dof: float) -> None:
    """Benches whose spread comes out as it may, each judged by its own limit, claim as said."""
    rng, trials = np.random.default_rng(8), 40_000
    estimated, known, gap = 0.5, 0.3, 3.0
    came_out = estimated * rng.chisquare(dof, trials) / dof
    d = gap + rng.normal(0.0, math.sqrt(estimated + known), trials)
    limits = claim_limit(came_out, known, dof=dof, alpha=0.05)
    said = float(chance_of_claim(gap, estimated, known, dof=dof, alpha=0.05))
    low, high = stats.binom.ppf([1e-4, 1 - 1e-4], trials, said) / trials

    assert low <= float(np.mean(np.abs(d) > limits)) <= high


@pytest.mark.parametrize(("dof", "second"), [(2.0, 0.4), (3.0, 0.15), (6.0, 0.3), (9.0, 0.3)])
def test_two_parts_estimated_each_by_itself_are_drawn_each_by_itself(
    dof: float, second: float
) -> None:
    """Limit and chance hold where two kinds of luck come out each as it may."""
    rng, size, known = np.random.default_rng(6), 400_000, 0.1
    first = 1 - second - known
    w = rng.chisquare(dof, (2, size)) / dof
    drawn = np.abs(rng.normal(size=size)) * np.sqrt(first / w[0] + second / w[1] + known)
    limit = float(claim_limit(first, known, second=second, dof=dof, alpha=0.05))

    assert float(np.mean(drawn > limit)) == pytest.approx(
        0.05, abs=4 * math.sqrt(0.05 * 0.95 / size)
    )
    u, trials = rng.chisquare(dof, (2, 40_000)) / dof, 40_000
    d = 3.5 + rng.normal(size=trials)
    limits = claim_limit(first * u[0], known, second=second * u[1], dof=dof, alpha=0.05)
    said = float(chance_of_claim(3.5, first, known, second=second, dof=dof, alpha=0.05))
    low, high = stats.binom.ppf([1e-4, 1 - 1e-4], trials, said) / trials
    # From eight degrees of freedom on the two act as one, to a hundredth.
    room = 0.01 if dof >= 8 else 0.0
    assert low - room <= float(np.mean(np.abs(d) > limits)) <= high + room


def test_effective_degrees_of_freedom_would_promise_too_much() -> None:
    """With few degrees of freedom the limit is wider than t with effective ones (JCGM 100, G.4)."""
    effective = 2.0 * (0.5 + 0.5) ** 2 / 0.5**2
    by_gum = float(stats.t.isf(0.025, effective))

    assert float(claim_limit(0.5, 0.5, dof=2.0, alpha=0.05)) > 1.3 * by_gum


def test_a_belief_about_the_gap_is_averaged_over() -> None:
    """The chance averaged over a belief equals the integral over it."""

    def weighted(gap: float) -> float:
        chance = float(chance_of_claim(gap, 0.3, 0.2, dof=3.0, alpha=0.05))
        return chance * float(stats.norm.pdf(gap, 2.0, 0.7))

    expected, _ = integrate.quad(weighted, 2.0 - 5.6, 2.0 + 5.6, epsabs=1e-9)
    found = chance_of_claim(2.0, 0.3, 0.2, dof=3.0, alpha=0.05, belief_sd=0.7)

    assert found == pytest.approx(expected, abs=1e-7)
