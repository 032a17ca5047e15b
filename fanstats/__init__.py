"""Say whether a gap between cooling fans at equal noise is larger than one sample's luck.

>>> import fanstats as fs
>>> estimates = fs.equal_noise(fs.demo.readings(), 33, bench=fs.demo.bench(), draws=1000, rng=1)
>>> estimates.airflow.dims
('scope', 'model', 'obstruction', 'draw')
"""

from fanstats import demo, formatting, levels
from fanstats.bench_file import read_bench
from fanstats.compare import compare
from fanstats.describe import describe
from fanstats.errors import FanstatsError, FanstatsWarning
from fanstats.from_chart import from_chart
from fanstats.matching import equal_drive, equal_noise, equal_speed
from fanstats.rank import Ranking, rank
from fanstats.readings import load_report, read_readings
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
from fanstats.verdict import Comparison
from fanstats.what_if import what_if

__version__ = "0.1.0"

__all__ = [
    "Bench",
    "Comparison",
    "FanstatsError",
    "FanstatsWarning",
    "Instrument",
    "Ranking",
    "Source",
    "UnitSpread",
    "compare",
    "demo",
    "describe",
    "equal_drive",
    "equal_noise",
    "equal_speed",
    "expanded",
    "from_chart",
    "formatting",
    "half_width",
    "levels",
    "load_report",
    "rank",
    "read_bench",
    "read_readings",
    "standard",
    "summary",
    "what_if",
]
