"""Some models read off at many noise levels, with the same draws at each."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import pandas as pd

from fanstats.errors import FanstatsError, one_of
from fanstats.estimates.knots import ABOVE_ROOM
from fanstats.estimates.matching import equal_noise
from fanstats.levels.kernels import add_levels, subtract_levels

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    import xarray as xr
    from numpy.typing import ArrayLike, NDArray

    from fanstats._typing import FloatArray, SeedLike
    from fanstats.estimates.curves import CurveKind
    from fanstats.estimates.target import Background, Target
    from fanstats.sources import Bench

__all__ = ["AtLevel", "Sweep", "grid_of", "known_models", "steps_of", "sweep_of"]

_LEVELS: Final = 31
# Levels at which the uncertainty of the choice of curve is looked up, as shares of the sweep.
_LOOKED_UP: Final = (0.25, 0.5, 0.75)
_FEWEST_DRAWS: Final = 100
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
    status: NDArray[np.str_]
    below: FloatArray
    above: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sweep:
    """One request for airflow at many levels.

    Attributes
    ----------
    readings : xarray.Dataset
        Rows that are read off.
    bench : Bench
    models : list of str
        Those wanted.
    obstruction : str
        "" where the table names none.
    draws, root : int
        How many, and their root seed.
    background : {"included", "removed"}
    target : {"as read", "true"}
    curve : {"smooth", "straight", "power law"}
    pooled : dict
        Reference room and uncertainty of the choice of curve, the same at every level.
    """

    readings: xr.Dataset
    bench: Bench
    models: list[str]
    obstruction: str
    draws: int
    root: int
    background: Background
    target: Target
    curve: CurveKind
    pooled: dict[str, Any]

    @property
    def room(self) -> float:
        """Level of the reference room, NaN where no room was read."""
        record = self.pooled.get("room") or {}
        return float(record.get("level", np.nan))

    def at_levels(self, grid: FloatArray) -> Iterator[AtLevel]:
        """Read the models off at one level after the other, with the same draws.

        Parameters
        ----------
        grid : ndarray, shape (level,)

        Yields
        ------
        AtLevel
        """
        for level in grid:
            estimates = equal_noise(
                self.readings,
                float(level),
                bench=self.bench,
                draws=self.draws,
                rng=self.root,
                background=self.background,
                target=self.target,
                curve=self.curve,
                pooled=self.pooled,
            ).sel(model=self.models)
            if "obstruction" in estimates["airflow"].dims:
                estimates = estimates.sel(obstruction=self.obstruction)
            yield AtLevel(
                *(
                    estimates[f"airflow{part}"].to_numpy()
                    for part in ("_value", "", "_status", "_share_below", "_share_above")
                )
            )

    def coords(self, grid: FloatArray) -> dict[str, Any]:
        """Give the coordinates of a result over `level`."""
        about = {"units": self.readings["noise"].attrs.get("units", ""), "long_name": "noise"}
        return {"level": ("level", grid, about), "root": str(self.root)}

    def attrs(self) -> dict[str, Any]:
        """Give the attributes of a result."""
        return {
            "obstruction": self.obstruction,
            "background": self.background,
            "target": self.target,
            "curve": self.curve,
            "draws": self.draws,
            "pooled": json.dumps(self.pooled),
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
        As in `equal_noise`. Without `pooled` the uncertainty of the choice of curve is the root
        mean square of those at three levels of the whole table.

    Returns
    -------
    Sweep

    Raises
    ------
    FanstatsError
        As `equal_noise`, and if a model or obstruction is not there.
    """
    present = _present(readings)
    names = [models] if isinstance(models, str) else models
    wanted = present if names is None else known_models(readings, "models", names)
    behind = _behind(readings, obstruction)
    noise = readings["noise"].to_numpy() if "noise" in readings else np.full(1, np.nan)
    ends = [np.nanmin(noise), np.nanmax(noise)] if np.isfinite(noise).any() else [0.0, 0.0]
    found, root, uncertainties = {}, rng, []
    for share in (0.5,) if pooled is not None else _LOOKED_UP:
        looked = equal_noise(
            readings,
            float(ends[0] + share * (ends[1] - ends[0])),
            bench=bench,
            draws=_FEWEST_DRAWS,
            rng=root,
            background=background,
            target=target,
            curve=curve,
            room=room,
            pooled=pooled,
        )
        root = int(looked["root"].item())
        found = json.loads(looked.attrs["pooled"])
        uncertainties.append(found.get("curve"))
    told = [u for u in uncertainties if u is not None]
    found["curve"] = float(np.sqrt(np.mean(np.square(told)))) if told else None
    return Sweep(
        readings=_part(readings, wanted, behind),
        bench=bench,
        models=wanted,
        obstruction=behind,
        draws=draws,
        root=int(str(root)),
        background=background,
        target=target,
        curve=curve,
        pooled=found,
    )


# What airflow at a noise level does not rest on.
_ASIDE: Final = ("temperature", "ambient", "load", "noise_obstructed")


def _part(readings: xr.Dataset, models: list[str], obstruction: str) -> xr.Dataset:
    """Keep the rows and columns that the results wanted rest on."""
    noise = np.isfinite(readings["noise"].to_numpy())
    # A room nobody read is bounded by the quietest reading of the session, whatever its model.
    room = readings["background"].to_numpy() if "background" in readings else np.nan
    kept = readings
    if not (noise & ~np.isfinite(room)).any():
        kept = kept.isel(row=np.flatnonzero(np.isin(kept["model"].to_numpy(), models)))
    own = kept["airflow"]
    if "obstruction" in own.dims:
        own = own.sel(obstruction=obstruction)
    # A sitting that read neither still has a say in what its model's curves run over.
    if not (np.isfinite(kept["noise"].to_numpy()) | np.isfinite(own.to_numpy())).all():
        return kept
    aside = [name for name in kept if str(name).startswith(_ASIDE)]
    kept = kept.drop_vars(aside)
    return kept.sel(obstruction=[obstruction]) if "obstruction" in kept.dims else kept


def _present(readings: xr.Dataset) -> list[str]:
    return list(dict.fromkeys(readings["model"].to_numpy().astype(str).tolist()))


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
    if not len(names):
        msg = f"`{argument}` must name at least one model; got none."
        raise FanstatsError(msg)
    present = _present(readings)
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
    """Give every row that read noise and airflow, in the room that the levels are meant in.

    Parameters
    ----------
    sweep : Sweep
        Holds the readings.
    models : sequence of str
        Whose rows.

    Returns
    -------
    dict
        Variables and coordinates over `step`, as `xarray.Dataset` takes them.
    """
    rows = sweep.readings
    airflow = rows["airflow"]
    if "obstruction" in airflow.dims:
        airflow = airflow.sel(obstruction=sweep.obstruction)
    read, moved = rows["noise"].to_numpy(), airflow.to_numpy()
    level, usable = _in_room(sweep, read)
    kept = np.isin(rows["model"].to_numpy(), list(models)) & np.isfinite(level) & (moved > 0)
    noise = {"units": rows["noise"].attrs.get("units", ""), "long_name": "noise of the step"}
    air = {"units": rows["airflow"].attrs.get("units", ""), "long_name": "airflow of the step"}
    return {
        "step_noise": ("step", level[kept], noise),
        "step_airflow": ("step", moved[kept], air),
        "step_model": ("step", rows["model"].to_numpy()[kept].astype(str)),
        "step_unit": ("step", rows["unit"].to_numpy()[kept].astype(str)),
        "step_usable": ("step", usable[kept]),
    }


def _in_room(sweep: Sweep, read: FloatArray) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Give levels as they would be read in the reference room, and which stand clear of theirs."""
    if "background" not in sweep.readings:
        return read, np.isfinite(read)
    room = sweep.readings["background"].to_numpy()
    known = np.isfinite(room) & np.isfinite(read)
    level, usable = read.copy(), np.isfinite(read)
    usable[known] = read[known] >= room[known] + ABOVE_ROOM
    fan = subtract_levels(read[known], room[known])[0]
    if sweep.background == "removed":
        level[known] = fan
    elif np.isfinite(sweep.room):
        moved = add_levels(fan, np.full_like(fan, sweep.room))
        level[known] = np.where(room[known] == sweep.room, read[known], moved)
    return level, usable


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
