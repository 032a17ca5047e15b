"""Background removal: level, sensitivities, limits of the standards, draws below the room."""

from __future__ import annotations

import csv
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
from scipy import stats
from uncertainties import ufloat, unumpy

from fanstats import levels as lv
from fanstats.errors import FanstatsError, FanstatsWarning

FOLDER = Path(__file__).parent / "reference"
REFERENCE = tomllib.loads((FOLDER / "levels_published.toml").read_text())
LEVELS = st.floats(0.0, 120.0)


def printed(text: str) -> Any:
    """Match a published figure within half a unit of its last printed digit."""
    half = 0.5 * 10.0 ** int(Decimal(text).as_tuple().exponent)
    return pytest.approx(float(text), abs=half * (1 + 1e-9), rel=0)


def k1_table() -> list[tuple[float, str]]:
    lines = (FOLDER / "levels_k1.csv").read_text().splitlines()
    rows = csv.DictReader(line for line in lines if not line.startswith("#"))
    return [(float(row["gap"]), row["k1"]) for row in rows]


def draws_near_the_room(n: int = 200_000) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(2024)
    return 31 + 0.5 * rng.standard_normal(n), 30 + 0.5 * rng.standard_normal(n)


# Correction and removal --------------------------------------------------------------------------


@pytest.mark.parametrize(("gap", "k1"), k1_table())
def test_correction_meets_iso_3744_equation_16(gap: float, k1: str) -> None:
    """K1 for gaps of 3 to 15 dB meets Eq. 16 of ISO 3744:2010 (formula transcribed)."""
    assert lv.background_correction(30.0 + gap, 30.0, grade=None) == printed(k1)
    assert lv.remove_background(30.0 + gap, 30.0) == pytest.approx(
        30 + gap - lv.background_correction(30.0 + gap, 30.0, grade=None), abs=1e-9
    )


@pytest.mark.parametrize("case", REFERENCE["limits"], ids=lambda case: case["grade"])
def test_correction_keeps_the_limits_of_each_grade(case: dict[str, Any]) -> None:
    """No correction above the negligible gap, a fixed one below the least (transcribed)."""
    least, negligible = case["least"], case["negligible"]
    gaps = np.array([-5.0, 0.0, least - 0.01, least, negligible, negligible + 0.01, 40.0])
    found = lv.background_correction(30 + gaps, 30.0, grade=case["grade"])

    assert found[:4].tolist() == [printed(case["cap"])] * 4
    assert found[4] == lv.background_correction(30 + negligible, 30.0, grade=None) > 0
    assert found[5:].tolist() == [0, 0]
    bounds = lv.corrected_level(30 + gaps, 30.0, grade=case["grade"]).upper_bound
    assert bounds.tolist() == [True] * 3 + [False] * 4


def test_iso_1996_2_corrects_only_above_3_db_and_states_the_reading_below() -> None:
    """At 3 dB or less ISO 1996-2:2017 10.4 states the level as read, as a bound (transcribed)."""
    at_three = lv.corrected_level(33.0, 30.0, grade="ISO 1996-2")
    above = lv.corrected_level(33.01, 30.0, grade="ISO 1996-2")

    assert at_three.upper_bound
    assert at_three.stated == 33.0
    assert not above.upper_bound
    assert above.stated == pytest.approx(above.estimate)


def test_removal_is_by_energy_and_not_rounded() -> None:
    """93 over 89 dB leaves 90.7952 dB (derived), where a table says 90.7 and never 4."""
    assert lv.remove_background(93.0, 89.0) == printed("90.7952")
    assert lv.remove_background(93, 89) == lv.remove_background(Decimal(93), np.float32(89))


@given(LEVELS, st.floats(-12.0, 60.0))
def test_sum_then_removal_gives_back(room: float, above: float) -> None:
    """A fan put into a room comes out again."""
    total = lv.add_background(room + above, room)

    assert lv.remove_background(total, room) == pytest.approx(room + above, abs=1e-9)


def test_added_background_carries_uncertainty_by_share_of_energy() -> None:
    """Fan and room add with their shares of the energy as sensitivities, and come apart again."""
    fan, room = ufloat(36.0, 0.3), ufloat(30.0, 0.4)
    total = lv.add_background(fan, room)
    share = 10**3.6 / (10**3.6 + 10**3)

    assert total.std_dev == pytest.approx(math.hypot(share * 0.3, (1 - share) * 0.4), rel=1e-12)
    assert (lv.remove_background(total, room) - fan).std_dev == pytest.approx(0, abs=1e-12)


@given(LEVELS, st.floats(0.3, 60.0), st.floats(-50.0, 50.0))
def test_an_error_in_both_readings_cancels_in_the_correction(
    room: float, gap: float, shift: float
) -> None:
    """A shift of both readings leaves K1 alone and moves the corrected level by itself."""
    total = room + gap

    assert lv.background_correction(total + shift, room + shift, grade=None) == pytest.approx(
        lv.background_correction(total, room, grade=None), abs=1e-8
    )
    assert lv.remove_background(total + shift, room + shift) == pytest.approx(
        lv.remove_background(total, room) + shift, abs=1e-8
    )


def test_shared_meter_error_cancels_with_uncertain_numbers() -> None:
    """One meter error in both readings: none in K1, dB for dB in the level, nothing twice."""
    meter, own = ufloat(0.0, 0.8), ufloat(0.0, 0.2)
    total, room = 36.0 + meter + own, 30.0 + meter
    level = lv.remove_background(total, room)
    sensitivity = lv.background_sensitivities(36.0, 30.0).total

    k1 = lv.background_correction(total, room, grade=None)
    assert k1.std_dev == pytest.approx((sensitivity - 1) * 0.2, rel=1e-9)
    assert level.std_dev == pytest.approx(math.hypot(0.8, sensitivity * 0.2), rel=1e-9)
    assert (level - meter).std_dev == pytest.approx(sensitivity * 0.2, rel=1e-9)


def test_shared_meter_error_cancels_with_draws() -> None:
    """The same in draws: K1 of readings that share their whole error does not move at all."""
    meter = xr.DataArray(np.random.default_rng(1).normal(0, 0.8, 5000), dims="draw")
    total, room = 36.0 + meter, 30.0 + meter
    level = lv.remove_background(total, room)

    np.testing.assert_allclose(
        lv.background_correction(total, room, grade=None),
        lv.background_correction(36.0, 30.0, grade=None),
        atol=1e-9,
    )
    np.testing.assert_allclose(level - meter, lv.remove_background(36.0, 30.0), atol=1e-9)


def test_sensitivities_meet_iso_1996_2_annex_f() -> None:
    """1/(1-m) at 3, 6, 10, 15 dB is 2.00, 1.34, 1.11, 1.03 (ISO 1996-2:2017 F.7, derived)."""
    case = REFERENCE["sensitivity"]
    found = lv.background_sensitivities(30 + np.array(case["gap"]), 30.0)
    assert found.total.tolist() == [printed(text) for text in case["total"]]
    np.testing.assert_allclose(found.total + found.background, 1.0)
    exact = [(31.0, "4.8621", "-3.8621"), (33.0, "2.0048", "-1.0048"), (40.0, "1.1111", "-0.1111")]
    for total, on_total, on_background in exact:
        one = lv.background_sensitivities(total, 30.0)
        assert one.total == printed(on_total)
        assert one.background == printed(on_background)


@given(LEVELS, st.floats(0.5, 40.0))
def test_sensitivities_are_the_slopes(room: float, gap: float) -> None:
    """Analytic sensitivities equal numerical derivatives."""
    step = 1e-5
    total = room + gap
    found = lv.background_sensitivities(total, room)
    by_total = lv.remove_background(total + step, room) - lv.remove_background(total - step, room)
    by_room = lv.remove_background(total, room + step) - lv.remove_background(total, room - step)

    assert found.total == pytest.approx(by_total / (2 * step), rel=1e-5)
    assert found.background == pytest.approx(by_room / (2 * step), rel=1e-5, abs=1e-5)


def test_corrected_uncertainty_meets_iso_1996_2_annex_f() -> None:
    """0.5 dB on each reading gives 0.99, 0.69, 0.56, 0.52 dB at 3.5, 6, 10, 15 dB (derived)."""
    case = REFERENCE["corrected_uncertainty"]
    for gap, u in zip(case["gap"], case["u"], strict=True):
        level = lv.remove_background(ufloat(30 + gap, 0.5), ufloat(30, 0.5))
        assert level.std_dev == printed(u)


@pytest.mark.parametrize(
    ("total", "level", "u"),
    [(31, "24.1317", "3.1047"), (33, "29.9794", "1.1212"), (40, "39.5424", "0.5583")],
)
def test_first_order_uncertainty_of_a_corrected_level(total: float, level: str, u: str) -> None:
    """Independent 0.5 dB on total and background carried through the removal (derived)."""
    found = lv.remove_background(ufloat(total, 0.5), ufloat(30, 0.5))

    assert found.nominal_value == printed(level)
    assert found.std_dev == printed(u)


def test_kinds_come_back_as_they_went_in() -> None:
    """Float, array, labelled array, uncertain number and arrays of those, each gives its like."""
    uncertain = unumpy.uarray([36.0, 40.0], 0.5)
    labelled = xr.DataArray([36.0, 40.0], dims="model", coords={"model": ["A", "B"]},
                            name="noise", attrs={"units": "dB(A)"})  # fmt: skip
    expected = [lv.remove_background(36.0, 30.0), lv.remove_background(40.0, 30.0)]

    assert type(expected[0]) is float
    array = lv.remove_background([36.0, 40.0], 30.0)
    assert isinstance(array, np.ndarray)
    np.testing.assert_allclose(array, expected)
    np.testing.assert_allclose(
        unumpy.nominal_values(lv.remove_background(uncertain, 30.0)), expected
    )
    result = lv.remove_background(labelled, 30.0)
    np.testing.assert_allclose(result, expected)
    assert result.attrs == {
        "units": "dBA",
        "long_name": "noise, background removed",
        "share_below": 0.0,
        "share_held": 0.0,
    }
    held_object = lv.remove_background(xr.DataArray(uncertain, dims="model"), 30.0)
    assert held_object.values[0].std_dev == pytest.approx(
        lv.remove_background(uncertain[0], 30.0).std_dev
    )


def test_labels_must_match_and_weightings_too() -> None:
    """Other labels, or dBC against dBA, are refused instead of joined in silence."""
    total = xr.DataArray([36.0, 40.0], dims="model", coords={"model": ["A", "B"]},
                         attrs={"units": "dBA"})  # fmt: skip
    room = xr.DataArray([30.0, 30.0], dims="model", coords={"model": ["A", "C"]})

    with pytest.raises(FanstatsError, match=r"labels of the levels differ.*'model'"):
        lv.remove_background(total, room)
    with pytest.raises(FanstatsError, match="dBA and in dBC cannot be combined"):
        lv.remove_background(total, (total - 3).assign_attrs(units="dBC"))


# At and below the room ---------------------------------------------------------------------------


@pytest.mark.parametrize("total", [30.1, 30.0, 29.0, ufloat(29.0, 0.5)])
def test_one_reading_at_the_room_is_refused_with_the_way_out(total: Any) -> None:
    """A lone total at or below its background has no level: the message names what it has."""
    with pytest.raises(FanstatsError, match=r"at least 0.2 dB above.*over 30.*\.stated"):
        lv.remove_background(total, 30.0)


def test_an_upper_bound_stands_where_no_level_can() -> None:
    """At and below the room the result object has no estimate, a bound, and words for both."""
    result = lv.corrected_level(29.0, 30.0)

    assert math.isnan(result.estimate)
    assert result.stated == pytest.approx(29 - 1.2563, abs=1e-4)
    assert result.upper_bound
    assert result.share_below == result.share_held == 1
    assert result.status == (
        "gap -1.0 dB, ISO 3744 asks for at least 6 dB: at most 27.7 dB; at the background: "
        "no estimate"
    )


def test_gaps_are_flagged_as_meter_manuals_do() -> None:
    """1 dB of gap: bound and first order not trusted; 3 dB: bound; 10 dB: nothing to say."""
    near, three, far = (
        lv.corrected_level(ufloat(total, 0.5), ufloat(30, 0.5), grade="ISO 1996-2")
        for total in (31, 33, 40)
    )

    assert near.upper_bound
    assert "first-order uncertainty not to be trusted" in near.status
    assert near.estimate.std_dev == printed("3.1047")
    assert three.upper_bound
    assert three.status == "gap 3.0 dB, ISO 1996-2 asks for more than 3 dB: at most 33.0 dB"
    assert not far.upper_bound
    assert far.status == ""


def test_draws_below_the_room_are_reported_as_a_share_and_kept() -> None:
    """1 dB of gap with 0.5 dB on each: 7.865 % of draws at or below (normal theory), all kept."""
    total, room = draws_near_the_room()
    result = lv.corrected_level(total, room, draw_axis=0)
    spread = math.sqrt(0.5)

    for share, edge in ((result.share_below, 0.0), (result.share_held, 0.2)):
        expected = stats.norm.cdf((edge - 1) / spread)
        error = math.sqrt(expected * (1 - expected) / total.size)
        assert share == pytest.approx(expected, abs=4 * error)
    assert result.estimate.shape == total.shape
    assert np.all(np.isfinite(result.estimate))
    assert "of draws at or below the background" in result.status


def test_interval_counts_draws_below_as_below() -> None:
    """Below the share held there is no lower end; above it the quantile is that of all draws."""
    total, room = draws_near_the_room()
    result = lv.corrected_level(total, room, draw_axis=0)
    low, high = result.coverage_interval(0.95)

    assert low == -math.inf
    expected = np.quantile(result.estimate, 0.975)
    assert high == expected
    discarded = result.estimate[total - room > 0.2]
    assert high < np.quantile(discarded, 0.975)
    middle_low, middle_high = result.coverage_interval(0.5)
    assert -math.inf < middle_low < middle_high
    gap_at = np.quantile(total - room, 0.25)
    assert gap_at > 0.2  # so that the lower quartile is read and not held


def test_labelled_draws_keep_model_and_root_and_say_their_share_each() -> None:
    """Each model has its own share, flag and words; the draws stay a dimension."""
    total, room = draws_near_the_room(20_000)
    totals = xr.DataArray(
        np.stack([total, total + 9]),
        dims=("model", "draw"),
        coords={"model": ["A", "B"], "root": "7"},
        attrs={"units": "dBA"},
    )
    rooms = xr.DataArray(room, dims="draw")
    result = lv.corrected_level(totals, rooms)
    low, high = result.coverage_interval(0.95)

    assert result.estimate.dims == ("model", "draw")
    assert str(result.estimate.root.item()) == "7"
    assert result.share_below.sel(model="A") > 0.07
    assert result.share_below.sel(model="B") == 0
    assert result.upper_bound.values.tolist() == [True, False]
    assert result.status.values[1] == ""
    assert low.values[0] == -math.inf
    assert low.values[1] == pytest.approx(np.quantile(result.estimate[1], 0.025))
    assert high.dims == ("model",)
    for held in (result.estimate, result.stated, low, result.share_below):
        assert "long_name" in held.attrs
        assert "units" in held.attrs


def test_arrays_are_held_at_the_floor_with_a_warning() -> None:
    """In an array draws at the room are held just above it, finite and lowest, and counted."""
    total, room = draws_near_the_room(1000)
    labelled = xr.DataArray(total, dims="draw")
    with pytest.warns(FanstatsWarning, match=r"held 0.2 dB above the background") as caught:
        level = lv.remove_background(labelled, room[0])

    assert caught[0].filename == __file__
    assert level.attrs["share_below"] == pytest.approx(np.mean(total <= room[0]))
    assert level.attrs["share_held"] == pytest.approx(np.mean(total - room[0] < 0.2))
    assert np.all(np.isfinite(level))
    assert float(level.min()) == pytest.approx(room[0] + 10 * math.log10(10**0.02 - 1))


def test_warning_names_count_and_first_place() -> None:
    """The first total at the room is named by its labels."""
    total = xr.DataArray([36.0, 30.0, 30.0], dims="model", coords={"model": ["A", "B", "C"]})
    with pytest.warns(FanstatsWarning, match=r"\(2 of 3, first at model='B'\)"):
        lv.remove_background(total, 30.0)


def test_missing_readings_stay_missing_and_are_not_below() -> None:
    """A NaN is not a level below the room: it stays NaN, uncounted, and says it was not read."""
    total = np.array([36.0, np.nan])
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        level = lv.remove_background(total, 30.0)
        result = lv.corrected_level(total, 30.0)

    assert np.isnan(level[1])
    assert np.isnan(lv.background_correction(total, 30.0)[1])
    assert result.share_below.tolist() == [0, 0]
    assert result.upper_bound.tolist() == [False, False]
    assert result.status.tolist() == ["", "total or background not read"]


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: lv.background_sensitivities(np.array([36.0, 29.0]), 30.0),
            r"got -1 dB of gap \(1 of 2, first at index 1\)",
        ),
        (lambda: lv.background_correction(30.0, 30.0, grade=None), "must stand above `background`"),
        (lambda: lv.background_correction(36.0, 30.0, grade="ISO 1"), "`grade` must be one of"),
        (lambda: lv.corrected_level(36.0, 30.0, grade="ISO 1"), "'ISO 3744', 'ISO 3746'"),
        (lambda: lv.remove_background(36.0, 30.0, floor=0.0), "`floor` must be a finite"),
        (lambda: lv.remove_background("36", 30.0), "`total` must hold numbers"),
        (lambda: lv.corrected_level(36.0, 30.0).coverage_interval(), "needs draws"),
        (
            lambda: lv.corrected_level(np.ones(3) * 36, 30, draw_axis=0).coverage_interval(95),
            "between 0 and 1",
        ),
        (lambda: lv.corrected_level(np.ones(3), 30, draw_axis=1), "`draw_axis` must be an axis"),
        (
            lambda: lv.corrected_level(xr.DataArray([36.0], dims="draw"), 30, draw_axis=0),
            "`draw_axis` is for plain arrays",
        ),
    ],
)
def test_bad_requests_say_what_is_wrong(call: Any, message: str) -> None:
    """What cannot be corrected is refused with the argument, the rule and what was found."""
    with pytest.raises(FanstatsError, match=message):
        call()
