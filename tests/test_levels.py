"""Means, sums and scatter of levels, several fans, speed spread."""

from __future__ import annotations

import math
import tomllib
import warnings
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from uncertainties import correlated_values, covariance_matrix, ufloat, unumpy

from fanstats import levels as lv
from fanstats.errors import FanstatsError, FanstatsWarning
from fanstats.sources import expanded, half_width, standard

REFERENCE = tomllib.loads(
    (Path(__file__).parent / "reference" / "levels_published.toml").read_text()
)
LEVELS = st.floats(0.0, 120.0)
READINGS = st.lists(LEVELS, min_size=1, max_size=12)


def printed(text: str) -> Any:
    """Match a published figure within half a unit of its last printed digit."""
    half = 0.5 * 10.0 ** int(Decimal(text).as_tuple().exponent)
    return pytest.approx(float(text), abs=half * (1 + 1e-9), rel=0)


# Means and sums ----------------------------------------------------------------------------------


@pytest.mark.parametrize("case", REFERENCE["sum"], ids=lambda case: case["printed"])
def test_energy_sum_meets_printed_examples(case: dict[str, Any]) -> None:
    """Sums by energy meet examples printed in noise guides (read; see the file)."""
    assert lv.energy_sum(case["levels"]) == printed(case["printed"])


def test_energy_and_arithmetic_mean_are_two_numbers_and_say_which() -> None:
    """30, 30, 40 dB average to 36.02 by energy, 33.33 arithmetically (derived), each labelled."""
    readings = xr.DataArray([30.0, 30.0, 40.0], dims="repeat", name="noise", attrs={"units": "dBA"})
    energy, arithmetic = lv.energy_mean(readings), lv.arithmetic_mean(readings)

    assert float(energy) == printed("36.0206")
    assert float(arithmetic) == printed("33.3333")
    assert energy.attrs["mean"] == "energy mean"
    assert arithmetic.attrs["mean"] == "arithmetic mean"
    assert energy.attrs["long_name"] == "energy mean of noise"
    assert energy.attrs["units"] == "dBA"
    assert energy.attrs["over"] == "repeat"


@given(READINGS)
def test_energy_mean_lies_between_arithmetic_mean_and_maximum(readings: list[float]) -> None:
    """An energy mean is never below the arithmetic mean and never above the loudest reading."""
    mean = lv.energy_mean(readings)

    assert lv.arithmetic_mean(readings) - 1e-9 <= mean <= max(readings) + 1e-9


@given(READINGS, st.floats(-9000.0, 9000.0))
def test_a_shift_of_all_levels_shifts_mean_and_sum_by_as_much(
    readings: list[float], shift: float
) -> None:
    """Adding c dB to every reading adds c dB, at any height: no overflow, no underflow."""
    moved = [level + shift for level in readings]

    assert lv.energy_mean(moved) == pytest.approx(lv.energy_mean(readings) + shift, abs=1e-9)
    assert lv.energy_sum(moved) == pytest.approx(lv.energy_sum(readings) + shift, abs=1e-9)
    assert lv.arithmetic_mean(moved) == pytest.approx(
        lv.arithmetic_mean(readings) + shift, abs=1e-9
    )


@given(READINGS, st.randoms(use_true_random=False))
def test_order_of_readings_does_not_matter(readings: list[float], random: Any) -> None:
    """A permutation of the readings leaves mean and sum."""
    shuffled = random.sample(readings, len(readings))

    assert lv.energy_mean(shuffled) == pytest.approx(lv.energy_mean(readings), abs=1e-9)
    assert lv.energy_sum(shuffled) == pytest.approx(lv.energy_sum(readings), abs=1e-9)


@given(LEVELS, st.integers(1, 200))
def test_n_equal_sources_add_ten_lg_n(level: float, n: int) -> None:
    """The sum of n equal levels is `fans_together`, and their mean is one of them."""
    assert lv.energy_sum([level] * n) == pytest.approx(level + 10 * math.log10(n), abs=1e-9)
    assert lv.fans_together(level, n) == pytest.approx(lv.energy_sum([level] * n), abs=1e-9)
    assert lv.energy_mean([level] * n) == pytest.approx(level, abs=1e-9)


@given(st.lists(st.tuples(LEVELS, st.integers(1, 5)), min_size=1, max_size=6))
def test_weights_are_repetitions(pairs: list[tuple[float, int]]) -> None:
    """A whole-number weight counts a level that many times, in every mean and in the sum."""
    levels, weights = (list(column) for column in zip(*pairs, strict=True))
    repeated = np.repeat(levels, weights)

    for function in (lv.energy_mean, lv.energy_sum, lv.arithmetic_mean):
        assert function(levels, weights=weights) == pytest.approx(function(repeated), abs=1e-9)


def test_energy_mean_of_normal_scatter_lies_0_115_s_squared_above() -> None:
    """For normal scatter the two means differ by (ln 10 / 20) s^2 (ISO 1996-2:2017, Annex I)."""
    case = REFERENCE["scatter"]
    rng = np.random.default_rng(20240)
    draws = rng.standard_normal(400_000)
    draws = np.concatenate([draws, -draws])

    assert math.log(10) / 20 == printed(case["factor"])
    for s, above in zip(case["s"], case["above"], strict=True):
        assert math.log(10) / 20 * s**2 == printed(above)
        levels = 35 + s * draws
        difference = lv.energy_mean(levels) - lv.arithmetic_mean(levels)
        energies = 10 ** (levels / 10)
        pairs = (energies[: energies.size // 2] + energies[energies.size // 2 :]) / 2
        error = 10 / math.log(10) * pairs.std() / pairs.mean() / math.sqrt(pairs.size)
        assert difference == pytest.approx(math.log(10) / 20 * s**2, abs=4 * error)


def test_time_shares_weigh_energies() -> None:
    """40 dB for a tenth of the time over 30 dB gives 10 lg(0.9 * 1000 + 0.1 * 10000) dB."""
    expected = 10 * math.log10(0.9 * 10**3 + 0.1 * 10**4)

    assert lv.energy_mean([30, 40], weights=[0.9, 0.1]) == pytest.approx(expected, abs=1e-12)
    assert lv.energy_mean([30, 40], weights=[9, 1]) == pytest.approx(expected, abs=1e-12)


def test_weight_zero_takes_a_level_out_whatever_it_is() -> None:
    """A level of weight 0 plays no part, even one 5000 dB up or silent or unread."""
    for stray in (5000.0, -math.inf, math.inf, math.nan):
        assert lv.energy_mean([stray, 30.0], weights=[0, 2]) == 30.0
        assert lv.arithmetic_mean([stray, 30.0], weights=[0, 2]) == 30.0


def test_silence_is_no_energy() -> None:
    """A level of -inf adds nothing to a sum, halves a mean, and all silence is silence."""
    assert lv.energy_sum([-math.inf, 30.0]) == 30.0
    assert lv.energy_mean([-math.inf, 30.0]) == pytest.approx(30 - 10 * math.log10(2))
    assert lv.energy_sum([-math.inf, -math.inf]) == -math.inf


@pytest.mark.parametrize("kind", [float, np.float32, Decimal, int, np.int64])
def test_numbers_of_any_kind_give_a_float(kind: Any) -> None:
    """Integers, Decimals and numpy scalars are taken for the numbers they are."""
    result = lv.energy_mean([kind(30), kind(30), kind(40)])

    assert type(result) is float
    assert result == printed("36.0206")
    assert type(lv.energy_mean(kind(30))) is float


def test_axes_and_labels_agree() -> None:
    """Averaging along an axis, by name, or cell by cell is the same, with weights too."""
    values = np.random.default_rng(5).normal(35, 3, (3, 4, 5))
    labelled = xr.DataArray(values, dims=("model", "step", "repeat"))
    weights = [1.0, 2.0, 0.0, 3.0, 1.0]
    cells = [[lv.energy_mean(values[i, j], weights=weights) for j in range(4)] for i in range(3)]

    np.testing.assert_allclose(lv.energy_mean(values, axis=2, weights=weights), cells, atol=1e-12)
    np.testing.assert_allclose(lv.energy_mean(values, axis=-1, weights=weights), cells, atol=1e-12)
    by_name = lv.energy_mean(labelled.transpose("repeat", "model", "step"), dim="repeat",
                             weights=weights)  # fmt: skip
    np.testing.assert_allclose(by_name.transpose("model", "step"), cells, atol=1e-12)
    np.testing.assert_allclose(
        lv.energy_mean(labelled, dim=["step", "repeat"]),
        lv.energy_mean(values, axis=(1, 2)),
        atol=1e-12,
    )


def test_labelled_weights_are_matched_by_name() -> None:
    """Weights with labels may come in any order of dimensions, never with other labels."""
    levels = xr.DataArray(
        [[30.0, 40.0], [32.0, 38.0], [31.0, 31.0]],
        dims=("model", "position"),
        coords={"model": ["A", "B", "C"], "position": ["front", "side"]},
    )
    weights = xr.DataArray([3.0, 1.0], dims="position", coords={"position": ["front", "side"]})
    full = (weights * xr.ones_like(levels)).transpose("position", "model")

    result = lv.energy_mean(levels, dim="position", weights=weights)
    assert result.values.tolist() == [lv.energy_mean(row, weights=[3, 1]) for row in levels.values]
    xr.testing.assert_allclose(lv.energy_mean(levels, dim="position", weights=full), result)
    with pytest.raises(FanstatsError, match="must have the labels of `levels`"):
        lv.energy_mean(levels, weights=weights.assign_coords(position=["front", "back"]))


def test_draws_stay_draws() -> None:
    """By default a mean goes over everything but the draws, and refuses to go over them."""
    levels = xr.DataArray(np.full((2, 7), 30.0), dims=("repeat", "draw"), coords={"root": "12"})
    result = lv.energy_mean(levels)

    assert result.dims == ("draw",)
    assert str(result.root.item()) == "12"
    with pytest.raises(FanstatsError, match="draws are possible values of one level"):
        lv.energy_mean(levels, dim="draw")


def test_missing_readings_show_or_are_counted() -> None:
    """A NaN spoils its mean unless it is to be left out, and then the result says how many."""
    levels = xr.DataArray([[30.0, np.nan, 40.0], [np.nan] * 3], dims=("model", "repeat"))
    kept, left_out = (
        lv.energy_mean(levels, dim="repeat"),
        lv.energy_mean(levels, dim="repeat", skipna=True),
    )

    assert np.isnan(kept).all()
    assert float(left_out[0]) == pytest.approx(lv.energy_mean([30.0, 40.0]))
    assert np.isnan(left_out[1])
    assert left_out.attrs["left_out"] == 4
    assert lv.arithmetic_mean([30.0, np.nan, 40.0], skipna=True) == 35.0
    assert lv.energy_mean([30.0, np.nan, 40.0], weights=[9, 5, 1], skipna=True) == pytest.approx(
        lv.energy_mean([30.0, 40.0], weights=[9, 1])
    )
    masked = np.ma.masked_greater([30.0, 99.0], 90.0)
    assert lv.energy_mean(masked, skipna=True) == 30.0
    assert lv.arithmetic_mean([ufloat(30, 0.1), ufloat(np.nan, 0.1)], skipna=True).std_dev == 0.1
    assert lv.energy_mean([None, 30], skipna=True) == 30.0
    assert math.isnan(lv.energy_mean([None, 30]))


def test_uncertain_numbers_keep_value_share_and_correlation() -> None:
    """An energy mean of uncertain numbers weighs each by its share of the energy, correlated."""
    covariance = [[0.29, 0.25], [0.25, 0.34]]
    first, second = correlated_values([31.0, 33.0], covariance)
    mean = lv.energy_mean([first, second])
    shares = 10 ** np.array([3.1, 3.3]) / (10**3.1 + 10**3.3)

    assert mean.nominal_value == lv.energy_mean([31.0, 33.0])
    assert mean.std_dev == pytest.approx(math.sqrt(shares @ covariance @ shares), rel=1e-12)
    joint = np.asarray(covariance_matrix([mean, first]))
    assert joint[0, 1] == pytest.approx(shares @ np.array([0.29, 0.25]), rel=1e-12)
    assert (lv.energy_mean([first, first]) - first).std_dev == pytest.approx(0, abs=1e-12)


def test_uncertain_mean_agrees_with_the_package_s_own_sums() -> None:
    """First order equals plain arithmetic with uncertain numbers, along an axis and weighted."""
    levels = unumpy.uarray([[30.0, 34.0, 31.0], [40.0, 36.0, 20.0]], 0.3)
    weights = np.array([1.0, 2.0, 0.5])
    plainly = [
        10 * lv_log10(sum(w * 10 ** (x / 10) for w, x in zip(weights, row, strict=True)) / 3.5)
        for row in levels
    ]
    result = lv.energy_mean(levels, axis=1, weights=weights)

    np.testing.assert_allclose(unumpy.nominal_values(result), unumpy.nominal_values(plainly))
    np.testing.assert_allclose(unumpy.std_devs(result), unumpy.std_devs(plainly), rtol=1e-9)


def lv_log10(x: Any) -> Any:
    from uncertainties import umath

    return umath.log10(x)


def test_hundred_thousand_readings_in_one_cell() -> None:
    """100,000 readings alternating between 30 and 40 dB average to 37.403627 dB (derived)."""
    assert lv.energy_mean(np.tile([30.0, 40.0], 50_000)) == printed("37.403627")


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: lv.energy_mean([]), "at least one level; got none"),
        (lambda: lv.energy_mean(["34.8"]), r"`levels` must hold numbers.*'34.8'"),
        (lambda: lv.energy_mean(np.array(["34.8", 30], dtype=object)), "`levels` must hold"),
        (lambda: lv.energy_mean([30j]), "`levels` must hold numbers"),
        (lambda: lv.energy_mean([30, 31], weights=[1, -1]), r"at least 0.*\[1.0, -1.0\]"),
        (lambda: lv.energy_mean([30, 31], weights=[0, 0]), "not all 0"),
        (lambda: lv.energy_mean([30, 31], weights=[1, 2, 3]), r"shape \(3,\) for levels"),
        (lambda: lv.energy_mean([30, 31], dim="repeat"), "`dim` is for a DataArray"),
        (lambda: lv.energy_mean(xr.DataArray([30.0], dims="x"), axis=0), "`axis` is for plain"),
        (lambda: lv.energy_mean(xr.DataArray([30.0], dims="x"), dim="y"), "got 'y'"),
        (
            lambda: lv.energy_mean(xr.DataArray([30.0], dims="x"), weights=[1, 2]),
            "one number for each of the 1 of 'x'",
        ),
        (
            lambda: lv.energy_mean(
                xr.DataArray([30.0], dims="x"), weights=xr.DataArray([1.0], dims="y")
            ),
            "must stay within",
        ),
    ],
)
def test_bad_requests_say_what_is_wrong(call: Any, message: str) -> None:
    """What cannot be averaged is refused with the argument, the rule and what was found."""
    with pytest.raises(FanstatsError, match=message):
        call()


# Uncertainty of a mean ---------------------------------------------------------------------------


def test_scatter_of_an_energy_mean_goes_by_way_of_the_energies() -> None:
    """34..37 dB give 35.6428 dB with u = (10/ln10) s_W / (sqrt(n) W) = 0.6393 dB (derived)."""
    mean = lv.mean_level([34.0, 35.0, 36.0, 37.0])

    assert mean.value == printed("35.6428")
    assert mean.scatter == printed("0.6393")
    assert mean.scatter_dof == 3
    assert mean.status == ""
    assert lv.scatter_uncertainty([34.0, 35.0, 36.0, 37.0]) == mean.scatter


def test_scatter_matches_the_spread_of_simulated_means() -> None:
    """The root mean square of the stated uncertainty is the spread of energy means over benches."""
    cells = 35 + 0.5 * np.random.default_rng(7).standard_normal((40_000, 6))
    means = lv.energy_mean(cells, axis=1)
    stated = math.sqrt(np.mean(lv.scatter_uncertainty(cells, axis=1) ** 2))

    # the spread of the means has a relative standard error of 1/sqrt(2 * 40 000) = 0.35 %; what
    # first order leaves out is of the order of (s ln10/10)^2 / n = 0.2 %
    assert stated == pytest.approx(means.std(ddof=1), rel=4 * 0.0035 + 0.002)


def test_coverage_interval_holds_the_truth_as_often_as_it_says() -> None:
    """With four readings of 0.3 dB scatter, 95 % intervals hold the true level so often."""
    rng = np.random.default_rng(11)
    truth = 35 + math.log(10) / 20 * 0.3**2
    benches = 3000
    hits = 0
    for cell in 35 + 0.3 * rng.standard_normal((benches, 4)):
        low, high = lv.mean_level(cell).coverage_interval(0.95)
        hits += low <= truth <= high

    error = math.sqrt(0.95 * 0.05 / benches)
    assert hits / benches == pytest.approx(0.95, abs=4 * error)


def test_instrument_part_is_not_reduced_by_repeats() -> None:
    """Three readings of 28.0 on a 0.1 dB display have no scatter and 0.1/sqrt(12) all the same."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        mean = lv.mean_level([28.0, 28.0, 28.0], instrument=half_width(0.05))

    assert mean.scatter == 0
    assert mean.instrument == printed("0.028868")
    assert mean.standard_uncertainty == mean.instrument
    assert mean.dof == math.inf
    assert mean.coverage_interval(0.95)[1] == pytest.approx(28 + 1.959964 * 0.0288675, abs=1e-6)


def test_no_uncertainty_at_all_is_an_interval_of_no_width() -> None:
    """Without scatter and instrument u is 0, its degrees of freedom undefined, nothing fails."""
    mean = lv.mean_level([28.0, 28.0])

    assert mean.standard_uncertainty == 0
    assert math.isnan(mean.dof)
    assert mean.coverage_interval() == (28.0, 28.0)


def test_one_reading_has_undefined_scatter_and_says_so() -> None:
    """One reading has no scatter that is known: NaN with the reason, never 0."""
    mean = lv.mean_level([34.8], instrument=0.5)

    assert math.isnan(mean.scatter)
    assert math.isnan(mean.standard_uncertainty)
    assert math.isnan(mean.dof)
    assert "one reading" in mean.status
    with pytest.raises(FanstatsError, match="no coverage interval: one reading"):
        mean.coverage_interval()
    with pytest.warns(FanstatsWarning, match="NaN: one reading") as caught:
        assert math.isnan(lv.scatter_uncertainty([34.8]))
    assert caught[0].filename == __file__
    with pytest.warns(FanstatsWarning, match="NaN: one reading"):
        labelled = lv.scatter_uncertainty(xr.DataArray([[34.8], [35.0]], dims=("m", "r")), dim="r")
    assert labelled.sizes == {"m": 2}
    assert "one reading" in labelled.attrs["status"]


def test_known_repeatability_serves_one_reading() -> None:
    """A standard deviation known from elsewhere stands in for scatter, divided by sqrt n."""
    one = lv.mean_level([34.8], repeatability=standard(0.3, dof=12), instrument=0.4)
    four = lv.mean_level([34.8] * 4, repeatability=0.3)

    assert one.standard_uncertainty == pytest.approx(0.5)
    assert one.dof == pytest.approx(12 * (0.5 / 0.3) ** 4)
    assert four.scatter == pytest.approx(0.15)
    assert four.scatter_dof == math.inf


def test_several_instrument_sources_add_in_quadrature() -> None:
    """Sources of the instrument combine by the root of the sum of squares, with their dof."""
    sources = [expanded(0.4, k=2), standard(0.15, dof=5)]
    mean = lv.mean_level([35.0, 35.2], instrument=sources)

    assert mean.instrument == pytest.approx(0.25)
    assert mean.instrument_dof == pytest.approx(5 * (0.25 / 0.15) ** 4)


@pytest.mark.parametrize("case", REFERENCE["effective_dof"], ids=lambda case: case["expected"])
def test_effective_dof_follows_welch_satterthwaite(case: dict[str, Any]) -> None:
    """JCGM 100:2008, G.2b, for one limited term and for two groups of two (derived)."""
    assert lv.effective_dof(case["u"], case["dof"]) == printed(case["expected"])


def test_effective_dof_without_limits_or_without_terms() -> None:
    """Only unlimited terms give inf, only zeros NaN, and neither divides by zero."""
    assert lv.effective_dof([0.5, 0.2], [math.inf, math.inf]) == math.inf
    assert math.isnan(lv.effective_dof([0.0, 0.0], [1, 1]))
    assert lv.effective_dof([0.3, 0.0], [4, math.nan]) == 4


def test_deviation_of_energies_meets_iso_1996_2_10_5() -> None:
    """50, 60, 70 dB deviate by 3.94 dB through energies; decibels would say 12.18 (transcribed)."""
    (case,) = REFERENCE["energy_deviation"]
    levels = np.array(case["levels"])

    assert lv.energy_deviation(levels) == printed(case["printed"])
    about = math.sqrt(np.sum((levels - lv.energy_mean(levels)) ** 2) / (levels.size - 1))
    assert about == printed(case["decibels"])
    assert math.isnan(lv.energy_deviation([50.0]))


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: lv.mean_level([]), "one finite level or more"),
        (lambda: lv.mean_level([34.0, np.nan]), r"got \[34.0, nan\]"),
        (lambda: lv.mean_level([34.0], instrument=-1.0), "`instrument` must be a finite"),
        (lambda: lv.mean_level([34.0], repeatability=np.inf), "`repeatability` must be a finite"),
        (lambda: lv.mean_level([34.0, 35.0]).coverage_interval(95), "between 0 and 1; got 95"),
    ],
)
def test_bad_requests_for_an_uncertainty_are_refused(call: Any, message: str) -> None:
    """A missing level, a negative uncertainty, a probability in percent are named."""
    with pytest.raises(FanstatsError, match=message):
        call()


# Several fans, and spread in speed ---------------------------------------------------------------


def test_fans_together_meet_ten_lg_n() -> None:
    """Two to six fans add 3.01 to 7.78 dB (derived)."""
    (case,) = REFERENCE["together"]
    added = lv.fans_together(0.0, case["fans"])

    assert added.tolist() == [printed(text) for text in case["printed"]]


@given(LEVELS, st.integers(1, 50), LEVELS)
def test_level_each_gives_back_the_target(level: float, n: int, room: float) -> None:
    """N fans at the level each may have, put back into the room, make the target."""
    target = lv.add_background(max(level, room), room)
    each = lv.level_each(target, n, room=room)

    assert lv.add_background(lv.fans_together(each, n), room) == pytest.approx(target, abs=1e-9)
    assert lv.fans_together(lv.level_each(target, n), n) == pytest.approx(target, abs=1e-9)


def test_fans_of_labelled_and_uncertain_levels_keep_their_kind() -> None:
    """Labels, draws and correlations pass through; an array of numbers of fans broadcasts."""
    level = ufloat(30.0, 0.5)
    pair = lv.fans_together(level, [1, 2])
    draws = xr.DataArray([[30.0, 31.0]], dims=("model", "draw"), attrs={"units": "dBA"})
    together = lv.fans_together(draws, 4)

    assert [(p - level).std_dev for p in pair] == [0, 0]
    assert together.dims == ("model", "draw")
    assert together.attrs["units"] == "dBA"
    np.testing.assert_allclose(together, draws + 10 * math.log10(4))


@pytest.mark.parametrize("n", [0, -1, 2.5, math.nan, math.inf])
def test_number_of_fans_must_be_whole(n: float) -> None:
    """No fan, half a fan and no number at all are refused."""
    with pytest.raises(FanstatsError, match="`n` must be a whole number of fans, at least 1"):
        lv.fans_together(30.0, n)


def test_a_room_as_loud_as_the_target_leaves_nothing() -> None:
    """Where the room alone makes the target there is no level for the fans: refused."""
    with pytest.raises(FanstatsError, match=r"the fans nothing; got 36\.0 in a room of 36\.0"):
        lv.level_each(36.0, 3, room=36.0)


def test_speed_limits_turn_into_level_spread() -> None:
    """+-10 % of speed read in four ways is 1.25, 0.89, 1.09, 0.72 dB by 50 lg N (derived)."""
    case = REFERENCE["speed"]
    sources = [
        half_width("10 %"),
        half_width("10 %", shape="triangular"),
        expanded("10 %", k=2),
        expanded("10 %", k=3),
    ]
    found = [lv.level_spread_from_speed(source) for source in sources]

    assert [source.relative for source in sources] == [printed(text) for text in case["relative"]]
    assert found == [printed(text) for text in case["level"]]


@given(st.floats(0.0, 0.3), st.floats(10.0, 90.0))
def test_speed_spread_and_level_spread_are_inverse(spread: float, slope: float) -> None:
    """There and back again gives the spread."""
    level = lv.level_spread_from_speed(spread, slope)

    assert lv.speed_spread_from_level(level, slope) == pytest.approx(spread, abs=1e-12)


def test_level_spread_is_the_slope_s_first_order() -> None:
    """A small speed spread simulated through the fan laws spreads the level as stated."""
    speeds = 1 + 0.01 * np.random.default_rng(3).standard_normal(200_000)
    simulated = np.std(50 * np.log10(speeds))

    error = 1 / math.sqrt(2 * speeds.size)
    assert lv.level_spread_from_speed(0.01) == pytest.approx(simulated, rel=4 * error + 1e-4)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: lv.level_spread_from_speed(standard(30)), "must be relative"),
        (lambda: lv.level_spread_from_speed(-0.1), "`speed_spread` must be at least 0"),
        (lambda: lv.level_spread_from_speed(0.1, slope=0), "`slope` must be a plain number"),
        (lambda: lv.speed_spread_from_level(-1.0), "`level_spread` must be at least 0"),
    ],
)
def test_bad_spreads_are_refused(call: Any, message: str) -> None:
    """A spread in rpm, a negative one, a flat slope are named."""
    with pytest.raises(FanstatsError, match=message):
        call()


# Kernels -----------------------------------------------------------------------------------------


@given(arrays(float, 5, elements=LEVELS), arrays(float, 5, elements=LEVELS))
def test_added_levels_equal_a_sum_of_two(a: np.ndarray, b: np.ndarray) -> None:
    """The two-level kernel is the energy sum of two, whichever is louder, in place or not."""
    out = np.empty(5)
    result = lv.add_levels(a, b, out=out)

    np.testing.assert_allclose(result, lv.energy_sum(np.stack([a, b]), axis=0), atol=1e-9)
    np.testing.assert_array_equal(lv.add_levels(b, a), result)
    assert result is out


@given(LEVELS, st.floats(-12.0, 60.0))
def test_subtracting_undoes_adding(room: float, above: float) -> None:
    """A fan from 12 dB below its room upwards comes back out of the sum with it."""
    fan = np.array([room + above])
    total = lv.add_levels(fan, np.array([room]))
    back, held = lv.subtract_levels(total, np.array([room]))

    assert back[0] == pytest.approx(fan[0], abs=1e-9)
    assert not held[0]


def test_subtracting_holds_what_is_at_the_floor() -> None:
    """A total less than the floor above its room is set to the floor, marked, and NaN stays NaN."""
    totals = np.array([29.0, 30.1, 30.3, np.nan, 50.0])
    level, held = lv.subtract_levels(totals, np.full(5, 30.0), floor=0.2)
    at_floor = 30 + 10 * math.log10(10**0.02 - 1)

    assert held.tolist() == [True, True, False, False, False]
    np.testing.assert_allclose(level[:2], at_floor, atol=1e-9)
    assert level[2] == pytest.approx(10 * math.log10(10**3.03 - 10**3), abs=1e-9)
    assert np.isnan(level[3])
    assert np.all(np.diff(level[[1, 2, 4]]) > 0)


def test_kernels_broadcast_and_write_in_place() -> None:
    """Totals of several models take one row of room draws, into memory handed over."""
    room = np.array([28.0, 29.0, 30.0])
    totals = np.array([[36.0], [40.0]])
    out = np.empty((2, 3))
    level, held = lv.subtract_levels(totals, room, out=out)

    assert level is out
    assert held.shape == (2, 3)
    np.testing.assert_allclose(lv.add_levels(level, room), np.broadcast_to(totals, (2, 3)))
    assert totals.tolist() == [[36.0], [40.0]]
