"""Bands along curves: whether they hold the true curve, at each level and at all at once."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import xarray as xr

import fanstats as fs
from benchmarks.calibration.cases import Case, Figures, held
from benchmarks.calibration.scenarios import SCOPES, TYPICAL, stated
from tests.simulated import SimulatedBench

STUDY = "bands"
LEVELS = (33.5, 34.5, 35.5, 36.5, 37.5, 38.5, 39.5)
DRAWS = 1_000


def _inside(ranges: xr.DataArray, true: np.ndarray) -> np.ndarray:
    ends = ranges.transpose(..., "bound").to_numpy()
    return held(ends[..., 0], ends[..., 1], true)


def of_models(case: Case, seed: int) -> Figures:
    """Airflow over noise, every model."""
    (bench,) = case.given
    assert isinstance(bench, SimulatedBench)
    table, truth = bench.simulate(case.generator(seed))
    band = fs.noise_airflow_band(
        fs.read_readings(table), bench.levels, bench=stated(bench), draws=DRAWS, rng=seed
    )
    band = band.sel(model=[f"M{m:03d}" for m in range(bench.models)], scope=list(SCOPES))
    band = band.transpose("scope", "model", "level", "bound", ...)
    there = np.isfinite(band["airflow_value"].to_numpy())
    at_point = _inside(band["airflow"], truth.along) & there
    at_once = (_inside(band["airflow_simultaneous"], truth.along) | ~there).all(axis=-1)
    found: Figures = {}
    for k, scope in enumerate(SCOPES):
        points, curves = float(there[k].sum()), float(there[k].any(axis=-1).sum())
        found[f"{scope}, at each level"] = (float(at_point[k].sum()), points, 0.95 * points)
        found[f"{scope}, all at once"] = (float(at_once[k].sum()), curves, 0.95 * curves)
    return found


def of_two(case: Case, seed: int) -> Figures:
    """Two models named before: their ratio, and whether a lead is called that is none."""
    (bench,) = case.given
    assert isinstance(bench, SimulatedBench)
    table, truth = bench.simulate(case.generator(seed))
    gap = fs.difference_band(
        fs.read_readings(table), "M000", "M001", bench.levels, bench=stated(bench), chosen="before",
        draws=DRAWS, rng=seed,
    )  # fmt: skip
    ratio = truth.along[1, 0] / truth.along[1, 1]
    there = np.isfinite(gap["ratio_value"].to_numpy())
    at_point = _inside(gap["ratio"], ratio) & there
    at_once = (_inside(gap["ratio_simultaneous"], ratio) | ~there).all()
    points = float(there.sum())
    found: Figures = {
        "model, at each level": (float(at_point.sum()), points, 0.95 * points),
        "model, all at once": (float(at_once), 1.0, 0.95),
    }
    if bench.alike:
        called = float(np.isfinite(gap.attrs["settled_from"]))
        found["called up to the loudest"] = (called, 1.0, 0.05)
    return found


def cases() -> list[Case]:
    """Give the scenarios."""
    ten = replace(TYPICAL, models=10, levels=LEVELS)
    pair = replace(TYPICAL, models=2, levels=LEVELS)
    alike = replace(pair, alike=True, slopes_apart=0.0, bend=0.0)
    models = [
        ("1 unit, 6 dB above the room", ten, 70),
        ("2 units, 6 dB above the room", replace(ten, units=2), 45),
        ("1 unit, 3 dB above the room", replace(ten, above_room=3.0), 70),
    ]
    ratios = [("ratio of two models", pair, 220), ("ratio of two models alike", alike, 220)]
    return [
        *(Case(study=STUDY, name=name, run=of_models, benches=benches, quick=6, given=(bench,))
          for name, bench, benches in models),
        *(Case(study=STUDY, name=name, run=of_two, benches=benches, quick=24, given=(bench,))
          for name, bench, benches in ratios),
    ]  # fmt: skip
