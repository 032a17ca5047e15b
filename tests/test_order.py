"""Kernels under all decisions: joint maxima, comparison bands, ranks, random effects, groups."""

from __future__ import annotations

import itertools
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from fanstats.decisions.effects import effects_draws, effects_pair, effects_pairs, random_effects
from fanstats.decisions.groups import group_letters, largest_groups
from fanstats.decisions.order import (
    alike_multiplier,
    joint_limits,
    joint_maximum,
    pair_reach,
    pair_variances,
    quasi_variances,
    standard_uncertainty,
)
from fanstats.decisions.ranks import (
    mean_ranks,
    place_interval,
    rank_probabilities,
    ranks_from_draws,
    share_above,
)

REFERENCE = Path(__file__).parent / "reference"


def reference(name):
    return pd.read_csv(REFERENCE / name, comment="#")


def brute_maximum(deviations, reach):
    """Largest standardised error by a plain loop over ordered pairs."""
    largest = np.zeros(deviations.shape[1])
    for i, j in itertools.permutations(range(len(reach)), 2):
        if reach[i, j] > 0:
            largest = np.maximum(largest, (deviations[i] - deviations[j]) / reach[i, j])
    return largest


# Joint maximum ------------------------------------------------------------------------------------


@pytest.mark.parametrize(("count", "printed"), [(2, 1.96), (5, 2.73), (10, 3.16), (30, 3.75)])
def test_multiplier_of_models_alike_is_the_studentized_range_over_root_two(count, printed):
    """Among models alike and independent the joint maximum gives the studentized range."""
    rng = np.random.default_rng(count)
    joint = joint_limits(np.zeros(count), rng.standard_normal((count, 100_000)), 0.95)

    exact = stats.studentized_range.ppf(0.95, count, np.inf) / np.sqrt(2)
    assert alike_multiplier(count, 0.95) == pytest.approx(exact, abs=1e-9)
    assert exact == pytest.approx(printed, abs=0.005)
    assert abs(joint.multiplier - exact) < 4 * joint.multiplier_error


def test_multiplier_of_models_alike_agrees_with_tables_of_the_studentized_range():
    """The multiplier of models alike agrees with textbook tables for all sizes and levels."""
    table = reference("order_studentized_range.csv")

    for row in table.itertuples():
        found = alike_multiplier(row.k, 1 - row.alpha) * np.sqrt(2)
        assert found == pytest.approx(row.q_recomputed, abs=2e-7)
        if np.isfinite(row.q_published):
            assert found == pytest.approx(row.q_published, abs=6e-4)


@pytest.mark.parametrize("shared", [0.0, 10.0])
def test_joint_maximum_of_many_models_equals_the_plain_loop(shared):
    """Leaving out pairs that cannot be the largest changes nothing, whatever models share."""
    rng = np.random.default_rng(1)
    count = 50
    spread = rng.uniform(0.3, 3.0, count)
    deviations = rng.standard_normal((count, 400)) * spread[:, None]
    deviations += shared * rng.standard_normal(400)
    reach = np.hypot.outer(spread, spread) * rng.uniform(0.8, 1.2, (count, count))
    np.fill_diagonal(reach, 0.0)

    found = joint_maximum(deviations, reach, kept=4)

    np.testing.assert_allclose(found, brute_maximum(deviations, reach), rtol=1e-12)


def test_joint_maximum_leaves_out_pairs_without_a_reach():
    """Two models that share all their errors neither divide by zero nor count."""
    deviations = np.array([[1.0, -2.0], [1.0, -2.0], [0.0, 0.5]])
    reach = np.array([[0.0, 0.0, 2.0], [0.0, 0.0, 2.0], [1.0, 1.0, 0.0]])

    np.testing.assert_allclose(joint_maximum(deviations, reach), [0.5, 2.5])


def test_reach_is_lopsided_where_draws_are():
    """How far a difference may fall below its estimate is read off its own 15.87 % point."""
    rng = np.random.default_rng(2)
    draws = np.stack([rng.exponential(1.0, 400_000), np.zeros(400_000)])
    reach = pair_reach(np.array([1.0, 0.0]), draws)

    low, high = stats.expon.ppf(stats.norm.cdf([-1, 1]))
    assert reach[0, 1] == pytest.approx(1.0 - low, abs=0.005)
    assert reach[1, 0] == pytest.approx(high - 1.0, abs=0.02)


def test_reach_of_many_models_is_close_to_that_by_points():
    """With many models mean and standard deviation stand in for the one-sigma points."""
    rng = np.random.default_rng(3)
    draws = np.exp(0.1 * rng.standard_normal((60, 4000))) + rng.standard_normal(4000)
    values = np.ones(60)
    many, few = pair_reach(values, draws), pair_reach(values[:20], draws[:20])

    # The 15.87 % point of 4,000 draws has a relative standard error of 2.4 %.
    np.testing.assert_allclose(many[:20, :20], few, rtol=0.12, atol=1e-12)


def test_two_models_are_judged_by_the_plain_interval():
    """With two models the joint limits are the quantiles of their one difference."""
    rng = np.random.default_rng(4)
    draws = np.stack([rng.gamma(2.0, size=5000), rng.standard_normal(5000)])
    joint = joint_limits(np.array([2.0, 0.0]), draws, 0.9)

    low, high = np.quantile(draws[0] - draws[1], [0.05, 0.95])
    assert joint.lower[0, 1] == pytest.approx(low, rel=1e-12)
    assert -joint.lower[1, 0] == pytest.approx(high, rel=1e-12)


def test_limits_do_not_pass_their_own_estimate():
    """An estimate outside its interval gives a critical difference of 0, not a negative one."""
    draws = np.stack([np.linspace(4.0, 6.0, 101), np.zeros(101)])
    joint = joint_limits(np.array([1.0, 0.0]), draws, 0.95)

    assert joint.lower[0, 1] == 1.0


def test_models_without_any_uncertainty_are_not_told_apart():
    """Where draws hold no uncertainty there is nothing to judge by, and no division by zero."""
    joint = joint_limits(np.array([1.0, 2.0, 3.0]), np.tile([[1.0], [2.0], [3.0]], 10), 0.95)

    assert np.isneginf(joint.lower[0, 1])
    assert np.isnan(joint.multiplier)


def test_all_limits_hold_together_as_often_as_stated():
    """All true differences lie within their limits 95 times in 100, shared errors or not."""
    rng = np.random.default_rng(5)
    count, runs = 6, 1500
    spread = np.array([0.5, 1.0, 1.0, 2.0, 0.7, 1.5])
    errors = spread[:, None] * rng.standard_normal((count, 4000)) + 5 * rng.standard_normal(4000)
    true = np.array([0.0, 0.0, 1.0, 1.0, 3.0, 9.0])
    # Errors of given size: the limits keep their distance from the estimates in every run.
    lower = joint_limits(np.zeros(count), errors, 0.95).lower
    seen = spread * rng.standard_normal((runs, count)) + 5 * rng.standard_normal((runs, 1)) + true
    gaps = seen[:, :, None] - seen[:, None, :]
    held = (gaps + lower <= true[:, None] - true).all(axis=(1, 2))

    assert stats.binomtest(int(held.sum()), runs, 0.95).pvalue > 0.001


def test_false_leads_at_equal_truth_are_at_most_five_in_a_hundred():
    """With a spread estimated from few units, equal models are told apart 5 times in 100."""
    rng = np.random.default_rng(6)
    count, runs, dof, draws = 5, 1200, 5, 3000
    wrong = 0
    normal = rng.standard_normal((count, draws))
    scale = np.sqrt(dof / rng.chisquare(dof, draws))
    base = joint_limits(np.zeros(count), scale * normal, 0.95).lower
    for _ in range(runs):
        estimated = np.sqrt(rng.chisquare(dof) / dof)  # true spread 1
        seen = rng.standard_normal(count)
        wrong += bool(((seen[:, None] - seen) + estimated * base > 0).any())

    assert stats.binomtest(wrong, runs, 0.05, alternative="greater").pvalue > 0.001
    assert stats.binomtest(wrong, runs, 0.05).pvalue > 0.001


# Quasi-variances ----------------------------------------------------------------------------------


def test_quasi_variances_recover_own_uncertainties_under_a_shared_scale_error():
    """Each model's own standard deviation comes back though all share a scale error of 3 %."""
    rng = np.random.default_rng(7)
    own = np.array([0.01, 0.02, 0.015, 0.03, 0.005])
    draws = np.log(400) + 0.03 * rng.standard_normal(200_000)
    draws = draws + own[:, None] * rng.standard_normal((5, 200_000))

    found = np.sqrt(quasi_variances(pair_variances(draws)))

    np.testing.assert_allclose(found, own, atol=0.0004)


def test_quasi_variances_of_two_models_share_the_variance_equally():
    """Two models have one difference: each gets half of its variance."""
    np.testing.assert_allclose(quasi_variances(np.array([[0.0, 3.0], [3.0, 0.0]])), [1.5, 1.5])


@settings(max_examples=50, deadline=None)
@given(st.lists(st.floats(0.0, 1e3), min_size=3, max_size=12))
def test_quasi_variances_are_exact_where_errors_are_independent(own):
    """Variances that add up pairwise are found again exactly, up to rounding."""
    own = np.array(own)
    variances = own[:, None] + own
    np.fill_diagonal(variances, 0.0)

    np.testing.assert_allclose(quasi_variances(variances), own, atol=1e-9 * max(1.0, own.max()))


def test_standard_uncertainty_with_heavy_tails_is_half_the_central_interval():
    """A few wild draws do not decide the standard uncertainty; a rectangle keeps its own."""
    wild = stats.t.ppf((np.arange(20_000) + 0.5) / 20_000, 2)
    rectangle = np.linspace(-1.4, 1.4, 20_001)

    assert standard_uncertainty(wild) == pytest.approx(stats.t.ppf(stats.norm.cdf(1), 2), abs=1e-3)
    assert standard_uncertainty(rectangle) == pytest.approx(1.4 / np.sqrt(3), abs=1e-3)


def test_pair_variances_of_heavy_tailed_draws_follow_their_middle():
    """Models near the room's floor are scaled by what most of their draws do."""
    rng = np.random.default_rng(8)
    draws = rng.standard_normal((6, 50_000))
    draws[0] = rng.standard_t(2, 50_000)
    found = np.sqrt(quasi_variances(pair_variances(draws)))

    assert found[0] == pytest.approx(stats.t.ppf(stats.norm.cdf(1), 2), rel=0.03)
    np.testing.assert_allclose(found[1:], 1.0, rtol=0.03)


# Ranks --------------------------------------------------------------------------------------------


def _normal_case(text):
    numbers = dict(part.split("=") for part in text.split(";") if "=" in part)
    return {key: np.array([float(x) for x in value.split("/")]) for key, value in numbers.items()}


def _rank_of(quantity):
    return int(re.search(r"rank (\d+)", quantity).group(1))


def test_rank_probabilities_agree_with_integrals():
    """Ranks counted in draws agree with quadrature, to four Monte Carlo standard errors."""
    rng = np.random.default_rng(9)
    size = 100_000
    table = reference("order_rank_probabilities.csv")
    checked = 0
    for row in table[
        table["case"].isin(["one_mean_shifted", "k_equal_equicorrelated"])
    ].itertuples():
        case = _normal_case(row.parameters)
        count, rho = int(case["k"][0]), float(case["rho"][0])
        draws = np.sqrt(1 - rho) * rng.standard_normal((count, size))
        draws += np.sqrt(rho) * rng.standard_normal(size)
        draws[0] += case.get("delta", np.zeros(1))[0]
        found = rank_probabilities(draws)
        if "any given rank" in row.quantity:
            rank, who = 1, 0
        else:
            rank, who = _rank_of(row.quantity), 0 if "shifted" in row.quantity else 1
        error = np.sqrt(row.value * (1 - row.value) / size)
        assert abs(found[who, rank - 1] - row.value) < 4.5 * error
        checked += 1
    assert checked == 43


def test_orders_of_three_unequal_models_agree_with_integrals():
    """First, last and expected places of three unequal models agree with quadrature."""
    rng = np.random.default_rng(10)
    size = 200_000
    table = reference("order_rank_probabilities.csv")
    for text, rows in table[table["case"] == "three_general"].groupby("parameters"):
        case = _normal_case(text)
        draws = case["means"][:, None] + case["sds"][:, None] * rng.standard_normal((3, size))
        found = rank_probabilities(-draws)  # rank 1 is the smallest
        for row in rows.itertuples():
            model = re.search(r"X(\d) is (\w+)", row.quantity)
            expected = re.search(r"expected rank of X(\d)", row.quantity)
            if model:
                place = 0 if model.group(2) == "smallest" else 2
                got, error = found[int(model.group(1)) - 1, place], 0.5 / np.sqrt(size)
            elif expected:
                got, error = found[int(expected.group(1)) - 1] @ [1, 2, 3], 1.0 / np.sqrt(size)
            else:
                continue
            assert abs(got - row.value) < 4.5 * error


def test_chance_of_two_models_agrees_with_the_closed_form():
    """How often one of two normals lies above the other agrees with its closed form."""
    rng = np.random.default_rng(11)
    size = 200_000
    table = reference("order_rank_probabilities.csv")
    for row in table[table["case"] == "two_normals"].itertuples():
        case = {key: float(value[0]) for key, value in _normal_case(row.parameters).items()}
        first, second = rng.standard_normal((2, size))
        second = case["rho"] * first + np.sqrt(1 - case["rho"] ** 2) * second
        second = case["mean2-mean1"] + case["sd2"] * second
        found = share_above(second, case["sd1"] * first)
        assert abs(found - row.value) < 4.5 * np.sqrt(row.value * (1 - row.value) / size)


def test_models_that_tie_share_their_ranks():
    """Equal draws share the ranks they occupy, so that rows and columns add up to 1."""
    draws = np.array([[2.0, 1.0], [2.0, 3.0], [0.0, 1.0]])

    found = rank_probabilities(draws)

    np.testing.assert_allclose(found, [[0.25, 0.5, 0.25], [0.75, 0.25, 0.0], [0.0, 0.25, 0.75]])
    np.testing.assert_allclose(mean_ranks(np.array([31.2, 30.0, 31.2])), [1.5, 3.0, 1.5])


def test_ranks_follow_the_draws_across_blocks():
    """Ranks are the same as by sorting each draw alone, however draws are cut into blocks."""
    draws = np.random.default_rng(12).standard_normal((3000, 1500))

    found = ranks_from_draws(draws)

    expected = stats.rankdata(-draws[:, [0, 700, 1499]], axis=0)
    np.testing.assert_array_equal(found[:, [0, 700, 1499]], expected)


def test_place_interval_holds_at_least_what_is_asked():
    """The range of ranks leaves at most half of the rest on either side."""
    low, high = place_interval(np.array([[0.02, 0.0, 0.96, 0.02], [0.03, 0.94, 0.0, 0.03]]), 0.95)

    assert (low.tolist(), high.tolist()) == ([3, 1], [3, 4])


# Random effects -----------------------------------------------------------------------------------


def test_spread_between_models_follows_the_restricted_likelihood():
    """With equal variances the posterior of tau has its closed form, on a flat prior."""
    values, variance = np.array([1.0, 3.0, 4.0, 8.0, 9.0]), 2.0
    found = random_effects(values, np.full(5, variance))

    squares = np.square(values - values.mean()).sum()
    total = found.tau**2 + variance
    density = total ** (-(5 - 1) / 2) * np.exp(-squares / (2 * total))
    np.testing.assert_allclose(found.weights, density / density.sum(), rtol=1e-9)
    assert found.tau[0] > 0


def test_integrating_the_centre_out_agrees_with_a_grid_over_centre_and_spread():
    """With unequal variances the posterior of tau equals that of a dense grid over both."""
    # Coaching effects in eight schools (Rubin 1981, Journal of Educational Statistics 6, 377-401).
    values = np.array([28.0, 8.0, -3.0, 7.0, -1.0, 1.0, 18.0, 12.0])
    errors = np.array([15.0, 10.0, 16.0, 11.0, 9.0, 11.0, 10.0, 18.0])
    found = random_effects(values, errors**2)

    centres = np.linspace(-80.0, 96.0, 1761)
    spread = np.hypot(found.tau[:, None, None], errors)
    density = stats.norm.logpdf(values, centres[:, None], spread).sum(axis=2)
    joint = np.exp(density - density.max())
    np.testing.assert_allclose(found.weights, joint.sum(axis=1) / joint.sum(), atol=1e-8)


def test_draws_of_random_effects_agree_with_their_closed_form():
    """Pair chances counted in draws equal those integrated in closed form."""
    rng = np.random.default_rng(14)
    values, variances = np.array([0.0, 0.4, 1.0, 1.1, 3.0]), np.array([0.5, 1.0, 0.2, 0.0, 2.0])
    effects = random_effects(values, variances)
    size = 200_000
    draws = effects_draws(
        effects, rng.random(size), rng.standard_normal(size), rng.standard_normal((5, size))
    )
    pairs = effects_pairs(effects)
    for i, j in itertools.combinations(range(5), 2):
        assert abs(share_above(draws[i], draws[j]) - pairs[i, j]) < 4.5 * 0.5 / np.sqrt(size)
        assert effects_pair(effects, i, j) == pytest.approx(pairs[i, j], abs=1e-12)
        assert pairs[i, j] + pairs[j, i] == pytest.approx(1.0)
    np.testing.assert_allclose(draws[3], 1.1)


def test_pair_chances_of_many_models_hardly_depend_on_the_grid():
    """With many models fewer nodes stand for the spread between them, to 0.001 in a chance."""
    rng = np.random.default_rng(15)
    values, variances = rng.standard_normal(150), rng.uniform(0.2, 2.0, 150)
    effects = random_effects(values, variances)
    pairs = effects_pairs(effects)
    for i, j in [(0, 1), (3, 77), (149, 20)]:
        assert pairs[i, j] == pytest.approx(effects_pair(effects, i, j), abs=0.001)


def test_offsets_turn_chances_of_models_into_chances_of_bought_samples():
    """Luck of the two bought samples added draw by draw equals one normal with both variances."""
    rng = np.random.default_rng(16)
    values = np.array([0.0, 1.0, 2.0, 4.0, 5.0])
    effects = random_effects(values, np.full(5, 1.0))
    luck = 1.5 * rng.standard_normal(100_000)
    found = effects_pair(effects, 3, 1, luck)

    kept = effects.tau**2 / (effects.tau**2 + 1)
    exact = effects.weights @ stats.norm.cdf(3.0 * kept / np.sqrt(2 * kept + 1.5**2))
    assert found == pytest.approx(exact, abs=0.003)


def test_estimates_without_any_uncertainty_are_kept_as_they_are():
    """Zero variances shrink nothing; equal estimates without uncertainty tie."""
    effects = random_effects(np.array([1.0, 2.0, 3.0, 4.0, 5.0]), np.zeros(5))
    assert effects_pair(effects, 1, 0) == 1.0

    same = random_effects(np.ones(5), np.zeros(5))
    assert effects_pair(same, 1, 0) == 0.5


def test_stated_chances_come_true_as_stated():
    """Of calls stated at some 90 %, as many come true, tau being drawn from the flat prior."""
    rng = np.random.default_rng(17)
    stated, true = [], []
    for _ in range(1200):
        tau = rng.uniform(0.0, 4.0)
        variances = rng.uniform(0.5, 1.5, 6) ** 2
        truth = tau * rng.standard_normal(6)
        effects = random_effects(truth + np.sqrt(variances) * rng.standard_normal(6), variances)
        i, j = rng.choice(6, 2, replace=False)
        chance = effects_pair(effects, i, j)
        if chance < 0.5:
            i, j, chance = j, i, 1 - chance
        stated.append(chance)
        true.append(truth[i] > truth[j])
    stated, true = np.array(stated), np.array(true)
    for low, high in [(0.5, 0.8), (0.8, 0.95), (0.95, 1.0)]:
        group = (stated >= low) & (stated < high)
        error = np.sqrt((stated[group] * (1 - stated[group])).sum())
        assert abs(true[group].sum() - stated[group].sum()) < 3.3 * error


# Groups -------------------------------------------------------------------------------------------


def test_letters_agree_with_published_displays():
    """Letters made from Tukey's p values agree with displays that others printed."""
    differences = reference("order_tukey_differences.csv")
    displays = reference("order_letters.csv")
    for dataset, display in displays.groupby("dataset"):
        levels = list(display["level"])
        rows = differences[differences["dataset"] == dataset]
        assert len(rows) == len(levels) * (len(levels) - 1) // 2
        alike = np.eye(len(levels), dtype=bool)
        means = np.zeros(len(levels))
        for row in rows.itertuples():
            i, j = (levels.index(name) for name in row.comparison.split("-"))
            alike[i, j] = alike[j, i] = row.p_adjusted >= 0.05
            means[i] += row.difference
            means[j] -= row.difference
        largest_first = display["note"].str.contains("largest|agrees").any()
        order = np.argsort(-means if largest_first else means)
        groups = largest_groups(alike[np.ix_(order, order)])
        letters = group_letters(groups, len(levels))
        found = {levels[k]: letter for k, letter in zip(order, letters, strict=True)}
        assert found == dict(zip(levels, display["letters"], strict=True)), dataset


def test_groups_need_not_be_neighbours():
    """In the order a, b, d, c, e, f the groups {a, b, c} and {d, e, f} overlap in rank only."""
    names = "abdcef"
    alike = np.array([[(x in "abc") == (y in "abc") for y in names] for x in names])

    groups = largest_groups(alike)

    assert groups == [(0, 1, 3), (2, 4, 5)]
    assert group_letters(groups, 6) == ["a", "a", "b", "a", "b", "b"]


def test_models_that_all_differ_share_no_letter():
    """Five models that all differ are five groups of one."""
    assert group_letters(largest_groups(np.eye(5, dtype=bool)), 5) == ["a", "b", "c", "d", "e"]
    assert largest_groups(np.ones((3, 3), dtype=bool)) == [(0, 1, 2)]


@settings(max_examples=60, deadline=None)
@given(st.integers(1, 9), st.integers(0, 2**32 - 1), st.sampled_from([5000, 1]))
def test_sharing_a_letter_means_not_told_apart(count, seed, most):
    """Two models share a letter exactly if they are alike, also in the cover of many groups."""
    rng = np.random.default_rng(seed)
    upper = np.triu(rng.random((count, count)) < 0.6, 1)
    alike = upper | upper.T | np.eye(count, dtype=bool)

    groups = largest_groups(alike, most=most)
    letters = group_letters(groups, count)

    for i, j in itertools.combinations(range(count), 2):
        assert bool(set(letters[i]) & set(letters[j])) == alike[i, j]
    assert all(letters)
    assert len(set(groups)) == len(groups)


def test_more_groups_than_letters_are_numbered():
    """Beyond 52 groups they are numbered, with spaces between."""
    assert group_letters([(k,) for k in range(53)], 53)[52] == "53"
    assert group_letters([(k,) for k in range(52)], 52)[51] == "Z"
