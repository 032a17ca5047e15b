"""Readings held against a bench: rigs that nothing joins, misspelt rigs, units that do not fit."""

from __future__ import annotations

import difflib
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from fanstats.errors import FanstatsError
from fanstats.quantities import canonical_units

if TYPE_CHECKING:
    from collections.abc import Mapping

    import xarray as xr

    from fanstats.sources import Bench

__all__ = ["check_against_bench"]

# Whose scales must be joined for rigs to stand side by side. A tachometer counts, and its errors
# of calibration are far below those of the others.
_READ_AS: Final[Mapping[str, tuple[str, ...]]] = {
    "noise": ("noise", "noise_obstructed"),
    "airflow": ("airflow",),
    "temperature": ("temperature",),
}


def check_against_bench(
    readings: xr.Dataset, bench: Bench, noise: tuple[str, str], *, needed: bool, as_read: bool
) -> None:
    """Refuse readings that cannot be read off with a bench.

    `noise` is the quantity and obstruction noise is taken from, `needed` whether nothing can be
    said without it, `as_read` whether its level is held on one meter.
    """
    rig = readings["rig"].to_numpy().astype(str) if "rig" in readings else np.array([""])
    rigs = sorted(set(rig.tolist()))
    _check_rigs(rigs, bench)
    read = _read(readings, noise)
    if needed and not read.any():
        where = f" behind {noise[1]!r}" if noise[1] else ""
        held = ", ".join(str(name) for name in readings)
        msg = f"The readings hold no noise{where}; columns with numbers: {held}."
        raise FanstatsError(msg)
    _check_units(readings, noise[0])
    if as_read:
        _check_one_meter(sorted(set(rig[read].tolist())) if rig.size == read.size else rigs, bench)
    for instrument, columns in _READ_AS.items():
        if any(column in readings for column in columns):
            _check_bridged(instrument, rigs, bench)


def _read(readings: xr.Dataset, channel: tuple[str, str]) -> Any:
    """Say in which rows anything of a channel was read."""
    name, obstruction = channel
    if name not in readings:
        return np.zeros(readings.sizes["row"], dtype=np.bool_)
    column = readings[name]
    if "obstruction" in column.dims:
        if obstruction not in column["obstruction"]:
            return np.zeros(readings.sizes["row"], dtype=np.bool_)
        column = column.sel(obstruction=obstruction)
    return np.isfinite(column.to_numpy().astype(np.float64))


def _check_rigs(rigs: list[str], bench: Bench) -> None:
    """Refuse a rig in the bench that looks like a misspelt one of the readings."""
    called = bench.rigs_named
    for rig in called:
        near = difflib.get_close_matches(rig, set(rigs) - set(called), 1)
        if rig not in rigs and near:
            msg = (
                f"`bench` states errors of rig {rig!r}, and no reading is from it; did you mean "
                f"{near[0]!r}? Rigs in the readings: {', '.join(map(repr, rigs))}."
            )
            raise FanstatsError(msg)


def _check_one_meter(rigs: list[str], bench: Bench) -> None:
    if len({bench.owner("noise", rig, "shared") for rig in rigs}) > 1:
        msg = (
            f"target='as read' holds the level on one meter, and the readings come from the rigs "
            f"{', '.join(map(repr, rigs))}. Use target='true', or one rig's rows; bridge them "
            "by models tested on both (bridge_rigs); where one meter was carried from rig to rig, "
            "say so with carried=True."
        )
        raise FanstatsError(msg)


def _check_bridged(quantity: str, rigs: list[str], bench: Bench) -> None:
    """Refuse results of rigs whose scales nothing joins: no bridge, no stated calibration."""
    if len({bench.owner(quantity, rig, "shared") for rig in rigs}) < 2:
        return
    stated = {rig: bench.on(rig).instrument(quantity) for rig in rigs}
    loose = [rig for rig, meter in stated.items() if meter is None or "shared" in meter.unstated]
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


def _check_units(readings: xr.Dataset, noise: str) -> None:
    if "background" not in readings or noise not in readings:
        return
    own = canonical_units(str(readings[noise].attrs.get("units", "")))
    room = canonical_units(str(readings["background"].attrs.get("units", "")))
    if own != room:
        msg = f"noise is in {own} and background in {room}: levels of one weighting are needed."
        raise FanstatsError(msg)
