"""Second tests: whether they come out as predicted from the first."""

from __future__ import annotations

from dataclasses import replace

import fanstats as fs
from benchmarks.calibration.cases import Case, Figures
from benchmarks.calibration.scenarios import DRAWS, TYPICAL, stated, uncertainty_of_one
from tests.simulated import SimulatedBench

STUDY = "retests"


def retested(case: Case, seed: int) -> Figures:
    """Predict from the first table, look at the second."""
    bench, same = case.given
    assert isinstance(bench, SimulatedBench)
    tables = bench.simulate_twice(case.generator(seed), same_bench=bool(same))
    told = stated(bench)
    first, second = (
        fs.equal_noise(
            fs.read_readings(table), bench.target, bench=told, rng=2 * seed + k, draws=DRAWS
        )
        for k, table in enumerate(tables)
    )
    found = fs.retest(first, quantity="airflow", units=int(str(bench.units)),
                      bench=told if same else None)  # fmt: skip
    names = found.table["model"].to_list()
    values = second["airflow_value"].sel(scope="model", model=names).to_numpy().ravel()
    inside = (found.table["low"] <= values) & (values <= found.table["high"])
    places = (-values).argsort().argsort() + 1
    low, high = (found.table[name].to_numpy(int) for name in ("place_low", "place_high"))
    placed = (low <= places) & (places <= high)
    stays = values[:-1] > values[1:]
    count, top = float(bench.models), found.top
    return {
        "values": (float(inside.sum()), count, 0.95 * count),
        "places": (float(placed.sum()), count, 0.95 * count),
        "neighbours stay in order": (float(stays.sum()), count - 1.0,
                                     float(found.pairs["chance"].sum())),
        "the first stays first": (float(places[0] == 1), 1.0, found.first_stays),
        "the top three stay": (float(set(places[:top]) == set(range(1, top + 1))), 1.0,
                               found.top_stays),
    }  # fmt: skip


def cases() -> list[Case]:
    """Give the scenarios."""
    bench = replace(TYPICAL, models=8, alike=True)
    unlike = replace(bench, truth_spread=1.5 * uncertainty_of_one(bench))
    tone = replace(unlike, noise_model=0.6)
    listed = [
        ("on another bench", unlike, False, 220),
        ("on another bench, 2 units", replace(unlike, units=2), False, 110),
        ("on the same bench, tones answered alike", tone, True, 220),
        ("on another bench, models alike", bench, False, 220),
    ]
    return [
        Case(study=STUDY, name=name, run=retested, benches=benches, quick=benches // 10,
             given=(one, same))
        for name, one, same, benches in listed
    ]  # fmt: skip
