"""How far the choice of curve may be off, pooled over the curves of a table."""

import json

import numpy as np
import pytest

import fanstats as fs
from tests.tables import power_law_rows, readings

BENCH = fs.Bench(
    noise=fs.Instrument(sitting=fs.standard(0.1), reading=fs.standard(0.08)),
    speed=fs.Instrument(reading=fs.standard(1.0)),
    airflow=fs.Instrument(reading=fs.standard("1 %")),
)


def pooled(rows):
    """What an estimate with straight lines records of its choice of curve."""
    options = {"curve": "straight", "background": "removed", "draws": 100, "rng": 1}
    found = fs.equal_noise(readings(rows), 32.0, bench=BENCH, **options)
    return json.loads(found.attrs["pooled"])["curve"]


def rows_of(session, models):
    return [
        {**row, "session": session}
        for model, level in models
        for row in power_law_rows(model, room=24.0, level_at_900=level)
    ]


def test_curves_worked_out_together_count_as_each_by_itself():
    """Pooling is the root mean square of the single curves, whatever rooms they stand in."""
    monday = rows_of("mon", [("A", 33.0), ("B", 34.0)])
    tuesday = rows_of("tue", [("C", 33.5)])
    single = [pooled([r for r in monday + tuesday if r["model"] == m]) for m in "ABC"]
    assert all(u > 0 for u in single)
    together = pooled(monday + tuesday)
    assert together == pytest.approx(np.sqrt(np.mean(np.square(single))), rel=1e-9)
    assert pooled((monday + tuesday)[::-1]) == together


def test_where_no_curve_choice_is_added_the_result_says_so():
    """At one speed and at one drive; at one noise level it is measured instead."""
    table = readings(power_law_rows("A", room=24.0))
    how = {"bench": BENCH, "draws": 100, "rng": 1}

    def said(estimates):
        notes = json.loads(estimates.attrs["not_considered"])
        return [note for note in notes if note.startswith("choice of curve")]

    assert "at equal speed" in said(fs.equal_speed(table, 800, **how))[0]
    assert "at equal drive" in said(fs.equal_drive(table, 6.5, **how))[0]
    assert said(fs.equal_noise(table, 32, **how)) == []
