"""Good enough: margins, two one-sided tests, smallest margin, chances, words."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from scipy import stats

from fanstats.decisions.compare import compare
from fanstats.decisions.equivalence import equivalent, good_enough
from fanstats.errors import FanstatsError
from tests.synthetic import make_estimates

REFERENCE = Path(__file__).parent / "reference" / "tost_published.toml"
FIVE = {"A": 400.0, "B": 396.0, "C": 380.0, "D": 350.0, "E": 300.0}


def published(name):
    return tomllib.loads(REFERENCE.read_text())[name]


def two_models(difference, error, dof, *, draws=400_000, rng=1):
    """Estimates of two models whose difference has Student's t with a given standard error."""
    errors = np.random.default_rng(rng).standard_t(dof, draws) * error
    noise = np.stack([difference + errors, np.zeros(draws)])
    return xr.Dataset(
        {
            "noise": (("model", "draw"), noise, {"units": "dBA"}),
            "noise_value": (("model",), [difference, 0.0]),
        },
        coords={"model": ["A", "B"], "root": "1"},
    )


def welch(example):
    first, second = np.array(example["first"]), np.array(example["second"])
    parts = first.var(ddof=1) / first.size, second.var(ddof=1) / second.size
    dof = sum(parts) ** 2 / sum(part**2 / (first.size - 1) for part in parts)
    return float(first.mean() - second.mean()), math.sqrt(sum(parts)), dof


# Published tests ----------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["sleep", "summary_statistics", "two_fans"])
def test_two_one_sided_tests_published(name):
    """Both p values and the 90 % interval of published examples come out of the draws."""
    example = published(name)
    if "first" in example:
        difference, error, dof = welch(example)
        assert error == pytest.approx(example["standard_error"], abs=5e-5)
        assert dof == pytest.approx(example["df"], abs=5e-4)
    else:
        deviations, counts = np.array(example["deviations"]), np.array(example["counts"])
        difference, dof = example["difference"], example["df"]
        error = float(np.sqrt((deviations**2 / counts).sum()))
    estimates = two_models(difference, error, dof)
    found = equivalent(estimates, "A", "B", margin=example["margin"])

    size = estimates.sizes["draw"]
    for p, wanted in ((found.p_low, example["p_lower"]), (found.p_high, example["p_upper"])):
        simulated = math.sqrt(wanted * (1 - wanted) / size)
        printed = 0.0005 if name == "sleep" else 5e-7
        assert p == pytest.approx(wanted, abs=4 * simulated + printed + 1 / size)
    assert found.p == max(found.p_low, found.p_high)
    # The smallest margin is the far end of the 90 % interval; error of a quantile, simulated.
    tail = 0.05
    slope = stats.t.pdf(stats.t.ppf(tail, dof), dof) / error
    simulated = math.sqrt(tail * (1 - tail) / size) / slope
    assert found.smallest_margin == pytest.approx(
        max(abs(end) for end in example["ci90"]), abs=4 * simulated + 5e-5
    )
    assert found.verdict == (
        "yes" if max(example["p_lower"], example["p_upper"]) < 0.05 else "open"
    )


def test_swapping_the_two_models_swaps_the_two_tests_and_the_sign():
    """Nothing but the sides and the sign change when the models are named the other way round."""
    estimates = two_models(-0.3, 0.091287, 6)
    one = equivalent(estimates, "A", "B", margin=0.5)
    two = equivalent(estimates, "B", "A", margin=0.5)

    assert (two.p_low, two.p_high) == (one.p_high, one.p_low)
    assert two.difference == -one.difference
    assert two.smallest_margin == pytest.approx(one.smallest_margin, abs=1e-12)


# Margins ------------------------------------------------------------------------------------------


def test_a_percentage_is_of_the_second_model():
    """Within 5 % of the dear one: the ratio lies between 0.95 and 1.05."""
    estimates = make_estimates({"A": 390.0, "B": 400.0}, own=0.005, noise_spread=0.0,
                               airflow_spread=0.0, draws=100_000)  # fmt: skip
    found = equivalent(estimates, "A", "B", margin="5 %", chosen="before")
    gap, spread = math.log(390 / 400), 0.005 * math.sqrt(2)

    for p, wanted in (
        (found.p_low, stats.norm.cdf((math.log(0.95) - gap) / spread)),
        (found.p_high, stats.norm.sf((math.log(1.05) - gap) / spread)),
    ):
        assert p == pytest.approx(wanted, abs=4 * math.sqrt(wanted / 1e5) + 2e-5)
    low = 1 - math.exp(gap + stats.norm.ppf(0.05) * spread)
    assert found.smallest_margin == pytest.approx(100 * low, abs=0.02)
    assert found.difference == pytest.approx(-2.5)
    assert found.units == "%"


@pytest.mark.parametrize("chosen", ["before", "from the chart"])
def test_a_margin_in_units_agrees_with_the_same_share(chosen):
    """5 % of 396 fpm and 19.8 fpm are the same margin, up to the second's own uncertainty."""
    estimates = make_estimates(FIVE, own=0.005, noise_spread=0.0, airflow_spread=0.0)
    share = good_enough(estimates, "C", "B", margin="5 %", chosen=chosen)
    size = good_enough(estimates, "C", "B", margin="19.8 fpm", chosen=chosen)
    bare = good_enough(estimates, "C", "B", margin=19.8, chosen=chosen)

    assert size.p_low == pytest.approx(share.p_low, abs=0.01)
    assert size.smallest_margin == pytest.approx(3.96 * share.smallest_margin, rel=0.02)
    assert bare.p_low == size.p_low


def test_a_margin_is_converted():
    """A margin in m/s is understood where airflow is in fpm."""
    estimates = make_estimates(FIVE, draws=500)
    found = good_enough(estimates, "C", "B", margin="0.1 m/s")

    assert found.margin.size == pytest.approx(0.1 / 0.00508, rel=1e-6)
    assert found.margin.units == "fpm"


@pytest.mark.parametrize("margin", ["0.5 sd", "1 sigma", "half", 0, -1.0, "0 %", "120 %", math.nan])
def test_a_margin_is_never_a_multiple_of_a_standard_deviation(margin):
    """Margins scaled by scatter, without a number or not above 0 are refused with the mend."""
    with pytest.raises(FanstatsError, match="`margin` must"):
        good_enough(make_estimates(FIVE, draws=200), "A", "B", margin=margin)


def test_percent_of_decibels_is_refused():
    """A percentage of a level says nothing."""
    estimates = make_estimates({"A": 30.0, "B": 31.0}, quantity="noise", units="dBA",
                               relative=False, draws=200)  # fmt: skip
    with pytest.raises(FanstatsError, match="not compared as a ratio"):
        equivalent(estimates, "A", "B", margin="5 %")
    assert equivalent(estimates, "A", "B", margin="1 dB").margin.units == "dB"


# Good enough --------------------------------------------------------------------------------------


def test_good_enough_asks_for_one_side_only():
    """A model far ahead is good enough, though not equivalent."""
    estimates = make_estimates(FIVE, own=0.003, noise_spread=0.0, airflow_spread=0.0, draws=5000)
    fine = good_enough(estimates, "A", "E", margin="2 %")
    assert fine.verdict == "yes"
    assert math.isnan(fine.p_high)
    assert fine.smallest_margin == 0
    assert "any margin" in fine.sentence()
    assert equivalent(estimates, "A", "E", margin="2 %").verdict == "no"
    assert good_enough(estimates, "E", "A", margin="2 %").verdict == "no"


def test_less_noise_is_better():
    """For noise the loss is to be louder."""
    estimates = make_estimates({"A": 30.0, "B": 31.0}, quantity="noise", units="dBA",
                               relative=False, own=0.1, noise_spread=0.0, airflow_spread=0.0,
                               slope=0.0, draws=2000)  # fmt: skip
    assert good_enough(estimates, "A", "B", margin=0.2).verdict == "yes"
    assert good_enough(estimates, "B", "A", margin=0.2).verdict == "no"
    assert good_enough(estimates, "B", "A", margin=1.5).verdict == "yes"


def test_smallest_margin_is_where_the_verdict_turns():
    """A margin just above the smallest is supported, one just below is not."""
    estimates = make_estimates(FIVE, own=0.006, draws=4000)
    for chosen in ("before", "from the chart"):
        for ask in (equivalent, good_enough):
            least = ask(estimates, "C", "A", margin="5 %", chosen=chosen).smallest_margin
            above = ask(estimates, "C", "A", margin=f"{1.001 * least} %", chosen=chosen)
            below = ask(estimates, "C", "A", margin=f"{0.999 * least} %", chosen=chosen)
            assert (above.verdict, below.verdict) == ("yes", "open")


def test_a_picked_pair_is_judged_by_the_interval_of_compare():
    """With the pair picked from the chart "yes" and "inside the margin" of `compare` agree."""
    estimates = make_estimates(FIVE, own=0.006, draws=4000)
    pair = compare(estimates, "B", "C")
    found = equivalent(estimates, "B", "C", margin="5 %")
    ends = 100 * (1 - pair.ratio.low), 100 * (pair.ratio.high - 1)
    assert found.smallest_margin == pytest.approx(max(ends), abs=1e-9)
    assert len(found.judged_among) == 5


def test_chances_are_those_of_the_typical_and_of_bought_samples():
    """The chance that a gap is inside the margin is counted in the draws of either scope."""
    estimates = make_estimates({"A": 400.0, "B": 396.0, "C": 380.0}, draws=4000)
    found = equivalent(estimates, "A", "B", margin="3 %")
    for scope, chance in (("model", found.chance_typical), ("next unit", found.chance_bought)):
        draws = estimates.airflow.sel(scope=scope)
        ratio = draws.sel(model="A") / draws.sel(model="B")
        assert chance == pytest.approx(float((abs(ratio - 1) < 0.03).mean()), abs=1e-12)
    assert found.label == "confidence"
    assert equivalent(make_estimates(FIVE, draws=500), "A", "B", margin="3 %").label == "chance"


def test_without_a_spread_the_samples_tested_still_answer():
    """Nobody stated the spread: open, with the smallest margin of the two samples themselves."""
    estimates = make_estimates(FIVE, noise_spread=None, draws=2000)
    found = equivalent(estimates, "A", "B", margin="5 %")
    tested = equivalent(estimates, "A", "B", margin="5 %", scope="tested unit", chosen="before")

    assert found.verdict == "open"
    assert math.isnan(found.p)
    assert math.isnan(found.smallest_margin)
    assert found.smallest_margin_tested == tested.smallest_margin
    assert "spread not stated: noise" in found.sentence()
    assert "for the samples tested" in found.sentence()


def test_without_uncertainty_nothing_is_claimed():
    """Two models that share every error leave nothing to judge by."""
    estimates = make_estimates({"A": 400.0, "B": 400.0}, own=0.0, shared=0.02, noise_spread=0.0,
                               airflow_spread=0.0, draws=300)  # fmt: skip
    found = equivalent(estimates, "A", "B", margin="5 %", chosen="before")
    assert found.verdict == "open"
    assert "nothing to judge by" in found.sentence()


def test_it_says_what_it_rests_on():
    """The sentence holds margin, odds, samples and assumptions; tables can be written out."""
    found = good_enough(
        make_estimates(FIVE, own=0.003, noise_spread=0.1, airflow_spread=0.0, draws=5000,
                       units_tested=[1, 1, 3, 1, 1]), "B", "A", margin="5 %",
    )  # fmt: skip
    text = found.sentence()
    assert text.startswith("B falls short of A by less than 5 % of A in airflow at equal noise")
    assert "settled for the typical ones (one-sided test, p below 0.001)" in text
    assert "for one bought sample of each" in text
    assert "Tested: 1 sample of B and A." in text
    assert "Assumed: samples scatter normally" in text
    assert "<table" in found._repr_html_()
    assert "good enough" in str(found.to_csv())
    assert found.to_markdown().startswith("| question")
    assert repr(found).startswith("B falls short")


def test_a_model_is_not_compared_with_itself():
    """Two names are needed, and the whole chart where the pair was picked from it."""
    estimates = make_estimates(FIVE, draws=200)
    with pytest.raises(FanstatsError, match="must be two models"):
        equivalent(estimates, "A", "A", margin=1)
    with pytest.raises(FanstatsError, match="must be 'before'"):
        equivalent(estimates.isel(model=[0, 1, 2]), "A", "B", margin=1)


def test_a_true_gap_as_large_as_the_margin_is_seldom_called_equivalent():
    """At the edge of the margin "yes" comes up 5 times in 100; picked pairs less often."""
    rng, spread, runs, yes = np.random.default_rng(5), 0.01, 400, {"before": 0, "from the chart": 0}
    for run in range(runs):
        seen = {
            name: 400 * math.exp(true + rng.normal(0, spread))
            for name, true in (("A", math.log(0.95)), ("B", 0.0), ("C", -0.02), ("D", 0.03))
        }
        estimates = make_estimates(seen, own=spread, noise_spread=0.0, airflow_spread=0.0,
                                   draws=1000, root=run)  # fmt: skip
        for chosen in yes:
            verdict = good_enough(estimates, "A", "B", margin="5 %", chosen=chosen).verdict
            yes[chosen] += verdict == "yes"
    low, high = stats.binom.interval(0.999, runs, 0.05)
    assert low <= yes["before"] <= high
    assert yes["from the chart"] <= yes["before"]


def test_a_limit_within_its_error_of_the_margin_is_marked():
    """At the smallest margin the verdict hangs on the draws; far from it, it does not."""
    estimates = make_estimates(FIVE, draws=2000)
    for chosen in ("before", "from the chart"):
        for ask in (equivalent, good_enough):
            smallest = ask(estimates, "B", "A", margin="30 %", chosen=chosen).smallest_margin
            near = ask(estimates, "B", "A", margin=f"{smallest * 1.0001} %", chosen=chosen)
            assert near.too_close
            assert "too close to call with 2000 draws: take more draws" in near.sentence()
            assert abs(near.p - 0.05) < 3 * near.p_error
            far = ask(estimates, "B", "A", margin=f"{2 * smallest} %", chosen=chosen)
            assert not far.too_close
            assert "too close" not in far.sentence()


@pytest.mark.parametrize("chosen", ["before", "from the chart"])
def test_an_end_beyond_the_data_supports_no_margin(chosen):
    """With the low end of the first not covered, it is nowhere said to lose little."""
    estimates = make_estimates(FIVE, own=0.004, noise_spread=0.05, airflow_spread=0.002, draws=2000)
    assert good_enough(estimates, "B", "A", margin="20 %", chosen=chosen).verdict == "yes"
    estimates["airflow_share_below"].loc[{"model": "B"}] = 0.2
    found = good_enough(estimates, "B", "A", margin="20 %", chosen=chosen)
    assert found.verdict == "open"
    assert math.isnan(found.p)
    assert math.isnan(found.smallest_margin)
    assert "nothing is settled by that end" in found.sentence()
    # The other way round only the high end of B would matter.
    assert good_enough(estimates, "A", "B", margin="20 %", chosen=chosen).verdict == "yes"


def test_a_model_without_an_estimate_is_judged_among_nobody():
    """Nothing was judged, so no chart of other models is said to have been."""
    estimates = make_estimates({**FIVE, "G": math.nan}, statuses={"G": "above range"}, draws=300)
    found = equivalent(estimates, "A", "G", margin="5 %")
    assert found.judged_among == ()
    assert "picked from a chart" not in found.sentence()
    assert "G: above range" in found.sentence()
    assert compare(estimates, "A", "G").judged_among == ()
