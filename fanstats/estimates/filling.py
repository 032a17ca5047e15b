"""Fills the arrays of a result: values once, draws in blocks of alike models."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Final

import numpy as np

from fanstats.errors import FanstatsError
from fanstats.estimates.draws import CHUNK, Block, Draws, LabelledDraws, Unperturbed
from fanstats.estimates.operating import (
    Points,
    model_points,
    noise_points,
    noise_values,
    read_off,
    signature,
)
from fanstats.estimates.reasons import model_reason, quantity_reason, scope_reason
from fanstats.estimates.request import Request
from fanstats.progress import progress

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from fanstats.estimates.layout import ModelLayout
    from fanstats.estimates.sittings import Channel

__all__ = ["LUCK", "SCOPES", "Table", "check_draws", "draw_sources", "fill_tables", "is_whole"]

SCOPES: Final = ("tested unit", "model", "next unit")
LUCK: Final = np.arange(-6.0, 6.25, 0.5)
# Above this share of draws beyond the data there is no estimate. A value at the very end of a
# sweep has half of them there, and must not come and go with the draws.
_MOST_OUTSIDE: Final = 0.52
_FEWEST_DRAWS: Final = 100
# Draws (times models) worked out together: enough to pay for each call, and no more memory.
_TOGETHER: Final = 2**14
# Just below the largest size from which glibc learns (mallopt(3), M_MMAP_THRESHOLD).
_LEARNED: Final = 2**22 - 2**10
_MOST_WORKERS: Final = 8


def read_points(
    draws: Draws, request: Request, layouts: Sequence[ModelLayout], channels: Sequence[Channel]
) -> dict[Channel, Points | None]:
    """Read every output of alike models off, arrays of shape (scope, model, draw)."""
    points = model_points(draws, request, layouts)
    found: dict[Channel, Points | None] = {}
    for channel in channels:
        if channel[0] == "speed":
            found[channel] = _speeds(layouts[0], points)
        elif channel[0] == "noise":
            found[channel] = noise_values(draws, request, layouts[0], points)
        else:
            found[channel] = read_off(draws, request, layouts, points, channel)
    return found


def _speeds(layout: ModelLayout, points: Mapping[int, Points]) -> Points | None:
    if layout.abscissa != "speed" or not points:
        return None
    parts = list(points.values())
    return Points(
        np.mean([part.at for part in parts], axis=0),
        np.any([part.below for part in parts], axis=0),
        np.any([part.above for part in parts], axis=0),
    )


def is_whole(number: object) -> bool:
    """Say whether something is a whole number, and no truth value.

    Parameters
    ----------
    number : object
        Anything.

    Returns
    -------
    bool
    """
    return isinstance(number, (int, np.integer)) and not isinstance(number, bool)


def check_draws(draws: object) -> None:
    """Refuse a number of draws that is none, or too small to say anything.

    Parameters
    ----------
    draws : object
        What the caller passed.

    Raises
    ------
    FanstatsError
        If it is no whole number of at least 100.
    """
    if not is_whole(draws) or int(str(draws)) < _FEWEST_DRAWS:
        msg = f"`draws` must be a whole number of at least {_FEWEST_DRAWS}; got {draws!r}."
        raise FanstatsError(msg)


class Table:
    """Arrays of one output over scope, model and obstruction, filled by groups of models.

    Parameters
    ----------
    models, obstructions, draws : int
        Lengths of the axes.
    """

    def __init__(self, models: int, obstructions: int, draws: int) -> None:
        shape = (len(SCOPES), models, obstructions)
        self.draws = np.full((*shape, draws), np.nan)
        self.value = np.full(shape, np.nan)
        self.status = np.full(shape, "", dtype=object)
        self.below = np.zeros(shape)
        self.above = np.zeros(shape)
        self.by_luck = np.full((models, obstructions, LUCK.size), np.nan)


def fill_tables(
    request: Request,
    layouts: Sequence[ModelLayout],
    outputs: Mapping[str, Sequence[str]],
    draws: int,
    root: int,
    *,
    by_luck: bool = True,
    sources: Sequence[LabelledDraws] | None = None,
) -> tuple[dict[str, Table], list[str]]:
    """Work out values, draws, statuses and shares of every model.

    Parameters
    ----------
    request : Request
        What is asked.
    layouts : sequence of ModelLayout
        Every model.
    outputs : mapping of str to sequence of str
        Obstructions by quantity, [""] where none applies.
    draws : int
        Monte Carlo draws, at least 100.
    root : int
        Root seed.
    by_luck : bool
        Whether to give values against noise luck, at equal noise.
    sources : sequence of LabelledDraws, optional
        From `draw_sources`, to use the same draws again without drawing them again; the work is
        then done by one thread.

    Returns
    -------
    tables : dict
        `Table` by quantity.
    reasons : list of str
        Why a model has no estimate at all, "" where it has one.

    Raises
    ------
    FanstatsError
        If `draws` is no whole number of at least 100.
    """
    check_draws(draws)
    _keep_memory()
    tables = {name: Table(len(layouts), len(places), draws) for name, places in outputs.items()}
    filling = Filling(request, layouts, outputs, tables)
    alike: dict[tuple[object, ...], list[int]] = {}
    for row, layout in enumerate(layouts):
        alike.setdefault(signature(request, layout), []).append(row)
    for rows in alike.values():
        filling.values(rows)
        if by_luck and request.kind == "equal noise":
            filling.by_luck(rows)
    size = min(CHUNK, draws)
    blocks = [block for rows in alike.values() for block in _blocks(filling, rows, size)]

    chunks = len(range(0, draws, CHUNK))
    with progress(len(blocks) * chunks, "drawing") as step:

        def fill(part: tuple[Sequence[LabelledDraws], list[list[int]]]) -> None:
            for source in part[0]:
                for block in part[1]:
                    for piece in Block(source).parts(_TOGETHER // len(block)):
                        filling.draws(piece, block, source.chunk * CHUNK + piece.start)
                    step()

        if sources is not None:
            fill((sources, blocks))
        else:
            workers = _workers()
            parts = [(draw_sources(root, draws), blocks[k::workers]) for k in range(workers)]
            with ThreadPoolExecutor(workers) as pool:
                list(pool.map(fill, parts))
    _drop_unsupported(tables)
    return tables, filling.reasons


def _keep_memory() -> None:
    """Have the allocator keep the memory of passing arrays instead of handing each back.

    A large array once freed (never touched, so it costs nothing) tells glibc to serve arrays up
    to its size from memory it holds; the passing arrays of a block then need no new pages, which
    halves the time of the arithmetic. Elsewhere it does nothing.
    """
    np.empty(_LEARNED)


def draw_sources(root: int, draws: int) -> list[LabelledDraws]:
    """Give where draws come from, chunk by chunk.

    Parameters
    ----------
    root : int
        Root seed.
    draws : int
        How many draws in all.

    Returns
    -------
    list of LabelledDraws
    """
    return [
        LabelledDraws(root, min(CHUNK, draws - start), chunk)
        for chunk, start in enumerate(range(0, draws, CHUNK))
    ]


def _workers() -> int:
    """Give the number of threads: numpy lets go of the interpreter in its loops."""
    return max(1, min(_MOST_WORKERS, len(os.sched_getaffinity(0))))


def _blocks(filling: Filling, rows: list[int], size: int) -> list[list[int]]:
    """Split alike models so that the arrays of a block stay within a processor's cache."""
    rows = [row for row in rows if filling.estimable(row)]
    most = max(1, _TOGETHER // size)
    return [rows[start : start + most] for start in range(0, len(rows), most)]


class Filling:
    """Fills the tables of one request, group of alike models by group."""

    def __init__(
        self,
        request: Request,
        layouts: Sequence[ModelLayout],
        outputs: Mapping[str, Sequence[str]],
        tables: dict[str, Table],
    ) -> None:
        self.request, self.layouts, self.tables = request, layouts, tables
        self.outputs = outputs
        self.channels = [(name, place) for name, places in outputs.items() for place in places]
        self.reasons = [""] * len(layouts)

    def column(self, channel: Channel) -> int:
        """Give the place of a channel's obstruction in its table."""
        return self.outputs[channel[0]].index(channel[1])

    def estimable(self, row: int) -> bool:
        """Say whether any output of a model has a value."""
        return any(np.isfinite(table.value[:, row]).any() for table in self.tables.values())

    def values(self, rows: list[int], draws: Draws | None = None) -> None:
        """Fill values at the readings as read, or the reason why there is none.

        `draws` is one that moves nothing, such as a `Recorder` of the labels asked for.
        """
        layouts = [self.layouts[row] for row in rows]
        known = layouts[0].abscissa is not None
        nothing = Unperturbed() if draws is None else draws
        found = read_points(nothing, self.request, layouts, self.channels) if known else {}
        regular = known and _regular(self.request, layouts[0])
        for place, row in enumerate(rows):
            self._value(row, place, found, regular)

    def _value(
        self, row: int, place: int, found: dict[Channel, Points | None], regular: bool
    ) -> None:
        layout = self.layouts[row]
        flagged = not regular or any(
            part is None or part.below[0, place].any() or part.above[0, place].any()
            for part in found.values()
        )
        points: Mapping[int, Points] = {}
        if flagged:
            if layout.abscissa is not None:
                points = model_points(Unperturbed(), self.request, [layout])
            self.reasons[row] = model_reason(self.request, layout, points)
        for channel in self.channels:
            table, column = self.tables[channel[0]], self.column(channel)
            why = self.reasons[row]
            if flagged and not why:
                why = quantity_reason(self.request, layout, points, channel)
            part = found.get(channel)
            for index, scope in enumerate(SCOPES):
                missing = why or scope_reason(self.request, layout, channel, scope)
                table.status[index, row, column] = missing
                if not missing and part is not None:
                    here = min(index, part.at.shape[0] - 1)
                    table.value[index, row, column] = part.at[here, place, 0]

    def draws(self, source: Draws, rows: list[int], start: int) -> None:
        """Fill one chunk of draws wherever a value stands."""
        channels = [
            channel
            for channel in self.channels
            if np.isfinite(self.tables[channel[0]].value[:, rows, self.column(channel)]).any()
        ]
        layouts = [self.layouts[row] for row in rows]
        for channel, found in read_points(source, self.request, layouts, channels).items():
            if found is not None:
                self._store(channel, found, rows, slice(start, start + source.size))

    def _store(self, channel: Channel, found: Points, rows: list[int], where: slice) -> None:
        table, column = self.tables[channel[0]], self.column(channel)
        total = table.draws.shape[-1]
        # Past the low end of the speeds a rise is past its high end: less speed, more heat.
        swapped = channel[0] == "temperature_rise"
        sides = (found.above, found.below) if swapped else (found.below, found.above)
        there = np.isfinite(table.value[:, rows, column])
        for index, place in np.argwhere(there).tolist():
            scope = min(index, found.at.shape[0] - 1)
            table.draws[index, rows[place], column, where] = found.at[scope, place]
        for held, past in zip((table.below, table.above), sides, strict=True):
            if past.any():
                outside = np.count_nonzero(np.broadcast_to(past, found.at.shape), axis=-1) / total
                held[:, rows, column] += np.where(there, outside, 0.0)

    def by_luck(self, rows: list[int]) -> None:
        """Fill the value against given noise luck, at the readings as read."""
        rows = [row for row in rows if self.estimable(row)]
        if not rows:
            return
        nothing = Unperturbed()
        layouts = [self.layouts[row] for row in rows]
        points = {
            place: noise_points(nothing, self.request, layouts, place, luck_offset=LUCK)
            for place, unit in enumerate(layouts[0].units)
            if unit.noise and not unit.noise_problem
        }
        for channel in self.channels:
            if channel[0] == "speed":
                found = _speeds(layouts[0], points)
            else:
                found = read_off(nothing, self.request, layouts, points, channel, undo_luck=False)
            if found is None:
                continue
            table, column = self.tables[channel[0]], self.column(channel)
            inside = np.where(found.below | found.above, np.nan, found.at)[:, :, 0]
            for place, row in enumerate(rows):
                if np.isfinite(table.value[:, row, column]).any():
                    table.by_luck[row, column] = inside[:, place]


def _regular(request: Request, layout: ModelLayout) -> bool:
    """Say whether nothing but a range can keep models of this shape from being read off."""
    if request.kind != "equal noise" or request.target.problem or layout.abscissa != "speed":
        return False
    return all(
        unit.noise
        and not unit.noise_problem
        and not any(curve.is_point for curve in unit.noise)
        and all(
            curves and all(curve.knots.count > 1 for curve in curves)
            for curves in unit.quantities.values()
        )
        for unit in layout.units
    ) and not (request.fans.get(layout.model, 1) > 1)


def _drop_unsupported(tables: dict[str, Table]) -> None:
    """Give no estimate where more than half of the draws lie beyond the data."""
    for table in tables.values():
        lost = (table.below > _MOST_OUTSIDE) | (table.above > _MOST_OUTSIDE)
        for place in np.argwhere(lost):
            index = tuple(place)
            side = "below" if table.below[index] > _MOST_OUTSIDE else "above"
            table.status[index] = f"more than half of the draws lie {side} the readings"
            table.value[index] = np.nan
            table.draws[index] = np.nan
