"""Steps of one model as points of a power law, with the covariance of their errors."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

from fanstats.errors import FanstatsError
from fanstats.estimates.case import gather_case
from fanstats.estimates.draws import Draws, OneAtATime, Recorder
from fanstats.estimates.knots import Knots, abscissa_draws, merged
from fanstats.estimates.level_curve import LevelCurve, level_knots
from fanstats.estimates.level_sweep import known_models
from fanstats.estimates.perturbation import reading_errors

if TYPE_CHECKING:
    import xarray as xr

    from fanstats._typing import FloatArray, IntArray
    from fanstats.estimates.layout import ModelLayout, QuantityCurve
    from fanstats.estimates.sittings import Sitting
    from fanstats.sources import Bench

__all__ = ["PowerLawPoints", "power_law_points"]

_BASE = 4  # rig, instrument, level of sharing, name of the source


class PowerLawPoints(NamedTuple):
    """Steps of one model's sweeps, and what each source moves them by.

    Attributes
    ----------
    x, y : ndarray, shape (point,)
        ln speed; the level of the fan alone in dB, or ln airflow.
    x_effects, y_effects : ndarray, shape (point, source)
        What one standard uncertainty of each labelled error moves them by.
    dof : ndarray, shape (source,)
        Degrees of freedom of each error's size; infinite where it is known.
    kinds : tuple of tuple of str
        Rig, instrument, level of sharing and name of each error: equal where the size is one.
    sweep : ndarray of int, shape (point,)
        Which sweep each point belongs to.
    sweeps : tuple of str
        Their names, in words.
    steps : tuple of str
        Name of each point's step.
    room_known : bool
        Whether the room was read in every sweep and is taken off; True for airflow.
    """

    x: FloatArray
    y: FloatArray
    x_effects: FloatArray
    y_effects: FloatArray
    dof: FloatArray
    kinds: tuple[tuple[str, ...], ...]
    sweep: IntArray
    sweeps: tuple[str, ...]
    steps: tuple[str, ...]
    room_known: bool

    def covariance(self, slope: float) -> FloatArray:
        """Covariance of the points about a line of that slope, shape (point, point).

        An error of speed moves a point along the axis, which a slope turns into one across it.
        """
        effects = self.y_effects - slope * self.x_effects
        return effects @ effects.T

    def without(self, kept: np.ndarray) -> PowerLawPoints:
        """Keep some of the points."""
        return self._replace(
            x=self.x[kept],
            y=self.y[kept],
            x_effects=self.x_effects[kept],
            y_effects=self.y_effects[kept],
            sweep=self.sweep[kept],
            steps=tuple(name for name, keep in zip(self.steps, kept, strict=True) if keep),
        )


def power_law_points(
    readings: xr.Dataset,
    model: str,
    *,
    bench: Bench,
    of: Literal["noise", "airflow"],
    obstruction: str,
) -> PowerLawPoints:
    """Gather the steps of one model.

    Parameters
    ----------
    readings : xarray.Dataset
        From `read_readings`.
    model : str
        Which model.
    bench : Bench
        What is stated about the instruments.
    of : {"noise", "airflow"}
        What rises with speed.
    obstruction : str
        Of airflow; "" where the table names none.

    Returns
    -------
    PowerLawPoints

    Raises
    ------
    FanstatsError
        If the model is not there, or has no sweep over speed with two usable steps or more.
    """
    known_models(readings, "model", [model])
    case = gather_case(readings, bench, needs_noise=of == "noise")
    layout = next(lay for lay in case.layouts(omit_shared=False) if lay.model == model)
    sweeps = _noise_sweeps(layout) if of == "noise" else _air_sweeps(layout, obstruction)
    if layout.abscissa != "speed" or not sweeps:
        msg = (
            f"{model!r} has no sweep of {of} over speed with at least two usable steps: a power "
            "law needs them."
        )
        raise FanstatsError(msg)
    recorder = Recorder()
    for curve in sweeps:
        _moved(recorder, bench, curve)
    labels = list(recorder.labels)
    parts = [_moved(OneAtATime(labels), bench, curve) for curve in sweeps]
    x, y = (np.concatenate([part[k] for part in parts]) for k in (0, 1))
    sizes = [len(part[0]) for part in parts]
    sittings = [curve.sitting for curve in sweeps]
    known = of == "airflow" or all(np.isfinite(sitting.background) for sitting in sittings)
    return PowerLawPoints(
        x=x[:, 0],
        y=y[:, 0],
        x_effects=x[:, 1:] - x[:, :1],
        y_effects=y[:, 1:] - y[:, :1],
        dof=np.array([recorder.dof.get(label[:_BASE], np.inf) for label in labels]),
        kinds=tuple(label[:_BASE] for label in labels),
        sweep=np.repeat(np.arange(len(sweeps)), sizes),
        sweeps=tuple(sitting.place for sitting in sittings),
        steps=tuple(name for curve in sweeps for name in _step_names(curve.sitting, curve.knots)),
        room_known=known,
    )


def _noise_sweeps(layout: ModelLayout) -> list[LevelCurve | QuantityCurve]:
    return [
        curve
        for unit in layout.units
        for curve in unit.noise
        if not curve.problem and curve.knots.count > 1
    ]


def _air_sweeps(layout: ModelLayout, obstruction: str) -> list[LevelCurve | QuantityCurve]:
    return [
        curve
        for unit in layout.units
        for curve in unit.quantities.get(("airflow", obstruction), ())
        if curve.knots.count > 1
    ]


def _moved(
    draws: Draws, bench: Bench, curve: LevelCurve | QuantityCurve
) -> tuple[FloatArray, FloatArray]:
    """Give ln speed and level or ln airflow of a sweep's points, shape (point, draw)."""
    if isinstance(curve, LevelCurve):
        knots = level_knots(draws, bench, curve)
        x, y = np.log(knots.x), knots.level
    else:
        sitting, index = curve.sitting, curve.knots.index
        errors = reading_errors(draws, bench, sitting, curve.channel, index).reading
        cells = sitting.channels[curve.channel].values[index]
        x = np.log(abscissa_draws(draws, bench, sitting, "speed", curve.knots))
        y = np.log(merged(curve.knots, np.maximum(cells[:, None] + errors, 0.5 * cells[:, None])))
    return np.broadcast_to(x, (len(x), draws.size)), np.broadcast_to(y, (len(y), draws.size))


def _step_names(sitting: Sitting, knots: Knots) -> list[str]:
    names: list[list[str]] = [[] for _ in range(knots.count)]
    for cell, group in zip(knots.index, knots.group, strict=True):
        names[int(group)].append(sitting.steps[int(cell)])
    return [" and ".join(dict.fromkeys(some)) for some in names]
