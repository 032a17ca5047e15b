"""Typed calls as a user writes them: checked by the type checker, never run."""

from __future__ import annotations

import pandas as pd
import xarray as xr

import fanstats as fs


def use() -> None:
    """Call the public face as a typed program would."""
    bench: fs.Bench = fs.Bench(
        noise=fs.Instrument(
            shared=fs.half_width(1.0), reading=[fs.half_width(0.05), fs.standard(0.15)]
        ),
        airflow=fs.Instrument(shared=[fs.half_width("3 %")], reading=fs.expanded(0.1, k=2)),
        spread=fs.UnitSpread(noise=fs.standard(0.8), airflow=0, speed=fs.half_width("10 %")),
    )
    readings: xr.Dataset = fs.read_readings("readings.csv")
    estimates: xr.Dataset = fs.equal_noise(readings, 36, bench=bench, draws=2000, rng=1)
    tables: list[pd.DataFrame] = [fs.summary(estimates, probability=0.9)]
    comparison: fs.Comparison = fs.compare(
        estimates, "A", "B", quantity="airflow", obstruction="none", chosen="before"
    )
    sentences: list[str] = [comparison.sentence(), comparison.caption()]
    ranking: fs.Ranking = fs.rank(estimates, quantity="airflow", obstruction="none")
    sentences.append(ranking.sentence())
    tables.append(
        fs.what_if(estimates, "A", "B", quantity="airflow", obstruction="none", noise=[0.5, 1.0])
    )
