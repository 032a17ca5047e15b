"""What stands behind a label: which stated source, how large, and what to call it in a table."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from fanstats.engine.ledger import BACKGROUND, SHARED_BY, named
from fanstats.quantities import units_label
from fanstats.sources import EVERY_RIG, INSTRUMENTS

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from fanstats._typing import FloatArray, IntArray
    from fanstats.engine.ledger import Ledger
    from fanstats.engine.points import Asked
    from fanstats.sources import Bench, Source

__all__ = [
    "Component",
    "components_of",
    "input_sizes",
    "key_of",
    "place_of",
    "scope_added",
    "stated_components",
]

Key = tuple[str, ...]

_SHARED_BY: Final[Mapping[str, str]] = {
    "shared": "one for all readings",
    "session": "one a session",
    "sitting": "one a sitting",
    "model": "one a model",
    "reading": "one a reading",
}
_LUCK_UNITS: Final[Mapping[str, str]] = {"noise": "dB", "temperature": "K"}
_ROLES: Final[Mapping[str, str]] = {"unit": "tested sample", "next unit": "next sample"}
# What a result stands on besides instruments and sample luck, by the front of its label.
_OTHERS: Final[Mapping[str, tuple[str, str, str]]] = {
    "curve": ("choice of curve", "leaving one step out, one a sitting", "1"),
    "room unknown": ("unknown room", "what a room nobody read may hide, one a session", "dB"),
    "slope": ("slope of level", "dB a decade of speed, one a model", "1"),
    "airflow exponent": ("airflow over speed", "exponent of the fan law, one a model", "1"),
    "spread": ("noise and airflow luck together", "their correlation, one for all samples", "1"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Component:
    """One stated source of uncertainty in one role.

    Attributes
    ----------
    key : tuple of str
        Equal for all labels of the component.
    group : str
        The instrument, "sample luck", or what else it belongs to.
    name : str
        Short name, such as ``"noise: display"``.
    stated : str
        What was stated and who shares it.
    source : Source or None
        The source, None where none was stated.
    """

    key: Key
    group: str
    name: str
    stated: str
    source: Source | None


def key_of(ledger: Ledger, label: int) -> Key:
    """Give what all labels of one component have in common.

    (rig, instrument, level of sharing, name) for an instrument, ("spread", kind, role) for sample
    luck, else the first word of the label.
    """
    base = ledger.bases[ledger.label_base[label]].label
    space = SHARED_BY[ledger.label_space[label]]
    return (*base, space) if base[0] == "spread" and space in _ROLES else base


def components_of(ledger: Ledger, labels: Iterable[int], bench: Bench) -> dict[Key, Component]:
    """Name the components that labels belong to, by key, in the order of first use."""
    heads: dict[Key, Source | None] = {}
    for label in labels:
        source = ledger.bases[ledger.label_base[label]].source
        heads.setdefault(key_of(ledger, label), source)
    rigs = {key[0] for key in heads if len(key) == 4}
    several = len(rigs - {EVERY_RIG}) > 1
    return {key: _component(key, source, bench, several) for key, source in heads.items()}


def stated_components(
    bench: Bench, quantity: str, present: Iterable[Key], why: str = ""
) -> list[Component]:
    """List what was stated about the instruments behind a quantity and moves nothing here.

    Parameters
    ----------
    bench : Bench
        What was stated.
    quantity : str
        The quantity read off.
    present : iterable of tuple of str
        Keys of components that do move something.
    why : str
        Why the noise instrument's shared errors move nothing, where they are left out.

    Returns
    -------
    list of Component
    """
    seen: set[Key] = {key[1:] for key in present if len(key) == 4}
    luck = {key[1] for key in present if len(key) == 3 and key[0] == "spread"}
    behind = ("noise", "background", "speed", *_read_for(quantity))
    rows: list[Component] = []
    for rig, name, source, key in _named_sources(bench, ("", *bench.rigs)):
        if name in behind and key[1:] not in seen:
            seen.add(key[1:])
            found = _component(key, source, bench, False)
            noise = bench.on(rig).instrument_name("noise")
            held = why if key[1] == noise and key[2] == "shared" else ""
            rows.append(replace(found, stated=f"{found.stated}; {held}" if held else found.stated))
    for kind in ("noise", "airflow", "speed", "temperature"):
        spread = bench.spread.of(kind)
        if spread is not None and spread.is_zero and kind not in luck:
            rows.append(_luck(("spread", kind, "unit"), bench))
    return rows


def _read_for(quantity: str) -> tuple[str, ...]:
    return {"airflow": ("airflow",), "temperature_rise": ("temperature", "ambient")}.get(
        quantity, ()
    )


def _named_sources(bench: Bench, rigs: Iterable[str]) -> Iterator[tuple[str, str, Source, Key]]:
    """Go through (rig, quantity, source, front of its labels)."""
    for rig in dict.fromkeys(rigs):
        here = bench.on(rig)
        for quantity in INSTRUMENTS:
            for level, place, source in here.instrument(quantity) or ():
                key = (*bench.owner(quantity, rig, level), level, named(source, place))
                yield rig, quantity, source, key


def _component(key: Key, source: Source | None, bench: Bench, several_rigs: bool) -> Component:
    if len(key) == 3:
        return _luck(key, bench)
    if len(key) == 1:
        name, words, _ = _OTHERS.get(key[0], (key[0], "", ""))
        return Component(key=key, group=name, name=name, stated=words, source=None)
    rig, owner, level, name = key
    called = name if source is None or source.name is not None else f"{level} {name}"
    words = "as the cell says" if source is None else source.stated or f"s = {source.absolute:.3g}"
    return Component(
        key=key,
        group=owner,
        name=f"{rig} {owner}: {called}" if several_rigs and rig else f"{owner}: {called}",
        stated=f"{words}, {_SHARED_BY[level]}{_only(source)}{_about(source)}",
        source=source,
    )


def _only(source: Source | None) -> str:
    """Name the rigs that a source is limited to."""
    return (
        f", on rig {' and '.join(source.rigs)} only" if source is not None and source.rigs else ""
    )


def _about(source: Source | None) -> str:
    return f"; {source.about}" if source is not None and source.about else ""


def _luck(key: Key, bench: Bench) -> Component:
    _, kind, role = key
    source = bench.spread.of(kind)
    stated = source.stated if source is not None else ""
    if source is not None and source.is_zero:
        stated = "zero, as written"
    return Component(
        key=key,
        group="sample luck",
        name=f"sample luck in {kind}: {_ROLES[role]}",
        stated=stated,
        source=source,
    )


def scope_added(key: Key) -> str:
    """Say in which scope a component first counts.

    Parameters
    ----------
    key : tuple of str
        From `key_of`.

    Returns
    -------
    str
        "tested unit: measuring it", "model: luck of the units tested" or "next unit: its own luck".
    """
    role = key[2] if len(key) == 3 and key[0] == "spread" else ""
    return {
        "unit": "model: luck of the units tested",
        "next unit": "next unit: its own luck",
    }.get(role, "tested unit: measuring it")


def place_of(ledger: Ledger, label: int) -> str:
    """Say in words which of a component's errors a label is; "" where there is but one."""
    rest = ledger.label_text(label)[len(key_of(ledger, label)) :]
    return ", ".join(part for part in rest if part not in ("", "sitting", "session"))


# Sizes -----------------------------------------------------------------------------------------


def input_sizes(asked: Asked, labels: Sequence[int]) -> dict[int, tuple[float, str]]:
    """Find the standard uncertainty of every labelled error in its own unit.

    By label: size and unit, "1" for a fraction of the reading. A source that is stated partly as a
    fraction has the root mean square of its sizes at the readings.
    """
    ledger = asked.ledger
    order = np.argsort(ledger.label, kind="stable")
    ends = np.searchsorted(ledger.label[order], [list(labels), [k + 1 for k in labels]])
    starts, units = _units_of_inputs(asked)
    found: dict[int, tuple[float, str]] = {}
    for label, (first, last) in zip(labels, ends.T.tolist(), strict=True):
        base = ledger.bases[ledger.label_base[label]]
        if len(base.label) < 4:
            found[label] = _other_size(asked, label)
            continue
        rows = order[first:last]
        inputs = ledger.rows.input[rows]
        unit = units[int(np.searchsorted(starts, inputs[0], side="right")) - 1]
        sizes, source = ledger.rows.size[rows], base.source
        if source is not None and source.absolute == 0 and source.relative > 0:
            sizes, unit = sizes / np.abs(_values(asked, inputs)), "1"
        found[label] = float(np.sqrt(np.mean(np.square(sizes)))), unit
    return found


def _units_of_inputs(asked: Asked) -> tuple[list[int], list[str]]:
    """Give where inputs of a kind begin, rising, and the unit of a difference of each."""
    held = asked.layout.sittings.units
    noise = asked.layout.noise[0]
    found = []
    for key, start in asked.ledger.offset.items():
        name = {"fan": noise, "fan cells": noise, "room": BACKGROUND[0]}.get(key, key)
        name = name[0] if isinstance(name, tuple) else name
        found.append((start, _difference_unit(held.get(name, ""))))
    found.sort(key=lambda pair: pair[0])
    return [start for start, _ in found], [unit for _, unit in found]


def _values(asked: Asked, inputs: IntArray) -> FloatArray:
    """Give what a fraction is taken of: the reading, also for the level of the fan alone."""
    ledger = asked.ledger
    first = ledger.offset["fan cells"]
    cells = (inputs >= first) & (inputs < ledger.offset["room"])
    read = ledger.offset.get(asked.layout.noise, 0)
    return ledger.value[np.where(cells, inputs - first + read, inputs)]


def _difference_unit(unit: str) -> str:
    if unit.startswith("dB"):
        return "dB"
    return "K" if unit == "degC" else units_label(unit)


def _other_size(asked: Asked, label: int) -> tuple[float, str]:
    """Give the size of an error that is none of an instrument's."""
    ledger = asked.ledger
    base = ledger.bases[ledger.label_base[label]]
    size = float(ledger.rows.size[np.flatnonzero(ledger.label == label)[0]])
    if base.label[0] == "spread":
        spread = asked.ledger.spread.of(base.label[1])
        whole = 0.0 if spread is None else (spread.absolute + spread.relative) ** 2
        removed = 0.0 if spread is None else spread.removed_variance
        return math.sqrt(max(0.0, whole - removed)), _LUCK_UNITS.get(base.label[1], "1")
    if base.label == ("curve",):
        return size, "1"
    return (size, "dB") if base.label == ("room unknown",) else (math.nan, "")
