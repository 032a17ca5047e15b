"""Results at equal noise, equal drive and equal speed, as labelled draws."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final, Literal, NamedTuple

import numpy as np
import xarray as xr

from fanstats._typing import SeedLike
from fanstats.curve_choice import curve_uncertainty
from fanstats.curves import CURVES, CurveKind
from fanstats.draws import CHUNK, Draws, LabelledDraws, Unperturbed, root_from
from fanstats.errors import FanstatsError, one_of
from fanstats.layout import ModelLayout, channels_of, layout_models
from fanstats.level_curve import Slope
from fanstats.notes import assumptions, left_out, measured, not_considered, spread_record
from fanstats.operating import (
    Points,
    Request,
    model_points,
    noise_points,
    noise_values,
    read_off,
)
from fanstats.quantities import QUANTITIES, canonical_units
from fanstats.reasons import model_reason, quantity_reason, scope_reason
from fanstats.sittings import Channel, Sitting, sittings_of
from fanstats.sources import Bench
from fanstats.target import Background, NoiseTarget, ReferenceRoom, Target, reference_room

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["LUCK", "SCOPES", "equal_drive", "equal_noise", "equal_speed"]

SCOPES: Final = ("tested unit", "model", "next unit")
LUCK: Final = np.arange(-6.0, 6.25, 0.5)
# Above this share of draws beyond the data there is no estimate. A value at the very end of a
# sweep has half of them there, and must not come and go with the draws.
_MOST_OUTSIDE: Final = 0.52
_FEWEST_DRAWS: Final = 100


def equal_noise(
    readings: xr.Dataset,
    level: float,
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
        From `read_readings`.
    level : float
        The noise level, in the unit of the noise readings (dBA).
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
    curve : {"smooth", "straight", "power law"}
        Curve through the steps.
    room : str or float, optional
        The one room a level including background is meant in: a session, or a level on this
        meter (then exact). By default the room reading that is the lower median.
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
    asked = _ask_noise(
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
    return _estimate(
        asked.case, asked.request, asked.layouts, draws, rng, asked.attributes, asked.curves_told
    )


class _Asked(NamedTuple):
    """An equal-noise question: what every model is read off at, whichever road answers it."""

    case: _Case
    request: Request
    layouts: list[ModelLayout]
    attributes: dict[str, Any]
    curves_told: int


def _ask_noise(
    readings: xr.Dataset,
    level: float,
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
) -> _Asked:
    number = _finite("level", level)
    noise: Channel = ("noise", "") if noise_obstruction is None else (
        "noise_obstructed", noise_obstruction)  # fmt: skip
    case = _case(readings, bench, curve, background, target, room, pooled, noise, True)
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
    return _Asked(case, request, layouts, attributes, told)


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
    number = _finite("drive", drive)
    kind = _drive_kind(readings, units)
    case = _case(readings, bench, curve, background, "true", room, pooled, ("noise", ""))
    request = Request(
        kind="equal drive", bench=bench, target=_level_free(case, background), at=number, drive=kind
    )
    attributes = {"drive": number, "drive_units": "V" if kind == "drive_voltage" else "%"}
    layouts = case.layouts(omit_shared=False, slope=_slope(slope))
    return _estimate(case, request, layouts, draws, rng, attributes, 0)


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
        As in `equal_drive`.

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
    number = _finite("speed", speed)
    if number <= 0:
        msg = f"`speed` must be above 0 rpm; got {speed!r}."
        raise FanstatsError(msg)
    case = _case(readings, bench, curve, background, "true", room, pooled, ("noise", ""))
    request = Request(
        kind="equal speed", bench=bench, target=_level_free(case, background), at=number
    )
    attributes: dict[str, Any] = {"speed": number, "speed_units": "rpm"}
    layouts = case.layouts(omit_shared=False, slope=_slope(slope))
    return _estimate(case, request, layouts, draws, rng, attributes, 0)


def _fans(fans: Mapping[str, int] | None, models: Sequence[str]) -> dict[str, int]:
    counts = dict(fans or {})
    for model, count in counts.items():
        if model not in models:
            msg = f"`fans` names the model {model!r}; the readings hold {', '.join(models)}."
            raise FanstatsError(msg)
        if not _whole(count) or count < 1:
            msg = f"`fans` must give a whole number of at least 1; got {count!r} for {model!r}."
            raise FanstatsError(msg)
    return {str(model): int(count) for model, count in counts.items() if count != 1}


def _level_free(case: _Case, background: Background) -> NoiseTarget:
    return NoiseTarget(level=np.nan, background=background, target="true", room=case.room)


def _finite(argument: str, value: float) -> float:
    if isinstance(value, bool) or not np.isscalar(value) or isinstance(value, (str, bytes)):
        msg = f"`{argument}` must be one number; got {value!r}."
        raise FanstatsError(msg)
    number = float(value)
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Case:
    """The readings of one request, gathered."""

    bench: Bench
    sittings: list[Sitting]
    models: list[str]
    room: ReferenceRoom | None
    curve: CurveKind
    noise: Channel
    units: dict[str, str]
    pooled_curve: float | None

    @property
    def noise_units(self) -> str:
        return self.units.get(self.noise[0], "dBA")

    def layouts(self, *, omit_shared: bool, slope: Slope | None = None) -> list[ModelLayout]:
        return layout_models(
            self.sittings,
            self.models,
            self.bench,
            noise=self.noise,
            curve=self.curve,
            omit_shared=omit_shared,
            slope=slope,
        )


def _slope(given: float | tuple[float, float] | None) -> Slope | None:
    if given is None:
        return None
    value, uncertainty = given if isinstance(given, tuple) else (given, 0.0)
    if not (np.isfinite(value) and value > 0 and np.isfinite(uncertainty) and uncertainty >= 0):
        msg = (
            f"`slope` must be above 0 dB a decade, with an uncertainty of 0 or more; got {given!r}."
        )
        raise FanstatsError(msg)
    return Slope(float(value), float(uncertainty), "as stated")


def _case(
    readings: xr.Dataset,
    bench: object,
    curve: CurveKind,
    background: str,
    target: str,
    room: str | float | None,
    pooled: Mapping[str, Any] | str | None,
    noise: Channel,
    target_level: bool = False,
) -> _Case:
    one_of("curve", curve, CURVES)
    one_of("background", background, ["included", "removed"])
    one_of("target", target, ["as read", "true"])
    if not isinstance(bench, Bench):
        msg = f"`bench` must be a Bench (see read_bench); got {type(bench).__name__}."
        raise FanstatsError(msg)
    sittings = sittings_of(readings)
    if target_level:
        _check_noise(sittings, noise, readings)
    _check_units(readings, noise)
    meters = sorted({sitting.rig for sitting in sittings if sitting.has(noise)})
    if len(meters) > 1 and target == "as read":
        msg = (
            f"target='as read' holds the level on one meter, and the readings come from the rigs "
            f"{', '.join(map(repr, meters))}. Use target='true', or one rig's rows."
        )
        raise FanstatsError(msg)
    earlier = _earlier(pooled)
    noisy = [sitting for sitting in sittings if sitting.has(noise)]
    if "room" in earlier and room is None and noisy:
        chosen = _earlier_room(noisy, earlier["room"])
    else:
        chosen = reference_room(noisy, room)
    models = list(dict.fromkeys(readings["model"].to_numpy().astype(str)))
    return _Case(
        bench=bench,
        sittings=sittings,
        models=[str(model) for model in models],
        room=chosen,
        curve=curve,
        noise=noise,
        units={str(k): str(v.attrs.get("units", "")) for k, v in readings.data_vars.items()},
        pooled_curve=earlier.get("curve"),
    )


def _check_noise(sittings: Sequence[Sitting], noise: Channel, readings: xr.Dataset) -> None:
    if any(sitting.has(noise) for sitting in sittings):
        return
    where = f" behind {noise[1]!r}" if noise[1] else ""
    msg = f"The readings hold no noise{where}; columns with numbers: {_listed(readings)}."
    raise FanstatsError(msg)


def _check_units(readings: xr.Dataset, noise: Channel) -> None:
    if "background" not in readings or noise[0] not in readings:
        return
    own = canonical_units(str(readings[noise[0]].attrs.get("units", "")))
    room = canonical_units(str(readings["background"].attrs.get("units", "")))
    if own != room:
        msg = f"noise is in {own} and background in {room}: levels of one weighting are needed."
        raise FanstatsError(msg)


def _earlier(pooled: Mapping[str, Any] | str | None) -> dict[str, Any]:
    if pooled is None:
        return {}
    found = json.loads(pooled) if isinstance(pooled, str) else dict(pooled)
    unknown = set(found) - {"room", "curve"}
    if unknown:
        msg = f"`pooled` holds 'room' and 'curve'; got {', '.join(sorted(unknown))}."
        raise FanstatsError(msg)
    if found.get("curve") is None:
        found.pop("curve", None)
    return found


def _earlier_room(noisy: Sequence[Sitting], record: dict[str, Any] | None) -> ReferenceRoom | None:
    if record is None:
        return None
    if "reading" not in record:
        return ReferenceRoom(level=float(record["level"]), sitting=None)
    labels = {name: str(record[name]) for name in ("rig", "session", "model", "unit", "sitting")}
    stand_in = replace(
        noisy[0],
        rig=labels["rig"],
        session=labels["session"],
        model=labels["model"],
        unit=labels["unit"],
        sitting=labels["sitting"],
        background=float(record["level"]),
        background_reading=tuple(record["reading"]),
    )
    return ReferenceRoom(level=stand_in.background, sitting=stand_in)


def _room_record(room: ReferenceRoom | None) -> dict[str, Any] | None:
    if room is None:
        return None
    if room.sitting is None:
        return {"level": room.level}
    sitting = room.sitting
    return {
        "level": room.level,
        "rig": sitting.rig,
        "session": sitting.session,
        "model": sitting.model,
        "unit": sitting.unit,
        "sitting": sitting.sitting,
        "reading": list(sitting.background_reading),
    }


def _outputs(request: Request, case: _Case) -> dict[str, list[str]]:
    """List what is given: obstructions by quantity, [""] where none applies."""
    found: dict[str, list[str]] = {}
    if request.kind != "equal speed" and "speed" in case.units:
        found["speed"] = [""]
    if request.kind != "equal noise" and case.noise[0] in case.units:
        found["noise"] = [""]
    for quantity, obstruction in channels_of(case.sittings):
        found.setdefault(quantity, []).append(obstruction)
    return found


def _read(
    draws: Draws, request: Request, layout: ModelLayout, channels: Sequence[Channel]
) -> dict[Channel, Points | None]:
    """Read every output of one model off."""
    points = model_points(draws, request, layout)
    found: dict[Channel, Points | None] = {}
    for channel in channels:
        if channel[0] == "speed":
            found[channel] = _speeds(layout, points)
        elif channel[0] == "noise":
            found[channel] = noise_values(draws, request, layout, points)
        else:
            found[channel] = read_off(draws, request, layout, points, channel)
    return found


def _speeds(layout: ModelLayout, points: dict[str, Points]) -> Points | None:
    if layout.abscissa != "speed" or not points:
        return None
    parts = list(points.values())
    return Points(
        np.mean([part.at for part in parts], axis=0),
        np.any([part.below for part in parts], axis=0),
        np.any([part.above for part in parts], axis=0),
    )


def _whole(number: object) -> bool:
    return isinstance(number, (int, np.integer)) and not isinstance(number, bool)


def _check_draws(draws: object) -> None:
    if not _whole(draws) or int(str(draws)) < _FEWEST_DRAWS:
        msg = f"`draws` must be a whole number of at least {_FEWEST_DRAWS}; got {draws!r}."
        raise FanstatsError(msg)


class _Table:
    """Arrays of one output over scope, model and obstruction, filled model by model."""

    def __init__(self, models: int, obstructions: int, draws: int) -> None:
        shape = (len(SCOPES), models, obstructions)
        self.draws = np.full((*shape, draws), np.nan)
        self.value = np.full(shape, np.nan)
        self.status = np.full(shape, "", dtype=object)
        self.below = np.full(shape, np.nan)
        self.above = np.full(shape, np.nan)
        self.by_luck = np.full((models, obstructions, LUCK.size), np.nan)


def _estimate(
    case: _Case,
    request: Request,
    layouts: list[ModelLayout],
    draws: int,
    rng: SeedLike,
    attributes: dict[str, Any],
    curves_told: int,
) -> xr.Dataset:
    _check_draws(draws)
    root = root_from(rng)
    outputs = _outputs(request, case)
    tables = {
        name: _Table(len(layouts), len(places), int(draws)) for name, places in outputs.items()
    }
    reasons = []
    sources = [
        LabelledDraws(root, min(CHUNK, draws - start), chunk)
        for chunk, start in enumerate(range(0, draws, CHUNK))
    ]
    for row, layout in enumerate(layouts):
        reasons.append(_fill_values(request, layout, row, outputs, tables))
        for chunk, source in enumerate(sources):
            _fill_draws(source, request, layout, row, chunk * CHUNK, outputs, tables)
        if request.kind == "equal noise":
            _fill_by_luck(request, layout, row, outputs, tables)
    _drop_unsupported(tables)
    return _dataset(case, request, layouts, outputs, tables, reasons, root, attributes, curves_told)


def _fill_values(
    request: Request,
    layout: ModelLayout,
    row: int,
    outputs: dict[str, list[str]],
    tables: dict[str, _Table],
) -> str:
    """Fill values at the readings as read, or the reason why there is none."""
    nothing = Unperturbed()
    points = model_points(nothing, request, layout) if layout.abscissa is not None else {}
    whole = model_reason(request, layout, points)
    channels = [(name, place) for name, places in outputs.items() for place in places]
    values = _read(nothing, request, layout, channels) if not whole else {}
    for name, place in channels:
        table, column = tables[name], outputs[name].index(place)
        why = whole or quantity_reason(request, layout, points, (name, place))
        for index, scope in enumerate(SCOPES):
            missing = why or scope_reason(request, layout, (name, place), scope)
            table.status[index, row, column] = missing
            found = values.get((name, place))
            if not missing and found is not None:
                table.value[index, row, column] = found.at[min(index, found.at.shape[0] - 1), 0]
    return whole


def _fill_draws(
    source: LabelledDraws,
    request: Request,
    layout: ModelLayout,
    row: int,
    start: int,
    outputs: dict[str, list[str]],
    tables: dict[str, _Table],
) -> None:
    """Fill one chunk of draws wherever a value stands."""
    channels = [
        (name, place)
        for name, places in outputs.items()
        for column, place in enumerate(places)
        if np.isfinite(tables[name].value[:, row, column]).any()
    ]
    if not channels:
        return
    stop = start + source.size
    for (name, place), found in _read(source, request, layout, channels).items():
        if found is None:
            continue
        table, column = tables[name], outputs[name].index(place)
        # Air past the low end means a rise past its high end: less speed, more heat.
        low, high = (found.above, found.below) if name == "temperature_rise" else found[1:]
        for index in range(len(SCOPES)):
            if np.isfinite(table.value[index, row, column]):
                scope = min(index, found.at.shape[0] - 1)
                table.draws[index, row, column, start:stop] = found.at[scope]
                total = table.draws.shape[-1]
                for side, past in ((table.below, low), (table.above, high)):
                    counted = 0.0 if start == 0 else side[index, row, column]
                    share = np.broadcast_to(past, found.at.shape)[scope].sum() / total
                    side[index, row, column] = counted + share


def _fill_by_luck(
    request: Request,
    layout: ModelLayout,
    row: int,
    outputs: dict[str, list[str]],
    tables: dict[str, _Table],
) -> None:
    """Fill the value against given noise luck, at the readings as read."""
    nothing = Unperturbed()
    points = {
        unit.unit: noise_points(nothing, request, layout, unit, luck_offset=LUCK)
        for unit in layout.units
        if unit.noise and not unit.noise_problem
    }
    for name, places in outputs.items():
        for column, place in enumerate(places):
            if not np.isfinite(tables[name].value[:, row, column]).any():
                continue
            if name == "speed":
                found = _speeds(layout, points)
            else:
                found = read_off(nothing, request, layout, points, (name, place), undo_luck=False)
            if found is not None:
                inside = ~(found.below | found.above)
                values = np.where(inside, found.at, np.nan)[:, 0]
                tables[name].by_luck[row, column] = values


def _drop_unsupported(tables: dict[str, _Table]) -> None:
    """Give no estimate where more than half of the draws lie beyond the data."""
    for table in tables.values():
        lost = (table.below > _MOST_OUTSIDE) | (table.above > _MOST_OUTSIDE)
        for place in np.argwhere(lost):
            index = tuple(place)
            side = "below" if table.below[index] > _MOST_OUTSIDE else "above"
            table.status[index] = f"more than half of the draws lie {side} the readings"
            table.value[index] = np.nan
            table.draws[index] = np.nan


def _dataset(
    case: _Case,
    request: Request,
    layouts: list[ModelLayout],
    outputs: dict[str, list[str]],
    tables: dict[str, _Table],
    reasons: list[str],
    root: int,
    attributes: dict[str, Any],
    curves_told: int,
) -> xr.Dataset:
    variables: dict[str, Any] = {}
    obstructions = next((p for p in outputs.values() if p != [""]), None)
    for name, table in tables.items():
        variables.update(_variables(name, table, outputs[name], case, request))
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
        "background": request.target.background,
        "target": request.target.target,
        "curve": case.curve,
        "draws": next(iter(tables.values())).draws.shape[-1],
        "spread": json.dumps(spread_record(case.bench)),
        "assumptions": json.dumps(assumptions(request, layouts, case.sittings, told)),
        "left_out": json.dumps(left_out(request, layouts)),
        "measured": json.dumps(measured(request, layouts, case.sittings, told)),
        "not_considered": json.dumps(not_considered(request, outputs, told)),
        "pooled": json.dumps(
            {
                "room": _room_record(case.room),
                "curve": None if np.isnan(u_curve) else u_curve,
            }
        ),
    }
    return xr.Dataset(variables, coords=coords, attrs=attrs)


def _variables(
    name: str, table: _Table, places: list[str], case: _Case, request: Request
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
    units, title = _units(name, case), QUANTITIES[name].title
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


def _units(name: str, case: _Case) -> str:
    if name == "temperature_rise":
        read = case.units.get("temperature", "degC")
        return "K" if read in ("degC", "K") else read
    if name == "noise":
        return case.noise_units
    return case.units.get(name, "")
