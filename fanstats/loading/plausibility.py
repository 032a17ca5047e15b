"""Readings that physics doubts: typing errors named with row and reason, never corrected.

Judged are readings against what no bench reads at all, against the room, and against the other
readings of the same fan by the fan laws. A doubt is a question to the person who typed the
number: the reading stays as it was written until they mend it.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from fanstats.loading.bare_rows import bare_rows
from fanstats.loading.bench_columns import MEND, VELOCITIES, BenchColumns
from fanstats.loading.fan_laws import medians
from fanstats.loading.off_sweep import falling_speed, off_sweep, whole_fans
from fanstats.loading.same_rows import same_rows
from fanstats.quantities import convert, units_label

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    import xarray as xr

    from fanstats._typing import BoolArray, FloatArray, IntArray
    from fanstats.loading.complaints import Complaint

__all__ = ["implausible"]

# Policy: what no bench for PC fans reads, in these units. The limits are wide on purpose.
_NEVER: Final[Mapping[str, tuple[float, float, str]]] = {
    "drive_voltage": (0.0, 60.0, "V"), "speed": (0.0, 60_000.0, "rpm"),
    "noise": (-10.0, 120.0, ""), "noise_obstructed": (-10.0, 120.0, ""),
    "background": (-10.0, 90.0, ""), "temperature": (-40.0, 200.0, "degC"),
    "ambient": (-40.0, 60.0, "degC"),
}  # fmt: skip
_AIR: Final = (0.0, 100.0, "m/s")
_BELOW_ROOM: Final = 1.0  # dB; three times the scatter of two readings
_COOLER: Final = 1.0  # K below the ambient
_LISTED: Final = 12  # rows of one model and rule that are listed one by one
_TIMES_SCATTER: Final = 6.0  # from the middle of its fan's cells a slip lies farther
_STUCK: Final = 1.15  # ratio of speeds between which a fan's level moves by 3 dB


def implausible(readings: xr.Dataset) -> list[Complaint]:
    """List readings that the physics of a fan on a bench doubts.

    Parameters
    ----------
    readings : xarray.Dataset
        Rows with their labels, as `read_readings` makes them.

    Returns
    -------
    list of Complaint
        Of kind ``"implausible"``; none where there is nothing to doubt.

    Notes
    -----
    Where one of several columns of a row disagrees with the others it is named; where only two
    were read, both are. Of a fan with fewer than three steps only that is said which no bench
    reads, or which contradicts the room.
    """
    if not readings.sizes.get("row", 0):
        return []
    bench = BenchColumns(readings)
    never = _never(bench)
    whole, fans = whole_fans(bench, never)
    cells, rows, strain = off_sweep(bench, never, fans)
    known = rows | set(np.flatnonzero(never.any(axis=1)).tolist())
    doubts = [
        *_about_never(bench, never),
        *_below_room(bench),
        *_cooler_than_ambient(bench),
        *_still_air(bench),
        *same_rows(bench),
        *bare_rows(bench),
        *_stuck_meter(bench),
        *whole,
        *cells,
        *falling_speed(bench, known, strain),
    ]
    return _capped(doubts)


def _capped(doubts: Iterable[Complaint]) -> list[Complaint]:
    """Count what one rule doubts of one column beyond a dozen rows of a model.

    Where the laws do not hold at all, a list of every row would say less, not more.
    """
    groups: dict[tuple[str, ...], list[Complaint]] = {}
    for doubt in doubts:
        model = doubt.found.partition(":")[0]
        groups.setdefault((doubt.source, doubt.column, doubt.rule, model), []).append(doubt)
    told: list[Complaint] = []
    for (*_, model), group in groups.items():
        told += group[:_LISTED]
        if len(group) > _LISTED:
            rest = f"{model}: and {len(group) - _LISTED} more rows"
            told.append(replace(group[_LISTED], line=0, found=rest))
    return told


def _limits(bench: BenchColumns, place: int) -> tuple[float, float, str]:
    name = bench.columns[place][0]
    if name == "airflow" and bench.units(name) in VELOCITIES:
        return _AIR
    low, high, units = _NEVER.get(name, (-math.inf, math.inf, ""))
    return low, high, units or bench.units(name)


def _never(bench: BenchColumns) -> BoolArray:
    """Mark what no bench for these fans reads."""
    cells: BoolArray = np.zeros(bench.values.shape, dtype=np.bool_)
    for place, (name, _) in enumerate(bench.columns):
        low, high, units = _limits(bench, place)
        values = convert(bench.values[:, place], bench.units(name), units)
        with np.errstate(invalid="ignore"):
            outside = (values < low) | (values > high)
        cells[:, place] = outside & _standing_out(values, bench.fans, low, high)
    return cells


def _standing_out(values: FloatArray, fans: IntArray, low: float, high: float) -> BoolArray:
    """Mark what is no part of a wide scatter; all of a fan whose middle is outside is marked."""
    middle = medians(values, fans)
    scatter = 1.4826 * medians(np.abs(values - middle), fans)
    with np.errstate(invalid="ignore"):
        odd: BoolArray = np.abs(values - middle) > _TIMES_SCATTER * scatter
        return odd | (middle < low) | (middle > high)


def _about_never(bench: BenchColumns, cells: BoolArray) -> Iterator[Complaint]:
    for row, place in np.argwhere(cells).tolist():
        low, high, units = _limits(bench, place)
        name = bench.columns[place][0].split("_")[0]
        rule = f"{name} on such a bench lies within {low:g} to {high:g} {units_label(units)}"
        mend = f"Is the decimal point lost, or the unit another one? {MEND}"
        yield bench.doubt(row, rule, bench.said(row, place), place, mend)


def _below_room(bench: BenchColumns) -> Iterator[Complaint]:
    room = bench.column("background")
    for place in bench.places("noise", "noise_obstructed"):
        with np.errstate(invalid="ignore"):
            below = bench.values[:, place] < room - _BELOW_ROOM
        for row in np.flatnonzero(below).tolist():
            rule = "a fan adds to the room's noise, so no reading lies below the room"
            found = f"{bench.said(row, place)} in a room of {room[row]:.4g}"
            yield bench.doubt(row, rule, found, place)


def _cooler_than_ambient(bench: BenchColumns) -> Iterator[Complaint]:
    ambient = bench.column("ambient")
    for place in bench.places("temperature"):
        gap = convert(
            ambient - bench.values[:, place], bench.units("temperature"), "K", difference=True
        )
        with np.errstate(invalid="ignore"):
            cooler = gap > _COOLER
        for row in np.flatnonzero(cooler).tolist():
            rule = "what a fan cools is no cooler than the air it is cooled with"
            found = f"{bench.said(row, place)} in air of {ambient[row]:.4g}"
            mend = f"Are temperature and ambient in each other's column? {MEND}"
            yield bench.doubt(row, rule, found, place, mend)


def _still_air(bench: BenchColumns) -> Iterator[Complaint]:
    speed = bench.column("speed")
    for place in bench.places("airflow"):
        for row in np.flatnonzero((bench.values[:, place] == 0) & (speed > 0)).tolist():
            rule = "a fan that turns moves air: a meter shows 0 below the least it can read"
            mend = "Write that least, as in <30, or clear the cell"
            yield bench.doubt(row, rule, f"0 at {speed[row]:.6g} rpm", place, mend)


def _stuck_meter(bench: BenchColumns) -> Iterator[Complaint]:
    """Doubt the lowest level of a rig where it repeats while the fan slows down.

    Where the room was read, and did not stick at that level itself, a level within a decibel of
    it is the room's and no fault of the meter's. A sweep that never leaves its lowest level is
    doubted only where another fan of the rig sticks there too.
    """
    noise, room = bench.column("noise"), bench.column("background")
    usable = np.isfinite(noise) & bench.turning
    rigs = bench.labels("rig")
    levels = pd.Series(np.where(usable, noise, np.nan))
    lowest = levels.groupby(rigs).transform("min").to_numpy()
    with np.errstate(invalid="ignore"):
        stuck = usable & (noise == lowest) & ~((noise < room + 1.0) & (room != noise))
    found: list[tuple[int, bool, list[int], FloatArray]] = []
    for sitting in np.unique(bench.sittings[stuck]).tolist():
        rows = np.flatnonzero(usable & (bench.sittings == sitting))
        pace = _pace(bench, rows)
        low = stuck[rows]
        if np.nanmin(pace[low], initial=np.inf) * _STUCK <= np.nanmax(pace[low], initial=0.0):
            with np.errstate(invalid="ignore"):
                rises = bool((~low & (pace > np.nanmax(pace[low]))).any())
            found.append((int(rigs[rows[0]]), rises, rows[low].tolist(), pace[low]))
    several = {rig for rig, *_ in found if sum(rig == other for other, *_ in found) > 1}
    for rig, rises, held, pace in found:
        if rises or rig in several:
            yield from _about_stuck(bench, held, pace)


def _pace(bench: BenchColumns, rows: IntArray) -> FloatArray:
    """Give what tells fast steps of a sitting from slow ones: speed, else volts, else duty."""
    for name in ("speed", "drive_voltage", "drive_duty"):
        pace = bench.column(name)[rows]
        if np.isfinite(pace).all() and (pace > 0).all():
            return pace
    return np.full(rows.size, np.nan)


def _about_stuck(bench: BenchColumns, rows: list[int], pace: FloatArray) -> Iterator[Complaint]:
    place = bench.columns.index(("noise", None))
    unit = "rpm" if np.array_equal(pace, bench.column("speed")[rows]) else "of drive"
    rule = (
        "a lowest reading that repeats while the fan slows down is the floor of the meter or of "
        "the room: a limit, not a level"
    )
    found = (
        f"{bench.said(rows[0], place)} at {len(rows)} steps from {pace.min():.6g} to "
        f"{pace.max():.6g} {unit}"
    )
    mend = f"Write <{bench.values[rows[0], place]:g} there, or note the room as background"
    for row in rows:
        yield bench.doubt(row, rule, found, place, mend)
