"""The afternoon with one fan: what is asked for, and that its readings fill the bench."""

from __future__ import annotations

import numpy as np
import pandas as pd
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


def afternoon(rng, days, day_sd=0.3, mounting_sd=0.2):
    """What the plan asks for: one step read five times, six mountings, some further days."""
    rows = []
    for day in range(days + 1):
        day_error = rng.normal() * day_sd
        for sitting in range(6 if day == 0 else 1):
            mounted = rng.normal() * mounting_sd
            for drive in (7.0, 9.0, 12.0):
                n = 900 * (drive / 8) ** 0.9
                level = 40 + 50 * np.log10(n / 900) + mounted
                rows += [
                    {
                        "model": "A",
                        "session": f"day {day}",
                        "sitting": str(sitting),
                        "drive [V]": drive,
                        "speed [rpm]": n,
                        "noise [dBA]": level + day_error + rng.normal() * 0.05,
                        "background [dBA]": 5.0,
                    }
                    for _ in range(5 if day == sitting == 0 else 1)
                ]
    return fs.read_readings(pd.DataFrame(rows))


SILENT = fs.Bench(
    noise=fs.Instrument(shared=[], model=[]),
    background=fs.Instrument(shared=[], session=[], reading=[]),
    speed=fs.Instrument(shared=[], session=[], sitting=[], model=[], reading=[]),
)


@pytest.mark.parametrize("days", [2, 4])
def test_every_term_asked_for_is_then_in_the_bench(days):
    """However the numbers fall, readings, mountings and days are measured, not left unstated."""
    rng = np.random.default_rng(days)
    for _ in range(10):
        noise = unit_spread(afternoon(rng, days), SILENT).bench.noise
        assert not {"reading", "sitting", "session"} & set(noise.unstated)
        assert noise.session[0].dof == days


@pytest.mark.simulation
@pytest.mark.parametrize("days", [2, pytest.param(4, marks=pytest.mark.at_length)])
def test_ranges_with_the_terms_of_that_afternoon_cover(days):
    """Two like fans on two other days, one sitting each: the range of their difference covers."""
    rng = np.random.default_rng(40 + days)
    hits, trials = 0, 150
    for trial in range(trials):
        bench = unit_spread(afternoon(rng, days), SILENT).bench
        levels = [33 + rng.normal() * 0.3 + rng.normal() * 0.2 for _ in "BC"]
        later = readings(
            *(
                power_law_rows(m, session=f"later {m}", level_at_900=level, room=5.0)
                for m, level in zip("BC", levels, strict=True)
            )
        )
        made = fs.equal_speed(later, 900, bench=bench, draws=500, rng=trial, background="removed")
        noise = made["noise"].sel(scope="tested unit")
        low, high = np.quantile(noise.sel(model="B") - noise.sel(model="C"), [0.025, 0.975])
        hits += low <= 0 <= high
    assert hits / trials == pytest.approx(0.95, abs=3.2 * np.sqrt(0.95 * 0.05 / trials))


def test_impossible_plans_are_refused():
    """One reading is no repeat, one mounting no remount."""
    with pytest.raises(fs.FanstatsError, match="`repeats` must be a whole number of at least 2"):
        plan_repeatability(fs.Bench(), repeats=1)
    with pytest.raises(fs.FanstatsError, match="`remounts` must be a whole number of at least 2"):
        plan_repeatability(fs.Bench(), remounts=1)
    with pytest.raises(fs.FanstatsError, match="`bench` must be a Bench"):
        plan_repeatability("bench.toml")
