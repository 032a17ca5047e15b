"""Why something cannot be read off, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from fanstats.engine.draws import Still
from fanstats.engine.points import (
    fan_level,
    level_at,
    level_knots,
    mean_points,
    operating_points,
    read_off,
    spreads_needed,
)
from fanstats.engine.sittings import ABOVE_ROOM, SPEED
from fanstats.quantities import units_label

if TYPE_CHECKING:
    from collections.abc import Mapping

    from fanstats.engine.layout import Block, Layout, LevelCurves, Unit
    from fanstats.engine.points import Asked, LevelKnots, Points
    from fanstats.engine.sittings import Channel

__all__ = [
    "ABSCISSA_NAMES",
    "knots_and_meant",
    "model_state",
    "quantity_state",
    "scope_state",
    "shown",
]

# Policy: a single step is carried on to a target this near, by a slope that is not its own; dB.
_NEAR_POINT: Final = 1.0
# Policy: a single reading of airflow is carried on over this share of speed.
_NEAR_SPEED: Final = 0.05
# Name, unit and decimals in print of what curves run over.
ABSCISSA_NAMES: Final = {
    "drive_voltage": ("drive", "V", 2),
    "drive_duty": ("drive", "%", 1),
    "speed": ("speed", "rpm", 0),
    "relative": ("relative speed", "", 3),
}
# At the very end of a sweep logarithms round a point out of it by this share at most.
_ROUNDING: Final = 1e-9


def shown(value: float, abscissa: str) -> str:
    """Print a speed or a drive to the decimals it is set or read to.

    Examples
    --------
    >>> shown(7.3456, "drive_voltage"), shown(7.0, "drive_voltage"), shown(904.6, "speed")
    ('7.35 V', '7 V', '905 rpm')
    """
    _, units, decimals = ABSCISSA_NAMES[abscissa]
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
    at, end = shown(found.at, abscissa), shown(found.end, abscissa)
    ends = "begins" if found.side == "below" else "ends"
    return f"{found.side} range: {at} lies {found.side} its {what}, which {ends} at {end}"


# Of a model --------------------------------------------------------------------------------------


def model_state(asked: Asked, model: int) -> tuple[Block, dict[int, Points], str]:
    """Say why a model has no estimate, "" where it has one; with its curves and operating points.

    A unit that cannot be read is never skipped: one of them takes the model out.
    """
    alone = asked.blocks([model])[0]
    points: dict[int, Points] = {}
    if alone.abscissa is not None:
        points = operating_points(Still(asked.ledger), asked, alone)
    if asked.problem:
        return alone, points, _at_the_floor(asked)
    units = asked.layout.units[model]
    reasons = {
        unit.name: _unit_reason(asked, alone, place, unit, points)
        for place, unit in enumerate(units)
    }
    return alone, points, _model_words(reasons, alone, points)


def _at_the_floor(asked: Asked) -> str:
    clear = asked.at - asked.room_level
    side = "above" if clear >= 0 else "below"
    return (
        f"at the room's floor: the target is {abs(clear):.1f} dB {side} the room "
        f"({asked.room_level:.1f} dB), and at least {ABOVE_ROOM:g} dB above it is needed"
    )


def _model_words(reasons: dict[str, str], alone: Block, points: Mapping[int, Points]) -> str:
    unreadable = {unit: why for unit, why in reasons.items() if why}
    if not unreadable:
        return "" if reasons else "no readings"
    if len(unreadable) == len(reasons) and len(set(unreadable.values())) == 1:
        return next(iter(unreadable.values()))
    told = "; ".join(f"sample {unit}: {why}" for unit, why in unreadable.items())
    readable = [
        f"sample {unit}: {shown(points[place].at[0, 0, 0], alone.abscissa or 'speed')}"
        for place, unit in enumerate(reasons)
        if unit not in unreadable and place in points
    ]
    rest = f" (readable: {', '.join(readable)})" if readable else ""
    return f"{len(reasons) - len(unreadable)} of {len(reasons)} units readable: {told}{rest}"


def _unit_reason(
    asked: Asked, alone: Block, place: int, unit: Unit, points: Mapping[int, Points]
) -> str:
    """Say why a unit has no operating point; one without noise readings borrows its model's."""
    if alone.abscissa is None:
        return "no step has a running fan with its speed or drive"
    curves = alone.units[place]
    at_noise = asked.question.kind == "equal noise"
    if at_noise:
        if not asked.layout.noise_sittings(unit):
            return "" if points else "no noise readings"
        if curves.problem:
            return curves.problem
        far = next((why for level in curves.levels if (why := _off_point(asked, alone, level))), "")
        if far:
            return far
    here = points.get(place)
    if here is None:
        return _no_points(asked, alone)
    if not (here.below[0].any() or here.above[0].any()):
        return ""
    if at_noise:
        return next((why for c in curves.levels if (why := _range_reason(asked, alone, c))), "")
    sweeps = (_drive_ends(asked, s) for s in unit.sittings)
    outside = (_beyond(asked.at, *ends) for ends in sweeps if ends is not None)
    past = next((found for found in outside if found is not None), None)
    return "" if past is None else _beyond_words(past, asked.question.drive, "sweep over drive")


def _drive_ends(asked: Asked, sitting: int) -> tuple[float, float] | None:
    """Give the lowest and highest drive at which the fan ran; None where there is none."""
    own = asked.layout.sittings[sitting]
    drive, speed = own.drives[asked.question.drive], own.channels.get(SPEED)
    read = np.isfinite(drive)
    if speed is not None:
        read &= speed.values > 0
    return (float(drive[read].min()), float(drive[read].max())) if read.any() else None


def knots_and_meant(asked: Asked, alone: Block, curves: LevelCurves) -> tuple[LevelKnots, float]:
    """Give the knots of a noise curve at the readings as read, and the level it is to meet."""
    still = Still(asked.ledger)
    meant = asked.at
    if curves.room_kind == "read":
        meant = float(fan_level(still, asked, alone.reference)[0][0, 0])
    return level_knots(still, curves), meant


def _off_point(asked: Asked, alone: Block, curves: LevelCurves) -> str:
    """Say how far from the target a single step stands, "" where it is near enough."""
    if not curves.is_point:
        return ""
    knots, meant = knots_and_meant(asked, alone, curves)
    off = float(knots.level[0, 0, 0] - meant)
    if abs(off) <= _NEAR_POINT:
        return ""
    return (
        f"only one usable step, {off:+.1f} dB from the target: a single step serves within "
        f"{_NEAR_POINT:g} dB"
    )


def _no_points(asked: Asked, alone: Block) -> str:
    if asked.question.kind == "equal speed":
        return "no speed readings for every sitting: equal speed cannot be read off"
    name, units, _ = ABSCISSA_NAMES[asked.question.drive]
    return f"no sweep over {name} [{units}]" + (
        "" if alone.abscissa == "speed" else " and no speed readings"
    )


def _range_reason(asked: Asked, alone: Block, curves: LevelCurves) -> str:
    """Say how far the target lies beyond one noise curve."""
    knots, meant = knots_and_meant(asked, alone, curves)
    levels = knots.level[:, 0, 0]
    low, high = float(levels.min()), float(levels.max())
    what = "of the fan alone" if curves.room_kind == "read" else "as read"
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


# Of a quantity -----------------------------------------------------------------------------------


def quantity_state(
    asked: Asked, alone: Block, points: Mapping[int, Points], channel: Channel
) -> str:
    """Say why a quantity cannot be read off where the model itself can, "" where it can."""
    if channel[0] in ("speed", "noise"):
        return _plain_reason(asked, alone, points, channel[0])
    curves = [curve for unit in alone.units for curve in unit.quantities.get(channel, ())]
    where = f" behind {channel[1]!r}" if channel[1] else ""
    name = channel[0].replace("_", " ")
    if not curves:
        return f"no {name} readings{where}"
    if channel[0] == "temperature_rise" and alone.fans > 1:
        return "several fans together: the rise was read with one"
    if channel[0] == "temperature_rise" and all(curve.values.size == 0 for curve in curves):
        return "no ambient temperature beside the temperature: the rise is missing"
    far = _off_single(alone, points, channel)
    if far:
        return far
    found = read_off(Still(asked.ledger), asked, alone, points, channel)
    if not found:
        return f"no {name} readings{where} at a running step"
    value = mean_points([part for _, part in found])
    if value.below[0].any() or value.above[0].any():
        return _beyond_quantity(alone, points, channel, f"{name} sweep{where}")
    return ""


def _beyond_quantity(
    alone: Block, points: Mapping[int, Points], channel: Channel, what: str
) -> str:
    """Say how far an operating point lies beyond the sweep of a quantity."""
    abscissa = alone.abscissa or "speed"
    everywhere = float(np.mean([part.at[0, 0, 0] for part in points.values()]))
    for place, unit in enumerate(alone.units):
        at = float(points[place].at[0, 0, 0]) if place in points else everywhere
        for curve in unit.quantities.get(channel, ()):
            if curve.values.size < 2:
                continue
            x = curve.values.merged(curve.x)
            found = _beyond(at, float(x.min()), float(x.max()))
            if found is not None:
                return _beyond_words(found, abscissa, what)
    return ""


def _off_single(alone: Block, points: Mapping[int, Points], channel: Channel) -> str:
    """Say that a single reading was taken too far from the operating point."""
    for place, unit in enumerate(alone.units):
        here = points.get(place)
        for curve in unit.quantities.get(channel, ()):
            if curve.values.size != 1:
                continue
            if here is None and alone.abscissa == "relative":
                return "noise and airflow of different samples cannot be joined without speed"
            if here is None or alone.abscissa is None:
                continue
            x = curve.x[0, 0, 0]
            if abs(np.log(here.at[0, 0, 0] / x)) > _NEAR_SPEED:
                name = channel[0].replace("_", " ")
                off = 100 * (here.at[0, 0, 0] / x - 1)
                return f"only one {name} reading, {off:+.0f} % off in speed"
    return ""


def _plain_reason(asked: Asked, alone: Block, points: Mapping[int, Points], quantity: str) -> str:
    if quantity == "speed":
        over_drive = (
            f"no speed readings: read off over {ABSCISSA_NAMES[alone.abscissa or 'speed'][0]}"
        )
        return "" if alone.abscissa == "speed" else over_drive
    held = [unit for place, unit in enumerate(alone.units) if place in points]
    if all(unit.problem for unit in held):
        return next(unit.problem for unit in alone.units)
    still = Still(asked.ledger)
    for place, unit in enumerate(alone.units):
        for curve in unit.levels if place in points else ():
            knots = level_knots(still, curve)
            solved = level_at(curve, knots, points[place].at[:1])
            ends = float(knots.x[0, 0, 0]), float(knots.x[-1, 0, 0])
            far = _beyond(float(points[place].at[0, 0, 0]), *ends)
            if (solved.below.any() or solved.above.any()) and far is not None:
                return _beyond_words(far, alone.abscissa or "speed", "noise sweep")
    return ""


def scope_state(asked: Asked, model: int, channel: Channel, scope: str) -> str:
    """Say why one scope is missing where the tested unit's estimate exists, "" where it is not."""
    layout, question = asked.layout, asked.question
    if scope == "tested unit":
        return _split_samples(asked, model, channel)
    unknown = [
        kind
        for kind in spreads_needed(question, channel[0])
        if asked.ledger.spread.of(kind) is None
    ]
    if unknown:
        return f"spread not stated: {', '.join(unknown)} (fs.unit_spread can estimate it)"
    if channel[0] == "temperature_rise" and _single_curve(layout, model, channel):
        return "only one reading of temperature: nothing says how the rise changes with speed"
    if question.kind == "equal drive" and layout.abscissa[model] not in ("speed", "relative"):
        return "no speed readings: what the next sample does at this drive is not known"
    return _room_reason(asked, model, channel)


def _single_curve(layout: Layout, model: int, channel: Channel) -> bool:
    units = layout.units[model]
    held = [s for unit in units for s in layout.quantity_sittings(unit, channel)]
    return any(layout.quantity[channel].counts[s] == 1 for s in held)


def _split_samples(asked: Asked, model: int, channel: Channel) -> str:
    """Say that a unit with only one of noise and quantity tells nothing of that very unit."""
    if asked.question.kind != "equal noise" or channel[0] == "speed":
        return ""
    layout = asked.layout
    for unit in layout.units[model]:
        if bool(layout.noise_sittings(unit)) != bool(layout.quantity_sittings(unit, channel)):
            return f"noise and {channel[0].replace('_', ' ')} from different samples"
    return ""


def _room_reason(asked: Asked, model: int, channel: Channel) -> str:
    at_noise = asked.question.kind == "equal noise"
    if not at_noise and channel[0] != "noise":
        return ""
    layout = asked.layout
    for unit in layout.units[model]:
        for s in layout.noise_sittings(unit):
            if layout.room[s] == 2 and layout.level.counts[s] != 1:
                # Else the level read is where the question lies: nothing says how far the room is.
                if at_noise and np.isfinite(asked.hidden_limit(np.array([s]))[0]):
                    continue
                return (
                    "room not known: the target must stand at least 10 dB above the quietest "
                    f"reading of the session ({layout.sittings.lowest_noise[s]:.1f} dB)"
                )
    return ""
