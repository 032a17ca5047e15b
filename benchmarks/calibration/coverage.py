"""Ranges of single numbers: whether they hold the truth as often as stated, in all scopes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import xarray as xr

import fanstats as fs
from benchmarks.calibration.cases import Case, Figures, held
from benchmarks.calibration.scenarios import DRAWS, SCOPES, TYPICAL, stated
from tests.simulated import MID_DRIVE, SimulatedBench, Truth

STUDY = "coverage"
ABOVE = (1.0, 1.5, 3.0, 6.0, 12.0)
UNITS = (1, 2, 5)
DOF = {3: (3, 2), 5: (5, 2), 10: (5, 3), 20: (5, 5)}  # models tested several times, units of each
SINGLES = 6
# Near the room a tester takes steps close together; elsewhere the usual six.
CLOSE_STEPS = (6.0, 6.75, 7.25, 7.75, 8.25, 9.0, 10.5, 12.0)


def _ends(estimates: xr.Dataset, quantity: str) -> tuple[np.ndarray, ...]:
    """Value, low and high end over scope and model, as the summary prints them."""
    table = fs.summary(estimates)
    table = table[table["quantity"] == quantity].set_index(["scope", "model"])
    names = [str(name) for name in estimates["model"].to_numpy()]
    wide = [
        table[column].unstack("model").reindex(index=list(SCOPES), columns=names).to_numpy(float)
        for column in ("value", "low", "high")
    ]
    order = np.argsort([int(name[1:]) for name in names])
    return tuple(column[:, order] for column in wide)


def _counted(ends: tuple[np.ndarray, ...], truths: np.ndarray, prefix: str = "") -> Figures:
    value, low, high = ends
    there = np.isfinite(value)
    right = held(low, high, truths) & there
    opened = (np.isnan(low) | np.isnan(high)) & there
    found: Figures = {}
    # A range with one end misses half as often.
    should = 1.0 - 0.025 * (np.isfinite(low).astype(float) + np.isfinite(high))
    for k, scope in enumerate(SCOPES):
        trials = float(there[k].sum())
        found[prefix + scope] = (float(right[k].sum()), trials, float(should[k][there[k]].sum()))
    found[prefix + "no value"] = (float((~there).sum()), float(there.size), 0.0)
    found[prefix + "an end missing"] = (float(opened.sum()), float(there.sum()), 0.0)
    return found


def known(case: Case, seed: int) -> Figures:
    """State a spread: the true one, or that times a factor."""
    bench, factor = case.given
    assert isinstance(bench, SimulatedBench)
    table, truth = bench.simulate(case.generator(seed))
    estimates = fs.equal_noise(
        fs.read_readings(table), bench.target, bench=stated(bench, factor=float(str(factor))),
        rng=seed, draws=DRAWS, target="true" if bench.true_level else "as read",
    )  # fmt: skip
    return _counted(_ends(estimates, "airflow"), truth.scopes())


def at_one_drive(case: Case, seed: int) -> Figures:
    """Read off at one voltage: airflow or level."""
    bench, quantity = case.given
    assert isinstance(bench, SimulatedBench)
    table, truth = bench.simulate(case.generator(seed))
    estimates = fs.equal_drive(
        fs.read_readings(table), MID_DRIVE, bench=stated(bench), rng=seed, draws=DRAWS
    )
    return _counted(_ends(estimates, str(quantity)), truth.at_drive[str(quantity)])


def estimated(case: Case, seed: int) -> Figures:
    """Estimate the spread from the models of the bench that were tested several times."""
    (bench,) = case.given
    assert isinstance(bench, SimulatedBench)
    table, truth = bench.simulate(case.generator(seed))
    readings = fs.read_readings(table)
    # What is stated beforehand is far off on purpose: it has to be replaced.
    measured = fs.unit_spread(readings, stated(bench, factor=3.0)).bench
    estimates = fs.equal_noise(readings, bench.target, bench=measured, rng=seed, draws=DRAWS)
    return _counted_apart(estimates, truth, bench)


def _counted_apart(estimates: xr.Dataset, truth: Truth, bench: SimulatedBench) -> Figures:
    """Count models tested once apart from those that gave the spread."""
    ends, truths = _ends(estimates, "airflow"), truth.scopes()
    once = np.array(bench.units) == 1
    several = _counted(tuple(end[:, ~once] for end in ends), truths[:, ~once], "several/")
    return {**_counted(tuple(end[:, once] for end in ends), truths[:, once]), **several}


def _case(name: str, bench: SimulatedBench, benches: int, **more: object) -> Case:
    factor = more.pop("factor", 1.0)
    return Case(
        study=STUDY, name=name, run=known, benches=benches, quick=max(4, benches // 10),
        given=(bench, factor), **more,
    )  # fmt: skip


def cases() -> list[Case]:
    """Give the scenarios, each with enough benches for about 0.6 points."""
    twenty = replace(TYPICAL, models=20)
    benches = {1: 76, 2: 66, 5: 54}
    found = []
    for units in UNITS:
        for above in ABOVE:
            name = f"{units} unit{'s' * (units > 1)}, {above:g} dB above the room"
            steps = CLOSE_STEPS if above < 3.0 else twenty.steps
            bench = replace(twenty, units=units, above_room=above, steps=steps)
            inherent = "usable steps end 1 dB above the room" if above == 1.0 else ""
            found.append(_case(name, bench, benches[units], inherent=inherent))
    thin = "spread assumed too small"
    found += [
        _case("spread assumed half as large", twenty, 80, factor=0.5, inherent=thin),
        _case("spread assumed half as large, 5 units", replace(twenty, units=5), 24, factor=0.5,
              inherent=thin),
        _case("spread assumed twice as large", twenty, 80, factor=2.0,
              inherent="spread assumed too large"),
        _case("5 steps", replace(twenty, steps=(5.0, 6.5, 8.0, 10.0, 12.0)), 80),
        _case("12 steps", replace(twenty, steps=tuple(np.linspace(4.5, 12.0, 12).tolist())), 80),
        _case("a resonance of 1 dB", replace(twenty, resonance=1.0), 80),
        _case("rectangular luck", replace(twenty, luck="rectangular"), 80),
        _case("skewed luck", replace(twenty, luck="skewed"), 80),
        _case("skewed luck, 2 units", replace(twenty, luck="skewed", units=2), 70),
        _case("2 models", replace(TYPICAL, models=2), 400),
        _case("60 models, alike", replace(TYPICAL, models=60, alike=True), 30),
        _case("shared error negligible", replace(twenty, airflow_shared=0.0005), 80),
        _case("shared error dominant", replace(TYPICAL, models=3, airflow_shared=0.15), 640),
        _case("meter's error dominant, true level",
              replace(TYPICAL, models=3, meter_shared=2.0, above_room=12.0, true_level=True), 640),
    ]  # fmt: skip
    for quantity in ("airflow", "noise"):
        found.append(
            Case(study=STUDY, name=f"at one voltage: {quantity}", run=at_one_drive, benches=80,
                 quick=8, given=(replace(twenty, meter_shared=0.2), quantity))
        )  # fmt: skip
    for dof, (models, units) in DOF.items():
        bench = replace(
            TYPICAL, models=models + SINGLES, units=(units,) * models + (1,) * SINGLES
        )  # fmt: skip
        found.append(
            Case(study=STUDY, name=f"spread estimated, {dof} degrees of freedom", run=estimated,
                 benches={3: 260, 5: 200, 10: 140, 20: 100}[dof], quick=20, given=(bench,))
        )  # fmt: skip
    return found
