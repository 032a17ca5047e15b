"""Plans carried out from readings on: whether a gap is called as often as a plan says."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

import fanstats as fs
from benchmarks.calibration.cases import Case, Figures
from benchmarks.calibration.scenarios import (
    DRAWS,
    TYPICAL,
    floor_of_one,
    luck_of_one,
    measuring_of_one,
    stated,
)
from tests.simulated import SimulatedBench

STUDY = "plans"
# One slope for all, so that a plan made from one test holds for the next.
PLAIN = replace(TYPICAL, slopes_apart=0.0, bend=0.0)
# One pilot's promise scatters by 3 to 4 points with the slopes it happens to read: the mean of
# so many is good to about half a point.
PILOTS = 50


@dataclass(frozen=True, kw_only=True)
class Wanted:
    """A gap to be found: between each two neighbours of a bench, relative."""

    gap: float
    power: float
    pairs: int = 1
    chosen: str = "before"
    dof: float = math.inf  # behind the spread stated
    again: bool = True  # whether it is estimated again with the units of the test
    units: int = 0  # of each model, instead of those planned
    by_formula: bool = False  # units_for_gap instead of plan_units


def _bench(wanted: Wanted, units: int) -> SimulatedBench:
    flows = (1.0 + wanted.gap, 1.0) * wanted.pairs
    return replace(PLAIN, models=len(flows), units=units, alike=True, flows=flows)


def _told(bench: SimulatedBench, dof: float, sizes: tuple[float, float] = (1.0, 1.0)) -> fs.Bench:
    """State the spread as somebody would who knows it from so many degrees of freedom."""
    return stated(
        bench,
        noise=fs.standard(sizes[0] * bench.noise_spread, dof=dof),
        airflow=fs.standard(sizes[1] * bench.airflow_spread, relative=True, dof=dof),
    )


def _planned(wanted: Wanted, estimates, pair: int, power: float) -> fs.UnitsPlan:
    return fs.plan_units(
        estimates, f"M{2 * pair:03d}", f"M{2 * pair + 1:03d}", equal=True,
        gap=f"{100 * wanted.gap:g} %", power=power, quantity="airflow",
        chosen=wanted.chosen,  # type: ignore[arg-type]
        spread_then="estimated again" if wanted.again else "as stated",
    )  # fmt: skip


@lru_cache(maxsize=8)
def plan_of(wanted: Wanted) -> tuple[int, float]:
    """Units of each model, and the chance they are said to give.

    The chance depends a little on the pilot test (its slopes), so some are averaged; the number
    of units is that of the first.
    """
    bench = _bench(wanted, 1)
    if wanted.by_formula:
        needed = fs.units_for_gap(
            math.log(1.0 + wanted.gap), luck_of_one(bench), spread_dof=math.inf, power=wanted.power,
            measurement=measuring_of_one(bench), floor=math.sqrt(2.0) * floor_of_one(bench),
        )  # fmt: skip
        return needed.n_per_model, needed.reached
    units, said = wanted.units, []
    for pilot in range(PILOTS):
        table, _ = bench.simulate(np.random.default_rng([pilot, 2026]))
        told = _told(bench, wanted.dof)
        estimates = fs.equal_noise(
            fs.read_readings(table), bench.target, bench=told, rng=pilot, draws=10_000
        )
        units = units or _planned(wanted, estimates, 0, wanted.power).n_per_model[0]
        for pair in range(wanted.pairs):
            # The curve of a plan for more runs past so many units, whatever the pilot.
            curve = _planned(wanted, estimates, pair, 0.95).curve()
            said.extend(
                curve.loc[(curve["n_first"] == units) & (curve["n_second"] == units), "power"]
            )
    assert len(said) == PILOTS * wanted.pairs
    return units, float(np.mean(said))


def carried_out(case: Case, seed: int) -> Figures:
    """Simulate the test as planned and count the leads that are called, the right way round."""
    (wanted,) = case.given
    assert isinstance(wanted, Wanted)
    units, said = plan_of(wanted)
    bench, rng = _bench(wanted, units), case.generator(seed)
    table, _ = bench.simulate(rng)
    readings = fs.read_readings(table)
    told = _measured(bench, readings, wanted, rng)
    estimates = fs.equal_noise(readings, bench.target, bench=told, rng=seed, draws=DRAWS)
    called = 0.0
    for pair in range(wanted.pairs):
        first, second = f"M{2 * pair:03d}", f"M{2 * pair + 1:03d}"
        found = fs.compare(estimates, first, second, quantity="airflow", chosen=wanted.chosen)  # type: ignore[arg-type]
        called += float(found.verdict == "ahead" and found.who == first)
    return {f"chance with {units} units of each": (called, wanted.pairs, said * wanted.pairs)}


def _measured(bench: SimulatedBench, readings, wanted: Wanted, rng: np.random.Generator):
    """Give the bench as it is known after the test: an earlier pool and the new units together."""
    if math.isinf(wanted.dof):
        return stated(bench)
    scale = np.sqrt(rng.chisquare(wanted.dof, size=2) / wanted.dof)
    earlier = _told(bench, wanted.dof, (float(scale[0]), float(scale[1])))
    if not wanted.again:
        return earlier
    pool = fs.UnitSpread(noise=earlier.spread.noise, airflow=earlier.spread.airflow)
    return fs.unit_spread(readings, earlier, prior=pool).bench


def cases() -> list[Case]:
    """Give the scenarios."""
    listed = [
        ("8 % between two models named before", Wanted(gap=0.08, power=0.8, pairs=6), 200),
        ("10 % at 90 %, by formula",
         Wanted(gap=0.10, power=0.9, pairs=6, by_formula=True), 150),
        ("12 % picked from a chart of 6",
         Wanted(gap=0.12, power=0.8, pairs=3, chosen="from the chart"), 260),
        ("8 %, spread known from 4 degrees of freedom beforehand",
         Wanted(gap=0.08, power=0.8, dof=4.0), 600),
        ("30 %, spread as stated from 2 degrees of freedom",
         Wanted(gap=0.30, power=0.8, dof=2.0, again=False), 600),
        ("18 %, likewise, 5 units: luck runs past the steps",
         Wanted(gap=0.18, power=0.6, dof=2.0, again=False, units=5), 600),
    ]  # fmt: skip
    return [
        Case(study=STUDY, name=name, run=carried_out, benches=benches, quick=max(6, benches // 25),
             given=(wanted,))
        for name, wanted, benches in listed
    ]  # fmt: skip
