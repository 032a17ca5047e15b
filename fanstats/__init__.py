"""Say whether a gap between cooling fans at equal noise is larger than one sample's luck.

>>> import fanstats as fs
>>> estimates = fs.equal_noise(fs.demo.readings(), 33, bench=fs.demo.bench(), draws=1000, rng=1)
>>> estimates.airflow.dims
('scope', 'model', 'obstruction', 'draw')
"""

from fanstats import demo, levels
from fanstats.bench_file import read_bench
from fanstats.errors import FanstatsError, FanstatsWarning
from fanstats.matching import equal_drive, equal_noise, equal_speed
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

__version__ = "0.1.0"

__all__ = [
    "Bench",
    "FanstatsError",
    "FanstatsWarning",
    "Instrument",
    "Source",
    "UnitSpread",
    "demo",
    "equal_drive",
    "equal_noise",
    "equal_speed",
    "expanded",
    "half_width",
    "levels",
    "load_report",
    "read_bench",
    "read_readings",
    "standard",
]
