"""Monte Carlo helpers: against JCGM 101 clause 9, closed forms, and repeated simulation."""

from __future__ import annotations

import functools
import math
import re
import tomllib
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from scipy import stats

import fanstats as fs
from fanstats.decisions.order import has_heavy_tails, standard_uncertainty
from fanstats.engine.draws import LabelledDraws
from fanstats.engine.first_order import coverage_factor
from fanstats.propagation.first_order import first_order
from fanstats.propagation.interop import from_covariance
from fanstats.propagation.linear_draws import as_draws
from fanstats.propagation.monte_carlo import (
    coverage_interval,
    draws_for,
    mean_error,
    monte_carlo_errors,
    quantile_error,
    sd_error,
    uncertainty_error,
)
from fanstats.propagation.roads import compare_ends, compare_roads
from fanstats.propagation.stability import numerical_tolerance, until_stable
from tests.linear import linearise
from tests.tables import power_law_rows, readings

REFERENCE = tomllib.loads((Path(__file__).parent / "reference" / "gum_s1.toml").read_text())
DRAWS = LabelledDraws(root=101, size=400_000)


def within(found, exact, error, times=4.5):
    """Whether a simulated figure is as far off as its own standard error allows."""
    return abs(found - exact) < times * error


def ends_and_errors(values, kind="symmetric"):
    """Interval, and standard errors of both ends."""
    return coverage_interval(values, 0.95, kind=kind), quantile_error(values, [0.025, 0.975])


# JCGM 101 clause 9: the same function on both roads --------------------------------------------


def additive(shape, sizes):
    """Sum of four independent inputs."""

    def total(draws):
        return sum(size * draws.standard((f"x{k}",), shape) for k, size in enumerate(sizes))

    return total


def mass(draws):
    """Calibration of a weight in air, mg, as deviation from 100 g."""

    def rectangular(name, low, high):
        z = draws.standard((name,), "rectangular")
        return (low + high) / 2 + (high - low) / 2 * z / math.sqrt(3)

    weight = 100_000.0 + 0.050 * draws.standard(("m_R",), "normal")
    added = 1.234 + 0.020 * draws.standard(("dm_R",), "normal")
    air = rectangular("rho_a", 1.10, 1.30)
    bending = 1 / rectangular("rho_W", 7000, 9000) - 1 / rectangular("rho_R", 7950, 8050)
    return (weight - 100_000.0) + added + (weight + added) * (air - 1.2) * bending


def loss(x1, r):
    """Comparison loss of two reflection components, in millionths."""

    def power(draws):
        a, b = draws.standard(("X1",), "normal"), draws.standard(("X2",), "normal")
        b = r * a + math.sqrt(1 - r**2) * b
        return 1e6 * ((x1 + 0.005 * a) ** 2 + (0.005 * b) ** 2)

    return power


def both(function):
    """First order, its interval, and draws."""
    found = linearise(function)
    u = float(found.standard_uncertainty)
    reach = float(coverage_factor(found.dof)) * u if u > 0 else 0.0
    value = float(found.value)
    return value, u, (value - reach, value + reach), np.asarray(function(DRAWS))


@pytest.mark.parametrize(
    ("name", "shape", "sizes", "verdict"),
    [
        ("additive_normal", "normal", [1, 1, 1, 1], "agree"),
        ("additive_rectangular", "rectangular", [1, 1, 1, 1], "agree"),
        ("additive_one_dominant", "rectangular", [1, 1, 1, 10], "disagree"),
    ],
)
def test_additive_models_of_jcgm_101_92(name, shape, sizes, verdict):
    """Exact ends within their Monte Carlo error; one dominant rectangle parts the roads."""
    exact = REFERENCE[name]
    value, u, interval, draws = both(additive(shape, sizes))
    found, errors = ends_and_errors(draws)

    assert (value, u) == pytest.approx((0.0, exact["exact"]["u"]), rel=1e-9)
    guf = exact.get("exact_guf", {}).get("interval") or REFERENCE["additive_normal"]["exact"][
        "interval"]  # fmt: skip
    assert interval == pytest.approx(tuple(guf), rel=1e-7)
    for end, other, error in zip(found, exact["exact"]["interval"], errors, strict=True):
        assert within(end, other, error)
    printed = exact["published_guf"]
    step = 0.1 if name == "additive_one_dominant" else 0.01
    assert u == pytest.approx(printed["u"], abs=step / 2)
    assert interval == pytest.approx(tuple(printed["interval"]), abs=step / 2)
    # Printed ends are themselves of a simulation: a unit of their last digit besides our error.
    mcm = exact.get("published_mcm_1e6", exact.get("published_mcm"))["interval"]
    for end, other, error in zip(found, mcm, errors, strict=True):
        assert abs(end - other) < step + 4.5 * error
    roads = compare_ends(
        draws, interval, standard_uncertainty=u, linear=draws, linear_known=draws, known=interval,
        digits=2 if verdict == "disagree" else 1,
    )  # fmt: skip
    assert roads.verdict == verdict
    assert roads.because == ("shape" if verdict == "disagree" else "")


def test_mass_calibration_of_jcgm_101_93():
    """First order misses the product of air density and densities; Monte Carlo has it."""
    exact = REFERENCE["mass_calibration"]
    value, u, interval, draws = both(mass)

    guf = exact["exact_guf_first_order"]
    assert (value, u) == pytest.approx((guf["y"], guf["u"]), rel=1e-6)
    assert interval == pytest.approx(tuple(guf["interval"]), rel=1e-6)
    printed = exact["published_guf_first_order"]
    assert (value, u) == pytest.approx((printed["y"], printed["u"]), abs=5e-5)
    assert interval == pytest.approx(tuple(printed["interval"]), abs=5e-5)
    true = exact["exact_distribution"]
    assert within(draws.mean(), true["y"], mean_error(draws))
    assert within(draws.std(ddof=1), true["u"], sd_error(draws))
    found, errors = ends_and_errors(draws)
    for end, other, error in zip(found, true["symmetric"], errors, strict=True):
        assert within(end, other, error)
    short = coverage_interval(draws, kind="shortest")
    assert short.high - short.low == pytest.approx(exact["interval_width_exact"], rel=0.005)
    assert short.high - short.low == pytest.approx(exact["interval_width_published_mcm"], rel=0.005)
    assert list(short) == pytest.approx(exact["published_mcm"]["interval"], abs=0.01)
    # JCGM 101 9.3.2.6: with one digit the two do not agree either.
    plain = as_if_linear(mass)
    roads = compare_ends(draws, interval, standard_uncertainty=u, linear=plain)
    assert (roads.verdict, roads.because, roads.trusted) == ("disagree", "curvature", False)


def as_if_linear(function):
    """Draws of the first-order form of a function, with the same errors."""
    found = linearise(function)
    errors = [DRAWS.standard(label, shape) for label, shape in
              zip(found.labels, found.shapes, strict=True)]  # fmt: skip
    return found.value + found.effects @ np.array(errors)


@pytest.mark.parametrize("case", REFERENCE["comparison_loss"], ids=lambda c: f"{c['x1']}-{c['r']}")
def test_comparison_loss_of_jcgm_101_94(case):
    """Six mismatches: exact moments and intervals; near zero first order gives nothing at all."""
    value, u, interval, draws = both(loss(case["x1"], case["r"]))
    exact = case["exact"]

    assert value == pytest.approx(case["published_guf"]["y"], abs=0.5)
    assert u == pytest.approx(case["published_guf"]["u"], abs=0.5)
    assert within(draws.mean(), exact["y"], mean_error(draws))
    assert within(draws.std(ddof=1), exact["u"], sd_error(draws))
    assert abs(draws.std(ddof=1) - case["published_mcm"]["u"]) < 0.5 + 4.5 * sd_error(draws)
    assert interval == pytest.approx(tuple(case["published_guf"]["interval"]), abs=0.5)
    found, errors = ends_and_errors(draws)
    for end, other, error in zip(found, exact["symmetric"], errors, strict=True):
        assert within(end, other, error)
    short = coverage_interval(draws, kind="shortest")
    width = exact["shortest"][1] - exact["shortest"][0]
    assert abs(short.high - short.low - width) < 4.5 * max(errors)
    # The flat optimum lets both ends wander together: a tenth of u.
    assert list(short) == pytest.approx(exact["shortest"], abs=0.1 * exact["u"])
    roads = compare_ends(
        draws, interval, standard_uncertainty=u, linear=as_if_linear(loss(case["x1"], case["r"]))
    )
    assert (roads.verdict, roads.because) == ("disagree", "curvature")


# Intervals and their errors ----------------------------------------------------------------------


def test_the_symmetric_interval_takes_the_order_statistics_of_the_rule():
    """JCGM 101 7.7.2 with M = 1000: q = 950, r = 25, so the 25th and the 975th draw."""
    draws = np.random.default_rng(1).permutation(np.arange(1.0, 1001.0))

    assert coverage_interval(draws, 0.95) == (25.0, 975.0)


def test_the_shortest_interval_is_never_longer():
    """On a lopsided sample it is shorter, and it is found along every row."""
    draws = np.random.default_rng(2).exponential(size=(3, 20_000)) * [[1.0], [2.0], [5.0]]
    short, symmetric = coverage_interval(draws, kind="shortest"), coverage_interval(draws)

    assert (short.high - short.low < symmetric.high - symmetric.low).all()
    exact = -np.log(0.05) * np.array([1, 2, 5])
    np.testing.assert_allclose(short.high, exact, rtol=0.05)
    np.testing.assert_allclose(short.low, 0.0, atol=0.01)


def test_missing_draws_give_no_interval():
    """A row with a missing draw is NaN, others are not touched."""
    draws = np.random.default_rng(3).normal(size=(2, 1000))
    draws[1, 5] = np.nan

    for kind in ("symmetric", "shortest"):
        low, high = coverage_interval(draws, kind=kind)
        assert np.isnan([low[1], high[1]]).all()
        assert np.isfinite([low[0], high[0]]).all()


def test_too_few_draws_are_refused():
    """Ten draws have no 99 % interval."""
    with pytest.raises(fs.FanstatsError, match="10 draws are too few"):
        coverage_interval(np.arange(10.0), 0.99)
    with pytest.raises(fs.FanstatsError, match="`kind` must be one of 'symmetric', 'shortest'"):
        coverage_interval(np.arange(10.0), 0.5, kind="middle")


@pytest.mark.parametrize("shape", ["normal", "exponential", "uniform"])
def test_monte_carlo_errors_are_how_much_figures_scatter_between_runs(shape):
    """2,000 runs of 1,000 draws: the mean stated error is the scatter that is seen."""
    rng = np.random.default_rng(4)
    runs = {"normal": rng.normal, "exponential": rng.exponential, "uniform": rng.uniform}[shape](
        size=(2000, 1000)
    )
    seen_error = 4 / math.sqrt(2 * 2000)
    figures = {
        "mean": (runs.mean(axis=1), mean_error(runs)),
        "sd": (runs.std(axis=1, ddof=1), sd_error(runs)),
        "low": (np.quantile(runs, 0.025, axis=1), quantile_error(runs, 0.025)),
        "high": (np.quantile(runs, 0.975, axis=1), quantile_error(runs, 0.975)),
    }
    for name, (figure, stated) in figures.items():
        ratio = np.sqrt(np.mean(stated**2)) / figure.std(ddof=1)
        # Rough for quantiles: half a distance of two order statistics is itself a random number.
        assert abs(ratio - 1) < seen_error + (0.05 if name in ("low", "high") else 0.0), name


def test_an_end_without_draws_beyond_it_has_no_error():
    """Far in the tails the error is missing instead of zero."""
    draws = np.random.default_rng(5).normal(size=100)

    assert np.isnan(quantile_error(draws, 0.999))
    assert quantile_error(draws, [0.5]) > 0


def test_draws_that_do_not_vary_have_no_error():
    """A constant is exact."""
    draws = np.full((2, 1000), 3.0)

    assert sd_error(draws).tolist() == [0.0, 0.0]
    assert mean_error(draws).tolist() == [0.0, 0.0]


def test_draws_needed_for_an_end():
    """As many draws as the asymptotic error of a normal quantile asks for, and no fewer."""
    number = draws_for(0.95, 0.02)
    tail = 0.975
    error = math.sqrt(tail * (1 - tail) / number) / stats.norm.pdf(stats.norm.ppf(tail))

    assert error == pytest.approx(0.02, rel=1e-3)
    assert error <= 0.02


def test_errors_of_every_figure_of_estimates():
    """One error a figure, quantity, scope and model, missing where there is no estimate."""
    estimates = fs.equal_noise(
        readings(power_law_rows("A"), power_law_rows("quiet", level_at_900=15.0)),
        33, bench=fs.Bench(spread=fs.UnitSpread(noise=fs.standard(0.8))), draws=2000, rng=1,
    )  # fmt: skip
    errors = monte_carlo_errors(estimates)
    here = {"scope": "next unit", "model": "A"}
    draws = estimates.speed.sel(here).values

    assert errors.speed.dims == ("scope", "model", "figure")
    assert errors.speed.sel({**here, "figure": "mean"}) == pytest.approx(
        draws.std(ddof=1) / math.sqrt(2000)
    )
    assert errors.speed.sel({**here, "figure": "low"}) == pytest.approx(
        quantile_error(draws, 0.025)
    )
    assert bool(errors.speed.sel(model="quiet").isnull().all())
    assert errors.speed.attrs["units"] == "rpm"
    one = monte_carlo_errors(estimates.speed)
    xr.testing.assert_allclose(one.speed, errors.speed)
    with pytest.raises(fs.FanstatsError, match="must hold draws"):
        monte_carlo_errors(estimates.speed_value)


def test_the_error_of_a_reported_uncertainty_under_heavy_tails():
    """Half the central interval of Student's t: its stated error is the scatter of 800 runs."""
    draws = np.random.default_rng(3).standard_t(2.5, size=(800, 2000))
    u = np.array([standard_uncertainty(run) for run in draws])
    stated = uncertainty_error(draws)

    assert has_heavy_tails(draws).mean() > 0.95
    scatter = u.std(ddof=1)
    assert np.sqrt(np.mean(stated**2)) == pytest.approx(scatter, rel=4 / math.sqrt(2 * 800))
    normal = np.random.default_rng(4).standard_normal((3, 500))
    assert uncertainty_error(normal) == pytest.approx(sd_error(normal))


@pytest.mark.parametrize("draws", [400, 10_000, 100_000])
def test_no_printed_end_of_a_range_has_a_digit_beyond_its_monte_carlo_error(draws):
    """Both ends lie on steps of 1, 2 or 5 units, half of which is no smaller than the error."""
    bench = fs.Bench(spread=fs.UnitSpread(noise=fs.standard(0.75), airflow=fs.standard("2.1 %")))
    pair = fs.compare(
        fs.from_chart({"A": 412, "B": 398}, quantity="airflow", units="fpm", level=36,
                      bench=bench, draws=draws, rng=2),
        "A", "B", quantity="airflow",
    )  # fmt: skip
    gap = pair.difference
    said = re.search(r"coverage interval\): (-?[\d.]+) to (-?[\d.]+) fpm", pair.sentence())

    error = max(gap.low_error, gap.high_error)
    steps = [units * 10.0**place for place in range(-6, 4) for units in (1, 2, 5)]
    step = min(size for size in steps if 0.5 * size >= 0.999 * error)
    for text, end in zip(said.groups(), (gap.low, gap.high), strict=True):
        assert float(text) / step == pytest.approx(round(float(text) / step), abs=1e-6)
        unit = 10.0 ** -len(text.partition(".")[2])
        assert float(text) == pytest.approx(end, abs=0.5 * max(step, unit))
    assert f"{said[1]} to {said[2]} fpm" in repr(pair)


# As many draws as digits take --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("u", "digits", "tolerance"),
    [(0.00035, 2, 0.000005), (0.00035, 1, 0.00005), (2.0, 1, 0.5), (0.0996, 2, 0.005),
     (0.0, 2, 0.0), (0.1, 1, 0.05), (0.96, 1, 0.5)],
)  # fmt: skip
def test_numerical_tolerance_of_jcgm_101_79(u, digits, tolerance):
    """Half a unit of the last digit that counts, after rounding (7.9.2 examples 1 and 2)."""
    assert numerical_tolerance(u, digits) == pytest.approx(tolerance)


def chart(noise=0.8):
    """Estimates off a chart, quick to make."""
    bench = fs.Bench(spread=fs.UnitSpread(noise=fs.standard(noise), airflow=fs.standard("2 %")))
    return functools.partial(
        fs.from_chart, {"A": 412, "B": 398}, quantity="airflow", units="fpm", level=36, bench=bench
    )


def test_draws_are_doubled_until_digits_stand_still():
    """The figures reported then agree with those of another root to the digits asked for."""
    found = until_stable(chart(), rng=1)
    other = chart()(draws=found.draws, rng=2)

    assert found.stable
    assert found.ratio <= 1
    u = float(found.estimates.airflow.sel(scope="model", model="A").std())
    tolerance = float(numerical_tolerance(u, 1))
    for array in (found.estimates, other):
        assert array.sizes["draw"] == found.draws
    low = [float(coverage_interval(array.airflow.sel(scope="model", model="A").values).low)
           for array in (found.estimates, other)]  # fmt: skip
    assert abs(low[0] - low[1]) < 2 * tolerance
    again = chart()(draws=found.draws, rng=int(found.estimates.root))
    xr.testing.assert_identical(again.airflow, found.estimates.airflow)


def test_two_digits_take_more_draws_than_one():
    """Draws are doubled as long as a figure moves, and no longer."""
    few = until_stable(chart(), rng=1, digits=2, most=40_000)
    found = until_stable(chart(), rng=1, digits=2)

    assert few.ratio > 1
    assert found.stable
    assert found.draws in (80_000, 160_000, 320_000)
    assert found.draws == found.estimates.sizes["draw"]


def test_digits_that_still_move_are_reported():
    """Two digits take more draws than allowed here: said so, with the figure that moves most."""
    found = until_stable(chart(), rng=1, digits=2, most=40_000)

    assert not found.stable
    assert found.ratio > 1
    assert "of airflow (" in found.slowest


def test_nothing_to_make_stable_is_refused():
    """No estimate, no digits; and arguments have their ranges."""
    with pytest.raises(fs.FanstatsError, match="`digits` must be 1 or 2"):
        until_stable(chart(), digits=3)
    with pytest.raises(fs.FanstatsError, match="`most` must be a whole number of at least 40000"):
        until_stable(chart(), most=1000)

    def nothing(*, draws, rng):
        made = chart()(draws=draws, rng=rng)
        return made.assign(airflow=made.airflow * np.nan)

    with pytest.raises(fs.FanstatsError, match="no estimate at all"):
        until_stable(nothing, rng=1)


# Both roads --------------------------------------------------------------------------------------


@pytest.mark.parametrize("dof", [2, 4])
def test_few_degrees_of_freedom_are_no_fault_of_first_order(dof):
    """A known and a poorly known part: the formula is rough, the linear model is not blamed."""

    def total(draws, known=False):
        scale = 1.0 if known else draws.scale(("s",), dof)
        return 0.5 * draws.standard(("b",), "normal") + 0.5 * scale * draws.standard(
            ("s", "1"), "normal"
        )

    value, u, interval, draws = both(total)
    plain = total(DRAWS, known=True)
    reach = 1.959964 * u
    roads = compare_ends(
        draws, interval, standard_uncertainty=u, linear=draws, linear_known=plain,
        known=(value - reach, value + reach), digits=2,
    )  # fmt: skip

    assert roads.verdict == "few degrees of freedom"
    assert roads.trusted
    alone = both(lambda d: 0.5 * d.scale(("s",), dof) * d.standard(("s", "1"), "normal"))
    single = compare_ends(alone[3], alone[2], standard_uncertainty=alone[1])
    assert single.verdict in ("agree", "more draws needed")


def test_too_few_draws_decide_nothing():
    """With 1,000 draws ends are known to 0.08 u, and two digits ask for less."""
    draws = 1.3 * np.random.default_rng(6).normal(size=1000)

    roads = compare_ends(draws, (-2.548, 2.548), standard_uncertainty=1.3, digits=2)

    assert roads.verdict == "more draws needed"
    assert not roads.trusted


def quiet_bench(noise):
    """Nothing but luck: in noise, which bends, and none in airflow."""
    nothing = fs.Instrument(reading=[])
    return fs.Bench(noise=nothing, speed=nothing, airflow=nothing,
                    spread=fs.UnitSpread(noise=fs.standard(noise), airflow=0))  # fmt: skip


def test_roads_of_the_engine_part_where_luck_is_large():
    """0.05 dB of luck agrees with first order, 2 dB bends by more than a digit."""
    table = readings(power_law_rows("A"), power_law_rows("B", level_at_900=34.0))

    def roads(noise):
        bench = quiet_bench(noise)
        return compare_roads(
            first_order(table, 36, bench=bench),
            fs.equal_noise(table, 36, bench=bench, draws=20_000, rng=1),
        )

    small, large = roads(0.05), roads(2.0)
    assert set(small[small.scope == "model"].verdict) <= {"agree", "more draws needed"}
    assert (small[small.scope == "tested unit"].verdict == "agree").all()
    wide = large[(large.scope == "next unit") & (large.quantity == "airflow")]
    assert (wide.verdict == "disagree").all()
    assert set(wide.because) == {"curvature"}


def test_roads_that_answer_different_questions_are_refused():
    """Another level or other models: no comparison."""
    table = readings(power_law_rows("A"), power_law_rows("B", level_at_900=34.0))
    bench = quiet_bench(0.5)
    found = first_order(table, 36, bench=bench)

    with pytest.raises(fs.FanstatsError, match=r"one question: `found` has level 36\.0"):
        compare_roads(found, fs.equal_noise(table, 35, bench=bench, draws=100, rng=1))
    estimates = fs.equal_noise(table, 36, bench=bench, draws=100, rng=1)
    with pytest.raises(fs.FanstatsError, match="hold other models"):
        compare_roads(found, estimates.isel(model=[1, 0]))


def test_roads_at_equal_drive_and_speed_are_compared_too():
    """The same question is compared result by result, another one refused."""
    table = readings(power_law_rows("A"), power_law_rows("B", level_at_900=34.0))
    luck = fs.UnitSpread(noise=fs.standard(0.5), airflow=0, speed=fs.standard("1 %"))
    bench = fs.Bench(noise=fs.Instrument(reading=fs.standard(0.1)), spread=luck)
    at_drive = fs.equal_drive(table, 7, bench=bench, draws=4000, rng=1)
    at_speed = fs.equal_speed(table, 850, bench=bench, draws=4000, rng=1)

    for found, made in (({"drive": 7}, at_drive), ({"speed": 850}, at_speed)):
        roads = compare_roads(first_order(table, **found, bench=bench), made)
        assert {"noise", "airflow"} <= set(roads.quantity)
        assert not (roads.verdict == "disagree").any()
    with pytest.raises(fs.FanstatsError, match="has drive 6"):
        compare_roads(first_order(table, drive=6, bench=bench), at_drive)
    with pytest.raises(fs.FanstatsError, match="one question"):
        compare_roads(first_order(table, speed=850, bench=bench), at_drive)


def test_draws_of_first_order_are_the_very_errors_of_the_other_road():
    """Where everything is in proportion the two roads agree draw by draw."""
    bench = fs.Bench(
        airflow=fs.Instrument(shared=fs.half_width("3 %"), reading=fs.standard(0.1, dof=5)),
        spread=fs.UnitSpread(noise=0, airflow=0),
    )
    table = readings(power_law_rows("A"), power_law_rows("B", level_at_900=34.0))
    pooled = {"curve": 0.0}
    estimates = fs.equal_noise(table, 36, bench=bench, draws=500, rng=9, pooled=pooled)
    found = as_draws(first_order(table, 36, bench=bench, pooled=pooled), draws=500, rng=9)

    here = {"scope": "tested unit", "obstruction": "none"}
    # Cubics through three perturbed knots bend a little: 1e-3 of the scatter at most.
    scatter = float(estimates.airflow.sel(here).std())
    apart = abs(found.airflow.sel(here) - estimates.airflow.sel(here))
    assert float(apart.max()) < 0.01 * scatter


def test_draws_of_a_covariance_have_that_covariance():
    """Correlated values drawn, and handed to a comparison."""
    matrix = np.array([[0.29, 0.25], [0.25, 0.34]])
    found = from_covariance({"A": 31.0, "B": 33.0}, covariance=matrix, quantity="noise",
                            units="dBA")  # fmt: skip
    estimates = as_draws(found, draws=40_000, rng=1)

    seen = np.cov(estimates.noise.sel(scope="as given").values)
    assert np.abs(seen - matrix).max() < 5 * 0.34 * math.sqrt(2 / 40_000)
    verdict = fs.compare(estimates, "A", "B", quantity="noise", scope="as given").verdict
    assert verdict == "ahead"
