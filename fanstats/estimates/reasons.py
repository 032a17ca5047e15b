"""Why something cannot be read off: in words, at the readings as read."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from fanstats.estimates.curves import crossings
from fanstats.estimates.draws import Unperturbed
from fanstats.estimates.knots import abscissa_values, merged
from fanstats.estimates.level_curve import level_at, level_knots
from fanstats.estimates.operating import read_off, spreads_needed
from fanstats.levels.kernels import add_levels
from fanstats.quantities import units_label

if TYPE_CHECKING:
    from collections.abc import Mapping

    from fanstats._typing import FloatArray
    from fanstats.estimates.layout import ModelLayout
    from fanstats.estimates.level_curve import LevelCurve, LevelKnots
    from fanstats.estimates.operating import Points
    from fanstats.estimates.request import Request
    from fanstats.estimates.sittings import Channel, Sitting

__all__ = ["crossing_notes", "model_reason", "quantity_reason", "scope_reason", "unit_reasons"]

# Policy: a single step is carried on to a target this near, by a slope that is not its own.
NEAR_POINT = 1.0
# Policy: a single reading of airflow is carried on over this share of speed.
NEAR_SPEED = 0.05

# Name, unit and decimals in print of what curves run over.
_NAMES: Final = {
    "drive_voltage": ("drive", "V", 2),
    "drive_duty": ("drive", "%", 1),
    "speed": ("speed", "rpm", 0),
    "relative": ("relative speed", "", 3),
}
# At the very end of a sweep logarithms round a point out of it by this share at most.
_ROUNDING: Final = 1e-9


def _shown(value: float, abscissa: str) -> str:
    """Print a speed or a drive to the decimals it is set or read to.

    Examples
    --------
    >>> _shown(7.3456, "drive_voltage"), _shown(7.0, "drive_voltage"), _shown(904.6, "speed")
    ('7.35 V', '7 V', '905 rpm')
    """
    _, units, decimals = _NAMES[abscissa]
    text = f"{value:.{decimals}f}"
    text = text.rstrip("0").rstrip(".") if decimals else text
    return f"{text} {units_label(units)}".rstrip()


class _Beyond(NamedTuple):
    """Where something lies beyond a sweep: on which side, and the end of the sweep there."""

    side: str
    at: float
    end: float


def _beyond(at: float, low: float, high: float) -> _Beyond | None:
    """Say on which side of a sweep something lies, None inside or at its very end."""
    if at < low * (1 - _ROUNDING):
        return _Beyond("below", at, low)
    if at > high * (1 + _ROUNDING):
        return _Beyond("above", at, high)
    return None


def _beyond_words(found: _Beyond, abscissa: str, what: str) -> str:
    at, end = _shown(found.at, abscissa), _shown(found.end, abscissa)
    ends = "begins" if found.side == "below" else "ends"
    return f"{found.side} range: {at} lies {found.side} its {what}, which {ends} at {end}"


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
        return next((why for curve in unit.noise if (why := _range_reason(request, curve))), "")
    sweeps = (_drive_ends(request, sitting) for sitting in unit.sittings)
    outside = (_beyond(request.at, *ends) for ends in sweeps if ends is not None)
    past = next((found for found in outside if found is not None), None)
    return "" if past is None else _beyond_words(past, request.drive, "sweep over drive")


def _drive_ends(request: Request, sitting: Sitting) -> tuple[float, float] | None:
    """Give the lowest and highest drive at which the fan ran; None where there is none."""
    drive, speed = sitting.drive(request.drive), sitting.channels.get(("speed", ""))
    read = np.isfinite(drive)
    if speed is not None:
        read &= speed.values > 0
    return (float(drive[read].min()), float(drive[read].max())) if read.any() else None


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
    name, units, _ = _NAMES[request.drive]
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
    levels = knots.level[:, 0]
    low, high = float(levels.min()), float(levels.max())
    what = "of the fan alone" if curve.room == "read" else "as read"
    if meant > high + _ROUNDING:
        return f"above range: its loudest step is {meant - high:.1f} dB below the target ({what})"
    if meant < low - _ROUNDING:
        return (
            f"below range: its quietest usable step is {low - meant:.1f} dB above the target "
            f"({what})"
        )
    end = float(levels[-1])
    if meant <= end + _ROUNDING:
        return ""
    return (
        f"above range: its curve only falls through the target, to {meant - end:.1f} dB below it "
        f"at the last step ({what})"
    )


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
    if len(unreadable) == len(reasons) and len(set(unreadable.values())) == 1:
        return next(iter(unreadable.values()))
    told = "; ".join(f"sample {unit}: {why}" for unit, why in unreadable.items())
    readable = [
        f"sample {unit}: {_shown(points[place].at[0, 0, 0], layout.abscissa or 'speed')}"
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
        return _beyond_quantity(layout, points, channel, f"{name} sweep{where}")
    return ""


def _beyond_quantity(
    layout: ModelLayout, points: Mapping[int, Points], channel: Channel, what: str
) -> str:
    """Say how far an operating point lies beyond the sweep of a quantity."""
    abscissa = layout.abscissa or "speed"
    everywhere = float(np.mean([part.at[0, 0, 0] for part in points.values()]))
    for place, unit in enumerate(layout.units):
        at = float(points[place].at[0, 0, 0]) if place in points else everywhere
        for curve in unit.quantities.get(channel, ()):
            if curve.knots.count < 2:
                continue
            cells = abscissa_values(curve.sitting, abscissa, curve.knots.index)
            x = merged(curve.knots, cells)
            found = _beyond(at, float(x.min()), float(x.max()))
            if found is not None:
                return _beyond_words(found, abscissa, what)
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
            ends = float(knots.x[0, 0]), float(knots.x[-1, 0])
            far = _beyond(float(points[place].at[0, 0, 0]), *ends)
            if (solved.below.any() or solved.above.any()) and far is not None:
                return _beyond_words(far, curve.abscissa, "noise sweep")
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
            if curve.problem or curve.is_point or curve.kind == "power law" or _rises(curve):
                continue
            knots = level_knots(nothing, request.bench, curve)
            meant = (
                request.target.fan_level(nothing, request.bench).level[0]
                if curve.room == "read"
                else request.target.level
            )
            at = _met_at(curve, knots, float(meant))
            if at.size > 1:
                listed = ", ".join(_shown(value, curve.abscissa) for value in at)
                notes.append(
                    f"{curve.sitting.place}: {at.size} crossings at {listed}; the upward one of "
                    f"the highest {_NAMES[curve.abscissa][0]} is taken"
                )
    return notes


def _rises(curve: LevelCurve) -> bool:
    """Say whether every step is louder than the one before: such a curve meets a level once."""
    read = curve.sitting.channels[curve.channel].values[curve.knots.index]
    return bool((read[1:] > read[:-1]).all())


def _met_at(curve: LevelCurve, knots: LevelKnots, meant: float) -> FloatArray:
    """List every speed or drive at which a noise curve meets a level, rising or falling."""
    x, level = knots.x[:, 0], knots.level[:, 0]
    if curve.kind == "straight":  # straight in the level as read over speed itself
        room = np.asarray(knots.room[:1])
        wanted = float(add_levels(np.array([meant]), room)[0])
        return _straight_crossings(x, add_levels(level, room), wanted)
    if not curve.over_speed:
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
