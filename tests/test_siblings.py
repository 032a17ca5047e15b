"""Samples unlike their siblings: found at the stated rate, never removed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import fanstats as fs
from fanstats.spread.siblings import studentised, unlike_siblings
from fanstats.spread.unit_spread import unit_spread
from tests.tables import power_law_rows, readings


def estimate(levels):
    """A spread estimate from units whose fans lie at given levels, exact instruments."""
    checked = fs.Instrument(shared=[], session=[], sitting=[], model=[], reading=[])
    bench = fs.Bench(noise=checked, speed=checked, airflow=checked)
    groups = [
        power_law_rows(model, unit=str(place), level_at_900=level)
        for model, held in levels.items()
        for place, level in enumerate(held)
    ]
    return unit_spread(readings(*groups), bench)


LEVELS = {
    "A": (33.0, 33.2, 32.9, 37.0),
    "B": (34.0, 34.1, 33.8),
    "C": (35.0, 35.3, 34.9, 35.1),
}


def test_a_loud_sample_is_named_and_kept():
    """Four decibels above its siblings: named with its chance, still in every table."""
    found = unlike_siblings(estimate(LEVELS))
    odd = found.table[found.table["unlike"]]

    assert odd[["model", "unit"]].to_numpy().tolist() == [["A", "3"]]
    assert "Sample 3 of A is unlike its siblings in noise" in found.sentence()
    assert "3 dB above their mean" in found.sentence()
    assert "Nothing was removed" in found.sentence()
    assert len(found.table[found.table["kind"].str.startswith("noise")]) == 11


def test_like_samples_are_left_in_peace():
    """Samples a tenth of a decibel apart raise no alarm."""
    levels = LEVELS | {"A": (33.0, 33.2, 32.9, 33.1)}
    assert unlike_siblings(estimate(levels)).sentence() == "No sample stands out from its siblings."


def test_of_two_samples_nobody_can_say_which_is_odd():
    """A pair far apart is named as a pair."""
    found = unlike_siblings(estimate(LEVELS | {"A": (33.0, 37.0)}))

    assert "which of them is odd cannot be said" in found.sentence()


def test_too_few_samples_are_not_judged():
    """One pair has no siblings to be unlike."""
    found = unlike_siblings(estimate({"A": (33.0, 37.0)}))

    assert found.table.empty
    assert "not judged" in found.sentence()


def test_studentised_distance_is_that_of_leaving_the_unit_out():
    """Against the long way round: drop the unit, pool the others, compare with its prediction."""
    rng = np.random.default_rng(4)
    models = list("AAAABBBCC")
    values = rng.normal(size=9)
    means = pd.Series(values).groupby(models).transform("mean").to_numpy()
    t, dof, looks = studentised(values - means, models)
    for place in range(9):
        keep = np.arange(9) != place
        rest, names = values[keep], np.array(models)[keep]
        within = rest - pd.Series(rest).groupby(list(names)).transform("mean").to_numpy()
        s = np.sqrt(within @ within / dof)
        own = rest[names == models[place]]
        wanted = (values[place] - own.mean()) / (s * np.sqrt(1 + 1 / own.size))
        assert t[place] == pytest.approx(wanted)
    assert dof == 5
    assert looks == 8


@pytest.mark.simulation
@pytest.mark.parametrize("models", ["AAABBBCCC", "AABBCCDDEE", "AAAAAABB"])
def test_false_alarms_come_at_the_stated_rate(models):
    """Benches of like samples: at most 10 in 100 name anyone, and not far fewer."""
    rng = np.random.default_rng(9)
    names = list(models)
    held = np.array(names)[:, None] == np.array(sorted(set(names)))[None, :]
    averages = held / held.sum(axis=0)
    trials, alarms = 1500, 0
    frame = pd.DataFrame({"model": names, "unit": range(len(names)), "kind": "noise", "u": 0.0})
    base = estimate({"A": (33.0, 34.0)})
    for _ in range(trials):
        values = rng.normal(size=len(names))
        deviations = values - held @ (averages.T @ values)
        one = replace(base, deviations=frame.assign(deviation=deviations))
        alarms += bool(unlike_siblings(one, false_alarm=0.1).table["unlike"].any())

    error = np.sqrt(0.1 * 0.9 / trials)
    assert alarms / trials < 0.1 + 3.5 * error
    assert alarms / trials > 0.07


def test_wrong_arguments_are_refused():
    """Something else than an estimate, and a rate in per cent."""
    with pytest.raises(fs.FanstatsError, match="must come from unit_spread"):
        unlike_siblings("estimate")
    with pytest.raises(fs.FanstatsError, match=r"Write 0\.05 for 5 %"):
        unlike_siblings(estimate(LEVELS), false_alarm=5)
