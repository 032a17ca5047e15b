"""Readings so few, or so alike, that formulas for many fall apart: one step, no scatter, pairs."""

import io
import math
import warnings

import numpy as np
import pytest
from scipy import stats

import fanstats as fs

SCATTER = fs.Bench(noise=fs.Instrument(reading=[fs.standard(0.2)]))
DISPLAY = fs.Bench(noise=fs.Instrument(reading=[fs.half_width(0.05)]))
ONE = "model,drive [V],speed [rpm],noise [dBA],airflow [fpm]\nA,12,1400,30.0,410\n"


def read(text):
    return fs.read_readings(io.StringIO(text))


def of(estimates, name):
    """Value and status of the sample tested, of the only model."""
    at = {"scope": "tested unit", "model": "A"}
    return float(estimates[f"{name}_value"].sel(at)), str(
        estimates[f"{name}_status"].sel(at).item()
    )


def test_one_step_answers_what_was_read_and_nothing_beside_it():
    """Its own drive, speed and level are an exact match; any other names what is missing."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        at_12 = fs.equal_drive(read(ONE), 12, bench=SCATTER, draws=200, rng=1)
        at_30 = fs.equal_noise(read(ONE), 30.0, bench=SCATTER, draws=200, rng=1)
        at_24 = fs.equal_noise(read(ONE), 24.0, bench=SCATTER, draws=200, rng=1)

    assert of(at_12, "noise") == (30.0, "")
    assert of(at_30, "airflow") == (pytest.approx(410.0, rel=1e-12), "")
    assert of(at_30, "speed") == (pytest.approx(1400.0, rel=1e-12), "")
    value, reason = of(at_24, "airflow")
    assert math.isnan(value)
    assert reason


def test_a_drive_without_a_sweep_says_that_one_is_missing():
    """From one step nothing leads to 9 V unless somebody says how speed follows the drive."""
    found = fs.equal_drive(read(ONE), 9, bench=SCATTER, draws=200, rng=1)
    value, reason = of(found, "noise")

    assert math.isnan(value)
    assert reason == "below range: 9 V lies below its sweep over drive, which begins at 12 V"


@pytest.mark.parametrize(
    ("first", "second", "gap"),
    [
        ((30.0,) * 3, (30.0,) * 3, 0.0),
        ((30.0,) * 3, (31.0,) * 3, 1.0),
        ((30.1,) * 7, (30.1,) * 5, 0.0),
    ],
)
def test_constant_readings_differ_by_their_gap_and_the_display(first, second, gap):
    """0.0408 dB of two displays of 0.1 dB is all the uncertainty there is; alike claims nothing."""
    rows = [("A", level) for level in first] + [("B", level) for level in second]
    text = "model,drive [V],noise [dBA]\n" + "".join(f"{m},12,{level}\n" for m, level in rows)
    found = fs.equal_drive(read(text), 12, bench=DISPLAY, draws=20_000, rng=1)
    pair = fs.compare(found, "A", "B", quantity="noise", scope="tested unit", chosen="before")
    draws = found["noise"].sel(scope="tested unit")
    spread = float((draws.sel(model="A") - draws.sel(model="B")).std())

    assert pair.difference.value == pytest.approx(-gap, abs=1e-12)
    # The sd of a triangular distribution from n draws: error u sqrt((2.4 - 1) / (4 n)).
    u = 0.1 / math.sqrt(6.0)
    assert spread == pytest.approx(u, abs=4 * u * math.sqrt(1.4 / 80_000))
    assert (pair.verdict == "ahead") == (gap > 0)


def test_two_pairs_have_welchs_interval():
    """Two models of two readings, one ten times as wide: 1.02 degrees of freedom."""
    a, b = np.array([30.0, 30.0]) + 0.1 / math.sqrt(2) * np.array([-1, 1]), np.array([32.0, 32.0])
    b = b + 1.0 / math.sqrt(2) * np.array([-1, 1])
    terms = [sample.std(ddof=1) / math.sqrt(2) for sample in (a, b)]
    dof = fs.levels.effective_dof(terms, [1, 1])
    half = stats.t.ppf(0.975, dof) * math.hypot(*terms)

    assert dof == pytest.approx(1.02, abs=5e-6)
    assert dof == pytest.approx(stats.ttest_ind(a, b, equal_var=False).df)
    assert (-2.0 - half, -2.0 + half) == pytest.approx((-10.62, 6.62), abs=5e-3)
