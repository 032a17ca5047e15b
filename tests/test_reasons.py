"""Why something cannot be read off, and how far it is from it."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest

import fanstats as fs
from tests.tables import power_law_rows, readings

SPREAD = fs.UnitSpread(noise=fs.standard(0.8), airflow=fs.standard("2 %"), speed=fs.standard("4 %"))
BENCH = fs.Bench(spread=SPREAD)


def bumpy(levels, *, speeds=None, drives=(5.0, 7.0, 9.0, 12.0), room=None):
    """One sitting whose noise goes up and down, over drive or over speed."""
    rows = []
    for place, level in enumerate(levels):
        row = {"model": "A", "drive [V]": drives[place], "noise [dBA]": level}
        row["airflow [fpm]"] = 200.0 + 60.0 * place
        if speeds is not None:
            row["speed [rpm]"] = speeds[place]
        if room is not None:
            row["background [dBA]"] = room
        rows.append(row)
    return fs.read_readings(pd.DataFrame(rows))


def left_out(table, level, **more):
    estimates = fs.equal_noise(table, level, bench=BENCH, draws=100, rng=1, **more)
    return json.loads(estimates.attrs["left_out"])


def test_crossings_over_drive_are_told_in_volts_with_their_decimals():
    """Without speed readings a curve runs over drive, and so do its crossings."""
    (note,) = left_out(bumpy([24.0, 30.0, 28.0, 34.0]), 29.0)

    assert "3 crossings at 6." in note
    assert note.count(" V") == 3
    assert "rpm" not in note
    assert "the upward one of the highest drive is taken" in note


def test_crossings_of_straight_lines_are_those_of_straight_lines():
    """With curve="straight" 24, 30, 28, 34 dB over 5, 7, 9, 12 V meet 29 dB at 6.67, 8, 9.5 V."""
    (note,) = left_out(bumpy([24.0, 30.0, 28.0, 34.0]), 29.0, curve="straight")

    assert "3 crossings at 6.67 V, 8 V, 9.5 V;" in note


def test_straight_crossings_over_speed_are_those_of_the_level_as_read():
    """The room is in the level as read, where the lines are straight."""
    table = bumpy([30.0, 34.0, 32.0, 38.0], speeds=(500.0, 700.0, 900.0, 1200.0), room=28.0)

    (note,) = left_out(table, 33.0, curve="straight")
    estimates = fs.equal_noise(table, 33.0, bench=BENCH, draws=100, rng=1, curve="straight")

    assert "3 crossings at 650 rpm, 800 rpm, 950 rpm; the upward one of the highest speed" in note
    assert float(estimates["speed_value"].sel(scope="model", model="A")) == pytest.approx(950.0)


def test_a_curve_that_only_falls_through_the_target_says_so():
    """It is neither too quiet nor too loud."""
    table = bumpy([36.0, 33.0, 31.0, 30.5], speeds=(500.0, 700.0, 900.0, 1200.0), room=15.0)

    estimates = fs.equal_noise(table, 32.0, bench=BENCH, draws=100, rng=1)

    status = str(estimates["status"].sel(model="A").item())
    assert status.startswith("above range: its curve only falls through the target, to 1.5 dB")


@pytest.mark.parametrize(
    ("drive", "message"),
    [
        (14.0, "above range: 14 V lies above its sweep over drive, which ends at 9 V"),
        (3.25, "below range: 3.25 V lies below its sweep over drive, which begins at 5 V"),
    ],
)
def test_a_drive_beyond_the_sweep_says_where_the_sweep_ends(drive, message):
    """With and without speed readings."""
    table = readings(power_law_rows("A", room=20.0))
    for one in (table, table.drop_vars("speed")):
        estimates = fs.equal_drive(one, drive, bench=BENCH, draws=100, rng=1)
        assert str(estimates["status"].sel(model="A").item()) == message


def test_a_speed_beyond_the_sweep_of_a_quantity_says_where_that_ends():
    """Airflow was read at fewer steps than noise."""
    rows = power_law_rows("A", room=20.0)
    for row in rows[-2:]:
        row["airflow none [fpm]"] = np.nan
    estimates = fs.equal_noise(readings(rows), 36.0, bench=BENCH, draws=100, rng=1)

    status = str(estimates["airflow_status"].sel(scope="model", model="A", obstruction="none"))
    at = 900 * 10 ** ((10 * np.log10(10**3.6 - 100) - 33) / 50)
    assert f"{at:.0f} rpm lies above its airflow sweep behind 'none', which ends at 900" in status


def test_a_noise_sweep_that_is_left_says_where_it_ends():
    """At equal speed."""
    estimates = fs.equal_speed(
        readings(power_law_rows("A", room=20.0)), 1600, bench=BENCH, draws=100, rng=1
    )

    status = str(estimates["noise_status"].sel(scope="model", model="A").item())
    assert status == "above range: 1600 rpm lies above its noise sweep, which ends at 1500 rpm"


@pytest.mark.parametrize("kind", ["smooth", "straight"])
@pytest.mark.parametrize("step", [0, -1])
def test_equal_noise_at_the_very_end_of_a_sweep_is_that_steps_reading(kind, step):
    """Rounding of logarithms does not push a step out of its own sweep."""
    levels = 27.0 + np.arange(5)
    rows = [
        {"model": "A", "drive [V]": 5.0 + k, "speed [rpm]": 600.0 * 1.2**k, "noise [dBA]": level,
         "background [dBA]": 10.0, "airflow [fpm]": 200.0 + 70.0 * k + 5.0 * k**2}
        for k, level in enumerate(levels)
    ]  # fmt: skip
    bench = fs.Bench(noise=fs.Instrument(reading=[fs.standard(0.05)]))

    estimates = fs.equal_noise(
        readings(rows), float(levels[step]), bench=bench, curve=kind, draws=10_000, rng=1
    ).sel(scope="tested unit", model="A")

    assert float(estimates["airflow_value"]) == pytest.approx(rows[step]["airflow [fpm]"], rel=1e-9)
    assert float(estimates["airflow_share_above" if step else "airflow_share_below"]) > 0.45
