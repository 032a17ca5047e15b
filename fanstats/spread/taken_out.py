"""Take known shifts out of readings, and put other errors in the place of those they replace."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from fanstats._typing import FloatArray
from fanstats.sources import Bench, Instrument

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    import xarray as xr

    from fanstats.spread.offsets import SpreadKind

__all__ = ["RELATIVE", "apart_from_ambient", "labels_of", "with_instrument", "without_shifts"]

# Kinds whose shifts are fractions of the reading.
RELATIVE: Final = ("airflow", "speed")
_VARIABLES: Final[Mapping[SpreadKind, tuple[str, ...]]] = {
    "noise": ("noise", "noise_obstructed"),
    "airflow": ("airflow",),
    "speed": ("speed",),
    "temperature": ("temperature",),
}


def labels_of(readings: xr.Dataset, name: str) -> list[str]:
    """Give one kind of label of every row, "" where none was recorded.

    Parameters
    ----------
    readings : xarray.Dataset
        From `read_readings`.
    name : str
        Such as ``"session"``.

    Returns
    -------
    list of str
    """
    if name not in readings.coords:
        return [""] * readings.sizes["row"]
    return [str(label) for label in readings[name].to_numpy()]


def without_shifts(
    readings: xr.Dataset,
    kind: SpreadKind,
    shifts: FloatArray,
    *,
    obstruction: str | None = None,
    with_room: bool = True,
) -> xr.Dataset:
    """Take a shift out of each row.

    Parameters
    ----------
    readings : xarray.Dataset
        From `read_readings`.
    kind : {"noise", "airflow", "speed", "temperature"}
        What is shifted.
    shifts : ndarray, shape (row,)
        How much the rows read too high: dB, K, or a fraction of the reading.
    obstruction : str, optional
        The one whose column is meant; all of them where none is named.
    with_room : bool
        Whether the room was read with the same meter, so that its level is shifted too: then the
        level of the fan alone moves by just the shift.

    Returns
    -------
    xarray.Dataset
    """
    names = [name for name in _VARIABLES[kind] if name in readings]
    if kind == "noise" and with_room and "background" in readings:
        names.append("background")
    changed = {name: _shifted(readings[name], kind, shifts, obstruction) for name in names}
    return readings.assign(changed)


def _shifted(
    variable: xr.DataArray, kind: SpreadKind, shifts: FloatArray, obstruction: str | None
) -> xr.DataArray:
    values = np.array(variable.transpose("row", ...).to_numpy(), dtype=np.float64)
    behind = "obstruction" in variable.dims
    column = shifts[:, None] if behind else shifts
    moved = values / (1.0 + column) if kind in RELATIVE else values - column
    if behind and obstruction is not None:
        here = variable["obstruction"].to_numpy().astype(str) == obstruction
        moved = np.where(here[None, :], moved, values)
    return variable.transpose("row", ...).copy(data=moved)


def with_instrument(bench: Bench, quantity: str, instrument: Instrument, rig: str = "") -> Bench:
    """Put an instrument in the place of another.

    Parameters
    ----------
    bench : Bench
        The bench.
    quantity : str
        What it reads, such as ``"noise"``.
    instrument : Instrument
        The new one.
    rig : str
        On which rig; "" on every rig that has none of its own.

    Returns
    -------
    Bench
    """
    changed: dict[str, Any] = {quantity: instrument}
    if not rig:
        return replace(bench, **changed)
    rigs = {name: dict(held) for name, held in bench.rigs.items()}
    rigs[rig] = {**rigs.get(rig, {}), **changed}
    return replace(bench, rigs=rigs)


def apart_from_ambient(bench: Bench, levels: Iterable[str], rig: str = "") -> Bench:
    """Let the ambient be read by the temperature instrument, without its errors of some levels.

    What one thermometer gets wrong of both temperatures cancels in a rise. A shift that was
    *seen* in the rise does not.

    Parameters
    ----------
    bench : Bench
        The bench.
    levels : iterable of str
        Levels of sharing, such as ``"session"``.
    rig : str
        On which rig; "" on every rig that has no thermometer of its own.

    Returns
    -------
    Bench
        Unchanged where the ambient has an instrument of its own, or none reads temperature.
    """
    here = bench.on(rig)
    if here.ambient is not None or here.temperature is None:
        return bench
    none: dict[str, Any] = dict.fromkeys(levels, ())
    ambient = replace(here.temperature, name=here.instrument_name("temperature"), **none)
    return with_instrument(bench, "ambient", ambient, rig)
