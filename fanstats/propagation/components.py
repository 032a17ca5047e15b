"""What stands behind a label: which stated source, how large, and what to call it in a table."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from fanstats._typing import FloatArray
from fanstats.estimates.draws import OneAtATime
from fanstats.estimates.perturbation import reading_errors, room_error
from fanstats.quantities import units_label
from fanstats.sources import EVERY_RIG, INSTRUMENTS

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from fanstats.estimates.draws import Label
    from fanstats.estimates.request import Request
    from fanstats.estimates.sittings import Channel, Sitting
    from fanstats.sources import Bench, Source

__all__ = [
    "Belonging",
    "Component",
    "belonging_of",
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


def key_of(label: Label) -> Key:
    """Give what all labels of one component have in common.

    Parameters
    ----------
    label : tuple of str
        Label of an error.

    Returns
    -------
    tuple of str
        (rig, instrument, level of sharing, name) for an instrument, ("spread", kind, role) for
        sample luck, else the first word of the label.
    """
    if label[0] == "spread" and len(label) > 2 and label[2] in _ROLES:
        return label[:3]
    if len(label) > 3 and label[2] in _SHARED_BY and not _is_other(label):
        return label[:4]
    return label[:1]


def _is_other(label: Label) -> bool:
    """Tell the label of a curve or an unknown room from that of a rig that has such a name."""
    if label[0] == "curve":
        return label[2] == "sitting" and len(label) == 7
    sizes = {"session": 4, "sitting": 7}
    return label[0] == "room unknown" and len(label) == sizes.get(label[2], 0)


def components_of(labels: Iterable[Label], bench: Bench) -> dict[Key, Component]:
    """Name the components that labels belong to.

    Parameters
    ----------
    labels : iterable of tuple of str
        Labels of errors.
    bench : Bench
        What was stated.

    Returns
    -------
    dict
        By key, in the order of first use.
    """
    keys = dict.fromkeys(key_of(label) for label in labels)
    rigs = {key[0] for key in keys if len(key) == 4}
    stated = _stated_sources(bench, rigs)
    return {key: _component(key, stated, bench, len(rigs - {EVERY_RIG}) > 1) for key in keys}


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
            found = _component(key, {key: source}, bench, False)
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
                name = source.name if source.name is not None else str(place + 1)
                yield rig, quantity, source, (*bench.owner(quantity, rig, level), level, name)


def _stated_sources(bench: Bench, rigs: Iterable[str]) -> dict[Key, Source]:
    found: dict[Key, Source] = {}
    for rig, _, source, key in _named_sources(bench, [*rigs, "", *bench.rigs]):
        if source.acts_at(rig):
            found.setdefault(key, source)
    return found


def _component(
    key: Key, stated: Mapping[Key, Source], bench: Bench, several_rigs: bool
) -> Component:
    if len(key) == 3:
        return _luck(key, bench)
    if len(key) == 1:
        name, words, _ = _OTHERS.get(key[0], (key[0], "", ""))
        return Component(key=key, group=name, name=name, stated=words, source=None)
    rig, owner, level, name = key
    source = stated.get(key)
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


class Belonging(NamedTuple):
    """Whom an error can touch.

    Attributes
    ----------
    model : str
        The model that its label names; "" for an error that several have in common.
    channel : tuple of str or None
        Quantity and obstruction, for an error of one reading or one a model and quantity.
    """

    model: str
    channel: Channel | None


def belonging_of(label: Label) -> Belonging:
    """Say what an error's label names beside its component.

    Parameters
    ----------
    label : tuple of str
        Label of an error.

    Returns
    -------
    Belonging
    """
    key = key_of(label)
    rest = label[len(key) :]
    if len(key) == 4:
        if key[2] == "model":
            return Belonging(rest[0], (rest[1], rest[2]) if len(rest) == 3 else None)
        one_cell = key[2] == "reading" and len(rest) == 8
        of_sitting = len(rest) > 4 and rest[0] == "sitting"
        return Belonging(rest[2] if of_sitting else "", (rest[5], rest[6]) if one_cell else None)
    if key[0] in ("curve", "room unknown"):
        rest = rest[1:]  # the rig
        return Belonging(rest[2] if len(rest) > 4 and rest[0] == "sitting" else "", None)
    return Belonging(rest[0] if rest else "", None)


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


def place_of(label: Label) -> str:
    """Say in words which of a component's errors a label is: model, sample, sitting, step.

    Parameters
    ----------
    label : tuple of str
        Label of an error.

    Returns
    -------
    str
        "" where there is but one.
    """
    rest = label[len(key_of(label)) :]
    return ", ".join(part for part in rest if part not in ("", "sitting", "session"))


# Sizes -----------------------------------------------------------------------------------------


def input_sizes(
    request: Request, sittings: Sequence[Sitting], labels: Sequence[Label]
) -> dict[Label, tuple[float, str]]:
    """Find the standard uncertainty of every labelled error in its own unit.

    Parameters
    ----------
    request : Request
        What is asked.
    sittings : sequence of Sitting
        Those behind the result, and the one that read the reference room.
    labels : sequence of tuple of str
        Labels of errors.

    Returns
    -------
    dict
        By label: size and unit, "1" for a fraction of the reading. A source that is stated partly
        as a fraction has the root mean square of its sizes at the readings.
    """
    bench = request.bench
    moved = OneAtATime(labels)
    sums: dict[int, list[FloatArray]] = {}
    units: dict[int, str] = {}
    stated = _stated_sources(bench, [sitting.rig for sitting in sittings])
    relative = np.array([_is_relative(stated, label) for label in labels])
    for sitting in sittings:
        for channel in _channels(sitting):
            index = np.flatnonzero(np.isfinite(sitting.channels[channel].values))
            errors = reading_errors(moved, bench, sitting, channel, index)
            both = np.abs(errors.reading) + np.abs(errors.fan)
            value = np.abs(sitting.channels[channel].values[index, None])
            _collect(both, value, sitting.units[channel[0]], relative, sums, units)
        if np.isfinite(sitting.background):
            error = np.abs(room_error(moved, bench, sitting))[None, :]
            value = np.array([[abs(sitting.background)]])
            _collect(error, value, sitting.units["background"], relative, sums, units)
    found: dict[Label, tuple[float, str]] = {}
    for place, label in enumerate(labels):
        if place in sums:
            sizes = np.concatenate(sums[place])
            found[label] = float(np.sqrt(np.mean(np.square(sizes)))), units[place]
        else:
            found[label] = _other_size(label, request, sittings)
    return found


def _is_relative(stated: Mapping[Key, Source], label: Label) -> bool:
    source = stated.get(key_of(label))
    return source is not None and source.absolute == 0 and source.relative > 0


def _channels(sitting: Sitting) -> list[Channel]:
    return [channel for channel in sitting.channels if sitting.has(channel)]


def _collect(
    errors: FloatArray,
    value: FloatArray,
    unit: str,
    relative: np.ndarray,
    sums: dict[int, list[FloatArray]],
    units: dict[int, str],
) -> None:
    """Add the sizes that one channel's cells see to those of each label."""
    for place in np.flatnonzero(errors[:, 1:].any(axis=0)):
        column = errors[:, place + 1]
        sizes = column / value[:, 0] if relative[place] else column
        sums.setdefault(int(place), []).append(sizes[column > 0])
        units.setdefault(int(place), "1" if relative[place] else _difference_unit(unit))


def _difference_unit(unit: str) -> str:
    if unit.startswith("dB"):
        return "dB"
    return "K" if unit == "degC" else units_label(unit)


def _other_size(label: Label, request: Request, sittings: Sequence[Sitting]) -> tuple[float, str]:
    """Give the size of an error that is none of an instrument's."""
    key = key_of(label)
    if len(key) == 3:
        spread = request.bench.spread.of(key[1])
        size = 0.0 if spread is None else (spread.absolute + spread.relative) ** 2
        removed = 0.0 if spread is None else spread.removed_variance
        return math.sqrt(max(0.0, size - removed)), _LUCK_UNITS.get(key[1], "1")
    if key == ("curve",):
        return request.curve_uncertainty, "1"
    if key == ("room unknown",):
        rigs = {("room unknown", s.rig, *s.session_label): s for s in sittings}
        if label in rigs:
            return request.target.room_unknown_limit(rigs[label]) / math.sqrt(12.0), "dB"
    return math.nan, ""
