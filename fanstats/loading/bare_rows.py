"""Rows among the steps of a sweep that look like no step: averages written without a word."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fanstats._typing import BoolArray, FloatArray, IntArray
    from fanstats.loading.bench_columns import BenchColumns
    from fanstats.loading.complaints import Complaint

__all__ = ["bare_rows"]

_SWEEP: Final = 3  # steps that make a sweep
_ENOUGH: Final = 3  # columns that must agree with the mean, the noise among them
_ENOUGH_BARE: Final = 2  # ... in a row without a drive or a speed
_MEND: Final = (
    "If it is an average, write average in front of it or a reason into a column skip; as it "
    "stands it is used as a reading"
)
_MEND_BARE: Final = (
    "It stands where the sweep makes its noise. If it is an average, write average in front of it "
    "or a reason into a column skip"
)


def bare_rows(bench: BenchColumns) -> Iterator[Complaint]:
    """Doubt rows of a sweep that hold the mean of the others in each column; list bare ones.

    A level and an airflow without drive or speed are a fan dialled in, below a sweep too. Where
    they are the mean of that sweep they are more likely what the spreadsheet works out.

    Parameters
    ----------
    bench : BenchColumns
        The readings.

    Yields
    ------
    Complaint
        Of kind ``"implausible"``, or ``"assumed"`` of a row taken to be dialled in.
    """
    steps = bench.turning & np.isfinite(_set(bench)).any(axis=1)
    others = np.bincount(bench.sittings, weights=steps)[bench.sittings] - steps
    mean = _is_mean(bench, others >= _SWEEP, np.where(steps, _ENOUGH, _ENOUGH_BARE))
    for row in np.flatnonzero((others >= _SWEEP) & (mean | (bench.turning & ~steps))).tolist():
        count = f"the other {int(others[row])} steps of its sitting"
        if mean[row]:
            rule = "a row that holds the mean of the others is no reading"
            yield bench.doubt(row, rule, f"in each column the mean of {count}", mend=_MEND)
        else:
            rule = "a row of a sweep with neither drive nor speed is a level dialled in"
            noted = bench.doubt(row, rule, f"neither, beside {count}", mend=_MEND_BARE)
            yield replace(noted, kind="assumed", left_out=False)


def _set(bench: BenchColumns) -> FloatArray:
    return bench.values[:, bench.places("drive_voltage", "drive_duty", "speed")]


def _is_mean(bench: BenchColumns, swept: BoolArray, enough: IntArray) -> BoolArray:
    """Mark rows whose columns hold the mean of the sitting's others, to the digits written."""
    level = bench.places("noise")
    places = bench.places("drive_voltage", "drive_duty", "speed", "airflow", "temperature") + level
    values = bench.values[:, places]
    groups = pd.DataFrame(np.where(bench.turning[:, None], values, np.nan)).groupby(bench.sittings)
    count = groups.transform("count").to_numpy() - 1
    total = groups.transform("sum").to_numpy()
    with np.errstate(invalid="ignore", divide="ignore"):
        means = np.where(count > 0, (total - values) / count, np.nan)
        near = np.abs(values - means) <= 0.5
    given = np.isfinite(values)
    found = swept & bench.turning & (near | ~given).all(axis=1)
    found &= (given.sum(axis=1) >= enough) & np.isfinite(bench.values[:, level]).any(axis=1)
    for row in np.flatnonzero(found).tolist():
        pairs = zip(values[row][given[row]], means[row][given[row]], strict=True)
        found[row] = all(_rounds_to(mean, value) for value, mean in pairs)
    return found


def _rounds_to(number: float, written: float) -> bool:
    decimals = len(repr(float(written)).partition(".")[2].rstrip("0"))
    return bool(abs(number - written) <= 0.5000001 * 10.0**-decimals)
