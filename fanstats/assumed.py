"""What a result takes for granted, stands on, leaves out and does not consider: in words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from fanstats.engine.curves import add_room, crossings, remove_room
from fanstats.engine.states import ABSCISSA_NAMES, knots_and_meant, shown
from fanstats.loading.corrections import shift_of
from fanstats.sources import INSTRUMENTS

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from fanstats._typing import FloatArray
    from fanstats.engine.layout import Layout, LevelCurves
    from fanstats.engine.points import Asked, LevelKnots
    from fanstats.engine.question import Slope
    from fanstats.engine.sittings import Sittings
    from fanstats.sources import Bench, Source

__all__ = ["assumptions", "left_out", "measured", "not_considered"]

_SPREADS: Final = {
    "noise": "noise at a given speed",
    "airflow": "airflow at a given speed",
    "speed": "speed at a given drive",
    "temperature": "temperature rise at a given speed",
}
_SPREAD_UNITS: Final = {"noise": "dB", "temperature": "K", "airflow": "", "speed": ""}


# Curves that meet the level more than once -------------------------------------------------------


def _crossing_notes(asked: Asked) -> dict[int, list[str]]:
    """Name noise curves that meet the target more than once, and what was taken; by model."""
    if asked.question.kind != "equal noise" or asked.problem:
        return {}
    layout = asked.layout
    found: dict[int, list[str]] = {}
    cells = layout.sittings.channels[layout.noise].values
    for model, units in enumerate(layout.units):
        for unit in units:
            for s in layout.noise_sittings(unit):
                read = cells[layout.level.of(s)]
                if not (layout.problem[s] or layout.is_point(s) or layout.curve == "power law"
                        or (read[1:] > read[:-1]).all()):  # fmt: skip
                    found.setdefault(model, []).extend(_crossing_note(asked, model, s))
    return found


def _crossing_note(asked: Asked, model: int, sitting: int) -> list[str]:
    alone = next(asked.layout.blocks(asked.ledger, [model]))
    curves = next((c for u in alone.units for c in u.levels if c.sittings[0] == sitting), None)
    if curves is None:
        return []
    knots, meant = knots_and_meant(asked, alone, curves)
    at = _met_at(curves, knots, meant)
    if at.size < 2:
        return []
    abscissa = alone.abscissa or "speed"
    listed = ", ".join(shown(value, abscissa) for value in at)
    return [
        f"{asked.layout.sittings[sitting].words}: {at.size} crossings at {listed}; the upward one "
        f"of the highest {ABSCISSA_NAMES[abscissa][0]} is taken"
    ]


def _met_at(curves: LevelCurves, knots: LevelKnots, meant: float) -> FloatArray:
    """List every speed or drive at which a noise curve meets a level, rising or falling."""
    x, level = knots.x[:, 0, 0], knots.level[:, 0, 0]
    if curves.kind == "straight":  # straight in the level as read over speed itself
        room = np.asarray(knots.room[:1, 0])
        wanted = float(add_room(np.array([meant]), room)[0])
        return _straight_crossings(x, add_room(level, room), wanted)
    if not curves.over_speed:
        return crossings(x, level, meant)
    return np.asarray(np.exp(crossings(np.log(x), level, meant)))


def _straight_crossings(x: FloatArray, y: FloatArray, target: float) -> FloatArray:
    """List where straight lines between knots meet a target; a flat stretch gives both ends.

    Examples
    --------
    >>> _straight_crossings(np.array([5.0, 7.0, 9.0]), np.array([24.0, 30.0, 28.0]), 29.0)
    array([6.66666667, 8.        ])
    """
    off = y - target
    between = np.flatnonzero(off[:-1] * off[1:] < 0)
    share = off[between] / (off[between] - off[between + 1])
    crossed = x[between] + share * (x[between + 1] - x[between])
    return np.sort(np.concatenate([x[off == 0], crossed]))


# What a result takes for granted -----------------------------------------------------------------


def _percent(share: float) -> str:
    return "less than 0.1 %" if share < 0.001 else f"{100 * share:.2g} %"


def _is_measured(spread: Source) -> bool:
    return bool(np.isfinite(spread.dof)) or spread.kind == "mean square"


def _spread_sentence(kind: str, spread: Source) -> str:
    told = any(unit in spread.stated for unit in ("dB", "K", "deg", "%"))
    units = "" if told else _SPREAD_UNITS[kind]
    return f"sample luck in {_SPREADS[kind]}: {spread.stated}{f' {units}' if units else ''}"


def assumptions(asked: Asked) -> list[str]:
    """List what a result takes for granted."""
    bench, sittings = asked.layout.bench, asked.layout.sittings
    told = [
        f"{_spread_sentence(kind, spread)} (stated, not measured)"
        for kind in _SPREADS
        if (spread := bench.spread.of(kind)) is not None and not _is_measured(spread)
    ]
    told += _room_assumptions(asked)
    told += _source_assumptions(bench, sittings)
    told += _correction_assumptions(asked)
    present = set(sittings.labels["rig"].tolist())
    missing = [rig for rig in bench.rigs_named if rig not in present]
    if missing:
        rigs = ", ".join(missing)
        told.append(f"stated for rigs that no reading is from, and so without effect: {rigs}")
    if not any(sittings.labels["session"].tolist()):
        told.append("no session recorded: each sitting counts as a session of its own")
    told += _fans_assumptions(asked)
    if has_sweeps(asked.layout):
        told.append("a resonance narrower than the steps is not covered by any interval")
    if asked.curve_told < 0:
        told.append(f"choice of curve: {_percent(asked.curve)} of speed, taken from earlier")
    told += _point_assumptions(asked)
    told += [note for notes in sittings.dialled.values() for note in notes]
    over_drive = [
        model
        for model, kind in zip(asked.layout.models, asked.layout.abscissa, strict=True)
        if kind in ("drive_voltage", "drive_duty")
    ]
    if over_drive:
        told.append(f"no speed readings, read off over drive: {', '.join(over_drive)}")
    return told


def has_sweeps(layout: Layout) -> bool:
    """Say whether any model was read along a curve, not at one point alone."""
    reads = [s for units in layout.units for unit in units for s in unit.sittings]
    counts = [layout.level.counts[reads] * layout.has_noise[reads]]
    counts += [layout.quantity[c].counts[reads] for c in layout.channels]
    return bool(max((int(count.max(initial=0)) for count in counts), default=0) > 1)


def _point_assumptions(asked: Asked) -> list[str]:
    by_slope: dict[Slope, list[str]] = {}
    for model, slope in zip(asked.layout.models, asked.slopes, strict=True):
        if slope is not None:
            by_slope.setdefault(slope, []).append(model)
    return [
        f"one step and no sweep: {slope.value:.3g} ± {slope.uncertainty:.2g} dB a decade of speed, "
        f"{slope.origin}: {', '.join(models)}"
        for slope, models in by_slope.items()
    ]


def left_out(asked: Asked) -> list[str]:
    """List steps that carry no curve, and curves that meet the target more than once."""
    layout, told = asked.layout, []
    crossed = _crossing_notes(asked)
    for model, units in enumerate(layout.units):
        own = [
            note
            for unit in units
            for s in layout.noise_sittings(unit)
            for note in layout.level.dropped.get(s, ())
        ]
        own += [
            note
            for unit in units
            for channel in layout.channels
            for s in layout.quantity_sittings(unit, channel)
            for note in layout.quantity[channel].dropped.get(s, ())
        ]
        told += list(dict.fromkeys(own))
        told += [
            n for unit in units for s in unit.sittings for n in layout.sittings.placeless.get(s, ())
        ]
        told += crossed.get(model, [])
    return told


def _stated_of(bench: Bench, sittings: Sittings) -> Iterator[tuple[str, str, str, Source]]:
    """Go through (quantity, on which rig in words, level of sharing, source) of what was read."""
    read = {name.removesuffix("_obstructed") for name in sittings.units} if len(sittings) else set()
    rigs = set(sittings.labels["rig"].tolist())
    for rig, quantity, level, source in bench.stated():
        if quantity in read and not source.is_zero and (not rig or rig in rigs):
            yield quantity, f" on rig {rig}" if rig else "", level, source


def _source_assumptions(bench: Bench, sittings: Sittings) -> list[str]:
    """List scatter that was stated, limits that nobody has split, and what else is to be known."""
    told = []
    for quantity, where, level, source in _stated_of(bench, sittings):
        what = f"{quantity}{where}"
        if source.measured:
            continue
        if source.unsplit:
            told.append(
                f"{what}, {source.stated}: nobody knows how much of it all models share; taken as "
                "all of it shared (both_ways makes results either way)"
            )
        elif level == "reading" and source.kind == "standard":
            about = source.about or "stated, not measured"
            told.append(f"scatter of {quantity} readings{where}: {source.stated} ({about})")
        elif source.about:
            told.append(f"{what}, {source.stated}: {source.about}")
    return told


def _correction_assumptions(asked: Asked) -> list[str]:
    """List corrections, and what a level asked for was on the display."""
    told = []
    bench, units = asked.layout.bench, asked.layout.sittings.units
    rigs = list(dict.fromkeys(asked.layout.sittings.labels["rig"].tolist()))
    for quantity in INSTRUMENTS:
        for rig in rigs if quantity in units else ():
            shift = shift_of(bench, rig, quantity, units[quantity])
            if shift == (0.0, 0.0):
                continue
            where = f" on rig {rig}" if rig and len(rigs) > 1 else ""
            text = f"{quantity}{where}: readings corrected by {shift.words(units[quantity])}"
            if quantity == "noise" and asked.question.kind == "equal noise":
                text += (
                    f", and so the level asked for: {asked.at:g} {units[quantity]} was "
                    f"{asked.at - shift.absolute:g} on the display"
                )
            told.append(text)
    return told


def _fans_assumptions(asked: Asked) -> list[str]:
    fans = asked.question.fans
    if not fans:
        return []
    listed = ", ".join(f"{count} of {model}" for model, count in fans.items())
    told = [
        f"{listed} together make the level, each in its own opening and on one drive: their "
        "airflow is the sum, which does not hold for fans in series or sharing an opening"
    ]
    if not asked.known("speed"):
        told.append("sample luck in speed between fans that run together is not in these ranges")
    return told


def _room_name(asked: Asked) -> str:
    """Name the reference room."""
    room = asked.room
    if room is None:
        return f"{asked.room_level:g} dB as given"
    named = (("sample", room.unit), ("session", room.session), ("sitting", room.sitting))
    parts = [f"model {room.model!r}", *(f"{n} {t!r}" for n, t in named if t not in ("", "1"))]
    return f"{room.level:.1f} dB, read in session {room.session or ', '.join(parts)!r}"


def _room_assumptions(asked: Asked) -> list[str]:
    question, sittings = asked.question, asked.layout.sittings
    known = bool(np.isfinite(asked.room_level))
    if question.kind != "equal noise":
        where = _room_name(asked) if known else "unknown"
        if question.background == "removed":
            return ["noise of the fan alone"]
        return [f"noise is given in one room: {where}"]
    told = [f"the level is held {'on this meter' if question.omit_shared else 'in truth'}"]
    if question.background == "removed":
        told.append("the level is that of the fan alone, without the room")
    elif known:
        told.append(f"the level includes one room for all models: {_room_name(asked)}")
    noisy = sittings.has(("noise", ""))
    unread = np.flatnonzero(noisy & ~np.isfinite(sittings.background))
    if unread.size:
        limits = asked.hidden_limit(unread)
        limits = limits[np.isfinite(limits)]
        hides = f", and the room may hide up to {limits.max():.2f} dB" if limits.size else ""
        told.append(f"room not read in {unread.size} sittings: their curves are as read{hides}")
    return told + _rooms_that_differ(
        asked, np.flatnonzero(noisy & np.isfinite(sittings.background))
    )


# Policy: rooms that move the fan-alone target by more than this are reported; dB.
_ROOMS_DIFFER: Final = 0.2


def _rooms_that_differ(asked: Asked, sittings: Any) -> list[str]:
    """Name sittings whose own room would move the fan-alone target by more than 0.2 dB."""
    if not asked.included or asked.problem:
        return []
    level = np.array([asked.at])
    rooms = asked.layout.sittings.background[sittings]
    held = np.append(rooms, asked.room_level)
    alone = remove_room(np.broadcast_to(level, held.shape), held)
    told: dict[str, list[str]] = {}
    for s, room, own in zip(sittings.tolist(), rooms.tolist(), alone[:-1].tolist(), strict=True):
        if abs(own - alone[-1]) > _ROOMS_DIFFER:
            words = _room_words(room, own - alone[-1])
            told.setdefault(words, []).append(asked.layout.sittings[s].words)
    return [f"{_first(places)}: {words}" for words, places in told.items()]


def _first(places: Sequence[str]) -> str:
    return places[0] if len(places) == 1 else f"{len(places)} sittings, first {places[0]}"


def _room_words(room: float, change: float) -> str:
    way = "louder" if change > 0 else "quieter"
    return (
        f"with the room as read there ({room:.1f} dB) the target would be a fan {abs(change):.1f} "
        f"dB {way} by itself; the reference room is used"
    )


def measured(asked: Asked) -> list[str]:
    """List what stands on the readings themselves."""
    layout, bench = asked.layout, asked.layout.bench
    several = sum(len(units) > 1 for units in layout.units)
    readings = int(layout.sittings.readings.sum())
    told = [
        f"{readings} readings of {len(layout.models)} models in {len(layout.sittings)} sittings; "
        f"{several} models with more than one sample"
    ]
    if asked.curve_told > 0:
        told.append(
            f"choice of curve: {_percent(asked.curve)} of speed, from leaving one step out of "
            f"{asked.curve_told} curves"
        )
    for quantity, where, level, source in _stated_of(bench, layout.sittings):
        if source.measured:
            about = f"; {source.about}" if source.about else ""
            name = f"scatter of {quantity} readings" if level == "reading" else (
                f"{level} error of {quantity}")  # fmt: skip
            told.append(f"{name}{where}: {source.stated}{about}")
    for kind in _SPREADS:
        spread = bench.spread.of(kind)
        if spread is not None and _is_measured(spread):
            told.append(_spread_sentence(kind, spread))
    return told


def not_considered(asked: Asked, outputs: Mapping[str, Sequence[str]]) -> list[str]:
    """List what nobody stated."""
    bench = asked.layout.bench
    needed = ["noise", "speed"] + ["airflow"] * ("airflow" in outputs)
    if "temperature_rise" in outputs:
        needed.append("temperature")
    told = [*bench.unstated(needed)]
    told += _curve_not_considered(asked, outputs) if has_sweeps(asked.layout) else []
    kinds = [k for k in _SPREADS if k != "temperature" or "temperature_rise" in outputs]
    unknown = [kind for kind in bench.spread.unknown if kind in kinds]
    return told + [f"sample luck in {_SPREADS[kind]}: not stated" for kind in unknown]


def _curve_not_considered(asked: Asked, outputs: Mapping[str, Sequence[str]]) -> list[str]:
    """Say where nothing is added for the choice of curve between steps."""
    if asked.question.kind == "equal drive":
        return [
            "choice of curve between steps: nothing is added for it at equal drive (a step that "
            "was read needs none); set results of curve='straight' beside these"
        ]
    at_noise = asked.question.kind == "equal noise"
    if np.isnan(asked.curve) and (at_noise or "noise" in outputs):
        what = "target" if at_noise else "speed"
        return [f"choice of curve: no curve has four usable steps around the {what}"]
    return []
