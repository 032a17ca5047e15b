"""Ranges along curves: each right at its point, and all right at once."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

import fanstats as fs
from fanstats.decisions.envelopes import envelope
from fanstats.decisions.model_curves import curve_band
from tests.simulated_curves import SimulatedCurves
from tests.tables import power_law_rows, readings

NOWHERE = np.zeros((2, 6))


@pytest.mark.parametrize("probability", [0.8, 0.95])
def test_the_multiplier_of_independent_points_is_sidaks(probability):
    """Six points that go their own ways: (1 + p ** (1/6)) / 2 of the normal (scipy)."""
    draws = np.random.default_rng(1).normal(size=(6, 200_000)) * np.arange(1, 7)[:, None] + 40

    found = envelope(np.full(6, 40.0), draws, NOWHERE, probability)

    sidak = stats.norm.ppf((1 + probability ** (1 / 6)) / 2)
    assert found.multiplier == pytest.approx(sidak, abs=4 * found.multiplier_error)
    width = found.simultaneous[:, 1] - 40
    assert width == pytest.approx(sidak * np.arange(1, 7), rel=0.02)
    z = stats.norm.ppf((1 + probability) / 2)
    assert found.pointwise[:, 0] == pytest.approx(40 - z * np.arange(1, 7), rel=0.01)


def test_points_that_move_as_one_need_no_allowance():
    """With one error for the whole curve the simultaneous range is the pointwise one."""
    draws = np.random.default_rng(2).normal(size=200_000) * np.arange(1, 7)[:, None]

    found = envelope(np.zeros(6), draws, NOWHERE, 0.95)

    assert found.multiplier == pytest.approx(1.96, abs=4 * found.multiplier_error)
    assert found.simultaneous == pytest.approx(found.pointwise, rel=0.02)


@settings(deadline=None, max_examples=60)
@given(
    st.integers(0, 2**31),
    st.floats(0.05, 0.98),
    st.floats(0.005, 0.015),
    st.floats(-3.0, 3.0),
)
def test_ranges_contain_the_estimate_and_grow_with_probability(seed, probability, more, off):
    """Also where the estimate lies far to one side of its draws."""
    rng = np.random.default_rng(seed)
    draws = rng.normal(size=(6, 6)) @ rng.standard_t(4, size=(6, 400))
    values = draws.mean(axis=1) + off * draws.std(axis=1)

    narrow, wide = (envelope(values, draws, NOWHERE, p) for p in (probability, probability + more))

    for found in (narrow, wide):
        for ends in (found.pointwise, found.simultaneous):
            assert (ends[:, 0] <= values).all()
            assert (values <= ends[:, 1]).all()
        assert (found.simultaneous[:, 0] <= found.pointwise[:, 0]).all()
        assert (found.simultaneous[:, 1] >= found.pointwise[:, 1]).all()
    for name in ("pointwise", "simultaneous"):
        assert (getattr(wide, name)[:, 0] <= getattr(narrow, name)[:, 0]).all()
        assert (getattr(wide, name)[:, 1] >= getattr(narrow, name)[:, 1]).all()


def test_an_end_that_rests_on_draws_beyond_the_data_is_missing():
    """Pointwise above 2.5 %, simultaneous already above its own, smaller tail."""
    draws = np.random.default_rng(3).normal(size=(6, 20_000))
    shares = np.array([[0.03, 0.01, 0, 0, 0, 0], [0, 0, 0, 0, 0.01, 0.03]])

    found = envelope(np.zeros(6), draws, shares, 0.95)

    assert np.isnan(found.pointwise).tolist() == [
        [True, False], [False, False], [False, False], [False, False], [False, False], [False, True]
    ]  # fmt: skip
    assert np.isnan(found.simultaneous[:, 0]).tolist() == [True, True, *[False] * 4]
    assert np.isnan(found.simultaneous[:, 1]).tolist() == [*[False] * 4, True, True]
    assert found.multiplier < envelope(np.zeros(6), draws, NOWHERE, 0.95).multiplier


def test_a_point_without_estimate_is_left_out():
    """NaN in, NaN out, and nothing else is touched."""
    draws = np.random.default_rng(4).normal(size=(6, 500))
    values = np.zeros(6)
    gone = np.where(np.arange(6) == 2, np.nan, 0.0)

    found = envelope(gone, draws, NOWHERE, 0.95)

    assert np.isnan(found.pointwise[2]).all()
    assert np.isfinite(np.delete(found.pointwise, 2, axis=0)).all()
    expected = envelope(np.delete(values, 2), np.delete(draws, 2, axis=0), NOWHERE[:, 1:], 0.95)
    assert np.delete(found.simultaneous, 2, axis=0) == pytest.approx(expected.simultaneous)
    nothing = envelope(np.full(6, np.nan), draws, NOWHERE, 0.95)
    assert np.isnan(nothing.multiplier)
    assert np.isnan(nothing.simultaneous).all()


BENCH = fs.Bench(
    spread=fs.UnitSpread(
        noise=fs.standard(0.8), airflow=fs.standard("2 %"), temperature=fs.standard(0.5)
    )
)


def rising_rows(**more):
    """One sitting on exact power laws, its cooler 80 degC less 0.02 a rpm."""
    rows = power_law_rows("A", room=20.0, **more)
    for row in rows:
        row["temperature [degC]"] = 80 - 0.02 * row["speed [rpm]"]
        row["ambient [degC]"] = 20.0
    return readings(rows)


def test_noise_over_speed_carries_noise_luck_and_the_room():
    """The typical one is e dB off, far from the room; the next one is two lucks off."""
    band = curve_band(
        rising_rows(), [1100.0, 1300.0], of="noise", over="speed", bench=BENCH, draws=20_000, rng=1
    ).sel(model="A")

    fan = 33 + 50 * np.log10(np.array([1100, 1300]) / 900)
    assert band["noise_value"].sel(scope="model").to_numpy() == pytest.approx(
        10 * np.log10(10 ** (fan / 10) + 10**2.0), abs=0.01
    )
    width = (band["noise"].sel(bound="upper") - band["noise_value"]).to_numpy()
    assert width[0] == pytest.approx(0.0, abs=1e-9)
    assert width[1] == pytest.approx(1.96 * 0.8, rel=0.03)
    assert width[2] == pytest.approx(1.96 * 0.8 * np.sqrt(2), rel=0.03)
    assert band["noise_multiplier"].sel(scope="model") == pytest.approx(1.96, rel=0.03)


def test_temperature_over_noise_and_airflow_over_speed_follow_their_own_luck():
    """Rise: 0.02 K a rpm of noise luck beside 0.5 K; airflow at a speed: its 2 % alone."""
    table, given_ = rising_rows(), {"bench": BENCH, "draws": 20_000, "rng": 1}
    rise = curve_band(table, [36.0], of="temperature_rise", **given_).sel(model="A", level=36.0)
    flow = curve_band(
        table, [900.0], of="airflow", over="speed", obstruction="none", **given_
    ).sel(model="A", speed=900.0)  # fmt: skip

    at = 900 * 10 ** ((10 * np.log10(10**3.6 - 100) - 33) / 50)
    assert float(rise["temperature_rise_value"][1]) == pytest.approx(60 - 0.02 * at, abs=0.02)
    own = np.hypot(0.5, 0.02 * at * 0.8 * np.log(10) / 50)
    low, high = rise["temperature_rise"].sel(scope="model").to_numpy()
    assert (high - low) / 2 == pytest.approx(1.96 * own, rel=0.03)
    assert rise["temperature_rise"].attrs["units"] == "K"
    low, high = np.log(flow["airflow"].sel(scope="next unit").to_numpy())
    assert (high - low) / 2 == pytest.approx(1.96 * 0.02 * np.sqrt(2), rel=0.03)


def test_missing_ends_are_named_and_draws_are_kept_on_request():
    """Near the ends the typical one's range runs out of data on one side."""
    band = curve_band(
        rising_rows(), obstruction="none", bench=BENCH, draws=400, rng=2, keep_draws=True
    ).sel(model="A", scope="model")

    ends = band["airflow_ends"].to_numpy()
    assert ends[1] == "lower end not covered by data"
    assert ends[-2] == "upper end not covered by data"
    assert ends[len(ends) // 2] == ""
    assert np.isnan(band["airflow"].sel(bound="lower"))[1]
    middle = band.isel(level=len(ends) // 2)
    assert middle["airflow_draws"].dims == ("draw",)
    assert np.quantile(middle["airflow_draws"], 0.025) == pytest.approx(
        float(middle["airflow"].sel(bound="lower"))
    )
    assert "airflow_draws" not in curve_band(
        rising_rows(), [36.0], obstruction="none", bench=BENCH, draws=100, rng=2
    )


def test_a_band_survives_saving(tmp_path):
    """Every attribute is text or a number."""
    band = curve_band(rising_rows(), [900.0], of="noise", over="speed", bench=BENCH, draws=100)
    band.to_netcdf(tmp_path / "band.nc")
    import xarray as xr

    xr.testing.assert_identical(xr.load_dataset(tmp_path / "band.nc"), band)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"of": "price"}, "`of` must be one of 'airflow', 'noise', 'speed', 'temperature_rise'"),
        ({"over": "drive"}, "`over` must be one of 'noise', 'speed'"),
        ({"of": "noise"}, "`of` must be another quantity than `over`; got 'noise' for both"),
        ({"of": "speed", "obstruction": "mesh"}, "`obstruction` must be left out: speed names"),
        ({"of": "temperature_rise"}, "The readings hold no temperature"),
        ({"over": "speed", "at": [np.inf]}, "`at` must hold finite speeds"),
        ({"at": "A"}, "`at` must hold finite noise levels; got 'A'. A model is named by `models`"),
        ({"probability": 1.0}, "`probability` must"),
    ],
)
def test_a_curve_that_cannot_be_is_refused(change, message):
    """Each message names the argument, or what the readings lack."""
    given_ = {"obstruction": "none", "bench": BENCH, "draws": 100, "rng": 1, **change}
    if given_.get("of") in ("temperature_rise",):
        given_.pop("obstruction")
    with pytest.raises(fs.FanstatsError, match=message):
        curve_band(readings(power_law_rows("A")), given_.pop("at", None), **given_)


@settings(deadline=None, max_examples=25)
@given(
    st.lists(st.floats(0.5, 4.0), min_size=4, max_size=7),
    st.sampled_from(["smooth", "straight"]),
    st.floats(10.0, 24.0),
    st.integers(0, 6),
)
def test_equal_noise_at_a_measured_step_returns_that_steps_reading(rises, kind, room, step):
    """Curves pass through their knots, whatever lies between them."""
    levels = 26.0 + np.cumsum(rises)
    step %= levels.size - 1
    rows = [
        {"model": "A", "drive [V]": 5.0 + k, "speed [rpm]": 600.0 * 1.2**k, "noise [dBA]": level,
         "background [dBA]": room, "airflow [fpm]": 200.0 + 70.0 * k + 5.0 * k**2}
        for k, level in enumerate(levels)
    ]  # fmt: skip
    estimates = fs.equal_noise(
        readings(rows), float(levels[step]), bench=fs.Bench(), curve=kind, draws=100, rng=1
    ).sel(scope="tested unit", model="A")

    assert float(estimates["airflow_value"]) == pytest.approx(rows[step]["airflow [fpm]"], rel=1e-9)
    assert float(estimates["speed_value"]) == pytest.approx(rows[step]["speed [rpm]"], rel=1e-9)


LEVELS = np.array([30.0, 31.5, 33.0, 35.0, 37.0, 39.0])
SPEEDS = np.array([620.0, 700.0, 800.0, 950.0, 1100.0, 1300.0])


def _held(ranges, true):
    """Whether each range holds its truth; a missing end claims nothing."""
    ends = ranges.transpose("scope", "model", ..., "bound").to_numpy()
    low, high = np.nan_to_num(ends[..., 0], nan=-np.inf), np.nan_to_num(ends[..., 1], nan=np.inf)
    return (low <= true) & (true <= high)


@pytest.mark.simulation
@pytest.mark.parametrize(
    ("of", "over"),
    [("airflow", "noise"), ("temperature_rise", "noise"), ("noise", "speed"), ("airflow", "speed")],
)
def test_ranges_along_curves_cover_as_stated(of, over):
    """Of 240 simulated models: pointwise 95 % at each point, simultaneous 95 % of whole curves."""
    # A meter's shared error hits all models of a run alike; it is small, so that they count singly.
    simulated, runs = SimulatedCurves(models=24, meter_shared=0.1), 10
    rng = np.random.default_rng({"airflow": 11, "temperature_rise": 12, "noise": 13}[of])
    points = LEVELS if over == "noise" else SPEEDS
    at_points, whole = np.zeros(3), np.zeros(3)
    for run in range(runs):
        table, truth = simulated.simulate(rng, LEVELS, SPEEDS)
        band = curve_band(
            fs.read_readings(table), points, of=of, over=over, bench=simulated.bench(), draws=500,
            rng=run,
        )  # fmt: skip
        true = truth[of, over]
        at_points += _held(band[of], true).mean(axis=(1, 2)) / runs
        whole += _held(band[f"{of}_simultaneous"], true).all(axis=2).sum(axis=1)
    total = runs * simulated.models
    low, high = stats.binom.ppf([0.0005, 0.9995], total, 0.95) / total
    # The six points of a curve move together: they count as one.
    assert (low <= at_points).all(), at_points
    assert (at_points <= high).all(), at_points
    assert (low <= whole / total).all(), whole / total
    assert (whole / total <= high).all(), whole / total
