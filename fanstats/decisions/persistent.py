"""The errors that belong to a model, a sitting or a session, on the scale results are judged on."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np

from fanstats.decisions.explain import luck_response
from fanstats.sources import INSTRUMENTS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fanstats._typing import FloatArray
    from fanstats.decisions.selection import Selection
    from fanstats.sources import Bench, Source

__all__ = ["level_variance", "noise_slopes", "persistent_variance", "shrinking_share"]

Level = Literal["session", "sitting", "model", "reading"]


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
    if bench is None:
        return np.zeros(len(models)), (
            "errors that belong to a model: give `bench` for the floor of the plan",
        )
    notes: tuple[str, ...] = ()
    through_noise = picked.attrs.get("kind") == "equal noise" and bench.noise is not None
    if through_noise and not np.isfinite(noise_slopes(picked, models)).all():
        notes = ("errors of the noise meter that belong to a model: no slope recorded",)
    return level_variance(picked, models, bench, "model"), notes


def noise_slopes(picked: Selection, models: list[int]) -> FloatArray:
    """Change of each model's result with one decibel of the fan alone, at equal noise.

    Parameters
    ----------
    picked : Selection
    models : list of int
        Places of the models meant.

    Returns
    -------
    ndarray
        On the scale models are judged on; NaN where nothing was recorded.
    """
    step = np.array([-0.5, 0.5])
    return np.array([np.diff(luck_response(picked, place, step))[0] for place in models])


def level_variance(picked: Selection, models: list[int], bench: Bench, level: Level) -> FloatArray:
    """Variance of one draw of the errors at a level of sharing, on the scale models are judged on.

    Parameters
    ----------
    picked : Selection
        The estimates a plan is made from.
    models : list of int
        Places of the models meant.
    bench : Bench
        What is stated about the instruments.
    level : {"session", "sitting", "model", "reading"}
        Level of sharing. At "reading" it is that of a single reading at the target.

    Returns
    -------
    ndarray
        One number a model.
    """
    found: FloatArray = np.zeros(len(models))
    for _, variance in _variances(picked, models, bench, level):
        found = found + variance
    return found


def shrinking_share(picked: Selection, models: list[int], bench: Bench) -> float:
    """Share of the variance of a reading that repeats without touching the fan average out.

    Parameters
    ----------
    picked, models, bench
        As in `level_variance`.

    Returns
    -------
    float
        Scatter of one's own repeats shrinks; the display's half width does not. 0 where no error
        of a reading is stated.
    """
    every, shrinks = 0.0, 0.0
    for source, variance in _variances(picked, models, bench, "reading"):
        every += float(variance.sum())
        shrinks += float(variance.sum()) if source.kind == "standard" else 0.0
    return shrinks / every if every > 0 else 0.0


def _variances(
    picked: Selection, models: list[int], bench: Bench, level: Level
) -> Iterator[tuple[Source, FloatArray]]:
    """Give each source at a level with its variance, one number a model."""
    values = picked.values[picked.scope("model"), models]
    name = "temperature" if "temperature" in picked.name else picked.name
    own = bench.instrument(name) if name in INSTRUMENTS else None
    for source in own.at(level) if own is not None else ():
        error = source.standard_uncertainty(values, picked.units)
        yield source, np.square(error / values if picked.ratio else error)
    if picked.attrs.get("kind") == "equal noise" and bench.noise is not None:
        slopes = np.nan_to_num(noise_slopes(picked, models))
        for source in bench.noise.at(level):
            level_error = source.absolute_in(str(picked.attrs.get("level_units", "dBA")))
            yield source, np.square(slopes * level_error)
