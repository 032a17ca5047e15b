"""Where two curves cross, with a range, and from where on one leads."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

import fanstats as fs
from fanstats.decisions.crossing import crossing
from fanstats.decisions.curve_bands import difference_band
from tests.simulated_curves import SimulatedCurves
from tests.tables import power_law_rows, readings

SPREAD = fs.UnitSpread(noise=fs.standard(0.4), airflow=fs.standard("1 %"))
LEVELS = np.arange(28.0, 44.1, 0.5)


def crossing_table():
    """A: 45 dB a decade, B: 60; far from the room they meet at 33 + 3.03 dB of fan noise."""
    return readings(
        power_law_rows("A", slope=45.0, room=10.0, airflow_at_900=450.0),
        power_law_rows("B", slope=60.0, room=10.0, airflow_at_900=468.0),
    )


def meeting_level():
    fan = 33 + np.log10(468 / 450) / (1 / 45 - 1 / 60)
    return 10 * np.log10(10 ** (fan / 10) + 10**1.0)


def made(value, low, high, *, level=None, joint=None, **attrs):
    """A band of a difference as `difference_band` gives it, from logarithms."""
    level = np.arange(30.0, 30.0 + len(value)) if level is None else level
    ranges = np.exp(np.stack([low, high], axis=1))
    return xr.Dataset(
        {
            "ratio_value": ("level", np.exp(value)),
            "ratio": (("level", "bound"), ranges),
            "ratio_simultaneous": (("level", "bound"), ranges if joint is None else joint),
        },
        coords={"level": ("level", level, {"units": "dBA"}), "bound": ["lower", "upper"]},
        attrs={
            "first": "A", "second": "B", "scope": "model", "probability": 0.95,
            "settled_from": np.nan, "settled_to": np.nan, "crossing_never": 0.0,
            "crossing_once": 1.0, "crossing_often": 0.0, **attrs,
        },
    )  # fmt: skip


def band_of(**more):
    given = {"bench": fs.Bench(spread=SPREAD), "obstruction": "none", "draws": 4000, "rng": 5}
    return difference_band(crossing_table(), "A", "B", LEVELS, **{**given, **more})


def test_a_crossing_is_found_where_the_curves_meet_with_fiellers_range():
    """Level, ends and who leads, against the closed form of two straight lines."""
    found = crossing(band_of())

    (point,) = found.points
    assert point.level == pytest.approx(meeting_level(), abs=0.01)
    assert point.ahead_above == "A"
    # log ratio = (L - L0) k, k = ln 10 (1/45 - 1/60); luck e_A / 45 - e_B / 60 and f_A - f_B.
    k = np.log(10) * (1 / 45 - 1 / 60)
    u = np.hypot(0.4 * np.log(10) * np.hypot(1 / 45, 1 / 60), 0.01 * np.sqrt(2))
    assert [point.low, point.high] == pytest.approx(
        [meeting_level() - 1.96 * u / k, meeting_level() + 1.96 * u / k], abs=0.25
    )
    assert point.apart
    assert found.ahead_loud == "A"
    assert found.ahead_quiet == "B"
    assert found.settled_from == pytest.approx(point.high, abs=0.5)
    assert found.settled_to == pytest.approx(point.low, abs=0.5)
    assert found.once > 0.99


def test_the_range_of_a_single_crossing_is_that_of_the_draws_crossings():
    """Quantiles of where each draw crosses, by linear interpolation over the same levels."""
    estimates = fs.equal_noise(
        crossing_table(), LEVELS, bench=fs.Bench(spread=SPREAD), draws=4000, rng=5
    )["airflow"].sel(scope="model", obstruction="none")
    gap = np.log(estimates.sel(model="A") / estimates.sel(model="B")).transpose("level", "draw")
    held = np.isfinite(gap).all("draw").to_numpy()
    gap = gap.to_numpy()[held]
    at = [np.interp(0.0, gap[:, draw], LEVELS[held]) for draw in range(gap.shape[1])]

    (point,) = crossing(band_of()).points

    assert [point.low, point.high] == pytest.approx(np.quantile(at, [0.025, 0.975]), abs=0.1)


def test_the_simultaneous_range_is_the_wider_one_and_settles_less():
    """It holds at all levels at once."""
    band = band_of()
    own, joint = (np.log(band[name].to_numpy()) for name in ("ratio", "ratio_simultaneous"))
    held = np.isfinite(joint)
    assert held.any(axis=0).all()

    assert (joint[:, 0] <= own[:, 0])[held[:, 0]].all()
    assert (joint[:, 1] >= own[:, 1])[held[:, 1]].all()
    assert band.attrs["multiplier"] > 1.96
    stretches = crossing(band).everywhere
    assert [who for *_, who in stretches] == ["B", "A"]
    assert stretches[1][0] >= band.attrs["settled_from"]
    assert stretches[0][1] <= band.attrs["settled_to"]


def test_two_levels_that_move_as_one_need_no_allowance():
    """Airflow luck alone moves the whole ratio: the multiplier is that of one level."""
    bench = fs.Bench(spread=fs.UnitSpread(noise=0, airflow=fs.standard("1 %")))
    band = band_of(bench=bench, draws=20_000)

    assert band.attrs["multiplier"] == pytest.approx(1.96, rel=0.03)
    width = np.log(band["ratio_simultaneous"]).diff("bound").to_numpy()
    assert np.nanmax(width) == pytest.approx(2 * 1.96 * 0.01 * np.sqrt(2), rel=0.04)


def test_the_sentence_names_level_range_and_leaders():
    """In words that can stand under a chart."""
    said = crossing(band_of()).sentence()

    assert "The airflow curves of A and B (the typical ones, obstruction: none) cross at 36.1" in (
        said.replace("36.2 dBA", "36.1 dBA")
    )
    assert "range, 95 times in 100: " in said
    assert "above it A moves more air" in said
    assert "on A is ahead, settled." in said
    assert "B is, settled." in said


def test_no_crossing_is_said_with_the_share_of_draws_that_cross_after_all():
    """Curves that run close together."""
    value = np.full(5, 0.02)
    close = crossing(made(value, value - 0.05, value + 0.05, crossing_never=0.7,
                          crossing_once=0.2, crossing_often=0.1))  # fmt: skip
    far = crossing(made(value, value - 0.01, value + 0.01, crossing_never=1.0, crossing_once=0.0,
                        settled_from=30.0, settled_to=34.0))  # fmt: skip

    assert close.points == ()
    assert "do not cross as read between 30.0 dBA and 34.0 dBA" in close.sentence()
    assert "Within the uncertainty they cross here after all 30 times in 100" in close.sentence()
    assert "At no end of this range is it settled" in close.sentence()
    assert "From 30.0 dBA on A is ahead, settled." in far.sentence()
    assert "after all" not in far.sentence()
    assert "Up to" not in far.sentence()


def test_several_crossings_are_listed_and_told_apart_only_if_settled_between():
    """A wave through "equal": wide ranges run together, narrow ones do not."""
    value = np.array([0.2, 0.1, -0.1, -0.2, -0.1, 0.1, 0.2])
    apart = crossing(made(value, value - 0.05, value + 0.05))
    together = crossing(made(value, value - 0.3, value + 0.3))

    assert [point.level for point in apart.points] == pytest.approx([31.5, 34.5])
    assert [point.ahead_above for point in apart.points] == ["B", "A"]
    assert all(point.apart for point in apart.points)
    assert apart.points[0][1:3] == pytest.approx((31.25, 31.75))
    assert "cross 2 times as read" in apart.sentence()
    assert not any(point.apart for point in together.points)
    assert np.isnan(together.points[0].low)
    assert "Not all of these crossings are told apart" in together.sentence()
    assert "below what was read to beyond what was read" in together.sentence()


def test_an_end_that_the_data_do_not_reach_is_missing():
    """The lower end of the range runs out of levels, or of ends covered by data."""
    value = np.array([-0.02, 0.05, 0.2, 0.4])
    low, high = value - 0.1, value + 0.1
    low[3] = np.nan
    found = crossing(made(value, low, high))

    (point,) = found.points
    assert np.isnan(point.low)
    assert point.high == pytest.approx(31 + 0.05 / 0.15)
    assert "below what was read to 31.3 dBA" in found.sentence()


def test_a_crossing_is_shown_and_saved(tmp_path):
    """Text, page and table."""
    found = crossing(band_of())

    assert repr(found) == found.sentence()
    assert "<table" in found._repr_html_()
    found.to_csv(tmp_path / "crossing.csv")
    assert (tmp_path / "crossing.csv").read_text() == found.to_csv()
    with pytest.raises(fs.FanstatsError, match="`band` must be what `difference_band` returns"):
        crossing(band_of().drop_vars("ratio_value"))


def test_nothing_known_of_either_is_said():
    """Without a stated spread the typical ones have no band."""
    found = crossing(band_of(bench=fs.Bench(), draws=100))

    assert "cannot be compared at any level" in found.sentence()
    assert found.points == ()


@given(
    seed=st.integers(0, 10_000),
    width=st.floats(0.001, 0.5),
    wider=st.floats(1.0, 4.0),
)
def test_a_range_holds_its_crossing_and_turns_with_the_pair(seed, width, wider):
    """Whatever the curve; a wider band has a wider range; turned round, the same levels."""
    rng = np.random.default_rng(seed)
    value = np.cumsum(rng.normal(size=12)) * 0.1
    points, broad, turned = (
        crossing(made(sign * value, sign * value - w, sign * value + w)).points
        for sign, w in ((1, width), (1, width * wider), (-1, width))
    )

    assert [point.level for point in turned] == pytest.approx([point.level for point in points])
    for point, other, back in zip(points, broad, turned, strict=True):
        assert not point.low > point.level
        assert not point.high < point.level
        assert not other.low > point.low + 1e-9
        assert not other.high < point.high - 1e-9
        assert {point.ahead_above, back.ahead_above} == {"A", "B"}
        assert [back.low, back.high] == pytest.approx([point.low, point.high], nan_ok=True)


def test_pairs_that_cannot_be_compared_say_why():
    """No level in common, and at which level that is told; or a spread that nobody stated."""
    quiet = power_law_rows("A", room=10.0)
    loud = power_law_rows("B", room=10.0, level_at_900=60.0)
    bench = fs.Bench(spread=fs.UnitSpread(noise=fs.standard(0.5), airflow=fs.standard("1 %")))
    apart = fs.difference_band(
        readings(quiet, loud), "A", "B", bench=bench, obstruction="none", draws=100, rng=1
    )
    unknown = crossing(band_of(bench=fs.Bench(), draws=100)).sentence()

    said = crossing(apart).sentence()
    assert "cannot be compared at any level: at 4" in said
    assert "A: above range: its loudest step is" in said
    assert "cannot be compared at any level: at 36.0 dBA, A: spread not stated: noise" in unknown


@pytest.mark.simulation
@pytest.mark.parametrize(
    "scope", ["model", pytest.param("tested unit", marks=pytest.mark.at_length)]
)
def test_the_range_of_a_crossing_covers_as_stated(scope):
    """110 pairs whose curves truly cross at a level known: 95 of 100 ranges hold it."""
    simulated = SimulatedCurves(
        models=2, slopes=(45.0, 60.0), flows=(450.0, 468.0), apart=0.0, level_at_900=35.0,
        noise_spread=0.5, airflow_spread=0.01, speeds=(450.0, 600.0, 800.0, 1050.0, 1400.0, 1900.0),
    )  # fmt: skip
    fine, levels = np.linspace(27.5, 47.0, 4001), np.linspace(29.0, 45.0, 8)
    rng, held, crossed = np.random.default_rng(7), 0, 0
    place = ["tested unit", "model", "next unit"].index(scope)
    for run in range(110):
        table, truth = simulated.simulate(rng, fine, [900.0])
        flows = truth["airflow", "noise"][place]
        true = float(np.interp(0.0, np.log(flows[0] / flows[1]), fine))
        band = difference_band(
            fs.read_readings(table), "M00", "M01", levels, bench=simulated.bench(), scope=scope,
            chosen="before", draws=400, rng=run, pooled={"curve": 0.0},
        )  # fmt: skip
        found = crossing(band)
        low, high = np.nan, np.nan
        if len(found.points) == 1:
            crossed += 1
            _, low, high, *_ = found.points[0]
            held += not (true < low or true > high)  # a missing end claims nothing
    lower, upper = stats.binom.ppf([0.001, 0.999], crossed, 0.95) / crossed
    assert crossed > 100
    assert lower <= held / crossed <= upper
