"""Which steps carry which curve, chosen once at the readings as read; models laid side by side."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final, Literal, NamedTuple

import numpy as np

from fanstats.engine.curves import energy_mean
from fanstats.engine.ledger import KINDS, Ledger, reading_uncertainty
from fanstats.engine.sittings import ABOVE_ROOM, AMBIENT, DRIVES, SPEED, Channel, Sittings

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from fanstats._typing import BoolArray, FloatArray, IntArray
    from fanstats.engine.curves import CurveKind
    from fanstats.sources import Bench

__all__ = [
    "Block",
    "Knots",
    "Layout",
    "LevelCurves",
    "Parallel",
    "QuantityCurves",
    "Unit",
    "lay_out",
]

# "relative": one step a sitting and no speed; the curve is a point, and fan laws carry it on.
Abscissa = Literal["speed", "relative", "drive_voltage", "drive_duty"]
ABSCISSAS: Final[tuple[Abscissa, ...]] = ("speed", "relative", "drive_voltage", "drive_duty")
# What is read off a curve over speed, against what is read for it.
READ_OFF: Final = {"airflow": "airflow", "temperature_rise": "temperature"}
# Policy: neighbours closer than this many standard uncertainties of their distance are one knot.
_APART: Final = 4.0
ROOMS: Final = ("read", "fitted", "unknown")
PROBLEMS: Final = (
    "",
    "at the room's floor: no step clears the room",
    "no noise readings",
    "only one usable step over drive: a curve needs two",
    "a power law needs speed readings",
)


class Knots(NamedTuple):
    """The cells that carry one channel's curves, one curve a sitting.

    Cells of a curve, ``cell[first[s]:first[s + 1]]``, rise with the abscissa; equal numbers in
    `knot` are one knot. Curves of equal `shape` have equally many cells, merged alike.
    """

    cell: IntArray
    knot: IntArray
    first: IntArray
    counts: IntArray
    shape: IntArray
    dropped: dict[int, tuple[str, ...]]

    def of(self, sitting: int) -> IntArray:
        """Give the cells of one sitting's curve."""
        return self.cell[self.first[sitting] : self.first[sitting + 1]]

    def groups(self, sitting: int) -> IntArray:
        """Give the knot of each of those cells."""
        return self.knot[self.first[sitting] : self.first[sitting + 1]]


class Unit(NamedTuple):
    """One sample of a model: its label, and its sittings."""

    name: str
    sittings: tuple[int, ...]


class Parallel(NamedTuple):
    """Cells of alike curves side by side: inputs of shape (cell, model), and which are one knot."""

    cells: IntArray
    inputs: IntArray
    group: IntArray
    size: int

    def knots(self, part: slice) -> slice:
        """Give the cells of some knots."""
        return slice(*np.searchsorted(self.group, [part.start, part.stop]).tolist())

    def merged(
        self, values: FloatArray, *, energy: bool = False, part: slice | None = None
    ) -> FloatArray:
        """Average the cells of each knot, by energy for levels; shape (knot, ...)."""
        group = self.group if part is None else self.group[self.knots(part)]
        if group.size == np.unique(group).size:
            return values
        starts = np.flatnonzero(np.diff(group, prepend=-1))
        share = np.diff(np.append(starts, group.size)).reshape((-1,) + (1,) * (values.ndim - 1))
        if energy:
            return energy_mean(values, starts, share)
        return np.asarray(np.add.reduceat(values, starts, axis=0) / share)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LevelCurves:
    """Noise curves of alike models, one sitting each; arrays of inputs end in the model.

    `x` is the abscissa as read. `covariance`, shape (model, knot, knot), is what the knots of a
    power law are weighed with.
    """

    sittings: IntArray
    noise: Parallel
    speed: IntArray | None
    x: FloatArray
    fan: IntArray
    fan_cells: IntArray | None
    room: IntArray | None
    curve: IntArray
    hidden: IntArray
    slope: IntArray
    kind: CurveKind
    room_kind: str
    over_speed: bool
    covariance: FloatArray | None = None

    @property
    def is_point(self) -> bool:
        """Whether a single step carries the curve: dialled in, or a number off a chart."""
        return self.noise.size == 1

    def inputs(self) -> list[IntArray]:
        """List the inputs of the readings."""
        found = (self.noise.inputs, self.speed, self.fan, self.fan_cells, self.room)
        return [ids for ids in found if ids is not None]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class QuantityCurves:
    """Curves of airflow or temperature rise of alike models, one sitting each."""

    sittings: IntArray
    values: Parallel
    ambient: IntArray | None
    speed: IntArray | None
    x: FloatArray
    exponent: IntArray

    def inputs(self) -> list[IntArray]:
        """List the inputs of the readings."""
        return [ids for ids in (self.values.inputs, self.ambient, self.speed) if ids is not None]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class UnitCurves:
    """The curves of one unit of each of several alike models, and its luck by kind.

    `drives` are speeds over a drive, each sitting that swept it.
    """

    levels: tuple[LevelCurves, ...]
    quantities: dict[Channel, tuple[QuantityCurves, ...]]
    drives: tuple[tuple[Parallel, FloatArray], ...]
    drive_ends: tuple[FloatArray, FloatArray]
    luck: dict[str, IntArray]
    problem: str

    def carries(self, channel: Channel) -> bool:
        """Say whether every sitting's curve of a quantity has a step."""
        curves = self.quantities.get(channel, ())
        return bool(curves) and all(curve.values.size > 0 for curve in curves)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Block:
    """Alike models laid side by side."""

    models: tuple[int, ...]
    abscissa: Abscissa | None
    units: tuple[UnitCurves, ...]
    fans: int
    bought: dict[str, IntArray]  # shape (fan, model)
    reference: IntArray | None  # input of the room that levels are meant in

    def inputs(self) -> Iterator[tuple[IntArray, Channel | None]]:
        """Go through arrays of inputs, each with the one channel that feels it, else None."""
        if self.reference is not None:
            yield self.reference, None
        for unit in self.units:
            for level in unit.levels:
                for ids in (*level.inputs(), level.curve, level.hidden, level.slope):
                    yield ids, None
            for channel, curves in unit.quantities.items():
                for curve in curves:
                    yield curve.values.inputs, channel
                    if curve.ambient is not None:
                        yield curve.ambient, channel
                    if curve.speed is not None:
                        yield curve.speed, None
                    yield curve.exponent, None
            for drive, _ in unit.drives:
                yield drive.inputs, None
            yield from ((ids, None) for ids in unit.luck.values())
        yield from ((ids, None) for ids in self.bought.values())


@dataclass(frozen=True, kw_only=True, eq=False)
class Layout:
    """The curves of every model.

    Attributes
    ----------
    models : tuple of str
        In the order of the readings.
    channels : tuple of (str, str)
        What can be read off besides noise and speed: quantity and obstruction.
    abscissa : tuple
        What each model's curves run over; None where the readings hold nothing for all of them.
    units : tuple of tuple of Unit
        By model.
    level : Knots
        Of noise, over each model's abscissa.
    quantity : dict
        Knots by what can be read off.
    problem, room : ndarray of int, shape (sitting,)
        Why nothing can be read off a noise curve, a place in `PROBLEMS`; and whether the room was
        read, is the floor of the fit or is unknown, a place in `ROOMS`.
    """

    sittings: Sittings
    bench: Bench
    models: tuple[str, ...]
    noise: Channel
    curve: CurveKind
    channels: tuple[Channel, ...]
    abscissa: tuple[Abscissa | None, ...]
    units: tuple[tuple[Unit, ...], ...]
    level: Knots
    quantity: dict[Channel, Knots]
    problem: IntArray
    room: IntArray
    codes: IntArray
    covariances: dict[int, FloatArray] = field(default_factory=dict)

    @cached_property
    def has_noise(self) -> BoolArray:
        """Sittings that read the noise that is matched."""
        return self.sittings.has(self.noise)

    @cached_property
    def has(self) -> dict[Channel, BoolArray]:
        """Sittings that read each of the channels."""
        return {c: self.sittings.has((READ_OFF[c[0]], c[1])) for c in self.channels}

    def noise_sittings(self, unit: Unit) -> list[int]:
        """Give the sittings of a unit that read noise."""
        if self.abscissa[self.model_of[unit.sittings[0]]] is None:
            return []
        return [s for s in unit.sittings if self.has_noise[s]]

    def quantity_sittings(self, unit: Unit, channel: Channel) -> list[int]:
        """Give the sittings of a unit that read a quantity."""
        if channel not in self.has or self.abscissa[self.model_of[unit.sittings[0]]] is None:
            return []
        return [s for s in unit.sittings if self.has[channel][s]]

    @cached_property
    def model_of(self) -> dict[int, int]:
        """Place of each sitting's model."""
        return {
            s: model
            for model, units in enumerate(self.units)
            for unit in units
            for s in unit.sittings
        }

    def unit_problem(self, unit: Unit) -> str:
        """Say why no noise curve of the unit can be used, "" where all can."""
        noisy = self.noise_sittings(unit)
        if not noisy:
            return PROBLEMS[2]
        return PROBLEMS[next((self.problem[s] for s in noisy if self.problem[s]), 0)]

    def is_point(self, sitting: int) -> bool:
        """Say whether a single step carries a noise curve."""
        return bool(self.level.counts[sitting] == 1)

    @cached_property
    def drive_knots(self) -> dict[str, Knots]:
        """Knots of speed over each drive."""
        found = {}
        for kind in DRIVES:
            codes = np.full(len(self.sittings), ABSCISSAS.index(kind))
            found[kind] = _knots(self.sittings, self.bench, SPEED, codes) if SPEED in (
                self.sittings.channels) else None  # fmt: skip
        return {kind: knots for kind, knots in found.items() if knots is not None}

    # Alike models -----------------------------------------------------------------------------

    def level_curves(self, ledger: Ledger) -> Iterator[LevelCurves]:
        """Lay the usable noise curves of all sittings side by side, alike ones together."""
        alike: dict[tuple[object, ...], list[int]] = {}
        for s in np.flatnonzero(self.has_noise & (self.problem == 0) & (self.codes >= 0)).tolist():
            key = (self.codes[s], self.room[s], self.level.shape[s], s in self.covariances)
            alike.setdefault(key, []).append(s)
        for sittings in alike.values():
            yield self.level_curve(ledger, *sittings)

    def level_curve(self, ledger: Ledger, *sittings: int) -> LevelCurves:
        """Give the noise curves of alike sittings side by side."""
        models = [self.model_of[s] for s in sittings]
        return _Laying(self, ledger, models, {}, None).level(np.array(sittings))

    def parallel(
        self, ledger: Ledger, channel: Channel, knots: Knots, sittings: IntArray
    ) -> Parallel:
        """Lay the cells of alike curves side by side."""
        group = knots.groups(int(sittings[0]))
        cells = knots.cell[knots.first[sittings][:, np.newaxis] + np.arange(group.size)].T
        cells = cells.reshape(group.size, sittings.size)
        return Parallel(
            cells, ledger.offset[channel] + cells, group, int(knots.counts[sittings[0]])
        )

    def blocks(
        self,
        ledger: Ledger,
        models: Sequence[int],
        *,
        fans: Mapping[str, int] | None = None,
        drive: tuple[str, float] | None = None,
        most: int | None = None,
    ) -> Iterator[Block]:
        """Lay models that are alike side by side, at most so many in one block."""
        alike: dict[tuple[object, ...], list[int]] = {}
        for model in models:
            alike.setdefault(self._signature(model, fans or {}, drive), []).append(model)
        for rows in alike.values():
            step = len(rows) if most is None else max(1, most)
            for start in range(0, len(rows), step):
                yield _Laying(self, ledger, rows[start : start + step], fans or {}, drive).block()

    def _signature(
        self, model: int, fans: Mapping[str, int], drive: tuple[str, float] | None
    ) -> tuple[object, ...]:
        """Say what must be equal for models to be worked out in one array."""
        units = []
        for unit in self.units[model]:
            noisy = self.noise_sittings(unit)
            level = tuple(
                (self.problem[s], self.room[s], self.level.shape[s], s in self.covariances)
                for s in noisy
            )
            rest = tuple(
                tuple(self.quantity[c].shape[s] for s in self.quantity_sittings(unit, c))
                for c in self.channels
            )
            units.append((level, rest, self._drive_signature(unit, drive)))
        return (self.abscissa[model], fans.get(self.models[model], 1), tuple(units))

    def _drive_signature(self, unit: Unit, drive: tuple[str, float] | None) -> tuple[object, ...]:
        if drive is None:
            return ()
        kind, at = drive
        low, high = self.drive_range(unit, kind)
        knots = self.drive_knots.get(kind)
        shapes = () if knots is None else tuple(int(knots.shape[s]) for s in unit.sittings)
        tops = [float(self.sittings[s].drives[kind][0]) for s in unit.sittings]
        return (shapes, np.isfinite(low), np.isfinite(high), bool(np.isclose(tops, at).any()))

    def drive_range(self, unit: Unit, kind: str) -> tuple[float, float]:
        """Give the lowest and highest drive at which a unit was read; NaN where there is none."""
        s = self.sittings
        held = [s.drives[kind][s.first[k] : s.first[k + 1]] for k in unit.sittings]
        read = np.concatenate(held)
        read = read[np.isfinite(read)]
        return (float(read.min()), float(read.max())) if read.size else (np.nan, np.nan)


class _Laying:
    """Lays alike models side by side."""

    def __init__(
        self,
        layout: Layout,
        ledger: Ledger,
        models: Sequence[int],
        fans: Mapping[str, int],
        drive: tuple[str, float] | None,
    ) -> None:
        self.layout, self.ledger, self.models, self.drive = layout, ledger, list(models), drive
        self.fans = fans.get(layout.models[self.models[0]], 1)
        self.abscissa = layout.abscissa[self.models[0]]
        self.speeds: dict[bytes, IntArray] = {}
        starts = np.cumsum([0, *(len(units) for units in layout.units)])
        self.unit_at = starts[self.models]

    def block(self) -> Block:
        owners, offset = self.ledger.owners, self.ledger.offset
        first = self.layout.units[self.models[0]]
        here = np.asarray(self.models, dtype=np.intp)
        count = np.arange(self.fans)[:, np.newaxis]
        return Block(
            models=tuple(self.models),
            abscissa=self.abscissa,
            units=tuple(self._unit(place) for place in range(len(first))),
            fans=self.fans,
            bought={kind: offset["next unit", kind] + here * owners.fans + count for kind in KINDS},
            reference=self.ledger.reference_inputs(here.size),
        )

    def _unit(self, place: int) -> UnitCurves:
        layout = self.layout
        units = [layout.units[model][place] for model in self.models]
        noisy = [layout.noise_sittings(unit) for unit in units]
        problem = layout.unit_problem(units[0])
        return UnitCurves(
            levels=()
            if problem
            else tuple(self.level(np.array(s)) for s in zip(*noisy, strict=True)),
            quantities={
                channel: tuple(
                    self._quantity(channel, np.array(s))
                    for s in zip(
                        *(layout.quantity_sittings(u, channel) for u in units), strict=True
                    )
                )
                for channel in layout.channels
            },
            drives=self._drives(units),
            drive_ends=self._drive_ends(units),
            luck={k: self.ledger.offset["unit", k] + self.unit_at + place for k in KINDS},
            problem=problem,
        )

    def _parallel(self, channel: Channel, knots: Knots, sittings: IntArray) -> Parallel:
        return self.layout.parallel(self.ledger, channel, knots, sittings)

    def _speed(self, cells: IntArray) -> IntArray | None:
        """Give the speeds of cells: one array serves all that is read at the same steps."""
        if self.abscissa != "speed":
            return None
        return self.speeds.setdefault(cells.tobytes(), self.ledger.offset[SPEED] + cells)

    def _x(self, cells: IntArray) -> FloatArray:
        code = ABSCISSAS.index(self.abscissa or "speed")
        read = abscissa_values(self.layout.sittings, np.full(cells.size, code), cells.ravel())
        return read.reshape(*cells.shape, 1)

    def level(self, sittings: IntArray) -> LevelCurves:
        """Lay alike noise curves side by side, one sitting each."""
        layout, ledger, offset = self.layout, self.ledger, self.ledger.offset
        noise = self._parallel(layout.noise, layout.level, sittings)
        room = ROOMS[layout.room[sittings[0]]]
        held = [layout.covariances.get(int(s)) for s in sittings]
        weighed = np.stack([h for h in held if h is not None]) if held[0] is not None else None
        return LevelCurves(
            sittings=sittings,
            noise=noise,
            speed=self._speed(noise.cells),
            x=self._x(noise.cells),
            fan=offset["fan"] + sittings,
            fan_cells=offset["fan cells"] + noise.cells if ledger.fan_cells else None,
            room=ledger.room_of[sittings] if room == "read" else None,
            curve=offset["curve"] + sittings,
            hidden=offset["hidden"] + sittings,
            slope=offset["slope"] + np.asarray(self.models),
            kind=layout.curve,
            room_kind=room,
            over_speed=self.abscissa in ("speed", "relative"),
            covariance=weighed,
        )

    def _quantity(self, channel: Channel, sittings: IntArray) -> QuantityCurves:
        read = (READ_OFF[channel[0]], channel[1])
        values = self._parallel(read, self.layout.quantity[channel], sittings)
        rise = channel[0] == "temperature_rise" and AMBIENT in self.ledger.offset
        return QuantityCurves(
            sittings=sittings,
            values=values,
            ambient=self.ledger.offset[AMBIENT] + values.cells if rise else None,
            speed=self._speed(values.cells),
            x=self._x(values.cells),
            exponent=self.ledger.offset["exponent"] + np.asarray(self.models),
        )

    def _drives(self, units: Sequence[Unit]) -> tuple[tuple[Parallel, FloatArray], ...]:
        if self.drive is None or self.abscissa != "speed":
            return ()
        knots = self.layout.drive_knots.get(self.drive[0])
        if knots is None:
            return ()
        found = []
        for sittings in zip(*(unit.sittings for unit in units), strict=True):
            if knots.counts[sittings[0]]:
                speed = self._parallel(SPEED, knots, np.array(sittings))
                drive = self.layout.sittings.drives[self.drive[0]][speed.cells]
                found.append((speed, speed.merged(drive[..., np.newaxis])))
        return tuple(found)

    def _drive_ends(self, units: Sequence[Unit]) -> tuple[FloatArray, FloatArray]:
        if self.drive is None:
            return np.zeros(0), np.zeros(0)
        ends = np.array([self.layout.drive_range(unit, self.drive[0]) for unit in units])
        return ends[:, 0], ends[:, 1]


# Knots ------------------------------------------------------------------------------------------


def abscissa_values(sittings: Sittings, codes: IntArray, cells: IntArray) -> FloatArray:
    """Give the abscissa of cells as read; `codes` are places in `ABSCISSAS`, one a cell."""
    found = np.ones(cells.size)
    columns = [sittings.channels[SPEED].values if SPEED in sittings.channels else None, None,
               *(sittings.drives[kind] for kind in DRIVES)]  # fmt: skip
    for code, column in enumerate(columns):
        here = codes == code
        if column is not None and here.any():
            found[here] = column[cells[here]]
    return found


def _usable(sittings: Sittings, codes: IntArray) -> BoolArray:
    """Find cells with a running fan and an abscissa: a stalled step is never part of a curve."""
    speed = sittings.channels[SPEED].values if SPEED in sittings.channels else None
    by_kind = [
        speed > 0 if speed is not None else np.zeros(codes.size, dtype=np.bool_),
        np.ones(codes.size, dtype=np.bool_),
        *(np.isfinite(sittings.drives[kind]) for kind in DRIVES),
    ]
    usable = np.choose(np.maximum(codes, 0), by_kind) & (codes >= 0)
    return np.asarray(usable & ~(speed <= 0) if speed is not None else usable)


def _knots(
    sittings: Sittings,
    bench: Bench,
    channel: Channel,
    codes: IntArray,
    *,
    above: FloatArray | None = None,
    also: Channel | None = None,
) -> Knots:
    """Choose the cells that carry a channel's curves; `codes`: what each sitting's runs over."""
    owner = sittings.owner
    of_cell = codes[owner]
    values = sittings.channels[channel].values
    here = _usable(sittings, of_cell) & np.isfinite(values)
    if also is not None:
        here &= np.isfinite(sittings.channels[also].values) if also in sittings.channels else False
    dropped: dict[int, tuple[str, ...]] = {}
    if above is not None:
        quiet = here & (values < above[owner] + ABOVE_ROOM)
        for cell in np.flatnonzero(quiet).tolist():
            place = int(owner[cell])
            dropped[place] = (*dropped.get(place, ()), _too_quiet(sittings, cell, values, above))
        here &= ~quiet
    used = np.flatnonzero(here)
    x = abscissa_values(sittings, of_cell[used], used)
    order = np.lexsort((values[used], x, owner[used]))
    used, x = used[order], x[order]
    first = np.searchsorted(owner[used], np.arange(len(sittings) + 1))
    u = np.zeros(used.size)
    if SPEED in sittings.channels:
        over = codes[owner[used]] == 0
        u[over] = reading_uncertainty(sittings, bench, SPEED)[used[over]]
    knot, merged = _knot_numbers(x, u, owner[used], first)
    for place in merged:
        part = slice(first[place], first[place + 1])
        notes = _too_close(sittings, place, used[part], knot[part])
        dropped[place] = (*dropped.get(place, ()), *notes)
    counts = np.diff(first)
    filled = np.flatnonzero(counts)
    counts[filled] = knot[first[filled + 1] - 1] + 1
    shape = counts.copy()
    shapes: dict[bytes, int] = {}
    for place in merged:
        group = knot[first[place] : first[place + 1]].tobytes()
        shape[place] = -1 - shapes.setdefault(group, len(shapes))
    return Knots(used, knot, first, counts, shape, dropped)


def _too_quiet(sittings: Sittings, cell: int, values: FloatArray, above: FloatArray) -> str:
    place = int(sittings.owner[cell])
    return (
        f"{sittings[place].words}, {sittings.steps[cell]}: {values[cell]:.1f} dB is less than "
        f"{ABOVE_ROOM:g} dB above the room ({above[place]:.1f} dB), no usable level"
    )


def _too_close(sittings: Sittings, place: int, cells: IntArray, knot: IntArray) -> list[str]:
    where = sittings[place].words
    return [
        f"{where}: steps {', '.join(sittings.steps[c] for c in cells[knot == k].tolist())} lie too "
        "close in speed and are one knot"
        for k in np.flatnonzero(np.bincount(knot) > 1).tolist()
    ]


def _knot_numbers(
    x: FloatArray, u: FloatArray, owner: IntArray, first: IntArray
) -> tuple[IntArray, list[int]]:
    """Give the knots of every curve a number; name the curves in which neighbours are merged."""
    knot = np.arange(x.size) - first[owner] if x.size else np.zeros(0, dtype=np.intp)
    near = _APART * np.hypot(u[:-1], u[1:])
    close = (np.diff(x) <= near) & (owner[1:] == owner[:-1])
    merged = np.unique(owner[1:][close]).tolist()
    for place in merged:
        start, stop = int(first[place]), int(first[place + 1])
        knot[start:stop] = _grouped(x[start:stop], near[start : stop - 1])
    return knot, merged


def _grouped(x: FloatArray, near: FloatArray) -> IntArray:
    group = np.zeros(x.size, dtype=np.intp)
    start = 0
    for cell in range(1, x.size):
        apart = x[cell] - x[start:cell].mean() > near[cell - 1]
        group[cell] = group[cell - 1] + apart
        if apart:
            start = cell
    return group


# Laying out ---------------------------------------------------------------------------------------


def channels_of(sittings: Sittings) -> tuple[Channel, ...]:
    """List what can be read off: (quantity, obstruction), in the order of the readings."""
    return tuple(
        (quantity, obstruction)
        for quantity, read in READ_OFF.items()
        for name, obstruction in sittings.channels
        if name == read
    )


def lay_out(
    sittings: Sittings,
    models: Sequence[str],
    bench: Bench,
    *,
    noise: Channel = ("noise", ""),
    curve: CurveKind = "smooth",
) -> Layout:
    """Lay out the curves of every model."""
    channels = channels_of(sittings)
    place = {model: k for k, model in enumerate(models)}
    by_unit: list[dict[str, list[int]]] = [{} for _ in models]
    pairs = zip(sittings.labels["model"].tolist(), sittings.labels["unit"].tolist(), strict=True)
    for s, (model, unit) in enumerate(pairs):
        if model in place:
            by_unit[place[model]].setdefault(unit, []).append(s)
    units = tuple(tuple(Unit(name, tuple(held[name])) for name in sorted(held)) for held in by_unit)
    reads = sittings.has(noise)
    for quantity, obstruction in channels:
        reads = reads | sittings.has((READ_OFF[quantity], obstruction))
    abscissa = _abscissas(sittings, units, reads)
    codes = np.full(len(sittings), -1, dtype=np.intp)
    for held, kind in zip(units, abscissa, strict=True):
        for unit in held:
            codes[list(unit.sittings)] = -1 if kind is None else ABSCISSAS.index(kind)
    empty = np.zeros(len(sittings), dtype=np.intp)
    level = Knots(empty[:0], empty[:0], np.append(empty, 0), empty, empty, {})
    if noise in sittings.channels:
        level = _knots(sittings, bench, noise, codes, above=sittings.background)
    problem, room = _judged(sittings, level, codes, curve)
    return Layout(
        sittings=sittings,
        bench=bench,
        models=tuple(models),
        noise=noise,
        curve=curve,
        channels=channels,
        abscissa=abscissa,
        units=units,
        level=level,
        quantity={
            (quantity, obstruction): _knots(
                sittings,
                bench,
                (READ_OFF[quantity], obstruction),
                codes,
                also=AMBIENT if quantity == "temperature_rise" else None,
            )
            for quantity, obstruction in channels
        },
        problem=problem,
        room=room,
        codes=codes,
    )


def _abscissas(
    sittings: Sittings, units: tuple[tuple[Unit, ...], ...], reads: BoolArray
) -> tuple[Abscissa | None, ...]:
    """Say what the curves of each model run over: speed where every curve has it, else drive."""
    count = len(sittings)
    holds: dict[Abscissa, Any] = {}
    for code, kind in enumerate(ABSCISSAS):
        usable = _usable(sittings, np.full(sittings.owner.size, code))
        holds[kind] = np.bincount(sittings.owner[usable], minlength=count) > 0
    for kind in DRIVES:
        given = np.isfinite(sittings.drives[kind])
        holds[kind] = np.bincount(sittings.owner[given], minlength=count) > 0
    holds["relative"] = holds["relative"] & (np.diff(sittings.first) == 1)
    found: list[Abscissa | None] = []
    for held in units:
        own = [s for unit in held for s in unit.sittings if reads[s]]
        fits = (kind for kind in ABSCISSAS if own and holds[kind][own].all())
        found.append(next(fits, None))
    return tuple(found)


def _judged(
    sittings: Sittings, level: Knots, codes: IntArray, curve: CurveKind
) -> tuple[IntArray, IntArray]:
    """Say why nothing can be read off a noise curve, and what is known of its room."""
    lost = np.zeros(len(sittings), dtype=np.bool_)
    lost[list(level.dropped)] = True
    over_fan_law = (codes == 0) | (codes == 1)
    problem = np.where(level.counts == 0, np.where(lost, 1, 2), 0)
    problem = np.where((level.counts == 1) & ~over_fan_law, 3, problem)
    if curve == "power law":
        problem = np.where((level.counts > 1) & (codes != 0), 4, problem)
    room = np.where(np.isfinite(sittings.background), 0, 2)
    if curve == "power law":
        room = np.where((room == 2) & (level.counts >= 4), 1, room)
    return problem, room
