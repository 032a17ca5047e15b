"""A second test with new samples: what to expect, what survives, whether that comes true."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from scipy import stats

from fanstats.decisions.effects import RandomEffects, effects_draws
from fanstats.decisions.rank import rank
from fanstats.decisions.retest import retest
from fanstats.decisions.selection import select
from fanstats.decisions.true_values import true_values
from fanstats.errors import FanstatsError
from fanstats.face import equal_noise
from fanstats.loading.readings import read_readings
from fanstats.sources import Bench, Instrument, UnitSpread, standard
from tests.synthetic import benched, make_estimates, plain_bench

REFERENCE = Path(__file__).parent / "reference"
SIX = {"A": 420.0, "B": 400.0, "C": 390.0, "D": 385.0, "E": 350.0, "F": 330.0}


# Published shrinkage ------------------------------------------------------------------------------


def baseball():
    return pd.read_csv(REFERENCE / "efron_morris_baseball.csv", comment="#")


def test_a_fixed_spread_gives_efron_and_morris_table():
    """Shrunk values are those printed, once the spread between players is that of their factor."""
    data = baseball()
    x = np.sqrt(45) * np.arcsin(2 * data["hits"].to_numpy() / data["at_bats"].to_numpy() - 1)
    kept = 1 - (len(x) - 3) / np.square(x - x.mean()).sum()
    effects = RandomEffects(
        x, np.ones(len(x)), np.array([math.sqrt(kept / (1 - kept))]), np.ones(1)
    )
    shrunk = effects_draws(effects, np.zeros(1), np.zeros(1), np.zeros((len(x), 1)))[:, 0]
    back = (np.sin(shrunk / np.sqrt(45)) + 1) / 2

    assert back == pytest.approx(data["js_arcsine_published"].to_numpy(), abs=0.0005)


def players():
    """Estimates of 18 players on the scale with unit variance, and their later averages on it."""
    data = baseball()
    x = np.sqrt(45) * np.arcsin(2 * data["hits"].to_numpy() / data["at_bats"].to_numpy() - 1)
    later = np.sqrt(45) * np.arcsin(2 * data["average_remainder"].to_numpy() - 1)
    draws = x[:, None] + np.random.default_rng(1).standard_normal((len(x), 20_000))
    estimates = xr.Dataset(
        {"score": (("model", "draw"), draws), "score_value": (("model",), x)},
        coords={"model": data["player"].to_list(), "root": "1"},
    )
    return estimates, dict(zip(data["player"], later, strict=True)), data


def test_expected_values_of_the_baseball_players_come_closer_than_their_averages():
    """The first 45 at-bats miss the rest of the season by 17.6, shrunk values by half or less."""
    estimates, later, _ = players()
    table = retest(estimates, best="high").table.set_index("model")
    rest = pd.Series(later)
    raw = np.square(table["value"] - rest).sum()
    expected = np.square(table["expected"] - rest).sum()

    assert raw == pytest.approx(17.56, abs=0.02)
    assert expected < raw / 2
    first = table.iloc[0]
    assert first["expected"] < first["value"]
    assert table.iloc[-1]["expected"] > table.iloc[-1]["value"]


# Closed forms -------------------------------------------------------------------------------------


def noise(values, **more):
    common = {"quantity": "noise", "units": "dBA", "relative": False, "own": 0.3, "slope": 1.0,
              "noise_spread": 0.8, "airflow_spread": 0.0, "draws": 40_000}  # fmt: skip
    return make_estimates(values, **{**common, **more})


@pytest.mark.parametrize(("tested", "units"), [(1, 1), (2, 1), (1, 4)])
def test_two_models_have_the_closed_form(tested, units):
    """The order of two models survives by the normal law of gap, first test and second test."""
    found = retest(noise({"A": 30.0, "B": 31.5}, units_tested=tested), units=units)
    measured = 0.3**2
    variance = 2 * (measured + 0.8**2 / tested) + 2 * (measured * tested / units + 0.8**2 / units)
    wanted = stats.norm.cdf(1.5 / math.sqrt(variance))

    assert found.first_stays == pytest.approx(wanted, abs=4 * math.sqrt(0.25 / 40_000) + 0.004)
    assert found.label == "confidence"
    half = 1.96 * math.sqrt(variance / 2)
    row = found.table.iloc[0]
    assert row["model"] == "A"
    assert [row["low"], row["high"]] == pytest.approx([30 - half, 30 + half], abs=0.06)


def test_fewer_than_five_models_are_not_shrunk():
    """Ranges and no expected values below five models, with the reason in words."""
    four = {name: SIX[name] for name in "ABCD"}
    found = retest(make_estimates(four, draws=2000))
    assert found.table["expected"].isna().all()
    assert found.table["low"].notna().all()
    assert "fewer than five models" in found.sentence()
    five = retest(make_estimates({**four, "E": 350.0}, draws=2000))
    assert five.table["expected"].notna().all()
    assert five.label == "chance"


def test_true_values_are_those_a_ranking_counts_in():
    """Chances from these draws and those of a ranking agree to the last draw, in every scope."""
    estimates = make_estimates(SIX, draws=1000)
    for scope in ("tested unit", "model", "next unit"):
        picked = select(estimates, None, None)
        members = np.arange(6)
        draws = true_values(picked, picked.scope(scope), members).draws
        shares = np.bincount(draws.argmax(axis=0), minlength=6) / 1000
        assert shares == pytest.approx(rank(estimates, scope=scope).chance_best.values, abs=1e-12)


# What moves the prediction ------------------------------------------------------------------------


def test_the_top_is_expected_to_fall_and_the_bottom_to_rise():
    """Expected values lie between the figure now and the middle, the more so the more luck."""
    steady = retest(make_estimates(SIX, own=0.002, noise_spread=0.1, airflow_spread=0.002)).table
    shaky = retest(make_estimates(SIX, noise_spread=1.5, airflow_spread=0.03)).table
    assert 0 > steady["change"].iloc[0] > shaky["change"].iloc[0]
    assert 0 < steady["change"].iloc[-1] < shaky["change"].iloc[-1]


def test_more_new_samples_make_the_order_last():
    """With more new samples of each model the same order comes out more often."""
    estimates = make_estimates(SIX, draws=5000)
    one, many = retest(estimates), retest(estimates, units=10)
    assert many.first_stays > one.first_stays
    assert many.top_stays > one.top_stays
    assert (many.pairs["chance"] >= one.pairs["chance"] - 0.01).all()


def test_on_the_same_bench_a_meters_answer_to_a_model_comes_out_again():
    """Errors that belong to a model repeat on the same bench, so more of the order survives."""
    errors = {"own": 0.015, "mounting": 0.006, "noise_spread": 0.1, "airflow_spread": 0.002}
    values = {name: value / 100.0 for name, value in SIX.items()}
    estimates = benched(values, **errors, draws=20_000)
    anew, same = retest(estimates), retest(estimates, bench=plain_bench(**errors))
    assert same.first_stays > anew.first_stays + 0.03
    assert same.same_bench
    assert any("as on another bench" in note for note in anew.notes)
    assert not any("as on another bench" in note for note in same.notes)


@pytest.mark.parametrize(("tested", "units"), [(1, 1), (2, 3)])
def test_two_models_on_the_same_bench_have_the_closed_form(tested, units):
    """What belongs to the model counts once, where it is no error of the second test."""
    errors = {"own": 0.02, "mounting": 0.01, "noise_spread": 0.2, "airflow_spread": 0.005}
    estimates = benched({"A": 4.1, "B": 4.0}, units_tested=tested, **errors, draws=40_000)
    anew, same = (
        retest(estimates, units=units),
        retest(estimates, units=units, bench=plain_bench(**errors)),
    )
    gap, own = math.log(4.1 / 4.0), 0.02**2
    each = 0.01**2 + (0.04 * 0.2) ** 2 + 0.005**2
    for found, repeated in ((anew, own * (1 + tested / units)), (same, 0.0)):
        variance = 2 * (each * (1 / tested + 1 / units) + repeated)
        wanted = stats.norm.cdf(gap / math.sqrt(variance))
        assert found.first_stays == pytest.approx(wanted, abs=4 * math.sqrt(0.25 / 40_000) + 0.004)


def test_another_bench_can_be_named_for_the_second_test():
    """What repeats is read off the bench that is named, not off the one of the first test."""
    errors = {"own": 0.015, "mounting": 0.006, "noise_spread": 0.1, "airflow_spread": 0.002}
    estimates = benched({"A": 4.1, "B": 4.0}, **errors, draws=5000)
    nothing = plain_bench(**{**errors, "own": 0.0})
    anew, named = retest(estimates), retest(estimates, bench=nothing)
    assert named.first_stays == pytest.approx(anew.first_stays, abs=0.01)
    with pytest.raises(FanstatsError, match="hold no readings to ask again"):
        retest(make_estimates(SIX, draws=200), bench=nothing)


def test_shared_errors_play_no_part():
    """What all models share moves neither the order nor the second test's range."""
    lone = retest(make_estimates(SIX, draws=10_000))
    shared = retest(make_estimates(SIX, shared=0.05, draws=10_000))
    assert shared.first_stays == pytest.approx(lone.first_stays, abs=0.02)
    width = [t.table["high"].iloc[0] - t.table["low"].iloc[0] for t in (lone, shared)]
    assert width[1] == pytest.approx(width[0], rel=0.05)


def test_probabilities_hang_together():
    """Keeping all of an order is no likelier than keeping part of it; places add up."""
    found = retest(make_estimates(SIX, draws=3000), top=2)
    assert found.order_stays <= found.top_in_order <= found.top_stays
    assert found.top_in_order <= found.first_stays
    assert found.table["chance_first"].sum() == pytest.approx(1.0)
    assert found.table["chance_top"].sum() == pytest.approx(2.0)
    assert found.first_stays == pytest.approx(found.table["chance_first"].iloc[0])
    assert found.order_stays <= found.pairs["chance"].min()


def test_it_does_not_depend_on_the_order_of_the_estimates():
    """Turning the models around changes no number."""
    estimates = make_estimates(SIX, draws=1000)
    one, two = retest(estimates), retest(estimates.isel(model=slice(None, None, -1)))
    pd.testing.assert_frame_equal(one.table, two.table)
    pd.testing.assert_frame_equal(one.pairs, two.pairs)


# Edges and words ----------------------------------------------------------------------------------


def test_without_a_spread_nothing_is_predicted():
    """Nobody stated the spread: all models keep their row with the reason."""
    found = retest(make_estimates(SIX, noise_spread=None, draws=500))
    assert found.table["place"].isna().all()
    assert set(found.table["status"]) == {"spread not stated: noise"}
    assert math.isnan(found.first_stays)
    assert found.sentence().startswith("Nothing can be said about the order in a second test")
    assert "spread not stated: noise" in found.sentence()


def test_models_without_an_estimate_stand_last():
    """A model above range has no place in either test."""
    found = retest(make_estimates({**SIX, "G": math.nan}, draws=500, statuses={"G": "above range"}))
    last = found.table.iloc[-1]
    assert last["model"] == "G"
    assert math.isnan(last["place"])
    assert last["status"] == "above range"
    assert len(found.pairs) == 5


def test_an_array_without_scopes_is_tested_again_without_luck():
    """Bare draws say nothing of bought samples, and the result says so."""
    array = make_estimates(SIX, draws=500).airflow.sel(scope="model").drop_vars("scope")
    found = retest(array)
    assert any("their luck is left out" in note for note in found.notes)


@pytest.mark.parametrize("wrong", [{"units": 0}, {"top": 0}, {"units": 1.5}, {"probability": 95}])
def test_arguments_out_of_range_are_refused(wrong):
    """Whole numbers of at least one, and a fraction."""
    with pytest.raises(FanstatsError, match=next(iter(wrong))):
        retest(make_estimates(SIX, draws=200), **wrong)


def test_sentence_and_tables_of_a_second_test():
    """The sentence says how often the order survives, and what becomes of the first's figure."""
    found = retest(make_estimates(SIX, draws=2000))
    text = found.sentence()
    assert text.startswith(
        "If every model were tested again with one new sample, A would stay first"
    )
    assert "The same 3 would stand on top" in text
    assert "as the first of a chart is there partly by luck" in text
    assert "Tested: 1 sample of A, B, C, D, E and 1 more." in text
    assert "with 4 new samples" in retest(make_estimates(SIX, draws=500), units=4).sentence()
    assert "<table" in found._repr_html_()
    assert found.to_csv().startswith("model,place,value,expected")
    assert found.to_markdown().startswith("| model")


# Does it come true --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("tau", "tested", "units", "repeated"),
    [(0.04, 1, 1, 0.0), (0.1, 2, 3, 0.0), (0.05, 1, 1, 0.04)],
)
def test_predictions_come_true_in_simulated_second_tests(tau, tested, units, repeated):
    """Over charts of eight models, order and ranges survive as often as stated."""
    rng, own, luck = np.random.default_rng(3), 0.01, math.hypot(0.04 * 0.8, 0.02)
    errors = {"own": repeated, "mounting": own}
    bench = plain_bench(**errors) if repeated else None
    stated = {"first": [], "top": [], "pairs": []}
    came = {name: [] for name in stated}
    inside, bias = [], []
    for run in range(120):
        # What the meter makes of each model comes out again in the second test.
        true = rng.normal(0, tau, 8) + rng.normal(0, repeated, 8)
        first = true + rng.normal(0, math.hypot(own, luck / math.sqrt(tested)), 8)
        seen = {f"M{k}": 4.0 * math.exp(first[k]) for k in range(8)}
        more = {"units_tested": tested, "draws": 600, "root": run}
        estimates = (
            benched(seen, **errors, below=8.0, above=8.0, **more)
            if bench is not None
            else make_estimates(seen, own=own, **more)
        )
        found = retest(estimates, units=units, bench=bench)
        again = own * math.sqrt(tested / units), luck / math.sqrt(units)
        second = true + rng.normal(0, math.hypot(*again), 8)
        z = second[[int(name[1:]) for name in found.table["model"]]]
        stated["first"].append(found.first_stays)
        came["first"].append(z[0] > z[1:].max())
        stated["top"].append(found.top_stays)
        came["top"].append(z[:3].min() > z[3:].max())
        stated["pairs"].extend(found.pairs["chance"])
        came["pairs"].extend(z[:-1] > z[1:])
        values = 4.0 * np.exp(z)
        inside.append(((found.table["low"] <= values) & (values <= found.table["high"])).mean())
        bias.append(math.log(found.table["expected"].iloc[0]) - math.log(values[0]))
    for name, chances in stated.items():
        p = np.array(chances)
        deviation = np.sum(came[name]) - p.sum()
        # Neighbouring pairs of one chart share models: their variance may double.
        variance = (p * (1 - p)).sum() * (2 if name == "pairs" else 1)
        assert abs(deviation) < 3.3 * math.sqrt(variance), name
    coverage, error = np.mean(inside), np.std(inside) / math.sqrt(len(inside))
    assert coverage == pytest.approx(0.95, abs=max(3.3 * error, 0.01))
    assert abs(np.mean(bias)) < 3.3 * np.std(bias) / math.sqrt(len(bias))


# Through the whole pipeline -----------------------------------------------------------------------

BENCH = Bench(
    noise=Instrument(shared=[standard(0.5)], sitting=[standard(0.15)], reading=[standard(0.05)]),
    speed=Instrument(reading=[standard(3.0)]),
    airflow=Instrument(shared=[standard("2 %")], reading=[standard("0.5 %")]),
    spread=UnitSpread(noise=standard(0.8), airflow=standard("2 %"), speed=standard("3 %")),
)


def bench_day(rng, models, meter, vane):
    """Table of one test: a new sample of every model, on one bench with its own errors."""
    rows = []
    for name, (speed, level, flow) in models.items():
        e, f, s = rng.normal(0, 0.8), rng.normal(0, 0.02), rng.normal(0, 0.03)
        sitting = rng.normal(0, 0.15)
        for volts in (6.0, 8.0, 10.0, 12.0):
            n = speed * (volts / 9.0) * (1 + s)
            fan = level + 50 * math.log10(n / speed) + e + sitting
            rows.append(
                {
                    "model": name,
                    "session": "day",
                    "drive [V]": volts,
                    "speed [rpm]": n + rng.normal(0, 3.0),
                    "noise [dBA]": 10 * math.log10(10 ** (fan / 10) + 10**2.4) + meter
                    + rng.normal(0, 0.05),
                    "background [dBA]": 24.0 + meter + rng.normal(0, 0.05),
                    "airflow [fpm]": flow * n / speed * (1 + f) * (1 + vane)
                    * (1 + rng.normal(0, 0.005)),
                }
            )  # fmt: skip
    return read_readings(pd.DataFrame(rows))


@pytest.mark.simulation
def test_predictions_come_true_from_readings_to_readings():
    """Readings, estimates, prediction, second readings: the order survives as often as stated."""
    rng = np.random.default_rng(12)
    stated, came, inside = [], [], []
    for run in range(24):
        models = {
            f"M{k}": (
                rng.uniform(800, 1100),
                36 + rng.uniform(-1, 1),
                400 * math.exp(rng.normal(0, 0.07)),
            )
            for k in range(7)
        }
        meter, vane = rng.normal(0, 0.5), rng.normal(0, 0.02)
        first, second = (
            equal_noise(bench_day(rng, models, meter, vane), 36, bench=BENCH, draws=300, rng=run)
            for _ in range(2)
        )
        found = retest(first, quantity="airflow")
        names = found.table["model"].to_list()
        again = second["airflow_value"].sel(scope="model", model=names).values
        assert np.isfinite(again).all()
        stated.extend(found.pairs["chance"])
        came.extend(again[:-1] > again[1:])
        inside.append(((found.table["low"] <= again) & (again <= found.table["high"])).mean())
    p = np.array(stated)
    assert abs(np.sum(came) - p.sum()) < 3.3 * math.sqrt(2 * (p * (1 - p)).sum())
    assert np.mean(inside) == pytest.approx(
        0.95, abs=3.3 * max(np.std(inside), 0.08) / math.sqrt(len(inside))
    )


def test_a_top_larger_than_the_chart_is_said_to_be_all_of_it():
    """Fifty places of six models: the result says that its top holds all of them."""
    found = retest(make_estimates(SIX, draws=500), top=50)
    assert found.top == len(SIX)
    assert f"only {len(SIX)} models ranked: a top of 50 holds all of them" in found.sentence()
    assert "a top of" not in retest(make_estimates(SIX, draws=500), top=3).sentence()


def test_several_fans_together_move_no_others_prediction():
    """A model of which three run together is predicted by itself, not shrunk towards the others."""
    chart = {**SIX, "G": 900.0}
    estimates = make_estimates(chart, draws=20_000)
    estimates.attrs["fans"] = json.dumps({"G": 3})
    found = retest(estimates).table.set_index("model")["expected"]
    alone = retest(make_estimates(SIX, draws=20_000)).table.set_index("model")["expected"]
    error = 0.05 * 400 / math.sqrt(20_000)
    assert found["G"] == pytest.approx(900.0, rel=3.3 * 0.05 / math.sqrt(20_000))
    for name in SIX:
        assert found[name] == pytest.approx(alone[name], abs=4 * error)
    assert any("3 fans together" in note for note in retest(estimates).notes)
