"""Temperature rises that a tester has worked out already, put beside temperatures."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from fanstats.loading.cells import Numbers, first_of
from fanstats.loading.complaints import Complaint, numbered
from fanstats.loading.number_columns import converted
from fanstats.quantities import convert, units_label

if TYPE_CHECKING:
    from fanstats._typing import BoolArray
    from fanstats.loading.number_columns import Key

__all__ = ["with_rises"]

_RISE: Final = "temperature_rise"
_COLUMN: Final = "temperature rise"


def with_rises(source: str, numbers: dict[Key, Numbers], units: dict[str, str]) -> list[Complaint]:
    """Turn rises into temperatures over the ambient, or over 0 degC where none was noted.

    A rise is the difference of two readings, and so it stays: what both thermometers have in
    common cancels from it, what each reading has for itself counts twice. Where a temperature
    stands in the same row, it is kept and the rise is left out.

    Parameters
    ----------
    source : str
        What messages call the table.
    numbers : dict of (variable, obstruction) to Numbers
        Columns of the rows; those of rises are replaced.
    units : dict of str to str
        By variable; completed.

    Returns
    -------
    list of Complaint
        What was assumed and what was left out.
    """
    rises = {name: numbers.pop((role, name)) for role, name in list(numbers) if role == _RISE}
    own = units.pop(_RISE, "")
    if not any(np.isfinite(rise.values).any() for rise in rises.values()):
        return []
    to = units.get("temperature") or units.get("ambient") or ("degF" if own == "degF" else "degC")
    count = next(iter(rises.values())).values.size
    ambient = numbers.get(("ambient", None), Numbers.empty(count))
    noted = np.isfinite(ambient.values)
    zero = float(convert(0.0, "degC", to))
    reference = np.where(noted, ambient.values, zero)
    used: BoolArray = np.zeros(count, dtype=np.bool_)
    spare: BoolArray = np.zeros(count, dtype=np.bool_)
    for name, rise in rises.items():
        over = converted(rise, own, to, f"{source}, {_COLUMN}", difference=True)
        given = numbers.get(("temperature", name), Numbers.empty(count))
        spare |= np.isfinite(given.values) & np.isfinite(over.values)
        used |= np.isnan(given.values) & np.isfinite(over.values)
        numbers["temperature", name] = first_of(
            given, replace(over, values=over.values + reference)
        )
    beneath = replace(Numbers.empty(count), values=np.where(used, reference, np.nan))
    numbers["ambient", None] = first_of(ambient, beneath)
    units["temperature"] = units["ambient"] = to
    return _told(source, used & ~noted, spare, to, zero)


def _told(
    source: str, alone: BoolArray, spare: BoolArray, units: str, zero: float
) -> list[Complaint]:
    told = []
    if alone.any():
        rule = (
            f"a temperature rise without its ambient is kept as a temperature over {zero:g} "
            f"{units_label(units)}: only the difference of the two counts"
        )
        found = numbered(int(alone.sum()), "row")
        told.append(
            Complaint(source=source, column=_COLUMN, kind="assumed", rule=rule, found=found)
        )
    if spare.any():
        told.append(
            Complaint(
                source=source,
                column=_COLUMN,
                kind="ignored column",
                rule="where a temperature stands beside its rise, the temperature is used",
                found=numbered(int(spare.sum()), "row"),
                mend="Give its ambient, or leave it out with columns={'temperature [degC]': None}",
                left_out=True,
            )
        )
    return told
