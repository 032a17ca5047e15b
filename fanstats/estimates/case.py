"""The readings of one request, gathered and checked."""

from __future__ import annotations

import difflib
import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

from fanstats.errors import FanstatsError, one_of
from fanstats.estimates.corrections import corrected
from fanstats.estimates.curves import CURVES, CurveKind
from fanstats.estimates.dialled_in import nearest_steps, placed_steps
from fanstats.estimates.layout import ModelLayout, layout_models
from fanstats.estimates.sittings import Channel, Sitting, sittings_of
from fanstats.estimates.target import ReferenceRoom, reference_room
from fanstats.quantities import canonical_units
from fanstats.sources import Bench

if TYPE_CHECKING:
    from collections.abc import Sequence

    import xarray as xr

    from fanstats.estimates.level_curve import Slope

__all__ = ["Case", "gather_case", "room_record"]

# Whose scales must be joined for rigs to stand side by side. A tachometer counts, and its errors
# of calibration are far below those of the others.
_READ_AS: Final[Mapping[str, tuple[str, ...]]] = {
    "noise": ("noise", "noise_obstructed"),
    "airflow": ("airflow",),
    "temperature": ("temperature",),
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Case:
    """The readings of one request, gathered.

    Attributes
    ----------
    bench : Bench
        What is stated about the instruments and the spread.
    sittings : list of Sitting
        All sittings.
    models : list of str
        Models, in the order of the readings.
    room : ReferenceRoom or None
        The room that levels including the background are meant in.
    curve : {"smooth", "straight", "power law"}
        Curve through the steps.
    noise : tuple of str
        Channel that noise is read from.
    units : dict
        Unit of each variable of the readings.
    pooled_curve : float or None
        Curve uncertainty handed back from an earlier result.
    prices : str
        Prices by model as the readings carry them, JSON text; "" where there are none.
    """

    bench: Bench
    sittings: list[Sitting]
    models: list[str]
    room: ReferenceRoom | None
    curve: CurveKind
    noise: Channel
    units: dict[str, str]
    pooled_curve: float | None
    prices: str

    @property
    def noise_units(self) -> str:
        """Unit of the noise readings."""
        return self.units.get(self.noise[0], "dBA")

    def layouts(self, *, omit_shared: bool, slope: Slope | None = None) -> list[ModelLayout]:
        """Lay out the curves of every model, see `layout_models`."""
        return layout_models(
            self.sittings,
            self.models,
            self.bench,
            noise=self.noise,
            curve=self.curve,
            omit_shared=omit_shared,
            slope=slope,
        )


def gather_case(
    readings: xr.Dataset,
    bench: object,
    *,
    curve: CurveKind = "smooth",
    background: str = "included",
    target: str = "true",
    room: str | float | None = None,
    pooled: Mapping[str, Any] | str | None = None,
    noise: Channel = ("noise", ""),
    needs_noise: bool = False,
    level: float | None = None,
) -> Case:
    """Gather the readings of one request and check what it asks.

    Parameters
    ----------
    readings : xarray.Dataset
        From `read_readings`.
    bench : Bench
        What is stated about the instruments and the spread.
    curve, background, target, room, pooled
        As in `equal_noise`.
    noise : tuple of str
        Channel that noise is read from.
    needs_noise : bool
        Whether nothing can be done without noise readings.
    level : float, optional
        The noise level asked for: of several dialled in without a drive or a speed, the nearest
        one is kept.

    Returns
    -------
    Case

    Raises
    ------
    FanstatsError
        If an argument is none of those allowed, noise is needed and missing, weightings differ,
        a level as read is asked of several meters, or nothing joins the scales of several rigs.
    """
    one_of("curve", curve, CURVES)
    one_of("background", background, ["included", "removed"])
    one_of("target", target, ["as read", "true"])
    if not isinstance(bench, Bench):
        msg = f"`bench` must be a Bench (see read_bench); got {type(bench).__name__}."
        raise FanstatsError(msg)
    readings = corrected(readings, bench)
    sittings = placed_steps(sittings_of(readings))
    if level is not None:
        sittings = nearest_steps(sittings, level)
    _check_rigs(sittings, bench)
    if needs_noise:
        _check_noise(sittings, noise, readings)
    _check_units(readings, noise)
    if target == "as read":
        _check_one_meter(sittings, noise, bench)
    _check_bridged(sittings, bench)
    earlier = _earlier(pooled)
    noisy = [sitting for sitting in sittings if sitting.has(noise)]
    if "room" in earlier and room is None and noisy:
        chosen = _earlier_room(noisy, earlier["room"])
    else:
        chosen = reference_room(noisy, room)
    models = list(dict.fromkeys(readings["model"].to_numpy().astype(str)))
    return Case(
        bench=bench,
        sittings=sittings,
        models=[str(model) for model in models],
        room=chosen,
        curve=curve,
        noise=noise,
        units={str(k): str(v.attrs.get("units", "")) for k, v in readings.data_vars.items()},
        pooled_curve=earlier.get("curve"),
        prices=str(readings.attrs.get("prices", "")),
    )


def _check_noise(sittings: Sequence[Sitting], noise: Channel, readings: xr.Dataset) -> None:
    if any(sitting.has(noise) for sitting in sittings):
        return
    where = f" behind {noise[1]!r}" if noise[1] else ""
    columns = ", ".join(str(name) for name in readings)
    msg = f"The readings hold no noise{where}; columns with numbers: {columns}."
    raise FanstatsError(msg)


def _check_rigs(sittings: Sequence[Sitting], bench: Bench) -> None:
    """Refuse a rig in the bench that looks like a misspelt one of the readings."""
    present, named = {sitting.rig for sitting in sittings}, bench.rigs_named
    for rig in named:
        near = difflib.get_close_matches(rig, present - set(named), 1)
        if rig not in present and near:
            msg = (
                f"`bench` states errors of rig {rig!r}, and no reading is from it; did you mean "
                f"{near[0]!r}? Rigs in the readings: {', '.join(map(repr, sorted(present)))}."
            )
            raise FanstatsError(msg)


def _check_one_meter(sittings: Sequence[Sitting], noise: Channel, bench: Bench) -> None:
    rigs = sorted({sitting.rig for sitting in sittings if sitting.has(noise)})
    if len({bench.owner("noise", rig, "shared") for rig in rigs}) > 1:
        msg = (
            f"target='as read' holds the level on one meter, and the readings come from the rigs "
            f"{', '.join(map(repr, rigs))}. Use target='true', or one rig's rows; bridge them "
            "by models tested on both (bridge_rigs); where one meter was carried from rig to rig, "
            "say so with carried=True."
        )
        raise FanstatsError(msg)


def _check_bridged(sittings: Sequence[Sitting], bench: Bench) -> None:
    """Refuse results of rigs whose scales nothing joins: no bridge, no stated calibration."""
    for quantity, columns in _READ_AS.items():
        held = [s for s in sittings if any(name in columns for name, _ in s.channels)]
        rigs = sorted({sitting.rig for sitting in held})
        if len({bench.owner(quantity, rig, "shared") for rig in rigs}) < 2:
            continue
        loose = [rig for rig in rigs if _calibration_unstated(bench.on(rig), quantity)]
        if loose:
            msg = (
                f"{quantity} was read on the rigs {', '.join(map(repr, rigs))}, and nothing joins "
                "their scales: results of one cannot be set beside those of another. Bridge them "
                "by models tested on both (bridge_rigs), or use one rig's rows; where each was "
                f"calibrated, state its error as [{quantity}] shared (missing for rig "
                f"{', '.join(map(repr, loose))}), and where one instrument was carried from rig "
                "to rig, say so with carried=True."
            )
            raise FanstatsError(msg)


def _calibration_unstated(bench: Bench, quantity: str) -> bool:
    instrument = bench.instrument(quantity)
    return instrument is None or "shared" in instrument.unstated


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


def room_record(room: ReferenceRoom | None) -> dict[str, Any] | None:
    """Record a reference room so that `pooled` can hand it back.

    Parameters
    ----------
    room : ReferenceRoom or None
        The room.

    Returns
    -------
    dict or None
    """
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
