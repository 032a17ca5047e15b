"""A catalogue whose draws are larger than memory: drawn again, group by group, when asked for.

Draws depend on the root and their labels alone and models touch each other only through what is
pooled beforehand, so a group of models gives bit for bit what it gives among all the others.
"""

from __future__ import annotations

import importlib
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from fanstats.errors import FanstatsError
from fanstats.estimates.filling import Table, fill_tables

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from fanstats._typing import FloatArray
    from fanstats.estimates.layout import ModelLayout
    from fanstats.estimates.request import Request

__all__ = ["in_memory", "lazy_tables"]


def in_memory(readings: xr.Dataset) -> tuple[int | None, xr.Dataset]:
    """Load chunked readings, and say into how many groups of models their draws are to be split.

    Parameters
    ----------
    readings : xarray.Dataset
        From `read_readings`, perhaps chunked along ``row``. Anything else is handed on: whoever
        reads it says what is wrong with it.

    Returns
    -------
    groups : int or None
        As many as there are chunks of rows; None where the readings are not chunked.
    readings : xarray.Dataset
        Loaded.
    """
    given: object = readings
    if not isinstance(given, xr.Dataset) or not readings.chunks:
        return None, readings
    return max(len(chunks) for chunks in readings.chunks.values()), readings.compute()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Group:
    """What a group of models is drawn from."""

    request: Request
    layouts: Sequence[ModelLayout]
    outputs: Mapping[str, Sequence[str]]
    draws: int
    root: int

    def tables(self) -> tuple[dict[str, Table], list[str]]:
        return fill_tables(self.request, self.layouts, self.outputs, self.draws, self.root)

    def drawn(self, name: str) -> FloatArray:
        """Draw one output of the group, shape (scope, model, obstruction, draw)."""
        alone = {name: self.outputs[name]}
        tables, _ = fill_tables(self.request, self.layouts, alone, self.draws, self.root)
        return tables[name].draws


def lazy_tables(
    request: Request,
    layouts: Sequence[ModelLayout],
    outputs: Mapping[str, Sequence[str]],
    draws: int,
    root: int,
    groups: int,
) -> tuple[dict[str, Table], list[str]]:
    """Work out values, statuses and shares group by group; leave the draws to dask.

    Parameters
    ----------
    request, layouts, outputs, draws, root
        As in `fill_tables`.
    groups : int
        Number of groups; no more than one group's draws are in memory at a time.

    Returns
    -------
    tables : dict
        `Table` by quantity, whose `draws` are dask arrays.
    reasons : list of str
        Why a model has no estimate at all, "" where it has one.

    Raises
    ------
    FanstatsError
        If dask is not installed.
    """
    lazy, arrays = _dask()
    count = max(1, min(groups, len(layouts)))
    ends = [len(layouts) * k // count for k in range(count + 1)]
    found: list[dict[str, Table]] = []
    reasons: list[str] = []
    for start, stop in pairwise(ends):
        group = _Group(
            request=request, layouts=layouts[start:stop], outputs=outputs, draws=draws, root=root
        )
        tables, why = group.tables()
        reasons += why
        for name, table in tables.items():
            drawn = lazy.delayed(group.drawn)(name)
            table.draws = arrays.from_delayed(drawn, table.draws.shape, np.float64)
        found.append(tables)
    return {name: _joined([tables[name] for tables in found], arrays) for name in outputs}, reasons


def _joined(parts: Sequence[Table], arrays: Any) -> Table:
    whole = Table(0, 0, 0)
    whole.draws = arrays.concatenate([part.draws for part in parts], axis=1)
    for name in ("value", "status", "below", "above"):
        setattr(whole, name, np.concatenate([getattr(part, name) for part in parts], axis=1))
    whole.by_luck = np.concatenate([part.by_luck for part in parts], axis=0)
    return whole


def _dask() -> tuple[Any, Any]:
    try:
        return importlib.import_module("dask"), importlib.import_module("dask.array")
    except ImportError:
        msg = (
            "The readings are chunked, and drawing chunk by chunk needs dask: "
            "pip install 'fanstats[dask]', or pass readings.compute()."
        )
        raise FanstatsError(msg) from None
