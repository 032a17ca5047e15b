"""Answers to a question: values, states and draws of every model, and everything they rest on."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np

from fanstats.engine.choices import curve_uncertainty, slopes_of_points, weighed
from fanstats.engine.draws import CHUNK, Drawn, LabelledDraws, Still, draw_sources
from fanstats.engine.layout import Layout, lay_out
from fanstats.engine.ledger import Ledger, Room, open_ledger
from fanstats.engine.points import SCOPES, Asked, Points, mean_points, read_points
from fanstats.engine.sittings import Sittings, nearest, placed, several_dialled, sittings_of
from fanstats.engine.states import model_state, quantity_state, scope_state
from fanstats.errors import FanstatsError
from fanstats.loading.against_bench import check_against_bench
from fanstats.loading.corrections import corrected
from fanstats.progress import progress
from fanstats.sources import Bench, UnitSpread

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import xarray as xr

    from fanstats._typing import FloatArray
    from fanstats.engine.layout import Block
    from fanstats.engine.question import Question
    from fanstats.engine.sittings import Channel

__all__ = [
    "Answer",
    "Rerun",
    "Reruns",
    "Table",
    "answer",
    "ask",
    "at_levels",
    "outputs_of",
    "values_of",
    "with_spread",
]

# Above this share of draws beyond the data there is no estimate. A value at the very end of a
# sweep has half of them there, and must not come and go with the draws.
_MOST_OUTSIDE: Final = 0.52
# Draws (times models) worked out together: enough to pay for each call, and no more memory.
_TOGETHER: Final = 2**14
# Just below the largest size from which glibc learns (mallopt(3), M_MMAP_THRESHOLD).
_LEARNED: Final = 2**22 - 2**10
_MOST_WORKERS: Final = 8
# Draws (times models) whose readings are kept for asking again.
_HELD: Final = 2**20


# Asking -----------------------------------------------------------------------------------------


def ask(readings: xr.Dataset, bench: Bench, question: Question) -> tuple[Asked, ...]:
    """Gather readings, check what is asked of them and lay out every model, once for all levels."""
    given: object = bench
    if not isinstance(given, Bench):
        msg = f"`bench` must be a Bench (see read_bench); got {type(given).__name__}."
        raise FanstatsError(msg)
    readings = corrected(readings, bench)
    sittings = placed(sittings_of(readings))
    at_noise = question.kind == "equal noise"
    if at_noise and several_dialled(sittings).size:
        each = [replace(question, at=(level,)) for level in question.at]
        return tuple(
            asked
            for one in each
            for asked in _asked(readings, nearest(sittings, one.at[0]), bench, one)
        )
    return _asked(readings, sittings, bench, question)


def _asked(
    readings: xr.Dataset, sittings: Sittings, bench: Bench, question: Question
) -> tuple[Asked, ...]:
    needed = question.kind == "equal noise"
    check_against_bench(
        readings, bench, question.noise, needed=needed, as_read=question.omit_shared
    )
    models = list(dict.fromkeys(str(name) for name in readings["model"].to_numpy().astype(str)))
    room, level = _reference(sittings, question)
    layout = lay_out(sittings, models, bench, noise=question.noise, curve=question.curve)
    ledger = open_ledger(
        sittings,
        bench,
        models=models,
        noise=question.noise,
        omit_shared=question.omit_shared,
        fans=max(question.fans.values(), default=1),
        reference=room,
    )
    first = Asked(
        question=question,
        layout=weighed(layout, ledger),
        ledger=ledger,
        at=question.at[0],
        room=room,
        room_level=level,
        slopes=tuple(slopes_of_points(layout, ledger, question.slope)),
    )
    return tuple(_at(replace(first, at=at)) for at in question.at)


def _at(asked: Asked) -> Asked:
    """Put in what hangs on the level: the choice of curve, and what an unread room may hide."""
    curve, told = asked.question.pooled.get("curve"), -1
    if curve is None:
        curve, told = np.nan, 0
        if asked.question.kind != "equal drive":
            curve, told = curve_uncertainty(asked)
    asked = replace(asked, curve=float(curve), curve_told=told)
    return asked.with_ledger(with_spread(asked, asked.ledger.spread))


def with_spread(asked: Asked, spread: UnitSpread) -> Ledger:
    """Set every parameter's errors, with units that differ so much."""
    hidden = np.zeros(len(asked.layout.sittings))
    if asked.question.kind == "equal noise":
        limits = asked.hidden_limit(np.arange(hidden.size))
        hidden = np.nan_to_num(limits) / np.sqrt(12.0)
    sized = [(0.0, 0.0) if slope is None else slope[:2] for slope in asked.slopes]
    slopes = np.array(sized, dtype=np.float64).reshape(-1, 2).T
    return asked.ledger.with_parameters(
        spread=spread,
        curve=float(np.nan_to_num(asked.curve)),
        hidden=hidden,
        slopes=(slopes[0], slopes[1]),
    )


def _reference(sittings: Sittings, question: Question) -> tuple[Room | None, float]:
    """Choose the room that every model is read off in: its reading and its level.

    A session's name or a level as asked for; by default the reading that is the lower median of
    those there are; or the one handed over from an earlier result.
    """
    room, earlier = question.room, question.pooled
    noisy = np.flatnonzero(sittings.has(question.noise))
    if "room" in earlier and room is None and noisy.size:
        return _earlier_room(earlier["room"])
    if isinstance(room, (int, float)) and not isinstance(room, bool):
        if not np.isfinite(room):
            msg = f"`room` as a level must be finite; got {room!r}."
            raise FanstatsError(msg)
        return None, float(room)
    known: dict[tuple[str, ...], Room] = {}
    for place in noisy[::-1].tolist():
        if np.isfinite(sittings.background[place]):
            names = {name: str(column[place]) for name, column in sittings.labels.items()}
            found = Room(
                float(sittings.background[place]), **names, label=sittings.room_label[place]
            )
            known[found.rig, *found.label] = found
    if room is not None:
        known = {key: found for key, found in known.items() if found.session == room}
        if not known:
            sessions = sorted({str(name) for name in sittings.labels["session"][noisy] if name})
            msg = (
                f"`room` must be a level in dB or a session with a background reading; got "
                f"{room!r}. Sessions: {', '.join(sessions) or 'none recorded'}."
            )
            raise FanstatsError(msg)
    if not known:
        return None, float("nan")
    ranked = sorted(known, key=lambda key: (known[key].level, key))
    chosen = known[ranked[(len(ranked) - 1) // 2]]
    return chosen, chosen.level


def _earlier_room(record: dict[str, Any] | None) -> tuple[Room | None, float]:
    if record is None:
        return None, float("nan")
    level = float(record["level"])
    if "reading" not in record:
        return None, level
    names = {name: str(record[name]) for name in ("rig", "session", "model", "unit", "sitting")}
    return Room(level, **names, label=tuple(record["reading"])), level


# Answering --------------------------------------------------------------------------------------


class Table:
    """Arrays of one output over scope, model and obstruction, filled block by block."""

    def __init__(self, models: int, obstructions: int, draws: int) -> None:
        shape = (len(SCOPES), models, obstructions)
        self.draws = np.full((*shape, draws), np.nan)
        self.value = np.full(shape, np.nan)
        self.status = np.full(shape, "", dtype=object)
        self.below = np.zeros(shape)
        self.above = np.zeros(shape)


def outputs_of(question: Question, layout: Layout) -> dict[str, list[str]]:
    """List what is given: obstructions by quantity, [""] where none applies."""
    found: dict[str, list[str]] = {}
    units = layout.sittings.units
    if question.kind != "equal speed" and "speed" in units:
        found["speed"] = [""]
    if question.kind != "equal noise" and question.noise[0] in units:
        found["noise"] = [""]
    for quantity, obstruction in layout.channels:
        found.setdefault(quantity, []).append(obstruction)
    return found


@dataclass(frozen=True, kw_only=True, eq=False)
class Answer:
    """A question, what it is asked of, and what every model does.

    Attributes
    ----------
    question : Question
    readings : xarray.Dataset
    bench : Bench
    asked : tuple of Asked
        One a level; layout and ledger are the same in all of them.
    root : int
        Root seed.
    size : int
        Monte Carlo draws.
    outputs : dict
        Obstructions by quantity.
    """

    question: Question
    readings: xr.Dataset
    bench: Bench
    asked: tuple[Asked, ...]
    root: int
    size: int
    outputs: dict[str, list[str]]

    @property
    def layout(self) -> Layout:
        """Curves of every model."""
        return self.asked[0].layout

    def at(self, level: float | None) -> Answer:
        """Keep one level."""
        kept = tuple(one for one in self.asked if level is None or one.at == level)
        return replace(self, asked=kept)

    def __deepcopy__(self, memo: dict[int, object]) -> Answer:
        return self

    def tables(
        self,
        outputs: Mapping[str, Sequence[str]] | None = None,
        models: Sequence[int] | None = None,
    ) -> tuple[list[dict[str, Table]], list[list[str]]]:
        """Work out values, draws, states and shares of some models, level by level.

        Given beside them: why a model has no estimate at all, "" where it has one.
        """
        wanted = self.outputs if outputs is None else outputs
        rows = range(len(self.layout.models)) if models is None else models
        filling = [_Filling(one, wanted, rows, self.size) for one in self.asked]
        for block in self.asked[0].blocks(rows):
            for one in filling:
                one.values(block)
        _keep_memory()
        most = max(1, _TOGETHER // min(CHUNK, self.size))
        there = [row for row in rows if any(one.estimable(row) for one in filling)]
        blocks = self.asked[0].blocks(there, most)
        chunks = len(range(0, self.size, CHUNK))
        with progress(len(blocks) * chunks, "drawing") as step:

            def fill(part: Sequence[Block]) -> None:
                for source in draw_sources(self.root, self.size):
                    for block in part:
                        _fill(filling, block, source)
                        step()

            workers = _workers()
            with ThreadPoolExecutor(workers) as pool:
                list(pool.map(fill, [blocks[k::workers] for k in range(workers)]))
        for one in filling:
            one.drop_unsupported()
        return [one.tables for one in filling], [one.reasons for one in filling]


def values_of(
    asked: Asked, outputs: Mapping[str, Sequence[str]], models: Sequence[int]
) -> tuple[dict[str, Table], list[str]]:
    """Read some models off at the readings as read: values, states, and why a model has none."""
    filling = _Filling(asked, outputs, models, 0)
    for block in asked.blocks(models):
        filling.values(block)
    return filling.tables, filling.reasons


def answer(
    readings: xr.Dataset, bench: Bench, question: Question, *, draws: int, root: int
) -> Answer:
    """Put a question to readings and a bench."""
    asked = ask(readings, bench, question)
    outputs = outputs_of(question, asked[0].layout)
    if not outputs:
        msg = (
            "The readings hold nothing to read off: no speed, airflow or temperature with a number "
            "in it. Print load_report(readings) for what could not be read."
        )
        raise FanstatsError(msg)
    return Answer(
        question=question,
        readings=readings,
        bench=bench,
        asked=asked,
        root=root,
        size=draws,
        outputs=outputs,
    )


class Rerun(NamedTuple):
    """One output of some models, arrays of shape (scope, model, ...), and why one is missing."""

    value: FloatArray
    draws: FloatArray
    status: np.ndarray
    shares: FloatArray  # below and above what was read


class Reruns:
    """One output of some models under one spread after another; readings are drawn once.

    `parts` are channels and what each counts in a sum; a single one with 1 for a plain output.
    """

    def __init__(
        self, found: Answer, parts: Sequence[tuple[Channel, float]], models: Sequence[int]
    ) -> None:
        self._asked, self._size, self._models = found.asked[0], found.size, models
        self._parts = parts
        self._outputs: dict[str, list[str]] = {}
        for (name, place), _ in parts:
            self._outputs.setdefault(name, []).append(place)
        self._whole = self._asked.blocks(models)
        self._blocks = self._asked.blocks(models, max(1, _TOGETHER // min(CHUNK, self._size)))
        self._sources = draw_sources(found.root, self._size)
        self._hold = len(models) * len(parts) * self._size <= _HELD
        self._drawn: dict[tuple[int, int], Drawn] = {}

    def __call__(self, spread: UnitSpread) -> Rerun:
        """Work out values, draws and states with units that differ so much."""
        asked = self._asked.with_ledger(with_spread(self._asked, spread))
        filling = _Filling(asked, self._outputs, self._models, self._size)
        for block in self._whole:
            filling.values(block)
        for place, block in enumerate(self._blocks):
            if any(filling.estimable(row) for row in block.models):
                for source in self._sources:
                    drawn = self._of(place, source).with_ledger(asked.ledger)
                    filling.draws(drawn, block, source.chunk)
        filling.drop_unsupported()
        return self._summed(filling)

    def _summed(self, filling: _Filling) -> Rerun:
        held = [(filling.tables[c[0]], filling.column(c), weight) for c, weight in self._parts]
        reasons = np.array(filling.reasons, dtype=object)
        status = np.full(held[0][0].status.shape[:2], "", dtype=object)
        for table, column, _ in reversed(held):
            own = table.status[:, :, column]
            status = np.where(own != "", own, np.where(status != "", status, reasons))
        return Rerun(
            np.asarray(sum(weight * table.value[:, :, k] for table, k, weight in held)),
            np.asarray(sum(weight * table.draws[:, :, k] for table, k, weight in held)),
            status,
            np.max([_shares(table, k, weight) for table, k, weight in held], axis=0),
        )

    def _of(self, block: int, source: LabelledDraws) -> Drawn:
        key = (block, source.chunk)
        if key in self._drawn:
            return self._drawn[key]
        drawn = Drawn(self._asked.ledger, source)
        if self._hold:
            self._drawn[key] = drawn
        return drawn


def _shares(table: Table, column: int, weight: float) -> FloatArray:
    """Give the shares below and above what was read; a negative weight turns the ends around."""
    ends = np.array([table.below[:, :, column], table.above[:, :, column]])
    return ends if weight > 0 else ends[::-1]


def at_levels(found: Answer, levels: tuple[float, ...]) -> Answer:
    """Put the same question at other levels or speeds; nothing else is worked out again."""
    question = replace(found.question, at=levels)
    if several_dialled(found.layout.sittings).size:
        return replace(found, question=question, asked=ask(found.readings, found.bench, question))
    asked = tuple(_at(replace(found.asked[0], question=question, at=at)) for at in levels)
    return replace(found, question=question, asked=asked)


def _fill(filling: Sequence[_Filling], block: Block, source: LabelledDraws) -> None:
    """Fill one chunk of draws at every level; what was read is drawn once for all of them."""
    x = Drawn(filling[0].asked.ledger, source)
    for one in filling:
        one.draws(x if one is filling[0] else x.with_ledger(one.asked.ledger), block, source.chunk)


class _Filling:
    """Fills the tables of one level, block by block."""

    def __init__(
        self,
        asked: Asked,
        outputs: Mapping[str, Sequence[str]],
        rows: Sequence[int],
        draws: int,
    ) -> None:
        self.asked, self.outputs = asked, outputs
        self.place = {row: k for k, row in enumerate(rows)}
        self.tables = {name: Table(len(rows), len(p), draws) for name, p in outputs.items()}
        self.channels = [(name, place) for name, places in outputs.items() for place in places]
        self.reasons = [""] * len(rows)

    def column(self, channel: Channel) -> int:
        """Give the place of a channel's obstruction in its table."""
        return list(self.outputs[channel[0]]).index(channel[1])

    def estimable(self, row: int) -> bool:
        """Say whether any output of a model has a value."""
        place = self.place[row]
        return any(np.isfinite(table.value[:, place]).any() for table in self.tables.values())

    def values(self, block: Block) -> None:
        """Fill values at the readings as read, or the reason why there is none."""
        known = block.abscissa is not None
        x = Still(self.asked.ledger)
        found: dict[Channel, Points | None] = {}
        if known:
            read = read_points(x, self.asked, block, self.channels)
            found = {c: mean_points([p for _, p in parts]) if parts else None
                     for c, parts in read.items()}  # fmt: skip
        regular = known and _regular(self.asked, block)
        for member, row in enumerate(block.models):
            self._value(row, member, found, regular)

    def _value(
        self, row: int, member: int, found: dict[Channel, Points | None], regular: bool
    ) -> None:
        flagged = not regular or any(
            part is None
            or part.below[:, min(member, part.below.shape[1] - 1)].any()
            or part.above[:, min(member, part.above.shape[1] - 1)].any()
            for part in found.values()
        )
        place, alone = self.place[row], None
        points: dict[int, Points] = {}
        if flagged:
            alone, points, self.reasons[place] = model_state(self.asked, row)
        for channel in self.channels:
            table, column = self.tables[channel[0]], self.column(channel)
            why = self.reasons[place]
            if alone is not None and not why:
                why = quantity_state(self.asked, alone, points, channel)
            part = found.get(channel)
            for index, scope in enumerate(SCOPES):
                missing = why or scope_state(self.asked, row, channel, scope)
                table.status[index, place, column] = missing
                if not missing and part is not None:
                    here = min(index, part.at.shape[0] - 1)
                    at = part.at[here, min(member, part.at.shape[1] - 1)]
                    table.value[index, place, column] = at[0]

    def draws(self, x: Drawn, block: Block, chunk: int) -> None:
        """Fill one chunk of draws wherever a value stands."""
        rows = [self.place[row] for row in block.models]
        channels = [
            channel
            for channel in self.channels
            if np.isfinite(self.tables[channel[0]].value[:, rows, self.column(channel)]).any()
        ]
        where = slice(chunk * CHUNK, chunk * CHUNK + x.size)
        for channel, parts in read_points(x, self.asked, block, channels).items():
            if parts:
                self._store(channel, mean_points([p for _, p in parts]), rows, where)

    def _store(self, channel: Channel, found: Points, rows: list[int], where: slice) -> None:
        table, column = self.tables[channel[0]], self.column(channel)
        total = table.draws.shape[-1]
        # Past the low end of the speeds a rise is past its high end: less speed, more heat.
        swapped = channel[0] == "temperature_rise"
        sides = (found.above, found.below) if swapped else (found.below, found.above)
        there = np.isfinite(table.value[:, rows, column])
        at = np.broadcast_to(found.at, (found.at.shape[0], len(rows), found.at.shape[2]))
        for index, member in np.argwhere(there).tolist():
            scope = min(index, at.shape[0] - 1)
            table.draws[index, rows[member], column, where] = at[scope, member]
        for held, past in zip((table.below, table.above), sides, strict=True):
            if past.any():
                outside = np.count_nonzero(np.broadcast_to(past, at.shape), axis=-1) / total
                held[:, rows, column] += np.where(there, outside, 0.0)

    def drop_unsupported(self) -> None:
        """Give no estimate where more than half of the draws lie beyond the data."""
        for table in self.tables.values():
            lost = (table.below > _MOST_OUTSIDE) | (table.above > _MOST_OUTSIDE)
            for place in np.argwhere(lost):
                index = tuple(place)
                side = "below" if table.below[index] > _MOST_OUTSIDE else "above"
                table.status[index] = f"more than half of the draws lie {side} the readings"
                table.value[index] = np.nan
                table.draws[index] = np.nan


def _regular(asked: Asked, block: Block) -> bool:
    """Say whether nothing but a range can keep models of this shape from being read off."""
    if asked.question.kind != "equal noise" or asked.problem or block.abscissa != "speed":
        return False
    return block.fans == 1 and all(
        unit.levels
        and not any(curves.is_point for curves in unit.levels)
        and all(
            curves and all(curve.values.size > 1 for curve in curves)
            for curves in unit.quantities.values()
        )
        for unit in block.units
    )


def _keep_memory() -> None:
    """Have the allocator keep the memory of passing arrays instead of handing each back.

    A large array once freed (never touched, so it costs nothing) tells glibc to serve arrays up
    to its size from memory it holds; the passing arrays of a block then need no new pages, which
    halves the time of the arithmetic. Elsewhere it does nothing.
    """
    np.empty(_LEARNED)


def _workers() -> int:
    """Give the number of threads: numpy lets go of the interpreter in its loops."""
    return max(1, min(_MOST_WORKERS, len(os.sched_getaffinity(0))))
