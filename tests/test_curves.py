"""Curve kernels against scipy, and by properties."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq, curve_fit

from fanstats.engine.curves import (
    airflow_located,
    continued_linear,
    crossings,
    fit_power_law,
    fit_power_law_with_floor,
    locate,
    monotone_slopes,
    monotone_values,
    rising,
    solve_monotone,
    solve_straight,
)

LN10 = np.log(10.0)


def knots(draw_steps, draw_rises):
    x = np.cumsum(draw_steps)
    y = np.cumsum(draw_rises)
    return x, y


curves = st.integers(2, 9).flatmap(
    lambda n: st.tuples(
        st.lists(st.floats(0.05, 2.0), min_size=n, max_size=n),
        st.lists(st.floats(-3.0, 5.0).map(lambda rise: round(rise, 6)), min_size=n, max_size=n),
    )
)
rising_curves = st.integers(2, 9).flatmap(
    lambda n: st.tuples(
        st.lists(st.floats(0.05, 2.0), min_size=n, max_size=n),
        st.lists(st.floats(0.01, 5.0).map(lambda rise: round(rise, 6)), min_size=n, max_size=n),
    )
)


@settings(deadline=None, max_examples=200)
@given(curves, st.lists(st.floats(0, 1), min_size=1, max_size=20))
def test_the_monotone_cubic_is_scipys_pchip(curve, shares):
    """Values and slopes equal scipy.interpolate.PchipInterpolator (Fritsch and Butland 1984)."""
    x, y = knots(*curve)
    at = x[0] + np.array(shares) * (x[-1] - x[0])
    reference = PchipInterpolator(x, y)

    values = monotone_values(x[:, None], y[:, None], at[:, None]).at[:, 0]

    assert values == pytest.approx(reference(at), rel=1e-9, abs=1e-9)
    assert monotone_slopes(x, y) == pytest.approx(reference(x, 1), rel=1e-9, abs=1e-9)


@settings(deadline=None, max_examples=200)
@given(rising_curves, st.floats(0.0, 1.0))
@example(([1.0, 1.0, 0.25, 1.0], [1.0, 1.0, 1.0, 1.0]), 0.9999999999999999)
def test_solving_a_rising_curve_undoes_evaluating_it(curve, share):
    """The inverse lands on the target to rounding, inside the knots."""
    x, y = knots(*curve)
    target = y[0] + share * (y[-1] - y[0])

    solved = solve_monotone(x[:, None], y[:, None], np.array([[target]]))

    assert not solved.below.any()
    assert not solved.above.any()
    assert x[0] <= solved.at[0, 0] <= x[-1]
    back = monotone_values(x[:, None], y[:, None], solved.at).at[0, 0]
    assert back == pytest.approx(target, abs=1e-9)


@settings(deadline=None, max_examples=200)
@given(curves, st.floats(0.02, 0.98))
def test_the_crossing_taken_is_the_upward_one_of_the_highest_speed(curve, share):
    """All crossings are listed; the last rising one is what is solved for."""
    x, y = knots(*curve)
    target = y.min() + share * (y.max() - y.min())
    reference = PchipInterpolator(x, y)
    up = [k for k in range(x.size - 1) if y[k] < target <= y[k + 1]]

    solved = solve_monotone(x[:, None], y[:, None], np.array([[target]]))
    found = crossings(x, y, target)

    assert reference(found) == pytest.approx(np.full(found.size, target), abs=1e-7)
    if up:
        k = up[-1]
        expected = brentq(lambda v: reference(v) - target, x[k], x[k + 1], xtol=1e-13)
        # In a flat stretch the abscissa is loose where the level is not.
        assert reference(solved.at[0, 0]) == pytest.approx(target, abs=1e-8)
        assert x[k] - 1e-9 <= solved.at[0, 0] <= x[k + 1] + 1e-9
        if reference(expected, 1) > 1e-3:
            assert solved.at[0, 0] == pytest.approx(expected, abs=1e-6)


def test_draws_are_solved_each_by_itself():
    """A block of draws gives what one draw at a time gives."""
    rng = np.random.default_rng(0)
    x = np.log([500, 700, 900, 1200.0])[:, None] + rng.normal(size=(4, 50)) * 0.01
    y = 50 * x / LN10 - 115 + rng.normal(size=(4, 50)) * 0.5
    target = 32 + rng.normal(size=(3, 50)) * 3

    together = solve_monotone(x, y, target)
    single = [solve_monotone(x[:, [d]], y[:, [d]], target[:, [d]]).at[:, 0] for d in range(50)]

    assert together.at == pytest.approx(np.array(single).T, rel=1e-12)


def test_past_the_ends_the_slope_is_held_between_30_and_70_db_a_decade():
    """A flat or a wild end slope is not carried on."""
    x = np.log(np.array([500.0, 700.0, 1000.0]))[:, None]
    flat = np.array([[30.0], [30.5], [31.0]])
    steep = np.array([[10.0], [25.0], [45.0]])

    for y, slope in ((flat, 30.0), (steep, 70.0)):
        solved = solve_monotone(x, y, y[-1:] + 3.0)
        assert solved.above.all()
        assert solved.at[0, 0] == pytest.approx(np.log(1000 * 10 ** (3 / slope)))
        solved = solve_monotone(x, y, y[:1] - 3.0)
        assert solved.below.all()
        assert solved.at[0, 0] == pytest.approx(np.log(500 * 10 ** (-3 / slope)))


def test_over_drive_nothing_is_carried_on():
    """No law says what a fan does at a drive it was never run at."""
    solved = solve_monotone(
        np.array([[5.0], [12.0]]), np.array([[20.0], [36.0]]), np.array([[40.0]]), continues=False
    )

    assert solved.at[0, 0] == 12.0


def test_airflow_past_the_ends_follows_a_held_power_law():
    """Lg airflow over lg speed with its slope held in 0.7 to 1.3."""
    speed, flow = np.array([[500.0], [1000.0]]), np.array([[200.0], [400.0]])
    at = np.array([[250.0], [750.0], [2000.0]])

    values = airflow_located(locate(speed, at), flow)

    assert values.at[:, 0] == pytest.approx([100.0, 300.0, 800.0])
    assert values.below[:, 0].tolist() == [True, False, False]
    assert values.above[:, 0].tolist() == [False, False, True]


def test_a_rise_runs_on_with_its_end_slope():
    """Straight on, both ends."""
    values = continued_linear(
        np.array([[500.0], [1000.0]]), np.array([[40.0], [30.0]]), np.array([[400.0], [1100.0]])
    )

    assert values.at[:, 0] == pytest.approx([42.0, 28.0])


def test_straight_lines_are_numpys_interp():
    """Inverse straight interpolation equals numpy.interp with the axes swapped."""
    speed, level = np.array([500.0, 700, 900, 1200]), np.array([24.0, 28, 31, 37])

    solved = solve_straight(speed[:, None], level[:, None], np.array([[26.5], [35.0]]))

    assert solved.at[:, 0] == pytest.approx(np.interp([26.5, 35.0], level, speed))


def test_three_crossings_are_listed_in_order():
    """V 5, 7, 9, 12 at 24, 30, 28, 34 dB meet 29 dB three times."""
    x, y = np.array([5.0, 7, 9, 12]), np.array([24.0, 30, 28, 34])

    found = crossings(x, y, 29.0)

    assert found.size == 3
    assert np.all(np.diff(found) > 0)
    solved = solve_monotone(x[:, None], y[:, None], np.array([[29.0]]))
    assert solved.at[0, 0] == pytest.approx(found[-1])


def test_power_law_fit_is_numpys_polyfit():
    """Least squares over ln speed equals numpy.polynomial's degree one, every draw by itself."""
    rng = np.random.default_rng(1)
    x = np.log([500, 700, 900, 1200.0])[:, None] + rng.normal(size=(4, 7)) * 0.01
    y = 20 + 21 * x + rng.normal(size=(4, 7))

    intercept, slope = fit_power_law(x, y)

    for draw in range(7):
        expected = np.polynomial.Polynomial.fit(x[:, draw], y[:, draw], 1).convert().coef
        assert [intercept[draw], slope[draw]] == pytest.approx(expected, rel=1e-8)


def test_power_law_on_a_floor_is_scipys_curve_fit():
    """Three parameters in dB equal scipy.optimize.curve_fit, every draw by itself."""
    rng = np.random.default_rng(2)
    x = np.log([400, 500, 650, 900, 1200, 1500.0])[:, None]
    fan = 50 / LN10 * x - 118
    y = 10 * np.log10(10 ** (fan / 10) + 10**2.4) + rng.normal(size=(6, 5)) * 0.1

    found = np.array(fit_power_law_with_floor(x, y))

    def model(ln_speed, a, b, floor):
        return 10 * np.log10(10 ** ((a + b * ln_speed) / 10) + 10 ** (floor / 10))

    for draw in range(5):
        expected, _ = curve_fit(model, x[:, 0], y[:, draw], p0=(-118, 50 / LN10, 24), xtol=1e-13)
        assert found[:, draw] == pytest.approx(expected, rel=1e-5)


def test_a_floored_fit_does_not_hang_on_its_neighbours():
    """One draw alone is bit for bit what it is among others, the stubborn ones too."""
    rng = np.random.default_rng(3)
    x = np.log([400, 500, 650, 900, 1200, 1500.0])[:, None]
    fan = 50 / LN10 * x - 118
    y = 10 * np.log10(10 ** (fan / 10) + 10**2.4) + rng.normal(size=(6, 40)) * 1.5

    together = np.array(fit_power_law_with_floor(x, y))

    alone = [np.array(fit_power_law_with_floor(x, y[:, k : k + 1])) for k in range(40)]
    assert np.array_equal(together, np.concatenate(alone, axis=1))


def test_speeds_swapped_by_a_freak_draw_are_held_not_folded():
    """Abscissas stay strictly rising, others are untouched."""
    x = np.array([[500.0, 500.0], [700.0, 480.0], [900.0, 900.0]])

    held = rising(x)

    assert np.all(np.diff(held, axis=0) > 0)
    assert held[:, 0] == pytest.approx(x[:, 0])
    assert rising(x[:, :1]) is not None
