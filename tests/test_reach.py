"""Which models reach a level, how far the others are from it, what share on sale cannot."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

import fanstats as fs
from fanstats.decisions.reach import reach
from tests.tables import power_law_rows, readings

SPREAD = fs.UnitSpread(noise=fs.standard(0.8), speed=fs.standard("4 %"))
BENCH = fs.Bench(spread=SPREAD)


def table(**more):
    """A tops out at 44.1 dB of fan noise at 9 V, B 5 dB lower."""
    return readings(
        power_law_rows("A", room=10.0, **more),
        power_law_rows("B", room=10.0, level_at_900=28.0, **more),
    )


def rows_of(found):
    return found.set_index("model")


def test_the_share_that_cannot_reach_a_level_is_its_closed_form():
    """Normal: two lucks in noise, two in speed through 50 lg N, against the distance to the top."""
    top = 33 + 50 * np.log10(1500 / 900)
    spread = np.sqrt(2) * np.hypot(0.8, 50 / np.log(10) * 0.04)

    for level in (42.5, 44.0, 45.0):
        found = rows_of(reach(table(), level, bench=BENCH, draws=40_000, rng=1))
        expected = stats.norm.cdf((level - top) / spread)
        error = 5 * np.sqrt(expected * (1 - expected) / 40_000)
        assert found.loc["A", "share_short"] == pytest.approx(expected, abs=error + 0.01)
    assert found.loc["A", "highest_drive"] == 9.0
    assert found.loc["A", "drive_units"] == "V"


def test_every_model_says_how_far_it_is_from_the_level():
    """Above, inside and below what was read."""
    loud = rows_of(reach(table(), 42.0, bench=BENCH, draws=1000, rng=1))
    quiet = rows_of(reach(table(), 17.0, bench=BENCH, draws=1000, rng=1))

    assert loud.loc["A", "distance"] == 0.0
    assert loud.loc["A", "status"] == ""
    top = 28 + 50 * np.log10(1500 / 900)
    assert loud.loc["B", "loudest"] == pytest.approx(top, abs=0.01)
    assert loud.loc["B", "distance"] == pytest.approx(42.0 - top, abs=0.01)
    assert loud.loc["B", "status"].startswith("above range: its loudest step is 2.9 dB below")
    assert "B cannot be read at 42 dBA: above range" in loud.loc["B", "in_words"]
    assert "of those on sale do not reach it at 9 V" in loud.loc["B", "in_words"]
    low = 33 + 50 * np.log10(500 / 900)
    lowest = 10 * np.log10(10 ** (low / 10) + 10)
    assert quiet.loc["A", "quietest"] == pytest.approx(lowest, abs=0.01)
    assert quiet.loc["A", "distance"] == pytest.approx(lowest - 17.0, abs=0.01)
    assert quiet.loc["A", "share_short"] == 0.0
    assert "nearly all of those on sale reach it at 9 V" in quiet.loc["A", "in_words"]


def test_a_level_that_next_to_none_reach_is_told_in_words():
    """8 dB above the top: no share of 100 in 100."""
    found = rows_of(reach(table(), 52.0, bench=BENCH, draws=1000, rng=1))

    assert "hardly any of those on sale reach it at 9 V" in found.loc["A", "in_words"]


def test_samples_unreadable_for_reasons_of_their_own_are_told_one_by_one():
    """Each with how far it is, not the first alone."""
    both = readings(
        power_law_rows("A", unit="1", room=10.0),
        power_law_rows("A", unit="2", room=10.0, level_at_900=32.0),
    )
    found = rows_of(reach(both, 46.0, bench=BENCH, draws=100, rng=1)).loc["A"]

    assert (
        "0 of 2 units readable: sample 1: above range: its loudest step is 1.9 dB" in found.status
    )
    assert "sample 2: above range: its loudest step is 2.9 dB" in found.status


def test_several_samples_are_covered_where_all_of_them_are():
    """The loudest level is that of the quietest sample, and the share rests on both."""
    both = readings(
        power_law_rows("A", unit="1", room=10.0),
        power_law_rows("A", unit="2", room=10.0, level_at_900=32.0),
    )
    found = rows_of(reach(both, 43.0, bench=BENCH, draws=20_000, rng=1)).loc["A"]

    top = 32.5 + 50 * np.log10(1500 / 900)
    assert found["loudest"] == pytest.approx(top - 0.5, abs=0.01)
    spread = np.sqrt(1.5) * np.hypot(0.8, 50 / np.log(10) * 0.04)
    expected = stats.norm.cdf((43.0 - top) / spread)
    assert found["share_short"] == pytest.approx(expected, abs=0.02)


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"bench": fs.Bench(spread=fs.UnitSpread(noise=fs.standard(0.8)))},
         "spread not stated: speed"),
        ({"readings": table().drop_vars("drive_voltage")}, "no drive noted"),
        ({"readings": table().drop_vars("speed")}, "no speed readings"),
    ],
)  # fmt: skip
def test_a_share_that_nobody_can_know_says_why(change, why):
    """The distance is told all the same."""
    given = {"readings": table(), "bench": BENCH, "draws": 200, "rng": 1, **change}
    found = rows_of(reach(given.pop("readings"), 42.0, **given)).loc["A"]

    assert np.isnan(found["share_short"])
    assert found["share_status"].startswith(why)
    assert np.isfinite(found["distance"])


def test_the_same_root_gives_the_same_shares():
    """And no other than that of equal drive."""
    one, two = (reach(table(), 44.0, bench=BENCH, draws=2000, rng=3) for _ in range(2))

    assert one.equals(two)
    at_full = fs.equal_drive(table(), 9.0, bench=BENCH, draws=2000, rng=3)
    noise = at_full["noise"].sel(scope="next unit", model="A").to_numpy()
    assert one["share_short"][0] == np.mean(noise < 44.0)
