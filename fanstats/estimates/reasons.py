"""Why something cannot be read off: in words, at the readings as read."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from fanstats.estimates.curves import crossings
from fanstats.estimates.draws import Unperturbed
from fanstats.estimates.knots import abscissa_values
from fanstats.estimates.level_curve import level_at, level_knots
from fanstats.estimates.operating import read_off, spreads_needed
from fanstats.quantities import units_label

if TYPE_CHECKING:
    from collections.abc import Mapping

    from fanstats.estimates.layout import ModelLayout
    from fanstats.estimates.level_curve import LevelCurve
    from fanstats.estimates.operating import Points
    from fanstats.estimates.request import Request
    from fanstats.estimates.sittings import Channel

__all__ = ["crossing_notes", "model_reason", "quantity_reason", "scope_reason", "unit_reasons"]

# Policy: a single step is carried on to a target this near, by a slope that is not its own.
NEAR_POINT = 1.0
# Policy: a single reading of airflow is carried on over this share of speed.
NEAR_SPEED = 0.05

_NAMES = {
    "drive_voltage": ("drive", "V"),
    "drive_duty": ("drive", "%"),
    "speed": ("speed", "rpm"),
    "relative": ("relative speed", ""),
}


def unit_reasons(
    request: Request, layout: ModelLayout, points: Mapping[int, Points]
) -> dict[str, str]:
    """Say for every unit of a model why it has no operating point, "" where it has one.

    Parameters
    ----------
    request : Request
        What is asked.
    layout : ModelLayout
        The model.
    points : dict
        Unperturbed points of its units.

    Returns
    -------
    dict
        Reason by unit. A unit without noise readings borrows its model's points: no reason.
    """
    return {
        unit.unit: _unit_reason(request, layout, place, points)
        for place, unit in enumerate(layout.units)
    }


def _unit_reason(
    request: Request, layout: ModelLayout, place: int, points: Mapping[int, Points]
) -> str:
    unit = layout.units[place]
    if layout.abscissa is None:
        return "no step has a running fan with its speed or drive"
    if request.kind == "equal noise" and not unit.noise:
        return "" if points else "no noise readings"
    if request.kind == "equal noise" and unit.noise_problem:
        return unit.noise_problem
    if request.kind == "equal noise":
        far = next((why for curve in unit.noise if (why := _off_point(request, curve))), "")
        if far:
            return far
    here = points.get(place)
    if here is None:
        return _no_points(request, layout)
    if not (here.below[0].any() or here.above[0].any()):
        return ""
    if request.kind == "equal noise":
        return next(
            (why for curve in unit.noise if (why := _range_reason(request, curve))),
            "the target lies beyond the readings",
        )
    name, units = _NAMES[request.drive]
    side = "below" if here.below[0].any() else "above"
    return f"{side} range: {name} {request.at:g} {units} lies {side} its sweep"


def _off_point(request: Request, curve: LevelCurve) -> str:
    """Say how far from the target a single step stands, "" where it is near enough."""
    if not curve.is_point:
        return ""
    nothing = Unperturbed()
    meant = (
        request.target.fan_level(nothing, request.bench).level[0]
        if curve.room == "read"
        else request.target.level
    )
    off = float(level_knots(nothing, request.bench, curve).level[0, 0] - meant)
    if abs(off) <= NEAR_POINT:
        return ""
    return (
        f"only one usable step, {off:+.1f} dB from the target: a single step serves within "
        f"{NEAR_POINT:g} dB"
    )


def _no_points(request: Request, layout: ModelLayout) -> str:
    if request.kind == "equal speed":
        return "no speed readings for every sitting: equal speed cannot be read off"
    name, units = _NAMES[request.drive]
    return f"no sweep over {name} [{units}]" + (
        "" if layout.abscissa == "speed" else " and no speed readings"
    )


def _range_reason(request: Request, curve: LevelCurve) -> str:
    """Say how far the target lies beyond one noise curve."""
    nothing = Unperturbed()
    knots = level_knots(nothing, request.bench, curve)
    meant = (
        request.target.fan_level(nothing, request.bench).level[0]
        if curve.room == "read"
        else request.target.level
    )
    low, high = float(knots.level[0, 0]), float(knots.level[-1, 0])
    what = "of the fan alone" if curve.room == "read" else "as read"
    if meant > high:
        return f"above range: its loudest step is {meant - high:.1f} dB below the target ({what})"
    if meant < low:
        return (
            f"below range: its quietest usable step is {low - meant:.1f} dB above the target "
            f"({what})"
        )
    return ""


def model_reason(request: Request, layout: ModelLayout, points: Mapping[int, Points]) -> str:
    """Say why a model has no estimate, "" where it has one.

    A unit that cannot be read is never skipped: one of them takes the model out.

    Parameters
    ----------
    request : Request
        What is asked.
    layout : ModelLayout
        The model.
    points : dict
        Unperturbed points of its units.

    Returns
    -------
    str
    """
    if request.kind == "equal noise" and request.target.problem:
        return request.target.problem
    reasons = unit_reasons(request, layout, points)
    unreadable = {unit: why for unit, why in reasons.items() if why}
    if not reasons:
        return "no readings"
    if not unreadable:
        return ""
    if len(unreadable) == len(reasons):
        return next(iter(unreadable.values()))
    told = "; ".join(f"sample {unit}: {why}" for unit, why in unreadable.items())
    readable = [
        f"sample {unit}: {points[place].at[0, 0, 0]:.0f} {_NAMES[layout.abscissa or 'speed'][1]}"
        for place, unit in enumerate(reasons)
        if unit not in unreadable and place in points
    ]
    shown = f" (readable: {', '.join(readable)})" if readable else ""
    return f"{len(reasons) - len(unreadable)} of {len(reasons)} units readable: {told}{shown}"


def quantity_reason(
    request: Request, layout: ModelLayout, points: Mapping[int, Points], channel: Channel
) -> str:
    """Say why a quantity cannot be read off where the model itself can, "" where it can.

    Parameters
    ----------
    request : Request
        What is asked.
    layout : ModelLayout
        The model.
    points : dict
        Unperturbed points of its units.
    channel : tuple of str
        Quantity and obstruction.

    Returns
    -------
    str
    """
    if channel[0] in ("speed", "noise"):
        return _plain_reason(request, layout, points, channel[0])
    curves = [curve for unit in layout.units for curve in unit.quantities.get(channel, ())]
    where = f" behind {channel[1]!r}" if channel[1] else ""
    name = channel[0].replace("_", " ")
    if not curves:
        return f"no {name} readings{where}"
    if channel[0] == "temperature_rise" and request.fans.get(layout.model, 1) > 1:
        return "several fans together: the rise was read with one"
    if channel[0] == "temperature_rise" and all(curve.knots.count == 0 for curve in curves):
        return "no ambient temperature beside the temperature: the rise is missing"
    far = _off_single(layout, points, channel)
    if far:
        return far
    value = read_off(Unperturbed(), request, [layout], points, channel)
    if value is None:
        return f"no {name} readings{where} at a running step"
    if value.below[0].any() or value.above[0].any():
        side = "below" if value.below[0].any() else "above"
        at = np.mean([part.at[0, 0, 0] for part in points.values()])
        units = _NAMES[layout.abscissa or "speed"][1]
        return f"{side} range: {at:.0f} {units_label(units)} lies {side} its {name} sweep{where}"
    return ""


def _off_single(layout: ModelLayout, points: Mapping[int, Points], channel: Channel) -> str:
    """Say that a single reading was taken too far from the operating point."""
    for place, unit in enumerate(layout.units):
        here = points.get(place)
        for curve in unit.quantities.get(channel, ()):
            if curve.knots.count != 1:
                continue
            if here is None and layout.abscissa == "relative":
                return "noise and airflow of different samples cannot be joined without speed"
            if here is None or layout.abscissa is None:
                continue
            x = abscissa_values(curve.sitting, layout.abscissa, curve.knots.index)[0]
            if abs(np.log(here.at[0, 0, 0] / x)) > NEAR_SPEED:
                name = channel[0].replace("_", " ")
                off = 100 * (here.at[0, 0, 0] / x - 1)
                return f"only one {name} reading, {off:+.0f} % off in speed"
    return ""


def _plain_reason(
    request: Request, layout: ModelLayout, points: Mapping[int, Points], quantity: str
) -> str:
    if quantity == "speed":
        over_drive = f"no speed readings: read off over {_NAMES[layout.abscissa or 'speed'][0]}"
        return "" if layout.abscissa == "speed" else over_drive
    held = [unit for place, unit in enumerate(layout.units) if place in points]
    if all(unit.noise_problem for unit in held):
        return next(unit.noise_problem for unit in layout.units)
    nothing = Unperturbed()
    for place, unit in enumerate(layout.units):
        for curve in unit.noise if place in points else ():
            knots = level_knots(nothing, request.bench, curve)
            solved = level_at(curve, knots, points[place].at[:1, 0])
            if solved.below.any() or solved.above.any():
                side = "below" if solved.below.any() else "above"
                at = points[place].at[0, 0, 0]
                return f"{side} range: {at:.0f} rpm lies {side} its noise sweep"
    return ""


def scope_reason(request: Request, layout: ModelLayout, channel: Channel, scope: str) -> str:
    """Say why one scope is missing where the tested unit's estimate exists, "" where it is not.

    Parameters
    ----------
    request : Request
        What is asked.
    layout : ModelLayout
        The model.
    channel : tuple of str
        Quantity and obstruction.
    scope : {"tested unit", "model", "next unit"}
        Which.

    Returns
    -------
    str
    """
    if scope == "tested unit":
        return _split_samples(request, layout, channel)
    unknown = [kind for kind in spreads_needed(request, channel[0]) if request.spread(kind) is None]
    if unknown:
        return f"spread not stated: {', '.join(unknown)} (fs.unit_spread can estimate it)"
    if channel[0] == "temperature_rise" and _single_curve(layout, channel):
        return "only one reading of temperature: nothing says how the rise changes with speed"
    if request.kind == "equal drive" and layout.abscissa not in ("speed", "relative"):
        return "no speed readings: what the next sample does at this drive is not known"
    return _room_reason(request, layout, channel)


def _single_curve(layout: ModelLayout, channel: Channel) -> bool:
    curves = (curve for unit in layout.units for curve in unit.quantities.get(channel, ()))
    return any(curve.knots.count == 1 for curve in curves)


def _split_samples(request: Request, layout: ModelLayout, channel: Channel) -> str:
    """Say that a unit with only one of noise and quantity tells nothing of that very unit."""
    if request.kind != "equal noise" or channel[0] == "speed":
        return ""
    for unit in layout.units:
        if bool(unit.noise) != bool(unit.quantities.get(channel, ())):
            return f"noise and {channel[0].replace('_', ' ')} from different samples"
    return ""


def _room_reason(request: Request, layout: ModelLayout, channel: Channel) -> str:
    if request.kind != "equal noise" and channel[0] != "noise":
        return ""
    for unit in layout.units:
        for curve in unit.noise:
            if curve.room == "unknown" and not curve.is_point and _too_near(request, curve):
                return (
                    "room not known: the target must stand at least 10 dB above the quietest "
                    f"reading of the session ({curve.sitting.lowest_noise:.1f} dB)"
                )
    return ""


def _too_near(request: Request, curve: LevelCurve) -> bool:
    if request.kind == "equal noise":
        return not np.isfinite(request.target.room_unknown_limit(curve.sitting))
    return True  # the level read is where the question lies: nothing says how far the room is


def crossing_notes(request: Request, layout: ModelLayout) -> list[str]:
    """Name noise curves that meet the target more than once, and what was taken.

    Parameters
    ----------
    request : Request
        What is asked.
    layout : ModelLayout
        The model.

    Returns
    -------
    list of str
    """
    if request.kind != "equal noise" or request.target.problem:
        return []
    notes = []
    nothing = Unperturbed()
    for unit in layout.units:
        for curve in unit.noise:
            if curve.problem or curve.is_point or curve.kind == "power law":
                continue
            knots = level_knots(nothing, request.bench, curve)
            meant = (
                request.target.fan_level(nothing, request.bench).level[0]
                if curve.room == "read"
                else request.target.level
            )
            x = np.log(knots.x[:, 0]) if curve.over_speed else knots.x[:, 0]
            found = crossings(x, knots.level[:, 0], float(meant))
            if found.size > 1:
                at = np.exp(found) if curve.over_speed else found
                listed = ", ".join(f"{value:.0f}" for value in at)
                notes.append(
                    f"{curve.sitting.place}: {found.size} crossings at {listed} "
                    f"{_NAMES[curve.abscissa][1]}; the upward one of the highest speed is taken"
                )
    return notes
