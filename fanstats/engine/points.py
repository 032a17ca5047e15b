"""Operating points of alike models and what is read off there, every scope and every draw.

The same functions give the value, the Monte Carlo draws and the derivatives: only what moves the
inputs (`x`) differs. Arrays run over (scope, model, draw); the scopes are tested unit, model, next
unit, in that order, as far as the stated spread allows.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np

from fanstats.engine.curves import (
    LN10,
    SLOPE_HIGH,
    SLOPE_LOW,
    Solved,
    add_room,
    airflow_located,
    at_least,
    at_the_ends,
    continued_linear,
    fit_power_law,
    fit_power_law_with_floor,
    held,
    is_step,
    locate,
    monotone_slopes,
    monotone_values,
    precision_of,
    remove_room,
    rising,
    solve_monotone,
    solve_straight,
    straight_values,
    weight_of,
)
from fanstats.engine.layout import LevelCurves
from fanstats.levels.kernels import DB, FLOOR
from fanstats.quantities import convert

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from fanstats._typing import BoolArray, FloatArray, IntArray
    from fanstats.engine.draws import Still
    from fanstats.engine.layout import Block, Layout, Parallel, QuantityCurves
    from fanstats.engine.ledger import Ledger, Room, SpreadKind
    from fanstats.engine.question import Question, Slope
    from fanstats.engine.sittings import Channel

__all__ = ["SCOPES", "Asked", "Points", "operating_points", "read_points", "spreads_needed"]

SCOPES: Final = ("tested unit", "model", "next unit")
# With no room known, the typical and the next unit need a target this far above any plausible room.
CLEAR_OF_ROOM: Final = 10.0
_OWN_SPREAD: Final[Mapping[str, SpreadKind]] = {
    "noise": "noise", "airflow": "airflow", "temperature_rise": "temperature",
}  # fmt: skip
_HELD_BY: Final[Mapping[str, SpreadKind]] = {"equal noise": "noise", "equal drive": "speed"}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Asked:
    """One operating point asked of all models: a question at one level, drive or speed.

    Attributes
    ----------
    at : float
        The level, drive or speed.
    room : Room or None
        The reading of the room that levels including it are meant in.
    room_level : float
        Its level, or one given by the caller, which is then exact; NaN where nobody read one.
    curve_told : int
        Curves behind the uncertainty of the choice of curve, -1 where it was handed over.
    curve : float
        That uncertainty, relative; NaN where no curve says anything.
    slopes : tuple of Slope or None
        What carries the single points of each model on.
    """

    question: Question
    layout: Layout
    ledger: Ledger
    at: float
    room: Room | None = None
    room_level: float = np.nan
    curve: float = 0.0
    curve_told: int = 0
    slopes: tuple[Slope | None, ...] = ()

    @property
    def included(self) -> bool:
        """Whether levels include a known room."""
        return self.question.background == "included" and bool(np.isfinite(self.room_level))

    @property
    def problem(self) -> bool:
        """Whether the level stands too close to the room, or below it."""
        at_noise = self.question.kind == "equal noise"
        return at_noise and self.included and self.at - self.room_level < 1.0

    def known(self, *kinds: SpreadKind) -> bool:
        """Say whether these kinds of spread are stated."""
        return all(self.ledger.spread.of(kind) is not None for kind in kinds)

    def with_ledger(self, ledger: Ledger) -> Asked:
        """Ask the same with other errors of parameters."""
        return replace(self, ledger=ledger)

    def blocks(self, models: Sequence[int], most: int | None = None) -> list[Block]:
        """Lay models that are alike side by side, at most so many in one block."""
        question = self.question
        drive = (question.drive, self.at) if question.kind == "equal drive" else None
        found = self.layout.blocks(self.ledger, models, fans=question.fans, drive=drive, most=most)
        return list(found)

    def hidden_limit(self, sittings: IntArray) -> FloatArray:
        """Bound what an unknown room may hide, dB; NaN where the level is not 10 dB above it."""
        clear = self.at - self.layout.sittings.lowest_noise[sittings]
        with np.errstate(invalid="ignore", divide="ignore"):
            limit = -np.log(-np.expm1(-clear / DB)) * DB
        return np.where(clear >= CLEAR_OF_ROOM, limit, np.nan)


class Points(NamedTuple):
    """Operating points of one unit of each of several models, or what is read off there.

    `at` has shape (scope, model, draw): a speed, or a drive where no speed was read. `below` and
    `above` mark draws past the lower or upper end of the sweep it comes from.
    """

    at: FloatArray
    below: BoolArray
    above: BoolArray


def mean_points(parts: Sequence[Points]) -> Points:
    """Average over sittings, or units; past an end where any of them is."""
    if len(parts) == 1:
        return parts[0]
    return Points(
        np.mean(np.broadcast_arrays(*(part.at for part in parts)), axis=0),
        np.any(np.broadcast_arrays(*(part.below for part in parts)), axis=0),
        np.any(np.broadcast_arrays(*(part.above for part in parts)), axis=0),
    )


def spreads_needed(question: Question, quantity: str) -> list[SpreadKind]:
    """List the spreads that the typical and the next unit need for one output."""
    kinds = [_HELD_BY.get(question.kind), _OWN_SPREAD.get(quantity)]
    if quantity == "noise" and question.kind == "equal noise":
        kinds = kinds[:1]
    return list(dict.fromkeys(kind for kind in kinds if kind is not None))


def stacked(*parts: FloatArray) -> FloatArray:
    """Stack parts of one shape, or broadcast to it, along a new first axis."""
    return np.stack(np.broadcast_arrays(*parts))


# Level curves -------------------------------------------------------------------------------------


class LevelKnots(NamedTuple):
    """Knots of level curves, moved; arrays of shape (knot, model, draw).

    `level` is that of the fan alone, as read where the room is unknown and `room` minus infinity;
    `fit` holds intercept and slope over ln speed where a power law or a single point carries it.
    """

    x: FloatArray
    level: FloatArray
    room: FloatArray
    fit: tuple[FloatArray, FloatArray] | None


def abscissa(x: Still, speed: IntArray | None, read: FloatArray, cells: Parallel) -> FloatArray:
    """Move the abscissa of knots; a drive is taken as set. Shape (knot, model, draw or 1)."""
    if speed is None:
        return rising(cells.merged(read))

    def moved() -> FloatArray:
        values = x(speed)
        # A speed stays above 0 whatever its error; half the reading is far outside any bench.
        low = 0.5 * x.ledger.value[speed][..., np.newaxis]
        return rising(cells.merged(at_least(values, np.broadcast_to(low, values.shape))))

    return x.remembered(("abscissa", id(speed)), moved)


def level_knots(x: Still, curves: LevelCurves) -> LevelKnots:
    """Move the knots of alike level curves."""
    return x.remembered(("level", id(curves)), lambda: _level_knots(x, curves))


def _level_knots(x: Still, curves: LevelCurves) -> LevelKnots:
    cells = curves.noise
    reading = cells.merged(x(cells.inputs), energy=True)
    over = abscissa(x, curves.speed, curves.x, cells)
    fan = x(curves.fan)[np.newaxis]
    if curves.fan_cells is not None:
        fan = fan + cells.merged(x(curves.fan_cells))
    if curves.room_kind == "fitted":
        weight = None if curves.covariance is None else weight_of(curves.covariance)
        intercept, slope, room = fit_power_law_with_floor(np.log(over), reading, weight)
        return LevelKnots(over, remove_room(reading, room) + fan, room, (intercept + fan[0], slope))
    if curves.room is not None:
        room = x(curves.room)
        level = remove_room(reading, room)
        level += fan
    else:
        room, level = np.full(reading.shape[1:], -np.inf), reading + fan
    fit = None
    if curves.is_point:
        slope = at_least(x(curves.slope), SLOPE_LOW / 2) / LN10
        fit = np.asarray(level[0] - slope * np.log(over[0])), slope
    elif curves.kind == "power law":
        fit = fit_power_law(np.log(over), level, _precision(curves))
    return LevelKnots(over, level, room, fit)


def _precision(curves: LevelCurves) -> FloatArray | None:
    return None if curves.covariance is None else precision_of(curves.covariance)


def solve_level(curves: LevelCurves, knots: LevelKnots, target: FloatArray) -> Solved:
    """Find the speed (or drive) at which curves meet targets, shape (query, model, draw)."""
    if curves.is_point and knots.fit is not None:
        intercept, slope = knots.fit
        nowhere = np.zeros(np.broadcast_shapes(target.shape, slope.shape), dtype=np.bool_)
        return Solved(np.exp((target - intercept) / slope), nowhere, nowhere)
    if curves.kind == "power law" and knots.fit is not None:
        return _solve_power_law(knots, knots.fit, target)
    if curves.kind == "straight":
        return _solve_straight(curves, knots, target)
    over = np.log(knots.x) if curves.over_speed else knots.x
    solved = solve_monotone(over, knots.level, target, continues=curves.over_speed)
    if not curves.over_speed:
        return solved
    at = np.exp(solved.at)
    # exp(ln N) may round past the very step it stands on: that is inside the sweep.
    last = np.broadcast_to(knots.x[-1], at.shape)
    rounded = ~solved.above & (at.real > last.real)
    at[rounded] = last[rounded]
    return Solved(at, *solved[1:])


def _solve_power_law(
    knots: LevelKnots, fit: tuple[FloatArray, FloatArray], target: FloatArray
) -> Solved:
    intercept, slope = fit
    # A fit that does not rise is no fan law; its slope is held as past the ends of a sweep.
    speed = np.exp((target - intercept) / at_least(slope, SLOPE_LOW / LN10))
    ends = knots.x[0].real * (1 - 1e-9), knots.x[-1].real * (1 + 1e-9)
    return Solved(speed, speed.real < ends[0], speed.real > ends[1])


def _solve_straight(curves: LevelCurves, knots: LevelKnots, target: FloatArray) -> Solved:
    reading, wanted = add_room(knots.level, knots.room), add_room(target, knots.room)
    solved = solve_straight(knots.x, reading, wanted)
    if not (curves.over_speed and (solved.below.any() or solved.above.any())):
        return solved
    low = _end_speed(knots, 0, 1, target)
    high = _end_speed(knots, -1, -2, target)
    at = np.where(solved.below, low, np.where(solved.above, high, solved.at))
    return Solved(at, solved.below, solved.above)


def _end_speed(knots: LevelKnots, end: int, inner: int, target: FloatArray) -> FloatArray:
    span = np.log(knots.x[end]) - np.log(knots.x[inner])
    slope = (knots.level[end] - knots.level[inner]) / span
    slope = held(slope, SLOPE_LOW / LN10, SLOPE_HIGH / LN10)
    return np.asarray(knots.x[end] * np.exp((target - knots.level[end]) / slope))


def level_at(curves: LevelCurves, knots: LevelKnots, at: FloatArray) -> Solved:
    """Evaluate the level of the fan alone at speeds (or drives), shape (query, model, draw).

    Past the ends it runs on within 30 to 70 dB a decade of speed.
    """
    below: BoolArray = at.real < knots.x[0].real
    above: BoolArray = at.real > knots.x[-1].real
    if curves.is_point and knots.fit is not None:
        nowhere = np.zeros_like(below)
        return Solved(knots.fit[0] + knots.fit[1] * np.log(at), nowhere, nowhere)
    if curves.kind == "power law" and knots.fit is not None:
        intercept, slope = knots.fit
        return Solved(intercept + slope * np.log(at), below, above)
    if curves.kind == "straight":
        values = straight_values(knots.x, add_room(knots.level, knots.room), at)
        inside = remove_room(values, knots.room) if curves.room_kind != "unknown" else values
    else:
        over = np.log(knots.x) if curves.over_speed else knots.x
        inside = monotone_values(over, knots.level, np.log(at) if curves.over_speed else at).at
    if not curves.over_speed or not (is_step(at) or below.any() or above.any()):
        return Solved(inside, below, above)
    slopes = monotone_slopes(np.log(knots.x), knots.level)
    slopes = held(slopes, SLOPE_LOW / LN10, SLOPE_HIGH / LN10)
    low = knots.level[0] + slopes[0] * np.log(at / knots.x[0])
    high = knots.level[-1] + slopes[-1] * np.log(at / knots.x[-1])
    ends = (knots.x[0], knots.x[-1])
    return Solved(at_the_ends(inside, at, ends, (low, high), (below, above)), below, above)


# Luck ---------------------------------------------------------------------------------------------


def _bought(x: Still, block: Block, kind: str, fan: int = 0) -> FloatArray:
    """Give how one of the fans bought next differs from its model, shape (model, draw)."""
    bought: FloatArray = x(block.bought[kind])[fan]
    return bought


def luck_shift(x: Still, block: Block, place: int, kind: str, scopes: int) -> FloatArray:
    """Give what is added for each scope to undo the unit's luck: 0, -own, new - own."""
    if scopes == 1:
        return np.zeros((1, 1, 1))
    own = x(block.units[place].luck[kind])
    return stacked(np.zeros(1), -own, _bought(x, block, kind) - own)


def luck_factor(x: Still, block: Block, place: int, kind: str, scopes: int) -> FloatArray:
    """Give the factor for each scope: 1, 1/(1+own) and (1+new)/(1+own)."""
    if scopes == 1:
        return np.ones((1, 1, 1))
    own = at_least(1.0 + x(block.units[place].luck[kind]), 0.05)
    return stacked(np.ones(1), 1.0 / own, at_least(1.0 + _bought(x, block, kind), 0.05) / own)


def _louder(
    x: Still, asked: Asked, block: Block, place: int, curves: LevelCurves, knots: LevelKnots
) -> FloatArray:
    """Give how much louder each scope's fans together are than the tested unit alone, dB.

    Fans bought next run on one drive: one that spins faster is louder by the slope of the curve.
    """
    scopes = 3 if asked.known("noise") else 1
    if block.fans == 1:
        key = ("louder", place, scopes)
        return x.noted(key, lambda: luck_shift(x, block, place, "noise", scopes))
    equal: FloatArray = 10.0 * np.log10(np.array([float(block.fans)]))
    if scopes == 1:
        return equal[:, None, None]
    slope: Any = 0.0
    if curves.over_speed:
        slope = fit_power_law(np.log(knots.x), knots.level)[1]
    fans = [
        _bought(x, block, "noise", fan) + slope * np.log1p(_bought(x, block, "speed", fan))
        for fan in range(block.fans)
    ]
    together = fans[0]
    for one in fans[1:]:
        together = add_room(together, one)
    own = x(block.units[place].luck["noise"])
    return stacked(equal, equal - own, together - own)


def _airflow_luck(x: Still, block: Block, place: int, scopes: int) -> FloatArray:
    """Give the factor that turns the tested unit's airflow into that of each scope's fans."""
    if block.fans == 1:
        return luck_factor(x, block, place, "airflow", scopes)
    count = np.array([float(block.fans)])
    if scopes == 1:
        return count[:, None, None]
    own = at_least(1.0 + x(block.units[place].luck["airflow"]), 0.05)
    total: Any = 0.0
    for fan in range(block.fans):
        over_speed = block.abscissa in ("speed", "relative")
        faster = _bought(x, block, "speed", fan) if over_speed else np.zeros(1)
        total = total + at_least(1.0 + _bought(x, block, "airflow", fan), 0.05) * (1.0 + faster)
    return stacked(count, count / own, total / own)


# Operating points ---------------------------------------------------------------------------------


def operating_points(x: Still, asked: Asked, block: Block) -> dict[int, Points]:
    """Find the operating points of every unit of alike models that has them, by its place."""
    found: dict[int, Points] = {}
    for place, unit in enumerate(block.units):
        points: Points | None = None
        if asked.question.kind == "equal noise":
            if not unit.problem:
                points = _noise_points(x, asked, block, place)
        elif asked.question.kind == "equal drive":
            points = _drive_points(x, asked, block, place)
        elif block.abscissa == "speed":
            points = _everywhere(x, asked)
        if points is not None:
            found[place] = points
    return found


def _everywhere(x: Still, asked: Asked) -> Points:
    at = np.full((1, 1, x.size), asked.at)
    nowhere = np.zeros(at.shape, dtype=np.bool_)
    return Points(at, nowhere, nowhere)


def _noise_points(x: Still, asked: Asked, block: Block, place: int) -> Points:
    parts = []
    for curves in block.units[place].levels:
        knots = level_knots(x, curves)
        louder = _louder(x, asked, block, place, curves, knots)
        wanted, floored = _wanted_level(x, asked, block, curves, knots, louder)
        solved = solve_level(curves, knots, wanted)
        at = solved.at * (1.0 + x(curves.curve))
        parts.append(Points(at, solved.below | floored, solved.above))
    return mean_points(parts)


def reference_level(x: Still, asked: Asked, reference: IntArray | None) -> FloatArray:
    """Give the level of the reference room, shape (model, draw) or (1, 1)."""
    return np.full((1, 1), asked.room_level) if reference is None else x(reference)


def fan_level(x: Still, asked: Asked, reference: IntArray | None) -> tuple[FloatArray, BoolArray]:
    """Give the fan-alone level that the target means, and where it is held above the room."""
    if not asked.included:
        return np.full((1, x.size), asked.at), np.zeros((1, x.size), dtype=np.bool_)
    room = reference_level(x, asked, reference)
    wide = np.full(np.broadcast_shapes(room.shape, (1, x.size)), asked.at)
    return remove_room(wide, room), np.broadcast_to(asked.at < room.real + FLOOR, wide.shape)


def _wanted_level(
    x: Still,
    asked: Asked,
    block: Block,
    curves: LevelCurves,
    knots: LevelKnots,
    louder: FloatArray,
) -> tuple[FloatArray, BoolArray]:
    """Give the level each scope is solved for, and where the target lies in the room."""
    if curves.room_kind == "read":
        meant, below = fan_level(x, asked, block.reference)
        return meant - louder, below
    nowhere = np.zeros((1, x.size), dtype=np.bool_)
    level = np.full((1, x.size), asked.at)
    if curves.room_kind == "fitted":
        included = asked.question.background == "included"
        return (remove_room(level, knots.room) if included else level) - louder, nowhere
    return level - louder + _room_unknown(x, asked, curves, louder.shape[0]), nowhere


def _room_unknown(x: Still, asked: Asked, curves: LevelCurves, scopes: int) -> FloatArray:
    """Give what an unknown room may hide: rectangular from 0 to its limit, one draw a session.

    A level that includes the room is read in that very room, so the tested unit is not touched;
    with the background removed every scope is.
    """
    hides = np.zeros((1, 1)) if curves.is_point else x(curves.hidden)
    if asked.question.background == "removed":
        # The reading exceeds the fan alone by something between 0 and the limit.
        limit = np.nan_to_num(asked.hidden_limit(curves.sittings))
        middle = np.zeros((1, 1)) if curves.is_point else limit[:, np.newaxis] / 2.0
        return np.broadcast_to(middle + hides, (scopes, *hides.shape))
    touched = np.ones((scopes, 1, 1))
    touched[0] = 0.0
    return np.asarray(touched * hides)


def _drive_points(x: Still, asked: Asked, block: Block, place: int) -> Points | None:
    """Find the speed a unit runs at for the drive asked; None where it never swept this drive."""
    unit = block.units[place]
    scopes = 3 if asked.known("speed") else 1
    wide = np.full((1, len(block.models), x.size), asked.at)
    if block.abscissa == "relative":
        if not np.isclose(unit.drive_ends[0], asked.at).any():
            return None
        at = np.ones((1, 1, x.size)) * luck_factor(x, block, place, "speed", scopes)
        nowhere = np.zeros(at.shape, dtype=np.bool_)
        return Points(at, nowhere, nowhere)
    if block.abscissa != "speed":
        low, high = (end[:, np.newaxis] for end in unit.drive_ends)
        return Points(wide, wide < low, wide > high) if np.isfinite(low).all() else None
    parts = []
    for cells, drive in unit.drives:
        speed = abscissa(x, cells.inputs, drive, cells)
        at = np.full((1, 1, x.size), asked.at)
        if cells.size > 1:
            solved = monotone_values(drive, speed, at)
        else:
            solved = Solved(np.broadcast_to(speed[0], wide.shape), wide < drive[0], wide > drive[0])
        parts.append(Points(*solved))
    if not parts:
        return None
    points = mean_points(parts)
    at = points.at * luck_factor(x, block, place, "speed", scopes)
    sides = (np.broadcast_to(side, at.shape) for side in points[1:])
    return Points(at, *sides)


# What is read off ---------------------------------------------------------------------------------


def read_points(
    x: Still, asked: Asked, block: Block, channels: Sequence[Channel]
) -> dict[Channel, list[tuple[int, Points]]]:
    """Read every output of alike models off, unit by unit: arrays of shape (scope, model, draw)."""
    points = operating_points(x, asked, block)
    found: dict[Channel, list[tuple[int, Points]]] = {}
    for channel in channels:
        if channel[0] == "speed":
            found[channel] = list(points.items()) if block.abscissa == "speed" else []
        elif channel[0] == "noise":
            found[channel] = noise_values(x, asked, block, points)
        else:
            found[channel] = read_off(x, asked, block, points, channel)
    return found


def read_off(
    x: Still, asked: Asked, block: Block, points: Mapping[int, Points], channel: Channel
) -> list[tuple[int, Points]]:
    """Read one quantity of alike models off at their units' operating points.

    In a unit, the mean over its sittings. A unit that holds no curve of this quantity takes the
    model's mean curve, and one without operating points the model's mean points.
    """
    holders = [place for place, unit in enumerate(block.units) if unit.carries(channel)]
    if not points or not holders:
        return []
    everywhere = mean_points(list(points.values()))
    results = []
    for place in range(len(block.units)):
        here = points.get(place)
        if here is None and place not in holders:
            continue
        at = everywhere if here is None else here
        sources = [place] if place in holders else holders
        parts = [_unit_value(x, asked, block, source, channel, at) for source in sources]
        results.append((place, mean_points(parts)))
    return results


def _unit_value(
    x: Still, asked: Asked, block: Block, place: int, channel: Channel, points: Points
) -> Points:
    curves = block.units[place].quantities[channel]
    value = mean_points([quantity_values(x, block, one, channel, points) for one in curves])
    scopes = 3 if asked.known(*spreads_needed(asked.question, channel[0])) else 1
    at = value.at[:1] if scopes == 1 else value.at
    if channel[0] == "airflow":
        key = ("airflow luck", place, scopes)
        at = at * x.noted(key, lambda: _airflow_luck(x, block, place, scopes))
    else:
        # Luck is in K; a rise read in degF is one of 1.8 degF a kelvin.
        units = asked.layout.sittings.units["temperature"]
        a_kelvin = float(convert(1.0, "K", units, difference=True))
        at = at + a_kelvin * luck_shift(x, block, place, "temperature", scopes)
    return Points(at, _sides(value.below, scopes, at.shape), _sides(value.above, scopes, at.shape))


def _sides(past: BoolArray, scopes: int, shape: tuple[int, ...]) -> BoolArray:
    return np.broadcast_to(past[:1] if scopes == 1 else past, shape)


def quantity_values(
    x: Still, block: Block, curves: QuantityCurves, channel: Channel, points: Points
) -> Points:
    """Read alike curves of airflow or temperature rise off at operating points."""
    cells = curves.values
    over = abscissa(x, curves.speed, curves.x, cells)
    if cells.size > 1 and channel[0] == "airflow" and block.abscissa == "speed":
        # Every obstruction is read at the same speeds: where they lie is found out once. What is
        # noted holds both arrays, so that their identities stay theirs.
        found = x.noted(("located", id(over), id(points.at)), lambda: locate(over, points.at))
        # Steps that no draw comes near are not drawn: an error depends on its label alone.
        near = found.needed
        solved = airflow_located(found.among(near), _values(x, curves, near))
        return Points(solved.at, points.below | solved.below, points.above | solved.above)
    values = _values(x, curves, slice(0, cells.size))
    if cells.size < 2:
        solved = _one_point(x, block, curves, channel, over, values, points.at)
    elif block.abscissa == "speed":
        solved = continued_linear(over, values, points.at)
    else:
        solved = monotone_values(over, values, points.at)
    return Points(solved.at, points.below | solved.below, points.above | solved.above)


def _values(x: Still, curves: QuantityCurves, knots: slice) -> FloatArray:
    cells = curves.values.knots(knots)

    def moved() -> FloatArray:
        values = x(curves.values.inputs, cells)
        if curves.ambient is not None:
            values = values - x(curves.ambient, cells)
        return curves.values.merged(values, part=knots)

    return x.remembered(("quantity", id(curves), knots.start, knots.stop), moved)


def _one_point(
    x: Still,
    block: Block,
    curves: QuantityCurves,
    channel: Channel,
    over: FloatArray,
    values: FloatArray,
    at: FloatArray,
) -> Solved:
    """Carry a single reading on: airflow by the fan law, anything else not at all."""
    shape = np.broadcast_shapes(at.shape, values[0].shape)
    nowhere = np.zeros(shape, dtype=np.bool_)
    if channel[0] != "airflow" or block.abscissa not in ("speed", "relative"):
        return Solved(np.broadcast_to(values[0], shape), nowhere, nowhere)
    exponent = 1.0 + x(curves.exponent)
    return Solved(values[0] * (at / over[0]) ** exponent, nowhere, nowhere)


def noise_values(
    x: Still, asked: Asked, block: Block, points: Mapping[int, Points]
) -> list[tuple[int, Points]]:
    """Read the noise of alike models off at their units' operating points, the room added."""
    scopes = 3 if asked.known(*spreads_needed(asked.question, "noise")) else 1
    results = []
    for place, unit in enumerate(block.units):
        here = points.get(place)
        if here is None or unit.problem:
            continue
        shift = luck_shift(x, block, place, "noise", scopes)
        parts = [_noise_value(x, asked, block, c, here, shift, scopes) for c in unit.levels]
        results.append((place, mean_points(parts)))
    return results


def _noise_value(
    x: Still,
    asked: Asked,
    block: Block,
    curves: LevelCurves,
    here: Points,
    shift: FloatArray,
    scopes: int,
) -> Points:
    knots = level_knots(x, curves)
    at = here.at[:1] if scopes == 1 else here.at
    solved = level_at(curves, knots, at)
    if asked.question.kind == "equal speed" and asked.curve > 0:
        # A step that ends the sweep stays inside it, wherever the curve is read.
        off = at / (1.0 + x(curves.curve))
        solved = Solved(level_at(curves, knots, off).at, solved.below, solved.above)
    level = solved.at + shift
    if curves.room_kind != "unknown" and asked.question.background == "included":
        known = np.isfinite(asked.room_level)
        level = add_room(level, reference_level(x, asked, block.reference) if known else knots.room)
    below = _sides(here.below, scopes, solved.below.shape) | solved.below
    above = _sides(here.above, scopes, solved.above.shape) | solved.above
    return Points(level, np.broadcast_to(below, level.shape), np.broadcast_to(above, level.shape))
