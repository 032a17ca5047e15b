"""Samples of boxes: a lower bound where all are of one, and what lies between boxes where not."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import fanstats as fs
from fanstats.spread.unit_spread import unit_spread
from tests.tables import power_law_rows, readings
from tests.test_spread import NOISE, exact_bench, reading_bench, row_of

LEVELS = {
    ("A", "x"): (33.0, 33.4), ("A", "y"): (34.5, 34.1),
    ("B", "x"): (36.0, 36.6), ("B", "z"): (35.0, 35.2),
}  # fmt: skip


def table_of(levels):
    """Samples of boxes: {(model, box): levels}; units are numbered anew in every box."""
    groups = []
    for (model, box), held in levels.items():
        for place, level in enumerate(held):
            rows = power_law_rows(model, unit=f"{box}{place}", level_at_900=level, batch=box)
            groups.append(rows)
    return readings(*groups)


def test_balanced_boxes_give_the_closed_form():
    """Mean squares of boxes in models and of samples in boxes, solved by hand."""
    found = unit_spread(table_of(LEVELS), exact_bench())
    within = (0.4**2 + 0.4**2 + 0.6**2 + 0.2**2) / 2 / 4
    means = {key: np.mean(held) for key, held in LEVELS.items()}
    boxes = 2 * ((means["A", "x"] - means["A", "y"]) ** 2 / 2
                 + (means["B", "x"] - means["B", "z"]) ** 2 / 2) / 2  # fmt: skip
    between = row_of(found, NOISE, "of these, between boxes")
    inside = row_of(found, NOISE, "of these, between units of one box")
    total = within + (boxes - within) / 2

    assert inside["raw_variance"] == pytest.approx(within, rel=1e-9)
    assert between["raw_variance"] == pytest.approx((boxes - within) / 2, rel=1e-9)
    # The exact interval of one mean square on four degrees of freedom.
    assert inside["low"] ** 2 == pytest.approx(4 * within / stats.chi2.ppf(0.975, 4), rel=1e-9)
    assert between["low"] < between["sd"] < between["high"]
    source = found.bench.spread.noise
    assert source.absolute**2 == pytest.approx(total, rel=1e-9)
    dof = total**2 / ((boxes / 2) ** 2 / 2 + (within / 2) ** 2 / 4)
    assert source.dof == pytest.approx(dof, rel=1e-9)
    assert "boxes and samples are told apart by 4 boxes in noise" in found.sentence().lower()
    assert "at least" not in found.sentence()


def test_errors_of_reading_are_taken_out_of_the_samples_not_of_the_boxes():
    """Stated mountings of 0.2 dB: off the component within a box, not off that between boxes."""
    plain = unit_spread(table_of(LEVELS), exact_bench())
    rough = unit_spread(table_of(LEVELS), reading_bench(0, 0, 0, sitting=fs.standard(0.2)))
    name = "of these, between units of one box"

    gap = row_of(plain, NOISE, name)["raw_variance"] - row_of(rough, NOISE, name)["raw_variance"]
    assert gap == pytest.approx(0.04, rel=1e-9)
    name = "of these, between boxes"
    assert row_of(plain, NOISE, name)["raw_variance"] == pytest.approx(
        row_of(rough, NOISE, name)["raw_variance"], rel=1e-9
    )
    assert rough.bench.spread.noise.removed_variance == pytest.approx(0.04, rel=1e-9)


def test_boxes_that_differ_less_than_their_samples_are_reported_raw():
    """A negative component keeps its raw value and an upper limit; the spread is the pooled one."""
    alike = {("A", "x"): (33.0, 34.0), ("A", "y"): (34.0, 33.0), ("B", "x"): (35.0, 36.0),
             ("B", "y"): (35.1, 35.9)}  # fmt: skip
    found = unit_spread(table_of(alike), exact_bench())
    between = row_of(found, NOISE, "of these, between boxes")

    assert between["raw_variance"] < 0
    assert between["sd"] == 0
    assert between["high"] > 0
    assert "not above 0: read the upper limit" in between["status"]
    assert found.bench.spread.noise.dof == 6


def test_one_box_a_model_is_a_lower_bound_wherever_it_is_printed():
    """In the table, the sentence, the bench as read back and the what a result stands on."""
    one = {("A", "x"): (33.0, 33.4), ("B", "y"): (36.0, 36.6), ("C", "z"): (35.0, 35.2)}
    table = table_of(one)
    found = unit_spread(table, exact_bench())
    made = fs.equal_noise(table, 33, bench=found.bench, draws=100, rng=1)

    assert "one box: at least this much" in row_of(found, NOISE)["status"]
    assert "noise at a given speed at least 0.31 dB" in found.sentence()
    assert "at least this much" in fs.describe(found.bench)
    assert "at least this much" in made.attrs["measured"]
    assert "at least this much" in made.attrs["spread"]
    assert "noise" not in {row for row in found.components["component"] if "boxes" in row}


def test_models_without_a_box_recorded_play_no_part_in_telling_boxes_apart():
    """A third model whose boxes are not noted leaves the components alone."""
    more = [
        power_law_rows("C", unit=u, level_at_900=level, batch="")
        for u, level in (("1", 30.0), ("2", 33.0))
    ]
    both = pd.concat(
        [pd.DataFrame([r for g in _groups() for r in g]), pd.DataFrame(more[0] + more[1])]
    )
    found = unit_spread(fs.read_readings(both), exact_bench())
    alone = unit_spread(table_of(LEVELS), exact_bench())
    name = "of these, between boxes"

    assert row_of(found, NOISE, name)["raw_variance"] == pytest.approx(
        row_of(alone, NOISE, name)["raw_variance"], rel=1e-9
    )


def _groups():
    return [
        power_law_rows(model, unit=f"{box}{place}", level_at_900=level, batch=box)
        for (model, box), held in LEVELS.items()
        for place, level in enumerate(held)
    ]


@pytest.mark.simulation
def test_known_boxes_are_recovered_and_their_intervals_cover():
    """Boxes 0.7, samples 0.5 dB, unbalanced: right on the average, covered as stated."""
    rng = np.random.default_rng(11)
    sizes = {("A", "a"): 2, ("A", "b"): 3, ("A", "c"): 1, ("B", "d"): 2, ("B", "e"): 2,
             ("C", "f"): 3, ("C", "g"): 1}  # fmt: skip
    truth = {"of these, between boxes": 0.49, "of these, between units of one box": 0.25}
    raw, hits, spread = {name: [] for name in truth}, {name: [] for name in truth}, []
    for _ in range(60):
        levels = {
            key: 34 + rng.normal() * 0.7 + rng.normal(size=n) * 0.5 for key, n in sizes.items()
        }
        found = unit_spread(
            readings(*(
                power_law_rows(m, unit=f"{b}{k}", level_at_900=y, batch=b,
                               speeds=(600.0, 900.0, 1400.0))
                for (m, b), held in levels.items() for k, y in enumerate(held)
            )),
            exact_bench(),
        )  # fmt: skip
        for name, variance in truth.items():
            row = row_of(found, NOISE, name)
            raw[name].append(row["raw_variance"])
            hits[name].append(row["low"] ** 2 <= variance <= row["high"] ** 2)
        spread.append(found.bench.spread.noise.absolute**2)
    for name, variance in truth.items():
        error = np.std(raw[name], ddof=1) / np.sqrt(60)
        assert np.mean(raw[name]) == pytest.approx(variance, abs=3.5 * error), name
        assert np.mean(hits[name]) > 0.95 - 3 * np.sqrt(0.95 * 0.05 / 60), name
    # Not the variance about the mean of boxes: that of a sample from a box of its own.
    assert np.mean(spread) > 0.74 - 3.5 * np.std(spread, ddof=1) / np.sqrt(60)
