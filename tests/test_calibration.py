"""The calibration study in small: are the statements true, and does the study see it if not?"""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from benchmarks.calibration import coverage, decisions, plans, retests
from benchmarks.calibration.cases import Case, Figures, Share, held, share_of
from benchmarks.calibration.report import figure, judge, markdown, misses, of_calls
from benchmarks.calibration.running import run
from tests.simulated import SCOPES, SimulatedBench

# Both tails together: one run in 5,000 of a right library would fall outside, at fixed seeds.
TAIL = 1e-4


def case_named(cases: list[Case], name: str) -> Case:
    return next(case for case in cases if case.name == name)


def simulate(case: Case, benches: int) -> dict[int, Figures]:
    return {seed: case.run(case, seed) for seed in range(benches)}


def binomial_bounds(trials: int, share: float) -> tuple[float, float]:
    low, high = stats.binom.ppf([TAIL, 1 - TAIL], trials, share)
    return low / trials, high / trials


def as_stated(share: Share) -> None:
    """Within four errors over benches, never less than those of independent trials."""
    least = math.sqrt(share.stated * (1 - share.stated) / share.trials)
    assert share.share == pytest.approx(share.stated, abs=4 * max(share.error, least))


# Through the engine ----------------------------------------------------------------------------


@pytest.mark.simulation
@pytest.mark.parametrize(
    "name", ["2 units, 3 dB above the room", "skewed luck", "a resonance of 1 dB"]
)
def test_ranges_of_all_scopes_hold_the_truth_as_often_as_stated(name):
    """120 models each; what they share is small, so that they count singly."""
    found = simulate(case_named(coverage.cases(), name), 6)

    for scope in SCOPES:
        share = figure(found, scope)
        low, high = binomial_bounds(share.trials, share.stated)
        assert low <= share.share <= high, scope
        assert share.trials > 100


@pytest.mark.simulation
def test_a_spread_estimated_from_three_degrees_of_freedom_covers_too():
    """All models of a bench rest on one estimate, so the bench is the unit of counting."""
    case = case_named(coverage.cases(), "spread estimated, 3 degrees of freedom")
    found = simulate(case, 24)

    for scope in SCOPES:
        as_stated(figure(found, scope))
        as_stated(figure(found, f"several/{scope}"))


@pytest.mark.simulation
def test_the_study_sees_a_spread_that_is_assumed_too_small():
    """The sample on the bench has no luck to be wrong about; the other scopes miss, by far."""
    case = case_named(coverage.cases(), "spread assumed half as large")
    found = simulate(case, 6)

    tested = figure(found, "tested unit")
    low, _ = binomial_bounds(tested.trials, 0.95)
    assert tested.share >= low
    for scope in ("model", "next unit"):
        share = figure(found, scope)
        assert share.share < binomial_bounds(share.trials, 0.95)[0]
        assert judge([(share, 0.94, 0.96)], "too small") == "missed (too small)"


@pytest.mark.simulation
def test_equal_models_are_seldom_called_ahead():
    """At most 5 in 100 of a pair named before, of the chart's ends, of any pair at all."""
    found = simulate(case_named(decisions.cases(), "6 models"), 50)

    for name in ("chosen before", "from the chart", "family-wise"):
        share = figure(found, name)
        assert share.share <= binomial_bounds(share.trials, 0.05)[1], name


@pytest.mark.simulation
def test_the_study_sees_false_leads_where_there_are_many():
    """With half the true spread stated, two in five charts of equal models get a false lead."""
    case = case_named(decisions.cases(), "6 models, spread assumed half as large")
    share = figure(simulate(case, 16), "family-wise")

    assert share.share > binomial_bounds(share.trials, 0.05)[1]


@pytest.mark.simulation
def test_stated_chances_come_true_and_ranks_hold():
    """Charts of 20 models unlike by their own uncertainty: every bin, and every rank."""
    found = simulate(case_named(decisions.cases(), "20 models unlike by 1"), 24)

    for name in decisions.BINS:
        as_stated(figure(found, name))
    as_stated(of_calls(found, decisions.BINS[-3:]))
    ranks, sure = figure(found, "ranks"), figure(found, "guaranteed ranks")
    # Whole ranks hold more often than stated, never less.
    assert ranks.share >= binomial_bounds(ranks.trials, 0.95)[0]
    assert sure.share >= binomial_bounds(sure.trials, 0.95)[0]


@pytest.mark.simulation
def test_second_tests_come_out_as_predicted():
    """Values, places and order of eight models tested again."""
    found = simulate(case_named(retests.cases(), "on another bench"), 24)

    as_stated(figure(found, "values"))
    as_stated(figure(found, "neighbours stay in order"))
    as_stated(figure(found, "the first stays first"))
    places = figure(found, "places")
    assert places.share >= binomial_bounds(places.trials, 0.95)[0]


@pytest.mark.simulation
def test_a_plan_carried_out_finds_the_gap_as_often_as_it_says():
    """Ten percent between two models, six pairs of them on a bench."""
    found = simulate(case_named(plans.cases(), "10 % at 90 %, by formula"), 10)

    ((name, (_, trials, stated)),) = found[0].items()
    share = figure(found, name)
    low, high = binomial_bounds(share.trials, stated / trials)
    assert low <= share.share <= high


# The counting itself ---------------------------------------------------------------------------


def test_the_bench_is_the_unit_of_counting():
    """Benches whose ten models are right or wrong together tell as much as one model each."""
    rng = np.random.default_rng(3)
    right = rng.uniform(size=400) < 0.95
    together = share_of((10.0 * hit, 10.0, 9.5) for hit in right)
    apart = share_of((float(n), 10.0, 9.5) for n in rng.binomial(10, 0.95, size=400))

    assert together.share == pytest.approx(right.mean())
    one_each = math.sqrt(right.mean() * (1 - right.mean()) / 400)
    assert together.error == pytest.approx(one_each, rel=0.01)
    assert apart.error == pytest.approx(math.sqrt(0.05 * 0.95 / 4000), rel=0.15)
    assert together.trials == apart.trials == 4000


def test_a_figure_is_judged_against_its_target_with_its_error():
    """Inside; outside by less than two errors; outside by more, with the reason; too few."""
    share = Share(0.95, 0.01, 0.95, 1000, 50)

    assert judge([(share, 0.94, 0.96)]) == "met"
    assert judge([(share, 0.94, 0.96), (share._replace(share=0.93), 0.94, 0.96)]) == (
        "met within error"
    )
    assert judge([(share._replace(share=0.91), 0.94, 0.96)]) == "missed"
    assert judge([(share._replace(trials=3), 0.0, 0.1)]) == "too few values"


def test_an_end_that_is_missing_claims_nothing():
    """Only an end that is there can be wrong."""
    low, high = np.array([1.0, np.nan, np.nan, 1.0]), np.array([2.0, 2.0, 2.0, np.nan])

    assert held(low, high, np.array([0.0, 0.0, 3.0, 3.0])).tolist() == [False, True, False, True]


def test_the_simulator_puts_the_target_above_the_room_as_read():
    """Without noise of reading, a table read at the target's speed shows just the target."""
    bench = SimulatedBench(
        models=2, above_room=1.5, noise_spread=0.0, speed_spread=0.0, airflow_spread=0.0,
        noise_sitting=0.0, noise_model=0.0, noise_reading=0.0, room_reading=0.0, speed_reading=0.0,
        airflow_shared=0.0, airflow_reading=0.0, meter_shared=1.0, bend=15.0, slopes_apart=4.0,
        steps=tuple(np.linspace(6, 10, 4001).tolist()),
    )  # fmt: skip
    table, truth = bench.simulate(np.random.default_rng(4))

    assert table["background [dBA]"].to_numpy() == pytest.approx(36 - 1.5)
    for name, flow in zip(["M000", "M001"], truth.model, strict=True):
        rows = table[table["model"] == name]
        read = np.interp(36.0, rows["noise [dBA]"], rows["airflow [fpm]"])
        assert read == pytest.approx(flow, rel=1e-6)


def test_an_interrupted_run_goes_on_where_it_stopped(tmp_path):
    """What stands in the file is not simulated again; a broken last line and old cases are."""
    path = tmp_path / "found.jsonl"
    case = replace(case_named(coverage.cases(), "2 models"), quick=2)
    first, _ = run([case], path=path, quick=True)
    lines = path.read_text(encoding="utf-8").splitlines()
    marked = json.loads(lines[0])
    marked["figures"]["model"][0] = -7.0
    path.write_text(json.dumps(marked) + "\n" + lines[1][:30], encoding="utf-8")

    again, _ = run([case], path=path, quick=True)

    key = (case.study, case.name)
    assert again[key][marked["seed"]]["model"][0] == -7.0
    other = 1 - marked["seed"]
    assert again[key][other] == first[key][other]
    changed, _ = run([replace(case, given=(case.given[0], 1.5))], path=path, quick=True)
    assert changed[key][marked["seed"]]["model"][0] >= 0
    text = markdown(first, [case], "command")
    assert "| 2 models" in text
    assert misses("| a | missed |\n| b | met |") == ["| a | missed |"]
