"""Tolerance and prediction intervals against published factors and simulated benches."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from fanstats.errors import FanstatsError
from fanstats.planning.regions import UnitsState, prediction_distance, tolerance_distance
from fanstats.planning.tolerance import (
    distribution_free_interval,
    distribution_free_units,
    prediction_interval,
    tolerance_factor,
    tolerance_interval,
)

REFERENCE = Path(__file__).parent / "reference"
UNITS = [31.2, 31.9, 30.8]


def binomial_bounds(chance: float, trials: int) -> tuple[float, float]:
    """Limits that a simulated share leaves once in 10,000 on each side."""
    low, high = stats.binom.ppf([1e-4, 1 - 1e-4], trials, chance) / trials
    return float(low), float(high)


# --- published factors -----------------------------------------------------------------------


def test_two_sided_factors_of_iso_16269_6_and_meeker() -> None:
    """Exact two-sided factors match both tables to the last printed digit, pooled s included."""
    table = pd.read_csv(REFERENCE / "tolerance_two_sided_published.csv", comment="#")
    found = tolerance_factor(
        table["n"].to_numpy(),
        content=table["content"].to_numpy(),
        confidence=table["confidence"].to_numpy(),
        dof=(table["samples_pooled"] * (table["n"] - 1)).to_numpy(),
    )
    above = table["k_published"].to_numpy() - found
    iso = (table["rounding"] == "ceiling").to_numpy()

    assert iso.sum() > 100
    assert (~iso).sum() > 50
    assert np.all((above[iso] > -1e-9) & (above[iso] < 1e-4))  # the standard rounds up
    assert np.all(np.abs(above[~iso]) <= 0.0005 + 1e-9)


def test_one_sided_factors_of_montgomery() -> None:
    """Exact one-sided factors match Montgomery and Runger's table to the last printed digit."""
    table = pd.read_csv(REFERENCE / "tolerance_one_sided_published.csv", comment="#")
    found = tolerance_factor(
        table["n"].to_numpy(),
        content=table["content"].to_numpy(),
        confidence=table["confidence"].to_numpy(),
        side="upper",
    )

    assert np.all(np.abs(table["k_published"].to_numpy() - found) <= 0.0005 + 1e-9)


def test_wafers_of_the_nist_handbook() -> None:
    """NIST/SEMATECH 7.2.6.3: the noncentral t factors match; Howe's two-sided one is 0.3 % low."""
    case = tomllib.loads((REFERENCE / "tolerance_nist_7_2_6_3.toml").read_text())
    content, confidence = case["content"], case["confidence"]

    one_sided = tolerance_factor([43, 6], content=content, confidence=confidence, side="upper")
    two_sided = tolerance_factor(43, content=content, confidence=confidence)

    assert one_sided[0] == pytest.approx(case["one_sided_noncentral_t"], abs=5e-5)
    assert one_sided[1] == pytest.approx(case["one_sided_noncentral_t_n6"], abs=5e-5)
    assert two_sided == pytest.approx(case["two_sided_exact"], abs=5e-5)
    assert case["two_sided_howe"] == pytest.approx(float(two_sided), rel=0.003)


def test_small_samples_get_exact_factors_and_not_a_fixed_multiplier() -> None:
    """99 % content needs 3.98 s with 10 units and 5.74 s with 5, not 3 s; 95/95 exact, not Howe."""
    one_sided = tolerance_factor([10, 5], content=0.99, confidence=0.95, side="upper")
    two_sided = tolerance_factor([2, 3, 4, 5, 10], content=0.95, confidence=0.95)

    assert one_sided.round(4).tolist() == [3.9811, 5.7411]
    assert two_sided.round(3).tolist() == [36.519, 9.789, 6.341, 5.077, 3.393]


def test_upper_limit_of_three_units() -> None:
    """Units 31.2, 31.9, 30.8: mean 31.3, s 0.556776, upper 95/95 limit 35.5626; method named."""
    limit = tolerance_interval(UNITS, content=0.95, confidence=0.95, side="upper", units="dBA")

    assert limit.high == pytest.approx(35.5626, abs=5e-5)
    assert limit.low == -math.inf
    assert (limit.mean, limit.n, limit.dof) == (pytest.approx(31.3), 3, 2.0)
    assert limit.spread == pytest.approx(0.556776, abs=5e-7)
    assert limit.factor == pytest.approx(7.6559, abs=5e-5)
    assert limit.sentence() == (
        "At least 95 of 100 samples of the model lie at or below 35.56 dBA (confidence 0.95; 3 "
        "samples tested; normal, spread with 2 degrees of freedom, exact)."
    )


def test_a_known_spread_gives_the_textbook_factors() -> None:
    """With the spread known one-sided k = z_p + z_c / sqrt(n); one unit is enough."""
    k = tolerance_factor([1, 4], content=0.9, confidence=0.95, side="lower", dof=math.inf)
    z = stats.norm.ppf(0.9) + stats.norm.ppf(0.95) / np.sqrt([1, 4])

    assert k == pytest.approx(z)
    one = tolerance_interval([31.0], content=0.9, confidence=0.95, spread=0.8, spread_dof=math.inf)
    at_worst = 31.0 + stats.norm.ppf(0.975) * 0.8  # where the model may be, 95 times in 100
    inside = np.diff(stats.norm.cdf([one.low, one.high], at_worst, 0.8))
    assert inside == pytest.approx(0.9, abs=1e-9)


# --- the quadrature with measurement error ---------------------------------------------------


@pytest.mark.parametrize("n", [2, 3, 10])
@pytest.mark.parametrize("side", ["both", "upper"])
@pytest.mark.parametrize("dof", [None, 20.0, math.inf])
def test_without_measurement_error_the_quadrature_is_the_exact_factor(
    n: int, side: str, dof: float | None
) -> None:
    """The general road, integrating in another order, ends at the exact factor."""
    degrees = float(n - 1) if dof is None else dof
    state = UnitsState(n=n, mean_square=4.0, dof=degrees, error=0.0, shared=0.0)

    found = tolerance_distance(state, 0.95, 0.9, side)
    exact = tolerance_factor(n, content=0.95, confidence=0.9, side=side, dof=degrees)

    assert found == pytest.approx(2.0 * float(exact), rel=1e-9)


def test_taking_measurement_error_out_narrows_and_a_shared_error_widens() -> None:
    """The same results promise more when part of their scatter is the meter's, less when all
    may be off together.
    """

    def width(**errors: float) -> float:
        found = tolerance_interval([31.2, 31.9, 30.8, 31.6], content=0.9, confidence=0.9, **errors)
        return found.high - found.low

    assert width(measurement=0.4) < width() < width(shared=0.5)
    assert width(measurement=1e-6) == pytest.approx(width(), rel=1e-6)


@pytest.mark.simulation
@pytest.mark.parametrize(
    ("n", "error", "side"),
    [(2, 0.0, "both"), (3, 0.0, "upper"), (3, 0.5, "both"), (5, 1.0, "upper"), (10, 2.0, "both")],
)
def test_tolerance_intervals_hold_their_content_as_often_as_stated(
    n: int, error: float, side: str
) -> None:
    """Over many samples of units the interval holds the content with the stated confidence."""
    rng, trials, content, confidence = np.random.default_rng(21), 20_000, 0.9, 0.95
    results = rng.normal(0.0, math.hypot(1.0, error), (trials, n))
    square = results.var(axis=1, ddof=1)
    grid = np.geomspace(square.min(), square.max(), 25)
    distance = [
        tolerance_distance(
            UnitsState(n=n, mean_square=g, dof=n - 1.0, error=error**2, shared=0.0),
            content, confidence, side,
        )
        for g in grid
    ]  # fmt: skip
    reach = np.interp(np.log(square), np.log(grid), distance)
    mean = results.mean(axis=1)
    held = stats.norm.cdf(mean + reach)
    if side == "both":
        held = held - stats.norm.cdf(mean - reach)
    covered = float(np.mean(held >= content))

    low, high = binomial_bounds(confidence, trials)
    # Exact without error; with it within half a point, as the docstring says.
    slack = 0.005 if error else 0.0
    assert low - slack <= covered <= high + slack


# --- the next units --------------------------------------------------------------------------


def test_the_next_unit_has_the_student_interval() -> None:
    """One unit ahead: t s sqrt(1 + 1 / n)."""
    found = prediction_interval(UNITS, probability=0.9)
    half = stats.t.isf(0.05, 2) * np.std(UNITS, ddof=1) * math.sqrt(4 / 3)

    assert (found.high - found.low) / 2 == pytest.approx(half, rel=1e-9)
    upper = prediction_interval(UNITS, probability=0.9, side="upper")
    assert upper.high - 31.3 == pytest.approx(
        stats.t.isf(0.1, 2) * np.std(UNITS, ddof=1) * math.sqrt(4 / 3), rel=1e-9
    )


@pytest.mark.parametrize(("ahead", "side"), [(3, "both"), (5, "upper")])
def test_several_next_units_all_lie_inside_as_often_as_stated(ahead: int, side: str) -> None:
    """All of the next k units lie inside with the stated probability."""
    rng, trials, n = np.random.default_rng(8), 40_000, 4
    tested = rng.normal(size=(trials, n))
    following = rng.normal(size=(trials, ahead))
    state = UnitsState(n=n, mean_square=1.0, dof=n - 1.0, error=0.0, shared=0.0)
    k = prediction_distance(state, 0.9, ahead, side)
    off = (following - tested.mean(axis=1, keepdims=True)) / tested.std(
        axis=1, ddof=1, keepdims=True
    )
    inside = (np.abs(off) <= k) if side == "both" else (off <= k)

    low, high = binomial_bounds(0.9, trials)
    assert low <= float(inside.all(axis=1).mean()) <= high


@pytest.mark.parametrize("side", ["both", "lower"])
def test_errors_are_taken_out_of_a_prediction_and_shared_ones_put_in(side: str) -> None:
    """With the spread known the next unit is normal: spread, and the mean's errors, all of them."""
    found = prediction_interval(
        [30.0, 31.0, 32.5], probability=0.9, side=side, spread=0.8, spread_dof=math.inf,
        measurement=0.5, shared=0.4,
    )  # fmt: skip
    sd = math.sqrt(0.64 + (0.64 + 0.25) / 3 + 0.16)
    tail = 0.05 if side == "both" else 0.1

    assert found.mean - found.low == pytest.approx(sd * stats.norm.isf(tail), rel=1e-9)


def test_a_one_sided_limit_with_all_errors_and_the_spread_known() -> None:
    """Then the limit is z_p spreads plus z_c standard errors of the mean, shared error included."""
    found = tolerance_interval(
        [30.0, 31.0], content=0.9, confidence=0.95, side="upper", spread=0.8,
        spread_dof=math.inf, measurement=0.5, shared=0.4,
    )  # fmt: skip
    error = math.sqrt((0.64 + 0.25) / 2 + 0.16)

    assert found.high - found.mean == pytest.approx(
        stats.norm.ppf(0.9) * 0.8 + stats.norm.ppf(0.95) * error, rel=1e-9
    )


def test_one_unit_and_a_known_spread_predict_the_next() -> None:
    """ISO-like declaration from one unit: 93.5 % of next units need 2.141 spreads above it."""
    found = prediction_interval(
        [0.0], probability=0.935, side="upper", spread=1.0, spread_dof=math.inf
    )

    assert found.high == pytest.approx(2.1413, abs=5e-5)
    assert found.sentence().startswith("The next sample lies at or below 2.141 (93.5 times in 100")


# --- without a distribution ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("content", "confidence", "side", "n"),
    [(0.95, 0.95, "both", 93), (0.95, 0.95, "upper", 59), (0.9, 0.9, "lower", 22),
     (0.99, 0.95, "upper", 299), (0.9, 0.95, "both", 46)],
)  # fmt: skip
def test_distribution_free_units_are_the_smallest(
    content: float, confidence: float, side: str, n: int
) -> None:
    """Wilks's numbers: the smallest n with 1 - n p^(n-1) + (n-1) p^n (or 1 - p^n) high enough."""

    def sure(size: int) -> float:
        if side == "both":
            return 1 - size * content ** (size - 1) + (size - 1) * content**size
        return 1 - content**size

    assert distribution_free_units(content, confidence, side=side) == n
    assert sure(n) >= confidence > sure(n - 1)


def test_distribution_free_interval_goes_inside_when_it_may_and_refuses_when_it_must() -> None:
    """With many units the ends move inside; with too few the message says how many it takes."""
    results = np.arange(1.0, 201.0)
    found = distribution_free_interval(results, content=0.9, confidence=0.95)

    # 13 of the 201 blocks may stay outside (P(at least 13 of 200 outside) is enough), 14 not.
    assert (found.low, found.high) == (6.0, 194.0)
    assert found.confidence == pytest.approx(stats.binom.sf(12, 200, 0.1), rel=1e-9)
    assert stats.binom.sf(13, 200, 0.1) < 0.95 <= found.confidence
    with pytest.raises(FanstatsError, match=r"at least 46 units.*got 45"):
        distribution_free_interval(results[:45], content=0.9, confidence=0.95)


# --- what people trip on ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("values", "arguments", "message"),
    [
        ([31.2], {}, r"`values` must hold at least 2 units; got 1"),
        ([31.2, 31.2], {}, r"`values` must not all be equal; got 2 times 31.2"),
        ([31.2, math.nan], {}, r"`values` must be finite numbers"),
        ([31.2, "loud"], {}, r"`values` must be finite numbers in a row.*'loud'.*Leave a unit"),
        ([31.2, None], {}, r"`values` must be finite numbers in a row.*None"),
        ("31.2", {}, r"`values` must be finite numbers in a row, one a unit; got '31.2'"),
        ([[31.2], [30.0, 31.0]], {}, r"`values` must be finite numbers in a row"),
        ([], {}, r"`values` must be finite numbers in a row, one a unit; got \[\]"),
        ([True, False], {}, r"`values` must be finite numbers"),
        (UNITS, {"content": "most"}, r"`content` must be a finite number; got 'most'"),
        (UNITS, {"confidence": None}, r"`confidence` must be a finite number; got None"),
        (UNITS, {"measurement": "0.2"}, r"`measurement` must be a finite number.*got '0.2'"),
        (UNITS, {"spread": "0.8", "spread_dof": 3}, r"`spread` must be a finite number.*'0.8'"),
        (UNITS, {"spread": 0.8}, r"`spread_dof` must be given with its partner"),
        (UNITS, {"spread": -0.8, "spread_dof": 4}, r"`spread` must be a finite number at least 0"),
        (UNITS, {"spread": 0.0, "spread_dof": 4}, r"`spread` and `measurement` must not both be 0"),
        (UNITS, {"content": 95}, r"`content` must be a fraction.*Write 0.95 for 95 %"),
        (UNITS, {"confidence": 1.0}, r"`confidence` must be a fraction"),
        (UNITS, {"side": "left"}, r"`side` must be one of 'both', 'upper', 'lower'; got 'left'"),
        (UNITS, {"measurement": -1.0}, r"`measurement` must be a finite number at least 0"),
    ],
)
def test_a_promise_that_cannot_be_made_is_refused(
    values: list[float], arguments: dict[str, float], message: str
) -> None:
    """One unit, equal results, missing numbers and percentages are refused by name."""
    with pytest.raises(FanstatsError, match=message):
        tolerance_interval(values, **{"content": 0.95, "confidence": 0.95, **arguments})


def test_a_factor_from_one_unit_is_refused() -> None:
    """A single unit has no factor, and the message says what would help."""
    with pytest.raises(FanstatsError, match=r"`n` must be at least 2.*state the spread"):
        tolerance_factor([3, 1], content=0.9, confidence=0.9)
    with pytest.raises(FanstatsError, match=r"`n` must be numbers of units; got 'few'"):
        tolerance_factor("few", content=0.9, confidence=0.9)
    with pytest.raises(FanstatsError, match=r"`content` must be a fraction.*got \['most'\]"):
        tolerance_factor(3, content=["most"], confidence=0.9)


@pytest.mark.parametrize(
    "promise",
    [
        lambda values: prediction_interval(values, ahead=2),
        lambda values: distribution_free_interval(values, content=0.5, confidence=0.5),
        lambda values: tolerance_interval(values, content=0.9, confidence=0.9),
    ],
)
def test_every_promise_refuses_what_is_no_number_and_shows_itself(promise: object) -> None:
    """Prediction and distribution-free intervals check alike; all print, and are kept as text."""
    assert callable(promise)
    with pytest.raises(FanstatsError, match=r"`values` must be finite numbers.*'loud'"):
        promise(["loud", 31.2, 30.8])
    found = promise([*UNITS, 31.0, 31.5])

    assert found.sentence() in repr(found)
    assert "<table" in found._repr_html_()
    assert found.to_csv().startswith("kind,low,high,")
    assert "| kind" in found.to_markdown()


def test_the_table_holds_what_the_sentence_says() -> None:
    """The one-row table carries ends, factor and method."""
    found = tolerance_interval(UNITS, content=0.9, confidence=0.95, measurement=0.2)
    row = found.table().iloc[0]

    assert row["high"] == found.high
    assert row["method"] == "normal, spread with 2 degrees of freedom, measurement error taken out"
    assert row["spread"] == pytest.approx(math.sqrt(0.556776**2 - 0.04), abs=1e-6)
