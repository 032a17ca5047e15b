"""Estimates as a plain table that pastes into a spreadsheet's error bars."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from fanstats._arguments import fraction
from fanstats.decisions.bands import total_range
from fanstats.decisions.order import standard_uncertainty
from fanstats.decisions.selection import Selection, quantities_of, select

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["summary"]


def summary(estimates: xr.Dataset | xr.DataArray, *, probability: float = 0.95) -> pd.DataFrame:
    """Give every estimate with its range, one row a quantity, obstruction, scope and model.

    Parameters
    ----------
    estimates : Dataset or DataArray
        What `equal_noise` and its sisters return, or any array over `model` and `draw`.
    probability : float
        Coverage probability of the ranges.

    Returns
    -------
    DataFrame
        `quantity`, `units`, `obstruction` ("" where it plays no part), `scope`, `model`, `value`,
        `low`, `high` (probabilistically symmetric), `minus`, `plus` (from the value to the ends,
        not below 0), `standard_uncertainty`, `units_tested`, `readings`, `share_below`,
        `share_above` (of the draws, beyond what was read) and `status`. Models without an estimate
        keep their row, with the reason.

    Raises
    ------
    FanstatsError
        If the estimates hold no draws, or stem from several root seeds.

    Notes
    -----
    Ranges contain what is shared by all models: that two of them overlap says nothing about which
    model is better. Use `compare` or `rank` for that.

    Examples
    --------
    >>> import fanstats as fs
    >>> estimates = fs.equal_noise(fs.demo.readings(), 33, bench=fs.demo.bench(), draws=500, rng=1)
    >>> table = summary(estimates)
    >>> list(table.columns[:8])
    ['quantity', 'units', 'obstruction', 'scope', 'model', 'value', 'low', 'high']
    """
    fraction("probability", probability)
    rows: list[dict[str, Any]] = []
    for picked in _selections(estimates):
        for place, scope in enumerate(picked.scopes):
            rows.extend(_rows(picked, place, scope, probability))
    return pd.DataFrame(rows)


def _selections(estimates: xr.Dataset | xr.DataArray) -> list[Selection]:
    import xarray as xr

    if isinstance(estimates, xr.Dataset):
        names: list[str | None] = [*quantities_of(estimates)] or [None]
        variables = [None if name is None else estimates[name] for name in names]
    else:
        names, variables = [None], [estimates]
    found: list[Selection] = []
    for name, variable in zip(names, variables, strict=True):
        behind: list[str | None] = [None]
        if isinstance(variable, xr.DataArray) and "obstruction" in variable.dims:
            behind = [str(label) for label in variable["obstruction"].values]
        found.extend(select(estimates, name, obstruction) for obstruction in behind)
    return found


def _rows(picked: Selection, place: int, scope: str, probability: float) -> list[dict[str, Any]]:
    members = np.flatnonzero(picked.estimable[place])
    found = total_range(picked, place, members, probability)
    count = len(picked.models)
    low, high, spread = np.full(count, np.nan), np.full(count, np.nan), np.full(count, np.nan)
    low[members], high[members] = found
    spread[members] = [standard_uncertainty(picked.draws[place, model]) for model in members]
    tail = (1.0 - probability) / 2.0
    rows = []
    for model, name in enumerate(picked.models):
        value = float(picked.values[place, model])
        below, above = (float(share) for share in picked.shares[:, place, model])
        states = [picked.reason(place, model)]
        if picked.estimable[place, model]:
            states += [
                f"{end} end not covered by data"
                for end, share in (("low", below), ("high", above))
                if share > tail
            ]
            if value < low[model] or value > high[model]:
                states.append("value outside its range")
        rows.append(
            {
                "quantity": picked.name,
                "units": picked.printed_units,
                "obstruction": picked.obstruction or "",
                "scope": scope,
                "model": name,
                "value": value,
                "low": low[model],
                "high": high[model],
                "minus": np.maximum(0.0, value - low[model]),
                "plus": np.maximum(0.0, high[model] - value),
                "standard_uncertainty": spread[model],
                "units_tested": round(picked.units_tested[model]),
                "readings": round(picked.readings[model]),
                "share_below": below,
                "share_above": above,
                "status": "; ".join(state for state in states if state),
            }
        )
    return rows
