"""Results at equal noise, equal drive and equal speed, as labelled draws."""

from __future__ import annotations

import json
import math
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import numpy as np
import xarray as xr

from fanstats._arguments import bare_number
from fanstats._typing import SeedLike
from fanstats.errors import FanstatsError, one_of
from fanstats.estimates.case import Case, gather_case, room_record
from fanstats.estimates.chunked import in_memory, lazy_tables
from fanstats.estimates.curve_choice import curve_uncertainty
from fanstats.estimates.curves import CurveKind
from fanstats.estimates.draws import root_from
from fanstats.estimates.filling import LUCK, SCOPES, Table, check_draws, fill_tables, is_whole
from fanstats.estimates.layout import ModelLayout, channels_of
from fanstats.estimates.level_curve import Slope
from fanstats.estimates.notes import (
    assumptions,
    has_sweeps,
    left_out,
    measured,
    not_considered,
    spread_record,
)
from fanstats.estimates.request import Request
from fanstats.estimates.target import Background, NoiseTarget, Target
from fanstats.quantities import QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from fanstats.estimates.sittings import Channel
    from fanstats.sources import Bench

__all__ = ["LUCK", "SCOPES", "equal_drive", "equal_noise", "equal_speed"]

_LEVELS = (-100.0, 300.0)  # dB: beyond lies no reading, as in a table


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
        ``<name>_value`` (at the readings as read), ``_status``, ``_share_below``,
        ``_share_above`` and ``_by_luck``.

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
    levels = _levels(level)
    if levels is not None:
        root = root_from(rng)
        each = [
            equal_noise(
                readings,
                one,
                bench=bench,
                draws=draws,
                rng=root,
                background=background,
                target=target,
                curve=curve,
                room=room,
                noise_obstruction=noise_obstruction,
                fans=fans,
                slope=slope,
                pooled=pooled,
            )
            for one in levels
        ]
        return _over_levels(each, levels)
    asked = ask_noise(
        readings,
        level,
        bench,
        background=background,
        target=target,
        curve=curve,
        room=room,
        noise_obstruction=noise_obstruction,
        fans=fans,
        slope=slope,
        pooled=pooled,
    )
    return _answered(asked, draws, rng)


def _levels(level: Any) -> list[float] | None:
    """Give several levels as a rising list, None where one was asked for."""
    if isinstance(level, (str, bytes)) or np.ndim(level) == 0:
        return None
    asked = [_finite("level", one) for one in np.asarray(level).ravel().tolist()]
    if not asked or len(set(asked)) < len(asked):
        msg = f"`level` must hold at least one level, and none twice; got {level!r}."
        raise FanstatsError(msg)
    return sorted(asked)


def _over_levels(each: list[xr.Dataset], levels: list[float]) -> xr.Dataset:
    """Join the results of several levels; what belongs to one level moves to its coordinates."""
    notes = ("assumptions", "measured", "not_considered", "left_out", "pooled")
    units = str(each[0].attrs["level_units"])
    joined = xr.concat(
        [
            one.drop_attrs(deep=False).assign_coords(
                status=one["status"], **{name: one.attrs[name] for name in notes}
            )
            for one in each
        ],
        dim=xr.Variable("level", levels, {"units": units, "long_name": "noise level"}),
        coords="different",
        compat="equals",
        join="exact",
    )
    shared = {k: v for k, v in each[0].attrs.items() if k not in (*notes, "level")}
    return joined.assign_attrs(shared)


class Asked(NamedTuple):
    """A question: what every model is read off at, whichever road answers it."""

    case: Case
    request: Request
    layouts: list[ModelLayout]
    attributes: dict[str, Any]
    curves_told: int
    groups: int | None = None


def ask_noise(
    readings: xr.Dataset,
    level: object,
    bench: Bench,
    *,
    background: Background,
    target: Target,
    curve: CurveKind,
    room: str | float | None,
    noise_obstruction: str | None,
    fans: Mapping[str, int] | None,
    slope: float | tuple[float, float] | None,
    pooled: Mapping[str, Any] | str | None,
) -> Asked:
    """Ask what every model does at one noise level; arguments as in `equal_noise`."""
    number = _finite("level", level)
    if not _LEVELS[0] <= number <= _LEVELS[1]:
        msg = f"`level` must lie within {_LEVELS[0]:g} to {_LEVELS[1]:g} dB; got {level!r}."
        raise FanstatsError(msg)
    noise: Channel = ("noise", "") if noise_obstruction is None else (
        "noise_obstructed", noise_obstruction)  # fmt: skip
    groups, readings = in_memory(readings)
    case = gather_case(
        readings,
        bench,
        curve=curve,
        background=background,
        target=target,
        room=room,
        pooled=pooled,
        noise=noise,
        needs_noise=True,
        level=number,
    )
    wanted = NoiseTarget(level=number, background=background, target=target, room=case.room)
    layouts = case.layouts(omit_shared=wanted.omit_shared, slope=_slope(slope))
    curves = [c for layout in layouts for unit in layout.units for c in unit.noise]
    if case.pooled_curve is None:
        u_curve, told = curve_uncertainty(bench, curves, wanted)
    else:
        u_curve, told = case.pooled_curve, -1
    request = Request(
        kind="equal noise",
        bench=bench,
        target=wanted,
        curve_uncertainty=0.0 if np.isnan(u_curve) else u_curve,
        fans=_fans(fans, case.models),
    )
    attributes = {
        "level": number,
        "level_units": case.noise_units,
        "fans": json.dumps(dict(request.fans)),
        "curve_uncertainty": u_curve,
    }
    return Asked(case, request, layouts, attributes, told, groups)


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
        As `equal_noise`, with ``noise`` besides, and without ``_by_luck``.

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
    asked = ask_drive(
        readings,
        drive,
        bench,
        units=units,
        background=background,
        curve=curve,
        room=room,
        slope=slope,
        pooled=pooled,
    )
    return _answered(asked, draws, rng)


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
    asked = ask_speed(
        readings, speed, bench, background=background, curve=curve, room=room, slope=slope,
        pooled=pooled,
    )  # fmt: skip
    return _answered(asked, draws, rng)


def ask_drive(
    readings: xr.Dataset,
    drive: object,
    bench: Bench,
    *,
    units: str | None = None,
    background: Background = "included",
    curve: CurveKind = "smooth",
    room: str | float | None = None,
    slope: float | tuple[float, float] | None = None,
    pooled: Mapping[str, Any] | str | None = None,
) -> Asked:
    """Ask what every model does at one drive; arguments as in `equal_drive`."""
    number = _finite("drive", drive)
    kind = _drive_kind(readings, units)
    groups, readings = in_memory(readings)
    case = gather_case(
        readings, bench, curve=curve, background=background, room=room, pooled=pooled
    )
    request = Request(
        kind="equal drive",
        bench=bench,
        target=_level_free(case, background),
        at=number,
        drive=kind,
    )
    attributes = {"drive": number, "drive_units": "V" if kind == "drive_voltage" else "%"}
    layouts = case.layouts(omit_shared=False, slope=_slope(slope))
    return Asked(case, request, layouts, attributes, 0, groups)


def ask_speed(
    readings: xr.Dataset,
    speed: object,
    bench: Bench,
    *,
    background: Background = "included",
    curve: CurveKind = "smooth",
    room: str | float | None = None,
    slope: float | tuple[float, float] | None = None,
    pooled: Mapping[str, Any] | str | None = None,
) -> Asked:
    """Ask what every model does at one speed; arguments as in `equal_speed`."""
    number = _finite("speed", speed)
    if number <= 0:
        msg = f"`speed` must be above 0 rpm; got {speed!r}."
        raise FanstatsError(msg)
    groups, readings = in_memory(readings)
    case = gather_case(
        readings, bench, curve=curve, background=background, room=room, pooled=pooled
    )
    layouts = case.layouts(omit_shared=False, slope=_slope(slope))
    u_curve, told = _curve_at_speed(case, layouts, number)
    request = Request(
        kind="equal speed",
        bench=bench,
        target=_level_free(case, background),
        at=number,
        curve_uncertainty=0.0 if np.isnan(u_curve) else u_curve,
    )
    held = {"speed": number, "speed_units": "rpm", "curve_uncertainty": u_curve}
    return Asked(case, request, layouts, held, told, groups)


def _curve_at_speed(case: Case, layouts: Sequence[ModelLayout], speed: float) -> tuple[float, int]:
    """Give the uncertainty of the choice of curve at one speed, and of how many curves."""
    if case.pooled_curve is not None:
        return case.pooled_curve, -1
    units = [unit for layout in layouts if layout.abscissa == "speed" for unit in layout.units]
    return curve_uncertainty(case.bench, [c for unit in units for c in unit.noise], speed)


def _answered(asked: Asked, draws: int, rng: SeedLike) -> xr.Dataset:
    check_draws(draws)
    root = root_from(rng)
    outputs = outputs_of(asked.request, asked.case)
    if not outputs:
        msg = (
            "The readings hold nothing to read off: no speed, airflow or temperature with a number "
            "in it. Print load_report(readings) for what could not be read."
        )
        raise FanstatsError(msg)
    wanted = (asked.request, asked.layouts, outputs, int(draws), root)
    tables, reasons = (
        fill_tables(*wanted) if asked.groups is None else lazy_tables(*wanted, asked.groups)
    )
    return _dataset(
        asked.case,
        asked.request,
        asked.layouts,
        outputs,
        tables,
        reasons,
        root,
        asked.attributes,
        asked.curves_told,
    )


def _slope(given: float | tuple[float, float] | None) -> Slope | None:
    if given is None:
        return None
    parts: Sequence[object] = given if isinstance(given, (tuple, list)) else (given, 0.0)
    try:
        value, uncertainty = (_finite("slope", part) for part in parts)
    except ValueError:  # no numbers, or not two of them
        value, uncertainty = -1.0, 0.0
    if not (value > 0 and uncertainty >= 0):
        msg = (
            "`slope` must be above 0 dB a decade, or a pair of that and its standard uncertainty "
            f"of 0 or more; got {given!r}."
        )
        raise FanstatsError(msg)
    return Slope(value, uncertainty, str(getattr(given, "origin", "as stated")))


def _fans(fans: Mapping[str, int] | None, models: Sequence[str]) -> dict[str, int]:
    counts = dict(fans or {})
    for model, count in counts.items():
        if model not in models:
            msg = f"`fans` names the model {model!r}; the readings hold {', '.join(models)}."
            raise FanstatsError(msg)
        if not is_whole(count) or count < 1:
            msg = f"`fans` must give a whole number of at least 1; got {count!r} for {model!r}."
            raise FanstatsError(msg)
    return {str(model): int(count) for model, count in counts.items() if count != 1}


def _level_free(case: Case, background: Background) -> NoiseTarget:
    return NoiseTarget(level=np.nan, background=background, target="true", room=case.room)


def _finite(argument: str, value: Any) -> float:
    kinds = (int, float, np.integer, np.floating)
    if isinstance(value, bool) or not isinstance(value, kinds):
        msg = f"`{argument}` must be one number; got {value!r}.{bare_number(value)}"
        raise FanstatsError(msg)
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not np.isfinite(number):
        msg = f"`{argument}` must be finite; got {value!r}."
        raise FanstatsError(msg)
    return number


def _listed(readings: xr.Dataset) -> str:
    return ", ".join(str(name) for name in readings)


def _drive_kind(readings: xr.Dataset, units: str | None) -> Literal["drive_voltage", "drive_duty"]:
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
        msg = f"The readings hold no drive [{units or 'V'}]; columns: {_listed(readings)}."
    raise FanstatsError(msg)


def outputs_of(request: Request, case: Case) -> dict[str, list[str]]:
    """List what is given: obstructions by quantity, [""] where none applies."""
    found: dict[str, list[str]] = {}
    if request.kind != "equal speed" and "speed" in case.units:
        found["speed"] = [""]
    if request.kind != "equal noise" and case.noise[0] in case.units:
        found["noise"] = [""]
    for quantity, obstruction in channels_of(case.sittings):
        found.setdefault(quantity, []).append(obstruction)
    return found


def _dataset(
    case: Case,
    request: Request,
    layouts: list[ModelLayout],
    outputs: dict[str, list[str]],
    tables: dict[str, Table],
    reasons: list[str],
    root: int,
    attributes: dict[str, Any],
    curves_told: int,
) -> xr.Dataset:
    variables: dict[str, Any] = {}
    obstructions = next((p for p in outputs.values() if p != [""]), None)
    for name, table in tables.items():
        variables.update(_variables(name, table, outputs[name], case, request))
        if request.kind == "equal noise":
            variables[f"{name}_units"] = _read_in_full(name, outputs[name], layouts)
    coords: dict[str, Any] = {
        "scope": list(SCOPES),
        "model": case.models,
        "units_tested": ("model", [len(layout.units) for layout in layouts]),
        "readings_behind": ("model", [layout.readings for layout in layouts]),
        "status": ("model", np.array(reasons, dtype=object).astype(str)),
        "root": str(root),
    }
    if obstructions is not None:
        coords["obstruction"] = obstructions
    if request.kind == "equal noise":
        coords["luck"] = ("luck", LUCK, {"units": "dB", "long_name": "noise luck undone"})
    u_curve = attributes.pop("curve_uncertainty", float("nan"))
    told = {"u": u_curve, "curves": curves_told}
    attrs = {
        "kind": request.kind,
        **attributes,
        "models": json.dumps(case.models),
        **({"prices": case.prices} if case.prices else {}),
        "background": request.target.background,
        "target": request.target.target,
        "curve": case.curve,
        "draws": next(iter(tables.values())).draws.shape[-1],
        "spread": json.dumps(spread_record(case.bench)),
        "assumptions": json.dumps(assumptions(request, layouts, case.sittings, told)),
        "left_out": json.dumps(left_out(request, layouts)),
        "measured": json.dumps(measured(request, layouts, case.sittings, told)),
        "not_considered": json.dumps(
            not_considered(request, outputs, told, sweeps=has_sweeps(layouts))
        ),
        "pooled": json.dumps(
            {
                "room": room_record(case.room),
                "curve": None if np.isnan(u_curve) else u_curve,
            }
        ),
    }
    return xr.Dataset(variables, coords=coords, attrs=attrs)


def _read_in_full(
    name: str, places: Sequence[str], layouts: Sequence[ModelLayout]
) -> tuple[Any, ...]:
    """Count the units that hold noise and the quantity: as many as their luck averages over."""
    counts = [
        [
            min(
                sum(bool(unit.noise) for unit in layout.units),
                len(layout.units)
                if name == "speed"
                else sum(bool(unit.quantities.get((name, place))) for unit in layout.units),
            )
            for place in places
        ]
        for layout in layouts
    ]
    note = {"long_name": f"samples whose {QUANTITIES[name].title} was read off"}
    if list(places) == [""]:
        return ("model", [row[0] for row in counts], note)
    return (("model", "obstruction"), counts, note)


def _variables(
    name: str, table: Table, places: list[str], case: Case, request: Request
) -> dict[str, Any]:
    dims: tuple[str, ...] = ("scope", "model", "obstruction")
    arrays = {
        "": table.draws,
        "_value": table.value,
        "_status": table.status.astype(str),
        "_share_below": table.below,
        "_share_above": table.above,
    }
    by_luck = table.by_luck
    if places == [""]:
        dims = dims[:2]
        arrays = {key: array[:, :, 0] for key, array in arrays.items()}
        by_luck = by_luck[:, 0]
    units, title = units_of(name, case), QUANTITIES[name].title
    about: dict[str, dict[str, Any]] = {
        "": {"units": units, "long_name": title},
        "_value": {"units": units, "long_name": f"{title} at the readings as read"},
        "_status": {"long_name": f"why {title} is missing"},
        "_share_below": {"units": "1", "long_name": "share of draws below the readings"},
        "_share_above": {"units": "1", "long_name": "share of draws above the readings"},
    }
    found: dict[str, Any] = {
        name + key: ((*dims, "draw") if key == "" else dims, array, about[key])
        for key, array in arrays.items()
    }
    if request.kind == "equal noise":
        note = {"units": units, "long_name": f"{title} with that much noise luck undone"}
        found[f"{name}_by_luck"] = ((*dims[1:], "luck"), by_luck, note)
    return found


def units_of(name: str, case: Case) -> str:
    if name == "temperature_rise":
        read = case.units.get("temperature", "degC")
        return "K" if read in ("degC", "K") else read
    if name == "noise":
        return case.noise_units
    return case.units.get(name, "")
