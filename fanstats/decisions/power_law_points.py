"""Steps of one model as points of a power law, with the covariance of their errors."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

from fanstats.decisions.level_sweep import known_models
from fanstats.engine.answers import ask
from fanstats.engine.draws import Moved
from fanstats.engine.layout import LevelCurves, Parallel, QuantityCurves
from fanstats.engine.points import abscissa, level_knots
from fanstats.engine.question import Question
from fanstats.errors import FanstatsError

if TYPE_CHECKING:
    import xarray as xr

    from fanstats._typing import FloatArray, IntArray
    from fanstats.engine.draws import Still
    from fanstats.engine.layout import Layout
    from fanstats.engine.ledger import Ledger
    from fanstats.sources import Bench

__all__ = ["PowerLawPoints", "power_law_points"]


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
    # A level of any size asks for the readings as they are; at a speed noise need not be there.
    kind = "equal noise" if of == "noise" else "equal speed"
    asked = ask(readings, bench, Question(kind=kind, at=(1.0,)))[0]
    layout, ledger = asked.layout, asked.ledger
    place = layout.models.index(model)
    if of == "noise":
        sweeps: list[LevelCurves | QuantityCurves] = [*_noise_sweeps(layout, ledger, place)]
    else:
        sweeps = [*_air_sweeps(layout, ledger, place, obstruction)]
    if layout.abscissa[place] != "speed" or not sweeps:
        msg = (
            f"{model!r} has no sweep of {of} over speed with at least two usable steps: a power "
            "law needs them."
        )
        raise FanstatsError(msg)
    inputs = [ids for curve in sweeps for ids in curve.inputs()]
    moved = Moved(ledger, inputs, np.ones(ledger.labels, dtype=np.bool_))
    parts = [_moved(moved, curve) for curve in sweeps]
    x, y = (np.concatenate([part[k] for part in parts]) for k in (0, 1))
    sizes = [len(part[0]) for part in parts]
    sittings = [int(curve.sittings[0]) for curve in sweeps]
    rooms = layout.sittings.background[sittings]
    bases = [ledger.bases[base] for base in ledger.label_base[moved.labels]]
    return PowerLawPoints(
        x=x[:, 0],
        y=y[:, 0],
        x_effects=x[:, 1:] - x[:, :1],
        y_effects=y[:, 1:] - y[:, :1],
        dof=np.array([base.dof for base in bases]),
        kinds=tuple(base.label for base in bases),
        sweep=np.repeat(np.arange(len(sweeps)), sizes),
        sweeps=tuple(layout.sittings[s].words for s in sittings),
        steps=tuple(name for curve in sweeps for name in _step_names(layout, curve)),
        room_known=of == "airflow" or bool(np.isfinite(rooms).all()),
    )


def _noise_sweeps(layout: Layout, ledger: Ledger, model: int) -> list[LevelCurves]:
    return [
        layout.level_curve(ledger, s)
        for unit in layout.units[model]
        for s in layout.noise_sittings(unit)
        if not layout.problem[s] and layout.level.counts[s] > 1
    ]


def _air_sweeps(
    layout: Layout, ledger: Ledger, model: int, obstruction: str
) -> list[QuantityCurves]:
    block = next(layout.blocks(ledger, [model]))
    return [
        curve
        for unit in block.units
        for curve in unit.quantities.get(("airflow", obstruction), ())
        if curve.values.size > 1
    ]


def _moved(x: Still, curve: LevelCurves | QuantityCurves) -> tuple[FloatArray, FloatArray]:
    """Give ln speed and level or ln airflow of a sweep's points, shape (point, draw)."""
    if isinstance(curve, LevelCurves):
        knots = level_knots(x, curve)
        over, y = np.log(knots.x), knots.level
    else:
        cells, read = curve.values, x.ledger.value[curve.values.inputs][..., None]
        over = np.log(abscissa(x, curve.speed, curve.x, cells))
        y = np.log(cells.merged(np.maximum(x(cells.inputs), 0.5 * read)))
    over, y = over[:, 0], y[:, 0]
    return np.broadcast_to(over, (len(over), x.size)), np.broadcast_to(y, (len(y), x.size))


def _step_names(layout: Layout, curve: LevelCurves | QuantityCurves) -> list[str]:
    cells: Parallel = curve.noise if isinstance(curve, LevelCurves) else curve.values
    names: list[list[str]] = [[] for _ in range(cells.size)]
    for cell, group in zip(cells.cells[:, 0].tolist(), cells.group.tolist(), strict=True):
        names[group].append(layout.sittings.steps[cell])
    return [" and ".join(dict.fromkeys(some)) for some in names]
