"""Operating points and what is read off there: several models, every scope, every draw.

The same functions give the value (one unperturbed draw), the Monte Carlo draws, and the effect of
one source at a time; only the `Draws` differ. Arrays run over (scope, model, draw): models whose
readings have one shape (see `signature`) are worked out together. The scopes are tested unit,
model, next unit, in that order, as far as the stated spread allows.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from fanstats._typing import BoolArray, FloatArray
from fanstats.estimates.curves import (
    Solved,
    airflow_located,
    continued_linear,
    fit_power_law,
    locate,
    monotone_values,
)
from fanstats.estimates.knots import (
    Knots,
    abscissa_draws,
    abscissa_draws_of,
    abscissa_values,
    choose_knots,
    merged,
)
from fanstats.estimates.level_curve import (
    LevelCurve,
    LevelKnots,
    level_at,
    level_knots_of,
    remove_room,
    solve_level,
)
from fanstats.estimates.luck import Luck
from fanstats.estimates.perturbation import reading_errors_of
from fanstats.estimates.request import Request, SpreadKind
from fanstats.levels.kernels import add_levels
from fanstats.quantities import convert

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from fanstats.estimates.draws import Draws
    from fanstats.estimates.layout import ModelLayout, QuantityCurve, UnitLayout
    from fanstats.estimates.sittings import Channel, Sitting
    from fanstats.sources import Bench

__all__ = [
    "MODEL",
    "NEXT",
    "TESTED",
    "Points",
    "model_points",
    "noise_points",
    "noise_values",
    "quantity_values",
    "read_off",
    "signature",
    "spreads_needed",
]

TESTED, MODEL, NEXT = 0, 1, 2
# Fan law: airflow goes with speed; policy for how far the exponent of one model may differ.
AIRFLOW_EXPONENT = 0.1


class Points(NamedTuple):
    """Operating points of one unit of each of several models.

    Attributes
    ----------
    at : ndarray, shape (scope, model, draw)
        Speed (or drive, where no speed was read).
    below, above : ndarray of bool, shape (scope, model, draw)
        Draws past the lower or upper end of the sweep it comes from.
    """

    at: FloatArray
    below: BoolArray
    above: BoolArray


def scopes_for(request: Request, kinds: Sequence[SpreadKind]) -> int:
    """Say how many scopes can be given: 3 where every spread needed is stated, else 1."""
    return 3 if all(request.spread(kind) is not None for kind in kinds) else 1


def _mean_points(parts: list[Points]) -> Points:
    if len(parts) == 1:
        return parts[0]
    return Points(
        np.mean(np.broadcast_arrays(*(part.at for part in parts)), axis=0),
        np.any(np.broadcast_arrays(*(part.below for part in parts)), axis=0),
        np.any(np.broadcast_arrays(*(part.above for part in parts)), axis=0),
    )


def noise_points(
    draws: Draws,
    request: Request,
    layouts: Sequence[ModelLayout],
    place: int,
    *,
    luck_offset: FloatArray | None = None,
) -> Points:
    """Find where one unit of each model meets the noise target, for every scope.

    Parameters
    ----------
    draws : Draws
        Where draws come from.
    request : Request
        What is asked.
    layouts : sequence of ModelLayout
        Models that are alike, see `signature`.
    place : int
        Which of their units.
    luck_offset : ndarray, shape (luck,), optional
        Instead of scopes: given amounts of noise luck of the unit, dB, to be undone.

    Returns
    -------
    Points
        Arrays of shape (scope or luck, model, draw).
    """
    units = [layout.units[place] for layout in layouts]
    luck = _luck(draws, request, layouts, place)
    scopes = scopes_for(request, ["noise"])
    parts = []
    for curves in zip(*(unit.noise for unit in units), strict=True):
        knots = level_knots_of(draws, request.bench, curves)
        if luck_offset is not None:
            louder = 10.0 * np.log10(luck.fans) - luck_offset[:, None, None]
        else:
            louder = _louder(draws, request, layouts, place, scopes, curves[0], knots)
        wanted, floored = _wanted_level(draws, request, curves, knots, louder)
        solved = solve_level(curves[0], knots, wanted)
        at = solved.at * _curve_factor(draws, request, curves)
        parts.append(Points(at, solved.below | floored, solved.above))
    return _mean_points(parts)


def _louder(
    draws: Draws,
    request: Request,
    layouts: Sequence[ModelLayout],
    place: int,
    scopes: int,
    curve: LevelCurve,
    knots: LevelKnots,
) -> FloatArray:
    """Give how much louder each scope's fans are together than the tested unit alone."""
    luck = _luck(draws, request, layouts, place)
    if luck.fans > 1:
        return luck.louder_together(scopes, _slope(curve, knots, luck.fans))
    return draws.in_full(
        ("louder", place, *(layout.model for layout in layouts)),
        lambda whole: _luck(whole, request, layouts, place).louder_together(
            scopes, np.zeros((1, 1))
        ),
    )


def _luck(draws: Draws, request: Request, layouts: Sequence[ModelLayout], place: int) -> Luck:
    models = [layout.model for layout in layouts]
    return Luck(draws, request, models, [layout.units[place].unit for layout in layouts])


def _slope(curve: LevelCurve, knots: LevelKnots, fans: int) -> FloatArray:
    """Give the slope over ln speed that tells fans on one drive apart; it matters from two on."""
    if fans == 1 or not curve.over_speed:
        return np.zeros((1, 1))
    return fit_power_law(np.log(knots.x), knots.level)[1]


def _wanted_level(
    draws: Draws,
    request: Request,
    curves: Sequence[LevelCurve],
    knots: LevelKnots,
    louder: FloatArray,
) -> tuple[FloatArray, BoolArray]:
    """Give the level each scope is solved for, and where the target lies in the room."""
    target = request.target
    room = curves[0].room
    if room == "read":
        meant = target.fan_level(draws, request.bench)
        return meant.level - louder, meant.below
    nowhere = np.zeros(draws.size, dtype=np.bool_)
    level = np.full(draws.size, target.level)
    if room == "fitted":
        included = target.background == "included"
        return (remove_room(level, knots.room) if included else level) - louder, nowhere
    return level - louder + _room_unknown(draws, request, curves, louder.shape[0]), nowhere


def _room_unknown(
    draws: Draws, request: Request, curves: Sequence[LevelCurve], scopes: int
) -> FloatArray:
    """Give what an unknown room may hide: rectangular from 0 to its limit, one draw a session.

    A level that includes the room is read in that very room, so the tested unit is not touched;
    with the background removed every scope is.
    """
    hidden = np.zeros((len(curves), draws.size))
    middle = np.zeros((len(curves), 1))
    for row, curve in enumerate(curves):
        limit = request.target.room_unknown_limit(curve.sitting)
        if curve.is_point or not np.isfinite(limit):
            continue
        label = ("room unknown", curve.sitting.rig, *curve.sitting.session_label)
        hidden[row] = limit / np.sqrt(12.0) * draws.standard(label, "rectangular")
        middle[row] = limit / 2.0
    if request.target.background == "removed":
        # The reading exceeds the fan alone by something between 0 and the limit.
        return np.broadcast_to(middle + hidden, (scopes, *hidden.shape))
    touched = np.ones((scopes, 1, 1))
    touched[0] = 0.0
    return np.asarray(touched * hidden)


def _standard(draws: Draws, labels: Sequence[tuple[str, ...]]) -> FloatArray:
    """Stack the standard normal draws of labels, shape (label, draw)."""
    return np.stack([draws.standard(label, "normal") for label in labels])


def _curve_factor(
    draws: Draws, request: Request, curves: Sequence[LevelCurve]
) -> FloatArray | float:
    if request.curve_uncertainty == 0:
        return 1.0
    sittings = [curve.sitting for curve in curves]
    labels = [("curve", s.rig, *s.own_label) for s in sittings]
    return draws.in_full(
        ("curve factor", *labels),
        lambda whole: (
            1.0
            + request.curve_uncertainty * np.stack([whole.standard(k, "normal") for k in labels])
        ),
    )


def drive_points(
    draws: Draws, request: Request, layout: ModelLayout, unit: UnitLayout
) -> Points | None:
    """Find the speed one unit runs at for the drive asked, for every scope.

    Parameters
    ----------
    draws : Draws
        Where draws come from.
    request : Request
        What is asked.
    layout : ModelLayout
        Its model.
    unit : UnitLayout
        The unit.

    Returns
    -------
    Points or None
        None where no sitting of the unit swept this drive.
    """
    scopes = scopes_for(request, ["speed"])
    luck = Luck(draws, request, [layout.model], [unit.unit])
    if layout.abscissa == "relative":
        return _dialled_drive(draws, request, unit, luck, scopes)
    if layout.abscissa != "speed":
        return _drive_itself(request, unit, np.full((1, 1, draws.size), request.at))
    parts = []
    for sitting in unit.sittings:
        knots = _drive_knots(request, sitting)
        if knots is None:
            continue
        x = abscissa_values(sitting, request.drive, knots.index)[:, None]
        speed = abscissa_draws(draws, request.bench, sitting, "speed", knots)
        x = merged(knots, x)
        at = np.full((1, draws.size), request.at)
        solved = monotone_values(x, speed, at) if knots.count > 1 else _single(x, speed, at)
        parts.append(Points(solved.at[:, None], solved.below[:, None], solved.above[:, None]))
    if not parts:
        return None
    points = _mean_points(parts)
    at = points.at * luck.factor("speed", scopes)
    wide = at.shape
    return Points(at, np.broadcast_to(points.below, wide), np.broadcast_to(points.above, wide))


def _single(x: FloatArray, y: FloatArray, at: FloatArray) -> Solved:
    values = np.broadcast_to(y[0], at.shape)
    return Solved(values, at < x[0], at > x[0])


def _dialled_drive(
    draws: Draws, request: Request, unit: UnitLayout, luck: Luck, scopes: int
) -> Points | None:
    """Points of a unit that holds one step: at that very drive, and nowhere else."""
    drives = [float(sitting.drive(request.drive)[0]) for sitting in unit.sittings]
    if not np.isclose(drives, request.at).any():
        return None
    at = np.ones((1, 1, draws.size)) * luck.factor("speed", scopes)
    nowhere = np.zeros(at.shape, dtype=np.bool_)
    return Points(at, nowhere, nowhere)


def _drive_itself(request: Request, unit: UnitLayout, at: FloatArray) -> Points | None:
    ends = [
        (float(np.nanmin(drive)), float(np.nanmax(drive)))
        for sitting in unit.sittings
        if np.isfinite(drive := sitting.drive(request.drive)).any()
    ]
    if not ends:
        return None
    low, high = min(end[0] for end in ends), max(end[1] for end in ends)
    return Points(at, at < low, at > high)


def _drive_knots(request: Request, sitting: Sitting) -> Knots | None:
    """Cells with a running fan and this drive, one knot a drive."""
    if ("speed", "") not in sitting.channels:
        return None
    knots = choose_knots(request.bench, sitting, ("speed", ""), request.drive)
    return knots if knots.count else None


def speed_points(draws: Draws, request: Request, layout: ModelLayout) -> Points | None:
    """Give the speed asked for, for every scope; None where no speed was read.

    Parameters
    ----------
    draws : Draws
        Where draws come from.
    request : Request
        What is asked.
    layout : ModelLayout
        The model.

    Returns
    -------
    Points or None
    """
    if layout.abscissa != "speed":
        return None
    at = np.full((1, 1, draws.size), request.at)
    nowhere = np.zeros(at.shape, dtype=np.bool_)
    return Points(at, nowhere, nowhere)


def model_points(
    draws: Draws, request: Request, layouts: Sequence[ModelLayout]
) -> dict[int, Points]:
    """Find the operating points of every unit of alike models that has them.

    Parameters
    ----------
    draws : Draws
        Where draws come from.
    request : Request
        What is asked.
    layouts : sequence of ModelLayout
        Models that are alike, see `signature`; a single one for equal drive and equal speed.

    Returns
    -------
    dict
        `Points` by place of the unit, arrays of shape (scope, model, draw).
    """
    found: dict[int, Points] = {}
    first = layouts[0]
    for place, unit in enumerate(first.units):
        points: Points | None = None
        if request.kind == "equal noise":
            if not unit.noise_problem:
                points = noise_points(draws, request, layouts, place)
        elif request.kind == "equal drive":
            points = drive_points(draws, request, first, unit)
        else:
            points = speed_points(draws, request, first)
        if points is not None:
            found[place] = points
    return found


def signature(request: Request, layout: ModelLayout) -> tuple[object, ...]:
    """Say what must be equal for models to be worked out in one array.

    Parameters
    ----------
    request : Request
        What is asked.
    layout : ModelLayout
        A model.

    Returns
    -------
    tuple
        Equal for models that are alike: units, curves, knots, rig and abscissa.
    """
    if request.kind != "equal noise":
        return (layout.model,)
    units = tuple(
        (
            tuple((c.sitting.rig, c.problem, c.room, _shape(c.knots)) for c in unit.noise),
            tuple(
                (channel, tuple((c.sitting.rig, _shape(c.knots)) for c in curves))
                for channel, curves in unit.quantities.items()
            ),
        )
        for unit in layout.units
    )
    return (layout.abscissa, request.fans.get(layout.model, 1), units)


def _shape(knots: Knots) -> tuple[int, bytes]:
    return knots.count, knots.group.tobytes()


def quantity_values(
    draws: Draws, request: Request, layout: ModelLayout, curve: QuantityCurve, points: Points
) -> Points:
    """Read one sitting's curve of airflow or temperature rise off at operating points.

    Parameters
    ----------
    draws : Draws
        Where draws come from.
    request : Request
        What is asked.
    layout : ModelLayout
        The model.
    curve : QuantityCurve
        The curve.
    points : Points
        Operating points, arrays of shape (scope, draw).

    Returns
    -------
    Points
        With the quantity in `at`, and draws past either end of the points' or of this sweep.
    """
    wide = Points(points.at[:, None], points.below[:, None], points.above[:, None])
    found = quantity_values_of(draws, request, [layout], [curve], wide)
    return Points(found.at[:, 0], found.below[:, 0], found.above[:, 0])


def quantity_values_of(
    draws: Draws,
    request: Request,
    layouts: Sequence[ModelLayout],
    curves: Sequence[QuantityCurve],
    points: Points,
) -> Points:
    """Read alike curves of several models off at their operating points.

    Parameters
    ----------
    draws, request
        As in `quantity_values`.
    layouts : sequence of ModelLayout
        The models.
    curves : sequence of QuantityCurve
        One curve of each.
    points : Points
        Operating points, arrays of shape (scope, model, draw).

    Returns
    -------
    Points
    """
    abscissa = layouts[0].abscissa
    assert abscissa is not None
    sittings, knots = [c.sitting for c in curves], [c.knots for c in curves]
    x = abscissa_draws_of(draws, request.bench, sittings, abscissa, knots)
    if knots[0].count > 1 and curves[0].channel[0] == "airflow" and abscissa == "speed":
        # Every obstruction is read at the same speeds: where they lie is found out once. What is
        # remembered holds both arrays, so that their identities stay theirs.
        found = draws.remembered(("located", id(x), id(points.at)), lambda: locate(x, points.at))
        # Steps that no draw comes near are not drawn: an error depends on its label alone.
        near = found.needed
        part = _quantity_draws(draws, request.bench, curves, near)
        solved = airflow_located(found.among(near), part)
        return Points(solved.at, points.below | solved.below, points.above | solved.above)
    y = _quantity_draws(draws, request.bench, curves, slice(0, knots[0].count))
    if knots[0].count < 2:
        solved = _one_point(draws, layouts, curves[0], x, y, points.at)
    elif abscissa == "speed":
        solved = continued_linear(x, y, points.at)
    else:
        solved = monotone_values(x, y, points.at)
    return Points(solved.at, points.below | solved.below, points.above | solved.above)


def _one_point(
    draws: Draws,
    layouts: Sequence[ModelLayout],
    curve: QuantityCurve,
    x: FloatArray,
    y: FloatArray,
    at: FloatArray,
) -> Solved:
    """Carry a single reading on: airflow by the fan law, anything else not at all."""
    shape = np.broadcast_shapes(at.shape, y[0].shape)
    nowhere = np.zeros(shape, dtype=np.bool_)
    if curve.channel[0] != "airflow" or layouts[0].abscissa not in ("speed", "relative"):
        return Solved(np.broadcast_to(y[0], shape), nowhere, nowhere)
    labels = [("airflow exponent", layout.model) for layout in layouts]
    z = np.stack([draws.standard(label, "normal") for label in labels])
    return Solved(y[0] * (at / x[0]) ** (1.0 + AIRFLOW_EXPONENT * z), nowhere, nowhere)


def _quantity_draws(
    draws: Draws, bench: Bench, curves: Sequence[QuantityCurve], needed: slice
) -> FloatArray:
    channel, sittings = curves[0].channel, [c.sitting for c in curves]

    def perturbed(whole: Draws) -> FloatArray:
        knots = [curve.knots.part(needed) for curve in curves]
        values = _perturbed(whole, bench, sittings, knots, channel)
        if channel[0] == "temperature":
            values = values - _perturbed(whole, bench, sittings, knots, ("ambient", ""))
        return merged(knots[0], values)

    key = ("quantity", needed.start, needed.stop, *(id(curve) for curve in curves))
    return draws.in_full(key, perturbed)


def _perturbed(
    draws: Draws,
    bench: Bench,
    sittings: Sequence[Sitting],
    knots: Sequence[Knots],
    channel: Channel,
) -> FloatArray:
    indices = [k.index for k in knots]
    pairs = zip(sittings, indices, strict=True)
    cells = np.stack([s.channels[channel].values[i] for s, i in pairs], axis=1)
    errors = reading_errors_of(draws, bench, sittings, channel, indices).reading
    errors += cells[:, :, None]
    return errors


_OWN_SPREAD: dict[str, SpreadKind] = {"airflow": "airflow", "temperature_rise": "temperature"}


def spreads_needed(request: Request, quantity: str) -> list[SpreadKind]:
    """List the spreads that the typical and the next unit need for one output.

    Parameters
    ----------
    request : Request
        What is asked.
    quantity : str
        The output.

    Returns
    -------
    list of str
    """
    held: dict[str, list[SpreadKind]] = {
        "equal noise": ["noise"],
        "equal drive": ["speed"],
        "equal speed": [],
    }
    own: list[SpreadKind] = ["noise"] if quantity == "noise" else []
    if quantity in _OWN_SPREAD:
        own = [_OWN_SPREAD[quantity]]
    return list(dict.fromkeys([*held[request.kind], *own]))


def read_off(
    draws: Draws,
    request: Request,
    layouts: Sequence[ModelLayout],
    points: Mapping[int, Points],
    channel: Channel,
    *,
    undo_luck: bool = True,
) -> Points | None:
    """Read one quantity of alike models off at their units' operating points.

    In a unit, the mean over its sittings; over units, the mean of their results. A unit that
    holds no curve of this quantity takes the model's mean curve, and one without operating points
    the model's mean points.

    Parameters
    ----------
    draws : Draws
        Where draws come from.
    request : Request
        What is asked.
    layouts : sequence of ModelLayout
        Models that are alike, see `signature`.
    points : mapping
        From `model_points`.
    channel : tuple of str
        Quantity and obstruction.
    undo_luck : bool
        False where `points` are not one a scope: the quantity's own luck is then left in.

    Returns
    -------
    Points or None
        The quantity in `at`, shape (scope, model, draw); None where no unit holds points or none
        a curve.
    """
    units = layouts[0].units
    holders = [place for place, unit in enumerate(units) if _carries(unit, channel)]
    if not points or not holders:
        return None
    everywhere = _mean_points(list(points.values()))
    results = []
    for place in range(len(units)):
        here = points.get(place)
        if here is None and place not in holders:
            continue
        sources = [place] if place in holders else holders
        at = here if here is not None else everywhere
        parts = [
            _unit_value(draws, request, layouts, source, channel, at, undo_luck)
            for source in sources
        ]
        results.append(_mean_points(parts))
    return _mean_points(results)


def _carries(unit: UnitLayout, channel: Channel) -> bool:
    curves = unit.quantities.get(channel, ())
    return bool(curves) and all(curve.knots.count > 0 for curve in curves)


def _unit_value(
    draws: Draws,
    request: Request,
    layouts: Sequence[ModelLayout],
    place: int,
    channel: Channel,
    points: Points,
    undo_luck: bool,
) -> Points:
    held = [layout.units[place].quantities[channel] for layout in layouts]
    value = _mean_points(
        [
            quantity_values_of(draws, request, layouts, curves, points)
            for curves in zip(*held, strict=True)
        ]
    )
    luck = _luck(draws, request, layouts, place)
    if not undo_luck:
        return Points(value.at * luck.fans, value.below, value.above)
    scopes = scopes_for(request, spreads_needed(request, channel[0]))
    at = _first_scopes(value.at, scopes)
    if channel[0] == "airflow":
        over_speed = layouts[0].abscissa in ("speed", "relative")
        at = at * draws.in_full(
            ("airflow luck", place, scopes, *(layout.model for layout in layouts)),
            lambda whole: _luck(whole, request, layouts, place).airflow_together(
                scopes, over_speed
            ),
        )
    else:
        units = held[0][0].sitting.units["temperature"]
        # Luck is in K; a rise read in degF is one of 1.8 degF a kelvin.
        a_kelvin = float(convert(1.0, "K", units, difference=True))
        at = at + a_kelvin * luck.shift("temperature", scopes)
    return Points(at, _sides(value.below, scopes, at.shape), _sides(value.above, scopes, at.shape))


def _first_scopes(values: FloatArray, scopes: int) -> FloatArray:
    """Keep the tested unit alone where the others cannot be given."""
    return values[:1] if scopes == 1 else values


def _sides(past: BoolArray, scopes: int, shape: tuple[int, ...]) -> BoolArray:
    return np.broadcast_to(past[:1] if scopes == 1 else past, shape)


def noise_values(
    draws: Draws, request: Request, layout: ModelLayout, points: Mapping[int, Points]
) -> Points | None:
    """Read the noise of a model off at its units' operating points, the reference room added.

    Parameters
    ----------
    draws : Draws
        Where draws come from.
    request : Request
        What is asked.
    layout : ModelLayout
        The model.
    points : mapping
        From `model_points`.

    Returns
    -------
    Points or None
        Noise in `at`, dB, shape (scope, 1, draw); None where no unit holds both.
    """
    results = []
    scopes = scopes_for(request, spreads_needed(request, "noise"))
    for place, unit in enumerate(layout.units):
        here = points.get(place)
        if here is None or unit.noise_problem:
            continue
        shift = _luck(draws, request, [layout], place).shift("noise", scopes)
        parts = []
        for curve in unit.noise:
            knots = level_knots_of(draws, request.bench, [curve])
            at = _first_scopes(here.at, scopes)
            solved = level_at(curve, knots, at)
            if request.kind == "equal speed" and request.curve_uncertainty:
                # A step that ends the sweep stays inside it, wherever the curve is read.
                off = at / _curve_factor(draws, request, [curve])
                solved = Solved(level_at(curve, knots, off).at, solved.below, solved.above)
            level = solved.at + shift
            if curve.room != "unknown" and request.target.background == "included":
                level = add_levels(level, _room(draws, request, knots))
            below = _sides(here.below, scopes, solved.below.shape) | solved.below
            above = _sides(here.above, scopes, solved.above.shape) | solved.above
            wide = level.shape
            parts.append(Points(level, np.broadcast_to(below, wide), np.broadcast_to(above, wide)))
        results.append(_mean_points(parts))
    return _mean_points(results) if results else None


def _room(draws: Draws, request: Request, knots: LevelKnots) -> FloatArray:
    room = request.target.room
    if room is None:
        return knots.room
    return room.draws(draws, request.bench, omit_shared=request.target.omit_shared)
