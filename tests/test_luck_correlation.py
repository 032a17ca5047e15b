"""Noise and airflow luck that go together: measured, put into a bench, and drawn so."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

import fanstats as fs
from fanstats.spread.luck_correlation import FEWEST
from fanstats.spread.luck_needed import luck_needed
from fanstats.spread.unit_spread import unit_spread
from tests.tables import power_law_rows, readings
from tests.test_spread import bench_table, plain_bench

SIZE = 20_000


PAIR = readings(power_law_rows("A"), power_law_rows("B"))


def drawn(spread, root=1, model="A", size=SIZE):
    """Noise luck and airflow luck of one unit: what a model's mean is off by at a given speed."""
    found = fs.equal_speed(
        PAIR, 900, bench=fs.Bench(spread=spread), background="removed", draws=size, rng=root
    ).sel(model=model, scope="model")
    value = found[["noise_value", "airflow_value"]].sel(obstruction="none")
    noise = float(value["noise_value"]) - found["noise"].to_numpy()
    return noise, float(value["airflow_value"]) / found["airflow"].sel(
        obstruction="none"
    ).to_numpy() - 1


def unit_spread_of(**more):
    return fs.UnitSpread(noise=fs.standard(0.8), airflow=fs.standard("2 %"), **more)


@pytest.mark.parametrize("rho", [-1.0, -0.5, 0.7])
def test_airflow_luck_goes_in_step_with_noise_luck_as_stated(rho):
    """The correlation of the draws is the one stated; neither size changes."""
    noise, airflow = drawn(unit_spread_of(correlation=rho))
    error = 4 * (1 - rho**2) / np.sqrt(SIZE)

    assert np.corrcoef(noise, airflow)[0, 1] == pytest.approx(rho, abs=error + 1e-9)
    assert airflow.std() == pytest.approx(0.02, rel=4 / np.sqrt(2 * SIZE))


def test_without_a_correlation_no_draw_changes():
    """Nothing stated: the same draws, bit by bit, and unrelated ones."""
    plain, zero = drawn(unit_spread_of()), drawn(unit_spread_of(correlation=0.0))
    moved = drawn(unit_spread_of(correlation=0.5))

    assert np.array_equal(plain[1], zero[1])
    assert abs(np.corrcoef(*plain)[0, 1]) < 4 / np.sqrt(SIZE)
    assert np.array_equal(plain[0], moved[0])
    assert not np.array_equal(plain[1], moved[1])


def test_an_estimated_correlation_is_one_draw_for_all_units():
    """Fisher's z with nu - 2: the draws of two units agree on it, and it spreads as stated."""
    spread = unit_spread_of(correlation=0.6, correlation_dof=12.0)
    products = []
    for model in "AB":
        noise, airflow = drawn(spread, model=model)
        products.append(noise / 0.8 * airflow / 0.02)
    z = np.random.default_rng(1).normal(size=400_000) / np.sqrt(10) + np.arctanh(0.6)
    share = np.tanh(z)

    assert np.mean(products) == pytest.approx(share.mean(), abs=4 * 1.3 / np.sqrt(SIZE))
    # One draw of the correlation behind both: their products go together.
    assert np.cov(*products)[0, 1] == pytest.approx(share.var(), abs=4 * 1.6 / np.sqrt(SIZE))


def test_at_equal_noise_what_goes_together_cancels_and_in_the_tested_sample_nothing_changes():
    """Noisier samples that move more air differ less at equal noise; on the bench nothing moves."""
    readings, bench = fs.demo.readings(), fs.demo.bench()
    made = {
        rho: fs.equal_noise(
            readings, 33, rng=1, draws=2000,
            bench=replace(bench, spread=replace(bench.spread, correlation=rho)),
        )["airflow"].sel(model="Tamberly Drift 8", obstruction="insect screen")
        for rho in (-0.8, 0.0, 0.8)
    }  # fmt: skip
    for scope in ("model", "next unit"):
        sd = {rho: float(draws.sel(scope=scope).std()) for rho, draws in made.items()}
        assert sd[-0.8] > 1.1 * sd[0.0] > 1.2 * sd[0.8]
    tested = [draws.sel(scope="tested unit").to_numpy() for draws in made.values()]
    assert np.array_equal(tested[0], tested[2])


def test_first_order_and_draws_agree_where_luck_goes_together():
    """The road of sensitivities knows of it too."""
    readings, bench = fs.demo.readings(), fs.demo.bench()
    bench = replace(bench, spread=replace(bench.spread, correlation=0.8))
    at = {"scope": "model", "model": "Tamberly Drift 8", "obstruction": "insect screen"}
    linear = fs.first_order(readings, 33, bench=bench)["airflow_standard_uncertainty"].sel(at)
    made = fs.equal_noise(readings, 33, bench=bench, rng=1, draws=8000)["airflow"].sel(at)

    assert float(linear) == pytest.approx(float(made.std()), rel=0.05)


def test_from_enough_samples_the_bench_holds_it_and_below_it_says_so():
    """Six degrees of freedom and more; fewer are drawn as unrelated, in so many words."""
    rng = np.random.default_rng(8)
    many = bench_table(rng, models=6, units=3, sittings=1, correlation=0.8, sitting_sd=0.0)
    few = bench_table(rng, models=2, units=2, sittings=1)
    found, none = unit_spread(many, plain_bench()), unit_spread(few, plain_bench())

    assert found.bench.spread.correlation == found.correlation.used
    assert found.correlation.used == pytest.approx(found.correlation.corrected)
    assert 4 < found.bench.spread.correlation_dof <= 12.0 + 1e-9
    assert "draws of luck go by it, its uncertainty included" in found.sentence()
    assert none.bench.spread.correlation == 0
    assert f"not told by 2 degrees of freedom ({FEWEST} would)" in none.sentence()


def test_errors_of_reading_blur_it_and_cost_degrees_of_freedom():
    """The correlation as read is pulled to zero; what is used is not, and counts for less."""
    rng = np.random.default_rng(3)
    table = bench_table(
        rng, models=8, units=4, sittings=1, correlation=0.7, sitting_sd=0.0, airflow_sd=0.004
    )
    found = unit_spread(table, plain_bench()).correlation

    assert abs(found.used) > abs(found.read)
    assert found.used_dof < found.dof


def test_luck_needed_knows_what_goes_together():
    """At equal noise: 2 (c^2 s_e^2 + s_f^2 - 2 rho c s_e s_f); at equal drive as before."""
    c = np.log(10) / 50
    for rho in (-0.5, 0.0, 0.5):
        found = luck_needed("5 %", spread=unit_spread_of(correlation=rho)).table
        typical = found.set_index("luck")["typical"]["all kinds together"]
        wanted = 2 * ((c * 0.8) ** 2 + 0.02**2 - 2 * rho * c * 0.8 * 0.02)
        assert typical == pytest.approx(np.sqrt(wanted), rel=1e-12)


def test_stated_in_a_bench_file_and_read_back():
    """``correlation = 0.4`` under [spread]; what is none is refused with its place."""
    bench = fs.read_bench(io.StringIO("[spread]\nnoise = {standard = 0.8}\ncorrelation = 0.4"))
    assert bench.spread.correlation == 0.4
    assert "Noisier samples move more air at a given speed: correlation +0.40." in fs.describe(
        bench
    )
    with pytest.raises(fs.FanstatsError, match=r"\[spread\] correlation: of noise and airflow"):
        fs.read_bench(io.StringIO("[spread]\ncorrelation = 1.4"))
    with pytest.raises(fs.FanstatsError, match="`correlation` must lie between -1 and 1"):
        fs.UnitSpread(correlation=2.0)
    with pytest.raises(fs.FanstatsError, match="`correlation_dof` must be a number above 2"):
        fs.UnitSpread(correlation_dof=1.0)


@pytest.mark.simulation
@pytest.mark.parametrize("rho", [-0.7, 0.0, 0.7])
def test_ranges_with_an_estimated_correlation_cover(rho):
    """Six degrees of freedom, noise and airflow luck alike in size, at equal noise."""
    rng = np.random.default_rng(5)
    trials, draws, nu, hits = 1500, 600, FEWEST, 0
    covariance = [[1.0, rho], [rho, 1.0]]
    for trial in range(trials):
        e, f = rng.multivariate_normal([0, 0], covariance, nu).T
        r = float(e @ f / np.sqrt((e @ e) * (f @ f)))
        spread = fs.UnitSpread(
            noise=fs.standard(float(np.sqrt(e @ e / nu)), dof=nu),
            airflow=fs.standard(f"{float(np.sqrt(f @ f / nu))} %", dof=nu),
            correlation=r,
            correlation_dof=nu,
        )
        noise, airflow = drawn(spread, root=trial, size=draws)
        own = rng.multivariate_normal([0, 0], covariance)
        low, high = np.quantile(noise - 100 * airflow, [0.025, 0.975])
        hits += low <= own[0] - own[1] <= high
    interval = stats.binomtest(hits, trials).proportion_ci(0.998)
    # Cautious where they go together (98 in 100), never short of what is stated.
    assert interval.high > 0.945
    assert interval.low < 0.99
