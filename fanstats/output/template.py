"""An empty workbook to type readings into, which read_readings takes as it is."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from fanstats.errors import FanstatsError, one_of
from fanstats.loading.headers import MOST_OBSTRUCTIONS, is_free_air, parse_header
from fanstats.quantities import QUANTITIES, convert
from fanstats.whole_files import write_new

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from openpyxl.workbook import Workbook
    from openpyxl.worksheet.worksheet import Worksheet

__all__ = ["write_template"]

_SKIP: Final = "example row: any text here takes a row out"
_TEMPERATURES: Final = ("degC", "degF", "K")
_CURRENCIES: Final = ("EUR", "USD", "GBP")
_VELOCITIES: Final = ("fpm", "m/s", "km/h", "mph")
_FLOW: Final = {"cfm": 0.1, "m3/h": 0.17, "m3/s": 4.7e-5, "l/s": 0.047, "l/min": 2.8}
_HOW: Final = (
    "One row is one step of one sample on the bench, everything read at that step.",
    "A heading is a quantity, what stands before the fan, and the unit in square brackets. "
    "Units and obstructions may be changed, columns may be added, moved and deleted.",
    "Only the model is needed in each row. Leave a cell blank where nothing was read.",
    "unit: which sample of the model, 1 for the first one bought, 2 for the next.",
    "session: the day or evening; its facts stand once, in the sheet Sessions.",
    "sitting: count up each time the same sample is mounted anew. Two rows of one sitting and "
    "one drive are repeats without touching the fan.",
    "rig: a name for the bench as built, where there is more than one.",
    "drive: volts or percent, whichever was set.",
    "A fan that stands still has 0 in its speed. A level below the meter's range is <30, "
    "with the meter's own limit. A cell may hold its own uncertainty: 34.8(2) or 34.8 +/- 0.2.",
    "note: anything to remember. skip: any text takes the row out; write the reason.",
    "Decimal points or decimal commas, as your spreadsheet does it; units stay in the headings.",
    "Read it with fanstats.read_readings(path) and print fanstats.load_report(readings).",
    "Unplug a fan before touching it, and stay below its rated voltage.",
)


def write_template(
    path: str | os.PathLike[str],
    *,
    obstructions: Sequence[str] = ("none", "wire mesh"),
    noise: str = "dBA",
    airflow: str = "fpm",
    temperature: str = "degC",
    currency: str = "EUR",
) -> Path:
    """Write an empty workbook to type readings into.

    Four sheets: readings, facts of each session, prices, and a page of words. The first row below
    each heading is an example; a text in its column ``skip`` keeps it out of the readings.

    Parameters
    ----------
    path : path
        Where the file is to stand; it must end in ``.xlsx`` and not exist.
    obstructions : sequence of str
        What the fan blows through, one column of airflow each; ``"none"`` is free air.
    noise, airflow, temperature, currency : str
        Units of the headings.

    Returns
    -------
    Path
        `path`.

    Raises
    ------
    FanstatsError
        If the file exists or cannot be written, or a heading would not be read back.

    Examples
    --------
    >>> import tempfile, fanstats as fs
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     write_template(Path(folder) / "fans.xlsx", obstructions=["none", "filter"]).name
    'fans.xlsx'
    """
    units = {
        "noise": one_of("noise", noise, QUANTITIES["noise"].units),
        "airflow": one_of("airflow", airflow, QUANTITIES["airflow"].units),
        "temperature": one_of("temperature", temperature, _TEMPERATURES),
        "price": one_of("currency", currency, _CURRENCIES),
    }
    behind = _checked(obstructions, airflow)
    target = Path(path)
    if target.suffix.lower() != ".xlsx":
        msg = f"`path` must end in .xlsx; got {os.fspath(path)!r}."
        raise FanstatsError(msg)
    return write_new(target, lambda aside: _workbook(behind, units).save(aside))


def _checked(obstructions: Sequence[str], airflow: str) -> list[str]:
    """Refuse obstructions whose heading would not be read back as they are."""
    given: object = obstructions
    if isinstance(given, str) or not all(isinstance(name, str) for name in obstructions):
        msg = f"`obstructions` must be a list of names; got {given!r}."
        raise FanstatsError(msg)
    seen: set[tuple[str, str]] = set()
    for name in obstructions:
        header = parse_header(f"airflow {name} [{airflow}]")
        if header.role != "airflow" or header.obstruction != name or header.key in seen:
            msg = f"`obstructions` must be names such as 'wire mesh', each once; got {name!r}."
            raise FanstatsError(msg)
        seen.add(header.key)
    if not 1 <= len(obstructions) <= MOST_OBSTRUCTIONS:
        msg = f"`obstructions` must be 1 to {MOST_OBSTRUCTIONS} names; got {len(obstructions)}."
        raise FanstatsError(msg)
    return list(obstructions)


def _workbook(behind: Sequence[str], units: Mapping[str, str]) -> Workbook:
    import openpyxl

    book = openpyxl.Workbook()
    for sheet in list(book):
        book.remove(sheet)
    to = units["airflow"]
    flow = float(convert(1.0, "fpm", to)) if to in _VELOCITIES else _FLOW[to]
    readings: dict[str, Any] = {
        "model": "Example 120", "unit": 1, "session": "2026-01-31", "sitting": 1, "rig": "bench",
        "drive [V]": 7.0, "drive [%]": None, "speed [rpm]": 905, f"noise [{units['noise']}]": 31.4,
    }  # fmt: skip
    for name in behind:
        value = (402.0 if is_free_air(name) else 288.0) * flow
        readings[f"airflow {name} [{to}]"] = float(f"{value:.3g}")
    readings |= {f"temperature [{units['temperature']}]": _degrees(56.5, units["temperature"])}
    _sheet(book, "Readings", readings | {"note": "what you want to remember", "skip": _SKIP})
    facts = {
        "session": "2026-01-31", "rig": "bench", f"background [{units['noise']}]": 24.2,
        f"ambient [{units['temperature']}]": _degrees(21.5, units["temperature"]),
        "load [W]": 65, "note": "windows shut", "skip": _SKIP,
    }  # fmt: skip
    _sheet(book, "Sessions", facts)
    price = f"price [{units['price']}]"
    _sheet(book, "Prices", {"model": "Example 120", price: 12.9, "pack": 1, "skip": _SKIP})
    _how(book)
    return book


def _degrees(celsius: float, units: str) -> float:
    return round(float(convert(celsius, "degC", units)), 1)


def _sheet(book: Workbook, title: str, row: Mapping[str, Any]) -> None:
    from openpyxl.styles import Font
    from openpyxl.utils import get_column_letter

    sheet: Worksheet = book.create_sheet(title)
    sheet.append(list(row))
    sheet.append(list(row.values()))
    for place, heading in enumerate(row, start=1):
        sheet.cell(1, place).font = Font(bold=True)
        sheet.cell(2, place).font = Font(italic=True, color="808080")
        width = 42.0 if heading == "skip" else max(10.0, len(heading) + 3.0)
        sheet.column_dimensions[get_column_letter(place)].width = width
        if heading == "session":  # text: a spreadsheet would turn days into dates its own way
            sheet.column_dimensions[get_column_letter(place)].number_format = "@"
            sheet.cell(2, place).number_format = "@"
    sheet.freeze_panes = "B2"


def _how(book: Workbook) -> None:
    from openpyxl.styles import Alignment

    sheet: Worksheet = book.create_sheet("How")
    sheet.column_dimensions["A"].width = 100.0
    for line, sentence in enumerate(_HOW, start=1):
        sheet.cell(line, 1, sentence).alignment = Alignment(wrap_text=True, vertical="top")
