"""Readings that do not go with the other readings of their fan."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from fanstats.loading.bench_columns import FLOWS, MEND, VELOCITIES, BenchColumns
from fanstats.loading.complaints import Complaint
from fanstats.loading.fan_laws import DECIBELS_A_DECADE, Fit, fit_sweeps
from fanstats.quantities import convert

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from fanstats._typing import BoolArray, FloatArray, IntArray

__all__ = ["falling_speed", "off_sweep", "whole_fans"]

# Metres the air moves while a fan turns once. From 40 mm to 200 mm fans have 0.02 to 0.3.
_PITCH: Final = (0.002, 3.0)
_PITCH_USUAL: Final = (0.02, 0.4)
# Decades off its sweep from which a cell is doubted; more where its column scatters.
_OFF: Final[Mapping[str, float]] = {
    "drive_voltage": 0.15, "drive_duty": 0.3, "speed": 0.12, "airflow": 0.18, "noise": 0.14,
    "noise_obstructed": 0.16,
}  # fmt: skip
_OFF_PAIR: Final = 0.3  # where only two columns were read, and neither vouches for the other
_OFF_SLIP: Final = 0.6  # from here on three steps are enough to tell
_TIMES_SCATTER: Final = 6.0
_FEWEST: Final = 4
_FEWEST_SLIP: Final = 3
_DECIMAL: Final = (-3.0, -2.0, -1.0, 1.0, 2.0, 3.0)
_NEAR: Final = 0.16  # decades between the size of a slip and what a cell is off by
_SWAPPED: Final = 0.12  # decades that both of two swapped cells are off by
_ABOVE_ROOM: Final = 3.0  # dB from which a fan's own level can be judged (ISO 1996-2, 10.4)
_IN_ROOM: Final = 6.0  # dB above the lowest level, where an unknown room may carry a reading
_VANE: Final = 0.2  # m/s that a hand-held vane may be off near its starting speed
_SETTING: Final = ("drive_voltage", "drive_duty", "speed")
_FALLS: Final = 0.95  # of the speed at a lower drive

# Whole fans ------------------------------------------------------------------------------------


def whole_fans(bench: BenchColumns, never: BoolArray) -> tuple[list[Complaint], set[int]]:
    """Doubt fans whose airflow is in another unit, or in the speed's column, all through.

    Parameters
    ----------
    bench : BenchColumns
        Readings.
    never : ndarray of bool, shape (row, column)
        Cells that are doubted already.

    Returns
    -------
    list of Complaint
        One a fan.
    set of int
        Those fans.
    """
    speed, velocity = bench.column("speed"), bench.velocity
    if velocity is None:
        return [], set()
    wrong = never[:, bench.places("speed", "airflow")].any(axis=1)
    usable = (speed > 0) & np.isfinite(velocity) & ~wrong
    if not usable.any():
        return [], set()
    # Logarithms first: a quotient of absurd readings would overflow.
    metres = np.log10(60.0) + np.log10(velocity[usable]) - np.log10(speed[usable])
    pitch = pd.Series(metres).groupby(bench.fans[usable]).median()
    # The airflow's number over the speed's: what changes its sign when the two are swapped.
    shift = float(np.log10(convert(1.0, "m/s", bench.units("airflow")) / 60.0))
    usual = float(pitch.median()) + shift if len(pitch) > 2 else 0.0
    told: dict[int, Complaint] = {}
    for fan, value in zip(pitch.index.tolist(), pitch.to_list(), strict=True):
        rule, mend = _doubt_fan(bench.units("airflow"), value, value + shift, usual)
        if rule:
            row = int(np.flatnonzero(usable & (bench.fans == fan))[0])
            place = next(p for p in bench.free_places() if bench.values[row, p] > 0)
            found = f"{bench.said(row, place)} at {speed[row]:.6g} rpm, all through this fan"
            told[fan] = bench.doubt(row, rule, found, place, f"{mend} {MEND}")
    return list(told.values()), set(told)


def _doubt_fan(units: str, pitch: float, ratio: float, usual: float) -> tuple[str, str]:
    """Say why a fan is doubted and what may be the matter, empty where it is not."""
    metres = 10.0 ** min(max(pitch, -300.0), 300.0)
    if not _PITCH[0] <= metres <= _PITCH[1]:
        fits = [
            other
            for other in VELOCITIES
            if _PITCH_USUAL[0] <= metres * float(convert(1.0, other, units)) <= _PITCH_USUAL[1]
        ]
        rule = "air moves some 0.02 to 0.3 m while a fan turns once"
        return rule, f"Are the readings in {fits[0]}?" if fits else "Is the unit another one?"
    if abs(usual) > _SWAPPED and abs(ratio + usual) < abs(ratio - usual) / 3.0:
        rule = "speed and airflow of this fan stand the other way round than of the others"
        return rule, "Are the two columns swapped?"
    return "", ""


# Cells off the sweep of their fan --------------------------------------------------------------


def off_sweep(
    bench: BenchColumns, never: BoolArray, fans: set[int]
) -> tuple[list[Complaint], set[int], FloatArray]:
    """Doubt cells that the other cells of their fan do not lead to.

    Parameters
    ----------
    bench : BenchColumns
        Readings.
    never : ndarray of bool, shape (row, column)
        Cells that are doubted already.
    fans : set of int
        Fans that are doubted already.

    Returns
    -------
    list of Complaint
        In the order of the rows.
    set of int
        Rows with such a cell.
    ndarray, shape (row,)
        How far drive and speed of each row are off, in decades.
    """
    places = bench.places(*_OFF)
    if len(places) < 2:
        return [], set(), np.zeros(bench.rows)
    decades = _decades(bench, places)
    decades[never[:, places] | ~bench.turning[:, None]] = np.nan
    fit = fit_sweeps(decades, bench.fans)
    # Where only two columns were read, the whole gap is given to both.
    off = np.where(fit.beside[:, None] == 2, 2.0 * fit.off, fit.off)
    sweep = _Sweep(bench=bench, places=places, decades=decades, fit=fit, off=off)
    far = sweep.far()
    rows = np.flatnonzero(far.any(axis=1) | sweep.may_be_swapped())
    told = {
        row: sweep.swap(row) or sweep.single(row, np.flatnonzero(far[row]).tolist())
        for row in rows.tolist()
        if int(bench.fans[row]) not in fans
    }
    doubts = [doubt for found in told.values() for doubt in found]
    setting = [place for place in range(len(places)) if sweep.name(place) in _SETTING]
    strain = np.nan_to_num(np.abs(fit.off[:, setting])).max(axis=1, initial=0.0)
    return doubts, {row for row, found in told.items() if found}, strain


def _decades(bench: BenchColumns, places: Sequence[int]) -> FloatArray:
    """Put the columns of a sweep on one logarithmic scale; the room is taken off levels."""
    room = bench.column("background")
    parts: list[FloatArray] = []
    for place in places:
        values = bench.values[:, place]
        with np.errstate(all="ignore"):
            if bench.columns[place][0].startswith("noise"):
                alone = 10.0 * np.log10(10 ** (values / 10.0) - 10 ** (room / 10.0))
                above = np.where(values > room + _ABOVE_ROOM, alone, np.nan)
                parts.append(np.where(np.isnan(room), values, above) / DECIBELS_A_DECADE)
            else:
                parts.append(np.where(values > 0, np.log10(values), np.nan))
    decades = np.column_stack(parts)
    return np.where(np.isfinite(decades), decades, np.nan)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Sweep:
    """Cells of all sweeps, and how far each is off."""

    bench: BenchColumns
    places: Sequence[int]
    decades: FloatArray
    fit: Fit
    off: FloatArray

    def name(self, place: int) -> str:
        """Give the variable in one column of the sweep."""
        return self.bench.columns[self.places[place]][0]

    def far(self) -> BoolArray:
        """Cells to doubt."""
        least = np.array([_OFF[self.name(place)] for place in range(len(self.places))])
        pair = self.fit.beside[:, None] == 2
        limit = np.maximum(np.where(pair, _OFF_PAIR, least), _TIMES_SCATTER * self.fit.scatter)
        off, steps = np.abs(self.off), self.fit.steps
        with np.errstate(invalid="ignore"):
            far = (off > limit) & (steps >= _FEWEST)
            far |= (off > _OFF_SLIP) & (steps >= _FEWEST_SLIP)
        excused = self._starting() | self._in_room()
        far &= ~np.where(pair, excused.any(axis=1, keepdims=True), excused)
        return np.asarray(far, dtype=np.bool_)

    def _starting(self) -> BoolArray:
        """Mark velocities off by no more than a vane may be near its starting speed."""
        near: BoolArray = np.zeros(self.off.shape, dtype=np.bool_)
        units = self.bench.units("airflow")
        for place, at in enumerate(self.places):
            if self.name(place) == "airflow" and units in VELOCITIES:
                values = convert(self.bench.values[:, at], units, "m/s")
                with np.errstate(invalid="ignore"):
                    near[:, place] = np.abs(values - values / 10 ** self.off[:, place]) < _VANE
        return near

    def _in_room(self) -> BoolArray:
        """Mark levels that a room nobody read may carry: low ones, louder than expected."""
        carried: BoolArray = np.zeros(self.off.shape, dtype=np.bool_)
        unknown = np.isnan(self.bench.column("background"))
        for place, at in enumerate(self.places):
            if self.name(place).startswith("noise"):
                levels = pd.Series(self.bench.values[:, at])
                lowest = levels.groupby(self.bench.fans).transform("min")
                low = (levels < lowest + _IN_ROOM).to_numpy()
                with np.errstate(invalid="ignore"):
                    carried[:, place] = unknown & low & (self.off[:, place] > 0)
        return carried

    def may_be_swapped(self) -> BoolArray:
        """Rows with two cells off in a way that a swap explains."""
        with np.errstate(invalid="ignore"):
            two = (np.abs(self.fit.off) > _SWAPPED).sum(axis=1) >= 2
        rows: BoolArray = two & (self.fit.steps.max(axis=1) >= _FEWEST_SLIP)
        return rows

    def swap(self, row: int) -> list[Complaint]:
        """Doubt speed and airflow of a row that fit once they change places."""
        names = [self.name(place) for place in range(len(self.places))]
        if "speed" not in names:
            return []
        one = names.index("speed")
        for other in (place for place, name in enumerate(names) if name == "airflow"):
            gap = self.decades[row, other] - self.decades[row, one]
            first, second = self.fit.off[row, one], self.fit.off[row, other]
            after = max(abs(first + gap), abs(second - gap))
            if min(abs(first), abs(second)) > _SWAPPED and after < 0.3 * abs(gap):
                at, to = self.places[one], self.places[other]
                rule = f"this row fits once it changes places with {self.bench.header(to)!r}"
                found = f"{self.bench.said(row, at)} and {self.bench.said(row, to)}"
                return [self.bench.doubt(row, rule, found, at, f"Are the two swapped? {MEND}")]
        return []

    def single(self, row: int, bad: Sequence[int]) -> list[Complaint]:
        """Doubt the cells of a row that are off; with two columns, the two together."""
        if bad and self.fit.beside[row] == 2:
            return self._pair(row)
        return [self._cell(row, place) for place in bad]

    def _pair(self, row: int) -> list[Complaint]:
        one, other = np.flatnonzero(np.isfinite(self.decades[row])).tolist()
        at, to = self.places[one], self.places[other]
        rule = f"it does not go with {self.bench.header(to)!r} as at the other steps of this fan"
        found = f"{self.bench.said(row, at)} and {self.bench.said(row, to)}"
        hint = self._slip(row, one) or self._slip(row, other)
        mend = f"One of the two is off{hint}. {MEND}"
        return [self.bench.doubt(row, rule, found, at, mend)]

    def _cell(self, row: int, place: int) -> Complaint:
        at = self.places[place]
        rule = "it does not go with the other columns as at the other steps of this fan"
        found = f"{self.bench.said(row, at)} where {self._expected(row, place)} would fit"
        hint = self._slip(row, place)
        return self.bench.doubt(row, rule, found, at, f"Is it off{hint}? {MEND}" if hint else MEND)

    def _expected(self, row: int, place: int) -> str:
        value, off = self.bench.values[row, self.places[place]], self.off[row, place]
        if self.name(place).startswith("noise"):
            return f"about {value - DECIBELS_A_DECADE * off:.0f}"
        return f"about {float(f'{value / 10**off:.2g}'):.12g}"  # two digits, no exponent

    def _slip(self, row: int, place: int) -> str:
        """Name the slip that has just the size a cell is off by."""
        name, off = self.name(place), float(self.off[row, place])
        if name.startswith("noise"):
            value = float(self.bench.values[row, self.places[place]])
            wanted = value - DECIBELS_A_DECADE * off
            return " by a decimal point" if abs(10.0 * value - wanted) < 8.0 else ""
        near = [(abs(size - off), " by a decimal point") for size in _DECIMAL]
        if name == "airflow":
            near += [(abs(size - off), words) for words, size in _units(self.bench.units(name))]
        gap, words = min(near)
        return words if gap < _NEAR else ""


def _units(units: str) -> list[tuple[str, float]]:
    """List readings noted in another unit of their kind, and how many decades that makes."""
    family = next((f for f in (VELOCITIES, FLOWS) if units in f), ())
    sizes = [
        (f" by a unit ({other} in a column of {units})", -math.log10(convert(1.0, other, units)))
        for other in family
        if other != units
    ]
    return [(words, size) for words, size in sizes if abs(size) > 0.4]


# Steps out of order ----------------------------------------------------------------------------


def falling_speed(bench: BenchColumns, known: set[int], strain: FloatArray) -> Iterator[Complaint]:
    """Doubt a step whose fan turns more slowly than at a lower drive of the same sitting.

    Parameters
    ----------
    bench : BenchColumns
        Readings.
    known : set of int
        Rows that are doubted already.
    strain : ndarray, shape (row,)
        How far drive and speed of each row are off.

    Yields
    ------
    Complaint
        One a pair of rows, about the one that is farther off; the other is named in it.
    """
    speed = bench.column("speed")
    for kind in ("drive_voltage", "drive_duty"):
        drive = bench.column(kind)
        order = np.lexsort((drive, bench.sittings))
        order = order[(np.isfinite(drive) & (speed > 0))[order]]
        for low, high in _inversions(drive, speed, bench.sittings, order.tolist()):
            if known.isdisjoint((low, high)):
                place = bench.columns.index((kind, None))
                rule = "a fan turns no more slowly at a higher drive: a step is out of order"
                row, other = (low, high) if strain[low] > strain[high] else (high, low)
                found = (
                    f"{speed[row]:.6g} rpm at {bench.said(row, place)}, {speed[other]:.6g} rpm "
                    f"at {bench.said(other, place)} in row {bench.line(other)}"
                )
                mend = f"One of the two rows is off. {MEND}"
                yield bench.doubt(row, rule, found, place, mend)


def _inversions(
    drive: FloatArray, speed: FloatArray, sittings: IntArray, order: Sequence[int]
) -> Iterator[tuple[int, int]]:
    """Go through pairs of rows in which the lower drive has clearly the higher speed."""
    fastest = -1
    for row in order:
        if fastest < 0 or sittings[fastest] != sittings[row]:
            fastest = row
        elif drive[row] > drive[fastest] and speed[row] < _FALLS * speed[fastest]:
            yield fastest, row
        elif speed[row] > speed[fastest]:
            fastest = row
