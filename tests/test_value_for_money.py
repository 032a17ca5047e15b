"""Price and performance: packs, what money buys, the unbeaten, extra cost, several against one."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from scipy import stats

from fanstats import demo
from fanstats.decisions.compare import compare
from fanstats.decisions.extra_cost import extra_cost
from fanstats.decisions.offers import Offer, read_offers
from fanstats.decisions.rank import rank
from fanstats.decisions.several import several_against_one
from fanstats.decisions.value_for_money import value_for_money
from fanstats.errors import FanstatsError
from fanstats.face import equal_noise
from tests.synthetic import make_estimates

SIX = {"A": 420.0, "B": 400.0, "C": 390.0, "D": 385.0, "E": 350.0, "F": 330.0}
PRICES = {"A": 25.0, "B": 18.0, "C": 12.0, "D": 12.0, "E": 8.0, "F": 9.0}


def certain(values, **more):
    return make_estimates(values, **{"noise_spread": 0.0, "airflow_spread": 0.0, **more})


# Prices -------------------------------------------------------------------------------------------


def test_what_must_be_bought_counts():
    """A pack of five for a need of three costs a pack, and two packs from six on."""
    offer = Offer(price=32.0, pack=5)
    assert [offer.paid(need) for need in (1, 3, 5, 6, 11)] == [32.0, 32.0, 32.0, 64.0, 96.0]
    table = value_for_money(
        certain(SIX, draws=500), {**PRICES, "B": {"price": 32.0, "pack": 5}}, need=3
    ).table.set_index("model")
    assert table.loc["B", ["fans", "bought", "paid"]].tolist() == [3, 5, 32.0]
    assert table.loc["A", ["fans", "bought", "paid"]].tolist() == [3, 3, 75.0]
    # Three fans move air for one pack of five.
    assert table.loc["B", "per_money"] == pytest.approx(3 * 400.0 / 32.0)


def test_prices_are_read_as_they_stand_in_readings():
    """JSON text as kept with readings, plain numbers and mappings all give the same offers."""
    stated = {"A": {"price": 12.0, "pack": 2, "currency": "EUR"}}
    assert read_offers(json.dumps(stated), {}) == read_offers(stated, {})
    assert read_offers(None, {"prices": json.dumps(stated)})["A"].pack == 2
    assert read_offers({"A": 12}, {})["A"] == Offer(price=12.0)


@pytest.mark.parametrize(
    ("prices", "message"),
    [
        (None, "must give the price of each model"),
        ({}, "must give the price of each model"),
        ("no json", "must be JSON"),
        ({"A": 0}, r"prices\['A'\]` must be a finite number above 0"),
        ({"A": {"pack": 5}}, "must hold 'price'"),
        ({"A": {"price": 5, "size": 5}}, "may hold 'pack' and 'currency'"),
        ({"A": {"price": 5, "pack": 2.5}}, "whole number"),
        ({"A": {"price": 5, "currency": "EUR"}, "B": {"price": 5, "currency": "USD"}},
         "one currency"),
    ],
)  # fmt: skip
def test_what_is_no_price_is_refused(prices, message):
    """Missing, zero, half-packed and mixed-currency prices get a message that names them."""
    with pytest.raises(FanstatsError, match=message):
        value_for_money(certain(SIX, draws=200), prices)


# Unbeaten -----------------------------------------------------------------------------------------


def test_chance_to_be_unbeaten_of_two_is_that_of_being_better():
    """The cheapest is unbeaten by its price; the dear one as often as it is truly better."""
    estimates = certain({"A": 410.0, "B": 400.0}, own=0.02, draws=40_000)
    found = value_for_money(estimates, {"A": 20, "B": 10}).chance_unbeaten
    wanted = stats.norm.cdf(math.log(410 / 400) / (0.02 * math.sqrt(2)))
    assert float(found.sel(model="B")) == 1.0
    assert float(found.sel(model="A")) == pytest.approx(wanted, abs=4 * math.sqrt(0.25 / 4e4))


def test_equal_prices_share_the_chance_to_be_unbeaten():
    """At one price only the best is unbeaten: the chances add up to one."""
    found = value_for_money(make_estimates(SIX, draws=4000), dict.fromkeys(SIX, 10.0))
    assert float(found.chance_unbeaten.sum()) == pytest.approx(1.0)
    best = rank(make_estimates(SIX, draws=4000)).chance_best
    assert found.chance_unbeaten.sel(model=list(SIX)).values == pytest.approx(best.values)
    assert found.label == "chance"


def test_unbeaten_matches_a_plain_loop_over_draws():
    """Draw by draw, a model is beaten by any other that costs no more and is better."""
    estimates = certain({"A": 400.0, "B": 404.0, "C": 396.0, "D": 402.0}, own=0.02, draws=400)
    prices = {"A": 10.0, "B": 12.0, "C": 10.0, "D": 11.0}
    draws = estimates.airflow.sel(scope="model")
    found = value_for_money(estimates, prices).chance_unbeaten
    for one in prices:
        beaten = np.zeros(400, dtype=bool)
        for other in prices:
            if other != one and prices[other] <= prices[one]:
                beaten |= (draws.sel(model=other) > draws.sel(model=one)).values
        assert float(found.sel(model=one)) == pytest.approx(1 - beaten.mean())


def test_chances_to_be_unbeaten_come_true():
    """Over simulated charts, models stated unbeaten are so as often as stated."""
    rng, spread = np.random.default_rng(4), 0.02
    stated, came = [], []
    for run in range(120):
        true = rng.normal(0, 0.04, 7)
        prices = {f"M{k}": float(price) for k, price in enumerate(rng.permutation(7) + 1)}
        seen = {f"M{k}": 400 * math.exp(true[k] + rng.normal(0, spread)) for k in range(7)}
        estimates = certain(seen, own=spread, draws=500, root=run)
        found = value_for_money(estimates, prices).chance_unbeaten
        for k in range(7):
            cheaper = [true[j] for j in range(7) if prices[f"M{j}"] < prices[f"M{k}"]]
            stated.append(float(found.sel(model=f"M{k}")))
            came.append(true[k] > max(cheaper, default=-np.inf))
    p = np.array(stated)
    # Models of one chart beat each other: the variance of the sum may double.
    assert abs(np.sum(came) - p.sum()) < 3.3 * math.sqrt(2 * (p * (1 - p)).sum())
    sure = p[(p > 0.9) & (p < 1)]
    hits = np.array(came)[(p > 0.9) & (p < 1)]
    assert sure.size > 20
    low, high = stats.binom.interval(0.999, sure.size, sure.mean())
    assert low <= hits.sum() <= high


def test_less_noise_for_money_has_no_ratio():
    """Decibels are not divided by money; being unbeaten still has a meaning."""
    estimates = make_estimates({"A": 30.0, "B": 33.0}, quantity="noise", units="dBA",
                               relative=False, own=0.3, draws=500)  # fmt: skip
    found = value_for_money(estimates, {"A": 10.0, "B": 20.0})
    assert found.table["per_money"].isna().all()
    assert float(found.chance_unbeaten.sel(model="A")) == 1.0
    assert any("has no meaning" in note for note in found.notes)


def test_models_without_price_or_estimate_stand_last():
    """No price, no estimate, no chance: the row stays with its reason."""
    estimates = certain({**SIX, "G": math.nan}, draws=500, statuses={"G": "above range"})
    prices = {name: price for name, price in PRICES.items() if name != "B"} | {"G": 5.0, "Z": 3.0}
    found = value_for_money(estimates, json.dumps(prices))
    last = found.table.tail(2).set_index("model")
    assert last.loc["B", "status"] == "no price"
    assert last.loc["G", "status"] == "above range"
    assert last["chance_unbeaten"].isna().all()
    assert any("no estimate by that name: Z" in note for note in found.notes)
    assert found.table["paid"].iloc[:5].is_monotonic_increasing


def test_sentence_of_value():
    """It names the unbeaten, the cheapest, what is bought in packs, samples and assumptions."""
    prices = {**PRICES, "E": {"price": 30.0, "pack": 5, "currency": "EUR"}}
    found = value_for_money(certain(SIX, own=0.003, draws=2000), prices, need=2)
    text = found.sentence()
    assert text.startswith("By price and airflow at equal noise (36 dBA), for the typical one:")
    assert "F is the cheapest: nothing can beat it on both." in text
    assert "Whole packs are counted: 5 of E for 2." in text
    assert "Tested: 1 sample of" in text
    assert "Assumed:" in text
    assert found.currency == "EUR"
    assert "<table" in found._repr_html_()
    assert "chance_unbeaten" in found.to_csv()


# Extra cost ---------------------------------------------------------------------------------------


def test_a_settled_gain_has_a_price_with_two_ends():
    """The price of a unit is the extra sum over the gain, its range the gain's turned over."""
    estimates = certain(SIX, own=0.005, draws=4000)
    found = extra_cost(estimates, "E", "A", prices=PRICES)
    pair = compare(estimates, "A", "E")
    assert (found.dearer, found.cheaper, found.extra) == ("A", "E", 17.0)
    assert found.state == "range"
    assert found.per_unit == pytest.approx(17.0 / 70.0)
    assert found.per_unit_low == pytest.approx(17.0 / pair.difference.high)
    assert found.per_unit_high == pytest.approx(17.0 / pair.difference.low)
    assert "currency units for each fpm" in found.sentence()


def test_a_gain_that_may_be_nothing_has_no_upper_price():
    """Where the gain's range holds 0 only a least price is given, never a finite range."""
    estimates = certain(SIX, own=0.02, draws=4000)
    found = extra_cost(estimates, "B", "C", prices=PRICES)
    pair = compare(estimates, "B", "C")
    assert pair.difference.low < 0 < pair.difference.high
    assert found.state == "at least"
    assert found.per_unit_high == math.inf
    assert found.per_unit_low == pytest.approx(6.0 / pair.difference.high)
    assert "with no upper limit: there may be no gain" in found.sentence()


def test_a_dearer_one_that_is_surely_worse_has_no_price():
    """Money that buys less air buys no gain at any price."""
    prices = {**PRICES, "E": 40.0}
    found = extra_cost(certain(SIX, own=0.003, draws=4000), "E", "A", prices=prices)
    assert found.state == "no gain"
    assert math.isnan(found.per_unit)
    assert found.chance_as_good_typical > 0.99
    assert "the money buys no gain" in found.sentence()


def test_the_same_price_and_no_estimate():
    """Equal prices ask for no extra; without a spread the gain is not known."""
    same = extra_cost(certain(SIX, draws=500), "C", "D", prices=PRICES)
    assert same.state == "same price"
    assert "cost the same" in same.sentence()
    unknown = extra_cost(make_estimates(SIX, noise_spread=None, draws=500), "A", "B", prices=PRICES)
    assert unknown.state == "not known"
    assert "is not known" in unknown.sentence()
    with pytest.raises(FanstatsError, match="`prices` must name 'A'"):
        extra_cost(certain(SIX, draws=200), "A", "B", prices={"B": 3.0})


def test_a_need_of_several_places_multiplies_gain_and_money():
    """Three places: three times the air, and packs as they come."""
    estimates = certain(SIX, own=0.005, draws=2000)
    one = extra_cost(estimates, "A", "E", prices=PRICES)
    three = extra_cost(estimates, "A", "E", prices=PRICES, need=3)
    assert three.gain == pytest.approx(3 * one.gain)
    assert three.per_unit == pytest.approx(one.per_unit)
    packs = extra_cost(
        estimates, "A", "E", prices={"A": 25.0, "E": {"price": 30.0, "pack": 5}}, need=3
    )
    assert packs.paid == (30.0, 75.0)


def test_prices_of_a_unit_of_gain_cover():
    """Over simulated tests the true price of a unit lies in the range 95 times in 100 or more."""
    rng, spread, runs, covered, states = np.random.default_rng(6), 0.01, 250, 0, set()
    true = math.exp(0.025) - 1.0  # of 400 fpm
    for run in range(runs):
        seen = {
            "A": 400 * math.exp(0.025 + rng.normal(0, spread)),
            "B": 400 * math.exp(rng.normal(0, spread)),
        }
        found = extra_cost(certain(seen, own=spread, draws=800, root=run), "A", "B",
                           prices={"A": 20, "B": 10})  # fmt: skip
        states.add(found.state)
        price = 10 / (400 * true)
        covered += found.state != "no gain" and found.per_unit_low <= price <= found.per_unit_high
    assert {"range", "at least"} <= states
    low, high = stats.binom.interval(0.999, runs, 0.95)
    assert low <= covered <= high


# Several against one ------------------------------------------------------------------------------


def test_several_fans_are_read_off_at_equal_total_noise():
    """Each number of fans is what the matching gives with `fans=`, against one of the other."""
    readings, bench = demo.readings(), demo.bench()
    prices = {"Sorrelby N1": {"price": 8.0, "pack": 2}, "Varnost Lull": 22.0}
    found = several_against_one(
        readings, 33, "Sorrelby N1", "Varnost Lull", bench=bench, most=2, prices=prices,
        obstruction="open", draws=400, rng=5,
    )  # fmt: skip
    two = equal_noise(readings, 33, bench=bench, fans={"Sorrelby N1": 2}, draws=400, rng=5)
    values = two["airflow_value"].sel(scope="model", obstruction="open")
    row = found.table.iloc[1]
    assert row["airflow"] == pytest.approx(float(values.sel(model="Sorrelby N1")))
    assert row["airflow_one"] == pytest.approx(float(values.sel(model="Varnost Lull")))
    draws = two["airflow"].sel(scope="model", obstruction="open")
    ratio = np.log(draws.sel(model="Sorrelby N1") / draws.sel(model="Varnost Lull")).values
    ends = np.exp(np.quantile(ratio, [0.025, 0.975]))
    assert [row["low"], row["high"]] == pytest.approx(list(ends), rel=1e-9)
    assert found.table["paid"].tolist() == [8.0, 8.0]
    assert "1 of Sorrelby N1:" in found.sentence()
    assert "the fans of Sorrelby N1 together make the level" in found.sentence()
    with pytest.raises(FanstatsError, match="must be two models"):
        several_against_one(readings, 33, "Sorrelby N1", "Sorrelby N1", bench=bench)


def test_value_counts_the_fans_that_run_together():
    """Estimates of two fans together need two fans a place."""
    estimates = equal_noise(demo.readings(), 33, bench=demo.bench(), fans={"Sorrelby N1": 2},
                            draws=200, rng=5)  # fmt: skip
    found = value_for_money(
        estimates, {"Sorrelby N1": 8.0, "Varnost Lull": 22.0}, quantity="airflow",
        obstruction="open", need=3,
    ).table.set_index("model")  # fmt: skip
    assert found.loc["Sorrelby N1", ["fans", "paid"]].tolist() == [6, 48.0]
    assert found.loc["Varnost Lull", ["fans", "paid"]].tolist() == [3, 66.0]


def test_a_misspelt_model_in_prices_is_refused():
    """A slip in a name would take a model out in silence: it is named with what was meant."""
    estimates = certain({"Varnost Lull": 420.0, "Ombrel Sill": 400.0}, draws=300)
    slip = {"Varnost Lul": 18.0, "Ombrel Sill": 8.0}
    with pytest.raises(FanstatsError, match=r"'Varnost Lul'\. Did you mean 'Varnost Lull'"):
        value_for_money(estimates, slip)
    with pytest.raises(FanstatsError, match=r"'ombrel  sill'\. Did you mean 'Ombrel Sill'"):
        value_for_money(estimates, {"Varnost Lull": 18.0, "ombrel  sill": 8.0})
    with pytest.raises(FanstatsError, match="Did you mean"):
        value_for_money(estimates, json.dumps(slip))
    with pytest.raises(FanstatsError, match=r"'Zephyr'\. Take out what was not tested"):
        value_for_money(estimates, {"Varnost Lull": 18.0, "Ombrel Sill": 8.0, "Zephyr": 3.0})
    with pytest.raises(FanstatsError, match="Did you mean it by 'Varnost Lul'"):
        extra_cost(estimates, "Varnost Lull", "Ombrel Sill", prices=slip)
    # A part of a chart may keep the prices of all of it.
    part = certain({**SIX}, draws=300).isel(model=[0, 1, 2])
    assert len(value_for_money(part, PRICES).table) == 3


def test_a_model_costs_nothing_more_than_itself():
    """Extra cost of a model over itself is refused, as equivalence is."""
    with pytest.raises(FanstatsError, match="must be two models; both are 'A'"):
        extra_cost(certain(SIX, draws=300), "A", "A", prices=PRICES)


def test_whose_gain_it_is_is_said():
    """The gain is told as what the dearer one has over the cheaper one."""
    found = extra_cost(certain({"A": 440.0, "B": 400.0}, draws=300), "A", "B",
                       prices={"A": 20.0, "B": 10.0})  # fmt: skip
    assert "What A has over B in airflow, for the typical ones, is 40" in found.sentence()


@pytest.mark.parametrize(
    ("scope", "words"), [("model", "typical fans of both"), ("next unit", "fans you would buy")]
)
def test_several_fans_say_whom_they_are_about(scope, words):
    """The scope stands in the sentence; prices given must name both models."""
    options = {"bench": demo.bench(), "most": 2, "obstruction": "open", "draws": 300, "rng": 1}
    found = several_against_one(
        demo.readings(), 33, "Wexcombe Pale", "Varnost Lull", scope=scope, **options
    )
    assert words in found.sentence()
    assert "for typical fans" in found.sentence()
    with pytest.raises(FanstatsError, match="Did you mean 'Wexcombe Pale'"):
        several_against_one(demo.readings(), 33, "Wexcombe Pale", "Varnost Lull",
                            prices={"Wexcombe": 3.0, "Varnost Lull": 9.0}, **options)  # fmt: skip
    with pytest.raises(FanstatsError, match="must name 'Wexcombe Pale'"):
        several_against_one(demo.readings(), 33, "Wexcombe Pale", "Varnost Lull",
                            prices={"Varnost Lull": 9.0}, **options)  # fmt: skip
