"""The columns of readings as arrays, and words for places in them."""

from __future__ import annotations

from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from fanstats.loading.complaints import Complaint
from fanstats.loading.headers import is_free_air
from fanstats.quantities import convert, units_label

if TYPE_CHECKING:
    import xarray as xr

    from fanstats._typing import BoolArray, FloatArray, IntArray

__all__ = ["FLOWS", "MEND", "VELOCITIES", "BenchColumns"]

VELOCITIES: Final = ("fpm", "m/s", "km/h", "mph")
FLOWS: Final = ("cfm", "m3/h", "m3/s", "l/s", "l/min")
MEND: Final = "Mend the cell if it is a slip; it is used as written"
_READ: Final = (
    "drive_voltage", "drive_duty", "speed", "noise", "airflow", "noise_obstructed",
    "temperature", "background", "ambient",
)  # fmt: skip
_HEADS: Final = {"drive_voltage": "drive", "drive_duty": "drive", "noise_obstructed": "noise"}


class BenchColumns:
    """The columns of the readings as arrays, and words for places in them.

    Parameters
    ----------
    readings : xarray.Dataset
        Rows with their labels, as `read_readings` makes them.

    Attributes
    ----------
    columns : list of (str, str or None)
        Variable and obstruction of each column, None where it names none.
    values : ndarray, shape (row, column)
        Readings, NaN where nothing was read.
    """

    def __init__(self, readings: xr.Dataset) -> None:
        self.readings = readings
        self._texts = {name: readings[name].to_numpy() for name in ("source", "line", "model")}
        self.columns: list[tuple[str, str | None]] = []
        parts: list[FloatArray] = []
        for name in _READ:
            if name in readings:
                values = readings[name].to_numpy()
                flat = values.ndim == 1
                behind = [None] if flat else [str(x) for x in readings["obstruction"].to_numpy()]
                self.columns += [(name, label) for label in behind]
                parts.append(values[:, None] if flat else values)
        self.values: FloatArray = np.hstack(parts) if parts else np.empty((self.rows, 0))

    @property
    def rows(self) -> int:
        """How many rows there are."""
        return int(self.readings.sizes.get("row", 0))

    def units(self, name: str) -> str:
        """Give the unit of a variable, empty where there is none of that name."""
        return str(self.readings[name].attrs.get("units", "")) if name in self.readings else ""

    def column(self, name: str) -> FloatArray:
        """Give a column that names no obstruction, NaN where there is none."""
        if (name, None) not in self.columns:
            return np.full(self.rows, np.nan)
        return self.values[:, self.columns.index((name, None))]

    def places(self, *names: str) -> list[int]:
        """Give the places of all columns of some variables."""
        return [place for place, column in enumerate(self.columns) if column[0] in names]

    def labels(self, *names: str) -> IntArray:
        """Give each row the number of its group of alike labels."""
        frame = pd.DataFrame({name: self.readings[name].to_numpy() for name in names})
        return np.asarray(frame.groupby(list(names), sort=False).ngroup(), dtype=np.intp)

    @cached_property
    def fans(self) -> IntArray:
        """Which fan on which rig a row belongs to, counted from 0."""
        return self.labels("rig", "model", "unit")

    @cached_property
    def sittings(self) -> IntArray:
        """Which sitting a row belongs to, counted from 0."""
        return self.labels("rig", "model", "unit", "session", "sitting")

    @cached_property
    def turning(self) -> BoolArray:
        """Whether the fan turned, as far as was read."""
        speed = self.column("speed")
        turning: BoolArray = np.isnan(speed) | (speed > 0)
        return turning

    @cached_property
    def drive(self) -> FloatArray:
        """Volts, else duty: what puts the steps of one sitting into order."""
        volts = self.column("drive_voltage")
        return np.where(np.isfinite(volts), volts, self.column("drive_duty"))

    def free_places(self) -> list[int]:
        """Give the airflow columns with nothing before the fan, all of them where none is so."""
        places = self.places("airflow")
        free = [p for p in places if (label := self.columns[p][1]) is None or is_free_air(label)]
        return free or places

    @cached_property
    def velocity(self) -> FloatArray | None:
        """Fastest velocity in m/s, of the free columns where there are some; None for flows."""
        places = self.free_places()
        if not places or self.units("airflow") not in VELOCITIES:
            return None
        chosen = self.values[:, places]
        fastest = np.where(chosen > 0, chosen, -np.inf).max(axis=1)
        fastest[fastest <= 0] = np.nan
        return convert(fastest, self.units("airflow"), "m/s")

    def header(self, place: int) -> str:
        """Write the header of a column."""
        name, behind = self.columns[place]
        parts = [_HEADS.get(name, name), behind or "", f"[{self.units(name)}]"]
        return " ".join(part for part in parts if part)

    def said(self, row: int, place: int) -> str:
        """Write a reading with its unit."""
        units = units_label(self.units(self.columns[place][0]))
        return f"{self.values[row, place]:.6g} {units}"

    def line(self, row: int) -> int:
        """Give the row's number in its source."""
        return int(self._texts["line"][row])

    def doubt(
        self, row: int, rule: str, found: str, place: int | None = None, mend: str = MEND
    ) -> Complaint:
        """Word a doubt about one row, and the column it is about."""
        return Complaint(
            source=str(self._texts["source"][row]),
            line=self.line(row),
            column="" if place is None else self.header(place),
            kind="implausible",
            rule=rule,
            found=f"{self._texts['model'][row]}: {found}"[:200],
            mend=mend,
            left_out=True,
        )
