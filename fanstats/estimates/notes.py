"""What a result assumed, what was measured, and what was not considered: in sentences."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, Any

import numpy as np

from fanstats.estimates.corrections import shift_of
from fanstats.estimates.reasons import crossing_notes
from fanstats.sources import INSTRUMENTS

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from fanstats.estimates.layout import ModelLayout
    from fanstats.estimates.level_curve import Slope
    from fanstats.estimates.request import Request
    from fanstats.estimates.sittings import Sitting
    from fanstats.sources import Bench, Source

__all__ = [
    "assumptions",
    "has_sweeps",
    "left_out",
    "measured",
    "not_considered",
    "spread_record",
]

_SPREADS = {
    "noise": "noise at a given speed",
    "airflow": "airflow at a given speed",
    "speed": "speed at a given drive",
    "temperature": "temperature rise at a given speed",
}
_SPREAD_UNITS = {"noise": "dB", "temperature": "K", "airflow": "", "speed": ""}


def spread_record(bench: Bench) -> dict[str, dict[str, Any] | None]:
    """Record the stated spread in a form that survives saving.

    Parameters
    ----------
    bench : Bench
        Holds the spread.

    Returns
    -------
    dict
        By kind: stated words, standard uncertainty, degrees of freedom (None: not limited); or
        None where unknown.
    """
    found: dict[str, dict[str, Any] | None] = {}
    for kind in _SPREADS:
        spread = bench.spread.of(kind)
        found[kind] = None if spread is None else {
            "stated": spread.stated,
            "standard": _size(spread),
            "dof": None if np.isinf(spread.dof) else spread.dof,
            "shape": spread.shape,
            "kind": spread.kind,
        }  # fmt: skip
    return found


def _percent(share: float) -> str:
    return "less than 0.1 %" if share < 0.001 else f"{100 * share:.2g} %"


def _size(spread: Source) -> float:
    total = (spread.absolute + spread.relative) ** 2 - spread.removed_variance
    return float(np.sqrt(max(0.0, total)))


def _is_measured(spread: Source) -> bool:
    return bool(np.isfinite(spread.dof)) or spread.kind == "mean square"


def _spread_sentence(kind: str, spread: Source) -> str:
    told = any(unit in spread.stated for unit in ("dB", "K", "deg", "%"))
    units = "" if told else _SPREAD_UNITS[kind]
    return f"sample luck in {_SPREADS[kind]}: {spread.stated}{f' {units}' if units else ''}"


def assumptions(
    request: Request,
    layouts: Sequence[ModelLayout],
    sittings: Sequence[Sitting],
    curve: Mapping[str, Any],
) -> list[str]:
    """List what a result takes for granted.

    Parameters
    ----------
    request : Request
        What was asked.
    layouts : sequence of ModelLayout
        Every model.
    sittings : sequence of Sitting
        All sittings.
    curve : mapping
        ``u`` and ``curves`` of the choice of curve.

    Returns
    -------
    list of str
    """
    told = [*_spread_assumptions(request.bench), *_room_assumptions(request, sittings)]
    told += _source_assumptions(request.bench, sittings)
    told += _correction_assumptions(request, sittings)
    told += _rig_assumptions(request.bench, sittings)
    if not any(sitting.session for sitting in sittings):
        told.append("no session recorded: each sitting counts as a session of its own")
    told += _fans_assumptions(request)
    if has_sweeps(layouts):
        told.append("a resonance narrower than the steps is not covered by any interval")
    if curve["curves"] < 0:
        told.append(f"choice of curve: {_percent(curve['u'])} of speed, taken from earlier")
    told += _point_assumptions(layouts)
    told += [note for sitting in sittings for note in sitting.dialled]
    over_drive = [lay.model for lay in layouts if lay.abscissa in ("drive_voltage", "drive_duty")]
    if over_drive:
        told.append(f"no speed readings, read off over drive: {', '.join(over_drive)}")
    return told


def has_sweeps(layouts: Sequence[ModelLayout]) -> bool:
    """Say whether any model was read along a curve, not at one point alone.

    Parameters
    ----------
    layouts : sequence of ModelLayout
        Every model.

    Returns
    -------
    bool
    """
    units = [unit for layout in layouts for unit in layout.units]
    noise = (curve.knots for unit in units for curve in unit.noise)
    rest = (curve.knots for unit in units for some in unit.quantities.values() for curve in some)
    return any(knots.count > 1 for knots in itertools.chain(noise, rest))


def _point_assumptions(layouts: Sequence[ModelLayout]) -> list[str]:
    by_slope: dict[Slope, list[str]] = {}
    for layout in layouts:
        for unit in layout.units:
            for curve in unit.noise:
                if curve.slope is not None and layout.model not in by_slope.get(curve.slope, []):
                    by_slope.setdefault(curve.slope, []).append(layout.model)
    return [
        f"one step and no sweep: {slope.value:.3g} ± {slope.uncertainty:.2g} dB a decade of speed, "
        f"{slope.origin}: {', '.join(models)}"
        for slope, models in by_slope.items()
    ]


def left_out(request: Request, layouts: Sequence[ModelLayout]) -> list[str]:
    """List steps that carry no curve, and curves that meet the target more than once.

    Parameters
    ----------
    request : Request
        What was asked.
    layouts : sequence of ModelLayout
        Every model.

    Returns
    -------
    list of str
    """
    told: list[str] = []
    for layout in layouts:
        told += layout.dropped
        told += [note for unit in layout.units for s in unit.sittings for note in s.placeless]
        told += crossing_notes(request, layout)
    return told


def _spread_assumptions(bench: Bench) -> list[str]:
    told = []
    for kind in _SPREADS:
        spread = bench.spread.of(kind)
        if spread is not None and not _is_measured(spread):
            told.append(f"{_spread_sentence(kind, spread)} (stated, not measured)")
    return told


def _stated_of(bench: Bench, sittings: Sequence[Sitting]) -> Iterator[tuple[str, str, str, Source]]:
    """Go through (quantity, on which rig in words, level of sharing, source) of what was read."""
    read = {name.removesuffix("_obstructed") for sitting in sittings for name in sitting.units}
    rigs = {sitting.rig for sitting in sittings}
    for rig, quantity, level, source in bench.stated():
        if quantity in read and not source.is_zero and (not rig or rig in rigs):
            yield quantity, f" on rig {rig}" if rig else "", level, source


def _source_assumptions(bench: Bench, sittings: Sequence[Sitting]) -> list[str]:
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


def _correction_assumptions(request: Request, sittings: Sequence[Sitting]) -> list[str]:
    """List corrections, and what a level asked for was on the display."""
    told = []
    units = {name: unit for sitting in sittings for name, unit in sitting.units.items()}
    rigs = list(dict.fromkeys(sitting.rig for sitting in sittings))
    for quantity in INSTRUMENTS:
        if quantity not in units:
            continue
        shifts = {rig: shift_of(request.bench, rig, quantity, units[quantity]) for rig in rigs}
        for rig, shift in shifts.items():
            if shift == (0.0, 0.0):
                continue
            where = f" on rig {rig}" if rig and len(rigs) > 1 else ""
            text = f"{quantity}{where}: readings corrected by {shift.words(units[quantity])}"
            if quantity == "noise" and request.kind == "equal noise":
                level = request.target.level
                text += (
                    f", and so the level asked for: {level:g} {units[quantity]} was "
                    f"{level - shift.absolute:g} on the display"
                )
            told.append(text)
    return told


def _rig_assumptions(bench: Bench, sittings: Sequence[Sitting]) -> list[str]:
    present = {sitting.rig for sitting in sittings}
    missing = [rig for rig in bench.rigs_named if rig not in present]
    if not missing:
        return []
    return [f"stated for rigs that no reading is from, and so without effect: {', '.join(missing)}"]


def _fans_assumptions(request: Request) -> list[str]:
    if not request.fans:
        return []
    listed = ", ".join(f"{count} of {model}" for model, count in request.fans.items())
    told = [
        f"{listed} together make the level, each in its own opening and on one drive: their "
        "airflow is the sum, which does not hold for fans in series or sharing an opening"
    ]
    if request.spread("speed") is None:
        told.append("sample luck in speed between fans that run together is not in these ranges")
    return told


def _room_assumptions(request: Request, sittings: Sequence[Sitting]) -> list[str]:
    target = request.target
    if request.kind != "equal noise":
        where = target.room.name if target.room is not None else "unknown"
        shown = target.background == "included"
        return [f"noise is given in one room: {where}"] if shown else ["noise of the fan alone"]
    told = [f"the level is held {'on this meter' if target.target == 'as read' else 'in truth'}"]
    if target.background == "removed":
        told.append("the level is that of the fan alone, without the room")
    elif target.room is not None:
        told.append(f"the level includes one room for all models: {target.room.name}")
    unknown = [s for s in sittings if s.has(("noise", "")) and not np.isfinite(s.background)]
    if unknown:
        limits = [target.room_unknown_limit(sitting) for sitting in unknown]
        known = [limit for limit in limits if np.isfinite(limit)]
        told.append(
            f"room not read in {len(unknown)} sittings: their curves are as read"
            + (f", and the room may hide up to {max(known):.2f} dB" if known else "")
        )
    return told + target.rooms_that_differ([s for s in sittings if s.has(("noise", ""))])


def measured(
    request: Request,
    layouts: Sequence[ModelLayout],
    sittings: Sequence[Sitting],
    curve: Mapping[str, Any],
) -> list[str]:
    """List what stands on the readings themselves.

    Parameters
    ----------
    request, layouts, sittings, curve
        As in `assumptions`.

    Returns
    -------
    list of str
    """
    several = sum(len(layout.units) > 1 for layout in layouts)
    told = [
        f"{sum(layout.readings for layout in layouts)} readings of {len(layouts)} models in "
        f"{len(sittings)} sittings; {several} models with more than one sample"
    ]
    if curve["curves"] > 0:
        told.append(
            f"choice of curve: {_percent(curve['u'])} of speed, from leaving one step out of "
            f"{curve['curves']} curves"
        )
    for quantity, where, level, source in _stated_of(request.bench, sittings):
        if source.measured:
            about = f"; {source.about}" if source.about else ""
            name = f"scatter of {quantity} readings" if level == "reading" else (
                f"{level} error of {quantity}")  # fmt: skip
            told.append(f"{name}{where}: {source.stated}{about}")
    for kind in _SPREADS:
        spread = request.bench.spread.of(kind)
        if spread is not None and _is_measured(spread):
            told.append(_spread_sentence(kind, spread))
    return told


def not_considered(
    request: Request,
    outputs: Mapping[str, Sequence[str]],
    curve: Mapping[str, Any],
    *,
    sweeps: bool = True,
) -> list[str]:
    """List what nobody stated.

    Parameters
    ----------
    request : Request
        What was asked.
    outputs : mapping
        Obstructions by quantity given.
    curve : mapping
        ``u`` and ``curves`` of the choice of curve.
    sweeps : bool
        Whether there is any curve to choose.

    Returns
    -------
    list of str
    """
    needed = ["noise", "speed"] + ["airflow"] * ("airflow" in outputs)
    if "temperature_rise" in outputs:
        needed.append("temperature")
    told = [*request.bench.unstated(needed)]
    told += _curve_not_considered(request, outputs, curve) if sweeps else []
    held = [k for k in _SPREADS if k != "temperature" or "temperature_rise" in outputs]
    unknown = [kind for kind in request.bench.spread.unknown if kind in held]
    return told + [f"sample luck in {_SPREADS[kind]}: not stated" for kind in unknown]


def _curve_not_considered(
    request: Request, outputs: Mapping[str, Sequence[str]], curve: Mapping[str, Any]
) -> list[str]:
    """Say where nothing is added for the choice of curve between steps."""
    told = []
    if request.kind == "equal drive":
        told.append(
            "choice of curve between steps: nothing is added for it at equal drive (a step that "
            "was read needs none); set results of curve='straight' beside these"
        )
    elif np.isnan(curve["u"]) and (request.kind == "equal noise" or "noise" in outputs):
        what = "target" if request.kind == "equal noise" else "speed"
        told.append(f"choice of curve: no curve has four usable steps around the {what}")
    return told
