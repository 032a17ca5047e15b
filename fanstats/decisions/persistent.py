"""The errors of a model that neither a repeat nor a further unit takes away."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from fanstats.decisions.explain import luck_response

if TYPE_CHECKING:
    from fanstats._typing import FloatArray
    from fanstats.decisions.selection import Selection
    from fanstats.sources import Bench


def persistent_variance(
    picked: Selection, models: list[int], bench: Bench | None
) -> tuple[FloatArray, tuple[str, ...]]:
    """Variance that no further unit of a model reduces, on the scale models are judged on.

    Parameters
    ----------
    picked : Selection
        The estimates a plan is made from.
    models : list of int
        Places of the models meant.
    bench : Bench or None
        Holds the errors that belong to a model; None leaves the variance 0 and says so.

    Returns
    -------
    variance : ndarray
        One number a model, in the squared unit of the selection (relative where it is judged
        in ratios).
    not_considered : tuple of str
        What could not be counted, in words.
    """
    floor: FloatArray = np.zeros(len(models))
    if bench is None:
        return floor, ("errors that belong to a model: give `bench` for the floor of the plan",)
    values = picked.values[picked.scope("model"), models]
    own = bench.instrument("temperature" if "temperature" in picked.name else picked.name)
    for source in own.at("model") if own is not None else ():
        error = source.standard_uncertainty(values, picked.units)
        floor += np.square(error / values if picked.ratio else error)
    if picked.attrs.get("kind") == "equal noise" and bench.noise is not None:
        step = np.array([-0.5, 0.5])
        slopes = np.array([np.diff(luck_response(picked, place, step))[0] for place in models])
        for source in bench.noise.at("model"):
            level_error = source.absolute_in(str(picked.attrs.get("level_units", "dBA")))
            floor += np.square(np.nan_to_num(slopes) * level_error)
    return floor, ()
