"""Long tables: one row an obstruction, joined to the free-air row of the same step."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from fanstats.errors import FanstatsError
from fanstats.loading.cells import Numbers, first_of
from fanstats.loading.complaints import Complaint
from fanstats.loading.headers import MOST_OBSTRUCTIONS, is_free_air

if TYPE_CHECKING:
    from collections.abc import Sequence

    from fanstats._typing import BoolArray, IntArray
    from fanstats.loading.number_columns import Key
    from fanstats.loading.table_rows import Rows

__all__ = ["Joined", "join_obstructions", "spread_obstructions"]

_BEHIND: Final = {
    "airflow": "airflow",
    "temperature": "temperature",
    "temperature_rise": "temperature_rise",
    "noise": "noise_obstructed",
}
_CELL: Final = ("model", "unit", "session", "sitting", "rig", "batch")


def spread_obstructions(rows: Rows) -> Rows:
    """Give each obstruction named in a row a column of its own.

    Parameters
    ----------
    rows : Rows
        Rows of one table.

    Returns
    -------
    Rows
        Unchanged where the table has no column ``obstruction``.

    Raises
    ------
    FanstatsError
        If headers name obstructions as well, a reading behind one has a blank label, or there
        are more obstructions than a bench has.
    """
    if "obstruction" not in rows.labels:
        return rows
    _check_headers(rows)
    labels = np.array(rows.labels["obstruction"], dtype=object)
    _check_blanks(rows, labels)
    names = list(dict.fromkeys(label for label in labels if label))
    if len(names) > MOST_OBSTRUCTIONS:
        msg = (
            f"{rows.source}, column 'obstruction': a bench has at most {MOST_OBSTRUCTIONS} "
            f"obstructions; found {len(names)} different labels. Is this a column of notes?"
        )
        raise FanstatsError(msg)
    numbers: dict[Key, Numbers] = {}
    units = dict(rows.units)
    for (role, obstruction), column in rows.numbers.items():
        if role not in _BEHIND:
            numbers[role, obstruction] = column
            continue
        for name in names:
            key: Key = (_BEHIND[role], name)
            if role == "noise" and is_free_air(name):
                key = ("noise", None)
            part = _only(column, labels == name)
            numbers[key] = first_of(numbers[key], part) if key in numbers else part
            units[key[0]] = rows.units[role]
        if role == "noise":
            blank = _only(column, labels == "")
            numbers["noise", None] = first_of(numbers.get(("noise", None), blank), blank)
    return replace(rows, numbers=numbers, units=units)


def _only(column: Numbers, where: BoolArray) -> Numbers:
    return column.mapped(lambda array: np.where(where, array, np.nan))


def _check_headers(rows: Rows) -> None:
    named = [name for _, name in rows.numbers if name is not None]
    if named:
        msg = (
            f"{rows.source}: obstructions stand either in headers or in a column; found both, "
            f"{named[0]!r} in a header and a column 'obstruction'. Keep one."
        )
        raise FanstatsError(msg)


def _check_blanks(rows: Rows, labels: np.ndarray[tuple[int], np.dtype[np.object_]]) -> None:
    for role in ("airflow", "temperature", "temperature_rise"):
        column = rows.numbers.get((role, None))
        if column is None:
            continue
        blank = np.flatnonzero((labels == "") & np.isfinite(column.values))
        if blank.size:
            msg = (
                f"{rows.source}, row {rows.lines[blank[0]]}, column 'obstruction': {role} needs "
                f"to say what stood before the fan; found {blank.size} blank. Write none for "
                "free air, or fill blanks from above with fill_down=['obstruction']."
            )
            raise FanstatsError(msg)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Joined:
    """What joining did.

    Attributes
    ----------
    keep : ndarray of int
        Rows that stay, in their order.
    numbers : dict of (variable, obstruction) to Numbers
        Of the rows that stay.
    own : list of str
        For each row that stays, the obstruction it was read behind as a step of its own; "" for
        a row of free air.
    complaints : list of Complaint
        One where rows were joined.
    """

    keep: IntArray
    numbers: dict[Key, Numbers]
    own: list[str]
    complaints: list[Complaint]


def join_obstructions(rows: Rows) -> Joined:
    """Join rows read behind an obstruction to the free-air row of their step.

    Rows of one key (all labels and the drive) are joined when they have no speed of their own;
    with one, or where another number contradicts the free-air row, they stay rows of their own.
    Which of several repeats a row joins makes no difference: repeats are averaged to one cell.

    Parameters
    ----------
    rows : Rows
        All rows, obstructions spread into columns.

    Returns
    -------
    Joined

    Raises
    ------
    FanstatsError
        If a row names no drive and no speed, and several free-air rows could be its step.
    """
    count = len(rows.lines)
    labels = rows.labels.get("obstruction", [""] * count)
    own = ["" if not label or is_free_air(label) else label for label in labels]
    behind = np.array([bool(label) for label in own], dtype=np.bool_)
    speed = rows.numbers.get(("speed", None))
    candidates = behind if speed is None else behind & np.isnan(speed.values)
    numbers = {key: column.mapped(np.copy) for key, column in rows.numbers.items()}
    step, has_drive = _steps(rows)
    free = np.flatnonzero(~behind)
    _check_placed(rows, step, has_drive, candidates, free)
    place = _nth(step[free])
    target = {(int(step[row]), int(nth)): int(row) for row, nth in zip(free, place, strict=True)}
    gone: BoolArray = np.zeros(count, dtype=np.bool_)
    for name in dict.fromkeys(label for label in own if label):
        these = np.flatnonzero(candidates & (np.array(own, dtype=object) == name))
        pairs = zip(step[these], _nth(step[these]), strict=True)
        goals = np.array([target.get((int(s), int(n)), -1) for s, n in pairs], dtype=np.intp)
        source, goal = these[goals >= 0], goals[goals >= 0]
        agree = _agree(numbers, source, goal)
        _move(numbers, source[agree], goal[agree])
        gone[source[agree]] = True
    keep = np.flatnonzero(~gone)
    return Joined(
        keep=keep,
        numbers={key: column.take(keep) for key, column in numbers.items()},
        own=[own[row] for row in keep],
        complaints=_told(rows, int(gone.sum())),
    )


def _told(rows: Rows, joined: int) -> list[Complaint]:
    if not joined:
        return []
    rule = "rows behind an obstruction joined to the free-air row of their step"
    found = f"{joined} of {len(rows.lines)} rows"
    return [Complaint(source=rows.source, kind="joined", rule=rule, found=found)]


def _steps(rows: Rows) -> tuple[IntArray, BoolArray]:
    count = len(rows.lines)
    frame = pd.DataFrame({name: rows.labels.get(name, [""] * count) for name in _CELL})
    has_drive: BoolArray = np.zeros(count, dtype=np.bool_)
    for role in ("drive_voltage", "drive_duty"):
        column = rows.numbers.get((role, None))
        frame[role] = np.nan if column is None else column.values
        has_drive |= frame[role].notna().to_numpy()
    groups = frame.groupby(list(frame.columns), dropna=False, sort=False).ngroup()
    return np.asarray(groups, dtype=np.intp), has_drive


def _nth(groups: IntArray) -> IntArray:
    return np.asarray(pd.Series(groups).groupby(groups).cumcount(), dtype=np.intp)


def _check_placed(
    rows: Rows, step: IntArray, has_drive: BoolArray, candidates: BoolArray, free: IntArray
) -> None:
    choices = np.bincount(step[free], minlength=int(step.max(initial=0)) + 1)
    unclear = np.flatnonzero(candidates & ~has_drive & (choices[step] > 1))
    if unclear.size:
        msg = (
            f"{rows.source}, row {rows.lines[unclear[0]]}: a row behind an obstruction must name "
            f"its step; found neither drive nor speed, and {choices[step[unclear[0]]]} free-air "
            "rows with the same labels. Write its drive or its speed."
        )
        raise FanstatsError(msg)


def _agree(numbers: dict[Key, Numbers], source: IntArray, goal: IntArray) -> BoolArray:
    agree: BoolArray = np.ones(source.size, dtype=np.bool_)
    for column in numbers.values():
        one, other = column.values[source], column.values[goal]
        agree &= np.isnan(one) | np.isnan(other) | (one == other)
    return agree


def _move(numbers: dict[Key, Numbers], source: Sequence[int] | IntArray, goal: IntArray) -> None:
    for column in numbers.values():
        fresh = np.isnan(column.values[goal])
        for array in (column.standard, column.half_width, column.values):
            array[goal] = np.where(fresh, array[source], array[goal])
