"""Does the advice hold for quiet buyers and for loud ones: rankings at several levels."""

from __future__ import annotations

import numpy as np
import pytest

import fanstats as fs
from fanstats.decisions.rank_levels import rank_levels
from fanstats.errors import FanstatsError
from tests.tables import power_law_rows, readings

BENCH = fs.Bench(
    noise=fs.Instrument(reading=fs.standard(0.05)),
    speed=fs.Instrument(reading=fs.standard(1.0)),
    airflow=fs.Instrument(reading=fs.standard("0.2 %")),
    spread=fs.UnitSpread(noise=fs.standard(0.05), airflow=fs.standard("0.1 %")),
)


def several(levels, *, bench=BENCH, **of_the_first):
    """Two models of equal airflow at 33 dB.

    At a level L the speed is 900 * 10 ** ((L - 33) / slope), and airflow goes with it: A, whose
    level rises by 60 dB a decade, loses less below 33 dB, and B, with 40, gains more above.
    """
    table = readings(
        power_law_rows("A", slope=60.0, room=None, **of_the_first),
        power_law_rows("B", slope=40.0, room=None),
    )
    return fs.equal_noise(table, levels, bench=bench, background="removed", draws=4000, rng=3)


def test_an_order_that_turns_between_levels_is_named_with_both():
    """The model that is ahead for quiet buyers falls behind for loud ones, and both are settled."""
    found = rank_levels(several([36, 30]), quantity="airflow", obstruction="none")

    assert found.levels == (30.0, 36.0)
    assert found.turns == (("A", "B", 30.0, 36.0),)
    assert found.always == ()
    assert found.places().loc["A"].tolist() == [1.0, 2.0]
    text = found.sentence()
    assert text.startswith(
        "First by airflow, obstruction: none, for the typical one: A at 30 dBA; B at 36 dBA."
    )
    assert "Settled both ways: A is ahead of B at 30 dBA and behind at 36 dBA." in text
    assert "No model may be the best at every level." in text


def test_where_nothing_is_told_apart_all_may_be_the_best():
    """With a wide sample luck both models stay candidates at every level."""
    luck = fs.UnitSpread(noise=fs.standard(2.0), airflow=fs.standard("3 %"))
    wide = fs.Bench(noise=BENCH.noise, speed=BENCH.speed, airflow=BENCH.airflow, spread=luck)
    found = rank_levels(several([31, 33.2, 35], bench=wide), quantity="airflow", obstruction="none")

    assert set(found.always) == {"A", "B"}
    assert found.turns == ()
    assert found.table["may_be_best"].all()
    assert "No two models change order between these levels beyond doubt." in found.sentence()


def test_levels_share_the_probability():
    """What is settled at any of the levels is wrong at most 5 times in 100 (Bonferroni)."""
    found = rank_levels(several([30, 33, 36]), quantity="airflow", obstruction="none")

    assert [one.probability for one in found.rankings.values()] == pytest.approx([1 - 0.05 / 3] * 3)
    assert found.probability == 0.95
    alone = fs.rank(several([30, 36]).sel(level=30), quantity="airflow", obstruction="none")
    assert found.rankings[30.0].multiplier > alone.multiplier


def test_a_model_that_cannot_be_read_somewhere_has_no_place_there():
    """A sweep that ends below the loud level gives no candidate there, and the sentence says so."""
    short = several([30, 38], speeds=(500.0, 600.0, 700.0, 800.0, 950.0))
    found = rank_levels(short, quantity="airflow", obstruction="none")

    assert "Without a place: A at 38 dBA (the table says why)." in found.sentence()
    assert "A" not in found.always
    gone = found.table[(found.table["level"] == 38) & (found.table["model"] == "A")]
    assert np.isnan(gone["place"].iloc[0])
    assert gone["status"].iloc[0].startswith("above range")
    assert not gone["may_be_best"].iloc[0]


def test_one_level_is_refused_with_the_call_for_it():
    """For one level there is rank."""
    for estimates in (several([33]), several(33)):
        with pytest.raises(FanstatsError, match=r"must hold several levels.*use rank"):
            rank_levels(estimates, quantity="airflow", obstruction="none")


def test_it_is_written_as_a_table():
    """The table goes out as comma-separated values, a row a level and model."""
    found = rank_levels(several([30, 36]), quantity="airflow", obstruction="none")
    lines = found.to_csv().splitlines()

    assert lines[0].lstrip("\ufeff").startswith("level,model,place,may_be_best,value")
    assert len(lines) == 5
