"""What a tester states: errors of instruments, who shares them, and how units of a model differ."""

from fanstats.sources.bench import EVERY_RIG, INSTRUMENTS, Bench
from fanstats.sources.instrument import LEVELS_OF_SHARING, Instrument
from fanstats.sources.source import Source, expanded, half_width, standard
from fanstats.sources.spread import UnitSpread
from fanstats.sources.text import Correction

__all__ = [
    "EVERY_RIG",
    "INSTRUMENTS",
    "LEVELS_OF_SHARING",
    "Bench",
    "Correction",
    "Instrument",
    "Source",
    "UnitSpread",
    "expanded",
    "half_width",
    "standard",
]
