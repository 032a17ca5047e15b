"""Results at equal noise, equal drive and equal speed, as labelled draws."""

from __future__ import annotations

import importlib
import json
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
import xarray as xr

from fanstats._typing import SeedLike
from fanstats.asked import draws_of, fans_of, finite, levels_of, slope_of
from fanstats.assumed import assumptions, left_out, measured, not_considered
from fanstats.engine.answers import Answer, Table, answer
from fanstats.engine.curves import CurveKind
from fanstats.engine.draws import root_from
from fanstats.engine.points import SCOPES, Asked
from fanstats.engine.question import (
    Background,
    Question,
    Target,
)
from fanstats.errors import FanstatsError, one_of
from fanstats.quantities import QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from fanstats.sources import Bench

__all__ = ["equal_drive", "equal_noise", "equal_speed"]

_OF_ONE_LEVEL: Final = ("assumptions", "measured", "not_considered", "left_out", "pooled")


def equal_noise(
    readings: xr.Dataset,
    level: float | Sequence[float] | NDArray[np.float64],
    *,
    bench: Bench,
    draws: int = 10_000,
    rng: SeedLike = None,
    background: Background = "included",
    target: Target = "as read",
    curve: CurveKind = "smooth",
    room: str | float | None = None,
    noise_obstruction: str | None = None,
    fans: Mapping[str, int] | None = None,
    slope: float | tuple[float, float] | None = None,
    pooled: Mapping[str, Any] | str | None = None,
) -> xr.Dataset:
    """Read every model off at one noise level, with its uncertainty.

    Parameters
    ----------
    readings : xarray.Dataset
        From `read_readings`. Where they are chunked along ``row`` (``readings.chunk(row=500)``, a
        catalogue whose draws would not fit into memory) draws are dask arrays, made group by
        group of models when asked for, with the same numbers; needs ``fanstats[dask]``.
    level : float or sequence of float
        The noise level, in the unit of the noise readings (dBA). Several levels give a dimension
        ``level`` more, with the same draws at each: does the advice hold for quiet buyers and for
        loud ones? Pick one with ``estimates.sel(level=36)`` before comparing.
    bench : Bench
        What is stated about the instruments and the unit-to-unit spread.
    draws : int
        Monte Carlo draws, at least 100.
    rng : int, numpy.random.Generator, numpy.random.SeedSequence or None
        Root of all draws. An integer is the root itself; None draws a fresh one. It is kept in
        the coordinate ``root``.
    background : {"included", "removed"}
        Whether `level` includes the room, as a chart of one room does, or is the fan alone.
    target : {"as read", "true"}
        Whether `level` is held on this meter, or in truth (the meter's shared error then counts).
        A correction that the bench states for the meter is made to its readings first, so that
        either is a level after correction, like every level that comes out: with a correction of
        -0.4 dB, 36 asks for what stood on the display as 36.4.
    curve : {"smooth", "straight", "power law"}
        Through the steps: a monotone cubic of the fan-alone level over lg speed, straight lines of
        the level as read over speed, or one power law for the whole sweep. The power law is fitted
        by least squares, each step weighed with the covariance of its errors (those of single
        readings, of speed through the slope, of the room where it is taken off), all alike where
        none is stated. `power_law` tests whether it fits.
    room : str or float, optional
        The one room a level including background is meant in: a session, or a level on this
        meter, after correction (then exact). By default the room reading that is the lower median.
    noise_obstruction : str, optional
        Match the noise read behind this obstruction instead of that in free air.
    fans : mapping of str to int, optional
        How many fans of a model run together, each in its own opening, to make `level` in total:
        ``{"A": 3}`` sets three of A against one of each other model. Airflow is then their sum;
        the next unit is that many fans off the shelf, each with its own luck.
    slope : float or (float, float), optional
        For models with a single step at the level (dialled in, or off a chart): how the level of
        the fan alone rises, dB a decade of speed, and its standard uncertainty. By default the
        model's own sweep, the pooled slope of swept models, or the fan laws.
    pooled : mapping or JSON text, optional
        The ``pooled`` attribute of an earlier result: its reference room and curve uncertainty
        are used again, so that adding models leaves the others' results bit for bit.

    Returns
    -------
    xarray.Dataset
        Variables ``speed``, ``airflow``, ``temperature_rise`` (those the readings hold) with
        dimensions scope, model, obstruction (where it applies), draw; beside each
        ``<name>_value`` (at the readings as read), ``_status``, ``_share_below`` and
        ``_share_above``.

    Raises
    ------
    FanstatsError
        If an argument is out of its range, no noise was read, or two meters are mixed with
        ``target="as read"``.

    Notes
    -----
    A unit that is ``e`` dB noisier than its model at a given speed shifts the level of the fan
    alone; the room does not change with the sample. The typical unit's speed solves
    ``level_unit(N) = F + e``, with ``F`` the fan-alone level the target means in the reference
    room. Speed luck cancels: a unit that only spins faster slides along its own curve.

    References
    ----------
    JCGM 101:2008, clauses 5 and 7 (propagation of distributions by Monte Carlo).

    Examples
    --------
    >>> import fanstats as fs
    >>> readings, bench = fs.demo.readings(), fs.demo.bench()
    >>> estimates = fs.equal_noise(readings, 32, bench=bench, draws=200, rng=1)
    >>> estimates.airflow.dims
    ('scope', 'model', 'obstruction', 'draw')
    """
    question = Question(
        kind="equal noise",
        at=levels_of(level),
        background=background,
        target=target,
        curve=curve,
        room=room,
        noise_obstruction=noise_obstruction,
        fans=fans_in(fans, readings),
        slope=slope_of(slope),
        pooled=earlier_of(pooled),
    )
    several = np.ndim(level) > 0 and not isinstance(level, (str, bytes))
    return _answered(readings, bench, question, draws, rng, several=several)


def equal_drive(
    readings: xr.Dataset,
    drive: float,
    *,
    bench: Bench,
    units: Literal["V", "%"] | None = None,
    draws: int = 10_000,
    rng: SeedLike = None,
    background: Background = "included",
    curve: CurveKind = "smooth",
    room: str | float | None = None,
    slope: float | tuple[float, float] | None = None,
    pooled: Mapping[str, Any] | str | None = None,
) -> xr.Dataset:
    """Read every model off at one drive: a voltage or a duty.

    Parameters
    ----------
    readings : xarray.Dataset
        From `read_readings`.
    drive : float
        Voltage or duty in percent.
    bench : Bench
        What is stated about the instruments and the unit-to-unit spread.
    units : {"V", "%"}, optional
        Which drive is meant; needed only where the readings hold both.
    draws, rng, background, curve, room, slope, pooled
        As in `equal_noise`; levels are given in the reference room, or of the fan alone with
        ``background="removed"``, and include the meter's shared error.

    Returns
    -------
    xarray.Dataset
        As `equal_noise`, with ``noise`` besides.

    Raises
    ------
    FanstatsError
        If an argument is out of its range or the readings hold no such drive.

    Examples
    --------
    >>> import fanstats as fs
    >>> at_seven = fs.equal_drive(fs.demo.readings(), 7, bench=fs.demo.bench(), draws=200, rng=1)
    >>> "noise" in at_seven
    True
    """
    question = Question(
        kind="equal drive",
        at=(finite("drive", drive),),
        drive=drive_kind(readings, units),
        background=background,
        curve=curve,
        room=room,
        slope=slope_of(slope),
        pooled=earlier_of(pooled),
    )
    return _answered(readings, bench, question, draws, rng)


def equal_speed(
    readings: xr.Dataset,
    speed: float,
    *,
    bench: Bench,
    draws: int = 10_000,
    rng: SeedLike = None,
    background: Background = "included",
    curve: CurveKind = "smooth",
    room: str | float | None = None,
    slope: float | tuple[float, float] | None = None,
    pooled: Mapping[str, Any] | str | None = None,
) -> xr.Dataset:
    """Read every model off at one speed.

    Parameters
    ----------
    readings : xarray.Dataset
        From `read_readings`.
    speed : float
        Speed in rpm.
    bench : Bench
        What is stated about the instruments and the unit-to-unit spread.
    draws, rng, background, curve, room, slope, pooled
        As in `equal_drive`. The noise also carries the uncertainty of the choice of curve, found
        as at equal noise: a curve that is off by a share of speed is off along its slope.

    Returns
    -------
    xarray.Dataset
        As `equal_drive`, without ``speed``.

    Raises
    ------
    FanstatsError
        If an argument is out of its range.

    Examples
    --------
    >>> import fanstats as fs
    >>> estimates = fs.equal_speed(fs.demo.readings(), 700, bench=fs.demo.bench(), draws=200, rng=1)
    >>> "airflow" in estimates
    True
    """
    number = finite("speed", speed)
    if number <= 0:
        msg = f"`speed` must be above 0 rpm; got {speed!r}."
        raise FanstatsError(msg)
    question = Question(
        kind="equal speed",
        at=(number,),
        background=background,
        curve=curve,
        room=room,
        slope=slope_of(slope),
        pooled=earlier_of(pooled),
    )
    return _answered(readings, bench, question, draws, rng)


def fans_in(fans: Mapping[str, int] | None, readings: object) -> dict[str, int]:
    """Check how many fans run together; readings that are none are refused by who gathers them."""
    if not isinstance(readings, xr.Dataset) or "model" not in readings.coords:
        return {}
    return fans_of(fans, dict.fromkeys(readings["model"].to_numpy().astype(str).tolist()))


def earlier_of(pooled: Mapping[str, Any] | str | None) -> dict[str, Any]:
    """Read what an earlier result recorded of its room and choice of curve."""
    if pooled is None:
        return {}
    found = json.loads(pooled) if isinstance(pooled, str) else dict(pooled)
    if found.get("curve") is None:
        found.pop("curve", None)
    return found


def drive_kind(readings: xr.Dataset, units: str | None) -> Literal["drive_voltage", "drive_duty"]:
    """Say which drive is meant, or refuse where the readings leave that open."""
    held = [name for name in ("drive_voltage", "drive_duty") if name in readings]
    wanted = {"V": "drive_voltage", "%": "drive_duty"}
    if units is not None:
        one_of("units", units, list(wanted))
        held = [name for name in held if name == wanted[units]]
    if len(held) == 1:
        return "drive_voltage" if held[0] == "drive_voltage" else "drive_duty"
    if held:
        msg = "The readings hold drive [V] and drive [%]: say units='V' or units='%'."
    else:
        columns = ", ".join(str(name) for name in readings)
        msg = f"The readings hold no drive [{units or 'V'}]; columns: {columns}."
    raise FanstatsError(msg)


# The labelled shell -----------------------------------------------------------------------------


def _answered(
    readings: xr.Dataset,
    bench: Bench,
    question: Question,
    draws: int,
    rng: SeedLike,
    *,
    several: bool = False,
) -> xr.Dataset:
    groups, loaded = in_memory(readings)
    number, root = draws_of(draws), root_from(rng)
    found = answer(loaded, bench, question, draws=number, root=root)
    made = labelled(found, groups)
    return behind(_over_levels(made, question.at), found) if several else made[0]


def labelled(found: Answer, groups: int | None = None) -> list[xr.Dataset]:
    """Give an answer as labelled draws, one Dataset a level."""
    tables, reasons = found.tables() if groups is None else lazy_tables(found, groups)
    triples = zip(found.asked, tables, reasons, strict=True)
    made = [_dataset(found, asked, level, why) for asked, level, why in triples]
    for one in made:
        behind(one, found)
    return made


def behind(made: xr.Dataset, found: Answer) -> xr.Dataset:
    """Keep with a result what it rests on, where arithmetic and files leave it behind."""
    made.encoding["answer"] = found
    return made


def _over_levels(each: list[xr.Dataset], levels: tuple[float, ...]) -> xr.Dataset:
    """Join the results of several levels; what belongs to one level moves to its coordinates."""
    units = str(each[0].attrs["level_units"])
    joined = xr.concat(
        [
            one.drop_attrs(deep=False).assign_coords(
                status=one["status"], **{name: one.attrs[name] for name in _OF_ONE_LEVEL}
            )
            for one in each
        ],
        dim=xr.Variable("level", list(levels), {"units": units, "long_name": "noise level"}),
        coords="different",
        compat="equals",
        join="exact",
    )
    shared = {k: v for k, v in each[0].attrs.items() if k not in (*_OF_ONE_LEVEL, "level")}
    return joined.assign_attrs(shared)


def held_attrs(asked: Asked) -> dict[str, Any]:
    """Give what is held equal, as attributes."""
    question = asked.question
    if question.kind == "equal noise":
        units = asked.layout.sittings.units.get(question.noise[0], "dBA")
        fans = json.dumps(dict(question.fans))
        return {"level": asked.at, "level_units": units, "fans": fans}
    if question.kind == "equal drive":
        units = "V" if question.drive == "drive_voltage" else "%"
        return {"drive": asked.at, "drive_units": units}
    return {"speed": asked.at, "speed_units": "rpm"}


def _dataset(
    found: Answer, asked: Asked, tables: dict[str, Table], reasons: list[str]
) -> xr.Dataset:
    question, layout = asked.question, asked.layout
    variables: dict[str, Any] = {}
    obstructions = next((p for p in found.outputs.values() if p != [""]), None)
    for name, table in tables.items():
        variables.update(_variables(name, table, found.outputs[name], asked))
        if question.kind == "equal noise":
            variables[f"{name}_units"] = _read_in_full(name, found.outputs[name], asked)
    coords = model_coords(asked, reasons) | {"root": str(found.root)}
    if obstructions is not None:
        coords["obstruction"] = obstructions
    prices = str(found.readings.attrs.get("prices", ""))
    attrs = {
        "kind": question.kind,
        **held_attrs(asked),
        "models": json.dumps(list(layout.models)),
        **({"prices": prices} if prices else {}),
        "draws": next(iter(tables.values())).draws.shape[-1],
        "left_out": json.dumps(left_out(asked)),
        **common_attrs(asked, found.outputs),
    }
    return xr.Dataset(variables, coords=coords, attrs=attrs)


def model_coords(asked: Asked, reasons: Sequence[str]) -> dict[str, Any]:
    """Give the coordinates of scopes and models."""
    layout = asked.layout
    read = layout.sittings.readings
    behind = [int(sum(read[list(u.sittings)].sum() for u in units)) for units in layout.units]
    return {
        "scope": list(SCOPES),
        "model": list(layout.models),
        "units_tested": ("model", [len(units) for units in layout.units]),
        "readings_behind": ("model", behind),
        "status": ("model", np.array(reasons, dtype=object).astype(str)),
    }


def common_attrs(asked: Asked, outputs: Mapping[str, Sequence[str]]) -> dict[str, Any]:
    """Give what every result says of itself."""
    question = asked.question
    u_curve = asked.curve if question.kind != "equal drive" else float("nan")
    handed = question.kind != "equal drive" and np.isfinite(u_curve)
    return {
        "background": question.background,
        "target": question.target,
        "curve": question.curve,
        "spread": json.dumps(spread_record(asked.layout.bench)),
        "assumptions": json.dumps(assumptions(asked)),
        "measured": json.dumps(measured(asked)),
        "not_considered": json.dumps(not_considered(asked, outputs)),
        "pooled": json.dumps(
            {"room": room_record(asked), "curve": float(u_curve) if handed else None}
        ),
    }


def room_record(asked: Asked) -> dict[str, Any] | None:
    """Record a reference room so that `pooled` can hand it back."""
    if not np.isfinite(asked.room_level):
        return None
    if asked.room is None:
        return {"level": asked.room_level}
    names = ("level", "rig", "session", "model", "unit", "sitting")
    return {**{k: getattr(asked.room, k) for k in names}, "reading": list(asked.room.label)}


def spread_record(bench: Bench) -> dict[str, dict[str, Any] | None]:
    """Record the stated spread in a form that survives saving; None where unknown."""
    found: dict[str, dict[str, Any] | None] = {}
    for kind in ("noise", "airflow", "speed", "temperature"):
        spread = bench.spread.of(kind)
        if spread is None:
            found[kind] = None
            continue
        total = (spread.absolute + spread.relative) ** 2 - spread.removed_variance
        found[kind] = {
            "stated": spread.stated,
            "standard": float(np.sqrt(max(0.0, total))),
            "dof": None if np.isinf(spread.dof) else spread.dof,
            "shape": spread.shape,
            "kind": spread.kind,
        }
    return found


def _read_in_full(name: str, places: Sequence[str], asked: Asked) -> tuple[Any, ...]:
    """Count the units that hold noise and the quantity: as many as their luck averages over."""
    layout = asked.layout
    counts = [
        [
            min(
                sum(bool(layout.noise_sittings(unit)) for unit in units),
                len(units)
                if name == "speed"
                else sum(bool(layout.quantity_sittings(unit, (name, p))) for unit in units),
            )
            for p in places
        ]
        for units in layout.units
    ]
    note = {"long_name": f"samples whose {QUANTITIES[name].title} was read off"}
    if list(places) == [""]:
        return ("model", [row[0] for row in counts], note)
    return (("model", "obstruction"), counts, note)


def _variables(name: str, table: Table, places: list[str], asked: Asked) -> dict[str, Any]:
    dims: tuple[str, ...] = ("scope", "model", "obstruction")
    arrays = {
        "": table.draws,
        "_value": table.value,
        "_status": table.status.astype(str),
        "_share_below": table.below,
        "_share_above": table.above,
    }
    if places == [""]:
        dims = dims[:2]
        arrays = {key: array[:, :, 0] for key, array in arrays.items()}
    units, title = units_of(name, asked), QUANTITIES[name].title
    about: dict[str, dict[str, Any]] = {
        "": {"units": units, "long_name": title},
        "_value": {"units": units, "long_name": f"{title} at the readings as read"},
        "_status": {"long_name": f"why {title} is missing"},
        "_share_below": {"units": "1", "long_name": "share of draws below the readings"},
        "_share_above": {"units": "1", "long_name": "share of draws above the readings"},
    }
    return {
        name + key: ((*dims, "draw") if key == "" else dims, array, about[key])
        for key, array in arrays.items()
    }


def units_of(name: str, asked: Asked) -> str:
    """Give the unit of what is read off."""
    units = asked.layout.sittings.units
    if name == "temperature_rise":
        read = units.get("temperature", "degC")
        return "K" if read in ("degC", "K") else read
    if name == "noise":
        return units.get(asked.question.noise[0], "dBA")
    return units.get(name, "")


# Catalogues whose draws are larger than memory ---------------------------------------------------


def in_memory(readings: xr.Dataset) -> tuple[int | None, xr.Dataset]:
    """Load chunked readings, and say into how many groups of models their draws are to be split."""
    given: object = readings
    if not isinstance(given, xr.Dataset) or not readings.chunks:
        return None, readings
    return max(len(chunks) for chunks in readings.chunks.values()), readings.compute()


def lazy_tables(found: Answer, groups: int) -> tuple[list[dict[str, Table]], list[list[str]]]:
    """Work out values, statuses and shares group by group of models; leave the draws to dask."""
    lazy, arrays = _dask()
    count = len(found.layout.models)
    parts = max(1, min(groups, count))
    ends = [count * k // parts for k in range(parts + 1)]
    held: list[list[dict[str, Table]]] = [[] for _ in found.asked]
    reasons: list[list[str]] = [[] for _ in found.asked]
    for start, stop in pairwise(ends):
        tables, why = found.tables(models=range(start, stop))
        for level, table in enumerate(tables):
            reasons[level] += why[level]
            for name, one in table.items():
                drawn = lazy.delayed(_drawn)(found, level, name, start, stop)
                one.draws = arrays.from_delayed(drawn, one.draws.shape, np.float64)
            held[level].append(table)
    joined = [
        {name: _joined([table[name] for table in level], arrays) for name in found.outputs}
        for level in held
    ]
    return joined, reasons


def _drawn(found: Answer, level: int, name: str, start: int, stop: int) -> Any:
    """Draw one output of a group of models, shape (scope, model, obstruction, draw)."""
    one = found.at(found.asked[level].at)
    tables, _ = one.tables({name: found.outputs[name]}, range(start, stop))
    return tables[0][name].draws


def _joined(parts: Sequence[Table], arrays: Any) -> Table:
    whole = Table(0, 0, 0)
    whole.draws = arrays.concatenate([part.draws for part in parts], axis=1)
    for name in ("value", "status", "below", "above"):
        setattr(whole, name, np.concatenate([getattr(part, name) for part in parts], axis=1))
    return whole


def _dask() -> tuple[Any, Any]:
    try:
        return importlib.import_module("dask"), importlib.import_module("dask.array")
    except ImportError:
        msg = (
            "The readings are chunked, and drawing chunk by chunk needs dask: "
            "pip install 'fanstats[dask]', or pass readings.compute()."
        )
        raise FanstatsError(msg) from None
