"""Numeric columns of one table: one unit each, within what an instrument can read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from fanstats.errors import FanstatsError
from fanstats.loading.cells import CellError, Numbers, read_column, tokens
from fanstats.loading.complaints import Complaint
from fanstats.number_format import NumberFormat, detect_format
from fanstats.quantities import convert

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from fanstats.loading.headers import Header
    from fanstats.loading.table_columns import Columns

__all__ = ["DIFFERENCES", "Key", "Options", "converted", "read_numbers"]

# Variable and obstruction; None where the header names none.
Key = tuple[str, str | None]

# Differences: the zero of a temperature scale plays no part in them.
DIFFERENCES: Final = frozenset(["temperature_rise"])
# What no instrument reads; beyond it a cell is a slip of the pen, and reported as such.
_BOUNDS: Final[dict[str, tuple[float, float]]] = {
    "drive_voltage": (0.0, 1e4), "drive_duty": (0.0, 100.0), "speed": (0.0, 1e6),
    "noise": (-100.0, 300.0), "noise_obstructed": (-100.0, 300.0), "background": (-100.0, 300.0),
    "airflow": (0.0, 1e7), "load": (0.0, 1e7), "price": (0.0, 1e9), "pack": (1.0, 1e6),
    "temperature_rise": (-1e4, 1e4),
}  # fmt: skip
_COLDEST: Final = {"degC": -273.15, "degF": -459.67, "K": 0.0}


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """What the user said about a table: columns to fill down, and how numbers are written."""

    fill_down: tuple[str, ...] = ()
    decimal: str | None = None
    thousands: str | None = None
    title_is_model: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Column:
    """One numeric column's rows that are read."""

    source: str
    header: Header
    cells: Sequence[object]
    lines: Sequence[int]

    def complaint(self, position: int, kind: str, rule: str, mend: str) -> Complaint:
        return Complaint(
            source=self.source,
            line=self.lines[position],
            column=self.header.text,
            kind=kind,
            rule=rule,
            found=str(self.cells[position]).strip()[:200],
            mend=mend,
            left_out=True,
        )


def read_numbers(
    columns: Columns, rows: Sequence[int], options: Options, complaints: list[Complaint]
) -> tuple[dict[Key, Numbers], dict[str, str]]:
    """Read all numeric columns.

    Parameters
    ----------
    columns : Columns
        Raw cells.
    rows : sequence of int
        Positions of the rows to read.
    options : Options
        How numbers are written.
    complaints : list of Complaint
        Cells without a number are added.

    Returns
    -------
    dict of (variable, obstruction) to Numbers
        As long as `rows`.
    dict of str to str
        Unit of each variable.

    Raises
    ------
    FanstatsError
        If numbers are written in another format, or a unit does not fit its column.
    """
    lines = [columns.table.lines[row] for row in rows]
    parts = [
        _Column(
            source=columns.table.source,
            header=header,
            cells=[columns.cells[place][row] for row in rows],
            lines=lines,
        )
        for place, header in columns.headers.items()
        if header.kind == "number"
    ]
    number_format = _number_format(parts, options, columns.table.source, columns.table.separator)
    numbers: dict[Key, Numbers] = {}
    units: dict[str, str] = {}
    for part in parts:
        header, own = part.header, part.header.units or ""
        to = units.setdefault(header.role, own)
        read = _read_part(part, number_format, complaints)
        place = f"{part.source}, column {header.text!r}"
        numbers[header.role, header.obstruction] = converted(
            read, own, to, place, difference=header.role in DIFFERENCES
        )
    return numbers, units


def _number_format(
    parts: Sequence[_Column], options: Options, source: str, separator: str
) -> NumberFormat:
    def texts() -> Iterator[tuple[str, str]]:
        for part in parts:
            seen: set[str] = set()
            for cell, line in zip(part.cells, part.lines, strict=True):
                if type(cell) is str and cell not in seen:
                    seen.add(cell)
                    yield cell, f"row {line}, column {part.header.text!r}"

    try:
        return detect_format(
            texts(),
            tokens,
            decimal=options.decimal,
            thousands=options.thousands,
            separator=separator,
        )
    except FanstatsError as error:
        msg = f"{source}: {error}"
        raise FanstatsError(msg) from error


def _read_part(part: _Column, number_format: NumberFormat, complaints: list[Complaint]) -> Numbers:
    try:
        numbers, faults = read_column(
            part.cells,
            part.header.units or "",
            number_format,
            difference=part.header.role in DIFFERENCES,
        )
    except CellError as error:
        msg = (
            f"{part.source}, row {part.lines[error.position]}, column {part.header.text!r}, cell "
            f"{error.text.strip()!r}: {error}."
        )
        raise FanstatsError(msg) from error
    complaints += [
        part.complaint(position, cell.kind, cell.rule, cell.mend) for position, cell in faults
    ]
    complaints += _fractions(part, numbers)
    return _within_bounds(part, numbers, complaints)


def _within_bounds(part: _Column, numbers: Numbers, complaints: list[Complaint]) -> Numbers:
    role, units = part.header.role, part.header.units or ""
    low, high = _BOUNDS.get(role, (_COLDEST.get(units, -1e6), 1e6))
    with np.errstate(invalid="ignore"):
        outside = (numbers.values < low) | (numbers.values > high)
        odd = (numbers.standard > high - low) | (numbers.half_width > high - low)
    rule = f"{role.replace('_', ' ')} lies within {low:g} to {high:g} {units}".rstrip()
    bad = outside | odd | (numbers.standard < 0)
    complaints += [
        part.complaint(int(at), "unreadable cell", rule, "Mend the number, or clear the cell")
        for at in np.flatnonzero(bad)
    ]
    return numbers.mapped(lambda array: np.where(bad, np.nan, array))


def _fractions(part: _Column, numbers: Numbers) -> list[Complaint]:
    """Doubt a duty column in % that never passes 1: 0.4 written for 40 %."""
    given = numbers.values[numbers.values > 0]
    if part.header.role != "drive_duty" or not given.size or given.max() > 1.0:
        return []
    return [
        Complaint(
            source=part.source,
            column=part.header.text,
            kind="warning",
            rule="a duty in % runs to 100; these look like fractions",
            found=f"at most {given.max():g}",
            mend="Write 40 for 40 %",
            left_out=True,
        )
    ]


def converted(
    numbers: Numbers, units: str, to: str, place: str, *, difference: bool = False
) -> Numbers:
    """Convert a column and its uncertainties.

    Parameters
    ----------
    numbers : Numbers
        In `units`.
    units, to : str
        The unit they are in and the one wanted.
    place : str
        Words for the column.
    difference : bool
        Whether the readings are differences, such as rises of temperature.

    Returns
    -------
    Numbers
        In `to`.

    Raises
    ------
    FanstatsError
        If one does not convert to the other.
    """
    if units == to:
        return numbers
    try:
        return Numbers(
            values=convert(numbers.values, units, to, difference=difference),
            standard=convert(numbers.standard, units, to, difference=True),
            half_width=convert(numbers.half_width, units, to, difference=True),
        )
    except FanstatsError as error:
        msg = (
            f"{place}: one quantity comes in one unit, or in units that convert; found {units!r} "
            f"beside {to!r}. Read them apart, or leave one out."
        )
        raise FanstatsError(msg) from error
