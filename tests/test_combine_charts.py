"""Several charts made into one set of estimates, their disagreement included."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.stats.meta_analysis import combine_effects

import fanstats as fs
from fanstats.decisions.between_charts import between, consensus_weights, leftover
from fanstats.decisions.chart_agreement import chart_agreement
from fanstats.decisions.combine_charts import combine_charts

REFERENCE = Path(__file__).parent / "reference"
SPREAD = fs.UnitSpread(noise=fs.standard(0.0), airflow=fs.standard("2 %"))
BENCH = fs.Bench(spread=SPREAD)


def trials():
    table = pd.read_csv(REFERENCE / "meta_bcg.csv", comment="#")
    a, b, c, d = table.to_numpy(float).T
    effect = np.log(a / (a + b)) - np.log(c / (c + d))
    return effect, 1 / a - 1 / (a + b) + 1 / c - 1 / (c + d)


def chart(values, root, *, bench=BENCH, **more):
    given = {"quantity": "airflow", "units": "fpm", "level": 36, "draws": 2000, **more}
    return fs.from_chart(values, bench=bench, rng=root, **given)


def log_draws(estimates, model, scope="model"):
    return np.log(estimates["airflow"].sel(scope=scope, model=model).to_numpy())


def test_q_and_its_profile_are_the_published_ones():
    """BCG trials: Q = 152.23 with 12, variance between trials 0.1197 to 1.1115."""
    effect, variance = trials()

    left = leftover(np.ones((13, 1)), effect, np.diag(variance))

    assert left.dof == 12
    assert float(left.q(0.0)) == pytest.approx(152.23, abs=0.005)
    ends = between(left, stats.chi2.ppf([0.975, 0.025], 12))
    assert ends == pytest.approx([0.1197, 1.1115], abs=0.00005)


def test_mandel_paule_is_that_of_statsmodels():
    """Variance between, weighed mean and its uncertainty of the same trials."""
    effect, variance = trials()
    design = np.ones((13, 1))
    other = combine_effects(effect, variance, method_re="iterated", atol=1e-12)

    tau_squared = float(between(leftover(design, effect, np.diag(variance)), 12.0))
    weights, own = consensus_weights(design, np.diag(variance), tau_squared)

    assert tau_squared == pytest.approx(other.tau2, rel=1e-6)
    assert (weights @ effect)[0] == pytest.approx(other.mean_effect_re, rel=1e-6)
    assert np.sqrt(own[0, 0]) == pytest.approx(np.sqrt(other.var_eff_w_re), rel=1e-6)


def test_values_that_agree_leave_no_variance_between():
    """Q below its degrees of freedom, or nothing left at all."""
    design = np.ones((4, 1))

    assert float(between(leftover(design, np.full(4, 3.0), np.eye(4)), 3.0)) == 0.0
    nothing = leftover(np.eye(3), np.arange(3.0), np.eye(3))
    assert nothing.dof == 0
    assert np.isnan(nothing.p_value)


def test_two_charts_that_differ_by_a_factor_agree():
    """The factor is another meter's: it is taken off, and nothing is left between them."""
    mine = {"A": 400.0, "B": 380.0, "C": 300.0}
    both = combine_charts(
        {"mine": chart(mine, 1), "theirs": chart({k: 0.9 * v for k, v in mine.items()}, 2)}
    )
    found = chart_agreement(both)

    assert both["airflow_value"].sel(scope="model").to_numpy() == pytest.approx(
        list(mine.values()), rel=1e-6
    )
    assert found.shifts["shift"].tolist() == pytest.approx([0.0, -0.1], abs=1e-6)
    assert found.tau == 0.0
    assert found.chi_squared == pytest.approx(0.0, abs=1e-6)
    assert found.consistent
    assert "'theirs' stands -10 % against 'mine'" in found.sentence()


def test_samples_of_two_charts_average_their_luck():
    """With a stated zero between charts: 2 % of one sample becomes 2 % / root 2 of two."""
    values = dict.fromkeys("ABCDEFGH", 400.0)
    both = combine_charts(
        {"mine": chart(values, 1, draws=10_000), "theirs": chart(values, 2, draws=10_000)},
        shift=False, between_charts=fs.standard(0),
    )  # fmt: skip

    assert float(log_draws(both, "A").std()) == pytest.approx(0.02 / np.sqrt(2), rel=0.03)
    # One more sample has its own luck on top, not that of a mean.
    luck = log_draws(both, "A", "next unit") - log_draws(both, "A")
    assert float(luck.std()) == pytest.approx(0.02, rel=0.03)
    assert both["units_tested"].to_numpy().tolist() == [2] * 8


def test_a_model_on_one_chart_comes_to_the_scale_of_the_first():
    """D stands on the other chart alone: it is raised by what the others say of that chart."""
    both = combine_charts(
        {
            "mine": chart({"A": 400.0, "B": 380.0, "C": 300.0}, 1),
            "theirs": chart({"A": 200.0, "B": 190.0, "C": 150.0, "D": 100.0}, 2),
        }
    )

    value = both["airflow_value"].sel(scope="model", model="D")
    assert float(value) == pytest.approx(200.0, rel=1e-6)
    # The shift's own uncertainty widens it.
    assert log_draws(both, "D").std() > 0.02


def test_disagreement_is_found_named_and_widens_the_ranges():
    """Gaps of 10 % where 2 % of luck is stated: tau by its closed form for two charts."""
    up = {"A": 1.1, "B": 0.9, "C": 1.1, "D": 0.9, "E": 1.1, "F": 0.9}
    mine = dict.fromkeys(up, 400.0)
    charts = {
        "mine": chart(mine, 1),
        "theirs": chart({name: 400.0 * factor for name, factor in up.items()}, 2),
    }
    both = combine_charts(charts)
    found = chart_agreement(both)

    gaps = np.log(list(up.values()))
    expected = np.sqrt(gaps.var(ddof=1) / 2 - 0.02**2)
    assert found.tau == pytest.approx(expected, rel=0.03)
    assert found.tau_low < found.tau < found.tau_high
    assert found.birge_ratio == pytest.approx(np.sqrt(gaps.var(ddof=1) / (2 * 0.02**2)), rel=0.03)
    assert found.consistent is False
    said = fs.compare(both, "A", "B", quantity="airflow").sentence()
    assert "they disagree by more than their stated errors explain" in said
    assert "models differ from chart to chart by 7" in said
    low, high = np.quantile(log_draws(both, "A") - log_draws(both, "B"), [0.025, 0.975])
    # Two means of two, each of luck and what is between: Student's t with 5.
    expected = 2 * stats.t.ppf(0.975, 5) * np.hypot(0.02, expected)
    assert high - low == pytest.approx(expected, rel=0.1)


def test_charts_that_agree_too_closely_claim_no_range_of_their_disagreement():
    """The same numbers twice: a profile of the misfit holds no variance at all, not exactly 0."""
    same = dict.fromkeys("ABCDEF", 400.0)
    found = chart_agreement(combine_charts({"mine": chart(same, 1), "theirs": chart(same, 2)}))

    assert found.tau_high == 0.0
    assert "they agree more closely than those errors let one expect" in found.sentence()
    assert "0 % to 0 %" not in found.sentence()


def test_what_is_between_charts_may_be_stated():
    """A relative standard deviation with degrees of freedom of its own; a wrong kind is refused."""
    values = dict.fromkeys("ABCD", 400.0)
    charts = {"mine": chart(values, 1, draws=10_000), "theirs": chart(values, 2, draws=10_000)}

    both = combine_charts(charts, between_charts=fs.standard("5 %"), shift=False)

    expected = np.hypot(0.02, 0.05) / np.sqrt(2)
    assert float(log_draws(both, "A").std()) == pytest.approx(expected, rel=0.03)
    assert "by 5.1 % (stated standard deviation)" in json.loads(both.attrs["assumptions"])[0]
    with pytest.raises(fs.FanstatsError, match="`between_charts` must be relative"):
        combine_charts(charts, between_charts=fs.standard(5))
    with pytest.raises(fs.FanstatsError, match="`between_charts` must be a Source"):
        combine_charts(charts, between_charts=0.05)


def test_several_obstructions_and_decibels_are_combined_each_by_itself():
    """Noise at one drive in decibels; airflow behind two obstructions."""
    wide = {"A": {"none": 400.0, "mesh": 300.0}, "B": {"none": 380.0, "mesh": 310.0}}
    both = combine_charts({"mine": chart(wide, 1), "theirs": chart(wide, 2)})
    assert both["airflow"].dims == ("scope", "model", "obstruction", "draw")
    assert chart_agreement(both, obstruction="mesh").obstruction == "mesh"
    with pytest.raises(fs.FanstatsError, match="`obstruction` must be one of 'none', 'mesh'"):
        chart_agreement(both)
    assert fs.rank(both, quantity="airflow", obstruction="mesh").ranked[0] == "B"
    assert fs.rank(both, quantity="airflow", obstruction="none").ranked[0] == "A"

    bench = fs.Bench(spread=fs.UnitSpread(noise=fs.standard(0.8), speed=fs.standard("1 %")))
    more = {"quantity": "noise", "units": "dBA", "level": None, "drive": 12, "bench": bench}
    loud = {"mine": chart({"A": 36.0, "B": 34.0, "C": 31.0}, 1, **more),
            "theirs": chart({"A": 38.0, "B": 36.0, "C": 33.0}, 2, **more)}  # fmt: skip
    found = chart_agreement(combine_charts(loud))
    assert found.shifts["shift"].tolist() == pytest.approx([0.0, 2.0], abs=1e-6)
    assert not found.relative


def test_combined_estimates_are_estimates_like_any_other(tmp_path):
    """Compared, ranked, summarised, saved and read back."""
    both = combine_charts(
        {
            "mine": chart({"A": 430, "B": 421, "C": 398, "D": 340}, 1, bench=luckier()),
            "theirs": chart({"A": 402, "B": 420, "C": 372, "E": 290}, 2, bench=luckier()),
        }
    )
    assert len(fs.rank(both, quantity="airflow").table) == 5
    assert set(fs.summary(both)["model"]) == set("ABCDE")
    pair = fs.compare(both, "A", "E", quantity="airflow")
    assert (pair.verdict, pair.who) == ("ahead", "A")
    assert pair.spread_needed.unit_sd > 0
    both.to_netcdf(tmp_path / "both.nc")
    import xarray as xr

    again = xr.load_dataset(tmp_path / "both.nc")
    xr.testing.assert_allclose(again["airflow"], both["airflow"])
    assert chart_agreement(again).sentence() == chart_agreement(both).sentence()


def test_several_charts_hold_no_readings_to_ask_again():
    """What if and what next are asked of one chart; of several they are refused by name."""
    values = {"A": 430, "B": 421, "E": 290}
    one, two = (chart(values, root, bench=luckier()) for root in (1, 2))
    both = combine_charts({"mine": one, "theirs": two})

    assert len(fs.what_if(one, "A", "E", quantity="airflow", noise=[0.3, 0.6])) == 2
    with pytest.raises(fs.FanstatsError, match=r"hold no readings to ask again: they were combine"):
        fs.what_if(both, "A", "E", quantity="airflow", noise=[0.3, 0.6])
    with pytest.raises(fs.FanstatsError, match=r"hold no readings to ask again: they were combine"):
        fs.plan_next(both, budget=50, prices=dict.fromkeys(values, 20.0))
    needed = fs.compare(both, "A", "E", quantity="airflow").spread_needed
    assert (math.isnan(needed.noise_db), math.isnan(needed.factor)) == (True, True)


def test_a_table_of_ones_own_and_a_published_chart_combine():
    """What both hold is combined, the rest is listed as left out."""
    bench = fs.demo.bench()
    own = fs.equal_noise(fs.demo.readings(), 33, bench=bench, draws=500, rng=1)
    flows = own["airflow_value"].sel(scope="model", obstruction="open").dropna("model")
    values = {str(flow["model"].item()): {"open": 1.05 * float(flow)} for flow in flows}
    other = fs.from_chart(values, quantity="airflow", units="m/s", level=33, bench=bench,
                          rig="theirs", draws=500, rng=1)  # fmt: skip
    both = combine_charts({"mine": own, "theirs": other})

    assert both["airflow"].sizes["obstruction"] == 1
    assert "speed" not in both
    left_out = json.loads(both.attrs["left_out"])
    assert "speed is not combined: not on 'theirs'" in left_out
    assert "airflow behind 'dust pad' is not combined: not on all charts" in left_out
    assert chart_agreement(both).shifts["shift"].tolist() == pytest.approx([0, 0.05], abs=1e-6)


def luckier():
    return fs.Bench(spread=fs.UnitSpread(noise=fs.standard(0.5), airflow=fs.standard("2 %")))


def test_without_a_stated_spread_the_samples_tested_are_combined():
    """The typical ones stay unknown, with their reason."""
    values = {"A": "412(4)", "B": "398(4)", "C": "371(4)"}
    both = combine_charts(
        {"mine": chart(values, 1, bench=fs.Bench()), "theirs": chart(values, 2, bench=fs.Bench())}
    )

    assert np.isfinite(both["airflow_value"].sel(scope="tested unit")).all()
    assert np.isnan(both["airflow_value"].sel(scope="model")).all()
    status = str(both["airflow_status"].sel(scope="model", model="A").item())
    assert status.startswith("spread not stated")
    assert chart_agreement(both, scope="tested unit").dof == 2


def test_combining_again_gives_the_same_draws():
    """What is between a chart and a model is drawn by their names and the first chart's root."""
    values = dict.fromkeys("ABCD", 400.0)
    charts = {"mine": chart(values, 1), "theirs": chart(values, 2)}
    once, again = (combine_charts(charts)["airflow"].sel(scope="model") for _ in range(2))
    other = combine_charts({"mine": chart(values, 3), "theirs": chart(values, 2)})["airflow"]

    assert (once == again).all()
    assert (once != other.sel(scope="model")).all()


def test_an_agreement_is_shown_and_saved(tmp_path):
    """Text, page and table."""
    both = combine_charts(
        {"mine": chart({"A": 400, "B": 380}, 1), "<theirs>": chart({"A": 390, "B": 385}, 2)}
    )
    found = chart_agreement(both)
    assert repr(found).startswith(found.sentence())
    assert "&lt;theirs&gt;" in found._repr_html_()
    found.to_csv(tmp_path / "agreement.csv")
    assert (tmp_path / "agreement.csv").read_text() == found.to_csv()
    with pytest.raises(fs.FanstatsError, match="`combined` must be what `combine_charts` returns"):
        chart_agreement(chart({"A": 400}, 1))


@pytest.mark.parametrize(
    ("charts", "message"),
    [
        ({"mine": {"A": 400, "B": 300}}, "at least two names"),
        ({"mine": {"A": 400}, "theirs": {"B": 300}}, "nothing ties 'theirs' to 'mine'"),
    ],
)
def test_charts_that_cannot_be_combined_are_refused(charts, message):
    """Too few, or nothing in common."""
    with pytest.raises(fs.FanstatsError, match=message):
        combine_charts({name: chart(v, k) for k, (name, v) in enumerate(charts.items())})


def test_charts_of_other_units_quantities_or_draws_are_refused():
    """Each message names both charts and what differs."""
    mine = chart({"A": 400, "B": 300}, 1)
    others = {
        "must be in one unit": chart({"A": 2, "B": 1.5}, 2, units="m/s"),
        "must have equally many draws": chart({"A": 400, "B": 300}, 2, draws=500),
        "must name the same obstructions": chart({"A": {"x": 4.0, "y": 5.0}}, 2),
        "must have a quantity in common": chart(
            {"A": 4}, 2, quantity="temperature_rise", units="K"
        ),
        "estimates of one level each": fs.equal_noise(
            fs.demo.readings(), [32, 33], bench=fs.demo.bench(), draws=100, rng=1
        ),
    }
    for message, other in others.items():
        with pytest.raises(fs.FanstatsError, match=message):
            combine_charts({"mine": mine, "theirs": other})


def test_charts_that_share_draws_unsaid_are_refused():
    """One root and one rig make the samples the same ones; another rig or root does not."""
    values = {"A": 400, "B": 300, "C": 350}
    with pytest.raises(fs.FanstatsError, match=r"share draws .roots 1, 1.*its own `rig`"):
        combine_charts({"mine": chart(values, 1), "theirs": chart(values, 1)})
    apart = combine_charts({"mine": chart(values, 1), "theirs": chart(values, 1, rig="theirs")})
    bench = fs.Bench(spread=SPREAD, airflow=fs.Instrument(reading=[fs.standard("1 %")]))
    same = combine_charts(
        {"mine": chart(values, 1, bench=bench), "theirs": chart(values, 1, bench=bench, chart="b")},
        related=True, between_charts=fs.standard(0), shift=False,
    )  # fmt: skip

    assert apart["units_tested"].to_numpy().tolist() == [2, 2, 2]
    assert same["units_tested"].to_numpy().tolist() == [1, 1, 1]
    # The luck of the one sample stays, its readings average.
    width = float(log_draws(same, "A").std())
    assert width == pytest.approx(np.hypot(0.02, 0.01 / np.sqrt(2)), rel=0.05)


@pytest.mark.simulation
@pytest.mark.parametrize("tau", [pytest.param(0.0, marks=pytest.mark.at_length), 0.05])
def test_ranges_of_combined_charts_cover_at_least_as_stated(tau):
    """Three charts of six models, shifted: with much between them 95 in 100, with nothing more."""
    rng, held, rejected, runs = np.random.default_rng(3), 0, 0, 60
    for run in range(runs):
        true = 400 * np.exp(rng.normal(size=6) * 0.1)
        charts = {}
        for k in range(3):
            error = rng.normal(size=6) * np.hypot(0.02, tau) + rng.normal() * 0.1 * (k > 0)
            values = dict(zip("ABCDEF", true * np.exp(error), strict=True))
            charts[str(k)] = chart(values, 10 * run + k, draws=500)
        both = combine_charts(charts)
        gap = log_draws(both, "A") - log_draws(both, "B")
        low, high = np.quantile(gap, [0.025, 0.975])
        held += low <= np.log(true[0] / true[1]) <= high
        rejected += not chart_agreement(both).consistent
    lower, upper = stats.binom.ppf([0.001, 0.999], runs, 0.95) / runs
    assert held / runs >= lower
    if tau:
        assert held / runs <= upper + 0.02
        assert rejected / runs > 0.5
    else:
        assert rejected / runs <= 1 - lower
