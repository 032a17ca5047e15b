"""Numbers off a chart and steps dialled in at the level."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
import xarray as xr

import fanstats as fs
from tests.tables import airflow, power_law_rows, readings

LN10 = np.log(10.0)
SPREAD = fs.UnitSpread(noise=fs.standard(0.8), airflow=fs.standard("2 %"), speed=fs.standard("4 %"))


def chart(values, **more):
    arguments = {"quantity": "airflow", "units": "fpm", "level": 36, "rng": 1, **more}
    return fs.from_chart(values, bench=arguments.pop("bench", fs.Bench(spread=SPREAD)), **arguments)


def test_luck_acts_on_a_chart_number_through_the_stated_slope():
    """With airflow ~ N exactly, e dB is a factor 10 ** (e / slope)."""
    estimates = chart({"A": 412, "B": 398}, slope=50.0)

    log = np.log(estimates["airflow"].sel(scope="model", model="A"))
    # The exponent of airflow is 1 +- 0.1, which widens the product by 0.5 %.
    expected = np.hypot(0.8 * LN10 / 50 * np.sqrt(1 + 0.1**2), 0.02)
    assert float(log.std("draw")) == pytest.approx(expected, rel=0.03)
    assert float(estimates["airflow_value"].sel(scope="model", model="A")) == 412
    tested = estimates["airflow"].sel(scope="tested unit", model="A")
    assert float(tested.std("draw")) == pytest.approx(0.0, abs=1e-9)
    assert any("50 ± 0 dB a decade of speed, as stated: A, B" in n
               for n in json.loads(estimates.attrs["assumptions"]))  # fmt: skip


def test_the_fan_laws_serve_where_no_slope_is_stated_and_are_listed():
    """50 lg N with an uncertainty, named as an assumption."""
    estimates = chart({"A": 412, "B": 398})

    assert any("fan laws (50 lg N)" in n for n in json.loads(estimates.attrs["assumptions"]))
    log = np.log(estimates["airflow"].sel(scope="model", model="A"))
    assert float(log.std("draw")) == pytest.approx(np.hypot(0.8 * LN10 / 50, 0.02), rel=0.06)


def test_nothing_is_said_of_curves_that_a_chart_does_not_have():
    """Neither a resonance between steps nor the choice of curve; of a sweep both are told."""

    def said(estimates):
        return " ".join(estimates.attrs[key] for key in ("assumptions", "not_considered"))

    two = power_law_rows("A", speeds=(700.0, 900.0, 1500.0), room=20.0)
    swept = fs.equal_noise(readings(two), 36, bench=fs.Bench(spread=SPREAD), draws=100, rng=1)
    for words in ("a resonance narrower than the steps", "choice of curve"):
        assert words not in said(chart({"A": 412, "B": 398}))
        assert words not in said(chart({"A": 412}, level=None, drive=12))
        assert words in said(swept)


def test_instrument_errors_of_the_level_go_through_the_slope():
    """A setting error of 0.3 dB is 1.4 % of speed and of airflow; near the room it counts more."""
    bench = fs.Bench(noise=fs.Instrument(reading=fs.standard(0.3)), spread=SPREAD)

    far = chart({"A": 412}, bench=bench, slope=50.0)
    near = chart({"A": 412}, bench=bench, slope=50.0, room=33.0)

    plain = 0.3 * LN10 / 50
    for estimates, gain in ((far, 1.0), (near, 1 / (1 - 10 ** (-0.3)))):
        log = np.log(estimates["airflow"].sel(scope="tested unit", model="A"))
        assert float(log.std("draw")) == pytest.approx(plain * gain, rel=0.08)


def test_a_published_ranking_becomes_a_checked_one_in_a_handful_of_lines():
    """Compare, rank and summary work on numbers off a chart as on a sweep."""
    estimates = chart({"A": 430, "B": 412, "C": 398, "D": 365, "E": 300})

    ranking = fs.rank(estimates, quantity="airflow")
    comparison = fs.compare(estimates, "A", "E", quantity="airflow")

    assert list(ranking.ranked) == list("ABCDE")
    assert comparison.verdict == "ahead"
    assert fs.compare(estimates, "A", "B", quantity="airflow").verdict != "ahead"
    assert np.isfinite(comparison.spread_needed.noise_db)


def test_obstructions_and_own_uncertainties_are_read_from_the_chart():
    """One number a model and obstruction; text carries its own uncertainty."""
    estimates = chart({"A": {"none": "412(6)", "mesh": 300}, "B": {"none": 400, "mesh": 280}})

    tested = estimates["airflow"].sel(scope="tested unit", model="A")
    assert float(tested.sel(obstruction="none").std("draw")) == pytest.approx(6.0, rel=0.03)
    assert float(tested.sel(obstruction="mesh").std("draw")) == pytest.approx(0.0, abs=1e-9)


def test_samples_behind_a_number_average_their_luck():
    """A mean of four samples carries half the luck of one."""
    one, four = chart({"A": 412}, slope=50.0), chart({"A": 412}, slope=50.0, samples={"A": 4})

    widths = [float(np.log(e["airflow"].sel(scope="model", model="A")).std("draw"))
              for e in (one, four)]  # fmt: skip
    assert widths[1] == pytest.approx(widths[0] / 2, rel=0.05)
    assert int(four["units_tested"].sel(model="A")) == 4


def test_noise_at_one_drive_carries_speed_luck_through_the_slope():
    """At equal drive a faster unit is louder: 50 lg N beside the noise luck."""
    estimates = chart({"A": 36.2}, quantity="noise", units="dBA", level=None, drive=12, slope=50.0)

    level = estimates["noise"].sel(scope="model", model="A")
    assert float(level.std("draw")) == pytest.approx(np.hypot(0.8, 50 / LN10 * 0.04), rel=0.03)


def test_noise_and_rise_at_one_speed_carry_their_own_luck():
    """At equal speed nothing but the quantity's own spread is left."""
    spread = fs.UnitSpread(noise=fs.standard(0.8), temperature=fs.standard(0.6))
    noise = chart({"A": 36.2}, quantity="noise", units="dBA", level=None, speed=900,
                  bench=fs.Bench(spread=spread))  # fmt: skip

    assert float(noise["noise"].sel(scope="model", model="A").std("draw")) == pytest.approx(
        0.8, rel=0.03
    )


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"level": None}, "exactly one of `level`, `drive` and `speed`"),
        ({"drive": 12}, "exactly one of `level`, `drive` and `speed`"),
        ({"quantity": "noise"}, "cannot be what was held equal"),
        ({"quantity": "price"}, "`quantity` must be one of 'airflow', 'noise', 'temperature_rise'"),
        ({"samples": 0}, "`samples` must be whole numbers of at least 1"),
        ({"slope": -3.0}, "`slope` must be above 0 dB a decade"),
        ({"units": "furlongs"}, "furlongs"),
    ],
)
def test_a_bad_chart_is_refused_by_argument(change, message):
    """Each refusal names the argument and the rule."""
    with pytest.raises(fs.FanstatsError, match=message):
        chart({"A": 412}, **change)


def test_values_must_be_numbers():
    """A list is no mapping, and None is no number."""
    with pytest.raises(fs.FanstatsError, match="`values` must be a mapping"):
        chart([412, 398])
    with pytest.raises(fs.FanstatsError, match="got None for 'A'"):
        chart({"A": None})


def test_a_frame_or_series_serves_as_a_mapping_does():
    """A row a model, a column an obstruction; the same draws."""
    frame = pd.DataFrame({"open": [412, 398], "mesh": [300, 290]}, index=["A", "B"])
    by_model = {"A": {"open": 412, "mesh": 300}, "B": {"open": 398, "mesh": 290}}

    xr.testing.assert_identical(chart(frame), chart(by_model))
    xr.testing.assert_identical(chart(frame["open"]), chart({"A": 412, "B": 398}))
    with pytest.raises(fs.FanstatsError, match="one row a model; got 'A' more than once"):
        chart(pd.Series([412, 398], index=["A", "A"]))


@pytest.mark.parametrize("gap", [None, np.nan])
def test_a_model_not_tested_behind_an_obstruction_is_missing_there_alone(gap):
    """None and NaN are gaps beside another number; the model keeps its other places."""
    found = chart({"A": {"open": 412, "mesh": 300}, "B": {"open": 398, "mesh": gap}})

    value = found["airflow_value"].sel(scope="model")
    assert float(value.sel(model="B", obstruction="open")) == 398
    assert np.isnan(float(value.sel(model="B", obstruction="mesh")))
    assert str(found["airflow_status"].sel(model="B", obstruction="mesh", scope="model").item())
    ranked = fs.rank(found, quantity="airflow", obstruction="open")
    assert ranked.table["place"].tolist() == [1, 2]


def test_a_dialled_in_step_takes_its_slope_from_the_models_own_sweep():
    """One step at the level beside a sweep of another sample."""
    sweep = power_law_rows("A", unit="1", room=20.0, slope=56.0)
    dialled = power_law_rows("A", unit="2", room=20.0, speeds=(905.0,), slope=56.0)

    estimates = fs.equal_noise(
        readings(sweep, dialled), 33.0, bench=fs.Bench(spread=SPREAD), rng=3, draws=400
    )

    notes = json.loads(estimates.attrs["assumptions"])
    assert any("56 ± 2 dB a decade of speed, from the model's own sweep: A" in n for n in notes)
    fan = 10 * np.log10(10**3.3 - 10**2.0)
    value = estimates["airflow_value"].sel(scope="tested unit", model="A", obstruction="none")
    assert float(value) == pytest.approx(450 * 10 ** ((fan - 33.0) / 56), rel=1e-6)


def test_dialled_in_steps_without_speed_are_points_carried_on_by_fan_laws():
    """Only noise and airflow at the level were noted: no sweep, no speed."""
    table = pd.DataFrame(
        [
            {"model": m, "drive [V]": v, "noise [dBA]": 36.0 + off, "background [dBA]": 25.0,
             "airflow [fpm]": flow}
            for m, v, off, flow in (("A", 7.2, 0.1, 412.0), ("B", 8.1, -0.2, 398.0))
        ]
    )  # fmt: skip

    estimates = fs.equal_noise(
        fs.read_readings(table), 36.0, bench=fs.Bench(spread=SPREAD), rng=4, slope=50.0
    )

    at = 10 * np.log10(10**3.6 - 10**2.5)
    read = 10 * np.log10(10**3.61 - 10**2.5)
    value = float(estimates["airflow_value"].sel(scope="tested unit", model="A"))
    assert value == pytest.approx(412 * 10 ** ((at - read) / 50), rel=1e-9)
    assert (
        "no speed readings" in str(estimates["speed_status"].sel(scope="model", model="A").item())
        if "speed_status" in estimates
        else True
    )
    assert np.isfinite(airflow_of(estimates, "model", "A")).all()


def airflow_of(estimates, scope, model):
    return estimates["airflow"].sel(scope=scope, model=model).to_numpy()


def test_a_single_step_far_from_the_level_is_refused_with_its_distance():
    """A slope that is not its own carries a step 1 dB, not three."""
    table = readings(power_law_rows("A", room=20.0, speeds=(900.0,)))

    estimates = fs.equal_noise(table, 36.0, bench=fs.Bench(spread=SPREAD), rng=5, draws=100)

    assert "only one usable step, -2.9 dB from the target" in str(
        estimates["status"].sel(model="A").item()
    )
    assert np.isnan(airflow(estimates)).all()


@pytest.mark.filterwarnings("ignore::fanstats.FanstatsWarning")
def test_text_that_is_no_number_is_refused_not_crashed_on():
    """Nothing is left to read off, and the message says where to look."""
    with pytest.raises(fs.FanstatsError, match="nothing to read off"):
        chart({"A": "lots"})


def test_two_spellings_of_one_model_are_refused():
    """A table tidies spaces, so that 'A' and 'A ' would become repeats of one model."""
    with pytest.raises(fs.FanstatsError, match="'A' and 'A ' are one name"):
        fs.from_chart({"A": 412, "A ": 398}, quantity="airflow", units="fpm", level=36,
                      bench=fs.Bench())  # fmt: skip


@pytest.mark.parametrize(
    ("options", "match"),
    [
        ({"values": {"A": 10**400}}, "must be numbers"),
        ({"slope": "steep"}, "`slope` must be above 0"),
        ({"slope": (50.0, 5.0, 1.0)}, "`slope` must be above 0"),
    ],
)
def test_numbers_that_are_none_are_refused(options, match):
    """What no float holds, and what no slope is."""
    given = {"values": {"A": 412}, "level": 36, **options}
    with pytest.raises(fs.FanstatsError, match=match):
        fs.from_chart(given.pop("values"), quantity="airflow", units="fpm", bench=fs.Bench(),
                      **given)  # fmt: skip


@pytest.mark.parametrize(
    ("level", "match"), [(1e300, "must lie within -100 to 300 dB"), (10**400, "must be finite")]
)
def test_levels_that_no_meter_shows_are_refused(level, match):
    """Far outside of what any table may hold, arithmetic of decibels overflows."""
    with pytest.raises(fs.FanstatsError, match=f"`level` {match}"):
        fs.equal_noise(fs.demo.readings(), level, bench=fs.demo.bench(), draws=100, rng=1)
