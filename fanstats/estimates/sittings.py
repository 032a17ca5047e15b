"""Readings gathered into sittings and cells: repeats averaged, labels kept."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
import xarray as xr

from fanstats._typing import BoolArray, FloatArray, IntArray
from fanstats.errors import FanstatsError
from fanstats.estimates.corrections import AS_READ

__all__ = ["Cells", "Channel", "Sitting", "sittings_of"]

# (quantity, obstruction); the obstruction is "" where the header names none.
Channel = tuple[str, str]

_READ: Final = ("speed", "noise", "noise_obstructed", "airflow", "temperature", "ambient")
_LABELS: Final = ("rig", "session", "model", "unit", "sitting")
_LN10_OVER_10: Final = float(np.log(10.0) / 10.0)
# Policy: levels dialled in with neither drive nor speed are another step from this on; dB.
_LEVELS_APART: Final = 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cells:
    """What one sitting reads of one channel, a value a cell.

    Attributes
    ----------
    values : ndarray, shape (cell,)
        Mean of the repeats, NaN where the channel was not read.
    repeats : ndarray, shape (cell,)
        Number of repeats behind each value.
    squares : ndarray, shape (cell,)
        Sum of squared deviations of the repeats from their arithmetic mean.
    own_standard, own_half_width : ndarray, shape (cell,)
        What a cell says of its own uncertainty, NaN where it says nothing.
    states_own : bool
        Whether any cell does.
    """

    values: FloatArray
    repeats: IntArray
    squares: FloatArray
    own_standard: FloatArray
    own_half_width: FloatArray
    states_own: bool = field(init=False)

    def __post_init__(self) -> None:
        stated = np.isfinite(self.own_standard) | np.isfinite(self.own_half_width)
        object.__setattr__(self, "states_own", bool(stated.any()))

    def part(self, cells: slice) -> Cells:
        """Keep some of the cells."""
        return Cells(
            values=self.values[cells],
            repeats=self.repeats[cells],
            squares=self.squares[cells],
            own_standard=self.own_standard[cells],
            own_half_width=self.own_half_width[cells],
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sitting:
    """One unit on the bench once: its labels, its steps, and what was read at each.

    Attributes
    ----------
    rig, session, model, unit, sitting : str
        Labels as in the readings; `session` is "" where none was recorded.
    drive_voltage, drive_duty : ndarray, shape (cell,)
        Drive of each cell, NaN where not given.
    steps : tuple of str
        Name of each cell's step, such as ``"7 V"``.
    channels : dict
        `Cells` by (quantity, obstruction).
    background : float
        Room noise of the sitting, NaN where unknown.
    background_reading : tuple of str
        What names the reading of the room, so that a reading noted once is one draw.
    ambient_per_session : bool
        Whether the ambient was noted once a session, not beside each reading.
    lowest_noise : float
        Lowest noise read in this session: an upper bound for an unknown room.
    readings : int
        Numbers read, repeats counted.
    units : dict
        Unit of each quantity.
    dialled : tuple of str
        Steps dialled in beside a sweep, each with where it was put.
    placeless : tuple of str
        Those whose level the sweep does not reach, so that they carry nothing.
    """

    rig: str
    session: str
    model: str
    unit: str
    sitting: str
    drive_voltage: FloatArray
    drive_duty: FloatArray
    steps: tuple[str, ...]
    channels: dict[Channel, Cells]
    background: float
    background_reading: tuple[str, ...]
    ambient_per_session: bool
    lowest_noise: float
    readings: int
    units: dict[str, str]
    dialled: tuple[str, ...] = ()
    placeless: tuple[str, ...] = ()

    @property
    def own_label(self) -> tuple[str, ...]:
        """Label of the sitting itself."""
        return ("sitting", self.session, self.model, self.unit, self.sitting)

    @property
    def session_label(self) -> tuple[str, ...]:
        """Label of the session; without a recorded one each sitting is its own."""
        return ("session", self.session) if self.session else self.own_label

    @property
    def place(self) -> str:
        """The sitting in words, for messages."""
        parts = [f"model {self.model!r}"]
        named = (("sample", self.unit), ("session", self.session), ("sitting", self.sitting))
        parts += [f"{name} {text!r}" for name, text in named if text not in ("", "1")]
        return ", ".join(parts)

    def drive(self, kind: str) -> FloatArray:
        """Give the drive of each cell in volts or percent.

        Parameters
        ----------
        kind : {"drive_voltage", "drive_duty"}
            Which of the two.

        Returns
        -------
        ndarray, shape (cell,)
        """
        return self.drive_voltage if kind == "drive_voltage" else self.drive_duty

    def has(self, channel: Channel) -> bool:
        """Say whether the sitting read anything of a channel."""
        cells = self.channels.get(channel)
        return cells is not None and bool(np.isfinite(cells.values).any())


def sittings_of(readings: xr.Dataset) -> list[Sitting]:
    """Gather readings into sittings, in an order that the order of rows cannot change.

    Rows of one key are repeats and become one cell: noise by energy (one source over time),
    everything else by the arithmetic mean.

    Parameters
    ----------
    readings : xarray.Dataset
        As `fanstats.read_readings` gives them.

    Returns
    -------
    list of Sitting
        Sorted by rig, session, model, unit, sitting.

    Raises
    ------
    FanstatsError
        If the Dataset lacks the dimension ``row`` or the coordinate ``model``.
    """
    given: object = readings
    if not isinstance(given, xr.Dataset):
        msg = (
            f"`readings` must be a Dataset made by read_readings; got {type(given).__name__}. "
            "Pass read_readings(...) of the file or table."
        )
        raise FanstatsError(msg)
    if "row" not in readings.dims or "model" not in readings.coords:
        msg = (
            "`readings` must be a Dataset made by read_readings (dimension 'row', coordinate "
            f"'model'); got dimensions {tuple(readings.dims)}."
        )
        raise FanstatsError(msg)
    return _with_lowest_noise(_Gathering(readings).sittings())


class _Gathering:
    """Sorted rows, grouped twice: into sittings, and within them into cells."""

    def __init__(self, readings: xr.Dataset) -> None:
        self.readings = readings
        rows = readings.sizes["row"]
        self.labels = {name: _text(readings, name, rows) for name in _LABELS}
        self.own_state = _text(readings, "row_obstruction", rows)
        self.voltage = _numbers(readings, "drive_voltage", rows)
        self.duty = _numbers(readings, "drive_duty", rows)
        # What names a step or a note of the room stays what was read, whatever it is corrected to.
        self.speed = _numbers(readings, _as_read(readings, "speed"), rows)
        self.noted = _numbers(readings, _as_read(readings, "background"), rows)
        self.units = {
            str(name): str(variable.attrs.get("units", ""))
            for name, variable in readings.data_vars.items()
        }
        self.background_per_session = readings.attrs.get("background_per", "row") == "session"
        self.ambient_per_session = readings.attrs.get("ambient_per", "row") == "session"
        codes = [np.unique(self.labels[name], return_inverse=True)[1] for name in _LABELS]
        self.dialled = self._dialled(codes)
        keys = [*codes, *self._step_keys(), self.dialled]
        self.order: IntArray = np.lexsort(keys[::-1])
        self.sitting_starts = _starts([code[self.order] for code in codes], rows)
        self.cell_starts = _starts([key[self.order] for key in keys], rows)
        self.cell_of_row: IntArray = np.cumsum(_marks(self.cell_starts, rows)) - 1

    def _step_keys(self) -> list[FloatArray | IntArray]:
        # NaN compares unequal, so a missing number becomes one that no drive has. Without a drive
        # the speed names the step.
        no_drive = np.isnan(self.voltage) & np.isnan(self.duty)
        fallback = np.where(no_drive, np.nan_to_num(self.speed, nan=-1.0), -1.0)
        drives = [np.nan_to_num(drive, nan=-1.0) for drive in (self.voltage, self.duty)]
        return [*drives, fallback, np.unique(self.own_state, return_inverse=True)[1]]

    def _dialled(self, codes: list[IntArray]) -> IntArray:
        """Give levels dialled in with neither drive nor speed a number each, 0 to other rows.

        Rows of one sitting whose noise lies closer together are repeats of one level.
        """
        noise = _numbers(self.readings, "noise", self.voltage.size)
        place = np.isfinite(self.voltage) | np.isfinite(self.duty) | np.isfinite(self.speed)
        loose = np.flatnonzero(~place & np.isfinite(noise))
        found = np.zeros(self.voltage.size, dtype=np.intp)
        own = [code[loose] for code in codes]
        order = np.lexsort([noise[loose], *own[::-1]])
        apart = np.diff(noise[loose][order], prepend=-np.inf) > _LEVELS_APART
        for code in own:
            apart |= np.diff(code[order], prepend=-1) != 0
        found[loose[order]] = np.cumsum(apart)
        return found

    def sittings(self) -> list[Sitting]:
        """Build the sittings."""
        rows = self.order.size
        if rows == 0:
            return []
        cells = self._all_cells()
        background = _numbers(self.readings, "background", rows)[self.order]
        first_cell = np.searchsorted(self.cell_starts, self.sitting_starts)
        last_cell = np.append(first_cell[1:], self.cell_starts.size)
        ends = np.append(self.sitting_starts[1:], rows)
        return [
            self._sitting(slice(c, d), {k: v.part(slice(c, d)) for k, v in cells.items()},
                          background[a:b], self.noted[self.order][a:b])
            for a, b, c, d in zip(self.sitting_starts, ends, first_cell, last_cell, strict=True)
        ]  # fmt: skip

    def _all_cells(self) -> dict[Channel, Cells]:
        found: dict[Channel, Cells] = {}
        for name in _READ:
            if name not in self.readings:
                continue
            if "obstruction" in self.readings[name].dims:
                for obstruction in self.readings["obstruction"].to_numpy():
                    channel = (name, str(obstruction))
                    found[channel] = self._cells(name, {"obstruction": obstruction})
            else:
                found[name, ""] = self._cells(name, {})
        return found

    def _cells(self, name: str, select: dict[str, object]) -> Cells:
        values = self._column(name, select)
        present = np.isfinite(values)
        count = np.bincount(self.cell_of_row, present, self.cell_starts.size).astype(np.intp)
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = self._sum(np.where(present, values, 0.0)) / count
            deviation = np.where(present, values - mean[self.cell_of_row], 0.0)
            level = self._energy_mean(values, present, count) if name.startswith("noise") else mean
        return Cells(
            values=np.where(count > 0, level, np.nan),
            repeats=count,
            squares=self._sum(deviation**2),
            own_standard=self._mean_own(self._column(f"{name}_standard", select)),
            own_half_width=self._mean_own(self._column(f"{name}_half_width", select)),
        )

    def _column(self, name: str, select: dict[str, object]) -> FloatArray:
        if name not in self.readings:
            return np.full(self.order.size, np.nan)
        values = self.readings[name].sel(select).to_numpy()[self.order]
        return np.asarray(values, dtype=np.float64)

    def _energy_mean(self, values: FloatArray, present: BoolArray, count: IntArray) -> FloatArray:
        # Relative to the cell's loudest reading: no level overflows, one reading stays itself.
        top = np.maximum.reduceat(np.where(present, values, -np.inf), self.cell_starts)
        top = np.where(np.isfinite(top), top, 0.0)
        power = np.where(present, np.exp((values - top[self.cell_of_row]) * _LN10_OVER_10), 0.0)
        return np.asarray(top + np.log(self._sum(power) / count) / _LN10_OVER_10)

    def _sum(self, column: FloatArray | BoolArray) -> FloatArray:
        total = np.bincount(self.cell_of_row, column, self.cell_starts.size)
        return np.asarray(total, dtype=np.float64)

    def _mean_own(self, column: FloatArray) -> FloatArray:
        given = np.isfinite(column)
        with np.errstate(invalid="ignore"):
            return self._sum(np.where(given, column, 0.0)) / self._sum(given)

    def _sitting(
        self, cells: slice, channels: dict[Channel, Cells], room: FloatArray, noted: FloatArray
    ) -> Sitting:
        heads = self.order[self.cell_starts[cells]]
        names = [
            _step_name(self.voltage[head], self.duty[head], self.speed[head]) for head in heads
        ]
        if np.count_nonzero(self.dialled[heads]) > 1:
            noise = channels["noise", ""].values
            names = [
                f"dialled in at {level:.1f} dB" if self.dialled[head] else name
                for name, head, level in zip(names, heads, noise, strict=True)
            ]
        states = self.own_state[heads]
        label = {name: str(self.labels[name][heads[0]]) for name in _LABELS}
        sitting = Sitting(
            rig=label["rig"],
            session=label["session"],
            model=label["model"],
            unit=label["unit"],
            sitting=label["sitting"],
            drive_voltage=self.voltage[heads],
            drive_duty=self.duty[heads],
            steps=tuple(f"{n}, {s}" if s else n for n, s in zip(names, states, strict=True)),
            channels=channels,
            background=_room_level(room),
            background_reading=(),
            ambient_per_session=self.ambient_per_session,
            lowest_noise=np.nan,
            readings=int(sum(part.repeats.sum() for part in channels.values())),
            units=self.units,
        )
        return replace(sitting, background_reading=self._room_label(sitting, _room_level(noted)))

    def _room_label(self, sitting: Sitting, noted: float) -> tuple[str, ...]:
        if self.background_per_session:
            return sitting.session_label
        # A number noted beside several sittings of one session is one reading of the room; a
        # different number is another reading. The value names the note, as a step names a cell.
        return (*sitting.session_label, f"{noted:.6g}")


def _room_level(room: FloatArray) -> float:
    room = room[np.isfinite(room)]
    if room.size == 0:
        return float("nan")
    if room.min() == room.max():
        return float(room[0])  # one reading, copied down
    return float(np.log(np.mean(np.exp(room * _LN10_OVER_10))) / _LN10_OVER_10)


def _with_lowest_noise(sittings: list[Sitting]) -> list[Sitting]:
    lowest: dict[tuple[str, ...], float] = {}
    for sitting in sittings:
        key = (sitting.rig, *sitting.session_label)
        for channel, cells in sitting.channels.items():
            if channel[0].startswith("noise") and np.isfinite(cells.values).any():
                lowest[key] = min(float(np.nanmin(cells.values)), lowest.get(key, np.inf))
    return [
        replace(s, lowest_noise=lowest.get((s.rig, *s.session_label), np.nan)) for s in sittings
    ]


def _step_name(voltage: float, duty: float, speed: float) -> str:
    if np.isfinite(voltage):
        return f"{voltage:g} V"
    if np.isfinite(duty):
        return f"{duty:g} %"
    return f"{speed:g} rpm" if np.isfinite(speed) else "no drive"


def _text(readings: xr.Dataset, name: str, rows: int) -> np.ndarray[tuple[int], np.dtype[np.str_]]:
    if name not in readings.coords:
        default = "1" if name in ("unit", "sitting") else ""
        return np.full(rows, default)
    return np.asarray(readings[name].to_numpy().astype(str))


def _as_read(readings: xr.Dataset, name: str) -> str:
    return name + AS_READ if name + AS_READ in readings.coords else name


def _numbers(readings: xr.Dataset, name: str, rows: int) -> FloatArray:
    if name not in readings:
        return np.full(rows, np.nan)
    return np.asarray(readings[name].to_numpy(), dtype=np.float64)


def _starts(columns: list[FloatArray | IntArray], rows: int) -> IntArray:
    """Find the first row of every run of equal keys, rows already sorted."""
    change: BoolArray = np.zeros(rows, dtype=np.bool_)
    change[:1] = True
    for column in columns:
        change[1:] |= column[1:] != column[:-1]
    return np.flatnonzero(change)


def _marks(starts: IntArray, rows: int) -> IntArray:
    marks = np.zeros(rows, dtype=np.intp)
    marks[starts] = 1
    return marks
