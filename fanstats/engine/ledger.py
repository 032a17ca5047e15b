"""The ledger: every place a number stands at, and every error that moves it, as columns of numbers.

*Inputs* are cells of the table and parameters (the room, a mounting, luck of a unit, the slope of a
point). A *row* says that an error, known by its *label*, moves an input by so much. Labels never
hold a size: two inputs share an error exactly when they have rows of one label, and other sizes
leave every draw where it was. This is the one place that knows what a bench means.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final, Literal, NamedTuple

import numpy as np
from scipy import sparse

from fanstats._typing import FloatArray, IntArray, Shape
from fanstats.engine.sittings import Channel, Sittings
from fanstats.sources import EVERY_RIG, Source, UnitSpread

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from fanstats.engine.sittings import Label
    from fanstats.sources import Bench, Instrument

__all__ = ["KINDS", "SHARED_BY", "Base", "Ledger", "Room", "cancels_as_read", "reading_uncertainty"]

SpreadKind = Literal["noise", "airflow", "speed", "temperature"]
KINDS: Final[tuple[SpreadKind, ...]] = ("noise", "airflow", "speed", "temperature")
BACKGROUND: Final = ("background", "")
# What an error is common to, from the widest to the narrowest; a label's `space` points here.
SHARED_BY: Final = (
    "shared", "session", "sitting", "model", "reading", "room reading", "unit", "next unit",
    "curve", "everything",
)  # fmt: skip
_SPACE: Final = {name: place for place, name in enumerate(SHARED_BY)}
# Fan law: airflow goes with speed; policy for how far the exponent of one model may differ.
AIRFLOW_EXPONENT: Final = 0.1
# A correlation of exactly 1 has no Fisher's z.
_NEARLY_ONE: Final = 1.0 - 1e-9
_ENTITIES: Final = 1 << 40


class Base(NamedTuple):
    """One stated source, as its labels begin: rig, instrument, level of sharing, name."""

    label: Label
    shape: Shape
    dof: float = math.inf
    removed: float = 0.0  # share of its mean square that is other than this error
    source: Source | None = None


class Room(NamedTuple):
    """One reading of the room: where and when, how loud, and what names it."""

    level: float
    rig: str
    session: str
    model: str
    unit: str
    sitting: str
    label: Label

    @property
    def own_label(self) -> Label:
        """Label of the sitting it was noted in."""
        return ("sitting", self.session, self.model, self.unit, self.sitting)

    @property
    def session_label(self) -> Label:
        """Label of its session."""
        return ("session", self.session) if self.session else self.own_label


class Rows(NamedTuple):
    """Errors of inputs, sorted by input.

    `scale` is the base whose degrees of freedom scale a row, `mix` 1 or 2 for the two parts of a
    luck that goes in step with another, else 0.
    """

    input: IntArray
    base: IntArray
    key: IntArray
    scale: IntArray
    size: FloatArray
    mix: IntArray


def _joined(parts: Sequence[tuple[Any, ...]]) -> Rows:
    """Join parts, each of six columns or single numbers, and sort them by input."""
    columns: list[Any] = [
        np.concatenate([np.broadcast_to(part[k], np.shape(part[0])) for part in parts])
        if parts
        else np.zeros(0)
        for k in range(6)
    ]
    order = np.argsort(columns[0], kind="stable")
    kinds: tuple[Any, ...] = (np.intp, np.intp, np.int64, np.intp, np.float64, np.intp)
    return Rows(*(c[order].astype(kind) for c, kind in zip(columns, kinds, strict=True)))


class _Names:
    """Numbers for texts, so that columns can hold them."""

    def __init__(self) -> None:
        self.texts: dict[Any, int] = {}

    def __call__(self, text: Any) -> int:
        return self.texts.setdefault(text, len(self.texts))

    def all(self, texts: Sequence[Any]) -> IntArray:
        """Give the numbers of several."""
        return np.array([self(text) for text in texts], dtype=np.intp)

    @property
    def listed(self) -> list[Any]:
        """Texts by number."""
        return list(self.texts)


def cancels_as_read(instrument: Instrument | None, level: str, source: Source) -> bool:
    """Say whether holding a level as read on the meter takes an error out.

    What a carried instrument has on some rigs only, a bridge between two, does not cancel.
    """
    of_some_rigs = instrument is not None and instrument.carried and bool(source.rigs)
    return level == "shared" and not of_some_rigs


def instrument_of(quantity: str) -> str:
    """Name the instrument that reads a quantity."""
    return "noise" if quantity == "noise_obstructed" else quantity


def named(source: Source, place: int) -> str:
    """Give a source's name: its own, else its place in the list."""
    return source.name if source.name is not None else str(place + 1)


def _per_cell(source: Source, size: FloatArray, repeats: IntArray) -> FloatArray:
    """Shrink scatter with the root of the repeats; a display's half width does not shrink."""
    return size / np.sqrt(np.maximum(repeats, 1)) if source.kind == "standard" else size


def _removed(source: Source) -> float:
    size = source.absolute + source.relative
    return source.removed_variance / size**2 if source.removed_variance and size else 0.0


def own_uncertainty(cells: Any) -> FloatArray:
    """Give what cells state of themselves; NaN where they state nothing."""
    half = cells.own_half_width / math.sqrt(3.0)
    own: FloatArray = np.where(np.isfinite(cells.own_standard), cells.own_standard, half)
    return own


def reading_uncertainty(sittings: Sittings, bench: Bench, channel: Channel) -> FloatArray:
    """Give the standard uncertainty of each cell from errors of its own reading alone."""
    cells, units = sittings.channels[channel], sittings.units[channel[0]]
    variance = np.zeros(cells.values.size)
    rigs = sittings.labels["rig"]
    for rig in dict.fromkeys(rigs.tolist()):
        here = (rigs == rig)[sittings.owner]
        instrument = bench.on(rig).instrument(instrument_of(channel[0]))
        for source in instrument.at("reading") if instrument is not None else ():
            if source.acts_at(rig, channel[1]):
                size = source.standard_uncertainty(cells.values[here], units)
                variance[here] += _per_cell(source, size, cells.repeats[here]) ** 2
    own = own_uncertainty(cells)
    return np.asarray(np.where(np.isfinite(own), own, np.sqrt(variance)))


@dataclass(frozen=True, kw_only=True, eq=False)
class Ledger:
    """Inputs, and the errors that move them.

    Attributes
    ----------
    value : ndarray, shape (input,)
        Value of every input.
    rows : Rows
        Sorted by input.
    offset : dict
        Where inputs of a kind begin: by channel for cells, else by ``"fan"`` (mountings),
        ``"fan cells"``, ``"room"``, ``"curve"``, ``"hidden"``, ``"slope"``, ``"exponent"``,
        ``("unit", kind)``, ``("next unit", kind)``.
    varying : int
        Inputs from here on are parameters whose errors a question or a supposition sets.
    spread : UnitSpread
        What its luck rows say.
    fan_cells : bool
        Whether some errors of the fan's level differ from cell to cell.
    room_of : ndarray of int, shape (sitting,)
        Input of each sitting's room, -1 where nobody read it.
    """

    value: FloatArray
    rows: Rows
    offset: dict[Any, int]
    varying: int
    spread: UnitSpread
    fan_cells: bool
    room_of: IntArray
    bases: tuple[Base, ...]
    texts: Callable[[str, int], Label]
    owners: _Owners
    reference: int = -1

    @cached_property
    def first(self) -> IntArray:
        """Rows of an input: ``first[i]`` to ``first[i + 1]``."""
        return np.searchsorted(self.rows.input, np.arange(self.value.size + 1))

    @cached_property
    def _coded(self) -> tuple[IntArray, IntArray]:
        """Give each row's label and, for each label, the first row that has it."""
        whole = self.rows.base.astype(np.int64) * (len(SHARED_BY) * _ENTITIES) + self.rows.key
        _, head, code = np.unique(whole, return_index=True, return_inverse=True)
        return code, head

    @property
    def label(self) -> IntArray:
        """Label of every row, as a number."""
        return self._coded[0]

    @property
    def labels(self) -> int:
        """How many labels there are."""
        return self._coded[1].size

    @property
    def label_base(self) -> IntArray:
        """Base of every label."""
        return self.rows.base[self._coded[1]]

    @property
    def label_space(self) -> IntArray:
        """What each label is common to: a place in `SHARED_BY`."""
        return self.rows.key[self._coded[1]] // _ENTITIES

    @cached_property
    def _texts(self) -> dict[int, Label]:
        return {}

    def text(self, row: int) -> Label:
        """Label of a row in words, as draws are named by it."""
        code = int(self.label[row])
        if code not in self._texts:
            space, entity = divmod(int(self.rows.key[row]), _ENTITIES)
            words = self.texts(SHARED_BY[space], entity)
            self._texts[code] = (*self.bases[self.rows.base[row]].label, *words)
        return self._texts[code]

    def label_text(self, label: int) -> Label:
        """Label in words."""
        return self.text(int(self._coded[1][label]))

    def reference_inputs(self, count: int) -> IntArray | None:
        """Give the input of the reference room once a model; None where nobody read one."""
        return None if self.reference < 0 else np.full(count, self.reference)

    @cached_property
    def matrix(self) -> sparse.csr_array:
        """First order: what one standard uncertainty of a label moves an input by."""
        rho = self.spread.correlation
        mixed = np.array([1.0, rho, math.sqrt(1.0 - rho**2)])[self.rows.mix]
        kept = np.maximum(0.0, 1.0 - np.array([base.removed for base in self.bases]))
        size = self.rows.size * mixed * np.sqrt(kept)[self.rows.scale]
        shape = (self.value.size, self.labels)
        return sparse.csr_array((size, (self.rows.input, self.label)), shape=shape)

    def dof_of_labels(self) -> FloatArray:
        """Degrees of freedom of the size of every label.

        They are counted down where a mean square holds more than the error: the variance of
        ``MS - v`` is that of ``MS``, so relative to the smaller difference it is known by so much
        less.
        """
        dof = np.array([base.dof for base in self.bases])
        removed = np.array([base.removed if base.removed < 1.0 else 0.0 for base in self.bases])
        with np.errstate(invalid="ignore"):
            return np.where(np.isfinite(dof), dof * (1.0 - removed) ** 2, np.inf)[self.label_base]

    def with_parameters(
        self,
        *,
        spread: UnitSpread | None = None,
        curve: float = 0.0,
        hidden: FloatArray | None = None,
        slopes: tuple[FloatArray, FloatArray] | None = None,
    ) -> Ledger:
        """Set the errors of what is no reading; the labels of the others and their draws stay.

        `spread` is how units differ, `curve` the relative uncertainty of the choice of curve,
        `hidden` what an unread room may hide (dB, a sitting each, 0 for none), `slopes` values and
        standard uncertainties for curves that are a single point, a model each.
        """
        own = self.spread if spread is None else spread
        writer = _Writer(self.bases)
        owners = self.owners
        _luck_rows(writer, own, self.offset, owners)
        value = self.value.copy()
        if curve:
            base = writer.base(Base(("curve",), "normal"))
            places = self.offset["curve"] + np.arange(owners.curve_keys.size)
            writer.add(places, base, "curve", owners.curve_keys, curve)
        if hidden is not None:
            base = writer.base(Base(("room unknown",), "rectangular"))
            some = np.flatnonzero(hidden > 0)
            keys = owners.hidden_keys[some]
            writer.add(self.offset["hidden"] + some, base, "curve", keys, hidden[some])
        if slopes is not None:
            base = writer.base(Base(("slope",), "normal"))
            models = np.arange(len(owners.models))
            value[self.offset["slope"] + models] = slopes[0]
            sized = np.flatnonzero(slopes[1] > 0)
            keys = owners.model_keys[sized]
            writer.add(self.offset["slope"] + sized, base, "curve", keys, slopes[1][sized])
        exponent = writer.base(Base(("airflow exponent",), "normal"))
        models = np.arange(len(owners.models))
        inputs = self.offset["exponent"] + models
        writer.add(inputs, exponent, "curve", owners.model_keys, AIRFLOW_EXPONENT)
        kept = int(np.searchsorted(self.rows.input, self.varying))
        own_rows = _joined(writer.parts)
        pairs = zip((column[:kept] for column in self.rows), own_rows, strict=True)
        rows = Rows(*(np.concatenate(pair) for pair in pairs))
        return replace(self, value=value, rows=rows, bases=tuple(writer.bases), spread=own)


@dataclass(frozen=True, slots=True)
class _Texts:
    """Turns the number of a label into its words."""

    sittings: Sittings
    channels: Sequence[Channel]
    sessions: Sequence[Any]
    own: Sequence[Any]
    notes: Sequence[Any]
    models: Sequence[Any]
    names: Sequence[Any]

    def __call__(self, space: str, entity: int) -> Label:
        if space == "shared":
            return ()
        if space == "session":
            return tuple(self.sessions[entity])
        if space == "sitting":
            return tuple(self.own[entity])
        if space == "model":
            model, channel = divmod(entity, len(self.channels))
            return (self.models[model], *self.channels[channel])
        if space == "reading":
            s = self.sittings
            channel, cell = divmod(entity, max(1, int(s.first[-1])))
            return (*s.own_labels[int(s.owner[cell])], *self.channels[channel], s.steps[cell])
        if space == "room reading":
            return (*BACKGROUND, *self.notes[entity])
        return ((space,) if space in ("unit", "next unit") else ()) + tuple(self.names[entity])


class _Owners(NamedTuple):
    """Whose parameters there are: models, units, sittings, and the numbers of their labels."""

    models: tuple[str, ...]
    units: tuple[tuple[int, str], ...]  # place of the model, name
    fans: int  # fans of a model that run together, at most
    unit_keys: IntArray
    next_keys: IntArray  # shape (model, fan)
    model_keys: IntArray
    curve_keys: IntArray
    hidden_keys: IntArray


class _Writer:
    """Collects rows."""

    def __init__(self, bases: Sequence[Base] = ()) -> None:
        self.bases: list[Base] = list(bases)
        self.parts: list[tuple[Any, ...]] = []
        self._known = {base[:4]: place for place, base in enumerate(bases)}

    def base(self, base: Base) -> int:
        """Give the number of a source."""
        if base[:4] not in self._known:
            self._known[base[:4]] = len(self.bases)
            self.bases.append(base)
        return self._known[base[:4]]

    def add(
        self,
        inputs: Any,
        base: int,
        space: str,
        entity: Any,
        size: Any,
        *,
        scale: int | None = None,
        mix: int = 0,
    ) -> None:
        """Note that errors move inputs."""
        key = np.asarray(entity, dtype=np.int64) + _SPACE[space] * _ENTITIES
        own = base if scale is None else scale
        self.parts.append((np.asarray(inputs, dtype=np.intp), base, key, own, size, mix))


def _luck_rows(
    writer: _Writer, spread: UnitSpread, offset: Mapping[Any, int], owners: _Owners
) -> None:
    """Write the luck of tested and bought units; a kind that is zero or unknown has no rows."""
    inside = spread.correlation != 0 or math.isfinite(spread.correlation_dof)
    for kind in KINDS:
        own, noise = spread.of(kind), spread.noise
        if own is None or own.is_zero:
            continue
        size = own.absolute + own.relative
        base = writer.base(Base(("spread", kind), own.shape, own.dof, _removed(own), own))
        in_step = kind == "airflow" and inside and isinstance(noise, Source)
        for who, keys in (("unit", owners.unit_keys), ("next unit", owners.next_keys.ravel())):
            inputs = offset[who, kind] + np.arange(keys.size)
            if in_step and isinstance(noise, Source):
                with_noise = writer.base(
                    Base(("spread", "noise"), noise.shape, noise.dof, _removed(noise), noise)
                )
                writer.add(inputs, with_noise, who, keys, size, scale=base, mix=1)
            writer.add(inputs, base, who, keys, size, mix=2 if in_step else 0)


def correlation_draws(spread: UnitSpread, standard: Callable[[Any, Any], FloatArray]) -> Any:
    """Draw the correlation of noise and airflow luck; by Fisher's z where it was estimated."""
    if not math.isfinite(spread.correlation_dof):
        return spread.correlation
    z = np.arctanh(np.clip(spread.correlation, -_NEARLY_ONE, _NEARLY_ONE))
    error = standard(("spread", "correlation"), "normal")
    return np.tanh(z + error / np.sqrt(spread.correlation_dof - 2.0))


def open_ledger(
    sittings: Sittings,
    bench: Bench,
    *,
    models: Sequence[str],
    noise: Channel,
    omit_shared: bool,
    fans: int = 1,
    reference: Room | None = None,
) -> Ledger:
    """Write the ledger of a table: every cell and parameter, every error that is stated of it."""
    return _Book(sittings, bench, models, noise, omit_shared, fans, reference).closed()


class _Book:
    """Writes the ledger of one table."""

    def __init__(
        self,
        sittings: Sittings,
        bench: Bench,
        models: Sequence[str],
        noise: Channel,
        omit_shared: bool,
        fans: int,
        reference: Room | None,
    ) -> None:
        self.sittings, self.bench, self.noise = sittings, bench, noise
        self.models, self.fans, self.omit_shared = tuple(models), fans, omit_shared
        self.reference = reference
        self.writer = _Writer()
        self.sessions, self.own, self.notes, self.names = _Names(), _Names(), _Names(), _Names()
        self.channels = [*sittings.channels, BACKGROUND]
        self.cells = int(sittings.first[-1])
        self.session = self.sessions.all(sittings.session_labels)
        self.sitting = self.own.all(sittings.own_labels)
        codes = _Names()
        self.model_names = codes
        self.model = codes.all(sittings.labels["model"].tolist())
        self.same_step = self._same_step()
        self.rigs = {
            rig: np.flatnonzero(sittings.labels["rig"] == rig)
            for rig in dict.fromkeys(sittings.labels["rig"].tolist())
        }
        self.rooms: dict[tuple[object, ...], int] = {}
        self.room_list: list[Room] = []
        self.fan_cells = False

    def _same_step(self) -> IntArray:
        """Give every cell the first cell of its sitting that has the same name."""
        names: dict[tuple[int, str], int] = {}
        pairs = zip(self.sitting[self.sittings.owner].tolist(), self.sittings.steps, strict=True)
        return np.array([names.setdefault(pair, k) for k, pair in enumerate(pairs)], dtype=np.intp)

    def closed(self) -> Ledger:
        """Write everything."""
        room_of = self._find_rooms()
        offset, values = self._inputs()
        for channel in self.sittings.channels:
            for rig, own in self.rigs.items():
                self._channel_rows(channel, rig, own, offset)
        for place, room in enumerate(self.room_list):
            self._room_rows(room, offset["room"] + place)
        owners = self._owners()
        rows = _joined(self.writer.parts)
        reference = -1
        if self.reference is not None:
            reference = offset["room"] + self.rooms[self._room_key(self.reference)]
        return Ledger(
            value=values,
            rows=rows,
            offset=offset,
            varying=offset["curve"],
            spread=self.bench.spread,
            fan_cells=self.fan_cells,
            room_of=np.where(room_of < 0, -1, offset["room"] + room_of),
            bases=tuple(self.writer.bases),
            texts=_Texts(
                sittings=self.sittings,
                channels=tuple(self.channels),
                sessions=self.sessions.listed,
                own=self.own.listed,
                notes=self.notes.listed,
                models=self.model_names.listed,
                names=self.names.listed,
            ),
            owners=owners,
            reference=reference,
        )

    # Inputs -----------------------------------------------------------------------------------

    def _inputs(self) -> tuple[dict[Any, int], FloatArray]:
        s = self.sittings
        units = self._units()
        sizes: dict[Any, tuple[int, FloatArray | float]] = {
            channel: (self.cells, found.values) for channel, found in s.channels.items()
        }
        sizes |= {
            "fan": (len(s), 0.0),
            "fan cells": (self.cells, 0.0),
            "room": (len(self.room_list), np.array([room.level for room in self.room_list])),
            "curve": (len(s), 0.0),
            "hidden": (len(s), 0.0),
            "slope": (len(self.models), 0.0),
            "exponent": (len(self.models), 0.0),
        }
        sizes |= {("unit", kind): (len(units), 0.0) for kind in KINDS}
        sizes |= {("next unit", kind): (len(self.models) * self.fans, 0.0) for kind in KINDS}
        offset, start, parts = {}, 0, []
        for key, (count, value) in sizes.items():
            offset[key] = start
            start += count
            parts.append(np.broadcast_to(np.asarray(value, dtype=np.float64), count))
        return offset, np.concatenate(parts)

    def _units(self) -> list[tuple[int, str]]:
        """List the units: place of the model, name; in order of models, then names."""
        place = {model: k for k, model in enumerate(self.models)}
        pairs = zip(
            self.sittings.labels["model"].tolist(),
            self.sittings.labels["unit"].tolist(),
            strict=True,
        )
        return sorted({(place[model], unit) for model, unit in pairs if model in place})

    def _owners(self) -> _Owners:
        units, names = self._units(), self.names
        next_labels = [
            [(model,) if fan == 1 else (model, str(fan)) for fan in range(1, self.fans + 1)]
            for model in self.models
        ]
        s = self.sittings
        rigs = s.labels["rig"].tolist()
        return _Owners(
            self.models,
            tuple(units),
            self.fans,
            names.all([(self.models[k], unit) for k, unit in units]),
            np.array([names.all(row) for row in next_labels], dtype=np.intp).reshape(-1, self.fans),
            names.all([(model,) for model in self.models]),
            names.all([(rig, *own) for rig, own in zip(rigs, s.own_labels, strict=True)]),
            names.all([(rig, *own) for rig, own in zip(rigs, s.session_labels, strict=True)]),
        )

    # Errors of readings -----------------------------------------------------------------------

    def _channel_rows(
        self, channel: Channel, rig: str, own: IntArray, offset: Mapping[Any, int]
    ) -> None:
        """Write the errors of one channel's cells on one rig."""
        cells = (
            np.flatnonzero(np.isin(self.sittings.owner, own))
            if len(self.rigs) > 1
            else np.arange(self.cells)
        )
        read = self.sittings.channels[channel].at(cells)
        there = np.isfinite(read.values)
        cells, read = cells[there], read.at(there)
        if not cells.size:
            return
        quantity, units = instrument_of(channel[0]), self.sittings.units[channel[0]]
        stated = own_uncertainty(read)
        matched = quantity != "noise" or channel == self.noise
        for level, base, source in self._sources(quantity, rig, channel[1]):
            size = source.standard_uncertainty(read.values, units)
            if level == "reading":
                size = np.where(np.isfinite(stated), 0.0, _per_cell(source, size, read.repeats))
            if quantity == "noise" and _acts_on_fan(level, source):
                if matched:
                    self._fan_rows(level, base, source, cells, size, channel, offset)
                continue
            moved = size > 0
            space, keys = self._keys(level, self.writer.bases[base].label[0], cells[moved], channel)
            self.writer.add(offset[channel] + cells[moved], base, space, keys, size[moved])
        self._own_rows(channel, rig, quantity, cells, read, stated, offset)

    def _sources(
        self, quantity: str, rig: str, obstruction: str | None
    ) -> Iterator[tuple[str, int, Source]]:
        """Go through what acts on readings of a rig: level of sharing, number of base, source."""
        instrument = self.bench.on(rig).instrument(quantity)
        for level, place, source in instrument or ():
            if source.is_zero or not source.acts_at(rig, obstruction):
                continue
            if (
                quantity == "noise"
                and self.omit_shared
                and cancels_as_read(instrument, level, source)
            ):
                continue
            label = (*self.bench.owner(quantity, rig, level), level, named(source, place))
            found = Base(label, source.shape, source.dof, _removed(source), source)
            yield level, self.writer.base(found), source

    def _fan_rows(
        self,
        level: str,
        base: int,
        source: Source,
        cells: IntArray,
        size: FloatArray,
        channel: Channel,
        offset: Mapping[Any, int],
    ) -> None:
        """Write an error of the level of the fan alone: one a sitting, unless sizes differ."""
        owner = self.sittings.owner[cells]
        if level == "reading" or source.relative:
            self.fan_cells = True
            inputs = offset["fan cells"] + cells
        else:
            owner, first = np.unique(owner, return_index=True)
            cells, size = cells[first], size[first]
            inputs = offset["fan"] + owner
        moved = size > 0
        space, keys = self._keys(level, self.writer.bases[base].label[0], cells[moved], channel)
        self.writer.add(inputs[moved], base, space, keys, size[moved])

    def _keys(self, level: str, owner: str, cells: IntArray, channel: Channel) -> tuple[str, Any]:
        """Give what an error is common to, and which of those each cell belongs to."""
        sitting = self.sittings.owner[cells]
        if level == "shared":
            return level, np.zeros(cells.size, dtype=np.int64)
        if level == "session":
            return level, self._session_keys(owner, sitting)
        if level == "sitting":
            return level, self.sitting[sitting]
        place = self.channels.index(channel)
        if level == "model":
            return level, self.model[sitting] * len(self.channels) + place
        return level, place * self.cells + self.same_step[cells]

    def _session_keys(self, owner: str, sitting: IntArray) -> IntArray:
        """Give sessions; one nobody recorded is a sitting, and so belongs to one rig."""
        if owner != EVERY_RIG:
            return self.session[sitting]
        s = self.sittings
        return self.sessions.all(
            [
                s.session_labels[k]
                if s.labels["session"][k]
                else (*s.session_labels[k], str(s.labels["rig"][k]))
                for k in sitting.tolist()
            ]
        )

    def _own_rows(
        self,
        channel: Channel,
        rig: str,
        quantity: str,
        cells: IntArray,
        read: Any,
        stated: FloatArray,
        offset: Mapping[Any, int],
    ) -> None:
        """Write what cells state of themselves, in the place of the errors of reading."""
        label = (*self.bench.owner(quantity, rig, "reading"), "reading", "cell")
        normal = np.isfinite(read.own_standard)
        for shape, chosen in (("normal", normal), ("rectangular", ~normal)):
            here = chosen & np.isfinite(stated) & (stated > 0)
            if here.any():
                base = self.writer.base(Base(label, shape))  # type: ignore[arg-type]
                space, keys = self._keys("reading", rig, cells[here], channel)
                self.writer.add(offset[channel] + cells[here], base, space, keys, stated[here])

    # Errors of the room -----------------------------------------------------------------------

    def _find_rooms(self) -> IntArray:
        """Give rooms that were read, each with one error, a number; -1 for sittings without one."""
        s = self.sittings
        found = np.full(len(s), -1, dtype=np.intp)
        columns = (
            s.labels[name].tolist() for name in ("rig", "session", "model", "unit", "sitting")
        )
        labels = zip(*columns, s.room_label, strict=True)
        for place, (level, names) in enumerate(zip(s.background.tolist(), labels, strict=True)):
            if math.isfinite(level):
                found[place] = self._room_place(Room(level, *names))
        if self.reference is not None:
            self._room_place(self.reference)
        return found

    def _room_place(self, room: Room) -> int:
        key = self._room_key(room)
        if key not in self.rooms:
            self.rooms[key] = len(self.room_list)
            self.room_list.append(room)
        return self.rooms[key]

    def _room_key(self, room: Room) -> tuple[object, ...]:
        """Say what sittings have in common whose room is read with one error."""
        here = self.bench.on(room.rig)
        instrument = here.instrument("background")
        own_meter = here.instrument_name("background") != here.instrument_name("noise")
        apart = own_meter and instrument is not None and (
            instrument.at("sitting") or instrument.at("model"))  # fmt: skip
        return (
            room.rig,
            room.session_label,
            room.own_label if apart else (),
            room.level,
            room.label,
        )

    def _room_rows(self, room: Room, place: int) -> None:
        """Write the errors of one reading of the room.

        Without a table of its own the background is read with the noise instrument: that meter's
        ``shared`` and ``session`` draws then hit noise and room alike, and errors of the fan's
        level do not touch the room.
        """
        here = self.bench.on(room.rig)
        instrument = here.instrument("background")
        same_meter = here.instrument_name("background") == here.instrument_name("noise")
        units = self.sittings.units["background"]
        for level, number, source in instrument or ():
            if source.is_zero or not source.acts_at(room.rig):
                continue
            if same_meter and self._skips_room(instrument, level, source):
                continue
            label = (*self.bench.owner("background", room.rig, level), level, named(source, number))
            base = self.writer.base(Base(label, source.shape, source.dof, _removed(source), source))
            size = float(source.standard_uncertainty(np.array([room.level]), units)[0])
            space, key = self._room_entity(level, label[0], room)
            self.writer.add([place], base, space, [key], size)

    def _skips_room(self, instrument: Instrument | None, level: str, source: Source) -> bool:
        if self.omit_shared and cancels_as_read(instrument, level, source):
            return True
        return source.acts_on == "fan" or level in ("sitting", "model")

    def _room_entity(self, level: str, owner: str, room: Room) -> tuple[str, int]:
        if level == "shared":
            return level, 0
        if level == "session":
            apart = owner == EVERY_RIG and not room.session
            label = (*room.session_label, room.rig) if apart else room.session_label
            return level, self.sessions(label)
        if level == "sitting":
            return level, self.own(room.own_label)
        if level == "model":
            return level, self.model_names(room.model) * len(self.channels) + len(self.channels) - 1
        return "room reading", self.notes(room.label)

    # Texts ------------------------------------------------------------------------------------


def _acts_on_fan(level: str, source: Source) -> bool:
    if source.acts_on is not None:
        return source.acts_on == "fan"
    return level in ("sitting", "model")
