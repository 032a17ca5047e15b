"""Rows that stand twice: typed twice, or a block or a whole table pasted a second time."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from fanstats._typing import BoolArray, IntArray
    from fanstats.loading.bench_columns import BenchColumns
    from fanstats.loading.complaints import Complaint

__all__ = ["same_rows"]

_ENOUGH: Final = 3  # readings that must agree before two rows are called one; rows of a block
_FEW: Final = 3  # readings of one step, of which two do not agree by chance


def same_rows(bench: BenchColumns) -> Iterator[Complaint]:
    """Doubt rows of a sitting that agree in every number, at least three of them readings.

    Rows that stand again in a block are told of once, a table that stands twice as a whole is
    told of as such. That is warned about where one copy follows the other; where each step, or
    each sitting, comes twice it may have been read twice on a display too coarse to show a
    scatter, and is listed. Of a step read many times two readings agree by chance.

    Parameters
    ----------
    bench : BenchColumns
        The readings.

    Yields
    ------
    Complaint
        Of kind ``"implausible"``.
    """
    drives = len(bench.places("drive_voltage", "drive_duty"))
    measured = bench.places("speed", "noise", "airflow", "noise_obstructed", "temperature")
    frame = pd.DataFrame(bench.values[:, bench.places("drive_voltage", "drive_duty") + measured])
    frame["sitting"] = bench.sittings
    alike = frame.groupby(list(frame.columns), dropna=False, sort=False).ngroup()
    groups: IntArray = np.asarray(alike, dtype=np.intp)
    enough = (np.isfinite(bench.values[:, measured]).sum(axis=1) >= _ENOUGH) & bench.turning
    twins = _twins(enough, groups)
    if enough.sum() > _ENOUGH and _every_one_again(groups[enough]):
        yield _about_table(bench, groups[enough], int(np.flatnonzero(enough)[0]), _blocks(twins))
        return
    read = frame.groupby(["sitting", *frame.columns[:drives]], dropna=False)["sitting"]
    few = (read.transform("size") <= _FEW).to_numpy()
    for block in _blocks(_twins(enough & few, groups)):
        yield _about_twins(bench, block)


def _every_one_again(groups: IntArray) -> bool:
    return bool((np.bincount(groups)[groups] > 1).all())


def _twins(which: BoolArray, groups: IntArray) -> list[tuple[int, int]]:
    """Pair each row that repeats another with the first of its kind."""
    first: dict[int, int] = {}
    return [
        (row, first[group])
        for row, group in zip(*_rows_of(which, groups), strict=True)
        if first.setdefault(group, row) != row
    ]


def _rows_of(which: BoolArray, groups: IntArray) -> tuple[list[int], list[int]]:
    rows = np.flatnonzero(which)
    return rows.tolist(), groups[rows].tolist()


def _blocks(twins: Sequence[tuple[int, int]]) -> list[list[tuple[int, int]]]:
    """Put rows together that repeat neighbouring rows one by one; fewer than three stay alone."""
    runs: list[list[tuple[int, int]]] = []
    for row, before in twins:
        if runs and runs[-1][-1] == (row - 1, before - 1):
            runs[-1].append((row, before))
        else:
            runs.append([(row, before)])
    return [
        block
        for run in runs
        for block in ([run] if len(run) >= _ENOUGH else [[pair] for pair in run])
    ]


def _about_table(
    bench: BenchColumns, groups: IntArray, row: int, blocks: Sequence[Sequence[tuple[int, int]]]
) -> Complaint:
    pasted = len(blocks) == 1 and len(blocks[0]) >= _ENOUGH
    rule = "the same rows stand twice: every row agrees with another in every digit"
    found = f"{groups.size} rows, {np.unique(groups).size} of them different"
    mend = "Take one of the copies out, or leave it if each step was read more than once"
    doubt = bench.doubt(row, rule, found, mend=mend)
    return replace(doubt, line=0, found=found, left_out=pasted)


def _about_twins(bench: BenchColumns, block: Sequence[tuple[int, int]]) -> Complaint:
    (row, before), (last, last_before) = block[0], block[-1]
    if len(block) == 1:
        rule = "two rows that agree in every digit are one row typed or copied twice"
        mend = "Take one of them out, or leave it if the step was read twice"
        return bench.doubt(row, rule, f"row {bench.line(before)} again", mend=mend)
    rule = "the same rows stand twice: they agree with others one by one in every digit"
    found = f"rows {bench.line(before)} to {bench.line(last_before)} again, to row "
    mend = "Take one of the copies out, or leave it if each step was read twice"
    return bench.doubt(row, rule, f"{found}{bench.line(last)}", mend=mend)
