"""Which sheet of a source holds readings, which session facts, which prices, which nothing."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from fanstats.errors import FanstatsError
from fanstats.loading.complaints import Complaint, numbered
from fanstats.loading.header_rows import Table, find_table, turned

if TYPE_CHECKING:
    from collections.abc import Sequence

    from fanstats.loading.header_rows import ColumnMap
    from fanstats.loading.tables import Sheet

__all__ = ["Found", "find_tables"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Found:
    """What the sheets of a source are for.

    Attributes
    ----------
    readings, facts, prices : list of Table
        By what they hold.
    complaints : list of Complaint
        About sheets that are not read.
    """

    readings: list[Table] = field(default_factory=list)
    facts: list[Table] = field(default_factory=list)
    prices: list[Table] = field(default_factory=list)
    complaints: list[Complaint] = field(default_factory=list)


def find_tables(
    raw: Sequence[Sheet],
    mapped: ColumnMap,
    header_row: int | None,
    sheets: str | Sequence[str] | None,
) -> Found:
    """Find the tables of readings, of session facts and of prices.

    Parameters
    ----------
    raw : sequence of Sheet
        All sheets of the source.
    mapped : dict
        From `column_map`.
    header_row : int, optional
        Row of the header where the user gave it.
    sheets : str or sequence of str, optional
        Which sheets hold readings: the first that does, ``"all"``, or names.

    Returns
    -------
    Found

    Raises
    ------
    FanstatsError
        If no sheet holds readings, or one that was asked for does not.
    """
    wanted = _wanted(raw, sheets)
    found = Found()
    for sheet in raw:
        table = _table(sheet, mapped, header_row, alone=len(raw) == 1)
        purpose = "other" if table is None else table.purpose
        if table is not None and purpose in ("session facts", "prices"):
            (found.facts if purpose == "session facts" else found.prices).append(table)
        elif wanted is not None and sheet.title in wanted and purpose != "readings":
            raise FanstatsError(_no_header(sheet, mapped))
        elif table is None or purpose == "other":
            found.complaints.extend(_skipped(sheet, "no known headers"))
        elif (wanted is None and found.readings) or (wanted and sheet.title not in wanted):
            rule = "one sheet of readings is read by itself; others must be asked for"
            found.complaints.extend(_skipped(sheet, rule))
        else:
            if turned(sheet, mapped):
                raise FanstatsError(_no_header(sheet, mapped))
            found.readings.append(table)
    if not found.readings:
        raise FanstatsError(_no_readings(raw, mapped))
    return found


def _wanted(raw: Sequence[Sheet], sheets: str | Sequence[str] | None) -> set[str] | None:
    """Give the titles asked for: None for the first that holds readings, empty for all."""
    if sheets is None:
        return None
    if sheets == "all":
        return set()
    given: object = sheets
    asked = {sheets} if isinstance(sheets, str) else set()
    if isinstance(given, Iterable) and not isinstance(given, str):
        asked = {str(title) for title in given}
    titles = [sheet.title for sheet in raw]
    missing = sorted(asked.difference(titles), key=str)
    if missing or not asked:
        listed = ", ".join(map(repr, filter(None, titles))) or "none: this source has no sheets"
        msg = f"`sheets` must be 'all' or names of sheets ({listed}); got {sheets!r}."
        raise FanstatsError(msg)
    return asked


def _table(sheet: Sheet, mapped: ColumnMap, header_row: int | None, *, alone: bool) -> Table | None:
    if header_row is not None and not alone and header_row not in sheet.lines:
        return find_table(sheet, mapped)
    table = find_table(sheet, mapped, header_row)
    if table is None and header_row is not None and not alone:
        return find_table(sheet, mapped)
    return table


def _skipped(sheet: Sheet, rule: str) -> list[Complaint]:
    if not sheet.rows:
        return []
    numbers = any(
        isinstance(cell, int | float | np.number) and not isinstance(cell, bool)
        for row in sheet.rows
        for cell in row
    )
    return [
        Complaint(
            source=sheet.source,
            kind="skipped",
            rule=rule,
            found=numbered(len(sheet.rows), "row"),
            mend=f"Name it: sheets=[{sheet.title!r}], or sheets='all'" if numbers else "",
            left_out=numbers,
        )
    ]


def _no_readings(raw: Sequence[Sheet], mapped: ColumnMap) -> str:
    filled = [sheet for sheet in raw if sheet.rows]
    if not filled:
        names = ", ".join(sheet.source for sheet in raw) or "the source"
        return f"{names}: there is no table; found nothing but blank cells. Check the file."
    return _no_header(filled[0], mapped)


def _no_header(sheet: Sheet, mapped: ColumnMap) -> str:
    line = turned(sheet, mapped)
    if line:
        return (
            f"{sheet.source}: one row is one step of one sitting; found the quantities down the "
            f"first column, so the models stand across the top. Turn it: {line}"
        )
    if not sheet.rows:
        return f"{sheet.source}: there is no table; found nothing but blank cells."
    first = ", ".join(repr(str(cell)[:30]) for cell in sheet.rows[0][:8])
    return (
        f"{sheet.source}, row {sheet.lines[0]}: a table of readings needs a header row with "
        f"'model' and quantities such as 'noise [dBA]'; found {first}. Write the header, say "
        "header_row=, or map yours with columns={'your header': 'noise [dBA]'}."
    )
