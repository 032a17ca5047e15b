"""Some models read off along a grid of noise levels or speeds, with the same draws at each."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final, Literal, NamedTuple

import numpy as np
import pandas as pd

from fanstats.asked import levels_of
from fanstats.engine.answers import Answer, answer, ask, at_levels
from fanstats.engine.draws import root_from
from fanstats.engine.question import Question
from fanstats.engine.sittings import ABOVE_ROOM
from fanstats.errors import FanstatsError, one_of
from fanstats.face import earlier_of, room_record
from fanstats.levels.kernels import add_levels, subtract_levels
from fanstats.loading.corrections import corrected
from fanstats.quantities import QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    import xarray as xr
    from numpy.typing import ArrayLike, NDArray

    from fanstats._typing import FloatArray, SeedLike
    from fanstats.engine.curves import CurveKind
    from fanstats.engine.question import Background, Target
    from fanstats.sources import Bench

__all__ = [
    "AtLevel",
    "Of",
    "Over",
    "Sweep",
    "finite_points",
    "grid_of",
    "known_models",
    "steps_of",
    "sweep_of",
]

Of = Literal["airflow", "noise", "speed", "temperature_rise"]
Over = Literal["noise", "speed"]

_POINTS: Final = 31
# What is read of a quantity: columns by the start of their names.
_COLUMNS: Final = {"temperature_rise": ("temperature", "ambient")}
# Numbers worked out together at the most.
_NUMBERS: Final = 2**24
# Where the uncertainty of the choice of curve is looked up, as shares of the sweep.
_LOOKED_UP: Final = (0.25, 0.5, 0.75)
# Kept inside the last step, where rounding could push a target past it; dB or rpm.
_INSIDE: Final = 1e-6


class AtLevel(NamedTuple):
    """All models of a sweep at one noise level or speed.

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
    """One request for a quantity along many noise levels or speeds.

    Attributes
    ----------
    of : {"airflow", "noise", "speed", "temperature_rise"}
        What is read off.
    over : {"noise", "speed"}
        What is held equal, point by point.
    readings : xarray.Dataset
        The whole table, corrected.
    answer : Answer
        What is read off it, laid out once.
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
        Reference room and uncertainty of the choice of curve, the same at every point.
    """

    of: Of
    over: Over
    readings: xr.Dataset
    answer: Answer
    models: list[str]
    obstruction: str
    draws: int
    root: int
    background: Background
    target: Target
    curve: CurveKind
    pooled: dict[str, Any]

    @property
    def dim(self) -> str:
        """Name of the dimension that a result runs over."""
        return "level" if self.over == "noise" else "speed"

    @property
    def room(self) -> float:
        """Level of the reference room, NaN where no room was read."""
        record = self.pooled.get("room") or {}
        return float(record.get("level", np.nan))

    def along(self, grid: FloatArray) -> Iterator[AtLevel]:
        """Read the models off at one noise level or speed after the other, with the same draws."""
        rows = [self.answer.layout.models.index(model) for model in self.models]
        outputs: dict[str, list[str]] = {self.of: [self.obstruction]}
        each = 3 * len(rows) * self.draws
        step = max(1, _NUMBERS // each)
        for start in range(0, len(grid), step):
            part = at_levels(self.answer, tuple(grid[start : start + step].tolist()))
            for tables in part.tables(outputs, rows)[0]:
                found = tables[self.of]
                yield AtLevel(
                    found.value[:, :, 0],
                    found.draws[:, :, 0],
                    found.status[:, :, 0].astype(str),
                    found.below[:, :, 0],
                    found.above[:, :, 0],
                )

    def coords(self, grid: FloatArray) -> dict[str, Any]:
        """Give the coordinates of a result over `level` or `speed`."""
        about = {"units": self.readings[self.over].attrs.get("units", ""), "long_name": self.over}
        return {self.dim: (self.dim, grid, about), "root": str(self.root)}

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
    of: Of = "airflow",
    over: Over = "noise",
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
    """Gather what is needed to read some models off along many noise levels or speeds.

    Parameters
    ----------
    readings : xarray.Dataset
        The whole table.
    of, over : str
        What is read off, and what is held equal.
    models : str, sequence of str or None
        Which models; None for all.
    obstruction : str or None
        May be None where there is only one.
    bench, draws, rng, background, target, curve, room, pooled
        As in `equal_noise`. Without `pooled` the uncertainty of the choice of curve is the root
        mean square of those at three levels or speeds of the whole table.

    Returns
    -------
    Sweep

    Raises
    ------
    FanstatsError
        As `equal_noise` and `equal_speed`, and if a model, obstruction or quantity is not there.
    """
    _check_quantities(readings, of, over)
    readings = corrected(readings, bench)
    present = _present(readings)
    names = [models] if isinstance(models, str) else models
    wanted = present if names is None else known_models(readings, "models", names)
    behind = _behind(readings, of, obstruction)
    root = root_from(rng)
    handed = earlier_of(pooled)
    at_noise = over == "noise"
    question = Question(
        kind="equal noise" if at_noise else "equal speed",
        at=_looked_up(readings, over),
        background=background,
        target=target if at_noise else "true",
        curve=curve,
        room=room,
        pooled=handed,
    )
    asked = ask(readings, bench, question)
    known = pooled is not None or (not at_noise and of != "noise")
    told = [one.curve for one in (asked[1:2] if known else asked) if np.isfinite(one.curve)]
    found = {
        "room": room_record(asked[0]),
        "curve": float(np.sqrt(np.mean(np.square(told)))) if told else None,
    }
    held = {key: value for key, value in found.items() if value is not None}
    fixed = replace(question, room=None, pooled={"room": found["room"], **held})
    return Sweep(
        of=of,
        over=over,
        readings=readings,
        answer=answer(readings, bench, fixed, draws=draws, root=root),
        models=wanted,
        obstruction=behind,
        draws=draws,
        root=root,
        background=background,
        target=target,
        curve=curve,
        pooled=found,
    )


def _looked_up(readings: xr.Dataset, over: str) -> tuple[float, ...]:
    """Give the levels or speeds at which the uncertainty of the choice of curve is looked up."""
    read = readings[over].to_numpy()
    low, high = (np.nanmin(read), np.nanmax(read)) if np.isfinite(read).any() else (1.0, 1.0)
    found = [float(low + share * (high - low)) or 1.0 for share in _LOOKED_UP]
    return levels_of(found) if over == "noise" and len(set(found)) == len(found) else tuple(found)


def _check_quantities(readings: xr.Dataset, of: str, over: str) -> None:
    one_of("of", of, ("airflow", "noise", "speed", "temperature_rise"))
    one_of("over", over, ("noise", "speed"))
    if of == over:
        msg = f"`of` must be another quantity than `over`; got {of!r} for both."
        raise FanstatsError(msg)
    for needed in (over, *_COLUMNS.get(of, (of,))):
        if needed not in readings:
            held = ", ".join(map(str, readings))
            msg = f"The readings hold no {needed}; columns with numbers: {held}."
            raise FanstatsError(msg)


def _read(readings: xr.Dataset, of: str, obstruction: str) -> xr.DataArray:
    """Give a quantity as read, row by row; a temperature rise over the ambient of its row."""
    own = readings[_COLUMNS.get(of, (of,))[0]]
    if "obstruction" in own.dims:
        own = own.sel(obstruction=obstruction)
    return own - readings["ambient"] if of == "temperature_rise" else own


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


def _behind(readings: xr.Dataset, of: str, obstruction: str | None) -> str:
    own = readings[_COLUMNS.get(of, (of,))[0]]
    if "obstruction" not in own.dims:
        if obstruction is not None:
            msg = f"`obstruction` must be left out: {of} names none; got {obstruction!r}."
            raise FanstatsError(msg)
        return ""
    present = [str(name) for name in readings["obstruction"].to_numpy()]
    if obstruction is None and len(present) == 1:
        return present[0]
    return one_of("obstruction", obstruction, present)


def steps_of(sweep: Sweep, models: Sequence[str]) -> dict[str, Any]:
    """Give every row that read both quantities, levels in the room that they are meant in.

    Parameters
    ----------
    sweep : Sweep
        Holds the readings.
    models : sequence of str
        Whose rows.

    Returns
    -------
    dict
        Variables and coordinates over `step`, as `xarray.Dataset` takes them: ``step_model``,
        ``step_unit``, ``step_usable``, and ``step_<quantity>`` for both.
    """
    rows = sweep.readings
    usable = np.ones(rows.sizes["row"], dtype=np.bool_)
    read = {
        name: np.asarray(_read(rows, name, sweep.obstruction).to_numpy(), dtype=np.float64)
        for name in (sweep.over, sweep.of)
    }
    if "noise" in read:
        read["noise"], usable = _in_room(sweep, read["noise"])
    kept = np.isin(rows["model"].to_numpy(), list(models))
    for name, values in read.items():
        kept &= np.isfinite(values) & ((values > 0) if name in ("airflow", "speed") else True)
    found: dict[str, Any] = {
        f"step_{name}": ("step", values[kept], {
            "units": _units(rows, name), "long_name": f"{QUANTITIES[name].title} of the step"})
        for name, values in read.items()
    }  # fmt: skip
    return {
        **found,
        "step_model": ("step", rows["model"].to_numpy()[kept].astype(str)),
        "step_unit": ("step", rows["unit"].to_numpy()[kept].astype(str)),
        "step_usable": ("step", usable[kept]),
    }


def _units(readings: xr.Dataset, name: str) -> str:
    units = str(readings[_COLUMNS.get(name, (name,))[0]].attrs.get("units", ""))
    return "K" if name == "temperature_rise" and units == "degC" else units


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


def grid_of(
    sweep: Sweep,
    points: ArrayLike | None,
    steps: dict[str, Any],
    *,
    argument: str = "levels",
    named_by: str = "",
    shared: bool = False,
) -> FloatArray:
    """Give the levels or speeds as they are, else such as the models cover.

    Parameters
    ----------
    sweep : Sweep
        Says what is held equal.
    points : array_like or None
        What the caller asked for.
    steps : dict
        From `steps_of`.
    argument, named_by : str
        What the caller calls the points, and models, for messages.
    shared : bool
        Keep to what all models cover.

    Returns
    -------
    ndarray, shape (point,)
        Rising.

    Raises
    ------
    FanstatsError
        If a point is not finite, or there is nothing to choose points by.
    """
    what = "noise levels" if sweep.over == "noise" else "speeds"
    if points is not None:
        return finite_points(argument, points, what, named_by=named_by)
    ends = _covered(sweep.over, steps)
    if ends.size == 0:
        title = QUANTITIES[sweep.of].title
        msg = (
            f"`{argument}` must be given: no two steps of one of these models read {sweep.over} "
            f"and {title} together."
        )
        raise FanstatsError(msg)
    low, high = ends[:, 0].min(), ends[:, 1].max()
    if shared and ends[:, 0].max() < ends[:, 1].min():
        low, high = ends[:, 0].max(), ends[:, 1].min()
    inside = ends[(ends >= low) & (ends <= high)]
    return np.unique([*np.linspace(low, high, _POINTS), *inside])


def finite_points(argument: str, points: ArrayLike, what: str, *, named_by: str = "") -> FloatArray:
    """Check levels or speeds that the caller named.

    Parameters
    ----------
    argument : str
        What the caller calls them.
    points : array_like
        The points.
    what : str
        What they are, in the plural.
    named_by : str
        The argument that names models, for whoever put a model here; "" where it stands before.

    Returns
    -------
    ndarray, shape (point,)
        Rising, each once.

    Raises
    ------
    FanstatsError
        If there are none, or one is no finite number.

    Examples
    --------
    >>> finite_points("levels", [36, 30], "noise levels")
    array([30., 36.])
    """
    try:
        grid = np.asarray(points, dtype=np.float64).ravel()
    except (TypeError, ValueError):
        grid = np.empty(0)
    if grid.size == 0 or not np.isfinite(grid).all():
        mend = f" A model is named by `{named_by}`." if named_by and isinstance(points, str) else ""
        msg = f"`{argument}` must hold finite {what}; got {points!r}.{mend}"
        raise FanstatsError(msg)
    return np.unique(grid)


def _covered(over: str, steps: dict[str, Any]) -> FloatArray:
    """Lowest and highest point that all units of a model cover, one row a model."""
    usable = steps["step_usable"][1]
    table = pd.DataFrame(
        {name: steps[f"step_{name}"][1][usable] for name in ("model", "unit", over)}
    )
    units = table.groupby(["model", "unit"])[over].agg(["min", "max"])
    models = units.groupby("model").agg({"min": "max", "max": "min"})
    models = models[models["min"] < models["max"]]
    return np.asarray(models.to_numpy() + np.array([_INSIDE, -_INSIDE]), dtype=np.float64)
