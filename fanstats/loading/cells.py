"""The grammar of cells: numbers, cell uncertainties, limits of a meter's range, stray texts."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from fanstats.errors import FanstatsError
from fanstats.number_format import NumberFormat, to_float
from fanstats.quantities import QUANTITIES, canonical_units, convert

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from fanstats._typing import FloatArray, IntArray

__all__ = [
    "Cell",
    "CellError",
    "Numbers",
    "Percent",
    "first_of",
    "is_blank",
    "parse_cell",
    "read_column",
    "tokens",
]

_LONGEST: Final = 100  # characters of a number with its uncertainty and units
_BLANKS: Final = frozenset(["", "na", "n/a", "nan", "none", "null", "<na>", "-", "–", "—", "."])
_BELOW: Final = frozenset(["lo", "low", "lo.", "under", "underrange", "under range"])
_ABOVE: Final = frozenset(["hi", "high", "ol", "o.l", "over", "overrange", "over range", "ovl"])
_KNOWN_UNITS: Final = frozenset(u for q in QUANTITIES.values() for u in q.units) | {"dB"}
_SPACES: Final = str.maketrans(dict.fromkeys("\t\n\r\u00a0\u2007\u2009\u202f", " "))

_NUMBER: Final = r"(?:[0-9][0-9.,' ]*|[.,][0-9]+)(?:[eE][+-]?[0-9]+)?"
_UNIT: Final = r"[^0-9\s()<>=±+.,'-][^±+<>=]*?"
_CELL: Final = re.compile(
    rf"(?P<sign>[+-]?)\s?(?P<number>{_NUMBER})(?:\((?P<digits>[0-9.,]+)\))?\s*(?P<unit>{_UNIT})?"
    rf"\s*(?:(?:±|\+/-|\+-)\s*(?P<half>{_NUMBER})\s*(?P<half_unit>{_UNIT})?)?"
)
_LIMIT: Final = re.compile(rf"(?P<side>[<>≤≥])=?\s*[+-]?\s?(?P<number>{_NUMBER})\s*(?:{_UNIT})?")
_SHEET_ERROR: Final = re.compile(r"#[A-ZÄÖÜ][A-ZÄÖÜ0-9/_]*[!?]?|#DIV/0!|Err:[0-9]+", re.IGNORECASE)


class Percent(float):
    """A number that a spreadsheet shows as a percentage: 0.4 shown as 40 %."""

    __slots__ = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """What one cell of a numeric column says.

    Attributes
    ----------
    kind : str
        ``"number"``, ``"blank"``, or why there is no number: ``"below range"``, ``"above
        range"``, ``"spreadsheet error"``, ``"unreadable cell"``.
    value, standard, half_width : float
        Reading, its own standard uncertainty, its own half width; NaN where there is none.
    rule, mend : str
        For a cell without a number.
    """

    kind: str
    value: float = math.nan
    standard: float = math.nan
    half_width: float = math.nan
    rule: str = ""
    mend: str = ""


_BLANK: Final = Cell(kind="blank")
_SHEET_FAULT: Final = Cell(
    kind="spreadsheet error",
    rule="the spreadsheet shows an error here, not a reading",
    mend="Mend the formula, or clear the cell",
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Numbers:
    """Readings of one column, with the uncertainties its cells carry (NaN where none)."""

    values: FloatArray
    standard: FloatArray
    half_width: FloatArray

    def take(self, rows: IntArray) -> Numbers:
        """Return the readings of some rows."""
        return self.mapped(lambda array: array[rows])

    def mapped(self, function: Callable[[FloatArray], FloatArray]) -> Numbers:
        """Return the readings with one function applied to each array."""
        return Numbers(
            values=function(self.values),
            standard=function(self.standard),
            half_width=function(self.half_width),
        )

    @classmethod
    def empty(cls, rows: int) -> Numbers:
        """Return `rows` missing readings."""
        return cls(
            values=np.full(rows, np.nan),
            standard=np.full(rows, np.nan),
            half_width=np.full(rows, np.nan),
        )


def first_of(one: Numbers, other: Numbers) -> Numbers:
    """Take the reading of `one`, and of `other` where that is missing.

    Parameters
    ----------
    one, other : Numbers
        Of one length.

    Returns
    -------
    Numbers
    """
    missing = np.isnan(one.values)
    return Numbers(
        values=np.where(missing, other.values, one.values),
        standard=np.where(missing, other.standard, one.standard),
        half_width=np.where(missing, other.half_width, one.half_width),
    )


def is_blank(cell: object) -> bool:
    """Tell whether nothing stands in a cell; the text NA is not nothing.

    Parameters
    ----------
    cell : object
        Raw cell.

    Returns
    -------
    bool

    Examples
    --------
    >>> is_blank("  "), is_blank(float("nan")), is_blank("NA")
    (True, True, False)
    """
    if isinstance(cell, str):
        return not cell.strip("\ufeff\u200b \t\r\n\u00a0")
    if isinstance(cell, float | np.floating):
        return bool(cell != cell)
    if isinstance(cell, Decimal):
        return cell.is_nan()
    if isinstance(cell, np.datetime64 | np.timedelta64):
        return bool(np.isnat(cell))
    return cell is None or cell is pd.NA or cell is pd.NaT


def _tidy(text: str) -> str:
    return (
        text.translate(_SPACES)
        .replace("\ufeff", "")
        .replace("−", "-")
        .replace("’", "'")
        .replace("1/min", "rpm")
        .strip()
    )


def tokens(text: str) -> list[str]:
    """List the numbers in a cell as they are written, none where it is no number.

    Parameters
    ----------
    text : str
        As it stands in the cell.

    Returns
    -------
    list of str

    Examples
    --------
    >>> tokens("34,8 +/- 0,2 dBA"), tokens("windy")
    (['34,8', '0,2'], [])
    """
    if len(text) > _LONGEST:
        return []
    tidy = _tidy(text)
    match = _CELL.fullmatch(tidy) or _LIMIT.fullmatch(tidy)
    if match is None:
        return []
    parts = match.groupdict()
    return [parts[name].strip() for name in ("number", "half") if parts.get(name)]


def parse_cell(
    text: str,
    units: str,
    number_format: NumberFormat | None = None,
    *,
    difference: bool = False,
) -> Cell:
    """Read the text of one cell in a numeric column.

    Parameters
    ----------
    text : str
        As it stands in the cell.
    units : str
        Unit of the column, one spelling; ``""`` for none.
    number_format : NumberFormat, optional
        How numbers are written; point and no thousands by default.
    difference : bool
        Whether the column holds differences, so that the zero of a temperature scale plays no
        part where a cell is in another unit.

    Returns
    -------
    Cell

    Raises
    ------
    FanstatsError
        If the number is written in another format, or carries a unit that the column cannot
        hold. The message lacks the place, which the caller knows.

    References
    ----------
    JCGM 100:2008, 7.2.2, for ``34.8(2)``: the number in brackets is the standard uncertainty in
    the last digits.

    Examples
    --------
    >>> parse_cell("34.8(2) dBA", "dBA").standard
    0.2
    >>> parse_cell("600 fpm +/- 2 %", "fpm").half_width
    12.0
    >>> parse_cell("<30", "dBA").kind
    'below range'
    """
    tidy = _tidy(text)
    folded = tidy.casefold()
    if folded in _BLANKS:
        return _BLANK
    if _SHEET_ERROR.fullmatch(tidy):
        return _SHEET_FAULT
    if tidy.startswith("="):
        return _unreadable(
            "a formula without its stored result", "Open the file in a spreadsheet and save it"
        )
    limit = None if len(tidy) > _LONGEST else _LIMIT.fullmatch(tidy)
    if folded in _BELOW or (limit is not None and limit["side"] in "<≤"):
        return Cell(
            kind="below range",
            rule="a reading below the instrument's range is a limit, not a number",
            mend="Nothing to mend; that step is not used for this quantity",
        )
    if folded in _ABOVE or limit is not None:
        return Cell(
            kind="above range",
            rule="a reading above the instrument's range is a limit, not a number",
            mend="Nothing to mend; that step is not used for this quantity",
        )
    match = None if len(tidy) > _LONGEST else _CELL.fullmatch(tidy)
    if match is None:
        return _unreadable("no number", "Put words into a `note` column, clear the cell")
    return _from_match(match, units, number_format or NumberFormat(), difference)


def _unreadable(rule: str, mend: str) -> Cell:
    return Cell(kind="unreadable cell", rule=rule, mend=mend)


def _from_match(
    match: re.Match[str], units: str, number_format: NumberFormat, difference: bool
) -> Cell:
    own = canonical_units(match["unit"] or units)
    if own != units and own not in _KNOWN_UNITS:
        return _unreadable(
            f"after the number only its unit ({units}) may stand",
            "Put words into a `note` column",
        )
    number = to_float(match["number"], number_format)
    if number is None:
        return _unreadable("no number", "Write one number into the cell")
    value = -number if match["sign"] == "-" else number
    standard = _bracketed(match, number_format)
    if standard is None:
        return _unreadable(
            "digits in brackets directly after the last decimal are its standard uncertainty",
            "Write 34.8(2)",
        )
    half_width = _half_width(match, own, abs(number), number_format)
    if half_width is None:
        return _unreadable(f"after +/- stands a half width in {units} or %", "Write 34.8 +/- 0.2")
    return Cell(
        kind="number",
        value=_in_units(value, own, units, difference=difference),
        standard=_in_units(standard, own, units, difference=True),
        half_width=_in_units(half_width, own, units, difference=True),
    )


def _bracketed(match: re.Match[str], number_format: NumberFormat) -> float | None:
    digits = match["digits"]
    if digits is None:
        return math.nan
    number = match["number"]
    if re.search(r"[eE]|\s$", number):
        return None
    if not digits.isdigit():
        return to_float(digits, number_format)
    decimals = len(number.partition(number_format.decimal)[2])
    return float(f"{digits}e-{decimals}")


def _half_width(
    match: re.Match[str], own: str, size: float, number_format: NumberFormat
) -> float | None:
    if match["half"] is None:
        return math.nan
    half = to_float(match["half"], number_format)
    units = canonical_units(match["half_unit"] or own)
    if half is None or (units not in _KNOWN_UNITS and units != own):
        return None
    if units == "%" and own != "%":
        return half / 100.0 * size
    return _in_units(half, units, own, difference=True)


def _in_units(number: float, units: str, to: str, *, difference: bool = False) -> float:
    if units == to or math.isnan(number):
        return number
    try:
        with np.errstate(all="ignore"):
            return float(convert(number, units, to, difference=difference))
    except FanstatsError as error:
        msg = f"one column holds one unit, here {to}; found {units!r}, which does not convert"
        msg += ". Give it a column of its own, or convert it"
        raise FanstatsError(msg) from error


def _from_object(cell: Any, units: str) -> Cell:
    """Read a cell that is no text: a spreadsheet's or data frame's own number, date or flag."""
    if is_blank(cell):
        return _BLANK
    if isinstance(cell, bool | np.bool_):
        return _unreadable("a truth value is no number", "Write the number")
    if isinstance(cell, Percent):
        if units != "%":
            return _unreadable("a percentage in a column that is not in %", f"Write it in {units}")
        return Cell(kind="number", value=float(cell) * 100.0)
    if hasattr(cell, "nominal_value") and hasattr(cell, "std_dev"):
        return Cell(kind="number", value=float(cell.nominal_value), standard=float(cell.std_dev))
    if isinstance(cell, int | float | np.integer | np.floating | Decimal):
        try:
            return Cell(kind="number", value=float(cell))
        except (OverflowError, ValueError):
            return _unreadable("no number", "Write the number")
    return _unreadable(
        f"a {type(cell).__name__} is no number (spreadsheets turn texts such as 3.4 into dates)",
        "Format the column as a number and write it again",
    )


def read_column(
    cells: Sequence[object],
    units: str,
    number_format: NumberFormat,
    *,
    difference: bool = False,
) -> tuple[Numbers, list[tuple[int, Cell]]]:
    """Read a numeric column; each different text is read once.

    Parameters
    ----------
    cells : sequence
        Raw cells.
    units : str
        Unit of the column.
    number_format : NumberFormat
        How its texts write numbers.
    difference : bool
        As in `parse_cell`.

    Returns
    -------
    Numbers
        As long as `cells`.
    list of (int, Cell)
        Position and reading of every cell that holds something but no number.

    Raises
    ------
    FanstatsError
        As `parse_cell`, with the position of the first such cell as `error.position` and how
        many cells hold the same text.
    """
    raw = np.empty(len(cells), dtype=object)
    raw[:] = cells
    is_text = np.fromiter((type(cell) is str for cell in cells), dtype=bool, count=len(cells))
    codes, texts = pd.factorize(raw[is_text])
    table = [_BLANK]
    places = np.zeros(len(cells), dtype=np.intp)
    text_rows = np.flatnonzero(is_text)
    for code, text in enumerate(texts):
        try:
            table.append(parse_cell(text, units, number_format, difference=difference))
        except FanstatsError as error:
            first = int(text_rows[np.argmax(codes == code)])
            raise CellError(str(error), first, text) from error
    places[text_rows] = codes + 1
    for row in np.flatnonzero(~is_text):
        cell = raw[row]
        if type(cell) is float and cell == cell:
            table.append(Cell(kind="number", value=cell))
        else:
            table.append(_from_object(cell, units))
        places[row] = len(table) - 1
    return _gather(table, places)


class CellError(FanstatsError):
    """A cell that stops the load, with its position in the column and its text."""

    def __init__(self, message: str, position: int, text: str) -> None:
        super().__init__(message)
        self.position = position
        self.text = text


def _gather(table: list[Cell], places: IntArray) -> tuple[Numbers, list[tuple[int, Cell]]]:
    numbers = Numbers(
        values=np.array([cell.value for cell in table])[places],
        standard=np.array([cell.standard for cell in table])[places],
        half_width=np.array([cell.half_width for cell in table])[places],
    )
    faulty = np.array([cell.kind not in ("number", "blank") for cell in table])[places]
    return numbers, [(int(row), table[places[row]]) for row in np.flatnonzero(faulty)]
