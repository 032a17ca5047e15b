"""Are the statements true? ``python -m benchmarks.calibration [--quick]``.

Benches with a known truth are simulated (own curves, own errors: `tests.simulated` shares no code
with the engine) and put through the public functions only. Every figure stands with its Monte
Carlo error. Errors that all models of a bench share make its models correlated trials, so the
anemometer's shared error is kept small here; the tests check its part apart.
"""

from __future__ import annotations

import argparse
from dataclasses import replace

import numpy as np
import pandas as pd
from tqdm import tqdm

import fanstats as fs
from tests.simulated import SimulatedBench

SCOPES = ("tested unit", "model", "next unit")


def stated(bench: SimulatedBench, noise: fs.Source | None = None) -> fs.Bench:
    """State the simulator's own errors, or another noise spread."""
    return fs.Bench(
        noise=fs.Instrument(
            shared=fs.standard(bench.meter_shared),
            sitting=fs.standard(bench.noise_sitting),
            model=fs.standard(bench.noise_model),
            reading=fs.standard(bench.noise_reading),
        ),
        speed=fs.Instrument(reading=fs.standard(bench.speed_reading)),
        airflow=fs.Instrument(
            shared=fs.standard(bench.airflow_shared, relative=True),
            reading=fs.standard(bench.airflow_reading, relative=True),
        ),
        spread=fs.UnitSpread(
            noise=fs.standard(bench.noise_spread) if noise is None else noise,
            airflow=fs.standard(bench.airflow_spread, relative=True),
            speed=fs.standard(bench.speed_spread, relative=True),
        ),
    )


def coverage(name: str, bench: SimulatedBench, benches: int, told: fs.Bench | None = None):
    """Share of truths inside nominal 95 % intervals, by scope."""
    hits: list[np.ndarray] = []
    for seed in range(benches):
        table, truth = bench.simulate(np.random.default_rng([seed, bench.units]))
        estimates = fs.equal_noise(
            fs.read_readings(table), bench.target, bench=told or stated(bench), rng=seed, draws=2000
        )
        low, high = np.quantile(estimates["airflow"], [0.025, 0.975], axis=-1)
        truths = np.stack([truth.tested, truth.model, truth.next_unit])
        hits.append(np.where(np.isfinite(low), (low <= truths) & (truths <= high), np.nan))
    found = np.array(hits)
    trials = np.isfinite(found).sum(axis=(0, 2))
    rows = []
    for k, scope in enumerate(SCOPES):
        share = float(np.nanmean(found[:, k]))
        error = np.sqrt(share * (1 - share) / trials[k])
        rows.append({"scenario": name, "scope": scope, "coverage": share, "mc error": error,
                     "trials": int(trials[k])})  # fmt: skip
    return rows


def false_leads(models: int, benches: int, chosen: str) -> dict[str, object]:
    """Share of benches on which some pair of models equal in truth is called "ahead"."""
    bench = SimulatedBench(models=models, airflow_shared=0.01, alike=True)
    claims = []
    for seed in range(benches):
        table, _ = bench.simulate(np.random.default_rng([seed, models, 7]))
        estimates = fs.equal_noise(
            fs.read_readings(table), bench.target, bench=stated(bench), rng=seed, draws=4000
        )
        value = estimates["airflow_value"].sel(scope="model").to_series().dropna().sort_values()
        first, second = (value.index[-1], value.index[0]) if chosen == "from the chart" else (
            "M000", "M001")  # fmt: skip
        verdict = fs.compare(estimates, first, second, quantity="airflow", chosen=chosen).verdict
        claims.append(verdict == "ahead")
    share = float(np.mean(claims))
    return {"models": models, "chosen": chosen, "false leads": share,
            "mc error": float(np.sqrt(max(share, 0.01) * (1 - share) / benches)),
            "benches": benches}  # fmt: skip


def hit_rate(models: int, truth_spread: float, benches: int) -> dict[str, object]:
    """Of pair chances stated at 85 to 95 %, how many came true."""
    bench = SimulatedBench(
        models=models, airflow_shared=0.01, alike=True, truth_spread=truth_spread
    )
    came_true, claimed = [], []
    for seed in range(benches):
        table, truth = bench.simulate(np.random.default_rng([seed, models, 11]))
        estimates = fs.equal_noise(
            fs.read_readings(table), bench.target, bench=stated(bench), rng=seed, draws=4000
        )
        chances = fs.rank(estimates, quantity="airflow").pair_chances
        names = [str(name) for name in chances["model"].to_numpy()]
        order = [int(name[1:]) for name in names]
        true = truth.model[order]
        stated_chance = chances.to_numpy()
        picked = (stated_chance >= 0.85) & (stated_chance <= 0.95)
        came_true.append((true[:, None] > true[None, :])[picked].sum())
        claimed.append(picked.sum())
    total = int(np.sum(claimed))
    share = float(np.sum(came_true) / max(total, 1))
    per_bench = np.array(came_true) - share * np.array(claimed)
    error = float(np.sqrt((per_bench**2).sum()) / max(total, 1))
    return {"models": models, "spread of truths": truth_spread, "calls": total,
            "came true": share, "mc error": error}  # fmt: skip


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="a tenth of the benches")
    quick = parser.parse_args().quick
    benches = 10 if quick else 100
    base = SimulatedBench(models=20, airflow_shared=0.001)
    jobs = [
        (
            f"{units} units, {above:g} dB above the room",
            replace(base, units=units, above_room=above),
        )
        for units in (1, 2, 5)
        for above in (1.5, 3.0, 6.0, 12.0)
    ]
    jobs += [
        ("5 steps", replace(base, steps=(5.0, 6.5, 8.0, 10.0, 12.0))),
        ("12 steps", replace(base, steps=tuple(np.linspace(4.5, 12.0, 12)))),
        ("a resonance of 1 dB", replace(base, resonance=1.0)),
        ("rectangular luck", replace(base, luck="rectangular")),
        ("skewed luck", replace(base, luck="skewed")),
    ]
    rows = []
    for name, bench in tqdm(jobs, desc="coverage"):
        rows += coverage(name, bench, benches)
    half, double = base.noise_spread / 2, base.noise_spread * 2
    rows += coverage("spread assumed half as large", base, benches,
                     stated(base, fs.standard(half)))  # fmt: skip
    rows += coverage("spread assumed twice as large", base, benches,
                     stated(base, fs.standard(double)))  # fmt: skip
    wide = pd.DataFrame(rows).pivot_table(
        index="scenario", columns="scope", values="coverage", sort=False
    )
    errors = pd.DataFrame(rows).groupby("scenario", sort=False)["mc error"].max()
    print("Coverage of nominal 95 % intervals\n")
    print(wide[list(SCOPES)].assign(**{"mc error": errors}).round(3).to_markdown(), "\n")
    leads = [
        false_leads(models, benches * 5, chosen)
        for models, chosen in ((2, "before"), (5, "before"), (2, "from the chart"),
                               (5, "from the chart"), (12, "from the chart"))
    ]  # fmt: skip
    print("Equal models called ahead (at most 5 %)\n")
    print(pd.DataFrame(leads).round(4).to_markdown(index=False), "\n")
    rates = [hit_rate(models, spread, benches * 2) for models in (6, 20)
             for spread in (0.02, 0.04, 0.08)]  # fmt: skip
    print("Chances stated at 85 to 95 %: how many came true\n")
    print(pd.DataFrame(rates).round(3).to_markdown(index=False))


if __name__ == "__main__":
    main()
