"""The rows of one table: labels and numbers of those that are readings, words on the others."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from fanstats.errors import FanstatsError
from fanstats.loading.blank_labels import complete_labels
from fanstats.loading.cells import Numbers, is_blank
from fanstats.loading.complaints import Complaint
from fanstats.loading.header_rows import MEASURED, Table, mapping_line, melted
from fanstats.loading.headers import fold
from fanstats.loading.labels import check_dates, is_sheet_error
from fanstats.loading.number_columns import Key, Options, read_numbers
from fanstats.loading.table_columns import Columns, read_columns

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from fanstats._typing import BoolArray
    from fanstats.loading.header_rows import UnitsRow

__all__ = ["LABELS", "Rows", "read_rows"]

LABELS: Final = ("model", "unit", "session", "sitting", "rig", "batch", "obstruction")
_AVERAGES: Final = re.compile(
    r"(mean|means|average|averages|avg\.?|median|sum|total|std\.?|stdev|std\.? dev\.?|sd|"
    r"standard deviation)(\s+(of|over)\s.*|\s*\(.*\))?\s*[:.=]?",
    re.IGNORECASE | re.DOTALL,
)
# Labels that may say so; words in a column of numbers, or under no header, are no label at all.
_AVERAGE_LABELS: Final = ("model", "unit", "session", "sitting")
_NO_SKIP: Final = frozenset(["no", "n", "false", "0", "keep", "-"])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rows:
    """Rows that are readings.

    Attributes
    ----------
    source : str
        As in `Table`.
    lines : ndarray of int
        Their rows.
    labels : dict of str to list of str
        One text a row, "" for blank.
    numbers : dict of (variable, obstruction) to Numbers
        One column each; the obstruction is None where the header names none.
    units : dict of str to str
        By variable.
    rows_in : int
        How many rows that are not blank stood below the header.
    complaints : list of Complaint
        About everything else.
    title : str
        Of the sheet; empty for several.
    """

    source: str
    lines: np.ndarray[tuple[int], np.dtype[np.int64]]
    labels: dict[str, list[str]]
    numbers: dict[Key, Numbers]
    units: dict[str, str]
    rows_in: int
    complaints: list[Complaint] = field(default_factory=list)
    title: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Sieve:
    """Which rows of a table are still in, and why the others are not."""

    table: Table
    complaints: list[Complaint]
    keep: BoolArray

    @property
    def kept(self) -> list[int]:
        return [int(row) for row in np.flatnonzero(self.keep)]

    def drop(
        self,
        which: Iterable[int],
        found: Callable[[int], str],
        *,
        kind: str,
        rule: str,
        column: str = "",
        mend: str = "",
        left_out: bool = False,
    ) -> None:
        """Take rows out, each with its complaint."""
        for row in which:
            if self.keep[row]:
                self.keep[row] = False
                self.complaints.append(
                    Complaint(
                        source=self.table.source,
                        line=self.table.lines[row],
                        column=column,
                        kind=kind,
                        rule=rule,
                        found=found(row)[:200],
                        mend=mend,
                        left_out=left_out,
                    )
                )

    def text(self, row: int) -> str:
        """Give a whole row in words."""
        cells = self.table.rows[row]
        return ", ".join(" ".join(str(cell).split()) for cell in cells if not is_blank(cell))


def read_rows(table: Table, options: Options, units_row: UnitsRow | None = None) -> Rows:
    """Read a table of readings.

    Parameters
    ----------
    table : Table
        With headers that have been checked.
    options : Options
        What the user said.
    units_row : (int, str), optional
        A row of units that has been taken out.

    Returns
    -------
    Rows

    Raises
    ------
    FanstatsError
        For structural faults: no model column, a blank model, a unit that does not fit, numbers
        in another format.
    """
    complaints = _about_units_row(table, units_row)
    _check_model_column(table, options, complaints)
    columns = read_columns(table, options.fill_down, complaints)
    sieve = _Sieve(table=table, complaints=complaints, keep=np.ones(len(table.rows), np.bool_))
    _drop_repeated_headers(sieve, columns)
    _drop_skipped(sieve, columns)
    labels = {role: columns.texts(role) for role in LABELS if columns.place_of(role) is not None}
    labels.setdefault("model", [table.title] * len(table.rows))
    _drop_averages(sieve, labels)
    _drop_label_errors(sieve, columns, labels)
    numbers, units = read_numbers(columns, sieve.kept, options, complaints)
    numbers = _drop_notes(sieve, numbers)
    _list_notes(sieve, columns)
    _check_dates(sieve, columns, labels)
    lines = [table.lines[row] for row in sieve.kept]
    kept = {role: [texts[row] for row in sieve.kept] for role, texts in labels.items()}
    return Rows(
        source=table.source,
        lines=np.array(lines, dtype=np.int64),
        labels=complete_labels(columns, kept, lines, complaints),
        numbers=numbers,
        units=units,
        rows_in=len(table.rows) + (units_row is not None),
        complaints=complaints,
        title=table.title,
    )


def _about_units_row(table: Table, units_row: UnitsRow | None) -> list[Complaint]:
    if units_row is None:
        return []
    line, text = units_row
    rule = "a row of units gives the units of its columns"
    return [Complaint(source=table.source, line=line, kind="note", rule=rule, found=text[:200])]


def _check_model_column(table: Table, options: Options, complaints: list[Complaint]) -> None:
    if "model" in table.roles:
        return
    if options.title_is_model and table.title:
        rule = "without a model column the sheet's name is the model"
        complaints.append(
            Complaint(source=table.source, kind="assumed", rule=rule, found=table.title)
        )
        return
    unknown = [header.text for header in table.headers if header.kind == "unknown" and header.text]
    near = [header.text for header in table.headers if header.suggestion == "model"]
    msg = f"{table.source}: a readings table needs a column 'model'; found "
    msg += ", ".join(repr(header.text) for header in table.headers[:12])
    if near:
        msg += f". Did you mean {near[0]!r}? Map it: {mapping_line(table)} ([columns] in a bench "
        msg += "file)."
    elif len(unknown) > 1 and not table.roles & MEASURED:
        msg += ". If the models stand across the top, turn it (and name what its "
        msg += f"numbers are): {melted(table, unknown)}"
    elif table.title:
        msg += ". Name the column, or say sheets='all' where each sheet is one fan."
    else:
        msg += ". Name the column, or map yours with columns={'your header': 'model'}."
    raise FanstatsError(msg)


def _drop_repeated_headers(sieve: _Sieve, columns: Columns) -> None:
    folded = {place: fold(header.text) for place, header in columns.headers.items()}
    lead = min(folded, default=None)
    if lead is None:
        return
    candidates = (
        row
        for row, cell in enumerate(columns.cells[lead])
        if type(cell) is str and fold(cell) == folded[lead]
    )
    same = [
        row
        for row in candidates
        if all(fold(columns.cells[place][row]) == text for place, text in folded.items())
    ]
    whose_is_open = "model" not in sieve.table.roles
    if whose_is_open:
        _refuse_second_table(sieve, same)
    sieve.drop(
        same,
        sieve.text,
        kind="note",
        rule="a repeated header is no reading",
        mend="If the rows below it are another sweep, give them a sitting" * whose_is_open,
        left_out=whose_is_open,
    )


def _refuse_second_table(sieve: _Sieve, headers: Sequence[int]) -> None:
    """Refuse a header again below a title of its own, where the sheet alone names the model."""
    for row in headers:
        above = sieve.table.rows[row - 1] if row else []
        title = [cell for cell in above if not is_blank(cell)]
        if len(title) == 1 and isinstance(title[0], str):
            msg = (
                f"{sieve.table.source}, row {sieve.table.lines[row]}: a sheet without a model "
                f"column holds one fan; found a second header below {title[0].strip()[:60]!r}. "
                "Give the sheet a column 'model', or each fan a sheet of its own; a further sweep "
                "of the same fan needs a column 'sitting' and no second header."
            )
            raise FanstatsError(msg)


def _drop_skipped(sieve: _Sieve, columns: Columns) -> None:
    reasons = columns.texts("skip")
    for row, reason in enumerate(reasons):
        if reason.casefold() in _NO_SKIP:
            msg = (
                f"{sieve.table.source}, row {sieve.table.lines[row]}, column "
                f"{columns.header_of('skip')!r}: a text here takes the row out; found {reason!r}. "
                "Clear the cell to keep the row, or write the reason."
            )
            raise FanstatsError(msg)
    sieve.drop(
        [row for row, reason in enumerate(reasons) if reason],
        lambda row: reasons[row],
        kind="skipped",
        rule="a text in the skip column takes the row out",
        column=columns.header_of("skip"),
    )


def _drop_averages(sieve: _Sieve, labels: dict[str, list[str]]) -> None:
    headers = enumerate(sieve.table.headers)
    texts: list[Sequence[object]] = [labels.get(role, []) for role in _AVERAGE_LABELS]
    texts += [
        sieve.table.cells(place)
        for place, header in headers
        if header.kind == "number" or not header.text or header.role == "note"
    ]
    averages = {
        row
        for column in texts
        for row, text in enumerate(column)
        if isinstance(text, str) and _AVERAGES.fullmatch(text.strip())
    }
    sieve.drop(
        sorted(averages),
        sieve.text,
        kind="note",
        rule="a row of averages is no reading",
        mend="Nothing to mend if its numbers come from rows of this table",
        left_out=True,
    )


def _drop_label_errors(sieve: _Sieve, columns: Columns, labels: dict[str, list[str]]) -> None:
    for role, texts in labels.items():
        broken = {text for text in set(texts) if is_sheet_error(text)}
        sieve.drop(
            [row for row, text in enumerate(texts) if text in broken],
            sieve.text,
            kind="spreadsheet error",
            rule="the spreadsheet shows an error here, not a label",
            column=columns.header_of(role),
            mend="Mend the formula, save the file in a spreadsheet",
            left_out=True,
        )


def _drop_notes(sieve: _Sieve, numbers: dict[Key, Numbers]) -> dict[Key, Numbers]:
    kept = np.array(sieve.kept, dtype=np.intp)
    holds: BoolArray = np.zeros(kept.size, dtype=np.bool_)
    for column in numbers.values():
        holds |= np.isfinite(column.values)
    rule = "a row without a number is a note"
    sieve.drop([int(row) for row in kept[~holds]], sieve.text, kind="note", rule=rule)
    return {key: column.take(np.flatnonzero(holds)) for key, column in numbers.items()}


def _list_notes(sieve: _Sieve, columns: Columns) -> None:
    place = columns.place_of("note")
    for row in sieve.kept if place is not None else []:
        cell = columns.cells[place][row] if place is not None else None
        if not is_blank(cell):
            sieve.complaints.append(
                Complaint(
                    source=sieve.table.source,
                    line=sieve.table.lines[row],
                    column=columns.header_of("note"),
                    kind="note",
                    rule="written beside a reading",
                    found=" ".join(str(cell).split()),
                )
            )


def _check_dates(sieve: _Sieve, columns: Columns, labels: dict[str, list[str]]) -> None:
    rows = sieve.kept
    for role in ("session", "sitting"):
        place = columns.place_of(role)
        if place is not None:
            sieve.complaints.extend(
                check_dates(
                    [columns.cells[place][row] for row in rows],
                    [labels[role][row] for row in rows],
                    [sieve.table.lines[row] for row in rows],
                    sieve.table.source,
                    columns.header_of(role),
                )
            )
