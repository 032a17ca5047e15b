"""Raw cells out of CSV, XLSX and data frames, with the exact place of each cell."""

from __future__ import annotations

import csv
import io
import os
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import IO, Any, Final

import numpy as np
import pandas as pd

from fanstats.errors import FanstatsError
from fanstats.loading.cells import is_blank
from fanstats.loading.workbooks import is_workbook, read_workbook

__all__ = ["MOST_COLUMNS", "Sheet", "TableSource", "read_sheets"]

TableSource = (
    str
    | os.PathLike[str]
    | bytes
    | bytearray
    | memoryview
    | IO[bytes]
    | IO[str]
    | pd.DataFrame
    | Mapping[str, pd.DataFrame]
)

_SEPARATORS: Final = (",", ";", "\t", "|")
_PROBED: Final = 60  # records that decide which separator a file uses
MOST_COLUMNS: Final = 512
_BYTE_ORDER_MARKS: Final = {
    b"\xef\xbb\xbf": "utf-8-sig",
    b"\xff\xfe": "utf-16",
    b"\xfe\xff": "utf-16",
}
_OLD_FORMATS: Final = {
    b"\xd0\xcf\x11\xe0": "an old .xls workbook, or one locked by a password",
    b"%PDF": "a PDF page",
    b"PAR1": "a parquet file",
    b"\x1f\x8b": "a gzip archive",
    b"\x89HDF": "an HDF file",
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sheet:
    """Cells of one table, rows that are blank left out.

    Attributes
    ----------
    source : str
        What messages call it: file, file and sheet, ``"DataFrame"``.
    title : str
        Name of the sheet, empty for a file without sheets.
    rows : list of list
        Raw cells; rows may differ in length.
    lines : list of int
        Row number of each in its source, counted from 1; a data frame's header is row 0.
    separator : str
        What separates the columns of a text file.
    headed : bool
        Whether the first row is the header, whatever stands in it.
    """

    source: str
    title: str = ""
    rows: list[list[object]] = field(default_factory=list)
    lines: list[int] = field(default_factory=list)
    separator: str = ""
    headed: bool = False


def read_sheets(
    source: TableSource,
    *,
    known: Callable[[object], bool],
    name: str | None = None,
    encoding: str | None = None,
    separator: str | None = None,
) -> list[Sheet]:
    """Read all tables of a source, cells as they stand.

    Parameters
    ----------
    source : path, bytes, file object, DataFrame, or mapping of sheet names to DataFrames
        A str is a path, never the text of a table.
    known : callable
        Tells whether a cell is a header the library knows; it decides between separators.
    name : str, optional
        What messages call the source; by default its file name.
    encoding : str, optional
        Of a text file; by default UTF-8, or what its byte order mark says.
    separator : str, optional
        Between the columns of a text file; by default found among comma, semicolon, tab, bar.

    Returns
    -------
    list of Sheet

    Raises
    ------
    FanstatsError
        If the source cannot be opened or is no table.
    """
    if isinstance(source, pd.DataFrame):
        return [_from_frame(source, name or "DataFrame", "")]
    if isinstance(source, Mapping):
        return [
            _from_frame(_checked_frame(frame), f"{name or 'DataFrame'}, sheet {title!r}", title)
            for title, frame in source.items()
        ]
    content, found_name = _content(source)
    called = name or found_name
    if isinstance(content, bytes):
        if is_workbook(content):
            grids = read_workbook(content, called)
            return [
                Sheet(source=f"{called}, sheet {title!r}", title=title, rows=rows, lines=lines)
                for title, (rows, lines) in grids.items()
            ]
        content = _decoded(content, called, encoding)
    return [_from_text(content, called, known, separator)]


def _checked_frame(frame: object) -> pd.DataFrame:
    if isinstance(frame, pd.DataFrame):
        return frame
    msg = f"`source` as a mapping must hold data frames by sheet name; got {type(frame).__name__}."
    raise FanstatsError(msg)


def _content(source: Any) -> tuple[bytes | str, str]:
    if isinstance(source, bytes | bytearray | memoryview):
        return bytes(source), "bytes"
    if isinstance(source, str | os.PathLike):
        return _file_content(source)
    read = getattr(source, "read", None)
    if not callable(read):
        msg = (
            "`source` must be a path, bytes, an open file or a data frame; got "
            f"{type(source).__name__}."
        )
        raise FanstatsError(msg)
    called = getattr(source, "name", None)
    called = Path(called).name if isinstance(called, str) and called else "open file"
    try:
        content = read()
    except Exception as error:  # a closed handle, a wrong encoding: all mean the same here
        msg = f"{called}: cannot be read ({error}). Open it in binary mode and pass it again."
        raise FanstatsError(msg) from error
    if not isinstance(content, bytes | str):
        msg = f"{called}: reading it must give bytes or text; got {type(content).__name__}."
        raise FanstatsError(msg)
    return content, called


def _file_content(source: str | os.PathLike[str]) -> tuple[bytes, str]:
    text = os.fsdecode(source)
    if "\n" in text or "\r" in text:
        msg = "`source` as str is a path; got a text of several lines. Pass io.StringIO(text)."
        raise FanstatsError(msg)
    try:
        return Path(text).read_bytes(), Path(text).name
    except (OSError, ValueError) as error:
        msg = f"{text!r}: cannot be opened ({error}). Check the path."
        raise FanstatsError(msg) from error


def _decoded(content: bytes, name: str, encoding: str | None) -> str:
    for magic, what in _OLD_FORMATS.items():
        if content.startswith(magic):
            msg = f"{name}: {what} is no table. Save it as .xlsx or .csv."
            raise FanstatsError(msg)
    marked = next((e for mark, e in _BYTE_ORDER_MARKS.items() if content.startswith(mark)), None)
    used = encoding or marked or "utf-8"
    try:
        return content.decode(used)
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        msg = (
            f"{name}, row {line}: text must be {used}; found the byte {content[error.start]:#04x}. "
            "Save it as UTF-8, or say encoding='cp1252'."
        )
        raise FanstatsError(msg) from error
    except (LookupError, UnicodeError) as error:
        msg = f"{name}: `encoding` must be one Python knows and the file uses; got {used!r}."
        raise FanstatsError(msg) from error


def _from_text(
    text: str, name: str, known: Callable[[object], bool], separator: str | None
) -> Sheet:
    text = text.removeprefix("\ufeff")
    if "\0" in text:
        line = text.count("\n", 0, text.index("\0")) + 1
        msg = f"{name}, row {line}: a NUL character; this is no text table. Save it as .csv."
        raise FanstatsError(msg)
    stated = re.match(r"sep=(.)\r?\n", text)  # spreadsheets write the separator so
    if stated is not None:
        separator = separator or stated[1]
        text = "\n" + text[stated.end() :]
    chosen = separator or _find_separator(text, known)
    rows, lines = _records(text, chosen, name)
    return Sheet(source=name, rows=rows, lines=lines, separator=chosen)


def _find_separator(text: str, known: Callable[[object], bool]) -> str:
    head = "".join(islice(io.StringIO(text, newline=""), _PROBED))
    best, chosen = (-1, -1), ","
    for candidate in _SEPARATORS:
        try:
            records = list(csv.reader(io.StringIO(head, newline=""), delimiter=candidate))
        except csv.Error:
            continue
        most = max((sum(map(known, record[:MOST_COLUMNS])) for record in records), default=0)
        score = (most, sum(len(record) > 1 for record in records))
        if score > best:
            best, chosen = score, candidate
    return chosen


def _records(text: str, separator: str, name: str) -> tuple[list[list[object]], list[int]]:
    if len(separator) != 1 or separator in '"\r\n ':
        msg = f"`separator` must be one character such as ';'; got {separator!r}."
        raise FanstatsError(msg)
    rows: list[list[object]] = []
    lines: list[int] = []
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    start = 1
    try:
        for record in reader:
            if any(map(str.strip, record)):
                rows.append(list(record))
                lines.append(start)
            start = reader.line_num + 1
    except csv.Error as error:
        msg = (
            f"{name}, row {start}: a quotation mark is opened and not closed, text follows a "
            f"closed one, or a cell is endless ({error}). Mend the quotation marks."
        )
        raise FanstatsError(msg) from error
    return rows, lines


def _from_frame(frame: pd.DataFrame, name: str, title: str) -> Sheet:
    if frame.columns.nlevels > 1:
        msg = f"{name}: headers must stand in one row; found {frame.columns.nlevels} levels."
        msg += " Join them: frame.columns = [' '.join(c) for c in frame.columns]."
        raise FanstatsError(msg)
    if frame.shape[1] + frame.index.nlevels > MOST_COLUMNS:
        msg = f"{name}: a table has at most {MOST_COLUMNS} columns; found {frame.shape[1]}."
        raise FanstatsError(msg)
    levels = [
        (level, frame.index.get_level_values(place))
        for place, level in enumerate(frame.index.names)
        if level is not None and level not in frame.columns
    ]
    header: list[object] = [level for level, _ in levels] + list(frame.columns)
    columns = [_objects(values) for _, values in levels]
    columns += [_objects(frame.iloc[:, place]) for place in range(frame.shape[1])]
    rows: list[list[object]] = [header]
    lines = [0]
    for line, row in enumerate(zip(*columns, strict=True), start=1):
        if not all(map(is_blank, row)):
            rows.append(list(row))
            lines.append(line)
    return Sheet(source=name, title=title, rows=rows, lines=lines, headed=True)


def _objects(values: pd.Series | pd.Index) -> list[object]:
    array = np.asarray(values.astype(object), dtype=object)
    return [str(cell) if isinstance(cell, str) else cell for cell in array]
