"""The power law that reads models off: every step counts as much as its errors let it."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from scipy.optimize import curve_fit

import fanstats as fs
from fanstats.engine.curves import fit_power_law, fit_power_law_with_floor, precision_of
from tests.tables import power_law_rows, readings

LN10 = np.log(10.0)
SPEEDS = np.array([560.0, 640.0, 760.0, 900.0, 1200.0, 1500.0])
ROOM = 26.0
SPREAD = fs.UnitSpread(noise=fs.standard(0.5), airflow=fs.standard("1 %"))


def swept(model="A", *, seed=3, room=ROOM, speeds=SPEEDS):
    """One sitting near the room's floor, every level and speed off by some error."""
    rng = np.random.default_rng(seed)
    rows = power_law_rows(model, speeds=speeds, slope=52.0, room=room)
    for row in rows:
        row["noise [dBA]"] += 0.15 * rng.normal()
        row["speed [rpm]"] += 4 * rng.normal()
    return rows


def bench(*, noise=0.15, room=None, speed=4.0, **more):
    """A bench with errors of single readings, and more where wanted."""
    instruments = {"noise": fs.Instrument(reading=[fs.standard(noise)], **more)}
    instruments["speed"] = fs.Instrument(reading=[fs.standard(speed)])
    instruments["background"] = fs.Instrument(reading=[] if room is None else [fs.standard(room)])
    return fs.Bench(spread=SPREAD, **instruments)


def points(rows, room=ROOM):
    """Speeds, fan-alone levels, and what a dB of reading and of the room does to each."""
    speed = np.array([row["speed [rpm]"] for row in rows])
    read = np.array([row["noise [dBA]"] for row in rows])
    fan = 10 * np.log10(10 ** (read / 10) - 10 ** (room / 10))
    share = 10 ** ((room - read) / 10)
    return speed, fan, 1 / (1 - share), -share / (1 - share)


def solved(rows, covariance_of, level=30.0):
    """The speed at a level by statsmodels' least squares, weights following the slope."""
    speed, fan, by_reading, by_room = points(rows)
    design = sm.add_constant(np.log(speed))
    slope = sm.OLS(fan, design).fit().params[1]
    for _ in range(50):
        covariance = covariance_of(speed, by_reading, by_room, slope)
        slope = sm.GLS(fan, design, sigma=covariance).fit().params[1]
    intercept, slope = sm.GLS(fan, design, sigma=covariance).fit().params
    wanted = 10 * np.log10(10 ** (level / 10) - 10 ** (ROOM / 10))
    return np.exp((wanted - intercept) / slope)


def value(rows, on, level=30.0, **more):
    """The value of the speed at a level, power law."""
    found = fs.equal_noise(
        readings(rows), level, bench=on, curve="power law", room=ROOM, draws=100, rng=1, **more
    )
    return float(found.speed_value.sel(scope="tested unit", model="A"))


def test_a_weighed_fit_is_statsmodels_gls_draw_by_draw():
    """Two curves with covariances of their own, seven draws."""
    rng = np.random.default_rng(1)
    roots = rng.normal(size=(2, 5, 8))
    covariance = roots @ roots.transpose(0, 2, 1)
    x = np.log([500, 700, 900, 1200, 1500.0])[:, None, None] + rng.normal(size=(5, 2, 7)) * 0.01
    y = 20 + 21 * x + rng.normal(size=(5, 2, 7))

    intercept, slope = fit_power_law(x, y, precision_of(covariance))

    for curve in range(2):
        for draw in range(7):
            design = sm.add_constant(x[:, curve, draw])
            other = sm.GLS(y[:, curve, draw], design, sigma=covariance[curve]).fit()
            assert intercept[curve, draw] == pytest.approx(other.params[0], rel=1e-7)
            assert slope[curve, draw] == pytest.approx(other.params[1], rel=1e-7)


def test_a_weighed_fit_on_a_floor_is_scipys():
    """scipy.optimize.curve_fit with sigma."""
    rng = np.random.default_rng(2)
    x = np.log([400, 500, 650, 900, 1200, 1500.0])[:, None, None]
    sigma = np.array([0.4, 0.3, 0.2, 0.2, 0.1, 0.1])
    fan = 50 / LN10 * x - 118
    y = 10 * np.log10(10 ** (fan / 10) + 10**2.4) + rng.normal(size=(6, 1, 3)) * 0.1

    found = np.array(fit_power_law_with_floor(x, y, 1 / sigma[:, None, None]))

    def model(ln_speed, a, b, floor):
        return 10 * np.log10(10 ** ((a + b * ln_speed) / 10) + 10 ** (floor / 10))

    start = (-118, 50 / LN10, 24)
    for draw in range(3):
        expected, _ = curve_fit(model, x[:, 0, 0], y[:, 0, draw], p0=start, sigma=sigma, xtol=1e-13)
        assert found[:, 0, draw] == pytest.approx(expected, rel=1e-5)


@given(
    seed=st.integers(0, 10_000),
    knots=st.integers(2, 9),
    slope=st.floats(5.0, 40.0),
    size=st.floats(1e-3, 1e3),
)
def test_an_exact_power_law_is_found_whatever_its_steps_weigh(seed, knots, slope, size):
    """Any covariance; and one that is larger throughout gives the same line."""
    rng = np.random.default_rng(seed)
    root = rng.normal(size=(1, knots, knots + 2))
    covariance = root @ root.transpose(0, 2, 1) + 0.05 * np.eye(knots)
    x = np.sort(rng.uniform(6.0, 7.5, size=(knots, 1, 1)), axis=0)
    x += 0.1 * np.arange(knots)[:, None, None]
    y = -100 + slope * x + np.zeros((1, 1, 3))

    exact = np.array(fit_power_law(x, y, precision_of(covariance)))
    bent = y + rng.normal(size=y.shape)
    one, other = (np.array(fit_power_law(x, bent, precision_of(k * covariance))) for k in (1, size))

    assert exact[1] == pytest.approx(slope, rel=1e-6)
    assert exact[0] == pytest.approx(-100, rel=1e-6)
    assert one == pytest.approx(other, rel=1e-7, abs=1e-7)


def test_the_value_is_weighted_least_squares_with_the_errors_of_the_steps():
    """Reading errors grow near the room by taking it off; errors of speed go through the slope."""
    rows = swept()

    found = value(rows, bench())

    def covariance(speed, by_reading, _, slope):
        return np.diag((0.15 * by_reading) ** 2 + (slope * 4.0 / speed) ** 2)

    assert found == pytest.approx(solved(rows, covariance), rel=1e-6)
    alike = solved(rows, lambda speed, *_: np.eye(len(speed)))
    assert abs(found / alike - 1) > 0.002


def test_an_error_of_the_room_ties_the_steps_near_it_together():
    """The room was read once: its error moves all steps, those near it most (generalised)."""
    rows = swept()

    found = value(rows, bench(room=0.5))

    def covariance(speed, by_reading, by_room, slope):
        own = np.diag((0.15 * by_reading) ** 2 + (slope * 4.0 / speed) ** 2)
        return own + 0.5**2 * np.outer(by_room, by_room)

    assert found == pytest.approx(solved(rows, covariance), rel=1e-6)
    assert abs(found / value(rows, bench()) - 1) > 0.002


def test_what_all_steps_share_leaves_the_weights_alone():
    """Calibration and mounting move the line, not the steps against each other."""
    rows = swept()
    more = {"shared": [fs.standard(1.0)], "sitting": [fs.standard(0.5)]}

    assert value(rows, bench(**more)) == pytest.approx(value(rows, bench()), rel=1e-6)


def test_without_stated_errors_every_step_counts_alike():
    """Ordinary least squares, where nothing says which step is the better one."""
    rows = swept()

    found = value(rows, fs.Bench(spread=SPREAD))

    assert found == pytest.approx(solved(rows, lambda speed, *_: np.eye(len(speed))), rel=1e-9)


def test_a_step_that_states_a_large_error_of_its_own_hardly_counts():
    """34.8(50) is a note, not a reading: the line is that of the other steps."""
    rows = swept(room=None)
    rows[2]["noise [dBA]"] += 3.0
    rows = [{**row, "noise [dBA]": f"{row['noise [dBA]']:.3f}"} for row in rows]
    doubtful = [dict(row) for row in rows]
    doubtful[2]["noise [dBA]"] += "(9000)"
    without = rows[:2] + rows[3:]

    def read(some):
        found = fs.equal_speed(
            readings(some), 700, bench=bench(), curve="power law", draws=100, rng=1,
            background="removed",
        )  # fmt: skip
        return float(found.noise_value.sel(scope="tested unit", model="A"))

    assert abs(read(rows) - read(without)) > 0.2
    assert read(doubtful) == pytest.approx(read(without), abs=0.02)


def test_models_beside_it_do_not_change_a_models_weights():
    """Bit for bit, with the reference room and curve uncertainty handed on."""
    alone = swept()
    beside = [row for k in range(40) for row in swept(f"M{k}", seed=10 + k)]
    how = {"bench": bench(), "curve": "power law", "room": ROOM, "draws": 200, "rng": 1}

    one = fs.equal_noise(readings(alone), 30, **how)
    many = fs.equal_noise(readings(beside, alone), 30, pooled=one.attrs["pooled"], **how)

    own = many.sel(model="A")
    np.testing.assert_array_equal(own.speed.to_numpy(), one.speed.sel(model="A").to_numpy())


@pytest.mark.simulation
@pytest.mark.parametrize("room", [27.0, 10.0])
def test_ranges_hold_where_steps_are_unequally_sure(room):
    """400 sweeps, the lowest steps 2 to 4 dB above the room: 95 in 100, and narrower than alike."""
    rng = np.random.default_rng(4)
    speeds = np.array([520.0, 600, 700, 800, 1000, 1250, 1550])
    rows = []
    for k in range(400):
        mine = power_law_rows(f"M{k}", session=f"d{k}", speeds=speeds, slope=52.0, room=room)
        noted, mounted = room + 0.25 * rng.normal(), 0.15 * rng.normal()
        for row, speed in zip(mine, speeds, strict=True):
            fan = 33 + 52 * np.log10(speed / 900) + mounted
            row["noise [dBA]"] = 10 * np.log10(10 ** (fan / 10) + 10 ** (room / 10))
            row["noise [dBA]"] += 0.25 * rng.normal()
            row["speed [rpm]"] += 6 * rng.normal()
            row["background [dBA]"] = noted
        rows += mine
    on = bench(noise=0.25, room=0.25, speed=6.0, sitting=[fs.standard(0.15)])

    found = fs.equal_noise(
        readings(rows), 30, bench=on, curve="power law", room=room, draws=1000, rng=1
    ).sel(scope="tested unit")

    value, draws = found.speed_value.to_numpy(), found.speed.to_numpy()
    held = np.isfinite(value)
    truth = 900 * 10 ** ((10 * np.log10(1e3 - 10 ** (room / 10)) - 33) / 52)
    low, high = np.quantile(draws[held], [0.025, 0.975], axis=1)
    least, most = stats.binom.ppf([0.001, 0.999], held.sum(), 0.95) / held.sum()
    assert held.mean() > 0.95
    assert least <= np.mean((low <= truth) & (truth <= high)) <= most
    if room == 27.0:  # least squares without weights scatters by 2.3 %
        assert value[held].std() / truth < 0.021
