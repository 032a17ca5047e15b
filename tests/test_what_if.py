"""The verdict against a spread nobody knows."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
import xarray as xr
from scipy import stats

import fanstats as fs
from fanstats.decisions.compare import compare
from fanstats.decisions.mixed import mixed_estimates
from fanstats.decisions.what_if import what_if
from fanstats.errors import FanstatsError
from fanstats.sources import Bench, Instrument, UnitSpread, half_width, standard
from tests.simulated import SimulatedBench
from tests.synthetic import benched, make_estimates, plain_bench, power_law_readings

SIX = {"A": 4.2, "B": 4.0, "C": 3.9, "D": 3.85, "E": 3.5, "F": 3.3}
PAIR = {"A": 4.6, "B": 4.0}


def tail_error(draws):
    """Error of a 2.5 % point of normal draws, a share of its distance from the middle."""
    z = stats.norm.ppf(0.975)
    return math.sqrt(0.025 * 0.975 / draws) / stats.norm.pdf(z) / z


def test_a_supposed_spread_gives_what_the_stated_one_would():
    """Every number at a supposed 0.8 dB and 2 % is that of estimates that state it."""
    unknown = benched(SIX, noise_spread=None, airflow_spread=None)
    row = what_if(unknown, "A", "E", noise=0.8, airflow=0.02).iloc[0]
    stated = compare(benched(SIX), "A", "E")

    assert row["verdict"] == stated.verdict
    assert row["who"] == stated.who
    assert (row["low"], row["high"]) == (stated.difference.low, stated.difference.high)
    assert row["critical"] == stated.critical_difference[0]
    assert row["odds_typical"] == stated.odds_typical.first_ahead
    assert row["odds_bought"] == stated.odds_bought.first_ahead


def test_a_correlation_of_luck_that_was_stated_stays():
    """Supposing a spread leaves noisier samples moving more air, as the bench says they do."""
    unknown = benched(SIX, noise_spread=None, correlation=0.7)
    row = what_if(unknown, "A", "B", noise=0.8).iloc[0]
    together = compare(benched(SIX, correlation=0.7), "A", "B").difference
    alone = compare(benched(SIX), "A", "B").difference

    assert (row["low"], row["high"]) == (together.low, together.high)
    assert row["high"] - row["low"] < 0.9 * (alone.high - alone.low)


def test_the_verdict_turns_at_the_spread_that_explains_the_gap():
    """Simulated luck turns the verdict where the formula says, for a plain pair."""
    estimates = benched(PAIR, noise_spread=None, draws=50_000)
    table = what_if(estimates, "A", "B", noise=[0.0, 1.0, 3.0], airflow=0.0)
    needed = compare(estimates, "A", "B").spread_needed.noise_db

    exact = math.sqrt((math.log(1.15) / stats.norm.ppf(0.975)) ** 2 - 2 * 0.01**2)
    exact /= 0.04 * math.sqrt(2)
    assert needed == pytest.approx(exact, rel=3.3 * tail_error(50_000))
    assert table.attrs["changes_at"] == pytest.approx(needed, abs=0.002)
    assert table["verdict"].tolist() == ["ahead", "ahead", "leaning"]
    assert (
        "A is ahead as long as samples of one model differ by less than 1.2 dB"
        in (table.attrs["sentence"])
    )


def test_the_verdict_turns_at_that_spread_on_either_side():
    """Asked just below the turning point the verdict stands, just above it does not."""
    estimates = benched(SIX, own=0.004, noise_spread=None)
    turns = what_if(estimates, "A", "E", noise=0.1).attrs["changes_at"]
    table = what_if(estimates, "A", "E", noise=[0.99 * turns, 1.01 * turns])

    assert 0.1 < turns < 2.0
    assert (table["verdict"] == "ahead").tolist() == [True, False]


def test_luck_alone_turns_a_verdict_that_no_error_was_stated_for():
    """Where nothing of the measurement is stated, luck of the right size still ends the gap."""
    spread = UnitSpread(noise=standard(0.1), airflow=0, speed=0)
    found = fs.equal_noise(power_law_readings(PAIR), 33, bench=Bench(spread=spread), rng=1)
    table = what_if(found, "A", "B", quantity="airflow", noise=[0.0, 0.5])
    needed = compare(found, "A", "B", quantity="airflow").spread_needed

    exact = math.log(1.15) / stats.norm.ppf(0.975) / (0.04 * math.sqrt(2))
    assert table.attrs["changes_at"] == pytest.approx(exact, rel=3.3 * tail_error(10_000))
    assert needed.noise_db == pytest.approx(table.attrs["changes_at"], abs=0.002)
    assert needed.factor == pytest.approx(10.0 * needed.noise_db, rel=1e-3)
    assert table["verdict"].tolist() == ["open", "ahead"]


def test_luck_in_airflow_alone_has_its_closed_form():
    """With 5 % airflow luck and none in noise the odds are those of normals, within 0.005."""
    estimates = benched(PAIR, noise_spread=None, draws=100_000)
    row = what_if(estimates, "A", "B", noise=0.0, airflow=0.05).iloc[0]

    gap, own = math.log(460 / 400), 2 * 0.01**2
    typical = stats.norm.cdf(gap / math.sqrt(own + 2 * 0.05**2))
    bought = stats.norm.cdf(gap / math.sqrt(own + 4 * 0.05**2))
    assert row["odds_typical"] == pytest.approx(typical, abs=0.005)
    assert row["odds_bought"] == pytest.approx(bought, abs=0.005)


def test_several_tested_samples_stand_more_luck():
    """The mean of four samples turns only at twice the luck of one."""
    turns = [
        what_if(
            benched(PAIR, noise_spread=None, own=1e-6, units_tested=units, draws=20_000),
            "A", "B", noise=1.0, airflow=0.0,
        ).attrs["changes_at"]
        for units in (1, 4)
    ]  # fmt: skip

    assert turns[1] / turns[0] == pytest.approx(2.0, rel=3.3 * math.sqrt(2) * tail_error(20_000))


def test_a_gap_within_measurement_never_counts():
    """Where measurement alone could explain the gap, no spread settles it."""
    table = what_if(benched({"A": 4.01, "B": 4.0}), "A", "B", noise=[0, 1])

    assert table.attrs["changes_at"] == 0.0
    assert not (table["verdict"] == "ahead").any()
    assert "Measurement alone" in table.attrs["sentence"]


def test_a_huge_gap_counts_for_every_spread():
    """A gap beyond any luck, between models of a single step each, has no turning point."""
    readings = power_law_readings({"A": 4.5, "B": 0.45}, below=0.0, above=0.0)
    estimates = fs.equal_noise(readings, 33, bench=plain_bench(noise_spread=None), draws=1000,
                               slope=60.0, rng=1)  # fmt: skip
    # Luck of 64 dB is a factor of 11.7, and 0.39 times as much of two samples leaves a tenfold gap.
    table = what_if(estimates, "A", "B", quantity="airflow", noise=[0.5], airflow=0.0,
                    probability=0.3)  # fmt: skip

    assert math.isinf(table.attrs["changes_at"])
    assert "for every spread of noise up to 64 dB" in table.attrs["sentence"]


def test_an_airflow_spread_nobody_stated_stays_unknown():
    """Left out and unstated, the airflow spread is never silently zero; stated, it is used."""
    unknown = benched(SIX, noise_spread=None, airflow_spread=None)
    table = what_if(unknown, "A", "F", noise=[0.5])
    row = table.iloc[0]
    assert row["left_out"] == "airflow spread (nobody stated it)"
    assert math.isnan(row["airflow"])
    assert (row["verdict"], row["who"]) == ("open", "")
    assert math.isnan(row["low"])
    assert math.isnan(row["high"])
    assert math.isnan(row["odds_typical"])
    assert row["difference"] == pytest.approx(0.9)
    assert table.attrs["changes_at"] == 0.0
    assert "nobody knows how samples differ in airflow" in table.attrs["sentence"]
    assert "Unknown: airflow spread (nobody stated it)." in table.attrs["sentence"]

    stated = what_if(benched(SIX, noise_spread=None), "A", "F", noise=[0.5])
    assert stated["airflow"].tolist() == [0.02]
    assert stated["left_out"].tolist() == [""]
    assert stated["verdict"].tolist() == ["ahead"]


def test_results_repeat_and_do_not_depend_on_the_order_of_models():
    """The luck supposed hangs on the root seed and the names alone."""
    estimates = benched(SIX, noise_spread=None)
    one = what_if(estimates, "A", "C", noise=[0.4])
    two = what_if(estimates.isel(model=[5, 4, 3, 2, 1, 0]), "A", "C", noise=[0.4])

    np.testing.assert_allclose(one["low"], two["low"])
    np.testing.assert_allclose(one["odds_bought"], two["odds_bought"])


def test_each_of_several_levels_is_asked_by_itself():
    """A level picked from several gives the table of estimates made at that level alone."""
    readings, bench = power_law_readings(SIX), plain_bench(noise_spread=None)
    both = fs.equal_noise(readings, [30.0, 36.0], bench=bench, draws=1000, rng=7)
    one = fs.equal_noise(readings, 36.0, bench=bench, draws=1000, rng=7)
    picked = what_if(both.sel(level=36.0), "A", "E", quantity="airflow", noise=[0.3, 0.9])
    alone = what_if(one, "A", "E", quantity="airflow", noise=[0.3, 0.9])

    assert picked.equals(alone)
    assert picked.attrs == alone.attrs


def test_luck_beyond_the_curves_is_counted():
    """The share of draws that ask for more luck than a curve covers is given."""
    estimates = benched(PAIR, noise_spread=None, below=[20.0, 2.0])
    row = what_if(estimates, "A", "B", noise=1.6, airflow=0.0).iloc[0]

    share = stats.norm.cdf(-2.0 / 1.6)
    error = math.sqrt(share * (1 - share) / 10_000)
    assert row["share_beyond"] == pytest.approx(share, abs=3.3 * error)
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
        what_if(benched(SIX, draws=100), first, second, **options)


def test_estimates_without_noise_luck_or_readings_are_refused():
    """Away from equal noise, without readings, or without an estimate there is nothing to ask."""
    levels = benched({"A": 31.0, "B": 30.0}, quantity="noise", draws=100)
    with pytest.raises(FanstatsError, match="must be at equal noise, where"):
        what_if(levels, "A", "B", noise=[0.5])
    with pytest.raises(FanstatsError, match=r"no readings to ask again.*Pass what equal_noise"):
        what_if(make_estimates(SIX, draws=100), "A", "B", noise=[0.5])
    missing = benched({**SIX, "G": 5.0}, above=[20.0] * 6 + [-2.0], draws=100)
    with pytest.raises(FanstatsError, match="'G' cannot be judged: above range"):
        what_if(missing, "A", "G", noise=[0.5])


def test_estimates_that_are_no_longer_what_the_readings_gave_are_refused():
    """Numbers changed or models renamed in passing are not asked for as if nothing had happened."""
    estimates = benched(SIX, draws=100)
    changed = estimates.assign(airflow_value=1.1 * estimates["airflow_value"])
    with pytest.raises(FanstatsError, match="were changed since they were made"):
        what_if(changed, "A", "B", noise=[0.5])
    renamed = estimates.assign_coords(model=list("UVWXYZ"))
    with pytest.raises(FanstatsError, match=r"must name models as the readings do.*got 'U'"):
        what_if(renamed, "U", "V", noise=[0.5], chosen="before")


def test_a_temperature_spread_is_used_as_stated_or_given():
    """Luck of 2 K in the rise, stated or given, gives the odds of normals; left out it is told."""
    rises = {"A": 20.0, "B": 24.0}
    rise = {"quantity": "temperature_rise", "own": 0.3, "noise_spread": None, "draws": 20_000}
    exact = stats.norm.cdf(4.0 / math.sqrt(2 * 0.3**2 + 2 * 2.0**2 + 2 * (0.5 * 0.8) ** 2))
    error = 3.3 * math.sqrt(0.25 / 20_000)
    unknown = benched(rises, **rise)
    stated = benched(rises, temperature_spread=2.0, **rise)
    for estimates, options in ((stated, {}), (unknown, {"temperature": 2.0})):
        table = what_if(estimates, "A", "B", noise=0.8, **options)
        assert table["odds_typical"].iloc[0] == pytest.approx(exact, abs=error)
        assert table["temperature"].tolist() == [2.0]
        assert table["left_out"].tolist() == [""]
        assert "a spread in temperature rise of 2 K" in table.attrs["sentence"]
    left = what_if(unknown, "A", "B", noise=0.8)
    assert left["left_out"].tolist() == ["temperature spread (nobody stated it)"]
    assert left["verdict"].tolist() == ["open"]


@pytest.mark.parametrize("dof", [4.0, None])
def test_shape_and_degrees_of_freedom_of_a_stated_airflow_spread_count(dof):
    """Luck of four degrees of freedom has Student's tails; rectangular luck has none."""
    size = 0.005
    if dof is None:
        spread = half_width(size * math.sqrt(3), relative=True)
        # Two rectangles of half width a: 97.5 % point of their difference.
        exact = 2 * size * math.sqrt(3) * (1 - math.sqrt(2 * 0.025))
    else:
        spread = standard(size, relative=True, dof=dof)
        exact = stats.t.ppf(0.975, dof) * size * math.sqrt(2)
    estimates = benched({"A": 4.01, "B": 4.0}, own=1e-6, noise_spread=None, airflow_spread=spread,
                        draws=100_000)  # fmt: skip
    row = what_if(estimates, "A", "B", noise=0.0).iloc[0]
    half = (0.01 - row["low"]) / 4.0
    # A 2.5 % point of 100,000 draws: Student's to 0.6 %, and the logarithm bends by 0.5 %.
    assert half == pytest.approx(exact, rel=3.3 * 0.006 + 0.005)


def test_the_table_says_its_unit_and_probability():
    """What the table's numbers are stands in its attributes, and its sentence is whole."""
    table = what_if(benched(SIX, noise_spread=None), "A", "F", noise=[0.3, 0.9],
                    probability=0.9)  # fmt: skip
    assert table.attrs["units"] == "m/s"
    assert table.attrs["probability"] == 0.9
    assert (table.attrs["first"], table.attrs["second"]) == ("A", "F")
    assert table.attrs["where"] == "at equal noise (33 dBA)"
    text = table.attrs["sentence"]
    assert "at equal noise (33 dBA)" in text
    assert "Tested: 1 sample of A and F." in text
    assert "in 100 at 0.3 dB" in text
    assert "a spread in airflow of 2 %" in text
    assert "Settled means 90 times in 100." in text


def test_the_verdict_ends_where_the_curves_do():
    """With the leading model read down to 2 dB below, more luck than that settles nothing."""
    estimates = benched({"A": 8.0, "B": 4.0}, noise_spread=None, own=0.004, below=[2.0, 20.0],
                        draws=40_000)  # fmt: skip
    table = what_if(estimates, "A", "B", noise=[0.8, 1.6], airflow=0.0)
    # The low end rests on the curve as long as 2 dB are more than 1.96 standard deviations.
    assert table.attrs["covered_to"] == pytest.approx(
        2.0 / stats.norm.ppf(0.975), rel=3.3 * tail_error(40_000)
    )
    assert table.attrs["changes_at"] == table.attrs["covered_to"]
    assert table["verdict"].tolist() == ["ahead", "leaning"]
    assert math.isnan(table["low"].iloc[1])
    assert "as far as the readings reach" in table.attrs["sentence"]


def test_a_mix_of_two_quantities_is_asked_with_the_luck_of_both():
    """A mix at a supposed noise luck is that of estimates whose bench states it."""
    bench = fs.demo.bench()
    spread = {"airflow": standard("2 %"), "temperature": standard(0.5), "speed": 0}

    def mixed(**more):
        with_luck = fs.equal_noise(
            fs.demo.readings(), 33, draws=500, rng=1,
            bench=dataclasses.replace(bench, spread=UnitSpread(**{**spread, **more})),
        )  # fmt: skip
        weights = {("airflow", "open"): 2, ("airflow", "dust pad"): 1, "temperature_rise": 1}
        return mixed_estimates(with_luck, weights, exchange={"temperature_rise": 0.05})

    pair = ("Varnost Lull", "Wexcombe Pale")
    unknown = mixed()
    row = what_if(unknown, *pair, noise=0.6, best="high").iloc[0]
    stated = compare(mixed(noise=standard(0.6)), *pair, best="high")
    assert row["left_out"] == ""
    assert (row["low"], row["high"]) == pytest.approx(
        (stated.difference.low, stated.difference.high), rel=1e-9
    )
    assert row["odds_bought"] == pytest.approx(stated.odds_bought.first_ahead)
    left = what_if(mixed(temperature=None), *pair, noise=0.6, best="high")
    assert left["left_out"].tolist() == ["temperature spread (nobody stated it)"]


@pytest.mark.simulation
def test_spread_needed_near_the_floor_is_where_the_engine_turns():
    """1.5 dB above the room: estimates made with that spread leave the pair just undecided."""
    simulated = SimulatedBench(
        models=6, above_room=1.5, meter_shared=0.1, noise_sitting=0.05, noise_model=0.05,
        noise_reading=0.02, room_reading=0.01, speed_reading=2.0, noise_spread=0.05,
        airflow_spread=0.0, speed_spread=0.0,
        steps=(5.8, 6.2, 6.6, 7.0, 7.4, 7.8, 8.2, 8.6, 9.0, 10.0, 12.0),
    )  # fmt: skip
    made = {"draws": 20_000, "rng": 3}
    for seed in (0, 1, 2):
        table, _ = simulated.simulate(np.random.default_rng(seed))
        readings = fs.read_readings(table)
        unknown = fs.equal_noise(readings, 36, bench=stated(simulated, None), **made)
        values = unknown["airflow_value"].sel(scope="tested unit").values
        first, last = (str(unknown.model.values[k]) for k in (values.argmax(), values.argmin()))
        gap = values.max() / values.min()
        table.loc[table["model"] == last, "airflow [fpm]"] *= gap / 1.09
        readings = fs.read_readings(table)
        unknown = fs.equal_noise(readings, 36, bench=stated(simulated, None), **made)
        needed = compare(unknown, first, last, quantity="airflow").spread_needed.noise_db
        assert 0.0 < needed < math.inf
        verdicts = []
        for spread in (0.99 * needed, 1.01 * needed):
            known = fs.equal_noise(readings, 36, bench=stated(simulated, spread), **made)
            # Whether the curves cover it is another question.
            known = known.assign({n: xr.zeros_like(known[n]) for n in known if "_share_" in n})
            verdicts.append(compare(known, first, last, quantity="airflow").ratio.low > 1.0)
        assert verdicts == [True, False]


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
