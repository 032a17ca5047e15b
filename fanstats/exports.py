"""Tables as text for other programs: nothing in a name is run, and files stand whole or not."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

from fanstats.whole_files import write_aside

if TYPE_CHECKING:
    import os

    import pandas as pd

__all__ = ["FORMULA_MARKS", "csv_text", "for_spreadsheets", "markdown_text", "write_csv"]

# What a spreadsheet takes for the beginning of a formula.
FORMULA_MARKS: Final = ("=", "+", "-", "@", "\t", "\r")


def for_spreadsheets(table: pd.DataFrame) -> pd.DataFrame:
    """Keep text that begins like a formula from being run: a quote is put before it.

    Parameters
    ----------
    table : DataFrame
        Any table; its headings are text as well.

    Returns
    -------
    DataFrame
        A copy.

    Examples
    --------
    >>> import pandas as pd
    >>> for_spreadsheets(pd.DataFrame({"model": ["=1+1", "A"], "-x": [-1.5, 2.0]}))
       model  '-x
    0  '=1+1 -1.5
    1      A  2.0
    """
    guarded = table.map(_guarded)
    guarded.columns = [_guarded(heading) for heading in table.columns]
    return guarded


def _guarded(cell: object) -> object:
    return f"'{cell}" if isinstance(cell, str) and cell.startswith(FORMULA_MARKS) else cell


def csv_text(table: pd.DataFrame) -> str:
    """Give a table as comma-separated values that open safely in a spreadsheet.

    Parameters
    ----------
    table : DataFrame
        Its index is left out.

    Returns
    -------
    str
    """
    return str(for_spreadsheets(table).to_csv(index=False))


def write_csv(table: pd.DataFrame, path: str | os.PathLike[str]) -> Path:
    """Write a table as `csv_text` gives it, whole or not at all.

    Parameters
    ----------
    table : DataFrame
        Its index is left out.
    path : path
        Where to. A file of that name is replaced.

    Returns
    -------
    Path
        `path`.
    """
    text = csv_text(table)
    return write_aside(Path(path), lambda aside: aside.write_bytes(text.encode()))


def markdown_text(table: pd.DataFrame, *, floatfmt: str = ".4g", numparse: bool = True) -> str:
    r"""Give a table as Markdown in which bars and markup in names are text.

    Parameters
    ----------
    table : DataFrame
        Its index is left out.
    floatfmt : str
        How numbers are written.
    numparse : bool
        Whether text that reads like a number is aligned and written as one.

    Returns
    -------
    str

    Examples
    --------
    >>> import pandas as pd
    >>> print(markdown_text(pd.DataFrame({"model": ["a|b", "<i>"]})))
    | model   |
    |:--------|
    | a\|b    |
    | &lt;i>  |
    """
    plain = table.map(_plain)
    plain.columns = [_plain(heading) for heading in table.columns]
    return str(plain.to_markdown(index=False, floatfmt=floatfmt, disable_numparse=not numparse))


def _plain(cell: object) -> object:
    if not isinstance(cell, str):
        return cell
    return " ".join(cell.splitlines()).replace("<", "&lt;").replace("|", "\\|")
