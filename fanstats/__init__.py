"""Say whether a gap between cooling fans at equal noise is larger than one sample's luck.

>>> import fanstats as fs
>>> estimates = fs.equal_noise(fs.demo.readings(), 33, bench=fs.demo.bench(), draws=1000, rng=1)
>>> estimates.airflow.dims
('scope', 'model', 'obstruction', 'draw')
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

from fanstats import demo, formatting, levels, life
from fanstats.bench_file import read_bench
from fanstats.compare import compare
from fanstats.curve_bands import noise_airflow_band
from fanstats.describe import describe
from fanstats.errors import FanstatsError, FanstatsWarning
from fanstats.from_chart import from_chart
from fanstats.matching import equal_drive, equal_noise, equal_speed
from fanstats.plan import NextUnits, UnitsPlan, plan_next, plan_units
from fanstats.rank import Ranking, rank
from fanstats.readings import load_report, read_readings
from fanstats.samples import (
    units_for_gap,
    units_for_half_width,
    units_for_models,
    units_for_spread,
)
from fanstats.sequential import plan_looks
from fanstats.sources import (
    Bench,
    Instrument,
    Source,
    UnitSpread,
    expanded,
    half_width,
    standard,
)
from fanstats.summaries import summary
from fanstats.tolerance import (
    distribution_free_interval,
    prediction_interval,
    tolerance_interval,
)
from fanstats.verdict import Comparison
from fanstats.what_if import what_if

if TYPE_CHECKING:
    from fanstats import charts

__version__ = "0.1.0"

__all__ = [
    "Bench",
    "Comparison",
    "FanstatsError",
    "FanstatsWarning",
    "Instrument",
    "NextUnits",
    "Ranking",
    "Source",
    "UnitSpread",
    "UnitsPlan",
    "charts",
    "compare",
    "demo",
    "describe",
    "distribution_free_interval",
    "equal_drive",
    "equal_noise",
    "equal_speed",
    "expanded",
    "formatting",
    "from_chart",
    "half_width",
    "levels",
    "life",
    "load_report",
    "noise_airflow_band",
    "plan_looks",
    "plan_next",
    "plan_units",
    "prediction_interval",
    "rank",
    "read_bench",
    "read_readings",
    "standard",
    "summary",
    "tolerance_interval",
    "units_for_gap",
    "units_for_half_width",
    "units_for_models",
    "units_for_spread",
    "what_if",
]


def __getattr__(name: str) -> Any:
    if name == "charts":  # matplotlib is slow to import, and most calls draw nothing
        return importlib.import_module("fanstats.charts")
    msg = f"module 'fanstats' has no attribute {name!r}"
    raise AttributeError(msg)
