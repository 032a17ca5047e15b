"""Results as a workbook: numbers as numbers, text as text, error bars ready to use."""

from __future__ import annotations

import math
import os
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from fanstats.decisions.rank import Ranking, rank
from fanstats.errors import FanstatsError
from fanstats.output.printed import best_scope, ranked_cases
from fanstats.output.summaries import summary
from fanstats.whole_files import write_aside

if TYPE_CHECKING:
    from collections.abc import Iterable

    import xarray as xr
    from openpyxl.cell import Cell
    from openpyxl.workbook import Workbook
    from openpyxl.worksheet.worksheet import Worksheet

__all__ = ["write_workbook"]

_LONGEST_TITLE: Final = 31
_NO_TITLE: Final = re.compile(r"[\[\]:*?/\\\x00-\x1f\x7f]+")
_LONGEST_CELL: Final = 32_767
_WIDEST: Final = 40
_BARS: Final = ("model", "value", "minus", "plus", "low", "high", "units_tested", "status")
_IN_UNITS: Final = ("value", "minus", "plus", "low", "high")
_MOST_PAIRED: Final = 250  # models; a larger square is nothing to read
_SCOPES: Final = {
    "tested unit": "this sample",
    "model": "the typical one",
    "next unit": "the one you would buy",
}


def write_workbook(
    estimates: xr.Dataset, path: str | os.PathLike[str], *, probability: float = 0.95
) -> Path:
    """Write estimates, rankings and pair chances as one workbook.

    The first sheet is the whole summary. Then every quantity, and every obstruction it has, has
    a sheet with one row a model, best first: value, minus and plus stand side by side, as a
    spreadsheet's error bars ask for them; and, up to 250 models, a sheet with the chance that the
    row's model is ahead of the column's.

    Parameters
    ----------
    estimates : xarray.Dataset
        From `equal_noise` and its sisters.
    path : path
        Where the file is to stand; it must end in ``.xlsx``. A file of that name is replaced.
    probability : float
        Coverage probability of the ranges.

    Returns
    -------
    Path
        `path`.

    Raises
    ------
    FanstatsError
        If the path does not end in ``.xlsx`` or cannot be written.

    Notes
    -----
    What is missing is a blank cell. Text that begins like a formula is stored as text and marked
    so, and stays text when somebody edits the cell.
    """
    target = Path(path)
    if target.suffix.lower() != ".xlsx":
        msg = f"`path` must end in .xlsx; got {os.fspath(path)!r}."
        raise FanstatsError(msg)
    book = _book(_tables(estimates, probability))
    try:
        return write_aside(target, book.save)
    except OSError as error:
        msg = f"`path` must be a place that can be written; {os.fspath(path)!r} cannot: "
        raise FanstatsError(msg + f"{error.strerror or error}.") from error


def _tables(estimates: xr.Dataset, probability: float) -> dict[str, pd.DataFrame]:
    whole = summary(estimates, probability=probability)
    words = whole["scope"].map(lambda scope: _SCOPES.get(scope, scope))
    tables = {"Summary": whole.assign(scope=words)}
    for name, obstruction in ranked_cases(estimates):
        ranking = rank(
            estimates,
            quantity=name,
            obstruction=obstruction,
            scope=best_scope(estimates, name),
            probability=probability,
        )
        case = " ".join(filter(None, [name.replace("_", " "), obstruction]))
        tables[case] = _bars(whole[whole["quantity"] == name], ranking)
        if len(ranking.table) <= _MOST_PAIRED:
            tables[f"pairs {case}"] = _chances(ranking)
    return tables


def _bars(whole: pd.DataFrame, ranking: Ranking) -> pd.DataFrame:
    """Give one row a model, best first, with the lengths of its error bar beside the value."""
    own = whole[
        (whole["obstruction"] == (ranking.obstruction or "")) & (whole["scope"] == ranking.scope)
    ].set_index("model")
    bars = own.loc[ranking.table["model"].to_list()].reset_index()[list(_BARS)]
    bars.insert(0, "place", ranking.table["place"].to_numpy())
    units = str(own["units"].iloc[0])
    return bars.rename(columns={column: f"{column} [{units}]" for column in _IN_UNITS})


def _chances(ranking: Ranking) -> pd.DataFrame:
    models = [str(model) for model in ranking.pair_chances["model"].to_numpy()]
    chances = pd.DataFrame(ranking.pair_chances.to_numpy(), columns=models)
    chances.insert(0, "chance that the row is ahead of", models, allow_duplicates=True)
    return chances


def _book(tables: dict[str, pd.DataFrame]) -> Workbook:
    import openpyxl

    book = openpyxl.Workbook()
    for sheet in list(book):
        book.remove(sheet)
    taken: set[str] = set()
    for title, table in tables.items():
        _fill(book.create_sheet(_title(title, taken)), table)
    return book


def _title(text: str, taken: set[str]) -> str:
    """Give a sheet's name: what a spreadsheet allows, and none twice whatever its case."""
    clean = _NO_TITLE.sub(" ", text).strip(" '") or "table"
    name, count = clean[:_LONGEST_TITLE].strip(" '"), 1
    while name.casefold() in taken:
        count += 1
        name = f"{clean[: _LONGEST_TITLE - len(str(count)) - 1].strip()} {count}"
    taken.add(name.casefold())
    return name


def _fill(sheet: Worksheet, table: pd.DataFrame) -> None:
    from openpyxl.styles import Font
    from openpyxl.utils import get_column_letter

    rows: list[Iterable[object]] = [list(table.columns), *table.itertuples(index=False, name=None)]
    for line, row in enumerate(rows, start=1):
        for place, value in enumerate(row, start=1):
            _write(sheet.cell(line, place), value)
    for place, heading in enumerate(table.columns, start=1):
        sheet.cell(1, place).font = Font(bold=True)
        texts = [len(str(cell)) for cell in table.iloc[:, place - 1] if isinstance(cell, str)]
        width = min(_WIDEST, max([len(str(heading)), *texts]) + 2)
        sheet.column_dimensions[get_column_letter(place)].width = float(max(width, 10))
    sheet.freeze_panes = "A2"


def _write(cell: Cell | Any, value: object) -> None:
    if isinstance(value, str):
        from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE

        cell.value = ILLEGAL_CHARACTERS_RE.sub("\ufffd", value)[:_LONGEST_CELL]
        cell.data_type = "s"
        cell.quotePrefix = value.startswith(("=", "+", "-", "@", "\t", "\r", "'"))
    elif isinstance(value, bool | np.bool_):
        cell.value = bool(value)
    elif isinstance(value, int | float | np.integer | np.floating) and math.isfinite(value):
        cell.value = int(value) if isinstance(value, int | np.integer) else float(value)
