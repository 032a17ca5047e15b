"""One power law through a model's steps: exponent, misfit, steps that stand out."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats

import fanstats as fs
from fanstats.decisions.generalised_fit import generalised_fit, misfit_p_value
from fanstats.decisions.power_law import power_law
from tests.tables import power_law_rows, readings

REFERENCE = Path(__file__).parent / "reference"
BENCH = fs.Bench(
    noise=fs.Instrument(shared=[fs.standard(0.5)], reading=[fs.standard(0.2)]),
    speed=fs.Instrument(reading=[fs.standard(4)]),
    airflow=fs.Instrument(shared=[fs.standard("3 %")], reading=[fs.standard("1 %")]),
)
SPEEDS = (520.0, 640.0, 800.0, 1000.0, 1250.0, 1550.0)


def swept(*, changed=None, by=0.0, seed=None, slope=52.0, room=20.0, **more):
    """One sitting on an exact power law, with one level changed or errors added."""
    rows = power_law_rows("A", speeds=SPEEDS, slope=slope, room=room, **more)
    rng = np.random.default_rng(seed)
    for place, row in enumerate(rows):
        if place == changed:
            row["noise [dBA]"] += by
        if seed is not None:
            row["noise [dBA]"] += 0.2 * rng.normal()
            row["speed [rpm]"] += 4 * rng.normal()
    return readings(rows)


def certified():
    data = pd.read_csv(REFERENCE / "strd_pontius.csv", comment="#")
    with (REFERENCE / "strd_pontius.toml").open("rb") as file:
        return data["load"].to_numpy(float), data["deflection"].to_numpy(), tomllib.load(file)


def test_the_fit_gives_nists_certified_values():
    """Pontius, a quadratic: coefficients and their standard deviations to nine digits."""
    load, deflection, published = certified()
    scale = np.array([1.0, 1e6, 1e12])
    design = np.stack([load**k for k in range(3)], axis=1) / scale
    expected = published["certified"]

    fit = generalised_fit(design, deflection, np.eye(40))

    scatter = np.sqrt(fit.chi_squared / fit.dof)
    assert scatter == pytest.approx(expected["residual_standard_deviation"], rel=1e-9)
    assert fit.coefficients / scale == pytest.approx(expected["coefficients"], rel=1e-9)
    own = scatter * np.sqrt(np.diag(fit.covariance)) / scale
    assert own == pytest.approx(expected["standard_deviations"], rel=1e-9)


def test_certified_data_are_fitted_as_statsmodels_does():
    """The same fit by an independent library, and every digit of the data counts.

    A pair changed in its last digit no longer gives the certified values.
    """
    load, deflection, published = certified()
    design = np.stack([(load / 1e6) ** k for k in range(3)], axis=1)
    fit = generalised_fit(design, deflection, np.eye(40))

    other = sm.OLS(deflection, design).fit()
    assert fit.coefficients == pytest.approx(other.params, rel=1e-10)
    expected = published["certified"]["coefficients"][1] * 1e6
    for place in range(40):
        moved = deflection + 1e-5 * (np.arange(40) == place)
        slipped = np.linalg.lstsq(design, moved, rcond=None)[0][1]
        assert abs(slipped / expected - 1) > 1e-8


def test_the_misfit_is_nists_lack_of_fit_ratio():
    """Means of the pairs, weighed by the scatter within pairs: F = 0.8107 with 17 and 20."""
    load, deflection, published = certified()
    pairs = deflection.reshape(2, 20)
    scatter = ((pairs - pairs.mean(axis=0)) ** 2).sum() / 20
    design = np.stack([(load[:20] / 1e6) ** k for k in range(3)], axis=1)
    expected = published["lack_of_fit"]

    fit = generalised_fit(design, pairs.mean(axis=0), np.eye(20) * scatter / 2)

    assert fit.dof == expected["degrees_of_freedom"][0]
    assert fit.chi_squared / fit.dof == pytest.approx(expected["ratio"], abs=0.00005)
    p_value = misfit_p_value(fit.chi_squared, fit.dof, 20)
    assert p_value == pytest.approx(stats.f.sf(fit.chi_squared / 17, 17, 20), rel=1e-12)


def test_a_correlated_fit_is_statsmodels_gls():
    """Coefficients and covariance with a full covariance; each statistic by adding a shift."""
    rng = np.random.default_rng(5)
    x = np.log(np.array(SPEEDS))
    design = np.stack([np.ones(6), x], axis=1)
    root = rng.normal(size=(6, 8))
    covariance = root @ root.T
    y = 20 + 21 * x + rng.normal(size=6)

    fit = generalised_fit(design, y, covariance)

    other = sm.GLS(y, design, sigma=covariance).fit(cov_type="fixed_scale")
    assert fit.coefficients == pytest.approx(other.params, rel=1e-8)
    assert fit.covariance == pytest.approx(other.normalized_cov_params, rel=1e-7)
    for place in range(6):
        shifted = np.column_stack([design, np.eye(6)[place]])
        other = sm.GLS(y, shifted, sigma=covariance).fit(cov_type="fixed_scale", scale=1.0)
        shift, own = other.params[-1], np.sqrt(other.normalized_cov_params[-1, -1])
        assert fit.shifts[place] == pytest.approx(shift, rel=1e-6)
        assert fit.statistics[place] == pytest.approx(shift / own, rel=1e-6)


def test_without_stated_errors_steps_are_judged_as_statsmodels_does():
    """Externally studentised residuals with Bonferroni limits, and the OLS interval."""
    found = power_law(swept(seed=3, room=None), "A", bench=fs.Bench())

    x = np.log(found.steps["speed"].to_numpy())
    other = sm.OLS(found.steps["read"].to_numpy(), sm.add_constant(x)).fit()
    assert found.exponent == pytest.approx(other.params[1] * np.log(10), rel=1e-9)
    assert [found.low, found.high] == pytest.approx(other.conf_int()[1] * np.log(10), rel=1e-9)
    studentised = other.get_influence().resid_studentized_external
    assert found.steps["statistic"].to_numpy() == pytest.approx(studentised, rel=1e-7)
    assert not found.weighed
    assert "all steps count alike" in found.sentence()
    assert "cannot be judged: no errors of reading are stated" in found.sentence()


def test_the_exponent_of_an_exact_power_law_is_found_with_its_uncertainty():
    """Far from the room the weights are equal: u is that of the closed form, speed errors in."""
    found = power_law(swept(room=-9.0), "A", bench=BENCH)

    assert found.exponent == pytest.approx(52.0, abs=1e-6)
    decades = np.log10(SPEEDS)
    own = np.hypot(0.2, 52.0 * 4 / (np.array(SPEEDS) * np.log(10)))
    weights = 1 / own**2
    middle = (weights * decades).sum() / weights.sum()
    u = 1 / np.sqrt((weights * (decades - middle) ** 2).sum())
    assert found.standard_uncertainty == pytest.approx(u, rel=1e-3)
    assert found.high - found.low == pytest.approx(2 * 1.959964 * u, rel=1e-3)
    assert found.fan_law_inside == (abs(52 - 50) < 1.96 * u)
    assert found.fits
    assert found.outliers == ()


def test_steps_near_the_room_weigh_less():
    """At 3 dB above the room an error of reading counts twice for the fan alone."""
    near = power_law(swept(room=26.0), "A", bench=BENCH)

    own = near.steps["standard_uncertainty"].to_numpy()
    assert own[0] > 1.3 * own[-1]
    assert near.exponent == pytest.approx(52.0, abs=1e-6)


def test_a_resonance_is_named_by_its_step_and_the_exponent_told_without_it():
    """2 dB at one step: it alone is named, with its size, and the rest gives the true exponent."""
    found = power_law(swept(changed=3, by=2.0), "A", bench=BENCH)

    (told,) = found.outliers
    assert told.startswith("step 8 V (model 'A', session 'day') is 2")
    assert "dB louder than expected" in told
    assert found.fits is False
    assert found.exponent_without == pytest.approx(52.0, abs=0.01)
    assert found.low_without < 52 < found.high_without
    assert found.steps["outlier"].tolist() == [False, False, False, True, False, False]
    said = found.sentence()
    assert "One power law does not fit all 6 steps" in said
    assert "a resonance, or a typing error (a sound table has such a step 5 times in 100)" in said


def test_a_typing_error_in_airflow_is_named():
    """Two digits swapped at one step."""
    rows = power_law_rows("A", speeds=SPEEDS, room=20.0)
    rows[2]["airflow none [fpm]"] *= 0.9

    found = power_law(readings(rows), "A", bench=BENCH, of="airflow", obstruction="none")

    (told,) = found.outliers
    assert "step 7 V" in told
    assert "% less air than expected" in told
    assert found.exponent_without == pytest.approx(1.0, abs=1e-6)
    assert found.fan_law == 1.0


def test_an_estimated_scatter_is_held_against_f():
    """Repeats give the reading error with few degrees of freedom: limits widen with Student's t."""
    few = fs.Bench(noise=fs.Instrument(reading=[fs.standard(0.2, dof=4)]))
    known = fs.Bench(noise=fs.Instrument(reading=[fs.standard(0.2)]))
    table = swept(changed=1, by=0.5)

    found, sure = (power_law(table, "A", bench=bench) for bench in (few, known))

    assert found.denominator_dof == pytest.approx(4.0)
    ratio = found.chi_squared / found.dof
    assert found.p_value == pytest.approx(stats.f.sf(ratio, found.dof, 4))
    assert sure.p_value == pytest.approx(stats.chi2.sf(sure.chi_squared, 4))
    wider = stats.t.ppf(0.975, 4) / stats.norm.ppf(0.975)
    assert (found.high - found.low) / (sure.high - sure.low) == pytest.approx(wider, rel=1e-6)
    assert "F " in found.sentence()


def test_samples_share_an_exponent_but_not_a_level():
    """A sample louder at every speed is no misfit."""
    quiet = power_law_rows("A", unit="1", speeds=SPEEDS, slope=52.0, room=10.0)
    loud = power_law_rows("A", unit="2", speeds=SPEEDS, slope=52.0, room=10.0, level_at_900=36.0)

    found = power_law(readings(quiet, loud), "A", bench=BENCH)

    assert found.exponent == pytest.approx(52.0, abs=1e-6)
    assert found.dof == 12 - 3
    assert found.chi_squared == pytest.approx(0.0, abs=1e-6)
    assert "one exponent for 2 sweeps" in found.sentence()


def test_three_steps_cannot_say_which_one_is_off():
    """With one degree of freedom every step explains the misfit equally well: none is named."""
    rows = power_law_rows("A", speeds=SPEEDS[:3], room=10.0)
    rows[1]["noise [dBA]"] += 5.0

    found = power_law(readings(rows), "A", bench=BENCH)

    assert found.fits is False
    assert found.outliers == ()


def test_the_result_is_shown_and_saved(tmp_path):
    """Text, page and table hold the same steps."""
    found = power_law(swept(changed=3, by=2.0), "A", bench=BENCH)

    assert repr(found).startswith("The noise of A rises by ")
    assert "the fan laws say 50" in repr(found)
    assert "<table" in found._repr_html_()
    assert "&#x27;day&#x27;" in found._repr_html_()
    found.to_csv(tmp_path / "steps.csv")
    assert (tmp_path / "steps.csv").read_text() == found.to_csv()
    assert len(pd.read_csv(tmp_path / "steps.csv")) == 6


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"model": "Z"}, "`model` must be one of 'A'; got 'Z'"),
        ({"of": "speed"}, "`of` must be one of 'noise', 'airflow'"),
        ({"obstruction": "none"}, "`obstruction` must be left out: noise names none"),
        ({"of": "airflow"}, "`obstruction` must be one of 'none', 'wire mesh'"),
        ({"false_alarms": 0.0}, "`false_alarms`"),
    ],
)
def test_what_cannot_be_fitted_is_refused(change, message):
    """Each message names the argument and what may stand there."""
    given = {"model": "A", "bench": BENCH, **change}
    with pytest.raises(fs.FanstatsError, match=message):
        power_law(swept(), given.pop("model"), **given)
    with pytest.raises(fs.FanstatsError, match="has no sweep of noise over speed"):
        power_law(swept().drop_vars("speed"), "A", bench=BENCH)


@pytest.mark.simulation
def test_range_misfit_and_outliers_are_wrong_as_often_as_stated():
    """400 sound sweeps: exponent covered 95, misfit found 5, a step named at most 5 in 100."""
    rng = np.random.default_rng(1)
    found = []
    for _ in range(16):
        rows = [
            {**row, "noise [dBA]": row["noise [dBA]"] + 0.2 * rng.normal(),
             "speed [rpm]": row["speed [rpm]"] + 4 * rng.normal()}
            for k in range(25)
            for row in power_law_rows(f"M{k}", speeds=SPEEDS, slope=52.0, room=24.0)
        ]  # fmt: skip
        table = readings(rows)
        found += [power_law(table, f"M{k}", bench=BENCH) for k in range(25)]

    covered = np.mean([one.low <= 52 <= one.high for one in found])
    misfits = np.mean([not one.fits for one in found])
    named = np.mean([bool(one.outliers) for one in found])
    low, high = stats.binom.ppf([0.001, 0.999], 400, 0.95) / 400
    assert low <= covered <= high
    assert 1 - high <= misfits <= 1 - low
    assert named <= 1 - low
    assert named > 0
