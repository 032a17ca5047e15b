"""Many comparisons at once: all pairs, against one, against the best, letters, error rates."""

from __future__ import annotations

import itertools
import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from scipy import stats

from fanstats.decisions.compare import compare
from fanstats.decisions.families import compare_all_pairs, compare_with_best, compare_with_one
from fanstats.decisions.rank import rank
from fanstats.errors import FanstatsError
from tests.synthetic import make_estimates

REFERENCE = Path(__file__).parent / "reference"
SIX = {"A": 420.0, "B": 400.0, "C": 390.0, "D": 385.0, "E": 350.0, "F": 330.0}


def reference(name):
    return pd.read_csv(REFERENCE / name, comment="#")


def with_t_errors(means, errors, dof, *, draws=200_000, rng=1):
    """Means with independent errors that share one pooled standard deviation."""
    generator = np.random.default_rng(rng)
    names = list(means)
    scale = np.ones(draws)
    if math.isfinite(dof):
        scale = np.sqrt(dof / generator.chisquare(dof, draws))
    centre = np.array([means[name] for name in names])[:, None]
    error = np.array([errors[name] for name in names])[:, None]
    values = centre + error * generator.standard_normal((len(names), draws)) * scale
    return xr.Dataset(
        {
            "yield": (("model", "draw"), values, {"units": "kg"}),
            "yield_value": (("model",), centre.ravel()),
        },
        coords={"model": names, "root": "1"},
    )


DRAWS = 200_000
# One-sigma points read off so many draws of a normal are known to this share of their distance.
REACH_ERROR = math.sqrt(stats.norm.cdf(1) * stats.norm.sf(1) / DRAWS) / stats.norm.pdf(1)


def limit_error(critical):
    """Share to which a simulated family-wise limit is known.

    The density of the maximum at its 95 % point is not below 0.09 for any family in these tests.
    """
    point = math.sqrt(0.95 * 0.05 / DRAWS) / 0.09
    return math.hypot(point / critical, REACH_ERROR)


def p_error(p, gap, pairs, dof):
    """Standard error of a simulated family-wise p value of a gap in its standard errors."""
    slope = min(1.0, 2 * pairs * stats.t.pdf(gap, dof)) * gap
    return math.hypot(math.sqrt(p * (1 - p) / DRAWS), slope * REACH_ERROR)


# Published families -------------------------------------------------------------------------------


def tukey_family(dataset):
    """Family-wise comparisons of a published data set, its pairs, and its degrees of freedom."""
    data = reference("tukey_data.csv").query("dataset == @dataset")
    groups = data.groupby("level")["value"]
    dof = len(data) - groups.ngroups
    pooled = math.sqrt((groups.var().fillna(0.0) * (groups.count() - 1)).sum() / dof)
    errors = {name: pooled / math.sqrt(count) for name, count in groups.count().items()}
    found = compare_all_pairs(with_t_errors(dict(groups.mean()), errors, dof), best="high")
    pairs = {frozenset(pair[:2]): pair for pair in found.table.itertuples(index=False)}
    wanted = reference("tukey_limits.csv").query("dataset == @dataset").to_dict("records")
    mine = [pairs[frozenset(row["comparison"].split("-"))] for row in wanted]
    scale = {
        pair: math.hypot(*(errors[name] for name in row["comparison"].split("-")))
        for pair, row in enumerate(wanted)
    }
    return list(zip(mine, wanted, scale.values(), strict=True)), dof


def test_all_pairs_give_tukeys_limits_and_p_values():
    """Differences, limits and adjusted p values of PlantGrowth come out as R prints them."""
    family, dof = tukey_family("plantgrowth")
    assert len(family) == 3
    for mine, row, scale in family:
        sign = 1.0 if row["comparison"].startswith(mine.model) else -1.0
        assert sign * mine.difference == pytest.approx(row["difference"], abs=1e-9)
        p = row["published_p"]
        error = p_error(p, abs(row["difference"]) / scale, 3, dof)
        assert mine.p_adjusted == pytest.approx(p, abs=4 * error)
        half = (row["published_upper"] - row["published_lower"]) / 2
        ends = sorted([sign * mine.low, sign * mine.high])
        assert ends == pytest.approx(
            [row["published_lower"], row["published_upper"]],
            abs=4 * half * limit_error(half / scale),
        )


def test_all_pairs_of_unequal_groups_are_no_more_cautious_than_tukey_kramer():
    """Tukey-Kramer is conservative for unequal groups (Hayter 1984); the joint maximum is exact."""
    family, dof = tukey_family("sweetpotato")
    assert len(family) == 6
    for mine, row, scale in family:
        error = p_error(row["p_adjusted"], abs(row["difference"]) / scale, 6, dof)
        assert mine.p_adjusted <= row["p_adjusted"] + 4 * error
        assert mine.p_adjusted <= row["published_p"] + 0.0005 + 4 * error
        assert (mine.verdict == "ahead") == (row["published_p"] < 0.05)


@pytest.mark.parametrize("side", ["two-sided", "one-sided"])
def test_against_one_gives_dunnetts_critical_values(side):
    """The smallest gap that counts against a reference is Dunnett's d, as printed in his tables."""
    table = reference("dunnett_table.csv").query("side == @side and df in (10, 20)")
    assert len(table) >= 4
    for row in table.to_dict("records"):
        count = row["k_treatments"] + 1
        names = [f"M{k}" for k in range(count)]
        estimates = with_t_errors(
            dict.fromkeys(names, 0.0), dict.fromkeys(names, 1.0), row["df"], rng=2
        )
        found = compare_with_one(
            estimates, "M0", best="high", side="both" if side == "two-sided" else "ahead"
        )
        critical = -found.table["low"].to_numpy() / math.sqrt(2)
        error = 4 * row["d_exact"] * limit_error(row["d_exact"])
        assert critical.mean() == pytest.approx(row["d_exact"], abs=error)
        # Some printed entries are off by one in their last digit.
        assert critical.mean() == pytest.approx(row["d_published"], abs=error + 0.01)


@pytest.mark.parametrize("rho", [0.25, 0.5, 0.75, 0.9])
@pytest.mark.parametrize("side", ["two-sided", "one-sided"])
def test_against_one_gives_the_equicorrelated_maximum(rho, side):
    """A reference known better or worse than the others changes the correlation, and is covered."""
    table = reference("dunnett_max_t.csv").query("side == @side and rho == @rho and k > 2")
    assert len(table) == 4
    for row in table.to_dict("records"):
        names = [f"M{k}" for k in range(row["k"] + 1)]
        errors = dict.fromkeys(names, math.sqrt(1 - rho)) | {"M0": math.sqrt(rho)}
        estimates = with_t_errors(dict.fromkeys(names, 0.0), errors, row["df"], rng=4)
        found = compare_with_one(
            estimates, "M0", best="high", side="both" if side == "two-sided" else "ahead"
        )
        critical = -found.table["low"].mean()
        wanted = row["critical_value"]
        assert critical == pytest.approx(wanted, abs=4 * wanted * limit_error(wanted))


# Same as elsewhere --------------------------------------------------------------------------------


def test_all_pairs_and_compare_say_the_same():
    """Every pair has the limits and verdict that `compare` gives a pair picked from the chart."""
    estimates = make_estimates(SIX, shared=0.03, own=0.006, draws=3000)
    found = compare_all_pairs(estimates)
    assert len(found.table) == 15
    for row in found.table.to_dict("records"):
        pair = compare(estimates, row["model"], row["against"])
        assert row["difference"] == pytest.approx(pair.difference.value, abs=1e-9)
        assert [row["low"], row["high"]] == pytest.approx(
            [pair.difference.low, pair.difference.high], abs=1e-9
        )
        assert row["ratio_low"] == pytest.approx(pair.ratio.low, abs=1e-9)
        assert (row["verdict"] == "ahead") == (pair.verdict == "ahead")
        assert (row["p_adjusted"] <= 0.05 + 1e-3) == (row["verdict"] != "open")


def test_two_models_have_the_plain_pair():
    """With two models nothing is adjusted: twice the smaller tail."""
    estimates = make_estimates({"A": 410.0, "B": 400.0}, own=0.01, noise_spread=0.0,
                               airflow_spread=0.0, draws=100_000)  # fmt: skip
    found = compare_all_pairs(estimates)
    gap = math.log(410 / 400) / (0.01 * math.sqrt(2))
    wanted = 2 * stats.norm.sf(gap)
    assert found.table["p_adjusted"].iloc[0] == pytest.approx(wanted, abs=4 * math.sqrt(2e-6))


def test_a_named_reference_and_the_best_need_smaller_gaps_than_all_pairs():
    """Fewer questions, smaller multiplier: one side of one reference < both sides < all pairs."""
    estimates = make_estimates(SIX, own=0.006, draws=20_000)
    all_of_them = compare_all_pairs(estimates).multiplier
    both = compare_with_one(estimates, "C").multiplier
    one_side = compare_with_one(estimates, "C", side="ahead").multiplier
    best = compare_with_best(estimates).multiplier
    assert one_side < both < all_of_them
    assert best < both


def test_less_is_better_turns_verdicts_not_numbers():
    """For noise the quieter is ahead, and differences stay model minus the other."""
    estimates = make_estimates({"A": 30.0, "B": 33.0, "C": 36.0}, quantity="noise", units="dBA",
                               relative=False, own=0.3, noise_spread=0.0, airflow_spread=0.0,
                               slope=0.0, draws=3000)  # fmt: skip
    pairs = compare_all_pairs(estimates).table
    assert list(pairs["model"]) == ["A", "A", "B"]
    assert pairs["difference"].tolist() == [-3.0, -6.0, -3.0]
    assert (pairs["high"] < 0).all()
    assert (pairs["verdict"] == "ahead").all()
    assert pairs["ratio"].isna().all()
    best = compare_with_best(estimates).table
    assert best["verdict"].tolist() == ["the best", "not the best", "not the best"]
    assert best["low"].tolist()[1:] == [0.0, 0.0]
    one = compare_with_one(estimates, "B").table
    assert one.set_index("model")["verdict"].to_dict() == {"A": "ahead", "C": "behind"}


@pytest.mark.parametrize("side", ["both", "ahead", "behind"])
def test_lopsided_draws_have_lopsided_limits_to_one(side):
    """Limits to a reference follow the draws' own one-sigma points on either side."""
    rng = np.random.default_rng(3)
    skewed = rng.gamma(2.0, 1.0, (4, 20_000)) * np.array([1.0, 2.0, 1.0, 0.5])[:, None]
    values = np.array([10.0, 14.0, 11.0, 9.0])
    draws = values[:, None] + skewed - np.median(skewed, axis=1, keepdims=True)
    estimates = xr.Dataset(
        {"mix": (("model", "draw"), draws), "mix_value": (("model",), values)},
        coords={"model": list("ABCD"), "root": "1"},
    )
    found = compare_with_one(estimates, "A", best="high", side=side).table.set_index("model")
    down, up, errors = {}, {}, {}
    for k, name in enumerate("ABCD"):
        if name != "A":
            errors[name] = (values[k] - values[0]) - (draws[k] - draws[0])
            low, high = np.quantile(-errors[name], [stats.norm.cdf(-1), stats.norm.cdf(1)])
            down[name], up[name] = -low, high
    sides = {"ahead": [(errors[m] / down[m]) for m in errors],
             "behind": [(-errors[m] / up[m]) for m in errors]}  # fmt: skip
    used = sides["ahead"] + sides["behind"] if side == "both" else sides[side]
    critical = np.quantile(np.max(used, axis=0), 0.95)
    for k, name in enumerate("ABCD"):
        if name != "A":
            gap = values[k] - values[0]
            low = -np.inf if side == "behind" else gap - critical * down[name]
            high = np.inf if side == "ahead" else gap + critical * up[name]
            assert [found.loc[name, "low"], found.loc[name, "high"]] == pytest.approx([low, high])


# Against the best ---------------------------------------------------------------------------------


def test_limits_to_the_best_hold_zero_and_match_a_plain_loop():
    """Constrained limits agree with Hsu's definition written out model by model."""
    estimates = make_estimates(SIX, own=[0.006, 0.01, 0.006, 0.02, 0.01, 0.006],
                               noise_spread=0.0, airflow_spread=0.0, draws=4000)  # fmt: skip
    found = compare_with_best(estimates).table.set_index("model")
    logs = {name: np.log(estimates.airflow.sel(scope="model", model=name).values) for name in SIX}
    y = {name: math.log(value) for name, value in SIX.items()}

    def reach_up(i, j):
        return np.quantile(logs[i] - logs[j], stats.norm.cdf(1)) - (y[i] - y[j])

    critical, possible = {}, []
    for i in SIX:
        others = [j for j in SIX if j != i]
        maxima = np.max(
            [((logs[i] - logs[j]) - (y[i] - y[j])) / reach_up(i, j) for j in others], axis=0
        )
        critical[i] = np.quantile(maxima, 0.95)
        upper = min(y[i] - y[j] + critical[i] * reach_up(i, j) for j in others)
        if upper > 0:
            possible.append(i)
        assert math.log(found.loc[i, "ratio_high"]) == pytest.approx(max(0.0, upper), abs=1e-9)
    for i in SIX:
        held = [j for j in possible if j != i]
        lower = min([y[i] - y[j] - critical[j] * reach_up(j, i) for j in held], default=0.0)
        assert math.log(found.loc[i, "ratio_low"]) == pytest.approx(min(0.0, lower), abs=1e-9)
    assert set(found.index[found["verdict"] != "not the best"]) == set(possible)


# Letters ------------------------------------------------------------------------------------------


def test_letters_where_alike_is_not_transitive():
    """A like B and B like C but A not like C: a, ab, b. All different: one letter each."""
    values = {"A": 32.0, "B": 31.0, "C": 30.0}
    common = {"quantity": "noise", "units": "dBA", "relative": False, "noise_spread": 0.0,
              "airflow_spread": 0.0, "slope": 0.0, "draws": 4000}  # fmt: skip
    found = compare_all_pairs(make_estimates(values, own=0.45, **common), best="high")
    assert found.letters()["group"].tolist() == ["a", "ab", "b"]
    apart = compare_all_pairs(make_estimates(values, own=0.02, **common), best="high")
    assert apart.letters()["group"].tolist() == ["a", "b", "c"]
    assert "all 3 pairs are settled, in the order A, B and C" in apart.sentence()


def test_two_models_share_a_letter_exactly_if_their_pair_is_open():
    """Letters say no more and no less than the table of pairs, and the same as a ranking."""
    for root in range(5):
        rng = np.random.default_rng(root)
        values = {f"M{k}": 400 * math.exp(rng.normal(0, 0.06)) for k in range(9)}
        estimates = make_estimates(values, own=rng.uniform(0.003, 0.03, 9), draws=1000, root=root)
        found = compare_all_pairs(estimates)
        letters = found.letters().set_index("model")["group"]
        for row in found.table.to_dict("records"):
            share = bool(set(letters[row["model"]]) & set(letters[row["against"]]))
            assert share == (row["verdict"] == "open")
        table = rank(estimates).table
        assert letters[table["model"]].tolist() == table["group"].tolist()


def test_letters_need_all_pairs():
    """Comparisons against one reference have no letters."""
    with pytest.raises(FanstatsError, match="need all pairs"):
        compare_with_one(make_estimates(SIX, draws=200), "A").letters()


# Edges and words ----------------------------------------------------------------------------------


def test_models_without_an_estimate_are_left_out_with_their_reason():
    """A model above the range takes no part, and the sentence says why."""
    estimates = make_estimates(
        {**SIX, "G": math.nan}, draws=500, statuses={"G": "above range: 2 dB below the target"}
    )
    found = compare_all_pairs(estimates)
    assert found.left_out == {"G": "above range: 2 dB below the target"}
    assert "Left out: G (above range: 2 dB below the target)." in found.sentence()
    with pytest.raises(FanstatsError, match="`reference` must be a model with an estimate"):
        compare_with_one(estimates, "G")


def test_part_of_a_chart_is_said_to_be_one():
    """Families over a selection of models carry a note."""
    found = compare_with_one(make_estimates(SIX, draws=300).isel(model=[0, 1, 2]), "A")
    assert any("judged without D, E and F of the same chart" in note for note in found.notes)


def test_errors_all_shared_leave_pairs_open():
    """Two models without any uncertainty between them are not called different."""
    estimates = make_estimates({"A": 30.0, "B": 31.0, "C": 35.0}, quantity="noise", units="dBA",
                               relative=False, own=[0.0, 0.0, 0.3], shared=0.5, noise_spread=0.0,
                               airflow_spread=0.0, slope=0.0, draws=1000)  # fmt: skip
    found = compare_all_pairs(estimates).table
    pair = found[(found["model"] == "A") & (found["against"] == "B")].iloc[0]
    assert pair["verdict"] == "open"
    assert math.isnan(pair["p_adjusted"])
    assert compare_with_best(estimates).table["verdict"].iloc[2] == "not the best"
    one = compare_with_one(estimates, "A").table.set_index("model")
    assert one.loc["B", "verdict"] == "open"
    assert one.loc["C", "verdict"] == "behind"


def test_one_model_alone():
    """With one estimate there is nothing to compare, and the sentence says so."""
    estimates = make_estimates({"A": 400.0, "B": math.nan}, draws=200)
    for found in (compare_all_pairs(estimates), compare_with_best(estimates)):
        assert found.table.empty
        assert "fewer than two models" in found.sentence()


def test_sentences_and_tables_of_families():
    """Each family says what is settled, for whom, and how sure all of it is together."""
    estimates = make_estimates(SIX, own=0.006, noise_spread=0.3, draws=2000)
    pairs, one, best = (
        compare_all_pairs(estimates), compare_with_one(estimates, "C"),
        compare_with_best(estimates),
    )  # fmt: skip
    assert "of 15 pairs are settled" in pairs.sentence()
    assert "All of that holds together, 95 times in 100." in pairs.sentence()
    assert "behind C" in one.sentence()
    assert "behind of" not in one.sentence()
    assert "may each be the best" in best.sentence() or "is the best" in best.sentence()
    for found in (pairs, one, best):
        assert "Tested: 1 sample of A" in found.sentence()
        assert "<table" in found._repr_html_()
        assert found.to_csv().startswith("model,against,difference,low,high")
        assert found.to_markdown().startswith("| model")


# Error rates --------------------------------------------------------------------------------------


def test_family_wise_error_rates_and_coverage():
    """False separations 5 in 100 at most; limits to the best cover; the best is seldom lost."""
    rng, runs, count, spread = np.random.default_rng(8), 250, 6, 0.01
    false_pairs = false_one = ruled_out = missed = 0
    for run in range(runs):
        alike = {f"M{k}": 400 * math.exp(rng.normal(0, spread)) for k in range(count)}
        common = {"own": spread, "noise_spread": 0.0, "airflow_spread": 0.0, "draws": 800}
        estimates = make_estimates(alike, root=run, **common)
        false_pairs += (compare_all_pairs(estimates).table["verdict"] != "open").any()
        false_one += (compare_with_one(estimates, "M0").table["verdict"] != "open").any()

        true = np.array([0.0, -0.004, -0.015, -0.03, -0.05, -0.06])
        seen = {f"M{k}": 400 * math.exp(true[k] + rng.normal(0, spread)) for k in range(count)}
        best = compare_with_best(make_estimates(seen, root=run, **common)).table.set_index("model")
        ruled_out += best.loc["M0", "verdict"] == "not the best"
        for k in range(count):
            gap = true[k] - np.delete(true, k).max()
            row = best.loc[f"M{k}"]
            if not math.log(row["ratio_low"]) - 1e-12 <= gap <= math.log(row["ratio_high"]) + 1e-12:
                missed += 1
                break
    low, high = stats.binom.interval(0.999, runs, 0.05)
    assert low <= false_pairs <= high
    assert low <= false_one <= high
    assert missed <= high
    assert ruled_out <= high


def test_every_pair_is_there_once():
    """All unordered pairs, the better one first."""
    found = compare_all_pairs(make_estimates(SIX, draws=300)).table
    assert [tuple(pair) for pair in found[["model", "against"]].to_numpy()] == list(
        itertools.combinations(SIX, 2)
    )


# What more draws or more data are needed for ------------------------------------------------------


def near_the_limit():
    """Estimates of which one pair, A and B, stands within Monte Carlo error of its limit."""
    estimates = make_estimates(SIX, own=0.006, noise_spread=0.2, airflow_spread=0.01, draws=2000)
    limit = compare(estimates, "A", "B").ratio
    # Shift A, value and draws alike, until its lower limit against B is next to nothing.
    factor = (1.0 + 0.2 * limit.low_error) / limit.low
    for name in ("airflow", "airflow_value"):
        estimates[name] = estimates[name].where(estimates["model"] != "A", estimates[name] * factor)
    return estimates


def test_pairs_that_hang_on_the_draws_are_named():
    """In every family a column, and a note, mark what other draws could turn; the rest is clear."""
    estimates = near_the_limit()
    found = compare_all_pairs(estimates)
    close = found.table[found.table["too_close"]]
    assert ("A", "B") in set(zip(close["model"], close["against"], strict=True))
    row = close[(close["model"] == "A") & (close["against"] == "B")].iloc[0]
    assert abs(row["p_adjusted"] - 0.05) < 3 * row["p_error"]
    assert "A / B" in found.sentence()
    assert "too close to call with 2000 draws: take more draws" in found.sentence()
    sure = found.table[(found.table["model"] == "A") & (found.table["against"] == "F")].iloc[0]
    assert not sure["too_close"]
    assert ("A", "B") in rank(estimates).too_close
    assert any("A / B" in note for note in rank(estimates).notes)
    assert compare(estimates, "A", "B").too_close


@pytest.mark.parametrize("family", ["all", "one", "best"])
def test_a_verdict_not_marked_is_the_same_for_other_draws(family):
    """Over many root seeds verdicts turn at marked comparisons, hardly ever at others."""
    call = {
        "all": compare_all_pairs,
        "one": lambda estimates: compare_with_one(estimates, "C"),
        "best": compare_with_best,
    }[family]
    rng = np.random.default_rng(3)
    turned, marked, rows = 0, 0, 0
    for _ in range(25):
        values = {f"M{k}": 400 * math.exp(rng.normal(0, 0.03)) for k in range(5)}
        values["C"] = 400.0
        one, two = (
            call(make_estimates(values, noise_spread=0.2, airflow_spread=0.01, draws=1500, root=r))
            for r in rng.integers(1, 10**6, 2)
        )
        differ = (one.table["verdict"] != two.table["verdict"]).to_numpy()
        close = (one.table["too_close"] | two.table["too_close"]).to_numpy()
        turned += np.count_nonzero(differ & ~close)
        marked += np.count_nonzero(differ & close)
        rows += len(differ)
    assert marked > 0
    # Both runs must lie two standard errors off, on either side: less than one in a thousand.
    assert turned <= stats.binom.ppf(0.999, rows, 0.001)


@pytest.mark.parametrize("statistic", [2.0, 2.6, 3.0])
def test_the_error_of_an_adjusted_p_is_what_other_draws_move_it_by(statistic):
    """Adjusted p values of many seeds scatter as the error stated with one of them."""
    gap = statistic * 0.02 * math.sqrt(2)
    values = {name: 400 * math.exp(step) for name, step in zip("ABCDE", (gap, 0, 0, 0, 0),
                                                                strict=True)}  # fmt: skip
    rows = [
        compare_all_pairs(
            make_estimates(values, own=0.02, noise_spread=0.0, airflow_spread=0.0, draws=2000,
                           root=root)
        ).table.query("model == 'A' and against == 'B'").iloc[0]
        for root in range(60)
    ]  # fmt: skip
    scatter = np.std([row["p_adjusted"] for row in rows], ddof=1)
    stated = np.mean([row["p_error"] for row in rows])
    assert scatter / stated == pytest.approx(1.0, abs=3.3 * 0.092 + 0.1)


def test_ends_beyond_the_data_rule_nobody_in_or_out():
    """With the low end of A not covered, A is ahead of nobody, but B may still be behind it."""
    estimates = make_estimates(SIX, own=0.004, noise_spread=0.05, airflow_spread=0.002, draws=2000)
    assert compare_with_best(estimates).table["verdict"].iloc[0] == "the best"
    estimates["airflow_share_below"].loc[{"model": "A"}] = 0.2
    pairs = compare_all_pairs(estimates).table.set_index(["model", "against"])
    assert (pairs.loc["A", "verdict"] == "open").all()
    assert pairs.loc["A", ["low", "p_adjusted"]].isna().all(axis=None)
    assert pairs.loc[("B", "F"), "verdict"] == "ahead"
    against = compare_with_one(estimates, "F").table.set_index("model")
    assert against.loc["A", "verdict"] == "open"
    best = compare_with_best(estimates)
    assert best.table["verdict"].iloc[0] == "may be the best"
    assert "nothing is settled by that end" in best.sentence()
    # Where less is better the same end lies on the other side.
    quiet = make_estimates({"A": 30.0, "B": 33.0, "C": 36.0}, quantity="noise", units="dBA",
                           relative=False, own=0.05, slope=0.0, draws=2000)  # fmt: skip
    quiet["noise_share_above"].loc[{"model": "A"}] = 0.2
    assert (compare_all_pairs(quiet).table.query("model == 'A'")["verdict"] == "open").all()


def test_against_one_says_that_it_must_have_been_named_beforehand():
    """The sentence says for which reference it is right, and gives odds; so does the docstring."""
    found = compare_with_one(make_estimates(SIX, draws=2000), "C")
    assert "right only if C was named before anybody looked" in found.sentence()
    assert "named before anybody looked" in " ".join(compare_with_one.__doc__.split())
    chances = found.table.set_index("model")["chance"]
    assert chances["A"] == pytest.approx(
        compare(make_estimates(SIX, draws=2000), "A", "C").odds_typical.first_ahead, abs=1e-9
    )
    assert "(in brackets: chance that it is ahead of C)" in found.sentence()
