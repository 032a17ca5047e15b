"""Readings gathered into sittings and cells: columns of numbers, repeats averaged, labels kept."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import xarray as xr

from fanstats._typing import BoolArray, FloatArray, IntArray
from fanstats.engine.curves import rising, solve_monotone
from fanstats.errors import FanstatsError
from fanstats.levels.kernels import subtract_levels
from fanstats.loading.corrections import AS_READ

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

__all__ = ["ABOVE_ROOM", "Cells", "Channel", "Label", "Sitting", "Sittings", "sittings_of"]

# (quantity, obstruction); the obstruction is "" where the header names none.
Channel = tuple[str, str]
Label = tuple[str, ...]

NOISE: Final = ("noise", "")
SPEED: Final = ("speed", "")
AMBIENT: Final = ("ambient", "")
DRIVES: Final = ("drive_voltage", "drive_duty")
# Policy: a step closer to the room than this carries no usable level; dB.
ABOVE_ROOM: Final = 1.0
_READ: Final = ("speed", "noise", "noise_obstructed", "airflow", "temperature", "ambient")
_LABELS: Final = ("rig", "session", "model", "unit", "sitting")
_LN10_OVER_10: Final = float(np.log(10.0) / 10.0)
# Policy: levels dialled in with neither drive nor speed are another step from this on; dB.
_LEVELS_APART: Final = 0.5


class Cells(NamedTuple):
    """What was read of one channel, a value a cell.

    `values` are means of the repeats (NaN where nothing was read), `squares` the sums of squared
    deviations of the repeats; `own_standard` and `own_half_width` what a cell says of its own
    uncertainty, NaN where it says nothing.
    """

    values: FloatArray
    repeats: IntArray
    squares: FloatArray
    own_standard: FloatArray
    own_half_width: FloatArray

    def at(self, cells: slice | IntArray) -> Cells:
        """Keep some cells."""
        own: Any = (column[cells] for column in self)
        return Cells(*own)

    @property
    def states_own(self) -> BoolArray:
        """Which cells state an uncertainty of their own."""
        return np.isfinite(self.own_standard) | np.isfinite(self.own_half_width)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sitting:
    """One sitting by itself: its labels, its steps, and what was read at each.

    `place` is its place in the table, `cells` those of the table that are its own.
    """

    place: int
    cells: slice
    rig: str
    session: str
    model: str
    unit: str
    sitting: str
    steps: tuple[str, ...]
    channels: dict[Channel, Cells]
    background: float
    units: Mapping[str, str]
    ambient_per_session: bool
    drives: Mapping[str, FloatArray]

    @property
    def own_label(self) -> Label:
        """Label of the sitting itself."""
        return ("sitting", self.session, self.model, self.unit, self.sitting)

    @property
    def words(self) -> str:
        """The sitting in words, for messages."""
        parts = [f"model {self.model!r}"]
        named = (("sample", self.unit), ("session", self.session), ("sitting", self.sitting))
        parts += [f"{name} {text!r}" for name, text in named if text not in ("", "1")]
        return ", ".join(parts)

    def has(self, channel: Channel) -> bool:
        """Say whether the sitting read anything of a channel."""
        cells = self.channels.get(channel)
        return cells is not None and bool(np.isfinite(cells.values).any())


@dataclass(frozen=True, kw_only=True, eq=False)
class Sittings:
    """All sittings, in an order that the order of rows cannot change.

    Attributes
    ----------
    labels : dict of str to ndarray of str, shape (sitting,)
        rig, session, model, unit, sitting; a session is "" where none was recorded.
    first : ndarray of int, shape (sitting + 1,)
        Cells of a sitting: ``first[s]`` to ``first[s + 1]``.
    drives : dict of str to ndarray, shape (cell,)
        drive_voltage and drive_duty, NaN where not given.
    steps : tuple of str, length cell
        Name of each cell's step, such as ``"7 V"``.
    channels : dict
        `Cells` over all cells, by (quantity, obstruction).
    background : ndarray, shape (sitting,)
        Room noise, NaN where unknown.
    room_label : tuple of tuple of str, length sitting
        What names the reading of the room, so that a reading noted once is one draw.
    lowest_noise : ndarray, shape (sitting,)
        Lowest noise read in this session: an upper bound for an unknown room.
    readings : ndarray of int, shape (sitting,)
        Numbers read, repeats counted.
    dialled, placeless : dict of int to tuple of str
        Steps dialled in beside a sweep: where each was put, and those that carry nothing.
    """

    labels: dict[str, np.ndarray]
    first: IntArray
    drives: dict[str, FloatArray]
    steps: tuple[str, ...]
    channels: dict[Channel, Cells]
    background: FloatArray
    room_label: tuple[Label, ...]
    lowest_noise: FloatArray
    readings: IntArray
    units: dict[str, str]
    ambient_per_session: bool
    dialled: dict[int, tuple[str, ...]] = field(default_factory=dict)
    placeless: dict[int, tuple[str, ...]] = field(default_factory=dict)

    def __len__(self) -> int:
        return self.first.size - 1

    def __iter__(self) -> Iterator[Sitting]:
        return (self[place] for place in range(len(self)))

    def __getitem__(self, place: int) -> Sitting:
        """Give one sitting by itself."""
        cells = slice(int(self.first[place]), int(self.first[place + 1]))
        return Sitting(
            place=place,
            cells=cells,
            **{name: str(column[place]) for name, column in self.labels.items()},
            steps=self.steps[cells],
            channels={channel: found.at(cells) for channel, found in self.channels.items()},
            background=float(self.background[place]),
            units=self.units,
            ambient_per_session=self.ambient_per_session,
            drives={kind: drive[cells] for kind, drive in self.drives.items()},
        )

    @cached_property
    def owner(self) -> IntArray:
        """Sitting of every cell, shape (cell,)."""
        return np.repeat(np.arange(len(self)), np.diff(self.first))

    def has(self, channel: Channel) -> BoolArray:
        """Say which sittings read anything of a channel, shape (sitting,)."""
        if channel not in self.channels:
            return np.zeros(len(self), dtype=np.bool_)
        read = np.isfinite(self.channels[channel].values)
        return np.asarray(np.bincount(self.owner[read], minlength=len(self)) > 0)

    @cached_property
    def own_labels(self) -> tuple[Label, ...]:
        """Label of each sitting itself."""
        columns = (self.labels[name].tolist() for name in _LABELS[1:])
        return tuple(("sitting", *names) for names in zip(*columns, strict=True))

    @cached_property
    def session_labels(self) -> tuple[Label, ...]:
        """Label of each sitting's session; without a recorded one each sitting is its own."""
        pairs = zip(self.labels["session"].tolist(), self.own_labels, strict=True)
        return tuple(("session", name) if name else own for name, own in pairs)

    def take(self, kept: Sequence[int] | IntArray) -> Sittings:
        """Keep some sittings."""
        chosen = np.asarray(kept, dtype=np.intp)
        cells = np.flatnonzero(np.isin(self.owner, chosen))
        return replace(
            self.of_cells(cells, chosen),
            dialled={int(k): self.dialled[s] for k, s in enumerate(chosen) if s in self.dialled},
            placeless={
                int(k): self.placeless[s] for k, s in enumerate(chosen) if s in self.placeless
            },
        )

    def of_cells(self, cells: IntArray, kept: IntArray) -> Sittings:
        """Keep some cells of some sittings."""
        counts = np.bincount(self.owner[cells], minlength=len(self))[kept]
        return replace(
            self,
            labels={name: column[kept] for name, column in self.labels.items()},
            first=np.concatenate([[0], np.cumsum(counts)]),
            drives={kind: drive[cells] for kind, drive in self.drives.items()},
            steps=tuple(self.steps[cell] for cell in cells.tolist()),
            channels={channel: found.at(cells) for channel, found in self.channels.items()},
            background=self.background[kept],
            room_label=tuple(self.room_label[place] for place in kept.tolist()),
            lowest_noise=self.lowest_noise[kept],
            readings=self.readings[kept],
        )


def sittings_of(readings: xr.Dataset) -> Sittings:
    """Gather readings into sittings: rows of one key are repeats and become one cell.

    Noise is averaged by energy (one source over time), everything else arithmetically.
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
    return _Gathering(readings).sittings()


class _Gathering:
    """Sorted rows, grouped twice: into sittings, and within them into cells."""

    def __init__(self, readings: xr.Dataset) -> None:
        self.readings = readings
        rows = readings.sizes["row"]
        self.labels = {name: _text(readings, name, rows) for name in _LABELS}
        self.own_state = _text(readings, "row_obstruction", rows)
        self.voltage, self.duty = (_numbers(readings, name, rows) for name in DRIVES)
        # What names a step or a note of the room stays what was read, whatever it is corrected to.
        self.speed = _numbers(readings, _as_read(readings, "speed"), rows)
        self.noted = _numbers(readings, _as_read(readings, "background"), rows)
        codes = [np.unique(self.labels[name], return_inverse=True)[1] for name in _LABELS]
        self.loose = self._dialled(codes)
        keys = [*codes, *self._step_keys(), self.loose]
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
        """Give levels dialled in with neither drive nor speed a number each, 0 to other rows."""
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

    def sittings(self) -> Sittings:
        """Build the columns."""
        heads = self.order[self.cell_starts]
        channels = self._channels()
        first = np.append(np.searchsorted(self.cell_starts, self.sitting_starts), heads.size)
        begins = self.order[self.sitting_starts]
        labels = {name: column[begins] for name, column in self.labels.items()}
        found = Sittings(
            labels=labels,
            first=first,
            drives={"drive_voltage": self.voltage[heads], "drive_duty": self.duty[heads]},
            steps=self._steps(heads, channels, first),
            channels=channels,
            background=self._rooms("background"),
            room_label=(),
            lowest_noise=np.full(begins.size, np.nan),
            readings=_counted(channels, first),
            units={
                str(name): str(variable.attrs.get("units", ""))
                for name, variable in self.readings.data_vars.items()
            },
            ambient_per_session=self.readings.attrs.get("ambient_per", "row") == "session",
        )
        return replace(
            found, room_label=self._room_labels(found), lowest_noise=_lowest_noise(found)
        )

    def _channels(self) -> dict[Channel, Cells]:
        found: dict[Channel, Cells] = {}
        for name in _READ:
            if name not in self.readings:
                continue
            if "obstruction" in self.readings[name].dims:
                for obstruction in self.readings["obstruction"].to_numpy():
                    found[name, str(obstruction)] = self._cells(name, {"obstruction": obstruction})
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
            np.where(count > 0, level, np.nan),
            count,
            self._sum(deviation**2),
            self._mean_own(self._column(f"{name}_standard", select)),
            self._mean_own(self._column(f"{name}_half_width", select)),
        )

    def _column(self, name: str, select: dict[str, object]) -> FloatArray:
        if name not in self.readings:
            return np.full(self.order.size, np.nan)
        values = self.readings[name].sel(select).to_numpy()[self.order]
        return np.asarray(values, dtype=np.float64)

    def _energy_mean(self, values: FloatArray, present: BoolArray, count: IntArray) -> FloatArray:
        # Relative to the cell's loudest reading: no level overflows, one reading stays itself.
        if values.size == 0:
            return values
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

    def _steps(
        self, heads: IntArray, channels: dict[Channel, Cells], first: IntArray
    ) -> tuple[str, ...]:
        columns = (self.voltage[heads], self.duty[heads], self.speed[heads])
        names = list(map(_step_name, *(column.tolist() for column in columns)))
        loose = self.loose[heads] > 0
        if loose.any():
            # One level dialled in needs no name; several of one sitting are told apart by it.
            several = np.repeat(_in_each(loose, first) > 1, np.diff(first))
            for cell in np.flatnonzero(loose & several).tolist():
                names[cell] = f"dialled in at {channels[NOISE].values[cell]:.1f} dB"
        states = self.own_state[heads].tolist()
        return tuple(
            f"{name}, {state}" if state else name for name, state in zip(names, states, strict=True)
        )

    def _rooms(self, name: str) -> FloatArray:
        """Give each sitting's room: a number copied down as it is, several by energy."""
        column = self.noted if name == "noted" else _numbers(self.readings, name, self.order.size)
        rows = column[self.order]
        ends = np.append(self.sitting_starts[1:], rows.size)
        parts = zip(self.sitting_starts.tolist(), ends.tolist(), strict=True)
        return np.array([_room_level(rows[a:b]) for a, b in parts])

    def _room_labels(self, found: Sittings) -> tuple[Label, ...]:
        if self.readings.attrs.get("background_per", "row") == "session":
            return found.session_labels
        # A number noted beside several sittings of one session is one reading of the room; a
        # different number is another reading. The value names the note, as a step names a cell.
        noted = self._rooms("noted").tolist()
        pairs = zip(found.session_labels, noted, strict=True)
        return tuple((*label, f"{level:.6g}") for label, level in pairs)


def _in_each(marked: BoolArray, first: IntArray) -> IntArray:
    """Count the marked cells of each sitting."""
    return np.diff(np.concatenate([[0], np.cumsum(marked)])[first])


def _counted(channels: dict[Channel, Cells], first: IntArray) -> IntArray:
    cells = sum((c.repeats for c in channels.values()), np.zeros(first[-1], dtype=np.intp))
    return np.diff(np.concatenate([[0], np.cumsum(cells)])[first])


def _room_level(room: FloatArray) -> float:
    room = room[np.isfinite(room)]
    if room.size == 0:
        return float("nan")
    if room.min() == room.max():
        return float(room[0])  # one reading, copied down
    return float(np.log(np.mean(np.exp(room * _LN10_OVER_10))) / _LN10_OVER_10)


def _lowest_noise(found: Sittings) -> FloatArray:
    """Give the lowest noise that each sitting's session read."""
    names = list(zip(found.labels["rig"].tolist(), found.session_labels, strict=True))
    codes = {name: code for code, name in enumerate(dict.fromkeys(names))}
    session = np.array([codes[name] for name in names], dtype=np.intp)
    lowest = np.full(len(codes), np.inf)
    for (quantity, _), cells in found.channels.items():
        if quantity.startswith("noise"):
            read = np.isfinite(cells.values)
            np.minimum.at(lowest, session[found.owner[read]], cells.values[read])
    return np.where(np.isfinite(lowest), lowest, np.nan)[session]


def _step_name(voltage: float, duty: float, speed: float) -> str:
    if voltage == voltage:
        return f"{voltage:g} V"
    if duty == duty:
        return f"{duty:g} %"
    return f"{speed:g} rpm" if speed == speed else "no drive"


def _text(readings: xr.Dataset, name: str, rows: int) -> np.ndarray:
    if name not in readings.coords:
        return np.full(rows, "1" if name in ("unit", "sitting") else "")
    return np.asarray(readings[name].to_numpy().astype(str))


def _as_read(readings: xr.Dataset, name: str) -> str:
    return name + AS_READ if name + AS_READ in readings.coords else name


def _numbers(readings: xr.Dataset, name: str, rows: int) -> FloatArray:
    if name not in readings:
        return np.full(rows, np.nan)
    return np.asarray(readings[name].to_numpy(), dtype=np.float64)


def _starts(columns: Sequence[FloatArray | IntArray], rows: int) -> IntArray:
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


# Steps dialled in at a level: nobody noted a drive or a speed, the noise says where they stand ----


def placed(sittings: Sittings) -> Sittings:
    """Put steps with neither drive nor speed where the sweep of their own sitting makes the noise.

    The step's noise and what was read at it then stand at one place, so an error of that place
    cancels where the quantity is read off at the level: what is left is the error of setting it.
    """
    loose = loose_cells(sittings)
    counts = _in_each(loose, sittings.first)
    mixed = np.flatnonzero((counts > 0) & (counts < np.diff(sittings.first)))
    for place in mixed.tolist():
        sittings = _placed(sittings, place, loose)
    return sittings


def loose_cells(sittings: Sittings) -> BoolArray:
    """Find cells with noise but neither drive nor speed, shape (cell,)."""
    if NOISE not in sittings.channels:
        return np.zeros(sittings.first[-1], dtype=np.bool_)
    missing = ~np.isfinite(sittings.drives["drive_voltage"])
    missing &= ~np.isfinite(sittings.drives["drive_duty"])
    if SPEED in sittings.channels:
        missing &= ~np.isfinite(sittings.channels[SPEED].values)
    return np.asarray(missing & np.isfinite(sittings.channels[NOISE].values))


def _placed(sittings: Sittings, place: int, all_loose: BoolArray) -> Sittings:
    cells = np.arange(sittings.first[place], sittings.first[place + 1])
    loose, level = all_loose[cells], _fan_level(sittings, place, cells)
    name, at = "", np.full(int(loose.sum()), np.nan)
    for kind, x in _abscissas(sittings, cells):
        swept = np.isfinite(x) & np.isfinite(level) & ~loose
        if swept.sum() > 1:
            found = _on_sweep(x[swept], level[swept], level[loose])
            if np.isfinite(found).any():
                name, at = kind, found
                break
    sittings = _told(sittings, place, name, cells[loose], at)
    if name in DRIVES:
        drive = sittings.drives[name].copy()
        drive[cells[loose]] = at
        return replace(sittings, drives={**sittings.drives, name: drive})
    if name == "speed":
        read = sittings.channels[SPEED]
        values, repeats = read.values.copy(), read.repeats.copy()
        values[cells[loose]] = np.exp(at)
        repeats[cells] = np.where(np.isfinite(values[cells]), 1, repeats[cells])
        moved = read._replace(values=values, repeats=repeats)
        return replace(sittings, channels={**sittings.channels, SPEED: moved})
    return sittings


def _told(
    sittings: Sittings, place: int, abscissa: str, loose: IntArray, at: FloatArray
) -> Sittings:
    """Note where each step dialled in was put, and which have no place."""
    units, where = sittings.units.get("noise", "dB"), sittings[place].words
    noise = sittings.channels[NOISE].values[loose]
    steps = [f"{where}: the step dialled in at {level:.1f} {units}" for level in noise]
    put = tuple(
        f"{step} stands where its sweep makes that noise, at {_named(abscissa, x)}"
        for step, x in zip(steps, at, strict=True)
        if np.isfinite(x)
    )
    lost = tuple(
        f"{step} is not used: its sweep does not make that noise"
        for step, x in zip(steps, at, strict=True)
        if not np.isfinite(x)
    )
    return replace(
        sittings,
        dialled={**sittings.dialled, place: put},
        placeless={**sittings.placeless, place: lost},
    )


def _named(abscissa: str, place: float) -> str:
    if abscissa == "speed":
        return f"{np.exp(place):.0f} rpm"
    return f"{place:.2f} V" if abscissa == "drive_voltage" else f"{place:.1f} %"


def _abscissas(sittings: Sittings, cells: IntArray) -> list[tuple[str, FloatArray]]:
    """List what a sweep may run over, the best first; speed as its logarithm."""
    found = []
    if SPEED in sittings.channels:
        speed = sittings.channels[SPEED].values[cells]
        with np.errstate(divide="ignore", invalid="ignore"):
            found.append(("speed", np.log(np.where(speed > 0, speed, np.nan))))
    return [*found, *((kind, sittings.drives[kind][cells]) for kind in DRIVES)]


def _fan_level(sittings: Sittings, place: int, cells: IntArray) -> FloatArray:
    """Level of the fan alone where the room is known, else as read; NaN in the room's noise."""
    read, room = sittings.channels[NOISE].values[cells], sittings.background[place]
    if not np.isfinite(room):
        return read
    level = np.full(read.shape, np.nan)
    clear = read >= room + ABOVE_ROOM
    level[clear] = subtract_levels(read[clear], np.full(int(clear.sum()), room))[0]
    return level


def _on_sweep(x: FloatArray, level: FloatArray, wanted: FloatArray) -> FloatArray:
    """Find where a sweep makes some levels; NaN beyond its ends."""
    order = np.argsort(x, kind="stable")
    solved = solve_monotone(
        rising(x[order][:, None]), level[order][:, None], wanted[:, None], continues=False
    )
    return np.where(solved.below | solved.above, np.nan, solved.at)[:, 0]


def several_dialled(sittings: Sittings) -> IntArray:
    """Find sittings that hold several levels dialled in and nothing else."""
    counts = _in_each(loose_cells(sittings), sittings.first)
    return np.flatnonzero((counts > 1) & (counts == np.diff(sittings.first)))


def nearest(sittings: Sittings, level: float) -> Sittings:
    """Keep, of several levels dialled in without drive or speed, the one nearest to a target."""
    kept = np.ones(sittings.first[-1], dtype=np.bool_)
    for place in several_dialled(sittings).tolist():
        cells = slice(sittings.first[place], sittings.first[place + 1])
        away = np.abs(sittings.channels[NOISE].values[cells] - level)
        kept[cells] = np.arange(away.size) == np.argmin(away)
    if kept.all():
        return sittings
    return sittings.of_cells(np.flatnonzero(kept), np.arange(len(sittings)))
