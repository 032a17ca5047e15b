"""Readings dialled in at the level, with or without a sweep, drive or speed beside them."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest

import fanstats as fs
from tests.tables import power_law_rows

LN10 = np.log(10.0)
SETTING = 0.3
BENCH = fs.Bench(
    noise=fs.Instrument(reading=[fs.standard(SETTING)]),
    spread=fs.UnitSpread(noise=fs.standard(0.8), airflow=fs.standard("2 %")),
)
ROOM, LEVEL = 20.0, 36.0
# An error of the reading counts for a little more of the fan alone.
GAIN = 1 / (1 - 10 ** ((ROOM - LEVEL) / 10))
SPEED = 900 * 10 ** ((10 * np.log10(10 ** (LEVEL / 10) - 10 ** (ROOM / 10)) - 33) / 50)


def step(**more):
    """Give one dialled-in step on the power law of `power_law_rows`."""
    return {
        "model": "A", "unit": "1", "session": "day", "noise [dBA]": LEVEL,
        "background [dBA]": ROOM, "airflow none [fpm]": 450 * SPEED / 900,
        "airflow wire mesh [fpm]": 315 * SPEED / 900, **more,
    }  # fmt: skip


def read(*rows, without=()):
    table = pd.DataFrame(list(rows)).drop(columns=list(without))
    return fs.read_readings(table.dropna(axis=1, how="all"))


def at_level(table, level=LEVEL, **more):
    given = {"bench": BENCH, "draws": 10_000, "rng": 1, **more}
    estimates = fs.equal_noise(table, level, **given)
    return estimates.sel(model="A", obstruction="none")


def spread_of(estimates, scope="tested unit"):
    return float(np.log(estimates["airflow"].sel(scope=scope)).std())


@pytest.mark.parametrize("placed", [{"speed [rpm]": SPEED, "drive [V]": 7.6}, {}])
def test_a_dialled_in_step_is_used_beside_a_sweep(placed):
    """With its speed noted or not: its airflow is the value."""
    flow = 1.02 * 450 * SPEED / 900
    table = read(*power_law_rows("A", room=ROOM), step(**placed, **{"airflow none [fpm]": flow}))

    found = at_level(table)

    assert float(found["airflow_value"].sel(scope="model")) == pytest.approx(flow, rel=1e-9)


@pytest.mark.parametrize("placed", [{"speed [rpm]": SPEED, "drive [V]": 6.5}, {}])
def test_the_setting_error_goes_through_the_slope_of_the_sweep(placed):
    """0.3 dB set wrong is 0.3 ln 10 / 50 of airflow; neighbours half a decade away hardly count."""
    speeds = (300.0, 500.0, 2100.0, 3600.0)
    table = read(*power_law_rows("A", room=ROOM, speeds=speeds), step(**placed))

    found = at_level(table)

    assert spread_of(found) == pytest.approx(SETTING * GAIN * LN10 / 50, rel=0.06)
    luck = np.hypot(0.8 * LN10 / 50, 0.02)
    assert spread_of(found, "model") == pytest.approx(
        np.hypot(SETTING * GAIN * LN10 / 50, luck), rel=0.06
    )


def test_without_a_sweep_the_stated_slope_carries_the_setting_error():
    """No speed anywhere: one step, a slope of exactly 50."""
    found = at_level(read(step()), slope=50.0)

    assert spread_of(found) == pytest.approx(SETTING * GAIN * LN10 / 50, rel=0.03)


def test_over_drive_a_dialled_in_step_finds_its_place_too():
    """A sweep without speed readings, a step without a drive."""
    flow = 1.05 * 450 * SPEED / 900
    table = read(
        *power_law_rows("A", room=ROOM), step(**{"airflow none [fpm]": flow}),
        without=["speed [rpm]"],
    )  # fmt: skip

    found = at_level(table)

    assert float(found["airflow_value"].sel(scope="tested unit")) == pytest.approx(flow, rel=1e-9)


def test_several_levels_dialled_in_are_steps_of_their_own():
    """33, 36 and 40 dB with nothing but airflow noted: each target takes its own."""
    rows = [
        step(**{"noise [dBA]": level, "airflow none [fpm]": flow, "model": model})
        for model, factor in (("A", 1.0), ("B", 0.9))
        for level, flow in ((33.0, 400 * factor), (36.0, 460 * factor), (40.0, 550 * factor))
    ]
    for order in (rows, rows[::-1]):
        table = read(*order)
        for level, flow in ((33.0, 400.0), (36.0, 460.0), (40.0, 550.0)):
            found = at_level(table, level, draws=100)
            value = float(found["airflow_value"].sel(scope="tested unit"))
            assert value == pytest.approx(flow, rel=1e-9)
    far = fs.equal_noise(read(*rows), 38.0, bench=BENCH, draws=100, rng=1)
    assert "only one usable step, -2.0 dB from the target" in str(far["status"].values[0])


def test_repeats_of_one_dialled_in_level_are_averaged():
    """36.1 and 35.9 dB are one level set twice, not two levels."""
    rows = [
        step(**{"noise [dBA]": LEVEL + off, "airflow none [fpm]": flow})
        for off, flow in ((0.1, 450.0), (-0.1, 470.0))
    ]
    found = at_level(read(*rows), slope=50.0)

    read_at = 10 * np.log10(np.mean(10 ** (np.array([36.1, 35.9]) / 10)))
    shift = LEVEL - read_at
    value = float(found["airflow_value"].sel(scope="tested unit"))
    assert value == pytest.approx(460 * 10 ** (shift * GAIN / 50), rel=1e-4)
    assert spread_of(found) == pytest.approx(SETTING / np.sqrt(2) * GAIN * LN10 / 50, rel=0.03)


def test_a_step_beyond_its_sweep_is_not_given_a_place():
    """Louder than anything swept: nothing says at which speed that was."""
    louder = {"noise [dBA]": 46.5, "airflow none [fpm]": 838.0, "airflow wire mesh [fpm]": 587.0}
    table = read(*power_law_rows("A", room=ROOM), step(**louder))
    alone = read(*power_law_rows("A", room=ROOM))

    value = at_level(table, draws=100)["airflow_value"].sel(scope="model")
    assert float(value) == float(at_level(alone, draws=100)["airflow_value"].sel(scope="model"))


@pytest.mark.simulation
def test_ranges_of_dialled_in_readings_cover_as_stated():
    """Turned until the meter shows 36 dB: 300 samples, this one's and the typical one's airflow."""
    rng = np.random.default_rng(8)
    luck, air = rng.normal(size=(2, 300)) * [[0.8], [0.02]]
    error = rng.normal(size=300) * SETTING
    # The knob stands where the fan alone makes the target less what the meter reads wrong.
    fan = 10 * np.log10(10 ** ((LEVEL - error) / 10) - 10 ** (ROOM / 10))
    target = 10 * np.log10(10 ** (LEVEL / 10) - 10 ** (ROOM / 10))
    flow = 450 * 10 ** ((fan - luck - 33) / 50) * (1 + air)
    rows = [
        {"model": f"M{k}", "noise [dBA]": LEVEL, "background [dBA]": ROOM, "airflow [fpm]": one}
        for k, one in enumerate(flow)
    ]
    estimates = fs.equal_noise(read(*rows), LEVEL, bench=BENCH, draws=2000, rng=1, slope=50.0)

    true = {
        "tested unit": 450 * 10 ** ((target - luck - 33) / 50) * (1 + air),
        "model": np.full(300, 450 * 10 ** ((target - 33) / 50)),
    }
    from scipy import stats

    lower, upper = stats.binom.ppf([0.001, 0.999], 300, 0.95) / 300
    for scope, values in true.items():
        ends = estimates["airflow"].sel(scope=scope).quantile([0.025, 0.975], "draw").to_numpy()
        covered = np.mean((ends[0] <= values) & (values <= ends[1]))
        assert lower <= covered <= upper


def told(estimates, where):
    """What a result says of steps dialled in."""
    return [note for note in json.loads(estimates.attrs[where]) if "dialled in" in note]


def test_where_a_dialled_in_step_was_put_is_an_assumption():
    """By speed, or by drive where no speed was read; a noted place is nothing to assume."""
    noted = step(**{"speed [rpm]": SPEED, "drive [V]": 7.6})
    rows = power_law_rows("A", room=ROOM)

    (by_speed,) = told(at_level(read(*rows, step())), "assumptions")
    (by_drive,) = told(at_level(read(*rows, step(), without=["speed [rpm]"])), "assumptions")

    start = "model 'A', session 'day': the step dialled in at 36.0 dBA stands where its sweep makes"
    assert by_speed.startswith(start)
    assert by_speed.endswith(f"{SPEED:.0f} rpm")
    assert by_drive.startswith(start)
    assert by_drive.endswith(" V")
    assert told(at_level(read(*rows, noted)), "assumptions") == []
    assert told(at_level(read(step())), "assumptions") == []


def test_a_step_dialled_in_beyond_its_sweep_is_left_out_and_said_so():
    """46 dB, where the sweep ends at 44: it has no place, and carries nothing."""
    more = 10 ** (10 / 50) * SPEED / 900
    flows = {"airflow none [fpm]": 450 * more, "airflow wire mesh [fpm]": 315 * more}
    lone = step(**{"noise [dBA]": 46.0, **flows})
    rows = power_law_rows("A", room=ROOM)

    found = at_level(read(*rows, lone))

    (note,) = told(found, "left_out")
    assert "dialled in at 46.0 dBA is not used: its sweep does not make that noise" in note
    assert told(found, "assumptions") == []
    without = float(at_level(read(*rows))["airflow_value"].sel(scope="model"))
    assert float(found["airflow_value"].sel(scope="model")) == pytest.approx(without, rel=1e-12)
