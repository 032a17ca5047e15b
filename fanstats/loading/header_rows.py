"""Where a table's header stands, what the table is for, and what its headers may not be."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, Literal

from fanstats.errors import FanstatsError
from fanstats.loading.cells import is_blank
from fanstats.loading.headers import MOST_OBSTRUCTIONS, Header, fold, parse_header
from fanstats.loading.tables import MOST_COLUMNS
from fanstats.quantities import QUANTITIES, canonical_units

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from fanstats.loading.tables import Sheet

__all__ = [
    "LEFT_OUT",
    "MEASURED",
    "Table",
    "checked",
    "column_map",
    "find_table",
    "known_headers",
    "mapping_line",
    "melted",
    "turned",
]

Purpose = Literal["readings", "session facts", "prices", "other"]
ColumnMap = dict[str, str | None]
UnitsRow = tuple[int, str]

LEFT_OUT: Final = "left out on request"
_SEARCHED: Final = 200  # rows in which a header is looked for
_FACTS: Final = frozenset(["background", "ambient", "load"])
MEASURED: Final = frozenset(
    ["noise", "noise_obstructed", "speed", "airflow", "temperature", "temperature_rise"]
)
_DRIVES: Final = frozenset(["drive_voltage", "drive_duty"])
_NUMBER: Final = re.compile(r"\s*[-+<>]?\s*[0-9]")
_KNOWN_UNITS: Final = frozenset(unit for q in QUANTITIES.values() for unit in q.units)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Table:
    """A sheet whose header row has been found.

    Attributes
    ----------
    source, title, separator
        As in `Sheet`.
    headers : tuple of Header
        In the order of the columns.
    header_line : int
        Row of the header; 0 for a data frame.
    rows, lines
        The rows below it.
    """

    source: str
    title: str
    separator: str
    headers: tuple[Header, ...]
    header_line: int
    rows: list[list[object]]
    lines: list[int]

    @property
    def roles(self) -> frozenset[str]:
        """What the known columns hold."""
        return frozenset(header.role for header in self.headers if header.kind != "unknown")

    @property
    def purpose(self) -> Purpose:
        """What the table is for, by its headers alone."""
        roles = self.roles
        if {"model", "price"} <= roles and not roles & (MEASURED | _DRIVES | _FACTS):
            return "prices"
        if "session" in roles and "model" not in roles and roles & _FACTS:
            return "readings" if roles & (MEASURED | _DRIVES) else "session facts"
        return "readings" if roles & (MEASURED | _DRIVES | _FACTS) else "other"

    def cells(self, column: int) -> list[object]:
        """Return one column's cells; what a short row lacks is blank."""
        return [row[column] if column < len(row) else None for row in self.rows]


def column_map(columns: Mapping[str, str | None] | None) -> ColumnMap:
    """Check a user's map of headers and make it insensitive to case and spaces.

    Parameters
    ----------
    columns : mapping of str to str or None, optional
        The user's header against ours; None leaves the column out.

    Returns
    -------
    dict
        Folded header against ours.

    Raises
    ------
    FanstatsError
        If a value is no header of the readings table.
    """
    mapped: ColumnMap = {}
    for theirs, ours in (columns or {}).items():
        if ours is not None:
            header = parse_header(ours)
            if header.kind == "unknown" or header.problem:
                hint = header.problem or f"did you mean {header.suggestion or 'model'!r}?"
                msg = f"`columns[{theirs!r}]` must be a header of the readings table; got {ours!r}"
                msg += f": {hint}"
                raise FanstatsError(msg)
        mapped[fold(theirs)] = ours
    return mapped


def _parse(cell: object, columns: ColumnMap) -> Header:
    text = "" if is_blank(cell) else cell
    if fold(text) not in columns:
        return parse_header(text)
    ours = columns[fold(text)]
    if ours is None:
        return Header(text=" ".join(str(text).split()), suggestion=LEFT_OUT)
    return replace(parse_header(ours), text=" ".join(str(text).split()))


def known_headers(columns: ColumnMap) -> Callable[[object], bool]:
    """Give the test whether a cell is a header the library, or the user's map, knows.

    Parameters
    ----------
    columns : dict
        From `column_map`.

    Returns
    -------
    callable
    """
    return lambda cell: (
        isinstance(cell, str) and (fold(cell) in columns or parse_header(cell).kind != "unknown")
    )


def find_table(sheet: Sheet, columns: ColumnMap, header_row: int | None = None) -> Table | None:
    """Find the header row of a sheet: the first of those with the most known headers.

    Parameters
    ----------
    sheet : Sheet
        Raw cells.
    columns : dict
        From `column_map`.
    header_row : int, optional
        Row number of the header where the user gave it.

    Returns
    -------
    Table or None
        None where no row holds a known header.

    Raises
    ------
    FanstatsError
        If `header_row` is given and is no such row, or the row has too many columns.
    """
    known = known_headers(columns)
    if header_row is not None:
        place = _given_row(sheet, header_row)
    elif sheet.headed:
        place = 0
    else:
        counts = [sum(map(known, row[:MOST_COLUMNS])) for row in sheet.rows[:_SEARCHED]]
        if not any(counts):
            return None
        place = counts.index(max(counts))
    header = sheet.rows[place]
    if len(header) > MOST_COLUMNS:
        msg = f"{sheet.source}, row {sheet.lines[place]}: a table has at most {MOST_COLUMNS} "
        msg += f"columns; found {len(header)}."
        raise FanstatsError(msg)
    if not any(map(known, header)):
        return None
    return Table(
        source=sheet.source,
        title=sheet.title,
        separator=sheet.separator,
        headers=tuple(_parse(cell, columns) for cell in header),
        header_line=sheet.lines[place],
        rows=sheet.rows[place + 1 :],
        lines=sheet.lines[place + 1 :],
    )


def _given_row(sheet: Sheet, header_row: int) -> int:
    if sheet.headed:
        msg = "`header_row` is for files; a data frame's headers are its columns. Leave it out."
        raise FanstatsError(msg)
    if header_row not in sheet.lines:
        msg = f"{sheet.source}: `header_row` must be a row that is not blank; got {header_row!r}."
        raise FanstatsError(msg)
    return sheet.lines.index(header_row)


def checked(table: Table) -> tuple[Table, UnitsRow | None]:
    """Refuse headers that cannot be read as they stand; take units from a row of units.

    Parameters
    ----------
    table : Table
        As found.

    Returns
    -------
    Table
        With units completed and the row of units taken out.
    (int, str) or None
        The row of units, its place and its text, where there is one.

    Raises
    ------
    FanstatsError
        If two columns share a header, a quantity has no unit or a strange one, or a row is
        longer than the header.
    """
    table, units_row = _with_units_row(table)
    _check_second_row(table)
    _check_problems(table)
    _check_duplicates(table)
    named = {header.obstruction for header in table.headers if header.obstruction is not None}
    if len(named) > MOST_OBSTRUCTIONS:
        msg = f"{_header_place(table)}: a bench has at most {MOST_OBSTRUCTIONS} obstructions; "
        msg += f"found {len(named)} in headers. Read the table in parts."
        raise FanstatsError(msg)
    _check_lengths(table)
    return table, units_row


def _header_place(table: Table) -> str:
    return f"{table.source}, header" + (f" (row {table.header_line})" if table.header_line else "")


def _check_second_row(table: Table) -> None:
    """Refuse a header over two rows, such as a quantity merged over its obstructions."""
    row = table.rows[0] if table.rows else []
    below = {p: " ".join(str(c).split()) for p, c in enumerate(row) if not is_blank(c)}
    heads = [header.text for header in table.headers]
    headless = [p for p in below if p < len(heads) and not heads[p] and _holds_numbers(table, p)]
    if not headless or any(char.isdigit() for p in headless for char in below[p]):
        return
    first = headless[0]
    above = next((header for header in table.headers[:first][::-1] if header.text), None)
    name = above.text if above else "airflow [fpm]"
    written = name.replace(" [", f" {below[first]} [") if "[" in name else below[first]
    msg = (
        f"{_header_place(table)}, column {first + 1}: a header stands in one row; found {name!r} "
        f"above {below[first]!r} of row {table.lines[0]}. Write both into one cell, as in "
        f"{written!r}."
    )
    raise FanstatsError(msg)


def _holds_numbers(table: Table, place: int) -> bool:
    cells = [cell for cell in table.cells(place)[1:] if not is_blank(cell)]
    return bool(cells) and all(_NUMBER.match(str(cell)) for cell in cells[:_SEARCHED])


def _check_problems(table: Table) -> None:
    """Refuse headers that cannot be read, with one line that reads the sheet as it is."""
    faulty = [(place, h) for place, h in enumerate(table.headers, start=1) if h.problem]
    if not faulty:
        return
    place, header = faulty[0]
    msg = f"{_header_place(table)}, column {place}: {header.text!r}: {header.problem}."
    if len(faulty) > 1:
        others = ", ".join(f"{h.text!r} (column {place})" for place, h in faulty[1:])
        msg += f" The same goes for {others}."
    line = mapping_line(table)
    if line:
        msg += f" Or read the sheet as it is with {line}, units checked ([columns] in a bench file)"
    raise FanstatsError(msg + "." * bool(line))


def mapping_line(table: Table) -> str:
    """Give the argument that maps all headers of a table that are nearly known.

    Parameters
    ----------
    table : Table
        As found.

    Returns
    -------
    str
        Such as ``columns={'SPL': 'noise [dBA]'}``; empty where a header has no known one near.
    """
    known = [h for h in table.headers if h.kind != "unknown" and not h.problem]
    taken = {header.key for header in known}
    mapped: dict[str, str] = {}
    for header in table.headers:
        near = header.suggestion
        if not near or near == LEFT_OUT:
            if header.problem:
                return ""
            continue
        key = parse_header(near).key
        if key not in taken and header.text not in mapped:
            taken |= {key}
            mapped[header.text] = near
        elif header.problem:
            return ""
    return f"columns={mapped!r}"


def _check_duplicates(table: Table) -> None:
    seen: dict[tuple[str, str], int] = {}
    texts: dict[str, int] = {}
    for place, header in enumerate(table.headers, start=1):
        base = re.sub(r"\.[0-9]+$", "", header.text)
        first = texts.get(base) if header.kind == "unknown" and base != header.text else None
        if header.kind != "unknown":
            first = seen.setdefault(header.key, place)
            texts[header.text] = place
        if first is not None and first != place:
            _refuse_twins(table, first, place)


def _refuse_twins(table: Table, first: int, second: int) -> None:
    one, other = table.headers[first - 1], table.headers[second - 1]
    both = repr(one.text) if one.text == other.text else f"{one.text!r} and {other.text!r}"
    msg = (
        f"{_header_place(table)}: each quantity has one column; found {both} at columns {first} "
        f"and {second}. Name what differs (an obstruction, as in 'airflow wire mesh [fpm]'), or "
        "give repeats rows of their own."
    )
    raise FanstatsError(msg)


def _check_lengths(table: Table) -> None:
    width = len(table.headers)
    for row, line in zip(table.rows, table.lines, strict=True):
        if len(row) > width and not all(map(is_blank, row[width:])):
            msg = (
                f"{table.source}, row {line}: a row has at most as many cells as the header "
                f"({width}); found {len(row)}: {', '.join(map(repr, row[:8]))}. If numbers are "
                "written 31,4, separate the columns by semicolons or put such numbers in quotes."
            )
            raise FanstatsError(msg)


def _with_units_row(table: Table) -> tuple[Table, UnitsRow | None]:
    """Read a row of units right below the header: it says what the headers left out."""
    if not table.rows:
        return table, None
    numeric = [place for place, header in enumerate(table.headers) if header.kind == "number"]
    first = table.rows[0]
    written = {p: first[p] for p in numeric if p < len(first) and not is_blank(first[p])}
    if not written or not all(_is_unit(cell) for cell in written.values()):
        return table, None
    headers = list(table.headers)
    for place, cell in written.items():
        headers[place] = _completed(table, place, str(cell))
    rest = replace(table, headers=tuple(headers), rows=table.rows[1:], lines=table.lines[1:])
    return rest, (table.lines[0], ", ".join(str(cell) for cell in written.values()))


def _is_unit(cell: object) -> bool:
    return isinstance(cell, str) and canonical_units(cell.strip(" []()")) in _KNOWN_UNITS


def _completed(table: Table, place: int, cell: str) -> Header:
    header, unit = table.headers[place], canonical_units(cell.strip(" []()"))
    if header.units is None:
        return replace(parse_header(f"{header.text} [{unit}]"), text=header.text)
    if header.units != unit:
        msg = (
            f"{table.source}, row {table.lines[0]}, column {header.text!r}: header and row of "
            f"units must agree; found {cell!r}. Mend one of them."
        )
        raise FanstatsError(msg)
    return header


def turned(sheet: Sheet, columns: ColumnMap) -> str:
    """Recognise a table with the models across the top; give the line that turns it.

    Parameters
    ----------
    sheet : Sheet
        Raw cells.
    columns : dict
        From `column_map`.

    Returns
    -------
    str
        One line of Python, empty where the table stands upright.
    """
    known = known_headers(columns)
    rows = sheet.rows[:_SEARCHED]
    down = [row[0] for row in rows if row and known(row[0])]
    across = max((sum(map(known, row[:MOST_COLUMNS])) for row in rows), default=0)
    if len(down) < 2 or across > 1:
        return ""
    corner = "" if is_blank(rows[0][0]) else str(rows[0][0])
    rename = "" if fold(corner) == "model" else f".rename(columns={{{corner!r}: 'model'}})"
    if sheet.headed:
        name = repr(corner)
        return f"read_readings(frame.set_index({name}).T.rename_axis('model').reset_index())"
    options = "header=None, index_col=0, dtype=str, keep_default_na=False"
    return f"read_readings({_reader(sheet, options)}.T{rename})"


def melted(table: Table, unknown: Sequence[str]) -> str:
    """Give the line that turns a table with one column a model into one with a model column.

    Parameters
    ----------
    table : Table
        Without a model column.
    unknown : sequence of str
        Headers that may be models.

    Returns
    -------
    str
        One line of Python.
    """
    known = [header.text for header in table.headers if header.kind != "unknown"]
    frame = _reader(table, "dtype=str, keep_default_na=False") if table.header_line else "frame"
    melt = f"{known!r}, {list(unknown)!r}, var_name='model', value_name='noise [dBA]'"
    return f"read_readings({frame}.melt({melt}))"


def _reader(sheet: Sheet | Table, options: str) -> str:
    if sheet.title:
        name = sheet.source.rpartition(", sheet ")[0]
        return f"pd.read_excel({name!r}, sheet_name={sheet.title!r}, {options})"
    separator = "" if sheet.separator == "," else f"sep={sheet.separator!r}, "
    return f"pd.read_csv({sheet.source!r}, {separator}{options})"
