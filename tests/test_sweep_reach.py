"""Luck past the steps read: how far they reach, and what a plan loses by it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from fanstats.planning.claims import chance_of_claim, claim_limit
from fanstats.planning.effort import Costs, Effort, Scatter
from fanstats.planning.settle import settle_gap
from fanstats.planning.sweep_reach import Reach, reach_of_share

KNOWN = math.inf


@pytest.mark.parametrize(("tested", "dof"), [(1, KNOWN), (3, KNOWN), (1, 2.0), (4, 3.0)])
def test_the_reach_that_a_share_tells_gives_back_the_share(tested: int, dof: float) -> None:
    """Units drawn with luck as wide as stated lie beyond as often as the share says."""
    rng, draws = np.random.default_rng(11), 200_000
    reach = reach_of_share(0.04, tested, dof)
    scale = np.ones(draws) if math.isinf(dof) else np.sqrt(dof / rng.chisquare(dof, draws))
    beyond = (scale[:, None] * rng.normal(size=(draws, tested)) > reach).any(axis=1)

    assert beyond.mean() == pytest.approx(0.04, abs=4 * math.sqrt(0.04 * 0.96 / draws))


@pytest.mark.parametrize(
    ("units", "dof", "ends", "gap"),
    [
        ((5, 5), 2.0, (11.5, 10.0), 3.0),
        ((2, 2), 2.0, (11.5, 10.0), 4.5),
        ((3, 6), 6.0, (5.0, math.inf), 1.8),
        ((4, 4), KNOWN, (3.0, 3.3), 2.0),
    ],
)
def test_a_chance_lost_at_the_ends_of_the_steps_comes_true_when_simulated(
    units: tuple[int, int], dof: float, ends: tuple[float, float], gap: float
) -> None:
    """Tests are drawn with units that are lucky themselves; each judges its own draws beyond."""
    rng, trials = np.random.default_rng(3), 3000
    variance = 1.0 / units[0] + 1.0 / units[1]
    u = np.ones(trials) if math.isinf(dof) else rng.chisquare(dof, trials) / dof
    lost = np.zeros(trials, dtype=bool)
    for end, n in zip(ends, units, strict=True):
        # Each new unit has a reach of its own.
        reach = end + rng.normal(size=(trials, n))
        w = np.ones(1)
        if not math.isinf(dof):
            w = stats.chi2.ppf((np.arange(400) + 0.5) / 400, dof) / dof
        x = np.sqrt(w / u[:, None])
        share = 1.0 - np.prod(stats.norm.cdf(reach[:, :, None] * x[:, None, :]), axis=1)
        lost |= share.mean(axis=1) > 0.025
    limit = claim_limit(variance * u, 0.0, dof=dof, alpha=0.05)
    error = math.sqrt(variance)
    called = np.where(lost, 0.0, stats.norm.sf((limit - gap) / error))

    reached = Reach(ends=ends, driver="first")
    first, second = (np.array([float(n)]) for n in units)
    said = chance_of_claim(
        gap, np.array([variance]), 0.0, dof=dof, alpha=0.05,
        readable=reached.readable(first, second, np.array([dof]), 0.025),
    )  # fmt: skip
    without = float(chance_of_claim(gap, variance, 0.0, dof=dof, alpha=0.05))

    room = 0.02 + 4 * called.std() / math.sqrt(trials)
    assert float(said[0]) == pytest.approx(called.mean(), abs=room)
    assert lost.mean() > 0.02
    assert without > float(said[0])


def plan(reach: Reach | None, gap: float = 1.4, dof: float = KNOWN, **effort: int):
    """Plan with a spread of 0.8 that reaches so far."""
    return settle_gap(
        gap, Scatter(unit=0.8, unit_dof=dof, dof_grows=False, reach=reach), costs=Costs(),
        effort=Effort(together=True, **effort),
    )  # fmt: skip


def test_steps_that_reach_as_far_as_luck_lose_nothing() -> None:
    """No reach, an endless one and a very long one give the same plan."""
    plans = [
        plan(reach)
        for reach in (
            None,
            Reach(ends=(math.inf, math.inf), driver="known"),
            Reach(ends=(30.0, 30.0), driver="known"),
        )
    ]

    assert len({found.n_per_model for found in plans}) == 1
    assert [found.power_lost for found in plans] == [0.0, 0.0, 0.0]


def test_a_plan_that_loses_by_short_steps_says_so_and_takes_it_into_account() -> None:
    """The chance with short steps is lower by what is said, and never above that without."""
    reach = Reach(ends=(7.0, 7.0), driver="first")
    far, short = plan(None, 2.6, 4.0, equal=True), plan(reach, 2.6, 4.0, equal=True)

    assert short.power >= 0.8
    assert short.power_lost > 0.005
    rows = far.curve.merge(short.curve, on=["n_first", "n_second"])
    assert (rows["power_y"] <= rows["power_x"] + 1e-12).all()
    assert (rows["power_y"] < rows["power_x"] - 0.01).any()


def test_where_more_samples_only_run_past_the_steps_the_advice_is_to_read_further() -> None:
    """No tie is published for want of steps: the floor is low enough, the sweep too short."""
    found = plan(Reach(ends=(1.5, 1.5), driver="known"))

    assert found.verdict == "cannot be settled"
    assert found.power_at_most > 0.99
    assert found.sentence().startswith("With the steps read a gap of 1.4 cannot be settled: sample")
    assert "Read further steps and plan again" in found.sentence()
    assert "tie" not in found.sentence()
    # The best of all that may be tested, whatever it costs.
    best = max(row.power for row in found.curve.itertuples())
    assert f"samples do best, with a chance of {best:.2f}. Read further" in found.sentence()
