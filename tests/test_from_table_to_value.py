"""From the text of a table to a value read off: steps, gaps, ends and repeats."""

from __future__ import annotations

import io

import numpy as np
import pytest
import xarray as xr

import fanstats as fs

EXACT = fs.Bench(noise=fs.Instrument(shared=[], session=[], sitting=[], model=[], reading=[]))
HEAD = "model,drive [V],noise [dBA],airflow [cfm]\n"


def table(*columns):
    """Readings of one fan without a tachometer: steps, levels, airflow."""
    rows = [",".join(["A", *map(str, row)]) for row in zip(*columns, strict=True)]
    return fs.read_readings(io.StringIO(HEAD + "\n".join(rows)))


def at_drive(readings, volts, quantity="noise", **options):
    """Value and status at one drive, for the sample tested."""
    found = fs.equal_drive(readings, volts, bench=EXACT, draws=100, rng=1, **options)
    one = found.sel(scope="tested unit", model="A")
    return one[f"{quantity}_value"].item(), one[f"{quantity}_status"].item()


def at_noise(readings, level, **options):
    """Airflow and status at one level, for the sample tested."""
    found = fs.equal_noise(readings, level, bench=EXACT, draws=100, rng=1, **options)
    one = found.sel(scope="tested unit", model="A")
    return one["airflow_value"].item(), one["airflow_status"].item(), found.attrs["left_out"]


@pytest.mark.parametrize("order", [[0, 1, 2], [2, 1, 0], [1, 2, 0]])
def test_repeats_of_a_step_are_one_knot_whatever_their_order(order):
    """20.0 and 20.5 dBA at 5 V are 20.2572 by energy; half way to 26.0 at 7 V lies 23.1286."""
    drive, noise = np.array([5, 5, 7]), np.array([20.0, 20.5, 26.0])
    readings = table(drive[order], noise[order], [30, 30, 30])

    assert at_drive(readings, 5.0)[0] == pytest.approx(20.2572, abs=5e-5)
    assert at_drive(readings, 6.0)[0] == pytest.approx(23.1286, abs=5e-5)


def test_steps_in_any_order_give_the_same_value():
    """12, 7, 5 V is the sweep 5, 7, 12 V: between 5 and 7 V lies what those two read."""
    falling = table([12, 7, 5], [37, 31, 25], [60, 35, 20])
    rising = table([5, 7, 12], [25, 31, 37], [20, 35, 60])

    assert at_drive(falling, 6.0, "airflow") == at_drive(rising, 6.0, "airflow")
    assert at_drive(table([7, 5], [31, 25], [35, 20]), 6.0, "airflow")[0] == pytest.approx(27.5)


@pytest.mark.parametrize(("level", "side"), [(20.0, "below range"), (40.0, "above range")])
def test_beyond_the_sweep_there_is_no_value(level, side):
    """24 to 37 dBA were read: at 20 and 40 dBA there is a reason and no number."""
    value, status, _ = at_noise(table([5, 7, 9, 12], [24, 28, 31, 37], [20, 30, 38, 50]), level)

    assert np.isnan(value)
    assert status.startswith(side)


def test_a_level_met_three_times_takes_one_by_rule_and_says_so():
    """24, 30, 28, 34 dBA meet 29 dBA at 6.67, 8 and 9.5 V: the last rise, most air, is taken."""
    readings = table([5, 7, 9, 12], [24, 30, 28, 34], [5, 7, 9, 12])
    value, _, said = at_noise(readings, 29.0, curve="straight")

    assert value == pytest.approx(9.5)
    assert "3 crossings" in said


def test_a_missing_step_spoils_none_of_the_others():
    """Nothing was read at 5 V: 7 V is what was read there, 9 V lies between, 6 V is unknown."""
    readings = table([5, 7, 12], ["", 26, 32], [20, 30, 50])

    assert at_drive(readings, 7.0)[0] == pytest.approx(26.0)
    assert at_drive(readings, 9.0)[0] == pytest.approx(28.4)
    value, status = at_drive(readings, 6.0)
    assert np.isnan(value)
    assert status.startswith("below range")


def test_one_step_is_enough_for_itself():
    """One row at 12 V and 30.0 dBA answers for 12 V and for 30.0 dBA, and for nothing else."""
    readings = table([12], [30.0], [55])

    assert at_drive(readings, 12.0)[0] == 30.0
    assert at_noise(readings, 30.0)[0] == 55.0
    value, status = at_drive(readings, 9.0)
    assert np.isnan(value)
    assert status


# What is read and worked out stays plain data ---------------------------------------------------


@pytest.fixture(scope="module")
def estimates():
    readings = table([5, 7, 9, 12], [24, 28, 31, 37], [20, 30, 38, 50])
    return fs.equal_noise(readings, 30.0, bench=EXACT, draws=100, rng=1)


def test_a_mean_keeps_every_number(estimates):
    """No variable is an object, so that a reduction drops none of the numbers in silence."""
    numbers = {name for name, variable in estimates.items() if variable.dtype.kind == "f"}

    assert not [name for name, variable in estimates.variables.items() if variable.dtype == object]
    assert set(estimates.mean("model").data_vars) >= numbers


@pytest.mark.parametrize("engine", ["netcdf4", "h5netcdf", "scipy"])
def test_readings_and_estimates_are_saved_by_every_engine(estimates, tmp_path, engine):
    """Attributes are texts and numbers; both files come back as they were."""
    if engine == "h5netcdf":
        pytest.importorskip("h5py")  # h5netcdf installs without it
    readings = table([5, 7], [24, 28], [20, 30])
    for name, dataset in (("readings", readings), ("estimates", estimates)):
        path = tmp_path / f"{name}.nc"
        dataset.to_netcdf(path, engine=engine)
        again = xr.load_dataset(path, engine=engine)

        for key, value in dataset.attrs.items():
            assert again.attrs[key] == value
        for label in dataset.data_vars:
            np.testing.assert_array_equal(again[label].values, dataset[label].values)
