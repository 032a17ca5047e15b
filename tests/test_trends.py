"""Samples that drift from session to session: exact slopes, other libraries, false alarms."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

import fanstats as fs
from fanstats.spread.trends import trends
from fanstats.spread.unit_spread import unit_spread
from tests.tables import power_law_rows, readings

NOISE = "noise at a given speed"


def table_of(levels, **more):
    """Level of each sample in each session: {(model, unit): {session: dB}}."""
    return readings(
        *(
            power_law_rows(model, unit=unit, session=session, level_at_900=level, **more)
            for (model, unit), held in levels.items()
            for session, level in held.items()
        )
    )


def random_levels(rng, fans=4, sessions=5, day_sd=0.4, drift=0.0):
    days = rng.normal(size=sessions) * day_sd
    return {
        (f"M{fan}", "1"): {
            f"2026-03-{1 + 3 * s:02d}": 33 + fan + days[s] + rng.normal() * 0.1
            + (drift * 3 * s if fan == 0 else 0.0)
            for s in range(sessions)
        }
        for fan in range(fans)
    }  # fmt: skip


def row_of(found, model, kind=NOISE):
    held = found.table[(found.table["model"] == model) & (found.table["kind"] == kind)]
    assert len(held) == 1
    return held.iloc[0]


def test_slope_and_its_scatter_are_those_of_least_squares_with_sessions_taken_out():
    """Ordinary least squares of statsmodels: a level a sample and a session, one slope."""
    levels = random_levels(np.random.default_rng(3), drift=0.1)
    found = row_of(trends(table_of(levels), fs.Bench()), "M0")
    data = pd.DataFrame(
        [
            {"fan": fan, "day": day, "y": y, "t": 3.0 * place if fan == "M0" else 0.0}
            for (fan, _), held in levels.items()
            for place, (day, y) in enumerate(held.items())
        ]
    )
    fit = smf.ols("y ~ C(fan) + C(day) + t", data).fit()

    assert found["change"] == pytest.approx(fit.params["t"], rel=1e-6)
    assert found["u"] == pytest.approx(fit.bse["t"], rel=1e-6)
    assert found["dof"] == fit.df_resid
    # Four samples, in level alone: airflow and speed repeat exactly and are not judged.
    assert found["p"] == pytest.approx(min(1.0, 4 * fit.pvalues["t"]), rel=1e-5)
    assert found["per"] == "day"


def test_a_sample_that_wears_is_named_and_the_others_are_not():
    """A third of a decibel a session against 0.1 dB of scatter, whatever the days do."""
    found = trends(table_of(random_levels(np.random.default_rng(3), drift=0.1)), fs.Bench())

    assert found.table[found.table["trend"]]["model"].tolist() == ["M0"]
    assert "Sample 1 of M0 drifts up in noise at a given speed" in found.sentence()
    assert "over 5 sessions" in found.sentence()
    assert "may be the instrument" not in found.sentence()


def test_unit_spread_warns_of_it():
    """The notes of the spread name the sample that drifts."""
    found = unit_spread(table_of(random_levels(np.random.default_rng(3), drift=0.1)), fs.Bench())
    none = unit_spread(table_of(random_levels(np.random.default_rng(3))), fs.Bench())

    assert any("sample 1 of M0 drifts up" in note for note in found.contradictions)
    assert "Sample 1 of M0 drifts up" in found.sentence()
    assert not none.contradictions


def test_a_lone_sample_may_be_a_meter_that_drifts():
    """Nothing else sat in its sessions: the warning says so."""
    rng = np.random.default_rng(1)
    lone = {("A", "1"): {f"day {d}": 33 + 0.5 * d + rng.normal() * 0.05 for d in range(6)}}
    found = trends(table_of(lone), fs.Bench())

    assert row_of(found, "A")["trend"]
    assert row_of(found, "A")["per"] == "session"
    assert "it may be the instrument that drifts" in found.sentence()


def test_a_drift_that_all_share_is_one_of_the_sessions():
    """Every fan half a decibel louder each day: no sample is blamed."""
    rng = np.random.default_rng(2)
    levels = random_levels(rng, day_sd=0.0)
    for held in levels.values():
        for place, day in enumerate(held):
            held[day] += 0.5 * place
    found = trends(table_of(levels), fs.Bench())

    assert not found.table["trend"].any()
    assert "No sample is seen to drift" in found.sentence()


def test_sessions_come_in_the_order_given():
    """Labels that say nothing of time need `order`; with it the slope is a session's."""
    levels = {("A", "1"): {"mon": 33.0, "tue": 33.31, "wed": 33.6, "thu": 33.89, "fri": 34.2}}
    table = table_of(levels)
    with pytest.raises(fs.FanstatsError, match="order of the sessions in time is not known"):
        trends(table, fs.Bench())
    week = ["mon", "tue", "wed", "thu", "fri"]
    found = row_of(trends(table, fs.Bench(), order=week), "A")
    back = row_of(trends(table, fs.Bench(), order=week[::-1]), "A")

    assert found["change"] == pytest.approx(
        np.polyfit(range(5), [33, 33.31, 33.6, 33.89, 34.2], 1)[0]
    )
    assert back["change"] == pytest.approx(-found["change"])
    with pytest.raises(
        fs.FanstatsError, match="`order` must hold every session once; it lacks fri"
    ):
        trends(table, fs.Bench(), order=week[:4])
    with pytest.raises(fs.FanstatsError, match="it names a session twice"):
        trends(table, fs.Bench(), order=[*week, "mon"])


def test_two_sessions_and_exact_repeats_are_not_judged():
    """A line through two points always fits; scatter that is nil judges nothing."""
    two = trends(table_of({("A", "1"): {"day 1": 33.0, "day 2": 34.0}}), fs.Bench())
    assert two.table.empty
    assert "no sample sat in 3 sessions or more" in two.sentence()
    with pytest.raises(fs.FanstatsError, match="`bench` must be a Bench"):
        trends(table_of({("A", "1"): {"day 1": 33.0}}), None)
    with pytest.raises(fs.FanstatsError, match="`false_alarm` must be a fraction"):
        trends(table_of({("A", "1"): {"day 1": 33.0}}), fs.Bench(), false_alarm=5)


def test_a_change_of_rig_is_no_wear():
    """A lone sample read 1 dB louder on another rig in its last sessions is not said to drift."""
    lone = random_levels(np.random.default_rng(4), fans=1, sessions=7, day_sd=0.0)
    table = table_of(lone)
    late = table["session"].to_numpy().astype(str) >= "2026-03-13"
    more = {name: table[name] + np.where(late, 1.0, 0.0) for name in ("noise", "background")}
    moved = table.assign(more).assign_coords(rig=("row", np.where(late, "new", "old")))

    assert trends(moved.drop_vars("rig"), fs.Bench()).table["trend"].any()
    found = trends(moved, fs.Bench())
    assert row_of(found, "M0")["sessions"] == 4
    assert not found.table["trend"].any()


def test_readings_without_sessions_are_refused():
    """There is nothing to drift from one to the next."""
    with pytest.raises(fs.FanstatsError, match="found no column 'session' with entries"):
        trends(table_of({("A", "1"): {"": 33.0}}), fs.Bench())


def test_shown_as_text_and_html():
    """The sentence stands above the table in both."""
    found = trends(table_of(random_levels(np.random.default_rng(3), drift=0.1)), fs.Bench())
    assert repr(found).startswith("Sample 1 of M0 drifts")
    assert "<table" in found._repr_html_()


@pytest.mark.simulation
def test_false_alarms_over_all_samples_come_no_more_often_than_stated():
    """Benches without wear, days that differ, a third of the cells missing: at most 10 of 100."""
    rng = np.random.default_rng(7)
    alarms, trials = 0, 100
    for _ in range(trials):
        levels = random_levels(rng, fans=3, sessions=4)
        for held in levels.values():
            held.pop(list(held)[rng.integers(4)])
        table = table_of(levels, speeds=(600.0, 900.0, 1400.0))
        alarms += bool(trends(table, fs.Bench(), false_alarm=0.1).table["trend"].any())
    error = np.sqrt(0.1 * 0.9 / trials)
    assert alarms / trials < 0.1 + 3 * error
    # Bonferroni over three samples loses little.
    assert alarms / trials > 0.1 - 3.5 * error
