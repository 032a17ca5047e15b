"""Luck that varies along the curve: exact tilts, errors of reading taken out, ranges that cover."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import fanstats as fs
from fanstats.spread.along_curve import ALONG_FROM
from fanstats.spread.unit_spread import unit_spread
from tests.tables import power_law_rows, readings
from tests.test_spread import NOISE, exact_bench, row_of

TILTED = "from speed to speed within a unit"
SPEEDS = (500.0, 700.0, 900.0, 1200.0, 1500.0)


def tilted_pairs(models=8, tilt=4.0):
    """Pairs a decibel apart in the mean whose curves lean against each other, dB a decade."""
    groups = []
    for m in range(models):
        for unit, sign in (("1", 1.0), ("2", -1.0)):
            groups.append(
                power_law_rows(
                    f"M{m}",
                    unit=unit,
                    level_at_900=34.0 + sign / 2,
                    slope=50 + sign * tilt,
                    room=5.0,
                )
            )
    return groups


def expected(tilt):
    """Variance of a tilt about its mean over the steps, which are those of the common grid."""
    x = np.log10(np.geomspace(500, 1500, 5) / 900)
    return 2 * tilt**2 * np.var(x), x.mean()


def test_a_tilt_is_measured_about_the_mean_luck_and_held_at_one_speed():
    """Exact curves: the mean luck, the tilt, and their sum in the bench."""
    found = unit_spread(readings(*tilted_pairs()), exact_bench())
    variance, x = expected(4.0)
    # Two samples apart by 1 dB and by twice the tilt at the mean of the grid.
    mean = (1.0 + 2 * 4.0 * x) ** 2 / 2
    row, source = row_of(found, NOISE, TILTED), found.bench.spread.noise

    assert row_of(found, NOISE)["raw_variance"] == pytest.approx(mean, rel=1e-6)
    assert row["raw_variance"] == pytest.approx(variance, rel=1e-6)
    assert row["dof"] == pytest.approx(8)
    assert source.absolute**2 == pytest.approx(mean + variance, rel=1e-6)
    assert source.dof == pytest.approx((mean + variance) ** 2 / (mean**2 / 8 + variance**2 / 8))
    assert "in the bench's spread" in row["status"]
    assert (
        "Luck varies along the curve about a sample's mean by 0.95 dB in noise" in found.sentence()
    )


def test_below_six_degrees_of_freedom_it_is_reported_and_not_held():
    """Five pairs: the row stands, the bench holds the mean luck alone and the words say so."""
    found = unit_spread(readings(*tilted_pairs(models=5)), exact_bench())

    assert row_of(found, NOISE, TILTED)["raw_variance"] == pytest.approx(expected(4.0)[0], rel=1e-6)
    assert found.bench.spread.noise.dof == 5
    assert f"takes {ALONG_FROM} degrees of freedom" in found.sentence()


def test_unstated_errors_of_reading_would_pass_for_luck_and_are_not_held():
    """Nothing said of single readings: what varies from speed to speed stays out of the bench."""
    found = unit_spread(readings(*tilted_pairs()), fs.Bench(noise=fs.Instrument(sitting=[])))
    assert found.bench.spread.noise.dof == 8


def test_what_errors_of_reading_could_make_is_not_said_to_vary():
    """A raw value above 0 whose range reaches 0: at most so much, and not "varies by"."""
    rough = replace(exact_bench(), noise=fs.Instrument(sitting=[], reading=fs.standard(0.2)))
    found = unit_spread(readings(*tilted_pairs(tilt=1.0)), rough)

    row = row_of(found, NOISE, TILTED)
    assert row["raw_variance"] > 0
    assert row["low"] == 0
    assert "Whether luck varies along the curve is not seen" in found.sentence()
    assert "Luck varies along the curve" not in found.sentence()


def test_parallel_curves_have_none():
    """Samples that differ by the same decibels at every speed: nothing is added."""
    found = unit_spread(readings(*tilted_pairs(tilt=0.0)), exact_bench())

    assert row_of(found, NOISE, TILTED)["raw_variance"] == pytest.approx(0.0, abs=1e-12)
    assert found.bench.spread.noise.absolute**2 == pytest.approx(0.5, rel=1e-9)
    assert "varies along the curve" not in found.sentence()


def simulated(rng, tilt, models=4, units=3):
    """Samples 0.8 dB apart that lean by `tilt` dB a decade; the first of each model named 0."""
    rows = []
    for m in range(models):
        for u in range(units):
            e, lean = rng.normal() * 0.8, rng.normal() * tilt
            for v in (5.0, 6.0, 7.0, 8.5, 10.0, 12.0):
                n = 900 * (v / 8) ** 0.9
                level = 35 + e + (52 + lean) * np.log10(n / 900)
                rows.append(
                    {
                        "model": f"M{m}",
                        "unit": str(u),
                        "drive [V]": v,
                        "speed [rpm]": n + rng.normal() * 3,
                        "noise [dBA]": level + rng.normal() * 0.1,
                        "background [dBA]": 5.0,
                    }
                )
    return pd.DataFrame(rows)


def simulation_bench():
    checked = {"shared": [], "session": [], "sitting": [], "model": []}
    return fs.Bench(
        noise=fs.Instrument(**checked, reading=fs.standard(0.1)),
        background=fs.Instrument(**checked, reading=[]),
        speed=fs.Instrument(**checked, reading=fs.standard(3.0)),
    )


@pytest.mark.simulation
@pytest.mark.parametrize("tilt", [0.0, 3.0])
def test_the_tilt_is_right_on_the_average_with_tachometer_and_flicker_taken_out(tilt):
    """Forty benches; without a tilt nothing is left, and the interval covers."""
    rng = np.random.default_rng(31)
    raw, hits = [], []
    x = np.log10(np.geomspace(5.0, 12.0, 6) ** 0.9)  # the common grid, nearly
    for _ in range(40):
        row = row_of(unit_spread(fs.read_readings(simulated(rng, tilt)), simulation_bench()),
                     NOISE, TILTED)  # fmt: skip
        raw.append(row["raw_variance"])
        hits.append(row["low"] ** 2 <= tilt**2 * np.var(x) <= row["high"] ** 2)
    error = np.std(raw, ddof=1) / np.sqrt(len(raw))
    # The common grid is narrower than the sweep by half a percent of speed.
    assert np.mean(raw) == pytest.approx(tilt**2 * np.var(x), abs=3.5 * error + 0.002)
    assert np.mean(hits) > 0.95 - 3 * np.sqrt(0.95 * 0.05 / len(hits))


@pytest.mark.simulation
def test_ranges_of_the_typical_one_cover_at_the_ends_of_the_sweep():
    """Samples that lean: at the lowest and highest speeds too the range covers."""
    rng = np.random.default_rng(32)
    hits = []
    for trial in range(40):
        table = simulated(rng, 3.0)
        measured = unit_spread(fs.read_readings(table), simulation_bench()).bench
        first = fs.read_readings(table[table["unit"] == "0"])
        for speed in (620.0, 1250.0):
            made = fs.equal_speed(
                first, speed, bench=measured, draws=400, rng=trial, background="removed"
            )
            low, high = np.quantile(made["noise"].sel(scope="model"), [0.025, 0.975], axis=-1)
            true = 35 + 52 * np.log10(speed / 900)
            hits.append(np.mean((low <= true) & (true <= high)))
    # Both speeds of a bench share its samples: every bench counts once.
    benches = np.reshape(hits, (40, 2)).mean(axis=1)
    error = max(np.std(benches, ddof=1) / np.sqrt(40), 0.01)
    assert np.mean(benches) == pytest.approx(0.95, abs=3 * error)


def test_what_is_held_keeps_its_prior():
    """A prior is averaged with the spread at one speed, the errors of reading taken out once."""
    bench = exact_bench()
    prior = fs.UnitSpread(noise=fs.standard(0.6))
    found = unit_spread(readings(*tilted_pairs()), bench, prior=prior, worth=4).bench.spread.noise
    alone = unit_spread(readings(*tilted_pairs()), bench).bench.spread.noise
    wanted = (alone.dof * alone.absolute**2 + 4 * 0.36) / (alone.dof + 4)

    assert found.absolute**2 == pytest.approx(wanted, rel=1e-9)
    assert replace(found, dof=1.0).removed_variance == pytest.approx(0.0, abs=1e-12)
