"""A sample against its rating, and the luck a gap would take."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import fanstats as fs
from fanstats.spread.conformity import conformity
from fanstats.spread.luck_needed import luck_needed

PUBLISHED = pd.read_csv(
    Path(__file__).parent / "reference" / "conformity_published.csv", comment="#"
)


@pytest.mark.parametrize("row", list(PUBLISHED.itertuples()), ids=lambda row: row.example)
def test_conformance_probability_of_jcgm_106_examples(row):
    """One lower, one upper, two limits."""
    low = -math.inf if math.isnan(row.low) else row.low - row.value
    high = math.inf if math.isnan(row.high) else row.high - row.value
    found = conformity(row.value, row.u, rated=row.value, tolerance=(low, high))

    assert found.probability == pytest.approx(row.probability, abs=0.5 * 10.0**-row.digits)


def test_a_few_repeats_widen_the_judgement():
    """With four degrees of freedom Student's t stands in for the normal law."""
    sure = conformity(1080, 10, rated=1000, tolerance="10 %")
    rough = conformity(1080, 10, rated=1000, tolerance="10 %", dof=4)

    assert sure.probability == pytest.approx(0.97725, abs=5e-6)
    # Tables of Student's t: 0.94194 below t = 2, less 0.00003 beyond the far limit.
    assert rough.probability == pytest.approx(0.94191, abs=5e-6)
    assert (sure.verdict, rough.verdict) == ("conforms", "open")


@pytest.mark.parametrize("tolerance", [100, "10 %", "100", fs.half_width("10 %"), (-100.0, 100.0)])
def test_the_band_is_the_same_however_it_is_written(tolerance):
    """A number, a percentage, a source or two distances."""
    found = conformity(950, 5, rated=1000, tolerance=tolerance)

    assert (found.low, found.high) == pytest.approx((900, 1100))
    assert found.place == pytest.approx(-0.5)
    assert found.capability == pytest.approx(10)


def test_one_sided_bands_have_a_place_on_one_side_alone():
    """At most 3 dB above the rated level: quieter has no limit."""
    loud = conformity(35.0, 0.5, rated=33.0, tolerance=(-math.inf, 3.0))
    quiet = conformity(30.0, 0.5, rated=33.0, tolerance=(-math.inf, 3.0))

    assert loud.place == pytest.approx(2 / 3)
    assert quiet.place == 0.0
    assert quiet.probability == pytest.approx(1.0)
    assert math.isnan(loud.capability)
    assert "up to 36" in conformity(35, 0.5, rated=33, tolerance=(-math.inf, 3.0)).sentence()


def test_a_place_far_outside_the_band_is_written_out():
    """A band typed too narrow by far is seen at once, not read off an exponent."""
    text = conformity(1320, 0, rated=1400, tolerance=0.1).sentence()
    assert "reads 1320" in text
    assert "80,000 % of the way to the limit below" in text


def test_an_exact_reading_is_in_or_out():
    """Without uncertainty the probability is 0 or 1, on the limit still in."""
    assert conformity(1100, 0, rated=1000, tolerance=100).probability == 1.0
    assert conformity(1101, 0, rated=1000, tolerance=100).verdict == "does not conform"


def test_the_place_has_a_range_of_its_own():
    """990 with 10 at a band of 900 to 1050: Student's t, each side by its own limit."""
    found = conformity(990, 10, rated=1000, tolerance=(-100.0, 50.0), dof=5)
    reach = 2.570582 * 10

    assert found.place_low == pytest.approx((-10 - reach) / 100, rel=1e-6)
    assert found.place_high == pytest.approx((-10 + reach) / 50, rel=1e-6)
    assert "range of its place, 95 times in 100: -35.7 % to +31.4 %" in found.sentence()
    below = conformity(960, 2, rated=1000, tolerance=100).sentence()
    assert "40 % of the way to the limit below" in below
    assert "range of its place, 95 times in 100: 36.1 % to 43.9 %" in below
    assert "range of its place" not in conformity(990, 0, rated=1000, tolerance=100).sentence()


def test_it_prints_in_words():
    """What is shown is the sentence, with the verdict and no more digits than mean anything."""
    inside, open_ = (
        conformity(value, 15, rated=1000, tolerance="10 %", units="rpm") for value in (1010, 1090)
    )

    assert repr(inside) == inside.sentence()
    assert "900 to 1100 rpm more than 99.9 times in 100" in repr(inside)
    assert "as far as the errors of reading tell: inside." in repr(inside)
    assert "75 times in 100, as far as the errors of reading tell: not settled." in repr(open_)


def test_a_rough_reading_says_so():
    """A range wider than the band cannot judge."""
    assert "too rough" in conformity(1000, 80, rated=1000, tolerance=100).sentence()
    assert "too rough" not in conformity(1000, 10, rated=1000, tolerance=100).sentence()


def test_what_makes_no_band_is_refused():
    """An empty band, a standard deviation, a negative uncertainty."""
    with pytest.raises(fs.FanstatsError, match="below < above"):
        conformity(1, 1, rated=1, tolerance=(1.0, 1.0))
    with pytest.raises(fs.FanstatsError, match="a spread, not a band"):
        conformity(1, 1, rated=1, tolerance=fs.standard(0.1))
    with pytest.raises(fs.FanstatsError, match="`tolerance` must be above 0"):
        conformity(1, 1, rated=1, tolerance=0)
    with pytest.raises(fs.FanstatsError, match="`u` must be a finite number at least 0"):
        conformity(1, -1, rated=1, tolerance=1)


# Luck needed -----------------------------------------------------------------------------------


def test_rare_luck_is_printed_without_digits_nobody_can_check():
    """500 % of air: no exponents; and what unit_spread gives points to its bench."""
    text = luck_needed(5.0, spread=fs.UnitSpread(noise=fs.standard(0.8))).sentence()
    assert text.startswith("A gap of 500 % in airflow")
    assert "airflow luck alone must differ by 500 % (spread not stated)" in text
    assert "two samples differ as much less than 0.1 times in 100" in text
    assert "e+" not in text
    assert "e-" not in text
    found = fs.unit_spread(fs.demo.readings(), fs.demo.bench())
    with pytest.raises(fs.FanstatsError, match=r"got SpreadEstimate\. Pass its `\.bench`\."):
        luck_needed(0.05, spread=found)


def needed(found, luck):
    return found.table.set_index("luck").loc[luck]


def test_noise_luck_needed_follows_the_slope():
    """5 % more air at 50 dB a decade is 50 lg 1.05 dB; two samples differ so much 35 in 100."""
    found = luck_needed(0.05, spread=fs.UnitSpread(noise=fs.standard(0.8)))
    noise = needed(found, "noise luck alone")

    assert noise["needed"] == pytest.approx(50 * np.log10(1.05))
    z = 50 * np.log10(1.05) / (0.8 * np.sqrt(2))
    assert noise["chance"] == pytest.approx(math.erfc(z / np.sqrt(2)))
    assert needed(found, "airflow luck alone")["note"] == "spread not stated"


def test_speed_luck_explains_nothing_at_equal_noise_and_says_so():
    """At equal drive it is the whole story; there noise luck moves no air."""
    spread = fs.UnitSpread(
        noise=fs.standard(0.8), airflow=fs.standard("2 %"), speed=fs.standard("5 %")
    )
    matched = luck_needed("5 %", spread=spread)
    driven = luck_needed("5 %", spread=spread, held="equal drive")

    assert needed(matched, "speed luck")["chance"] == 0.0
    assert "speed luck explains nothing" in matched.sentence()
    assert needed(driven, "speed luck alone")["needed"] == pytest.approx(0.05)
    assert "noise luck moves no air at equal drive" in driven.sentence()


@pytest.mark.simulation
@pytest.mark.parametrize("gap", [0.05, -0.05])
def test_chances_are_those_of_simulated_pairs(gap):
    """All kinds together, against two simulated samples; the sign of the gap does not matter."""
    spread = fs.UnitSpread(noise=fs.standard(0.8), airflow=fs.standard("2 %"))
    rng = np.random.default_rng(1)
    trials = 200_000
    e, f = rng.normal(size=(2, 2, trials)) * np.array([0.8, 0.02])[:, None, None]
    log_flow = -e / 50 * np.log(10) + f
    truth = np.mean(np.abs(log_flow[0] - log_flow[1]) >= abs(np.log1p(gap)))
    found = needed(luck_needed(gap, spread=spread), "all kinds together")["chance"]

    assert found == pytest.approx(truth, abs=4 * np.sqrt(truth * (1 - truth) / trials))


def test_a_makers_limits_make_a_gap_impossible_beyond_them():
    """Two samples within 10 % either way differ by more than 20 % never, by 10 % a quarter."""
    spread = fs.UnitSpread(speed=fs.half_width("10 %"))
    far = needed(luck_needed(0.21, spread=spread, held="equal drive"), "speed luck alone")
    near = needed(luck_needed(0.10, spread=spread, held="equal drive"), "speed luck alone")

    assert far["chance"] == 0.0
    assert near["chance"] == pytest.approx(0.25)


def test_an_estimated_spread_takes_students_t():
    """Two degrees of freedom make a large gap less rare than the normal law says."""
    known = fs.UnitSpread(noise=fs.standard(0.8))
    estimated = fs.UnitSpread(noise=fs.standard(0.8, dof=2))
    few = needed(luck_needed(0.15, spread=estimated), "noise luck alone")["chance"]

    assert few > 3 * needed(luck_needed(0.15, spread=known), "noise luck alone")["chance"]


def test_unclear_gaps_are_refused():
    """A number in quotes without its sign, no spread, a gap of more than everything."""
    with pytest.raises(fs.FanstatsError, match="must read like '5 %'"):
        luck_needed("5", spread=fs.UnitSpread())
    with pytest.raises(fs.FanstatsError, match="must read like '5 %'"):
        luck_needed("much", spread=fs.UnitSpread())
    with pytest.raises(fs.FanstatsError, match="`gap` must be a finite number above -1"):
        luck_needed(-1.0, spread=fs.UnitSpread())
    with pytest.raises(fs.FanstatsError, match="`spread` must be a UnitSpread or a Bench"):
        luck_needed(0.1, spread=0.8)
