"""Known corrections, made to the readings before anything else, and units that do not fit."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
import xarray as xr

from fanstats._typing import BoolArray, FloatArray
from fanstats.errors import FanstatsError
from fanstats.quantities import convert, units_label
from fanstats.sources import Bench

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fanstats.sources import Correction, Source

__all__ = ["AS_READ", "Shift", "corrected", "shift_of"]

# Behind the name of a column that labels draws: a correction must not rename them.
AS_READ: Final = "_as_read"
_LABELLING: Final = ("background", "speed")
_READ_WITH: Final = {"noise_obstructed": "noise"}
_VARIABLES: Final = (
    "noise", "noise_obstructed", "background", "speed", "airflow", "temperature", "ambient",
)  # fmt: skip
# A reading of 0 of these is a thing that did not turn, whatever the correction.
_STILL: Final = ("speed", "airflow")


class Shift(NamedTuple):
    """All corrections of one quantity on one rig together.

    Attributes
    ----------
    absolute : float
        What is added, in the unit of the readings.
    relative : float
        What fraction of the reading as read is added besides.
    """

    absolute: float
    relative: float

    def of(self, values: FloatArray) -> FloatArray:
        """Give corrected values."""
        return np.asarray(values * (1.0 + self.relative) + self.absolute)

    def words(self, units: str) -> str:
        """Say it, such as ``-2 % and +0.1 m/s``."""
        parts = [f"{100.0 * self.relative:+.4g} %"] if self.relative else []
        if self.absolute or not parts:
            parts.append(f"{self.absolute:+.4g} {units_label(units)}")
        return " and ".join(parts)


def shift_of(bench: Bench, rig: str, quantity: str, units: str) -> Shift:
    """Add up the corrections of one quantity on one rig.

    Parameters
    ----------
    bench : Bench
        What is stated about the instruments.
    rig : str
        Label in the readings.
    quantity : {"noise", "background", "speed", "airflow", "temperature", "ambient"}
        What is read.
    units : str
        Unit of the readings.

    Returns
    -------
    Shift
        All zero where none is known.
    """
    absolute = relative = 0.0
    for known in _corrections(bench, rig, quantity):
        relative += known.relative
        if known.absolute:
            absolute += float(convert(known.absolute, known.units or units, units, difference=True))
    return Shift(absolute, relative)


def _corrections(bench: Bench, rig: str, quantity: str) -> Iterator[Correction]:
    instrument = bench.on(rig).instrument(quantity)
    for source in instrument.at("shared") if instrument is not None else ():
        if source.correction is not None and source.acts_at(rig):
            yield source.correction


def corrected(readings: xr.Dataset, bench: Bench) -> xr.Dataset:
    """Make the corrections that a bench states to the readings.

    Parameters
    ----------
    readings : xarray.Dataset
        From `read_readings`.
    bench : Bench
        What is stated about the instruments.

    Returns
    -------
    xarray.Dataset
        The same where no correction is stated or all were made before; else with what each reading
        comes to, and the attribute ``corrected`` saying which corrections were made. The room and
        the ambient are corrected as the instrument that reads them; scatter a cell states itself
        goes along with a relative correction. A speed or airflow of 0 stays 0.

    Raises
    ------
    FanstatsError
        If a unit in the bench cannot be converted to that of the readings, or a corrected speed or
        airflow is not above 0.

    Notes
    -----
    Several corrections of one reading are added: each is meant of the reading as read.

    References
    ----------
    JCGM 100:2008, 3.2.3 and 6.3.1 (a result is corrected for all recognised systematic effects).

    Examples
    --------
    >>> import fanstats as fs
    >>> meter = fs.Instrument(shared=fs.expanded(0.2, correction=-0.4))
    >>> readings = fs.demo.readings()
    >>> found = corrected(readings, fs.Bench(noise=meter))
    >>> [round(float((found[name] - readings[name])[0]), 9) for name in ("noise", "background")]
    [-0.4, -0.4]
    """
    given: tuple[object, object] = (readings, bench)
    if not (isinstance(given[0], xr.Dataset) and isinstance(given[1], Bench)):
        return readings  # refused, with the name of the argument, by who gathers them
    if "row" not in readings.dims:
        return readings
    _check_units(readings, bench)
    rigs = _rigs(readings)
    made = _to_make(readings, bench, rigs)
    if "corrected" in readings.attrs:
        if made and json.loads(readings.attrs["corrected"]) != made:
            msg = "The readings were corrected before, by another bench; pass them as read."
            raise FanstatsError(msg)
        return readings
    if not made:
        return readings
    changed: dict[str, xr.DataArray] = {}
    for name in made:
        changed |= _corrected_column(readings, bench, name, rigs)
    kept = {
        name + AS_READ: ("row", readings[name].to_numpy()) for name in _LABELLING if name in changed
    }
    found = readings.assign(changed).assign_coords(kept)
    return found.assign_attrs({**readings.attrs, "corrected": json.dumps(made)})


def _to_make(readings: xr.Dataset, bench: Bench, rigs: list[str]) -> dict[str, dict[str, str]]:
    """Give the corrections of every column in words, by rig; no entry where there are none."""
    made: dict[str, dict[str, str]] = {}
    for name in _VARIABLES:
        for rig in dict.fromkeys(rigs) if name in readings else ():
            texts = [known.text for known in _corrections(bench, rig, _quantity(name))]
            if texts:
                made.setdefault(name, {})[rig] = " ".join(texts)
    return made


def _rigs(readings: xr.Dataset) -> list[str]:
    if "rig" not in readings.coords:
        return [""] * readings.sizes["row"]
    return [str(rig) for rig in readings["rig"].to_numpy()]


def _quantity(name: str) -> str:
    return _READ_WITH.get(name, name)


def _corrected_column(
    readings: xr.Dataset, bench: Bench, name: str, rigs: list[str]
) -> dict[str, xr.DataArray]:
    given = readings[name]
    units = str(given.attrs.get("units", ""))
    factors, values = np.ones(len(rigs)), given.to_numpy().astype(np.float64)
    labels = np.array(rigs, dtype=object)
    for rig in set(rigs):
        rows = labels == rig
        shift = shift_of(bench, rig, _quantity(name), units)
        factors[rows] = 1.0 + shift.relative
        values[rows] = shift.of(values[rows])
    if name in _STILL:
        values = np.where(given.to_numpy() == 0, 0.0, values)
        _check_positive(readings, name, values, units)
    found = {name: given.copy(data=values)}
    scale = xr.DataArray(np.abs(factors), dims="row")
    for ending in ("_standard", "_half_width"):
        if name + ending in readings:
            own = readings[name + ending]
            found[name + ending] = (own * scale).transpose(*own.dims).assign_attrs(own.attrs)
    return found


def _check_positive(readings: xr.Dataset, name: str, values: FloatArray, units: str) -> None:
    lost: BoolArray = (values <= 0) & (readings[name].to_numpy() > 0)
    if lost.any():
        place = np.argwhere(lost)[0]
        row, read = int(place[0]), float(readings[name].to_numpy()[tuple(place)])
        msg = (
            f"{_place(readings, row)}the corrected {name} must be above 0; {read:g} {units} of "
            f"model {str(readings['model'].values[row])!r} comes to {values[tuple(place)]:g} "
            f"{units}. Check sign and unit of the correction in the bench."
        )
        raise FanstatsError(msg)


def _place(readings: xr.Dataset, row: int) -> str:
    if not {"source", "line"} <= set(readings.coords):
        return ""
    return f"{readings['source'].values[row]}, line {readings['line'].values[row]}: "


# Units that do not fit -------------------------------------------------------------------------


def _check_units(readings: xr.Dataset, bench: Bench) -> None:
    rigs = dict.fromkeys(_rigs(readings))
    for name in _VARIABLES:
        if name not in readings:
            continue
        units = str(readings[name].attrs.get("units", ""))
        for rig in rigs:
            instrument = bench.on(rig).instrument(_quantity(name))
            for level, place, source in instrument or ():
                if source.acts_at(rig):
                    where = f"`bench`, {_quantity(name)}, {level}, source {place + 1}"
                    _check_source(source, units, f"{where} on rig {rig}" if rig else where, name)


def _check_source(source: Source, units: str, place: str, name: str) -> None:
    known = source.correction
    parts = [(source.absolute, source.units)]
    parts += [] if known is None else [(known.absolute, known.units)]
    for size, own in parts:
        if not size or own is None:
            continue
        try:
            convert(size, own, units, difference=True)
        except FanstatsError as error:
            msg = (
                f"{place}: {source.stated!r} is in {own}, and the {name} readings are in {units}; "
                f"one cannot be converted to the other. State it in {units}"
            )
            percent = name in ("speed", "airflow")
            msg += " or as a percentage." if percent else "."
            raise FanstatsError(msg) from error
