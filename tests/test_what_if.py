"""The verdict against a spread nobody knows."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from scipy import stats

from fanstats.decisions.compare import compare
from fanstats.decisions.order import joint_limits
from fanstats.decisions.selection import select
from fanstats.decisions.what_if import what_if
from fanstats.errors import FanstatsError
from fanstats.estimates.matching import equal_noise
from fanstats.loading.readings import read_readings
from fanstats.sources import Bench, Instrument, UnitSpread, standard
from tests.simulated import SimulatedBench
from tests.synthetic import make_estimates

SIX = {"A": 420.0, "B": 400.0, "C": 390.0, "D": 385.0, "E": 350.0, "F": 330.0}


def test_a_supposed_spread_gives_what_the_stated_one_would():
    """Limits and odds at a supposed 0.8 dB and 2 % equal those of estimates that state it."""
    unknown = make_estimates(SIX, noise_spread=None, draws=50_000)
    row = what_if(unknown, "A", "E", noise=0.8, airflow=0.02).iloc[0]
    stated = compare(make_estimates(SIX, draws=50_000), "A", "E")

    u = stated.difference.standard_uncertainty
    assert row["verdict"] == stated.verdict
    assert row["low"] == pytest.approx(stated.difference.low, abs=0.06 * u)
    assert row["critical"] == pytest.approx(stated.critical_difference[0], abs=0.06 * u)
    assert row["odds_typical"] == pytest.approx(stated.odds_typical.first_ahead, abs=0.01)
    assert row["odds_bought"] == pytest.approx(stated.odds_bought.first_ahead, abs=0.01)


def test_the_verdict_turns_at_the_spread_that_explains_the_gap():
    """Simulated luck turns the verdict where the formula says, for a plain pair."""
    estimates = make_estimates({"A": 460.0, "B": 400.0}, noise_spread=None, draws=100_000)
    table = what_if(estimates, "A", "B", noise=[0.0, 1.0, 3.0], airflow=0.0)
    needed = compare(estimates, "A", "B").spread_needed.noise_db

    exact = math.sqrt((math.log(1.15) / stats.norm.ppf(0.975)) ** 2 - 2 * 0.01**2)
    exact /= 0.04 * math.sqrt(2)
    assert needed == pytest.approx(exact, rel=0.005)
    assert table.attrs["changes_at"] == pytest.approx(exact, rel=0.02)
    assert table["verdict"].tolist() == ["ahead", "ahead", "leaning"]
    assert (
        "A is ahead as long as samples of one model differ by less than 1.2 dB"
        in (table.attrs["sentence"])
    )


def test_luck_in_airflow_alone_has_its_closed_form():
    """With 5 % airflow luck and none in noise the odds are those of normals, within 0.005."""
    estimates = make_estimates({"A": 460.0, "B": 400.0}, noise_spread=None, draws=100_000)
    row = what_if(estimates, "A", "B", noise=0.0, airflow=0.05).iloc[0]

    gap, own = math.log(460 / 400), 2 * 0.01**2
    typical = stats.norm.cdf(gap / math.sqrt(own + 2 * 0.05**2))
    bought = stats.norm.cdf(gap / math.sqrt(own + 4 * 0.05**2))
    assert row["odds_typical"] == pytest.approx(typical, abs=0.005)
    assert row["odds_bought"] == pytest.approx(bought, abs=0.005)


def test_several_tested_samples_stand_more_luck():
    """The mean of four samples turns only at twice the luck of one."""
    one = make_estimates({"A": 460.0, "B": 400.0}, noise_spread=None, own=1e-6)
    four = make_estimates({"A": 460.0, "B": 400.0}, noise_spread=None, own=1e-6, units_tested=4)
    turns = [what_if(e, "A", "B", noise=1.0, airflow=0.0).attrs["changes_at"] for e in (one, four)]

    assert turns[1] == pytest.approx(2 * turns[0], rel=0.01)


def test_a_gap_within_measurement_never_counts():
    """Where measurement alone could explain the gap, no spread settles it."""
    table = what_if(make_estimates({"A": 401.0, "B": 400.0}), "A", "B", noise=[0, 1])

    assert table.attrs["changes_at"] == 0.0
    assert not (table["verdict"] == "ahead").any()
    assert "Measurement alone" in table.attrs["sentence"]


def test_a_huge_gap_counts_for_every_spread():
    """A gap beyond any luck has no turning point."""
    estimates = make_estimates({"A": 4000.0, "B": 100.0}, slope=0.01, own=0.001)
    table = what_if(estimates, "A", "B", noise=[0.5], airflow=0.0)

    assert math.isinf(table.attrs["changes_at"])
    assert "for every spread" in table.attrs["sentence"]


def test_an_airflow_spread_nobody_stated_is_told_as_left_out():
    """Left out and unstated, the airflow spread is never silently zero; stated, it is used."""
    unknown = make_estimates(SIX, noise_spread=None, airflow_spread=None)
    table = what_if(unknown, "A", "F", noise=[0.5])
    assert table["left_out"].tolist() == ["airflow spread (nobody stated it)"]
    assert "Left out: airflow spread" in table.attrs["sentence"]

    stated = what_if(make_estimates(SIX, noise_spread=None), "A", "F", noise=[0.5])
    assert stated["airflow"].tolist() == [0.02]
    assert stated["left_out"].tolist() == [""]


def test_results_repeat_and_do_not_depend_on_the_order_of_models():
    """The luck supposed hangs on the root seed and the names alone."""
    estimates = make_estimates(SIX, noise_spread=None)
    one = what_if(estimates, "A", "C", noise=[0.4])
    two = what_if(estimates.isel(model=[5, 4, 3, 2, 1, 0]), "A", "C", noise=[0.4])

    np.testing.assert_allclose(one["low"], two["low"])
    np.testing.assert_allclose(one["odds_bought"], two["odds_bought"])


def test_luck_beyond_the_curves_is_counted():
    """The share of draws that ask for more luck than a curve covers is given."""
    estimates = make_estimates({"A": 460.0, "B": 400.0}, noise_spread=None)
    estimates["airflow_by_luck"].loc[{"model": "B"}] = (
        estimates["airflow_by_luck"].sel(model="B").where(estimates["luck"] >= -1.0)
    )
    row = what_if(estimates, "A", "B", noise=1.0, airflow=0.0).iloc[0]

    # The record ends at -1 dB, so the curve somewhere between -1.5 and -1: taken to be halfway.
    error = math.sqrt(0.106 * 0.894 / 10_000)
    assert row["share_beyond"] == pytest.approx(stats.norm.cdf(-1.25), abs=3.3 * error)
    # B may lie lower than the curve says, so A may lie higher: that end settles nothing.
    assert math.isnan(row["high"])
    assert math.isfinite(row["low"])


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"noise": []}, "`noise` must hold at least one"),
        ({"noise": [-0.5]}, "`noise` must be a finite number at least 0"),
        ({"airflow": 2.0, "noise": math.nan}, "`noise`"),
        ({"noise": "0.5 dB"}, "`noise` must be.*; got '0.5 dB'. Write the bare number: 0.5. It is"),
        ({"noise": ["0.5", "much"]}, "`noise` must be a finite number at least 0; got '0.5'"),
        ({"noise": None}, "`noise` must be a finite number at least 0; got None"),
        ({"airflow": -0.1}, "`airflow`.*0.02 for 2 %"),
        ({"airflow": 2}, "`airflow` must be below 1; got 2. It is a fraction: 0.02 for 2 %"),
        ({"chosen": "after"}, "`chosen`"),
        ({"first": "Z"}, "`first` must be one of the models present"),
    ],
)
def test_wrong_arguments_are_named(change, message):
    """Each wrong argument is named with its rule."""
    options = {"first": "A", "second": "B", "noise": [0.5], **change}
    first, second = options.pop("first"), options.pop("second")
    with pytest.raises(FanstatsError, match=message):
        what_if(make_estimates(SIX), first, second, **options)


def test_estimates_away_from_equal_noise_are_refused():
    """Without the response to noise luck there is nothing to suppose."""
    estimates = make_estimates(SIX).drop_vars("airflow_by_luck")
    with pytest.raises(FanstatsError, match="responds to noise luck"):
        what_if(estimates, "A", "B", noise=[0.5])
    missing = make_estimates({**SIX, "G": math.nan}, statuses={"G": "above range"})
    with pytest.raises(FanstatsError, match="'G' cannot be judged: above range"):
        what_if(missing, "A", "G", noise=[0.5])


def test_a_stated_temperature_spread_is_used():
    """Luck of 2 K in the rise, stated or given, gives the odds of normals; left out it is told."""
    rise = {"quantity": "temperature_rise", "units": "K", "relative": False, "own": 0.3,
            "slope": -0.5, "draws": 100_000}  # fmt: skip
    estimates = make_estimates({"A": 20.0, "B": 24.0}, noise_spread=None, **rise)
    estimates.attrs["spread"] = json.dumps(
        {"noise": None, "temperature": {"stated": "2 K", "standard": 2.0, "dof": None}}
    )
    exact = stats.norm.cdf(4.0 / math.sqrt(2 * 0.3**2 + 2 * 2.0**2 + 2 * (0.5 * 0.8) ** 2))
    error = 3.3 * math.sqrt(0.25 / 100_000)
    for options in ({}, {"temperature": 2.0}):
        table = what_if(estimates, "A", "B", noise=0.8, **options)
        assert table["odds_typical"].iloc[0] == pytest.approx(exact, abs=error)
        assert table["temperature"].tolist() == [2.0]
        assert table["left_out"].tolist() == [""]
        assert "a spread in temperature rise of 2 K" in table.attrs["sentence"]
    unknown = make_estimates({"A": 20.0, "B": 24.0}, noise_spread=None, **rise)
    assert what_if(unknown, "A", "B", noise=0.8)["left_out"].tolist() == [
        "temperature spread (nobody stated it)"
    ]


@pytest.mark.parametrize(("dof", "shape"), [(4.0, "normal"), (None, "rectangular")])
def test_shape_and_degrees_of_freedom_of_a_stated_airflow_spread_count(dof, shape):
    """Luck of four degrees of freedom has Student's tails; rectangular luck has none."""
    estimates = make_estimates({"A": 401.0, "B": 400.0}, own=1e-6, noise_spread=None,
                               draws=100_000)  # fmt: skip
    estimates.attrs["spread"] = json.dumps(
        {"noise": None, "airflow": {"standard": 0.005, "dof": dof, "shape": shape}}
    )
    row = what_if(estimates, "A", "B", noise=0.0).iloc[0]
    half = (1.0 - row["low"]) / 400
    if dof is None:
        # Two rectangles of half width a: 97.5 % point of their difference.
        a = 0.005 * math.sqrt(3)
        exact = 2 * a * (1 - math.sqrt(2 * 0.025))
    else:
        exact = stats.t.ppf(0.975, dof) * 0.005 * math.sqrt(2)
    # A 2.5 % point of 100,000 draws: Student's to 0.6 %, and the logarithm bends by 0.5 %.
    assert half == pytest.approx(exact, rel=3.3 * 0.006 + 0.005)


def test_the_table_says_its_unit_and_probability():
    """What the table's numbers are stands in its attributes, and its sentence is whole."""
    table = what_if(make_estimates(SIX, noise_spread=None), "A", "F", noise=[0.3, 0.9],
                    probability=0.9)  # fmt: skip
    assert table.attrs["units"] == "fpm"
    assert table.attrs["probability"] == 0.9
    assert (table.attrs["first"], table.attrs["second"]) == ("A", "F")
    assert table.attrs["where"] == "at equal noise (36 dBA)"
    text = table.attrs["sentence"]
    assert "at equal noise (36 dBA)" in text
    assert "Tested: 1 sample of A and F." in text
    assert "in 100 at 0.3 dB" in text
    assert "a spread in airflow of 2 %" in text
    assert "Settled means 90 times in 100." in text


def test_the_verdict_ends_where_the_curves_do():
    """With the leading model's curve read down to -0.5 dB, more luck than that settles nothing."""
    estimates = make_estimates({"A": 600.0, "B": 400.0}, noise_spread=None, own=0.004)
    estimates["airflow_by_luck"].loc[{"model": "A"}] = (
        estimates["airflow_by_luck"].sel(model="A").where(estimates["luck"] >= -0.5)
    )
    table = what_if(estimates, "A", "B", noise=[0.2, 0.6], airflow=0.0)
    # The end lies between -1 and -0.5 dB: at -0.75 dB, within 1.96 standard deviations.
    assert table.attrs["covered_to"] == pytest.approx(0.75 / stats.norm.ppf(0.975))
    assert table.attrs["changes_at"] == table.attrs["covered_to"]
    assert table["verdict"].tolist() == ["ahead", "leaning"]
    assert math.isnan(table["low"].iloc[1])
    assert "as far as the readings reach" in table.attrs["sentence"]


@pytest.mark.simulation
def test_spread_needed_near_the_floor_is_where_the_engine_turns():
    """1.5 dB above the room: estimates made with that spread leave the pair just undecided."""
    simulated = SimulatedBench(
        models=6, above_room=1.5, meter_shared=0.1, noise_sitting=0.05, noise_model=0.05,
        noise_reading=0.02, room_reading=0.01, speed_reading=2.0, noise_spread=0.05,
        airflow_spread=0.0, speed_spread=0.0,
        steps=(5.8, 6.2, 6.6, 7.0, 7.4, 7.8, 8.2, 8.6, 9.0, 10.0, 12.0),
    )  # fmt: skip
    shares = []
    for seed in (0, 1, 2):
        table, _ = simulated.simulate(np.random.default_rng(seed))
        readings = read_readings(table)
        unknown = equal_noise(readings, 36, bench=stated(simulated, None), draws=20_000, rng=3)
        values = unknown["airflow_value"].sel(scope="tested unit").values
        first, last = (str(unknown.model.values[k]) for k in (values.argmax(), values.argmin()))
        gap = values.max() / values.min()
        table.loc[table["model"] == last, "airflow [fpm]"] *= gap / 1.09
        readings = read_readings(table)
        unknown = equal_noise(readings, 36, bench=stated(simulated, None), draws=20_000, rng=3)
        needed = compare(unknown, first, last, quantity="airflow").spread_needed.noise_db
        spreads = needed * np.array([0.85, 1.0, 1.15])
        lows = []
        for spread in spreads:
            known = equal_noise(readings, 36, bench=stated(simulated, spread), draws=20_000, rng=3)
            picked = select(known, "airflow", None)
            place = picked.scope("model")
            values, draws = picked.judged(place, np.arange(6))
            joint = joint_limits(values, draws, 0.95)
            lows.append(joint.lower[picked.model("", first), picked.model("", last)])
        shares.append(needed / np.interp(0.0, -np.array(lows), spreads))
    # A limit of 20,000 draws is known to 1.2 % of its distance, the spread to twice that.
    assert shares == pytest.approx([1.0] * 3, abs=3.3 * 0.024)


def stated(simulated, noise):
    """The simulator's own errors, with a noise spread or none stated."""
    return Bench(
        noise=Instrument(
            shared=standard(simulated.meter_shared), sitting=standard(simulated.noise_sitting),
            model=standard(simulated.noise_model), reading=standard(simulated.noise_reading),
        ),
        speed=Instrument(reading=standard(simulated.speed_reading)),
        airflow=Instrument(
            shared=standard(simulated.airflow_shared, relative=True),
            reading=standard(simulated.airflow_reading, relative=True),
        ),
        spread=UnitSpread(
            noise=None if noise is None else standard(float(noise)),
            airflow=standard(0.0, relative=True),
            speed=standard(0.0, relative=True),
        ),
    )  # fmt: skip
