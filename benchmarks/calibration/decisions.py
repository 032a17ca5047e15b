"""Leads that are none, chances that come true, ranks that hold."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import xarray as xr

import fanstats as fs
from benchmarks.calibration.cases import Case, Figures
from benchmarks.calibration.scenarios import DRAWS, TYPICAL, stated, uncertainty_of_one
from tests.simulated import SimulatedBench

LEADS, CHANCES = "false leads", "chances"
EDGES = (0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1.0)
BINS = tuple(f"{100 * a:.0f} to {100 * b:.0f}" for a, b in pairwise(EDGES))
UNLIKE = (0.3, 0.5, 1.0, 2.0)
SKEWED = "luck far from normal: no sample is much better than the typical one, some are much worse"


def _estimates(case: Case, bench: SimulatedBench, seed: int, factor: float | None):
    """Go from readings to estimates; the spread is estimated where no factor is given."""
    table, truth = bench.simulate(case.generator(seed))
    readings = fs.read_readings(table)
    told = (
        fs.unit_spread(readings, stated(bench, factor=3.0)).bench
        if factor is None
        else stated(bench, factor=factor)
    )
    return fs.equal_noise(readings, bench.target, bench=told, rng=seed, draws=DRAWS), truth


def _ahead(estimates: xr.Dataset, first: str, second: str, chosen: str) -> float:
    verdict = fs.compare(estimates, first, second, quantity="airflow", chosen=chosen).verdict  # type: ignore[arg-type]
    return float(verdict == "ahead")


def false_leads(case: Case, seed: int) -> Figures:
    """All models equal in truth: whoever is called ahead, is called so falsely."""
    bench, factor = case.given
    assert isinstance(bench, SimulatedBench)
    estimates, _ = _estimates(case, bench, seed, None if factor is None else float(str(factor)))
    values = estimates["airflow_value"].sel(scope="model").squeeze(drop=True).to_series().dropna()
    values = values.sort_values()
    family = fs.compare_all_pairs(estimates, quantity="airflow").table
    any_called = float((family["verdict"] != "open").any())
    # The pair named before, and the two ends of the chart.
    last = f"M{bench.models - 1:03d}"
    picked = _ahead(estimates, values.index[-1], values.index[0], "from the chart")
    return {
        "chosen before": (_ahead(estimates, "M000", last, "before"), 1.0, 0.05),
        "from the chart": (picked, 1.0, 0.05),
        "family-wise": (any_called, 1.0, 0.05),
    }


def chances(case: Case, seed: int) -> Figures:
    """Chances of pairs and of being best, ranges of ranks: models unlike by a known amount."""
    (bench,) = case.given
    assert isinstance(bench, SimulatedBench)
    estimates, truth = _estimates(case, bench, seed, 1.0)
    ranking = fs.rank(estimates, quantity="airflow")
    names = [f"M{m:03d}" for m in range(bench.models)]
    chance = ranking.pair_chances.sel(model=names, other=names).to_numpy()
    rows, columns = np.triu_indices(bench.models, 1)
    stated_chance = chance[rows, columns]
    right = truth.model[rows] > truth.model[columns]
    turned = stated_chance < 0.5
    stated_chance = np.where(turned, 1 - stated_chance, stated_chance)
    found = _binned(stated_chance, right != turned, "")
    best = ranking.chance_best.sel(model=names).to_numpy()
    top = np.arange(bench.models) == truth.model.argmax()
    found["chance of the leader"] = (float(top[best.argmax()]), 1.0, float(best.max()))
    table = ranking.table.set_index("model").loc[names]
    ranks = (-truth.model).argsort().argsort() + 1
    for name, figure in (("rank", "ranks"), ("guaranteed", "guaranteed ranks")):
        low, high = (table[f"{name}_{end}"].to_numpy(int) for end in ("low", "high"))
        inside = (low <= ranks) & (ranks <= high)
        if name == "rank":
            found[figure] = (float(inside.sum()), float(bench.models), 0.95 * bench.models)
        else:
            found[figure] = (float(inside.all()), 1.0, 0.95)
    return found


def _binned(chance: np.ndarray, came_true: np.ndarray, prefix: str) -> Figures:
    found: Figures = {}
    which = np.clip(np.digitize(chance, EDGES) - 1, 0, len(BINS) - 1)
    for k, name in enumerate(BINS):
        here = which == k
        found[prefix + name] = (
            float(came_true[here].sum()), float(here.sum()), float(chance[here].sum()),
        )  # fmt: skip
    return found


def cases() -> list[Case]:
    """Give the scenarios."""
    equal = replace(TYPICAL, alike=True)
    leads: list[tuple[str, SimulatedBench, int, float | None, str]] = [
        ("2 models", replace(equal, models=2), 800, 1.0, ""),
        ("6 models", replace(equal, models=6), 600, 1.0, ""),
        ("12 models", replace(equal, models=12), 340, 1.0, ""),
        ("20 models", replace(equal, models=20), 240, 1.0, ""),
        ("60 models", replace(equal, models=60), 120, 1.0, ""),
        ("6 models, 1 to 5 units, 3 dB above the room",
         replace(equal, models=6, units=(1, 1, 2, 2, 3, 5), above_room=3.0), 300, 1.0, ""),
        ("6 models of 2 units, spread estimated (6 degrees of freedom)",
         replace(equal, models=6, units=2), 400, None, ""),
        ("6 models, skewed luck", replace(equal, models=6, luck="skewed"), 300, 1.0, SKEWED),
        ("6 models, spread assumed half as large", replace(equal, models=6), 160, 0.5,
         "spread assumed too small"),
    ]  # fmt: skip
    found = [
        Case(study=LEADS, name=name, run=false_leads, benches=benches, quick=benches // 20,
             given=(bench, factor), inherent=inherent)
        for name, bench, benches, factor, inherent in leads
    ]  # fmt: skip
    for models, benches in ((6, 240), (20, 80)):
        for unlike in UNLIKE:
            bench = replace(equal, models=models)
            bench = replace(bench, truth_spread=unlike * uncertainty_of_one(bench))
            found.append(
                Case(study=CHANCES, name=f"{models} models unlike by {unlike:g}", run=chances,
                     benches=benches, quick=benches // 10, given=(bench,))
            )  # fmt: skip
    bench = replace(equal, models=60)
    bench = replace(bench, truth_spread=uncertainty_of_one(bench))
    found.append(
        Case(study=CHANCES, name="60 models unlike by 1", run=chances, benches=30, quick=3,
             given=(bench,))
    )  # fmt: skip
    return found
