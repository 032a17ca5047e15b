"""Readings of a bench: a table in, labelled readings and every complaint about it out."""

from __future__ import annotations

import json
import warnings
from typing import TYPE_CHECKING, Literal

import numpy as np
import pandas as pd

from fanstats.errors import FanstatsError, FanstatsWarning
from fanstats.loading.assembly import assembled, put_together
from fanstats.loading.complaints import Complaint, numbered, sentences, summary, to_json
from fanstats.loading.contents import what_was_read
from fanstats.loading.header_rows import checked, column_map, known_headers
from fanstats.loading.headers import fold
from fanstats.loading.labels import near_twins
from fanstats.loading.long_form import spread_obstructions
from fanstats.loading.number_columns import Options
from fanstats.loading.plausibility import implausible
from fanstats.loading.sheet_roles import find_tables
from fanstats.loading.sheet_sessions import with_sheets_as_sessions
from fanstats.loading.side_sheets import read_facts, read_prices, usual_offers
from fanstats.loading.table_columns import column_of
from fanstats.loading.table_rows import read_rows
from fanstats.loading.tables import read_sheets
from fanstats.progress import progress

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import xarray as xr

    from fanstats.loading.header_rows import ColumnMap, Table
    from fanstats.loading.sheet_roles import Found
    from fanstats.loading.side_sheets import Facts, Offer
    from fanstats.loading.table_rows import Rows
    from fanstats.loading.tables import TableSource
    from fanstats.progress import Step

__all__ = ["load_report", "read_readings"]


def read_readings(
    source: TableSource,
    *,
    columns: Mapping[str, str | None] | None = None,
    sheets: str | Sequence[str] | None = None,
    fill_down: str | Sequence[str] = (),
    header_row: int | None = None,
    decimal: Literal[".", ","] | None = None,
    thousands: str | None = None,
    separator: str | None = None,
    encoding: str | None = None,
    name: str | None = None,
    allow_repeats: bool = True,
) -> xr.Dataset:
    r"""Read a table of bench readings.

    One row is one step of one sitting. A header is a quantity, an optional obstruction, and the
    unit in square brackets: ``noise [dBA]``, ``airflow wire mesh [fpm]``. Nothing is guessed and
    nothing dropped in silence: `load_report` lists all that was left out or assumed, and one
    warning says so.

    Parameters
    ----------
    source : path, bytes, open file, DataFrame, or mapping of sheet names to DataFrames
        CSV (comma, semicolon, tab or bar) or XLSX.
    columns : mapping of str to str or None, optional
        Your header against the library's, such as ``{"SPL": "noise [dBA]"}``; None leaves the
        column out. Case and spaces make no difference.
    sheets : str or sequence of str, optional
        Sheets that hold readings. By default the first one that does; ``"all"`` reads every one
        of them, and where they have no column ``model`` the sheet's name is the model. Sheets
        with facts of each session (``session, background [dBA], ...``) and with prices
        (``model, price [EUR], pack``) are found in any case.
    fill_down : str or sequence of str
        Columns whose blank cells repeat the cell above. No other column is filled.
    header_row : int, optional
        Row of the header, counted from 1, where it is not found by itself.
    decimal, thousands : str, optional
        Marks in numbers written as text. By default found from cells that leave no doubt.
    separator, encoding : str, optional
        Of a text file.
    name : str, optional
        What messages call the source.
    allow_repeats : bool
        False refuses two rows of the same labels and drive.

    Returns
    -------
    xarray.Dataset
        Dimension ``row``, and ``obstruction`` where headers or rows name obstructions; labels as
        coordinates, readings as variables with ``units`` and ``long_name``. Attributes:
        ``report`` (JSON), ``rows_in`` = ``rows_used`` + ``rows_reported``, ``prices`` (JSON, one
        offer a model), ``offers`` (JSON, all of them, where a model has several),
        ``background_per`` and ``ambient_per`` (``"row"`` or ``"session"``).

    Raises
    ------
    FanstatsError
        If the table cannot be read as it stands; the message names file, row, column, the rule,
        what was found and the mend.

    Warns
    -----
    FanstatsWarning
        Once, if anything was left out that may matter.

    Examples
    --------
    >>> import io
    >>> text = "model,drive [V],noise [dBA]\nA12,7,25.2\nA12,12,36.0(2)\n"
    >>> readings = read_readings(io.StringIO(text))
    >>> readings["noise"].values.tolist(), readings["noise_standard"].values.tolist()
    ([25.2, 36.0], [nan, 0.2])
    """
    mapped = column_map(columns)
    options = _options(fill_down, decimal, thousands, sheets)
    raw = read_sheets(
        source,
        known=known_headers(mapped),
        name=name,
        encoding=encoding,
        separator=separator,
    )
    found = find_tables(raw, mapped, header_row, sheets)
    complaints = found.complaints
    _check_names(found, mapped, options, complaints)
    with progress(len(found.readings) + 2, "reading rows") as step:
        rows = _all_rows(found, options, step)
        prices = _prices(found, rows, options, complaints)
        facts = [_facts(table, options, complaints) for table in found.facts]
        readings = assembled(rows, facts, complaints)
        step()
        _check_repeats(readings, allow_repeats, complaints)
        complaints += _stalled(readings) + _twins(readings) + implausible(readings)
        step()
    used = len(rows.lines)
    readings.attrs |= {
        "report": to_json(complaints),
        "rows_in": rows.rows_in,
        "rows_used": used,
        "rows_reported": rows.rows_in - used,
    }
    readings.attrs |= prices
    told = summary(complaints, found.readings[0].source)
    if told:
        warnings.warn(told, FanstatsWarning, stacklevel=2)
    return readings


def load_report(readings: xr.Dataset) -> str:
    r"""Say in sentences what was read, joined, left out, assumed or noticed, and why.

    Parameters
    ----------
    readings : xarray.Dataset
        From `read_readings`.

    Returns
    -------
    str
        One sentence a line: the count of rows, what was read, then everything else.

    Raises
    ------
    FanstatsError
        If the Dataset carries no report.

    Examples
    --------
    >>> import io
    >>> text = "model,drive [V],noise [dBA]\nA12,7,25.2\nmoved the desk,,\n"
    >>> print(load_report(read_readings(io.StringIO(text))).splitlines()[0])
    2 rows in: 1 used, 1 reported.
    """
    try:
        entries = json.loads(readings.attrs["report"])
        counts = [readings.attrs[key] for key in ("rows_in", "rows_used", "rows_reported")]
    except (KeyError, TypeError, ValueError) as error:
        msg = "`readings` must come from read_readings; its attributes hold no report."
        raise FanstatsError(msg) from error
    head = f"{numbered(counts[0], 'row')} in: {counts[1]} used, {counts[2]} reported."
    lines = [head, what_was_read(readings), *sentences(entries)]
    return "\n".join(line for line in lines if line)


# What the user said ----------------------------------------------------------------------------


def _options(
    fill_down: str | Sequence[str],
    decimal: str | None,
    thousands: str | None,
    sheets: str | Sequence[str] | None,
) -> Options:
    marks = {".": ".", ",": ",", " ": " ", "'": "'", "’": "'", "\u00a0": " ", "\u202f": " "}
    if decimal not in (None, ".", ","):
        msg = f"`decimal` must be '.', ',' or None; got {decimal!r}."
        raise FanstatsError(msg)
    if thousands not in (None, "", *marks):
        msg = f"`thousands` must be one of '.', ',', ' ', \"'\", or None; got {thousands!r}."
        raise FanstatsError(msg)
    if thousands and thousands == decimal:
        msg = f"`thousands` and `decimal` must differ; got {decimal!r} for both."
        raise FanstatsError(msg)
    return Options(
        fill_down=(fill_down,) if isinstance(fill_down, str) else tuple(fill_down),
        decimal=decimal,
        thousands=marks[thousands] if thousands else None,
        title_is_model=sheets is not None,
    )


def _check_names(
    found: Found, mapped: ColumnMap, options: Options, complaints: list[Complaint]
) -> None:
    tables = [*found.readings, *found.facts, *found.prices]
    headers = [dict(enumerate(table.headers)) for table in tables]
    for filled in options.fill_down:
        if all(column_of(filled, columns) is None for columns in headers):
            texts = ", ".join(repr(h.text) for h in found.readings[0].headers[:12])
            msg = f"`fill_down` must name columns of the table ({texts}); got {filled!r}."
            raise FanstatsError(msg)
    present = {fold(header.text) for table in tables for header in table.headers}
    complaints += [
        Complaint(
            source=found.readings[0].source,
            column=theirs,
            kind="warning",
            rule="a header named in columns={...} that no table has",
            mend="Mend the name in columns={...}, or take it out",
            left_out=True,
        )
        for theirs in mapped
        if theirs not in present
    ]


# Rows of all tables ----------------------------------------------------------------------------


def _all_rows(found: Found, options: Options, step: Step) -> Rows:
    parts = []
    for table in found.readings:
        parts.append(spread_obstructions(_rows(table, options)))
        step()
    for part in parts:
        found.complaints.extend(part.complaints)
    rows = put_together(with_sheets_as_sessions(parts, found.complaints))
    found.complaints.extend(_emptiness(rows))
    return rows


def _rows(table: Table, options: Options) -> Rows:
    ready, units_row = checked(table)
    return read_rows(ready, options, units_row)


def _facts(table: Table, options: Options, complaints: list[Complaint]) -> Facts:
    return read_facts(checked(table)[0], options, complaints)


def _prices(
    found: Found, rows: Rows, options: Options, complaints: list[Complaint]
) -> dict[str, str]:
    """Give what is known of prices as attributes, none where nothing is."""
    offers: dict[str, list[Offer]] = {}
    for table in found.prices:
        read = read_prices(checked(table)[0], rows.labels["model"], options, complaints)
        for name, given in read.items():
            known = offers.setdefault(name, [])
            known += [offer for offer in given if offer not in known]
    if not offers:
        return {}
    usual = usual_offers(offers, found.prices[0].source, complaints)
    attrs = {"prices": json.dumps(usual)}
    if any(len(given) > 1 for given in offers.values()):
        attrs["offers"] = json.dumps(offers)
    return attrs


def _emptiness(rows: Rows) -> list[Complaint]:
    if not rows.rows_in:
        msg = f"{rows.source}: a table needs rows; found none below the header. Check the file."
        raise FanstatsError(msg)
    if len(rows.lines):
        return []
    rule = "no row is left: each is skipped, a note or unreadable"
    return [Complaint(source=rows.source, kind="warning", rule=rule, left_out=True)]


# What to know about the result -----------------------------------------------------------------


def _check_repeats(readings: xr.Dataset, allow_repeats: bool, complaints: list[Complaint]) -> None:
    drives = [name for name in ("drive_voltage", "drive_duty") if name in readings]
    labels = ["model", "unit", "session", "sitting", "rig", "row_obstruction"]
    keys = [name for name in labels if name in readings.coords] + drives
    frame = pd.DataFrame({name: readings[name].to_numpy() for name in keys})
    driven = frame[drives].notna().any(axis=1) if drives else pd.Series(False, frame.index)
    groups = frame[driven].groupby(keys, dropna=False, sort=False)
    twins = frame[driven][groups.cumcount() > 0]
    if twins.empty:
        return
    first = twins.iloc[0]
    key = ", ".join(
        _words(name, first[name]) for name in keys if str(first[name]) not in ("", "nan")
    )
    line = int(readings["line"].to_numpy()[twins.index[0]])
    source = str(readings["source"].to_numpy()[twins.index[0]])
    if not allow_repeats:
        msg = f"{source}, row {line}: repeats are not allowed here; found {key} a second time. "
        msg += "Give remounts their own sitting, or say allow_repeats=True."
        raise FanstatsError(msg)
    rule = "rows with the same labels and drive are repeats, averaged to one cell"
    found = f"{numbered(len(twins), 'repeat')}, the first {key}"
    complaints.append(
        Complaint(source=source, line=line, kind="repeat", rule=rule, found=found[:200])
    )


def _words(name: str, label: object) -> str:
    if name in ("drive_voltage", "drive_duty"):
        return f"drive {label:g} {'V' if name == 'drive_voltage' else '%'}"
    return f"{name.replace('row_', '')} {label}"


def _stalled(readings: xr.Dataset) -> list[Complaint]:
    if "speed" not in readings:
        return []
    rows = np.flatnonzero(readings["speed"].to_numpy() == 0.0)
    sources, lines = readings["source"].to_numpy(), readings["line"].to_numpy()
    models = readings["model"].to_numpy()
    rule = "at 0 rpm the fan stalls: kept for the control range, never part of a curve"
    return [
        Complaint(
            source=str(sources[row]),
            line=int(lines[row]),
            column="speed",
            kind="stalled",
            rule=rule,
            found=str(models[row]),
        )
        for row in rows
    ]


def _twins(readings: xr.Dataset) -> list[Complaint]:
    source = str(readings["source"].to_numpy()[0]) if readings.sizes["row"] else ""
    kinds = {
        role: {str(text) for text in np.unique(readings[role].to_numpy())}
        for role in ("model", "session", "rig", "batch", "obstruction")
        if role in readings.coords
    }
    found = [(role, twins) for role, texts in kinds.items() for twins in near_twins(texts)]
    pairs = pd.DataFrame({name: readings[name].to_numpy() for name in ("model", "unit")})
    for model, units in pairs.drop_duplicates().groupby("model")["unit"]:
        found += [(f"unit of {model}", twins) for twins in near_twins(map(str, units))]
    return [
        Complaint(
            source=source,
            column=role,
            kind="near-duplicate label",
            rule="labels that differ only in case, spaces or the like are kept apart",
            found=", ".join(twins)[:200],
            mend="If they are one, write them alike",
            left_out=True,
        )
        for role, twins in found
    ]
