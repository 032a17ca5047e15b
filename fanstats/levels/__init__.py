"""Sound levels: their means, sums and differences, with what is sure about them.

Which mean
----------
`energy_mean`
    Within **one source**: repeats, microphone positions, stretches of time (ISO 3744:2010,
    Eq. 12). Energies add, so the mean is of energies.
`arithmetic_mean`
    Across the **units of a model**, each a level of its own (ISO 9296, ISO 7574-4, ISO 4871).
`energy_sum`
    Sources that sound **together**.

For normal scatter of standard deviation s the energy mean lies 0.115 s^2 above the arithmetic
mean. The name of the mean stands in the attributes of every labelled result.

All functions take floats, arrays, xarray DataArrays (with draws or without) and numbers of the
`uncertainties` package (or arrays of them), and give back what they got. `add_levels` and
`subtract_levels` are the bare array kernels underneath.

Examples
--------
>>> from fanstats import levels
>>> readings = [34.8, 35.1, 34.6]
>>> with_room = levels.energy_mean(readings)
>>> alone = levels.remove_background(with_room, 28.0)
>>> round(with_room, 2), round(alone, 2)
(34.84, 33.83)
>>> round(levels.fans_together(alone, 3), 2)
38.6
"""

from fanstats.levels.background import (
    GRADES,
    Grade,
    Sensitivities,
    add_background,
    background_correction,
    background_sensitivities,
    remove_background,
)
from fanstats.levels.corrected import CorrectedLevel, corrected_level
from fanstats.levels.fans import (
    fans_together,
    level_each,
    level_spread_from_speed,
    speed_spread_from_level,
)
from fanstats.levels.kernels import add_levels, subtract_levels
from fanstats.levels.means import arithmetic_mean, energy_mean, energy_sum
from fanstats.levels.scatter import (
    MeanLevel,
    effective_dof,
    energy_deviation,
    mean_level,
    scatter_uncertainty,
)

__all__ = [
    "GRADES",
    "CorrectedLevel",
    "Grade",
    "MeanLevel",
    "Sensitivities",
    "add_background",
    "add_levels",
    "arithmetic_mean",
    "background_correction",
    "background_sensitivities",
    "corrected_level",
    "effective_dof",
    "energy_deviation",
    "energy_mean",
    "energy_sum",
    "fans_together",
    "level_each",
    "level_spread_from_speed",
    "mean_level",
    "remove_background",
    "scatter_uncertainty",
    "speed_spread_from_level",
    "subtract_levels",
]
