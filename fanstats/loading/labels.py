"""Label columns: text stays text, blanks are never filled by guess, near twins are named."""

from __future__ import annotations

import datetime
import re
import unicodedata
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from fanstats.errors import FanstatsError
from fanstats.loading.cells import is_blank
from fanstats.loading.complaints import Complaint

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

__all__ = [
    "check_dates",
    "fill_down",
    "is_sheet_error",
    "label_text",
    "label_texts",
    "near_twins",
]

_LONGEST: Final = 200  # characters of a label
_INVISIBLE: Final = str.maketrans("", "", "\ufeff\u200b\u2060\u00ad")
_SHEET_ERRORS: Final = frozenset(
    ["#N/A", "#VALUE!", "#REF!", "#DIV/0!", "#NAME?", "#NUM!", "#NULL!", "#SPILL!", "#CALC!"]
)
_DAY_MONTH: Final = re.compile(r"([0-9]{1,2})([/.-])([0-9]{1,2})\2([0-9]{4}|[0-9]{2})")
_ISO: Final = re.compile(r"([0-9]{4})-([0-9]{2})-([0-9]{2})(?:[ T].*)?")


def label_text(cell: Any) -> str:
    """Give a label as text: spaces tidied, nothing else changed; blank cells are empty.

    Parameters
    ----------
    cell : object
        Raw cell. A whole number of a spreadsheet is written without decimals, a date as
        year-month-day.

    Returns
    -------
    str

    Raises
    ------
    FanstatsError
        If the text is longer than 200 characters, or holds control characters.

    Examples
    --------
    >>> label_text(" A12  X"), label_text(1.0), label_text("NA"), label_text(None)
    ('A12 X', '1', 'NA', '')
    """
    if is_blank(cell):
        return ""
    if isinstance(cell, datetime.datetime) and cell.time() == datetime.time():
        return cell.date().isoformat()
    if isinstance(cell, float | np.floating):
        number = float(cell)
        return str(int(number)) if number.is_integer() and abs(number) < 1e15 else f"{number!r}"
    text = unicodedata.normalize("NFC", " ".join(str(cell).translate(_INVISIBLE).split()))
    if len(text) > _LONGEST:
        msg = f"a label has at most {_LONGEST} characters; found {text[:30]!r}... with {len(text)}"
        raise FanstatsError(msg)
    if any(unicodedata.category(letter) in ("Cc", "Cs") for letter in text):
        msg = f"a label is text without control characters; found {text!r}"
        raise FanstatsError(msg)
    return text


def label_texts(
    cells: Sequence[object], lines: Sequence[int], source: str, column: str
) -> list[str]:
    """Give a whole column of labels; each different text is tidied once.

    Parameters
    ----------
    cells : sequence
        Raw cells.
    lines : sequence of int
        Their rows.
    source, column : str
        Words for the place, for messages.

    Returns
    -------
    list of str

    Raises
    ------
    FanstatsError
        As `label_text`, with the place.
    """
    known: dict[str, str] = {}
    texts: list[str] = []
    for cell, line in zip(cells, lines, strict=True):
        text = known.get(cell) if type(cell) is str else None
        if text is None:
            try:
                text = label_text(cell)
            except FanstatsError as error:
                msg = f"{source}, row {line}, column {column!r}: {error}. Shorten or mend it."
                raise FanstatsError(msg) from error
            if type(cell) is str:
                known[cell] = text
        texts.append(text)
    return texts


def is_sheet_error(text: str) -> bool:
    """Tell whether a label is what a spreadsheet shows for a formula that failed."""
    return text in _SHEET_ERRORS or text.startswith("=")


def fill_down(cells: Sequence[object]) -> tuple[list[object], int]:
    """Fill blank cells from the cell above, in a column the user named.

    Parameters
    ----------
    cells : sequence
        Raw cells.

    Returns
    -------
    list
        Filled; blanks above the first text stay.
    int
        How many were filled.

    Examples
    --------
    >>> fill_down(["", "A12", None, "B7"])
    (['', 'A12', 'A12', 'B7'], 1)
    """
    filled: list[object] = []
    count = 0
    above: object = None
    for cell in cells:
        blank = is_blank(cell)
        if not blank:
            above = cell
        elif above is not None:
            count += 1
        filled.append(above if blank and above is not None else cell)
    return filled, count


def _bare(label: str) -> str:
    """Give a label without what people vary by accident."""
    folded = unicodedata.normalize("NFKC", label).casefold()
    date = _ISO.fullmatch(label) or None
    if date is not None:
        return f"date {int(date[1])} {int(date[2])} {int(date[3])}"
    parts = _DAY_MONTH.fullmatch(label)
    if parts is not None:
        return f"date {int(parts[1])} {int(parts[3])} {int(parts[4]) % 100}"
    try:
        return f"number {float(folded)!r}"
    except ValueError:
        return re.sub(r"[\s_–—-]+", "", folded)


def near_twins(labels: Iterable[str]) -> list[tuple[str, ...]]:
    """List labels that differ only in case, spaces, hyphens, leading zeros or date padding.

    Parameters
    ----------
    labels : iterable of str
        Different labels of one kind.

    Returns
    -------
    list of tuple of str
        Each tuple holds two or more, sorted.

    Examples
    --------
    >>> near_twins(["A12", "a12", "B7", "A 12"])
    [('A 12', 'A12', 'a12')]
    """
    groups: dict[str, set[str]] = {}
    for label in labels:
        if label:
            groups.setdefault(_bare(label), set()).add(label)
    return sorted(tuple(sorted(group)) for group in groups.values() if len(group) > 1)


def check_dates(
    cells: Sequence[object], texts: Sequence[str], lines: Sequence[int], source: str, column: str
) -> list[Complaint]:
    """Hold the dates of a label column to one convention.

    Parameters
    ----------
    cells : sequence
        Raw cells.
    texts : sequence of str
        The same cells as labels.
    lines : sequence of int
        Their rows.
    source, column : str
        Words for the place.

    Returns
    -------
    list of Complaint
        About dates written in two forms, which may name one day twice.

    Raises
    ------
    FanstatsError
        If real dates stand among texts that look like dates (a spreadsheet has read some of
        them, perhaps day and month swapped), or if no one order of day and month fits.
    """
    first: dict[str, tuple[int, str]] = {}
    for cell, text, line in zip(cells, texts, lines, strict=True):
        form = _date_form(cell, text)
        if form:
            first.setdefault(form, (line, text))
    clashes = [("a date cell", form) for form in ("day first", "month first", "day/month")]
    for one, other in (*clashes, ("day first", "month first")):
        if one in first and other in first:
            (line, text), (second, twin) = first[one], first[other]
            msg = (
                f"{source}, column {column!r}: dates must be written one way; found {text!r} "
                f"({one}) in row {line} and {twin!r} ({other}) in row {second}. Write all of "
                "them as year-month-day text."
            )
            raise FanstatsError(msg)
    forms = {"text" if form != "year-month-day" else form for form in first if "cell" not in form}
    if len(forms) < 2:
        return []
    line, text = first["year-month-day"]
    return [
        Complaint(
            source=source,
            line=line,
            column=column,
            kind="near-duplicate label",
            rule="dates written in two forms may name one day twice; they are kept apart",
            found=text,
            mend="Write all dates as year-month-day",
            left_out=True,
        )
    ]


def _date_form(cell: object, text: str) -> str:
    if isinstance(cell, datetime.date | np.datetime64):
        return "a date cell"
    if _ISO.fullmatch(text):
        return "year-month-day"
    match = _DAY_MONTH.fullmatch(text)
    if match is None:
        return ""
    if int(match[1]) > 12:
        return "day first"
    return "month first" if int(match[3]) > 12 else "day/month"
