"""Several criteria at once: weights, exchange rates, joint draws, how much the weights matter."""

from __future__ import annotations

import itertools
import json
import math

import numpy as np
import pytest
import xarray as xr

from fanstats.decisions.compare import compare
from fanstats.decisions.mixed import mix, mixed_estimates
from fanstats.decisions.rank import rank
from fanstats.decisions.weights import weight_dependence
from fanstats.decisions.what_if import what_if
from fanstats.errors import FanstatsError
from fanstats.output.summaries import summary
from tests.synthetic import benched, make_estimates

SIX = {"A": 420.0, "B": 400.0, "C": 390.0, "D": 385.0, "E": 350.0, "F": 330.0}


def two_obstructions(**more):
    """Airflow behind a mesh and a filter; the filter turns A and B around."""
    estimates = make_estimates(
        SIX, obstructions=["mesh", "filter"], obstruction_factors=[1.0, 0.6], **more
    )
    turned = xr.DataArray(
        [[1.0, 0.9], [1.0, 1.0], [1.0, 1.0], [1.0, 1.0], [1.0, 1.0], [1.0, 1.0]],
        dims=("model", "obstruction"),
        coords={"model": list(SIX), "obstruction": ["mesh", "filter"]},
    )
    for name in ("airflow", "airflow_value"):
        kept = estimates[name].attrs
        estimates[name] = (estimates[name] * turned).transpose(*estimates[name].dims)
        estimates[name].attrs.update(kept)
    return estimates


def with_rise(**more):
    """The same with a temperature rise."""
    estimates = two_obstructions(**more)
    rises = {name: 20.0 + k for k, name in enumerate(SIX)}
    rise = make_estimates(rises, quantity="temperature_rise", units="K", relative=False, own=0.3,
                          slope=0.2, **more)  # fmt: skip
    return estimates.assign({name: rise[name] for name in rise if "temperature" in name})


# One quantity -------------------------------------------------------------------------------------


def test_a_mix_is_the_weighted_mean_draw_by_draw():
    """Weights are divided by their sum, and apply to the very draws of each obstruction."""
    estimates = two_obstructions(draws=300)
    mixed = mix(estimates, {"mesh": 2, "filter": 1}, quantity="airflow")
    airflow = estimates.airflow
    wanted = (2 * airflow.sel(obstruction="mesh") + airflow.sel(obstruction="filter")) / 3

    assert isinstance(mixed, xr.DataArray)
    assert mixed.name == "airflow"
    assert mixed.attrs["units"] == "fpm"
    assert "mesh) 66.7 %" in mixed.attrs["long_name"]
    assert mixed.values == pytest.approx(wanted.values, rel=1e-12)
    value = mixed_estimates(estimates, {"mesh": 2, "filter": 1}, quantity="airflow")
    assert value["airflow_value"].sel(scope="model", model="A") == pytest.approx(
        (2 * 420 + 420 * 0.54) / 3
    )


def test_keys_may_name_quantity_and_obstruction():
    """Pairs of quantity and obstruction say the same as obstructions of one quantity."""
    estimates = two_obstructions(draws=300)
    one = mix(estimates, {"mesh": 0.5, "filter": 0.5}, quantity="airflow")
    two = mix(estimates, {("airflow", "mesh"): 7, ("airflow", "filter"): 7})
    xr.testing.assert_allclose(one, two)


def test_a_mix_can_be_ranked_compared_and_summed_up():
    """A mix of one quantity is an estimate like any other, with samples and assumptions."""
    estimates = two_obstructions(draws=2000)
    mixed = mixed_estimates(estimates, {"mesh": 1, "filter": 2}, quantity="airflow")
    ranking = rank(mixed)
    assert ranking.ranked[0] == "B"
    assert ranking.obstruction == "weighted: mesh 33.3 %, filter 66.7 %"
    assert any("your weights" in text for text in ranking.assumptions)
    pair = compare(mixed, "B", "F")
    assert pair.verdict == "ahead"
    assert pair.units_tested == (1, 1)
    assert set(summary(mixed)["quantity"]) == {"airflow"}
    assert rank(mix(estimates, {"mesh": 1, "filter": 2}, quantity="airflow")).ranked[0] == "B"


def test_a_mix_rests_on_the_readings_of_its_parts():
    """Asked what if, a mix at a supposed luck is that of estimates whose bench states it."""
    values = {name: {"open": value / 100.0, "dust pad": 0.006 * value * (0.9 if name == "A" else 1)}
              for name, value in SIX.items()}  # fmt: skip
    weights = {"open": 1, "dust pad": 2}

    def mixed(noise):
        estimates = benched(values, own=1e-6, noise_spread=noise, draws=2000)
        return mixed_estimates(estimates, weights, quantity="airflow")

    row = what_if(mixed(None), "B", "F", noise=0.5).iloc[0]
    stated = compare(mixed(0.5), "B", "F")
    assert row["difference"] == pytest.approx((0.7 + 2 * 0.42) / 3)
    assert row["verdict"] == stated.verdict == "ahead"
    assert row["low"] == pytest.approx(stated.difference.low, rel=1e-9)

    # Luck behind two obstructions is one: what explains the gap of the mix explains that of either.
    needed = compare(mixed(None), "B", "F").spread_needed
    alone = benched({name: value / 100.0 for name, value in SIX.items()}, own=1e-6,
                    noise_spread=None, draws=2000)  # fmt: skip
    wanted = compare(alone, "B", "F").spread_needed.noise_db
    assert needed.noise_db == pytest.approx(wanted, rel=1e-3)


def test_a_mix_of_a_mix_rests_on_the_same_readings():
    """Mixed again, weights multiply: the numbers and what explains a gap stay those of the mix."""
    values = {"A": {"open": 4.2, "dust pad": 2.2}, "B": {"open": 4.0, "dust pad": 2.4}}
    estimates = benched(values, draws=500)
    once = mixed_estimates(estimates, {"open": 1, "dust pad": 2}, quantity="airflow")
    twice = mixed_estimates(once, {"airflow": 3})

    assert what_if(twice, "A", "B", noise=[0.5]).equals(what_if(once, "A", "B", noise=[0.5]))


def test_shared_luck_stays_shared():
    """One sample's luck acts behind every obstruction at once: a mix averages none of it out."""
    estimates = make_estimates(SIX, obstructions=["mesh", "filter"], own=0.0, draws=5000)
    mixed = mix(estimates, {"mesh": 1, "filter": 1}, quantity="airflow")
    alone = estimates.airflow.sel(obstruction="mesh")
    assert float(mixed.sel(scope="model", model="A").std()) == pytest.approx(
        float(alone.sel(scope="model", model="A").std()), rel=1e-9
    )


# Several quantities -------------------------------------------------------------------------------


def test_what_was_not_read_of_a_rise_is_missing_at_the_other_end_of_the_mix():
    """More heat is a worse mix: a rise that may be higher leaves the low end of the mix open."""
    estimates = with_rise(draws=300)
    estimates["temperature_rise_share_above"].loc[{"model": "A"}] = 0.04
    estimates["airflow_share_above"].loc[{"model": "B"}] = 0.03
    weights = {("airflow", "mesh"): 1, "temperature_rise": 1}
    mixed = mixed_estimates(estimates, weights, exchange={"temperature_rise": 10})

    below, above = (mixed[f"mix_share_{side}"].sel(scope="model") for side in ("below", "above"))
    assert (float(below.sel(model="A")), float(above.sel(model="A"))) == (0.04, 0.0)
    assert (float(below.sel(model="B")), float(above.sel(model="B"))) == (0.0, 0.03)


def test_an_exchange_rate_turns_kelvins_into_airflow():
    """1 K less is worth 10 fpm: the mix falls by ten times the rise, in fpm."""
    estimates = with_rise(draws=300)
    mixed = mix(
        estimates, {("airflow", "mesh"): 1, "temperature_rise": 1},
        exchange={"temperature_rise": 10},
    )  # fmt: skip
    wanted = (estimates.airflow.sel(obstruction="mesh") - 10 * estimates.temperature_rise) / 2
    assert mixed.name == "mix"
    assert mixed.attrs["units"] == "fpm"
    assert mixed.attrs["best"] == "high"
    assert mixed.values == pytest.approx(wanted.values, rel=1e-12)
    turned = mix(
        estimates, {("airflow", "mesh"): 1, "temperature_rise": 1}, exchange={"airflow": 0.1}
    )
    assert turned.attrs["units"] == "K"
    assert turned.attrs["best"] == "low"
    assert turned.values == pytest.approx(-wanted.values / 10, rel=1e-9)
    ahead = rank(mixed, best="high").ranked
    assert rank(turned, best="low").ranked == ahead


def test_an_exchange_rate_of_one_keeps_the_unit_of_the_other():
    """A rate of exactly 1 does not make its quantity the unit of the mix."""
    mixed = mix(
        with_rise(draws=200), {"temperature_rise": 1, ("airflow", "mesh"): 1},
        exchange={"temperature_rise": 1},
    )  # fmt: skip
    assert mixed.attrs["units"] == "fpm"


def test_the_rate_stands_among_the_assumptions():
    """A reader learns weights and rate."""
    mixed = mixed_estimates(
        with_rise(draws=200), {("airflow", "mesh"): 3, "temperature_rise": 1},
        exchange={"temperature_rise": 10},
    )  # fmt: skip
    said = json.loads(mixed.attrs["assumptions"])
    assert "1 K of temperature rise less is worth 10 fpm of airflow (your rate)" in said
    assert any(text.startswith("weighted mix of airflow (mesh) 75 %") for text in said)


@pytest.mark.parametrize(
    ("weights", "more", "message"),
    [
        ({}, {}, "must be a mapping"),
        ({"mesh": 1}, {}, "must be keyed by"),
        ({"mesh": 0}, {"quantity": "airflow"}, "above 0"),
        ({"foam": 1}, {"quantity": "airflow"}, "'mesh', 'filter'"),
        ({("airflow", "mesh"): 1, "temperature_rise": 1}, {}, "`exchange` must say"),
        ({("airflow", "mesh"): 1}, {"exchange": {"noise": 3}}, "`exchange` must say"),
        ({("airflow", "mesh"): 1, "temperature_rise": 1},
         {"exchange": {"temperature_rise": -10}}, "above 0"),
        ({("airflow", "mesh"): 1, "temperature_rise": 1},
         {"exchange": {"temperature_rise": 10, "airflow": 1}}, "`exchange` must say"),
    ],
)  # fmt: skip
def test_what_cannot_be_mixed_is_refused(weights, more, message):
    """No weights, unknown criteria and missing rates each get a message with the mend."""
    with pytest.raises(FanstatsError, match=message):
        mix(with_rise(draws=200), weights, **more)


def test_a_model_that_lacks_one_criterion_has_no_mix():
    """Its row stays, with the criterion and the reason in its status."""
    estimates = with_rise(draws=200)
    estimates["temperature_rise_status"] = estimates["temperature_rise_status"].astype(object)
    for name in ("temperature_rise", "temperature_rise_value"):
        estimates[name] = estimates[name].where(estimates["model"] != "C")
    estimates["temperature_rise_status"].loc[{"model": "C"}] = "no ambient"
    mixed = mixed_estimates(
        estimates, {("airflow", "mesh"): 1, "temperature_rise": 1},
        exchange={"temperature_rise": 10},
    )  # fmt: skip
    assert rank(mixed, best="high").unranked == {"C": "temperature rise: no ambient"}


# How much the weights matter ----------------------------------------------------------------------


def test_pairs_hold_exactly_if_no_corner_of_the_weights_turns_them():
    """`holds` agrees with trying every corner of the box of weights."""
    estimates = two_obstructions(draws=500)
    for factor in (1.2, 1.35, 2.0, 10.0):
        found = weight_dependence(
            estimates, {"mesh": 1, "filter": 1}, quantity="airflow", factor=factor
        )
        values = estimates["airflow_value"].sel(scope="model")
        corners = list(itertools.product((1 / factor, factor), repeat=2))
        for row in found.pairs.to_dict("records"):
            gap = (values.sel(model=row["ahead"]) - values.sel(model=row["behind"])).values
            assert row["holds"] == all(np.dot(corner, gap) > 0 for corner in corners)
            assert not row["holds"] or row["share"] == 1.0


def test_the_share_of_weightings_has_its_closed_form():
    """A leads B by 20 behind the mesh and trails by 13.2 behind the filter: where they cross."""
    estimates = two_obstructions(draws=20_000)
    gap_mesh, gap_filter = 20.0, 420 * 0.54 - 400 * 0.6
    found = weight_dependence(
        estimates, {"mesh": 1, "filter": 1}, quantity="airflow", factor=math.inf
    )
    pair = found.pairs.query("ahead in ('A', 'B') and behind in ('A', 'B')").iloc[0]
    share = pair["share"] if pair["ahead"] == "A" else 1 - pair["share"]
    # A is ahead while w 20 > (1 - w) 13.2 with w uniform.
    wanted = 1 - (-gap_filter) / (gap_mesh - gap_filter)
    assert share == pytest.approx(wanted, abs=4 * math.sqrt(0.25 / 20_000))
    assert not pair["holds"]
    first = found.table.set_index("model")["share_first"]
    assert first["A"] + first["B"] == pytest.approx(1.0)


def test_weights_that_decide_nothing_are_said_to():
    """Obstructions that only scale the same order leave it whatever the weights."""
    estimates = make_estimates(SIX, obstructions=["mesh", "filter"],
                               obstruction_factors=[1.0, 0.5], draws=500)  # fmt: skip
    found = weight_dependence(
        estimates, {"mesh": 1, "filter": 3}, quantity="airflow", factor=math.inf
    )
    assert found.pairs["holds"].all()
    assert "15 of 15 pairs keep their order whatever the weights are" in found.sentence()
    assert (found.table["place_low"] == found.table["place_high"]).all()


def test_weight_dependence_says_where_the_weights_decide():
    """The sentence names the pairs that turn; the table can be written out."""
    estimates = with_rise(draws=1000)
    found = weight_dependence(
        estimates, {("airflow", "mesh"): 1, ("airflow", "filter"): 1, "temperature_rise": 1},
        exchange={"temperature_rise": 3},
    )  # fmt: skip
    text = found.sentence()
    assert "With weights off by up to 2 times either way it stays first" in text
    assert "A / B" in text or "B / A" in text
    assert "Assumed:" in text
    assert found.label == "chance"
    assert "<table" in found._repr_html_()
    assert found.to_csv().startswith("model,place,value,chance_best,share_first")
    with pytest.raises(FanstatsError, match="factor"):
        weight_dependence(estimates, {"mesh": 1}, quantity="airflow", factor=1.0)


def test_a_mix_says_at_which_noise_and_why_a_model_has_none():
    """Level, assumptions, reasons and samples go with the array, not only with the Dataset."""
    estimates = make_estimates(
        {"A": 420.0, "B": 400.0, "C": 390.0, "G": math.nan}, obstructions=["mesh", "filter"],
        units_tested=[1, 2, 1, 1], statuses={"G": "above range"}, draws=400,
    )  # fmt: skip
    mixed = mix(estimates, {"mesh": 1, "filter": 2}, quantity="airflow")
    ranking = rank(mixed)
    assert ranking.unranked == {"G": "above range"}
    for text in (ranking.sentence(), compare(mixed, "A", "B").sentence()):
        assert "at equal noise (36 dBA), obstruction: weighted: mesh 33.3 %, filter 66.7 %" in text
        assert "samples scatter normally about their model" in text
        assert "(your weights)" in text
        assert "2 samples of B" in text


def test_a_level_chosen_of_several_stays_with_the_mix():
    """Where the level is a coordinate, the mix is still said to be at that noise."""
    estimates = make_estimates(SIX, obstructions=["mesh", "filter"], draws=300)
    del estimates.attrs["level"]
    one = estimates.assign_coords(level=36.0)
    for mixed in (mix, mixed_estimates):
        found = rank(mixed(one, {"mesh": 1, "filter": 1}, quantity="airflow"))
        assert "at equal noise (36 dBA)" in found.sentence()


def test_weights_name_the_models_left_out():
    """A model without a mix stands last with its reason, and in the sentence."""
    estimates = make_estimates(
        {"A": 420.0, "B": 400.0, "G": math.nan},
        statuses={"G": "above range"},
        obstructions=["mesh", "filter"],
        draws=300,
    )
    found = weight_dependence(estimates, {"mesh": 1, "filter": 1}, quantity="airflow")
    assert list(found.table["model"]) == ["A", "B", "G"]
    assert found.table["status"].iloc[-1] == "above range"
    assert "Without a place: G (above range)." in found.sentence()
    assert "1 of 1 pair keeps its order throughout" in found.sentence()
