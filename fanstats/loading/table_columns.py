"""The columns of one table that are read, and words on those that are not."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from fanstats.loading.cells import is_blank
from fanstats.loading.complaints import Complaint, numbered
from fanstats.loading.header_rows import LEFT_OUT
from fanstats.loading.headers import fold, parse_header
from fanstats.loading.labels import fill_down, label_texts

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from fanstats.loading.header_rows import Table
    from fanstats.loading.headers import Header

__all__ = ["Columns", "column_of", "read_columns"]

_UNREAD: Final[Mapping[str, str]] = {
    "price": "prices stand in a sheet of their own: model, price [EUR], pack",
    "pack": "prices stand in a sheet of their own: model, price [EUR], pack",
    "repeat": "rows with the same labels are repeats; their number plays no part",
    "date": "the session column names the session; the date plays no part",
}


_RISE: Final = "A rise is headed temperature rise [K], or worked out from temperature and ambient"
_THRESHOLD: Final = "Start and stop are found from rows at 0 rpm: write those steps as rows"
_MEANT: Final[Mapping[str, str]] = {
    "rise": _RISE,
    "delta": _RISE,
    "start": _THRESHOLD,
    "stop": _THRESHOLD,
    "target": "The level to read off at is asked for later, it is no column",
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Columns:
    """Raw cells of the columns that are read.

    Attributes
    ----------
    table : Table
        Where they stand.
    headers : dict of int to Header
        By place, counted from 0.
    cells : dict of int to list
        By place, as many as the table has rows.
    """

    table: Table
    headers: dict[int, Header]
    cells: dict[int, list[object]]

    def place_of(self, role: str) -> int | None:
        """Give the place of a label or text column, None where the table has none."""
        return next((p for p, header in self.headers.items() if header.role == role), None)

    def header_of(self, role: str) -> str:
        """Give the header of a label column as it is written, else the role itself."""
        place = self.place_of(role)
        return role if place is None else self.headers[place].text

    def texts(self, role: str) -> list[str]:
        """Give a label column as tidy texts, empty where the table has none."""
        place = self.place_of(role)
        if place is None:
            return []
        table = self.table
        return label_texts(self.cells[place], table.lines, table.source, self.headers[place].text)


def column_of(name: str, headers: Mapping[int, Header]) -> int | None:
    """Find the column a user means by a name: its header, or what it holds.

    Parameters
    ----------
    name : str
        Such as ``"model"`` or ``"background [dBA]"``.
    headers : mapping of int to Header
        By place.

    Returns
    -------
    int or None
    """
    wanted = parse_header(name)
    exact = [place for place, header in headers.items() if fold(header.text) == fold(name)]
    alike = [
        place
        for place, header in headers.items()
        if wanted.kind != "unknown" and header.key == wanted.key
    ]
    return next(iter([*exact, *alike]), None)


def read_columns(
    table: Table,
    filled: Sequence[str],
    complaints: list[Complaint],
    *,
    wanted: Collection[str] = (),
) -> Columns:
    """Pick the columns that are read, blanks filled from above where the user asked for it.

    Parameters
    ----------
    table : Table
        With headers that have been checked.
    filled : sequence of str
        Columns whose blanks are filled from above.
    complaints : list of Complaint
        What is left out or assumed is added.
    wanted : collection of str
        Roles that a table of readings leaves out and this table is about.

    Returns
    -------
    Columns
    """
    headers: dict[int, Header] = {}
    for place, header in enumerate(table.headers):
        if header.kind == "unknown":
            complaints += _unknown(table, place, header)
        elif header.role == "date" and "session" not in table.roles:
            headers[place] = replace(header, role="session")
            rule = "without a session column the date names the session"
            complaints.append(_about(table, header.text, "assumed", rule))
        elif header.role in _UNREAD and header.role not in wanted:
            rule = _UNREAD[header.role]
            complaints.append(_about(table, header.text, "ignored column", rule))
        else:
            headers[place] = header
    cells = {place: table.cells(place) for place in headers}
    for name in filled:
        target = column_of(name, headers)
        if target is not None:
            cells[target], count = fill_down(cells[target])
            rule = "blank cells filled from above, as asked for"
            about = _about(table, headers[target].text, "assumed", rule, numbered(count, "cell"))
            complaints += [about] if count else []
    return Columns(table=table, headers=headers, cells=cells)


def _about(table: Table, column: str, kind: str, rule: str, found: str = "") -> Complaint:
    return Complaint(source=table.source, column=column, kind=kind, rule=rule, found=found)


def _unknown(table: Table, place: int, header: Header) -> list[Complaint]:
    cells = table.cells(place)
    filled = sum(not is_blank(cell) for cell in cells)
    if not filled and not header.text:
        return []
    column = header.text or f"(no header, column {place + 1})"
    if header.suggestion == LEFT_OUT:
        return [_about(table, column, "ignored column", LEFT_OUT)]
    mend = "Rename it, or map it with columns={...}; columns={header: None} leaves it out"
    if header.suggestion:
        line = f"columns={{{header.text!r}: {header.suggestion!r}}}"
        mend = (
            f"Did you mean {header.suggestion!r}? Rename it, or map it with {line}; "
            "columns={header: None} leaves it out"
        )
    words = set(re.findall(r"[a-z]+", fold(header.text)))
    mend = next((said for word, said in _MEANT.items() if word in words), mend)
    # A data frame written with its index has a first column without a header: 0, 1, 2, ...
    index = not header.text and [str(cell) for cell in cells] == [*map(str, range(len(cells)))]
    return [
        Complaint(
            source=table.source,
            column=column,
            kind="ignored column",
            rule="no header of the readings table",
            found=numbered(filled, "filled cell"),
            mend=mend,
            left_out=filled > 0 and not index,
        )
    ]
