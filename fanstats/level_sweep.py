"""Some models read off at many noise levels, with the same draws at each."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import pandas as pd
import xarray as xr

from fanstats._typing import FloatArray, SeedLike
from fanstats.curve_choice import curve_uncertainty
from fanstats.draws import CHUNK, LabelledDraws, root_from
from fanstats.errors import FanstatsError, one_of
from fanstats.knots import ABOVE_ROOM
from fanstats.level_curve import remove_room
from fanstats.levels.kernels import add_levels
from fanstats.matching import (
    _Case,
    _case,
    _check_draws,
    _drop_unsupported,
    _fill_draws,
    _fill_values,
    _room_record,
    _Table,
)
from fanstats.operating import Request
from fanstats.target import Background, NoiseTarget, Target

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from numpy.typing import ArrayLike, NDArray

    from fanstats.curves import CurveKind
    from fanstats.layout import ModelLayout
    from fanstats.sittings import Sitting
    from fanstats.sources import Bench

__all__ = ["AtLevel", "Sweep", "grid_of", "known_models", "steps_of", "sweep_of"]

_LEVELS: Final = 31
# Kept inside the last step, where rounding could push a target past it; dB.
_INSIDE: Final = 1e-6


class AtLevel(NamedTuple):
    """All models of a sweep at one level.

    Attributes
    ----------
    value : ndarray, shape (scope, model)
        At the readings as read; NaN where there is none.
    draws : ndarray, shape (scope, model, draw)
        NaN where there are none.
    status : ndarray of str, shape (scope, model)
        Why something is missing.
    below, above : ndarray, shape (scope, model)
        Shares of draws beyond what was read.
    """

    value: FloatArray
    draws: FloatArray
    status: NDArray[np.object_]
    below: FloatArray
    above: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sweep:
    """One request for airflow at many levels.

    Attributes
    ----------
    case : _Case
        The readings, gathered.
    layouts, every : list of ModelLayout
        The curves of the models wanted, and those of the whole table: the uncertainty of the
        curve is pooled over all of them.
    obstruction : str
        "" where the table names none.
    draws, root : int
        How many, and their root seed.
    background : {"included", "removed"}
    target : {"as read", "true"}
    """

    case: _Case
    layouts: list[ModelLayout]
    every: list[ModelLayout]
    obstruction: str
    draws: int
    root: int
    background: Background
    target: Target

    @property
    def models(self) -> list[str]:
        """Names of the models wanted."""
        return [layout.model for layout in self.layouts]

    def at_levels(self, grid: FloatArray) -> Iterator[AtLevel]:
        """Read the models off at one level after the other, with the same draws.

        Parameters
        ----------
        grid : ndarray, shape (level,)

        Yields
        ------
        AtLevel
        """
        sources = [
            LabelledDraws(self.root, min(CHUNK, self.draws - start), chunk)
            for chunk, start in enumerate(range(0, self.draws, CHUNK))
        ]
        for level in grid:
            yield self._at(self._request(float(level)), sources)

    def _request(self, level: float) -> Request:
        wanted = NoiseTarget(
            level=level, background=self.background, target=self.target, room=self.case.room
        )
        u_curve = self.case.pooled_curve
        if u_curve is None:
            curves = [c for layout in self.every for unit in layout.units for c in unit.noise]
            u_curve = curve_uncertainty(self.case.bench, curves, wanted)[0]
        return Request(
            kind="equal noise",
            bench=self.case.bench,
            target=wanted,
            curve_uncertainty=0.0 if np.isnan(u_curve) else u_curve,
        )

    def _at(self, request: Request, sources: list[LabelledDraws]) -> AtLevel:
        outputs = {"airflow": [self.obstruction]}
        table = _Table(len(self.layouts), 1, self.draws)
        tables = {"airflow": table}
        for row, layout in enumerate(self.layouts):
            _fill_values(request, layout, row, outputs, tables)
            for chunk, source in enumerate(sources):
                _fill_draws(source, request, layout, row, chunk * CHUNK, outputs, tables)
        _drop_unsupported(tables)
        return AtLevel(
            table.value[..., 0],
            table.draws[:, :, 0],
            table.status[..., 0],
            table.below[..., 0],
            table.above[..., 0],
        )

    def coords(self, grid: FloatArray) -> dict[str, Any]:
        """Coordinates of a result over `level`."""
        about = {"units": self.case.noise_units, "long_name": "noise"}
        return {"level": ("level", grid, about), "root": str(self.root)}

    def attrs(self) -> dict[str, Any]:
        """Attributes of a result."""
        return {
            "obstruction": self.obstruction,
            "background": self.background,
            "target": self.target,
            "curve": self.case.curve,
            "draws": self.draws,
            "room": json.dumps(_room_record(self.case.room)),
        }


def sweep_of(
    readings: xr.Dataset,
    *,
    bench: Bench,
    models: str | Sequence[str] | None,
    obstruction: str | None,
    draws: int,
    rng: SeedLike,
    background: Background,
    target: Target,
    curve: CurveKind,
    room: str | float | None,
    pooled: Mapping[str, Any] | str | None,
) -> Sweep:
    """Gather what is needed to read some models off at many levels.

    Parameters
    ----------
    readings : xarray.Dataset
        The whole table.
    models : str, sequence of str or None
        Which models; None for all.
    obstruction : str or None
        May be None where there is only one.
    bench, draws, rng, background, target, curve, room, pooled
        As in `equal_noise`.

    Returns
    -------
    Sweep

    Raises
    ------
    FanstatsError
        As `equal_noise`, and if a model or obstruction is not there.
    """
    _check_draws(draws)
    case = _case(readings, bench, curve, background, target, room, pooled, ("noise", ""))
    names = [models] if isinstance(models, str) else models
    wanted = case.models if names is None else known_models(readings, "models", names)
    anywhere = NoiseTarget(level=0.0, background=background, target=target, room=case.room)
    every = case.layouts(omit_shared=anywhere.omit_shared)
    by_name = {layout.model: layout for layout in every}
    return Sweep(
        case=case,
        layouts=[by_name[name] for name in wanted],
        every=every,
        obstruction=_behind(readings, obstruction),
        draws=int(draws),
        root=root_from(rng),
        background=background,
        target=target,
    )


def known_models(readings: xr.Dataset, argument: str, names: Sequence[str]) -> list[str]:
    """Check that the readings hold some models.

    Parameters
    ----------
    readings : xarray.Dataset
        The table.
    argument : str
        Where the names come from, for the message.
    names : sequence of str
        Models.

    Returns
    -------
    list of str
        Each once.

    Raises
    ------
    FanstatsError
        If there is none, or one is not in the table.
    """
    present = list(dict.fromkeys(readings["model"].to_numpy().astype(str).tolist()))
    if not len(names):
        msg = f"`{argument}` must name at least one model; got none."
        raise FanstatsError(msg)
    return [one_of(argument, name, present) for name in dict.fromkeys(names)]


def _behind(readings: xr.Dataset, obstruction: str | None) -> str:
    if "airflow" not in readings:
        msg = (
            f"The readings hold no airflow; columns with numbers: {', '.join(map(str, readings))}."
        )
        raise FanstatsError(msg)
    if "obstruction" not in readings["airflow"].dims:
        if obstruction is not None:
            msg = f"`obstruction` must be left out: airflow names none; got {obstruction!r}."
            raise FanstatsError(msg)
        return ""
    present = [str(name) for name in readings["obstruction"].to_numpy()]
    if obstruction is None and len(present) == 1:
        return present[0]
    return one_of("obstruction", obstruction, present)


def steps_of(sweep: Sweep, models: Sequence[str]) -> dict[str, Any]:
    """Give every step that read noise and airflow, in the room that the levels are meant in.

    Parameters
    ----------
    sweep : Sweep
        Holds the curves.
    models : sequence of str
        Whose steps.

    Returns
    -------
    dict
        Variables and coordinates over `step`, as `xarray.Dataset` takes them.
    """
    layouts = [layout for layout in sweep.layouts if layout.model in models]
    parts: list[tuple[str, str, float, float, bool]] = []
    for layout in layouts:
        for unit in layout.units:
            for sitting in unit.sittings:
                parts += [
                    (layout.model, unit.unit, *numbers)
                    for numbers in _sitting_steps(sweep, sitting)
                ]
    columns = list(zip(*parts, strict=True)) if parts else [()] * 5
    model, unit_of, noise, airflow, usable = columns
    units = sweep.case.units.get("airflow", "")
    return {
        "step_noise": (
            "step",
            np.array(noise, dtype=np.float64),
            {"units": sweep.case.noise_units, "long_name": "noise of the step"},
        ),
        "step_airflow": (
            "step",
            np.array(airflow, dtype=np.float64),
            {"units": units, "long_name": "airflow of the step"},
        ),
        "step_model": ("step", np.array(model, dtype=str)),
        "step_unit": ("step", np.array(unit_of, dtype=str)),
        "step_usable": ("step", np.array(usable, dtype=np.bool_)),
    }


def _sitting_steps(sweep: Sweep, sitting: Sitting) -> list[tuple[float, float, bool]]:
    noise, airflow = sweep.case.noise, ("airflow", sweep.obstruction)
    if noise not in sitting.channels or airflow not in sitting.channels:
        return []
    read, moved = sitting.channels[noise].values, sitting.channels[airflow].values
    level, usable = read, np.isfinite(read)
    if np.isfinite(sitting.background):
        usable = read >= sitting.background + ABOVE_ROOM
        room = sweep.case.room
        fan = remove_room(read, np.full_like(read, sitting.background))
        if sweep.background == "removed":
            level = fan
        elif room is not None and room.level != sitting.background:
            level = add_levels(fan, np.full_like(fan, room.level))
    whole = np.isfinite(level) & np.isfinite(moved) & (moved > 0)
    return [(float(level[k]), float(moved[k]), bool(usable[k])) for k in np.flatnonzero(whole)]


def grid_of(levels: ArrayLike | None, steps: dict[str, Any], *, shared: bool = False) -> FloatArray:
    """Give the levels as they are, else such as the models cover.

    Parameters
    ----------
    levels : array_like or None
        What the caller passed.
    steps : dict
        From `steps_of`.
    shared : bool
        Keep to what all models cover.

    Returns
    -------
    ndarray, shape (level,)
        Rising.

    Raises
    ------
    FanstatsError
        If a level is not finite, or there is nothing to choose levels by.
    """
    if levels is not None:
        grid = np.asarray(levels, dtype=np.float64).ravel()
        if grid.size == 0 or not np.isfinite(grid).all():
            msg = f"`levels` must hold finite noise levels; got {levels!r}."
            raise FanstatsError(msg)
        return np.unique(grid)
    ends = _covered(steps)
    if ends.size == 0:
        msg = "`levels` must be given: no step of these models reads noise and airflow together."
        raise FanstatsError(msg)
    low, high = ends[:, 0].min(), ends[:, 1].max()
    if shared and ends[:, 0].max() < ends[:, 1].min():
        low, high = ends[:, 0].max(), ends[:, 1].min()
    inside = ends[(ends >= low) & (ends <= high)]
    return np.unique([*np.linspace(low, high, _LEVELS), *inside])


def _covered(steps: dict[str, Any]) -> FloatArray:
    """Quietest and loudest level that all units of a model cover, one row a model."""
    usable = steps["step_usable"][1]
    table = pd.DataFrame(
        {name: steps[f"step_{name}"][1][usable] for name in ("model", "unit", "noise")}
    )
    units = table.groupby(["model", "unit"])["noise"].agg(["min", "max"])
    models = units.groupby("model").agg({"min": "max", "max": "min"})
    models = models[models["min"] < models["max"]]
    return np.asarray(models.to_numpy() + np.array([_INSIDE, -_INSIDE]), dtype=np.float64)
