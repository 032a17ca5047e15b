"""Raw cells out of an XLSX workbook, merged cells filled within their merge."""

from __future__ import annotations

import io
import re
import warnings
import zipfile
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final

import openpyxl
from openpyxl.utils import range_boundaries

from fanstats.errors import FanstatsError
from fanstats.loading.cells import Percent
from fanstats.progress import progress

if TYPE_CHECKING:
    from collections.abc import Iterable

    from openpyxl.workbook import Workbook
    from openpyxl.worksheet.worksheet import Worksheet

    from fanstats.progress import Step

__all__ = ["is_workbook", "read_workbook"]

# A workbook is a compressed archive: what it may unpack to is bounded by its own size.
_UNPACKED_PER_BYTE: Final = 200
_UNPACKED_FREE: Final = 20_000_000
_AREA_PER_CELL: Final = 50
_AREA_FREE: Final = 200_000
# A sheet is known by what is in it: the workbook may keep it under any name.
_SHEET_PART: Final = re.compile(rb"<(?:\w+:)?(?:sheetData|mergeCell)[\s/>]")
_MERGE: Final = re.compile(rb"<(?:\w+:)?mergeCell\s[^>]*?\bref\s*=\s*[\"']([^\"']*)[\"']")
# What a spreadsheet never writes, and what would hide a sheet's extent from a look at its bytes.
_ODD_XML: Final = re.compile(rb"<!DOCTYPE|<\?xml[^>]*encoding\s*=\s*[\"'](?!utf-8|us-ascii)", re.I)
_CELL: Final = re.compile(rb"<(?:\w+:)?c[ />]")
_FORMULA: Final = re.compile(rb"<(?:\w+:)?f[ />]")

Grid = tuple[list[list[object]], list[int]]


def is_workbook(data: bytes) -> bool:
    """Tell whether bytes are a compressed archive, as XLSX files are.

    Parameters
    ----------
    data : bytes
        A file's content.

    Returns
    -------
    bool
    """
    return data[:4] == b"PK\x03\x04"


def read_workbook(data: bytes, name: str) -> dict[str, Grid]:
    """Read every worksheet.

    Parameters
    ----------
    data : bytes
        The file.
    name : str
        What messages call it.

    Returns
    -------
    dict of str to (list of rows, list of int)
        By sheet: the rows that are not blank, and their row numbers counted from 1.

    Raises
    ------
    FanstatsError
        If the file is damaged, is no XLSX workbook, or unpacks to far more than its size.
    """
    cells, has_formulas = _inspect(data, name)
    workbook = _load(data, name, data_only=True)
    formulas = _load(data, name, data_only=False) if has_formulas else None
    sheets: dict[str, Grid] = {}
    for sheet in workbook.worksheets:
        _check_area(sheet, cells, name)
        twin = None if formulas is None else formulas[sheet.title]
        try:
            sheets[sheet.title] = _read_sheet(sheet, twin)
        except Exception as error:  # damaged styles surface only when a cell is looked at
            msg = f"{name}, sheet {sheet.title!r}: cannot be read ({error}). Save it again."
            raise FanstatsError(msg) from error
    return sheets


def _inspect(data: bytes, name: str) -> tuple[int, bool]:
    """Refuse what would unpack to far more than the file; count cells, look for formulas."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            _check_parts(archive, len(data), name)
            parts = [archive.read(part) for part in archive.infolist()]
            _check_xml(parts, name)
            contents = [content for content in parts if _SHEET_PART.search(content)]
            merges = [reference for content in contents for reference in _MERGE.findall(content)]
            merged = sum(map(_area, merges))
    except FanstatsError:
        raise
    except Exception as error:
        raise FanstatsError(_damaged(name, error)) from error
    cells = sum(len(_CELL.findall(content)) for content in contents)
    if merged > _AREA_PER_CELL * cells + _AREA_FREE:
        msg = f"{name}: merged ranges cover {merged} cells, {cells} are filled. Unmerge them."
        raise FanstatsError(msg)
    return cells, any(_FORMULA.search(content) for content in contents)


def _check_parts(archive: zipfile.ZipFile, size: int, name: str) -> None:
    parts = archive.infolist()
    if not any(part.filename == "xl/workbook.xml" for part in parts):
        msg = f"{name}: not an XLSX workbook. Save the table as .xlsx or .csv."
        raise FanstatsError(msg)
    unpacked = sum(part.file_size for part in parts)
    if unpacked > _UNPACKED_PER_BYTE * size + _UNPACKED_FREE:
        msg = f"{name}: {size} bytes unpack to {unpacked}, more than a table needs. Save as .csv."
        raise FanstatsError(msg)


def _check_xml(parts: Iterable[bytes], name: str) -> None:
    for content in parts:
        head = content[:1000]
        if head.startswith((b"\xff\xfe", b"\xfe\xff", b"\0<", b"<\0")) or _ODD_XML.search(head):
            msg = f"{name}: a part of the workbook is written as no spreadsheet writes it (a "
            msg += "document type, or an encoding that is not UTF-8). Open it in a spreadsheet "
            raise FanstatsError(msg + "and save it again.")


def _area(reference: bytes) -> int:
    left, top, right, bottom = range_boundaries(reference.decode("ascii"))
    return (int(right or 0) - int(left or 0) + 1) * (int(bottom or 0) - int(top or 0) + 1)


def _damaged(name: str, error: Exception) -> str:
    return f"{name}: the workbook is damaged ({error}). Open it in a spreadsheet and save it again."


class _Watched(io.BytesIO):
    """A file in memory that says how much of it has been read."""

    def __init__(self, data: bytes, step: Step) -> None:
        super().__init__(data)
        self._step = step

    def read(self, size: int | None = -1, /) -> bytes:
        """Read as usual, and tell."""
        part = super().read(size)
        self._step(len(part))
        return part


def _load(data: bytes, name: str, *, data_only: bool) -> Workbook:
    with warnings.catch_warnings(), progress(len(data), f"reading {name}") as step:
        warnings.simplefilter("ignore")  # about drawings, validation and the like
        try:
            return openpyxl.load_workbook(_Watched(data, step), data_only=data_only)
        except Exception as error:
            raise FanstatsError(_damaged(name, error)) from error


def _check_area(sheet: Worksheet, cells: int, name: str) -> None:
    area = sheet.max_row * sheet.max_column
    if area > _AREA_PER_CELL * cells + _AREA_FREE:
        msg = (
            f"{name}, sheet {sheet.title!r}: reaches to row {sheet.max_row}, column "
            f"{sheet.max_column} with {cells} cells filled. Delete the cells far outside the table."
        )
        raise FanstatsError(msg)


def _read_sheet(sheet: Worksheet, formulas: Worksheet | None) -> Grid:
    fills = _vertical_merges(sheet)
    rows: list[list[object]] = []
    lines: list[int] = []
    for line, cells in enumerate(sheet.iter_rows(), start=1):
        row = [_value(cell) for cell in cells]
        for column in fills.get(line, {}):
            row[column - 1] = _value(sheet.cell(fills[line][column], column))
        if formulas is not None:
            _mark_unsaved(row, cells, formulas)
        if any(value is not None and value != "" for value in row):
            rows.append(row)
            lines.append(line)
    return rows, lines


def _vertical_merges(sheet: Worksheet) -> dict[int, dict[int, int]]:
    """By row and column of a merged cell, the row that holds its value.

    Only the first column of a merge is filled: a cell merged across columns holds one value, and
    which of the columns it belongs to is not for us to say.
    """
    fills: dict[int, dict[int, int]] = {}
    for merge in sheet.merged_cells.ranges:
        for line in range(merge.min_row + 1, merge.max_row + 1):
            fills.setdefault(line, {})[merge.min_col] = merge.min_row
    return fills


def _value(cell: Any) -> object:
    value: object = cell.value
    if isinstance(value, int | float) and not isinstance(value, bool):
        return Percent(value) if _shows_percent(cell.number_format) else value
    return value


@lru_cache(maxsize=256)
def _shows_percent(number_format: str) -> bool:
    return "%" in re.sub(r"\"[^\"]*\"|\\.", "", number_format)


def _mark_unsaved(row: list[object], cells: tuple[Any, ...], formulas: Worksheet) -> None:
    """Write the formula where a file was saved without its result: not a blank cell.

    A formula whose stored result is an empty text is of type "str" and stays blank.
    """
    for place, cell in enumerate(cells):
        if row[place] is None and cell.data_type == "n":
            twin = formulas.cell(cell.row, cell.column)
            if twin.data_type == "f":
                row[place] = twin.value if isinstance(twin.value, str) else "=..."
