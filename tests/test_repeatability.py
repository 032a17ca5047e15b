"""The afternoon with one fan: what is asked for, and that its readings fill the bench."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

import fanstats as fs
from fanstats.spread.repeatability import plan_repeatability
from fanstats.spread.unit_spread import unit_spread
from tests.tables import power_law_rows, readings


def test_only_what_is_unstated_or_guessed_is_asked_for():
    """Terms with degrees of freedom, or stated to be none, need no test."""
    known = fs.Instrument(
        shared=fs.half_width(1.0),
        session=[],
        sitting=fs.standard(0.2, dof=9),
        model=[],
        reading=fs.standard(0.1, dof=20),
    )
    bench = fs.Bench(noise=known, speed=known, airflow=known, temperature=known)

    assert plan_repeatability(bench).table.empty
    guessed = fs.Bench(
        noise=fs.Instrument(sitting=fs.standard(0.2), session=[], reading=fs.half_width(0.05)),
        speed=known,
        airflow=known,
        temperature=known,
    )
    asked = plan_repeatability(guessed).table
    assert asked[["quantity", "level", "now"]].to_numpy().tolist() == [
        ["noise", "reading", "only the display stated"],
        ["noise", "sitting", "assumed: s = 0.2"],
    ]


def test_factors_are_the_ends_of_the_chi_square_interval():
    """Six mountings give five degrees of freedom: known within a factor of 2.5."""
    plan = plan_repeatability(fs.Bench())
    sitting = plan.table.query("level == 'sitting'").iloc[0]

    assert sitting["dof"] == 5
    assert sitting["factor"] == pytest.approx(np.sqrt(5 / stats.chi2.ppf(0.025, 5)))
    assert plan.minutes == pytest.approx(15 + 18 + 6 * 8)


def test_calibration_is_not_to_be_had_by_repeats():
    """What all readings share is listed apart, with what would tell."""
    plan = plan_repeatability(fs.Bench(noise=fs.Instrument(shared=[], model=[])))

    assert any("calibration" in note and "speed" in note for note in plan.beyond)
    assert not any("noise" in note.split(", calibration")[0] for note in plan.beyond)
    assert "Rotating blades" in plan.sentence()


def test_the_afternoons_readings_fill_the_bench():
    """One fan, six mountings, each step read three times: scatter and mounting are measured."""
    rng = np.random.default_rng(2)
    groups = []
    for sitting in range(6):
        level = 33.0 + 0.3 * rng.normal()
        for _ in range(3):
            rows = power_law_rows("A", level_at_900=level, sitting=str(sitting))
            for row in rows:
                row["noise [dBA]"] += 0.1 * rng.normal()
            groups.append(rows)
    bench = fs.Bench(noise=fs.Instrument(shared=fs.half_width(1.0), model=[]))
    filled = unit_spread(readings(*groups), bench).bench

    assert "sitting" not in filled.noise.unstated
    assert "reading" not in filled.noise.unstated
    assert filled.noise.sitting[0].dof == pytest.approx(5, rel=0.1)
    assert 0.1 < filled.noise.sitting[0].absolute < 0.7
    assert filled.noise.reading[0].dof == 6 * 5 * 2
    assert plan_repeatability(filled).table.query("quantity == 'noise'")["level"].tolist() == [
        "session"
    ]


def test_impossible_plans_are_refused():
    """One reading is no repeat, one mounting no remount."""
    with pytest.raises(fs.FanstatsError, match="`repeats` must be a whole number of at least 2"):
        plan_repeatability(fs.Bench(), repeats=1)
    with pytest.raises(fs.FanstatsError, match="`remounts` must be a whole number of at least 2"):
        plan_repeatability(fs.Bench(), remounts=1)
    with pytest.raises(fs.FanstatsError, match="`bench` must be a Bench"):
        plan_repeatability("bench.toml")
