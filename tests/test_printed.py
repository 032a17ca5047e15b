"""Results as plain text: rankings, the first two places, and the luck that would explain them."""

from __future__ import annotations

import pytest

import fanstats as fs
from fanstats.output.printed import pair_text, ranking_text
from tests.tables import power_law_rows, readings

NOISE = fs.Instrument(shared=[fs.half_width(1.0)], reading=[fs.standard(0.1)])
STATED = fs.Bench(noise=NOISE, spread=fs.UnitSpread(noise=fs.standard(0.8), airflow=0))
UNSTATED = fs.Bench(noise=NOISE)


def estimates(bench, *levels):
    """Fans by exact laws, the first the quietest, read off at one level."""
    groups = [power_law_rows(f"F{k}", level_at_900=level, room=20.0)
              for k, level in enumerate(levels)]  # fmt: skip
    return fs.equal_noise(readings(*groups), 36, bench=bench, draws=2000, rng=1)


def compared(found, first="F0", second="F1"):
    """The first two, behind nothing, for the typical ones."""
    return fs.compare(found, first, second, quantity="airflow", obstruction="none")


def test_an_unstated_spread_is_answered_the_other_way_round():
    """One sample each and no luck stated: how much luck would explain the gap between the two.

    1.5 dB apart, both 50 dB a decade: with equal luck in each, an e of s moves the gap by
    s sqrt 2, and it counts no more at 1.5 dB = 1.96 x sqrt(2 s^2 + 2 x 0.1^2).
    """
    pair = compared(estimates(UNSTATED, 32.0, 33.5))
    gap, lead, luck = pair_text(pair).splitlines()

    assert gap.startswith("F0 minus F1 is ")
    assert "between the samples tested, range, 95 times in 100: " in gap
    assert lead == "  open for the typical ones: sample luck was not stated"
    needed = ((1.5 / 1.96) ** 2 / 2 - 0.1**2) ** 0.5
    assert pair.spread_needed.noise_db == pytest.approx(needed, rel=0.03)
    assert f"{pair.spread_needed.noise_db:.2f} dB in noise alone" in luck
    assert luck.endswith("a tolerance of speed explains nothing at equal noise")


def test_a_stated_spread_gives_the_odds_and_how_often_it_would_be_needed():
    """Three lines: the gap with its range, who is ahead with the odds, the luck as a multiple."""
    pair = compared(estimates(STATED, 32.0, 33.5))
    gap, lead, luck = pair_text(pair).splitlines()

    assert "%)" in gap
    assert lead.startswith("  leaning to F0, not settled; confidence that F0 is ahead: ")
    assert " for the typical ones, " in lead
    assert lead.endswith(" for one bought sample of each")
    assert f"{pair.spread_needed.factor:.2g} times what was stated" in luck


@pytest.mark.parametrize(
    ("levels", "verdict"), [((32.0, 40.0), "  settled: F0 is ahead; "), ((32.0, 32.1), "  open; ")]
)
def test_the_verdict_is_never_alone(levels, verdict):
    """Settled or open, odds stand beside it."""
    lead = pair_text(compared(estimates(STATED, *levels))).splitlines()[1]

    assert lead.startswith(verdict)
    assert "is ahead: " in lead.removeprefix(verdict)


def test_a_gap_within_measurement_needs_no_luck():
    """0.1 dB between two fans: the readings alone explain it."""
    text = pair_text(compared(estimates(UNSTATED, 32.0, 32.1)))

    assert text.endswith("\n  measurement alone could explain the gap")


def test_the_first_two_and_another_close_call_are_told_once_each():
    """Of three fans the last two are the close ones; of two there is one pair to tell of."""
    three = ranking_text(estimates(STATED, 31.0, 36.0, 36.1), "airflow", "none")
    two = ranking_text(estimates(STATED, 36.0, 36.1), "airflow", "none")

    assert "First against second: F0 minus F1 is " in three
    assert "Closest call: F1 minus F2 is " in three
    assert "First against second: F0 minus F1 is " in two
    assert "Closest call" not in two
    assert max(len(line) for line in three.splitlines()) < 220


def test_nothing_to_rank_is_said_in_a_line_each():
    """Out of reach of every fan: no places to explain, the reasons one by one."""
    text = ranking_text(estimates(STATED, 20.0, 20.5), "airflow", "none")

    assert "no model can be ranked" in text
    assert "no place: F0: above range" in text
    assert "First against second" not in text
    assert "likely places" not in text
