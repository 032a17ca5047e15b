"""Rows of all tables put together into one labelled Dataset."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np
import xarray as xr

from fanstats.errors import FanstatsError
from fanstats.loading.cells import Numbers, first_of
from fanstats.loading.complaints import Complaint
from fanstats.loading.headers import is_free_air
from fanstats.loading.long_form import join_obstructions
from fanstats.loading.number_columns import DIFFERENCES, converted
from fanstats.loading.rises import with_rises
from fanstats.loading.session_rigs import rigs_by_session
from fanstats.loading.side_sheets import Facts, fill_facts
from fanstats.loading.table_rows import LABELS, Rows

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from fanstats.loading.number_columns import Key

__all__ = ["assembled", "put_together"]

_TITLES: Final[Mapping[str, str]] = {
    "drive_voltage": "drive",
    "drive_duty": "drive",
    "speed": "speed",
    "noise": "noise",
    "noise_obstructed": "noise behind an obstruction",
    "airflow": "airflow",
    "temperature": "temperature",
    "background": "room noise",
    "ambient": "ambient temperature",
    "load": "heat load",
}
_WEIGHTED: Final = ("noise", "noise_obstructed", "background")


def put_together(parts: Sequence[Rows]) -> Rows:
    """Stack the rows of several tables; each variable in the unit of its first table.

    Parameters
    ----------
    parts : sequence of Rows
        One a table.

    Returns
    -------
    Rows

    Raises
    ------
    FanstatsError
        If one variable comes in units that do not convert.
    """
    if len(parts) == 1:
        return parts[0]
    units: dict[str, str] = {}
    for part in parts:
        units = {**part.units, **units}
    keys = dict.fromkeys(key for part in parts for key in part.numbers)
    labels = {role for part in parts for role in part.labels}
    return Rows(
        source=parts[0].source,
        lines=np.concatenate([part.lines for part in parts]),
        labels={
            "source": [part.source for part in parts for _ in part.lines],
            **{
                role: [text for part in parts for text in _label(part, role)]
                for role in LABELS
                if role in labels
            },
        },
        numbers={key: _stacked([_column(part, key, units) for part in parts]) for key in keys},
        units=units,
        rows_in=sum(part.rows_in for part in parts),
    )


def _label(part: Rows, role: str) -> Sequence[str]:
    return part.labels.get(role) or [""] * len(part.lines)


def _column(part: Rows, key: Key, units: Mapping[str, str]) -> Numbers:
    if key not in part.numbers:
        return Numbers.empty(len(part.lines))
    variable = key[0]
    place = f"{part.source}, {variable}"
    return converted(
        part.numbers[key],
        part.units[variable],
        units[variable],
        place,
        difference=variable in DIFFERENCES,
    )


def _stacked(columns: Sequence[Numbers]) -> Numbers:
    return Numbers(
        values=np.concatenate([column.values for column in columns]),
        standard=np.concatenate([column.standard for column in columns]),
        half_width=np.concatenate([column.half_width for column in columns]),
    )


def assembled(rows: Rows, facts: Sequence[Facts], complaints: list[Complaint]) -> xr.Dataset:
    """Make the readings of rows and session facts.

    Parameters
    ----------
    rows : Rows
        All rows.
    facts : sequence of Facts
        Sheets with one row a session.
    complaints : list of Complaint
        What is assumed or joined is added.

    Returns
    -------
    xarray.Dataset
        Without the attributes about the load.

    Raises
    ------
    FanstatsError
        If levels of different weighting stand together.
    """
    numbers = _one_free_air(rows, complaints)
    joined = join_obstructions(replace(rows, numbers=numbers))
    complaints += joined.complaints
    keep, numbers, units = joined.keep, joined.numbers, dict(rows.units)
    given = {role: [texts[row] for row in keep] for role, texts in rows.labels.items()}
    rigs = rigs_by_session(facts, given)
    if rigs is not None:
        given["rig"] = rigs
    per_session = [
        variable
        for sheet in facts
        for variable in fill_facts(sheet, given, numbers, units, complaints)
    ]
    _same_weighting(rows.source, units)
    numbers, units = _ambient_like_temperature(rows.source, numbers, units)
    complaints += with_rises(rows.source, numbers, units)
    blank = [""] * keep.size
    coords: dict[str, list[str]] = {
        role: given.get(role, blank) for role in ("model", "unit", "session", "sitting", "rig")
    }
    coords["source"] = given.get("source", [rows.source] * keep.size)
    if "batch" in given:
        coords["batch"] = given["batch"]
    if "obstruction" in given:
        coords["row_obstruction"] = joined.own
    names = _obstructions(numbers, rows.labels.get("obstruction", []))
    dataset = xr.Dataset(
        _variables(numbers, units, names, keep.size),
        coords={role: ("row", np.array(texts, dtype=np.str_)) for role, texts in coords.items()},
    )
    if "obstruction" in dataset.dims:
        dataset = dataset.assign_coords(obstruction=np.array(names, dtype=np.str_))
    dataset = dataset.assign_coords(line=("row", rows.lines[keep]))
    if rigs is not None:
        dataset.attrs["rig_per"] = "session"
    return _with_origin(dataset, per_session)


def _with_origin(dataset: xr.Dataset, per_session: Sequence[str]) -> xr.Dataset:
    for variable in ("background", "ambient", "load"):
        if variable in dataset:
            per = "session" if variable in per_session else "row"
            dataset.attrs[f"{variable}_per"] = per
            dataset[variable].attrs["per"] = per
    return dataset


def _obstructions(numbers: Mapping[Key, Numbers], rows: Sequence[str] = ()) -> list[str]:
    """List obstructions as they first appear, those named in rows before those in headers."""
    names = dict.fromkeys(name for _, name in numbers if name is not None)
    return list(dict.fromkeys([*(name for name in rows if name in names), *names]))


def _one_free_air(rows: Rows, complaints: list[Complaint]) -> dict[Key, Numbers]:
    """Give a column without obstruction a name where its quantity has others that name one."""
    numbers: dict[Key, Numbers] = {}
    for (variable, name), column in rows.numbers.items():
        others = [n for v, n in rows.numbers if v == variable and n is not None]
        key: Key = (variable, name)
        if name is None and others:
            key = (variable, next(filter(is_free_air, _obstructions(rows.numbers)), "none"))
            rule = "a header without an obstruction beside headers with one is free air"
            complaints.append(
                Complaint(source=rows.source, kind="assumed", rule=rule, column=variable)
            )
        numbers[key] = first_of(numbers[key], column) if key in numbers else column
    return numbers


def _same_weighting(source: str, units: Mapping[str, str]) -> None:
    used = {variable: units[variable] for variable in _WEIGHTED if variable in units}
    if len(set(used.values())) > 1:
        listed = ", ".join(f"{_TITLES[variable]} in {unit}" for variable, unit in used.items())
        msg = (
            f"{source}: levels of different weighting cannot be put together; found {listed}. "
            "Read the room with the weighting of the noise, or leave one column out."
        )
        raise FanstatsError(msg)


def _ambient_like_temperature(
    source: str, numbers: dict[Key, Numbers], units: dict[str, str]
) -> tuple[dict[Key, Numbers], dict[str, str]]:
    if "temperature" not in units or "ambient" not in units:
        return numbers, units
    own, to = units["ambient"], units["temperature"]
    ambient = converted(numbers["ambient", None], own, to, f"{source}, ambient")
    return {**numbers, ("ambient", None): ambient}, {**units, "ambient": to}


def _variables(
    numbers: Mapping[Key, Numbers], units: Mapping[str, str], names: Sequence[str], rows: int
) -> dict[str, xr.Variable]:
    variables: dict[str, xr.Variable] = {}
    for variable, title in _TITLES.items():
        columns = {name: column for (v, name), column in numbers.items() if v == variable}
        if not columns or all(np.isnan(column.values).all() for column in columns.values()):
            continue
        for suffix, part, words in (
            ("", "values", title),
            ("_standard", "standard", f"standard uncertainty of {title}"),
            ("_half_width", "half_width", f"half width of {title}"),
        ):
            dims, array = _array({n: getattr(c, part) for n, c in columns.items()}, names, rows)
            if not suffix or np.isfinite(array).any():
                attrs = {"units": units[variable], "long_name": words}
                variables[variable + suffix] = xr.Variable(dims, array, attrs)
    return variables


def _array(
    columns: Mapping[str | None, np.ndarray], names: Sequence[str], rows: int
) -> tuple[tuple[str, ...], np.ndarray]:
    if None in columns:
        return ("row",), columns[None]
    array = np.full((rows, len(names)), np.nan)
    for name, column in columns.items():
        array[:, names.index(str(name))] = column
    return ("row", "obstruction"), array
