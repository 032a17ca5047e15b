"""Few readings, one sample each, no scatter at all, many draws: what people trip on."""

from __future__ import annotations

import itertools
import tracemalloc

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import fanstats as fs
from fanstats import levels
from tests.tables import power_law_rows, readings

EXACT_FANS = fs.UnitSpread(noise=0, speed=0)


def one_step(values, models="ABC"):
    """One reading a model at one drive."""
    table = pd.DataFrame({"model": list(models), "drive [V]": 12.0, "noise [dBA]": values})
    return fs.read_readings(table)


def test_levels_of_one_weighting_are_one_unit():
    """Readings in dBA and dB(A) are averaged by energy; the two give 31.2046."""
    rows = {"model": ["A"], "session": ["one evening"], "drive [V]": [12.0]}
    sheets = {
        "1": pd.DataFrame({**rows, "noise [dBA]": [31.0]}),
        "2": pd.DataFrame({**rows, "noise [dB(A)]": [31.4]}),
    }
    table = fs.read_readings(sheets, sheets="all")
    estimates = fs.equal_drive(table, 12.0, bench=fs.Bench(), draws=100, rng=1)

    value = estimates["noise_value"].sel(scope="tested unit", model="A")
    assert float(value) == pytest.approx(31.2046, abs=5e-5)


def test_three_readings_get_students_interval_not_one_of_resamples():
    """Of 30, 31 and 33 dBA every resample gives an interval far too narrow; t is used."""
    values = (30.0, 31.0, 33.0)
    found = levels.mean_level(values)
    low, high = found.coverage_interval(0.95)
    means = [levels.energy_mean(drawn) for drawn in itertools.product(values, repeat=3)]
    inner = np.quantile(means, [0.025, 0.975])

    half = stats.t.ppf(0.975, 2) * found.scatter
    assert (low, high) == pytest.approx((found.value - half, found.value + half))
    assert high - low > 3 * (inner[1] - inner[0])


def test_readings_without_scatter_keep_the_instruments_interval():
    """Four times 30.0 dBA on a display of 0.1 dB: no NaN, the step of the display remains."""
    step = 0.1 / np.sqrt(12.0)
    low, high = levels.mean_level([30.0] * 4, instrument=step).coverage_interval(0.95)

    assert (low, high) == pytest.approx((30.0 - 1.959964 * step, 30.0 + 1.959964 * step))


def test_one_sample_a_model_tells_nothing_of_samples_and_says_whose():
    """The sentence names the models and what would begin to tell; nothing is estimated."""
    bench = fs.Bench(noise=fs.Instrument(reading=[fs.standard(0.5)]))
    found = fs.unit_spread(one_step([69.1, 70.0, 68.6]), bench)

    assert found.components.empty
    assert "each model was tested with one sample (A, B and C)" in found.sentence()


@pytest.mark.parametrize(("u", "groups"), [(0.5, ["a", "a", "a"]), (0.1, ["a", "b", "c"])])
def test_one_reading_each_is_judged_by_the_stated_errors(u, groups):
    """Tie groups of 68.6, 69.1 and 70.0 dBA follow from the meter alone, as z-tests would."""
    bench = fs.Bench(noise=fs.Instrument(reading=[fs.standard(u)]), spread=EXACT_FANS)
    estimates = fs.equal_drive(one_step([69.1, 70.0, 68.6]), 12, bench=bench, draws=4000, rng=1)
    table = fs.rank(estimates, quantity="noise").table

    assert table["model"].tolist() == ["C", "A", "B"]
    assert table["group"].tolist() == groups


def test_figures_without_scatter_do_not_stop_the_others():
    """Two models that agree to the digit with no error stated: no claim, and a third has its."""
    bench = fs.Bench(noise=fs.Instrument(reading=[fs.standard(0)]), spread=EXACT_FANS)
    estimates = fs.equal_drive(one_step([30.0, 30.0, 31.0]), 12, bench=bench, draws=200, rng=1)
    pair = fs.compare(estimates, "A", "B", quantity="noise")

    assert (pair.verdict, pair.difference.value) == ("open", 0.0)
    assert fs.rank(estimates, quantity="noise").table["place"].tolist() == [1.5, 1.5, 3.0]


def test_draws_leave_the_global_generator_alone_and_their_root_is_kept():
    """Without a seed one is drawn and stored; with it every draw comes again."""
    table = readings(power_law_rows("A"), power_law_rows("B"))
    bench = fs.Bench(noise=fs.Instrument(shared=[fs.half_width(1.0)], reading=[fs.standard(0.2)]))
    before = np.random.get_state()[1].copy()  # noqa: NPY002 - it is this state that must stay
    first = fs.equal_noise(table, 36, bench=bench, draws=200)
    again = fs.equal_noise(table, 36, bench=bench, draws=200, rng=int(first["root"]))
    other = fs.equal_noise(table, 36, bench=bench, draws=200)

    assert np.array_equal(before, np.random.get_state()[1])  # noqa: NPY002
    np.testing.assert_array_equal(first["speed"].values, again["speed"].values)
    assert first["root"].item() != other["root"].item()
    speed = first["speed"].sel(scope="tested unit")
    assert not np.array_equal(speed.sel(model="A"), speed.sel(model="B"))


def test_memory_grows_with_the_result_not_with_draws_times_readings():
    """Four times the draws add at most three times what the result itself adds."""
    table = readings(*(power_law_rows(f"M{k}", level_at_900=32 + 0.3 * k) for k in range(12)))
    bench = fs.Bench(
        noise=fs.Instrument(shared=[fs.half_width(1.0)], reading=[fs.standard(0.2)]),
        speed=fs.Instrument(reading=[fs.standard(4.0)]),
        airflow=fs.Instrument(shared=[fs.half_width("3 %")], reading=[fs.standard(3.0)]),
        spread=fs.UnitSpread(noise=fs.standard(0.8), airflow=fs.standard("2 %")),
    )

    def peak_and_size(draws):
        tracemalloc.start()
        try:
            estimates = fs.equal_noise(table, 36, bench=bench, draws=draws, rng=1)
            return tracemalloc.get_traced_memory()[1], estimates.nbytes
        finally:
            tracemalloc.stop()

    (peak, size), (larger_peak, larger_size) = peak_and_size(16_000), peak_and_size(64_000)
    assert larger_peak - peak < 3 * (larger_size - size)
