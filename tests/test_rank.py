"""Ranking models: places, chances, guaranteed ranks, groups, bands, and words."""

from __future__ import annotations

import math
import tracemalloc

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from scipy import stats

from fanstats.decisions.bands import comparison_bands
from fanstats.decisions.compare import compare
from fanstats.decisions.order import alike_multiplier
from fanstats.decisions.rank import rank
from fanstats.errors import FanstatsError
from tests.synthetic import make_estimates

SIX = {"A": 420.0, "B": 400.0, "C": 390.0, "D": 385.0, "E": 350.0, "F": 330.0}


def noise(values, own, *, draws=100_000, shared=0.0, **more):
    return make_estimates(
        values, quantity="noise", units="dBA", relative=False, own=own, shared=shared,
        noise_spread=0.0, airflow_spread=0.0, slope=1.0, draws=draws, **more,
    )  # fmt: skip


# Places -------------------------------------------------------------------------------------------


def test_ties_share_a_place_and_missing_models_stand_last():
    """Noise 31.2, missing, 30.0, 31.2: the third is first, two share 2.5, one has no place."""
    estimates = noise(
        {"A": 31.2, "B": math.nan, "C": 30.0, "D": 31.2}, 0.3, draws=500,
        statuses={"B": "above range: loudest step is 2.1 dB below the target"},
    )  # fmt: skip
    found = rank(estimates, quantity="noise")

    assert list(found.table["model"]) == ["C", "A", "D", "B"]
    assert found.table["place"].tolist()[:3] == [1.0, 2.5, 2.5]
    assert math.isnan(found.table["place"].iloc[3])
    assert found.table["status"].iloc[3].startswith("above range")
    assert list(found.unranked) == ["B"]
    assert found.chance_best.sizes["model"] == 3
    assert found.sentence().startswith("Of 3 models, C stands first")
    assert "Without a place: B (above range" in found.sentence()


def test_models_that_tie_for_the_first_place_are_all_named():
    """Two best figures that are equal share the first place."""
    found = rank(noise({"A": 30.0, "B": 30.0, "C": 32.0}, 0.1, draws=500), quantity="noise")

    assert "A and B share the first place" in found.sentence()
    assert found.table["place"].tolist() == [1.5, 1.5, 3.0]


def test_the_order_of_estimates_does_not_matter():
    """Reordered estimates give the same table, chances and groups."""
    estimates = make_estimates(SIX, shared=0.03)
    one, two = rank(estimates), rank(estimates.isel(model=[4, 2, 0, 5, 3, 1]))

    pd.testing.assert_frame_equal(one.table, two.table, rtol=1e-9)
    xr.testing.assert_allclose(one.pair_chances, two.pair_chances.loc[list(SIX), list(SIX)])
    assert one.groups == two.groups


def test_adding_a_model_leaves_the_others_bands_alone():
    """A model more moves the others' own uncertainty only by Monte Carlo error."""
    estimates = make_estimates(SIX, shared=0.03)
    whole = comparison_bands(estimates)
    part = comparison_bands(estimates.isel(model=slice(0, 5)))

    u = whole["quasi_standard_uncertainty"]
    np.testing.assert_allclose(part["quasi_standard_uncertainty"], u[:5], rtol=0.03)


# Chances ------------------------------------------------------------------------------------------


def test_chances_of_three_independent_models_agree_with_integrals():
    """30.0, 30.5, 31.0 with u 0.5 each: best with 0.7288, 0.2241, 0.0472, adding up to 1."""
    found = rank(noise({"A": 30.0, "B": 30.5, "C": 31.0}, 0.5), quantity="noise")

    np.testing.assert_allclose(found.chance_best, [0.7288, 0.2241, 0.0472], atol=0.006)
    assert float(found.chance_best.sum()) == 1.0
    assert float(found.pair_chances.sel(model="A", other="B")) == pytest.approx(0.7602, abs=0.006)
    assert found.label == "confidence"


def test_a_shared_meter_makes_the_order_more_certain():
    """With a shared 0.5 dB and own 0.2 dB the quieter one is so in 96 of 100, not 76."""
    found = rank(noise({"A": 30.0, "B": 30.5}, 0.2, shared=0.5), quantity="noise")

    assert float(found.pair_chances.sel(model="A", other="B")) == pytest.approx(0.9615, abs=0.003)


@pytest.mark.parametrize("scope", ["tested unit", "model", "next unit"])
def test_chances_of_a_chart_are_those_of_each_comparison(scope):
    """Pair chances of a ranking equal the odds of comparing that pair."""
    estimates = make_estimates(SIX, shared=0.03)
    found = rank(estimates, scope=scope)
    for first, second in [("A", "B"), ("C", "F"), ("D", "B")]:
        odds = compare(estimates, first, second, scope=scope).odds
        chance = float(found.pair_chances.sel(model=first, other=second))
        assert chance == pytest.approx(odds.first_ahead, abs=4 * 0.5 / 100)
        if scope != "next unit":
            assert chance == pytest.approx(odds.first_ahead, abs=1e-9)
    assert found.label == "chance"


def test_probabilities_of_ranks_add_up():
    """Rows and columns of the rank probabilities add up to 1; the first column is being best."""
    found = rank(make_estimates(SIX))

    np.testing.assert_allclose(found.rank_probabilities.sum("rank"), 1.0)
    np.testing.assert_allclose(found.rank_probabilities.sum("model"), 1.0)
    np.testing.assert_allclose(found.rank_probabilities.sel(rank=1), found.chance_best)
    expected = 1 + found.pair_chances.fillna(0).sum("model").values
    mean = (found.rank_probabilities * found.rank_probabilities["rank"]).sum("rank")
    np.testing.assert_allclose(mean, expected, atol=5 * 6 / np.sqrt(10_000) * 0.25)
    assert found.rank_probabilities.attrs["long_name"] == "chance of each rank"


def test_less_is_better_turns_the_order():
    """`best` low puts the smallest first; without a rule for a quantity it must be said."""
    estimates = make_estimates(SIX)
    up, down = rank(estimates), rank(estimates, best="low")

    assert down.ranked == up.ranked[::-1]
    np.testing.assert_allclose(
        down.pair_chances, up.pair_chances.transpose("other", "model"), atol=0.002
    )
    speed = make_estimates(SIX, quantity="speed", units="rpm")
    with pytest.raises(FanstatsError, match="`best` must be 'high' or 'low' for 'speed'"):
        rank(speed)
    assert rank(speed, best="low").ranked[0] == "F"


def test_rank_intervals_cover_the_true_ranks():
    """True ranks lie within the range of ranks at least as often as stated."""
    rng = np.random.default_rng(1)
    own = math.sqrt(0.01**2 + (0.04 * 0.8) ** 2 + 0.02**2)
    names = [f"M{k}" for k in range(8)]
    base = make_estimates(dict.fromkeys(names, 400.0), draws=1000)
    held = total = 0
    for _ in range(60):
        truth = rng.uniform(0.02, 0.12) * rng.standard_normal(8)
        shift = xr.DataArray(np.exp(truth + own * rng.standard_normal(8)), dims="model")
        seen = base.assign({q: base[q] * shift for q in ("airflow", "airflow_value")})
        table = rank(seen, probability=0.9).table.set_index("model").loc[names]
        true = stats.rankdata(-truth)
        held += int(((table["rank_low"] <= true) & (true <= table["rank_high"])).sum())
        total += 8
    # Ranks of one chart hang together: a standard error as if of half as many.
    assert held / total > 0.9 - 3.5 * math.sqrt(0.9 * 0.1 / (total / 2))


# Guaranteed ranks and groups ----------------------------------------------------------------------


def test_guaranteed_ranks_follow_from_the_pairs_told_apart():
    """A model is guaranteed the places left by those surely before and surely behind it."""
    found = rank(make_estimates({**SIX, "A": 700.0}))
    table = found.table.set_index("model")

    assert tuple(table.loc["A", ["guaranteed_low", "guaranteed_high"]]) == (1, 1)
    assert found.settled == {1: "A"}
    assert table.loc["B", "guaranteed_low"] == 2
    assert ("A",) in found.groups
    assert "Settled places: 1 (A); the others are not." in found.sentence()


def test_sharing_a_letter_means_no_verdict_from_the_chart():
    """Two models share a letter exactly if comparing them from the chart gives no lead."""
    estimates = make_estimates(SIX)
    table = rank(estimates).table.set_index("model")
    for first in SIX:
        for second in SIX:
            if first < second:
                shared = set(table.loc[first, "group"]) & set(table.loc[second, "group"])
                ahead = compare(estimates, first, second).verdict == "ahead"
                assert bool(shared) != ahead


def test_groups_overlap_where_difference_is_not_transitive():
    """A like B and B like C, but not A like C: two groups, letters a, ab, b."""
    u = 1.0 / np.sqrt(2)
    step = 0.7 * alike_multiplier(3, 0.95)
    found = rank(noise({"A": 30.0, "B": 30 + step, "C": 30 + 2 * step}, u), quantity="noise")

    assert found.groups == (("A", "B"), ("B", "C"))
    assert found.table["group"].tolist() == ["a", "ab", "b"]
    assert found.settled == {}


def test_models_that_all_differ_have_all_places_settled():
    """Far apart, every model has its own letter and place."""
    found = rank(noise({"A": 30.0, "B": 35.0, "C": 40.0}, 0.1, draws=1000), quantity="noise")

    assert found.table["group"].tolist() == ["a", "b", "c"]
    assert found.settled == {1: "A", 2: "B", 3: "C"}
    assert "All places are settled" in found.sentence()


def test_models_without_stated_uncertainty_are_not_told_apart():
    """One reading each and nothing stated: an order, but no claim, and a note."""
    found = rank(noise({"A": 69.1, "B": 70.0, "C": 68.6}, 0.0, draws=100), quantity="noise")

    assert found.ranked == ("C", "A", "B")
    assert found.settled == {}
    assert any("nothing to judge by" in note for note in found.notes)


def test_false_separations_are_at_most_five_in_a_hundred():
    """Among equal models any two are told apart in at most 5 of 100 charts."""
    rng = np.random.default_rng(2)
    own = math.sqrt(0.01**2 + (0.04 * 0.8) ** 2 + 0.02**2)
    base = make_estimates(dict.fromkeys("ABCDEFG", 400.0), shared=0.03, draws=1000)
    wrong, runs = 0, 150
    for _ in range(runs):
        seen = base.copy()
        shift = xr.DataArray(np.exp(own * rng.standard_normal(7)), dims="model")
        for name in ("airflow", "airflow_value"):
            seen[name] = base[name] * shift
        wrong += len(rank(seen).groups) > 1

    assert stats.binomtest(wrong, runs, 0.05).pvalue > 0.001


# Bands, words, sizes ------------------------------------------------------------------------------


def test_bands_for_comparing_leave_out_what_is_shared():
    """The band of each model holds its own uncertainty; the total one the shared scale too."""
    found = rank(make_estimates(SIX, shared=0.05, draws=100_000)).table.iloc[0]
    own = math.sqrt(0.01**2 + (0.04 * 0.8) ** 2 + 0.02**2)

    z = stats.norm.ppf(0.975)
    assert math.log(found["band_high"] / found["value"]) == pytest.approx(z * own, rel=0.02)
    total = math.hypot(own, 0.05)
    assert math.log(found["high"] / found["value"]) == pytest.approx(z * total, rel=0.03)
    bands = comparison_bands(make_estimates(SIX, shared=0.05, draws=100_000))
    assert bands.loc["A", "low"] == found["band_low"]


def test_an_end_beyond_the_data_is_missing():
    """Where more draws than a tail lie below what was read, the low end is not given."""
    estimates = make_estimates(SIX)
    estimates["airflow_share_below"].loc[{"model": "F"}] = 0.03
    table = rank(estimates).table.set_index("model")

    assert math.isnan(table.loc["F", "low"])
    assert math.isfinite(table.loc["F", "high"])


def test_a_negative_own_variance_is_cut_off_and_reported():
    """A model whose errors are tied to some others' gets a band of 0, and a note."""
    rng = np.random.default_rng(3)
    errors = rng.standard_normal((4, 20_000))
    draws = 100 + np.stack([errors[0], -errors[0], 0.01 * errors[1], 2 * errors[2]])
    array = xr.DataArray(draws, {"model": list("ABCD")}, ("model", "draw"), name="noise")
    array = array + xr.DataArray([[0.0], [0.1], [0.2], [0.3]], dims=("model", "one")).isel(one=0)
    found = rank(array, best="low")

    table = found.table.set_index("model")
    assert table.loc["C", "band_low"] == table.loc["C", "value"]
    assert any("band for comparing set to 0 for C" in note for note in found.notes)


def test_the_closest_call_is_the_least_certain_neighbourhood():
    """Of neighbours in the ranking, those whose order is nearest to even."""
    found = rank(make_estimates(SIX))
    call = found.closest_call()

    assert call[:2] == ("C", "D")
    assert call.probability == float(found.pair_chances.sel(model="C", other="D"))
    assert "The closest call: C before D" in found.sentence()


def test_one_model_and_none_can_be_ranked():
    """A single model is first; with the spread unknown nobody is, and the reason is given."""
    single = rank(make_estimates({"A": 420.0}))
    assert single.table["place"].tolist() == [1.0]
    assert float(single.chance_best[0]) == 1.0
    assert single.closest_call() is None
    assert "A is the only model ranked" in single.sentence()

    nobody = rank(make_estimates(SIX, noise_spread=None))
    assert nobody.ranked == ()
    assert nobody.groups == ()
    assert set(nobody.unranked.values()) == {"spread not stated: noise"}
    assert "No model can be ranked" in nobody.sentence()
    tested = rank(make_estimates(SIX, noise_spread=None), scope="tested unit")
    assert tested.ranked == tuple(SIX)


def test_tables_leave_as_text(tmp_path):
    """The table goes to CSV and Markdown, and back from CSV with the same numbers."""
    found = rank(make_estimates(SIX, obstructions=["mesh"]), obstruction="mesh")
    found.to_csv(tmp_path / "ranking.csv")

    again = pd.read_csv(tmp_path / "ranking.csv")
    np.testing.assert_allclose(again["value"], found.table["value"])
    assert found.to_csv().startswith("model,place,value")
    assert found.to_markdown().splitlines()[0].startswith("| model ")
    assert "obstruction: mesh" in found.sentence()
    assert found.sentence() in repr(found)
    assert "<table" in found._repr_html_()


def test_three_hundred_models_stay_within_a_few_times_their_draws():
    """Peak memory of a ranking is at most eight times the draws of one scope."""
    rng = np.random.default_rng(4)
    names = {f"M{k}": 400 * math.exp(0.1 * rng.standard_normal()) for k in range(300)}
    estimates = make_estimates(names, draws=2000)
    tracemalloc.start()
    try:
        found = rank(estimates, scope="next unit")
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()

    assert peak < 8 * 300 * 2000 * 8
    assert len(found.ranked) == 300
    assert float(found.chance_best.sum()) == pytest.approx(1.0)


def test_the_band_for_comparing_is_never_wider_than_the_whole_range():
    """It leaves errors out; where draws are lopsided a plain quasi-variance would overshoot."""
    import fanstats as fs

    estimates = fs.equal_noise(fs.demo.readings(), 33, bench=fs.demo.bench(), rng=2026)

    for name, place in (("airflow", "insect screen"), ("temperature_rise", None)):
        scope = "model" if name == "airflow" else "tested unit"
        table = fs.rank(estimates, quantity=name, obstruction=place, scope=scope).table.dropna(
            subset=["low", "high"]
        )
        assert (table["band_low"] >= table["low"]).all()
        assert (table["band_high"] <= table["high"]).all()
