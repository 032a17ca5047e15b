"""Packaged demo data: an invented bench, to try things on.

A cupboard with a battery inverter in a garden shed, cooled by 80 mm fans on 24 V through its
openings. Makers, models and readings are made up; any likeness to a product is chance.
"""

from __future__ import annotations

from importlib import resources
from typing import TYPE_CHECKING, Final

from fanstats.loading.bench_file import read_bench
from fanstats.loading.readings import read_readings

if TYPE_CHECKING:
    import xarray as xr

    from fanstats.sources import Bench

__all__ = ["NOISE_LEVEL", "bench", "readings"]

# The level that the demo is read off at, dBA.
NOISE_LEVEL: Final = 33.0


def readings() -> xr.Dataset:
    """Load the invented readings.

    Returns
    -------
    xarray.Dataset
        As `fanstats.read_readings` gives them: ten models, two of them with several samples, one
        too loud at its slowest step to be read at 33 dBA, one that meets the room's floor.

    Examples
    --------
    >>> readings().sizes["obstruction"]
    4
    """
    with resources.as_file(resources.files("fanstats") / "data" / "demo_readings.csv") as path:
        return read_readings(path, columns={"sample": "unit"})


def bench() -> Bench:
    """Load the invented bench.

    Returns
    -------
    Bench

    Examples
    --------
    >>> bench().spread.unknown
    ('temperature',)
    """
    with resources.as_file(resources.files("fanstats") / "data" / "demo_bench.toml") as path:
        return read_bench(path)
