"""To and from the `uncertainties` package: correlations kept, impossible ones refused."""

from __future__ import annotations

import copy
import math
import pickle

import numpy as np
import pytest
import xarray as xr
from uncertainties import correlation_matrix, covariance_matrix, ufloat

import fanstats as fs
from fanstats.propagation.correlation import correlation_factor
from fanstats.propagation.effect_tables import covariance
from fanstats.propagation.first_order import first_order
from fanstats.propagation.interop import from_covariance, from_uncertainties, to_uncertainties
from fanstats.propagation.linear_draws import as_draws
from fanstats.sources import Source
from tests.tables import power_law_rows, readings

TABLE = readings(power_law_rows("A"), power_law_rows("B", level_at_900=34.0))
BENCH = fs.Bench(
    noise=fs.Instrument(reading=fs.standard(0.15)),
    speed=fs.Instrument(reading=fs.standard(4.0)),
    airflow=fs.Instrument(shared=fs.half_width("3 %"), reading=fs.standard(3.0, dof=8)),
    spread=fs.UnitSpread(noise=fs.standard(0.8, dof=4), airflow=fs.standard("2 %")),
)
FOUND = first_order(TABLE, 36, bench=BENCH)
PLACE = {"obstruction": "none", "scope": "tested unit"}


def levels():
    """Two levels that share 0.5 dB of a meter."""
    meter = ufloat(0, 0.5)
    return {"A": ufloat(31, 0.2) + meter, "B": ufloat(33, 0.3) + meter}


def test_numbers_have_the_covariance_of_the_result():
    """Nominal values and covariances of all models, through the errors that they share."""
    numbers = to_uncertainties(FOUND, "airflow", **PLACE)
    values = FOUND.airflow_value.sel(**PLACE)

    assert [number.n for number in numbers.values()] == values.values.tolist()
    np.testing.assert_allclose(
        covariance_matrix(list(numbers.values())),
        covariance(FOUND, "airflow", **PLACE).values,
        rtol=1e-12,
    )
    assert correlation_matrix(list(numbers.values()))[0, 1] > 0.1


@pytest.mark.parametrize("held", [{"drive": 7}, {"speed": 850}])
def test_results_at_equal_drive_and_speed_become_numbers_and_draws(held):
    """Numbers have their covariances; draws say what was held and can be compared."""
    bench = fs.Bench(noise=BENCH.noise, airflow=BENCH.airflow,
                     spread=fs.UnitSpread(noise=fs.standard(0.8), airflow=0, speed=0))  # fmt: skip
    found = first_order(TABLE, **held, bench=bench)
    numbers = to_uncertainties(found, "airflow", obstruction="none")

    np.testing.assert_allclose(
        covariance_matrix(list(numbers.values())),
        covariance(found, "airflow", obstruction="none").values,
        rtol=1e-12,
    )
    drawn = as_draws(found, draws=200, rng=1)
    assert drawn.attrs["kind"] == f"equal {next(iter(held))}"
    assert fs.compare(drawn, "A", "B", quantity="noise").where.startswith(drawn.attrs["kind"], 3)


def test_ratios_of_numbers_lose_the_shared_scale():
    """The vane cancels from a ratio, to what the package itself works out."""
    numbers = to_uncertainties(FOUND, "airflow", **PLACE)
    ratio = numbers["A"] / numbers["B"]
    vane = next(v for v in ratio.derivatives if v.tag == '["", "airflow", "shared", "1"]')

    assert abs(ratio.derivatives[vane]) < 1e-9
    assert abs(numbers["A"].derivatives[vane]) > 5


def test_there_and_back_again():
    """From a result to numbers and back: values, labels and covariances stay."""
    numbers = to_uncertainties(FOUND, "airflow", **PLACE)

    again = from_uncertainties(numbers, quantity="airflow", units="fpm")

    np.testing.assert_allclose(
        covariance(again, "airflow", scope="as given").values,
        covariance(FOUND, "airflow", **PLACE).values,
        rtol=1e-12,
    )
    assert set(again.label.values) <= set(FOUND.label.values)
    assert again.airflow_value.attrs["units"] == "fpm"


def test_calls_share_errors_only_through_the_same_variables():
    """Two calls are independent; with one dict of variables what is shared stays shared."""
    first = to_uncertainties(FOUND, "airflow", **PLACE)
    other = to_uncertainties(FOUND, "airflow", **PLACE)
    assert (first["A"] - other["A"]).s > 0

    held: dict = {}
    one = to_uncertainties(FOUND, "airflow", **PLACE, variables=held)
    two = to_uncertainties(FOUND, "airflow", **PLACE, variables=held)
    mesh = to_uncertainties(FOUND, "airflow", obstruction="wire mesh", scope="tested unit",
                            variables=held)  # fmt: skip
    assert (one["A"] - two["A"]).s == 0
    assert (one["A"] - mesh["A"]).s < math.hypot(one["A"].s, mesh["A"].s)


def test_copies_of_what_the_library_made_come_back_as_one():
    """Copied numbers count as new errors in that package; their labels bring them together."""
    numbers = to_uncertainties(FOUND, "airflow", **PLACE)
    parts = {"A": pickle.loads(pickle.dumps(numbers["A"])), "B": copy.deepcopy(numbers["B"])}
    assert correlation_matrix(list(parts.values()))[0, 1] == 0

    again = from_uncertainties(parts, quantity="airflow", units="fpm")

    np.testing.assert_allclose(
        covariance(again, "airflow", scope="as given").values,
        covariance(FOUND, "airflow", **PLACE).values,
        rtol=1e-12,
    )


@pytest.mark.parametrize("treated", ["as it is", "pickled", "copied"])
def test_results_keep_their_correlation_when_copied(treated):
    """A difference has 0.360555 dB, ignoring the shared meter 0.793725."""
    found = from_uncertainties(levels(), quantity="noise", units="dBA")
    if treated == "pickled":
        found = pickle.loads(pickle.dumps(found))
    elif treated == "copied":
        found = copy.deepcopy(found)

    matrix = covariance(found, "noise", scope="as given").values

    np.testing.assert_allclose(matrix, [[0.29, 0.25], [0.25, 0.34]], rtol=1e-12)
    gap = math.sqrt(matrix[0, 0] + matrix[1, 1] - 2 * matrix[0, 1])
    assert gap == pytest.approx(0.360555, abs=5e-7)


def test_results_keep_their_correlation_when_saved(tmp_path):
    """Saved, opened and turned into numbers: the difference is -2.0 with 0.360555."""
    found = from_covariance({"A": 31.0, "B": 33.0}, covariance=[[0.29, 0.25], [0.25, 0.34]],
                            quantity="noise", units="dBA")  # fmt: skip
    found.to_netcdf(tmp_path / "levels.nc")

    with xr.open_dataset(tmp_path / "levels.nc") as again:
        numbers = to_uncertainties(again, "noise", scope="as given")
    gap = numbers["A"] - numbers["B"]

    assert gap.n == -2.0
    assert gap.s == pytest.approx(0.360555, abs=5e-7)


def test_variables_of_one_tag_stay_apart():
    """Two variables that a user gave one tag are two errors."""
    numbers = {"A": ufloat(31, 0.2, "meter"), "B": ufloat(33, 0.3, "meter")}

    matrix = covariance(
        from_uncertainties(numbers, quantity="noise", units="dBA"), "noise", scope="as given"
    ).values

    np.testing.assert_allclose(matrix, np.diag([0.04, 0.09]), rtol=1e-12)


def test_degrees_of_freedom_of_variables_are_kept():
    """One limited variable of two: Welch and Satterthwaite; plain numbers have no uncertainty."""
    known, few = ufloat(0, 0.5), ufloat(0, 0.2)
    numbers = {"A": 31 + known + few, "B": 33.0}

    found = from_uncertainties(numbers, quantity="noise", units="dBA", dof={few: 2})

    assert found.noise_dof.sel(scope="as given", model="A") == pytest.approx(105.125, rel=5e-5)
    assert found.noise_standard_uncertainty.sel(scope="as given", model="B") == 0.0


@pytest.mark.parametrize(
    ("correlation", "message"),
    [
        ([[1, 0.9, 0.9], [0.9, 1, -0.9], [0.9, -0.9, 1]], r"smallest eigenvalue is -0\.8"),
        ([[1, 0.9, 0], [0.8, 1, 0], [0, 0, 1]], r"must be symmetric; got 0\.9 at row 0, column 1"),
        ([[1, 1.2, 0], [1.2, 1, 0], [0, 0, 1]], r"lies within -1 and 1; got 1\.2"),
        ([[1, 0, 0], [0, 0.5, 0], [0, 0, 1]], r"correlates with itself by 1"),
        ([[1, 0], [0, 1]], r"`correlation` must be 3 by 3 finite numbers"),
    ],
)
def test_impossible_correlations_are_refused(correlation, message):
    """Three meter terms cannot correlate by 0.9, 0.9 and -0.9; each fault is named."""
    values = {"A": 31.0, "B": 33.0, "C": 34.0}

    with pytest.raises(fs.FanstatsError, match=message):
        from_covariance(values, [0.5] * 3, correlation, quantity="noise", units="dBA")


def test_correlations_at_their_limit_are_taken():
    """Fully correlated quantities have a singular matrix, and a difference without uncertainty."""
    ones = np.ones((3, 3))
    factor = correlation_factor(ones)
    np.testing.assert_allclose(factor @ factor.T, ones, atol=1e-12)

    found = from_covariance({"A": 1.0, "B": 2.0}, [0.5, 0.5], [[1, 1], [1, 1]],
                            quantity="noise", units="dBA")  # fmt: skip
    numbers = to_uncertainties(found, "noise", scope="as given")
    assert (numbers["A"] - numbers["B"]).s == pytest.approx(0.0, abs=1e-7)


def test_arguments_of_a_covariance_are_checked():
    """Both or neither, negative variances, negative uncertainties."""
    values = {"A": 1.0, "B": 2.0}

    with pytest.raises(fs.FanstatsError, match="give either"):
        from_covariance(values, quantity="noise", units="dBA")
    with pytest.raises(fs.FanstatsError, match="variances of at least 0; got -1"):
        from_covariance(values, covariance=[[-1, 0], [0, 1]], quantity="noise", units="dBA")
    with pytest.raises(fs.FanstatsError, match="must be 2 finite numbers of at least 0"):
        from_covariance(values, [-1, 1], quantity="noise", units="dBA")
    with pytest.raises(fs.FanstatsError, match="`quantity` must be one of"):
        from_covariance(values, [1, 1], quantity="colour", units="dBA")
    with pytest.raises(fs.FanstatsError, match="must be finite"):
        from_covariance({"A": math.nan}, [1], quantity="noise", units="dBA")


@pytest.mark.parametrize("kind", [int, float, np.int64])
def test_whole_numbers_count_like_others(kind):
    """1 and 2 combine to 2.236068 whatever their type."""
    found = from_uncertainties(
        {"A": ufloat(0, kind(1)) + ufloat(0, kind(2))}, quantity="noise", units="dBA"
    )

    assert float(found.noise_standard_uncertainty[0, 0]) == pytest.approx(2.236068, abs=5e-7)


def test_draws_take_measurement_out_of_an_estimated_spread_after_drawing():
    """The luck of a mean square is drawn as the other road draws it, draw by draw."""
    spread = Source(relative=0.02, dof=6, kind="mean square", removed_variance=0.0003)
    nothing = fs.Instrument(reading=[])
    bench = fs.Bench(noise=nothing, speed=nothing, airflow=nothing,
                     spread=fs.UnitSpread(noise=0, airflow=spread))  # fmt: skip
    pooled = {"curve": 0.0}
    estimates = fs.equal_noise(TABLE, 36, bench=bench, draws=2000, rng=4, pooled=pooled)
    drawn = as_draws(first_order(TABLE, 36, bench=bench, pooled=pooled), draws=2000, rng=4)

    here = {"scope": "model", "obstruction": "none"}
    value = estimates.airflow_value.sel(here)
    exact = estimates.airflow.sel(here) / value - 1  # 1 / (1 + f) - 1
    straight = drawn.airflow.sel(here) / value - 1  # -f
    np.testing.assert_allclose(exact, 1 / (1 - straight) - 1, atol=1e-9)
    assert float((straight == 0).mean()) > 0.01  # where less is left than nothing


def test_draws_are_refused_of_anything_else():
    """Estimates are no first-order result."""
    with pytest.raises(fs.FanstatsError, match="must come from first_order; got None"):
        as_draws(xr.Dataset())
