"""The slope of noise over speed, pooled over swept models, for numbers off a chart."""

from __future__ import annotations

import json

import numpy as np
import pytest
from statsmodels.stats.meta_analysis import combine_effects

import fanstats as fs
from fanstats.decisions.pooled_slope import pooled_slope
from fanstats.decisions.power_law import power_law
from tests.tables import power_law_rows, readings

SLOPES = {"A": 46.0, "B": 50.0, "C": 57.0, "D": 52.0}
BENCH = fs.Bench(
    noise=fs.Instrument(reading=[fs.standard(0.2)]), speed=fs.Instrument(reading=[fs.standard(3)])
)


def swept(slopes=SLOPES):
    return readings(*(power_law_rows(m, slope=s, room=10.0) for m, s in slopes.items()))


def test_slopes_are_pooled_as_statsmodels_pools_effects():
    """Mean after Mandel and Paule; the uncertainty is that of one more model."""
    found = pooled_slope(swept(), bench=BENCH)

    own = np.array([power_law(swept(), m, bench=BENCH).standard_uncertainty for m in SLOPES])
    slopes = np.array(list(SLOPES.values()))
    other = combine_effects(slopes, own**2, method_re="iterated")
    assert found.value == pytest.approx(other.mean_effect_re, rel=1e-4)
    assert found.uncertainty == pytest.approx(np.sqrt(other.tau2 + other.var_eff_w_re), rel=1e-3)


def test_models_that_are_alike_leave_only_how_well_the_mean_is_known():
    """No spread between them: the uncertainty is that of the weighed mean."""
    alike = swept(dict.fromkeys("ABCD", 52.0))

    found = pooled_slope(alike, bench=BENCH)

    own = power_law(alike, "A", bench=BENCH).standard_uncertainty
    assert found.value == pytest.approx(52.0, abs=1e-6)
    assert found.uncertainty == pytest.approx(own / 2, rel=1e-3)


def test_a_pooled_slope_serves_numbers_off_a_chart():
    """It is handed on as it is, and listed as assumed."""
    slope = pooled_slope(swept(), bench=BENCH)
    estimates = fs.from_chart(
        {"Z": 412}, quantity="airflow", units="fpm", level=36, rng=1, slope=slope, draws=20_000,
        bench=fs.Bench(spread=fs.UnitSpread(noise=fs.standard(0.8), airflow=0)),
    )  # fmt: skip

    told = next(t for t in json.loads(estimates.attrs["assumptions"]) if "dB a decade" in t)
    assert told.startswith(f"one step and no sweep: {slope.value:.3g} ± {slope.uncertainty:.2g}")
    assert "pooled over swept models: Z" in told
    log = np.log(estimates["airflow"].sel(scope="model", model="Z"))
    assert float(log.std()) == pytest.approx(0.8 * np.log(10) / slope.value, rel=0.05)


def test_too_few_swept_models_are_refused():
    """One model, or points without a sweep."""
    with pytest.raises(fs.FanstatsError, match=r"at least two models swept over speed.*found 1"):
        pooled_slope(swept({"A": 50.0}), bench=BENCH)
