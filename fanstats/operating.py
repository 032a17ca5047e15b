"""Operating points and what is read off there: one model, every scope, every draw.

The same functions give the value (one unperturbed draw), the Monte Carlo draws, and the effect of
one source at a time; only the `Draws` differ. Arrays run over (scope, draw); the scopes are
tested unit, model, next unit, in that order, as far as the stated spread allows.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

from fanstats._typing import BoolArray, FloatArray
from fanstats.curves import (
    Solved,
    airflow_at,
    continued_linear,
    fit_power_law,
    monotone_values,
    rising,
)
from fanstats.knots import Knots, abscissa_draws, abscissa_values, choose_knots, merged
from fanstats.level_curve import (
    LevelCurve,
    LevelKnots,
    level_at,
    level_knots,
    remove_room,
    solve_level,
)
from fanstats.levels.kernels import add_levels, energy_level
from fanstats.perturbation import reading_errors, spread_draws

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from fanstats.draws import Draws
    from fanstats.layout import ModelLayout, QuantityCurve, UnitLayout
    from fanstats.sittings import Channel, Sitting
    from fanstats.sources import Bench, Source
    from fanstats.target import NoiseTarget

__all__ = ["MODEL", "NEXT", "TESTED", "Luck", "Points", "Request", "model_points", "read_off"]

TESTED, MODEL, NEXT = 0, 1, 2
# Fan law: airflow goes with speed; policy for how far the exponent of one model may differ.
AIRFLOW_EXPONENT = 0.1
SpreadKind = Literal["noise", "airflow", "speed", "temperature"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Request:
    """What every model is to be read off at.

    Attributes
    ----------
    kind : {"equal noise", "equal drive", "equal speed"}
        What is held equal.
    bench : Bench
        What is stated about the instruments and the spread.
    target : NoiseTarget
        For equal noise the level; for the others only its room counts.
    at : float
        Drive or speed held; NaN for equal noise.
    drive : {"drive_voltage", "drive_duty"}
        Which drive, for equal drive.
    curve_uncertainty : float
        Relative standard uncertainty of a speed from the choice of curve.
    fans : mapping of str to int
        How many fans of a model run together; 1 where it is not named.
    """

    kind: str
    bench: Bench
    target: NoiseTarget
    at: float = np.nan
    drive: Literal["drive_voltage", "drive_duty"] = "drive_voltage"
    curve_uncertainty: float = 0.0
    fans: Mapping[str, int] = field(default_factory=dict)

    def spread(self, kind: SpreadKind) -> Source | None:
        """Give the stated spread of one kind, None where unknown."""
        return self.bench.spread.of(kind)


class Points(NamedTuple):
    """Operating points of one unit.

    Attributes
    ----------
    at : ndarray, shape (scope, draw)
        Speed (or drive, where no speed was read).
    below, above : ndarray of bool, shape (scope, draw)
        Draws past the lower or upper end of the sweep it comes from.
    """

    at: FloatArray
    below: BoolArray
    above: BoolArray


class Luck:
    """Luck of one unit, and of the fans somebody buys next, drawn when first asked for.

    Parameters
    ----------
    draws : Draws
        Where draws come from.
    request : Request
        Holds the stated spread, and how many fans of the model run together.
    model, unit : str
        Whose luck.
    """

    def __init__(self, draws: Draws, request: Request, model: str, unit: str) -> None:
        self._draws, self._bench, self._model, self._unit = draws, request.bench, model, unit
        self.fans = request.fans.get(model, 1)

    def own(self, kind: SpreadKind) -> FloatArray:
        """Draw how the tested unit differs from its model, shape (draw,)."""
        return self._draw(kind, ("unit", self._model, self._unit))

    def new(self, kind: SpreadKind, fan: int = 1) -> FloatArray:
        """Draw how one of the fans bought next differs from its model, shape (draw,)."""
        more = () if fan == 1 else (str(fan),)
        return self._draw(kind, ("next unit", self._model, *more))

    def _draw(self, kind: SpreadKind, label: tuple[str, ...]) -> FloatArray:
        spread = self._bench.spread.of(kind)
        if spread is None or (spread.is_zero and not spread.removed_variance):
            return np.zeros(1)
        return spread_draws(self._draws, spread, kind, label)

    def shift(self, kind: SpreadKind, scopes: int) -> FloatArray:
        """Give what is to be added for each scope to undo the unit's luck: 0, -own, new - own.

        Parameters
        ----------
        kind : {"noise", "temperature"}
            An absolute spread.
        scopes : int
            1 or 3.

        Returns
        -------
        ndarray, shape (scope, draw) or (1, 1)
        """
        if scopes == 1:
            return np.zeros((1, 1))
        own, new = self.own(kind), self.new(kind)
        return np.stack(np.broadcast_arrays(np.zeros(1), -own, new - own))

    def factor(self, kind: SpreadKind, scopes: int) -> FloatArray:
        """Give the factor for each scope: 1, 1/(1+own) and (1+new)/(1+own).

        Parameters
        ----------
        kind : {"speed", "airflow"}
            A relative spread.
        scopes : int
            1 or 3.

        Returns
        -------
        ndarray, shape (scope, draw) or (1, 1)
        """
        if scopes == 1:
            return np.ones((1, 1))
        own = np.maximum(1.0 + self.own(kind), 0.05)
        new = np.maximum(1.0 + self.new(kind), 0.05)
        return np.stack(np.broadcast_arrays(np.ones(1), 1.0 / own, new / own))

    def louder_together(self, scopes: int, slope: FloatArray) -> FloatArray:
        """Give how much louder each scope's fans together are than the tested unit alone.

        The fans bought next run on one drive: one that spins faster is louder by the slope.

        Parameters
        ----------
        scopes : int
            1 or 3.
        slope : ndarray, shape (draw,)
            dB a unit of ln speed; 0 where the curve runs over drive.

        Returns
        -------
        ndarray, shape (scope, draw) or (1, 1)
            dB.
        """
        equal = 10.0 * np.log10(np.array([float(self.fans)]))
        if scopes == 1:
            return equal[:, None]
        own = self.own("noise")
        members = [
            self.new("noise", fan) + slope * np.log1p(self.new("speed", fan))
            if self.fans > 1
            else self.new("noise", fan)
            for fan in range(1, self.fans + 1)
        ]
        together = energy_level(np.stack(np.broadcast_arrays(*members)), axis=0, mean=False)
        return np.stack(np.broadcast_arrays(equal, equal - own, together - own))

    def airflow_together(self, scopes: int, over_speed: bool) -> FloatArray:
        """Give the factor that turns the tested unit's airflow into that of each scope's fans.

        Parameters
        ----------
        scopes : int
            1 or 3.
        over_speed : bool
            Whether fans on one drive differ in speed here.

        Returns
        -------
        ndarray, shape (scope, draw) or (1, 1)
        """
        if self.fans == 1:
            return self.factor("airflow", scopes)
        count = np.array([float(self.fans)])
        if scopes == 1:
            return count[:, None]
        own = np.maximum(1.0 + self.own("airflow"), 0.05)
        total: FloatArray = np.zeros(1)
        for fan in range(1, self.fans + 1):
            faster = self.new("speed", fan) if over_speed else np.zeros(1)
            total = total + np.maximum(1.0 + self.new("airflow", fan), 0.05) * (1.0 + faster)
        return np.stack(np.broadcast_arrays(count, count / own, total / own))


def scopes_for(request: Request, kinds: Sequence[SpreadKind]) -> int:
    """Say how many scopes can be given: 3 where every spread needed is stated, else 1."""
    return 3 if all(request.spread(kind) is not None for kind in kinds) else 1


def _mean_points(parts: list[Points]) -> Points:
    if len(parts) == 1:
        return parts[0]
    return Points(
        np.mean([part.at for part in parts], axis=0),
        np.any([part.below for part in parts], axis=0),
        np.any([part.above for part in parts], axis=0),
    )


def noise_points(
    draws: Draws,
    request: Request,
    layout: ModelLayout,
    unit: UnitLayout,
    *,
    luck_offset: FloatArray | None = None,
) -> Points:
    """Find where one unit meets the noise target, for every scope.

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
    luck_offset : ndarray, shape (luck,), optional
        Instead of scopes: given amounts of noise luck of the unit, dB, to be undone.

    Returns
    -------
    Points
    """
    luck = Luck(draws, request, layout.model, unit.unit)
    scopes = scopes_for(request, ["noise"])
    parts = []
    for curve in unit.noise:
        knots = level_knots(draws, request.bench, curve)
        if luck_offset is not None:
            shift = luck_offset[:, None] - 10.0 * np.log10(luck.fans)
        else:
            shift = -luck.louder_together(scopes, _slope(curve, knots, luck.fans))
        wanted, floored = _wanted_level(draws, request, curve, knots, shift)
        solved = solve_level(curve, knots, wanted)
        at = solved.at * _curve_factor(draws, request, curve)
        parts.append(Points(at, solved.below | floored, solved.above))
    return _mean_points(parts)


def _slope(curve: LevelCurve, knots: LevelKnots, fans: int) -> FloatArray:
    """Give the slope over ln speed that tells fans on one drive apart; it matters from two on."""
    if fans == 1 or not curve.over_speed:
        return np.zeros(1)
    return fit_power_law(np.log(knots.x), knots.level)[1]


def _wanted_level(
    draws: Draws, request: Request, curve: LevelCurve, knots: LevelKnots, shift: FloatArray
) -> tuple[FloatArray, BoolArray]:
    """Give the level each scope is solved for on one curve, and where the target is in the room."""
    target = request.target
    if curve.room == "read":
        meant = target.fan_level(draws, request.bench)
        return meant.level + shift, meant.below[None, :]
    nowhere = np.zeros((1, draws.size), dtype=np.bool_)
    level = np.full(draws.size, target.level)
    if curve.room == "fitted":
        included = target.background == "included"
        return (remove_room(level, knots.room) if included else level) + shift, nowhere
    return level + shift + _room_unknown(draws, request, curve, shift.shape[0]), nowhere


def _room_unknown(draws: Draws, request: Request, curve: LevelCurve, scopes: int) -> FloatArray:
    """Give what an unknown room may hide: rectangular from 0 to its limit, one draw a session.

    A level that includes the room is read in that very room, so the tested unit is not touched;
    with the background removed every scope is.
    """
    limit = request.target.room_unknown_limit(curve.sitting)
    if not np.isfinite(limit):
        return np.zeros((1, 1))
    label = ("room unknown", curve.sitting.rig, *curve.sitting.session_label)
    hidden = limit / np.sqrt(12.0) * draws.standard(label, "rectangular")
    if request.target.background == "removed":
        # The reading exceeds the fan alone by something between 0 and the limit.
        return np.asarray(np.full((scopes, 1), limit / 2.0) + hidden)
    touched = np.ones((scopes, 1))
    touched[0] = 0.0
    return np.asarray(touched * hidden)


def _curve_factor(draws: Draws, request: Request, curve: LevelCurve) -> FloatArray | float:
    if request.curve_uncertainty == 0:
        return 1.0
    label = ("curve", curve.sitting.rig, *curve.sitting.own_label)
    factor: FloatArray = 1.0 + request.curve_uncertainty * draws.standard(label, "normal")
    return factor


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
    luck = Luck(draws, request, layout.model, unit.unit)
    if layout.abscissa == "relative":
        return _dialled_drive(draws, request, unit, luck, scopes)
    if layout.abscissa != "speed":
        at = np.full((1, draws.size), request.at)
        return _drive_itself(request, unit, at)
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
        parts.append(Points(solved.at, solved.below, solved.above))
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
    at = np.ones((1, draws.size)) * luck.factor("speed", scopes)
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
    at = np.full((1, draws.size), request.at)
    nowhere = np.zeros(at.shape, dtype=np.bool_)
    return Points(at, nowhere, nowhere)


def model_points(draws: Draws, request: Request, layout: ModelLayout) -> dict[str, Points]:
    """Find the operating points of every unit of a model that has them.

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
    dict
        `Points` by unit.
    """
    found: dict[str, Points] = {}
    for unit in layout.units:
        points: Points | None = None
        if request.kind == "equal noise":
            if not unit.noise_problem:
                points = noise_points(draws, request, layout, unit)
        elif request.kind == "equal drive":
            points = drive_points(draws, request, layout, unit)
        else:
            points = speed_points(draws, request, layout)
        if points is not None:
            found[unit.unit] = points
    return found


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
        Operating points.

    Returns
    -------
    Points
        With the quantity in `at`, and draws past either end of the points' or of this sweep.
    """
    assert layout.abscissa is not None
    sitting, knots = curve.sitting, curve.knots
    x = rising(abscissa_draws(draws, request.bench, sitting, layout.abscissa, knots))
    y = _quantity_draws(draws, request.bench, curve)
    if knots.count < 2:
        solved = _one_point(draws, layout, curve, x, y, points.at)
    elif curve.channel[0] == "airflow" and layout.abscissa == "speed":
        solved = airflow_at(x, y, points.at)
    elif layout.abscissa == "speed":
        solved = continued_linear(x, y, points.at)
    else:
        solved = monotone_values(x, y, points.at)
    return Points(solved.at, points.below | solved.below, points.above | solved.above)


def _one_point(
    draws: Draws,
    layout: ModelLayout,
    curve: QuantityCurve,
    x: FloatArray,
    y: FloatArray,
    at: FloatArray,
) -> Solved:
    """Carry a single reading on: airflow by the fan law, anything else not at all."""
    shape = np.broadcast_shapes(at.shape, y[0].shape)
    nowhere = np.zeros(shape, dtype=np.bool_)
    if curve.channel[0] != "airflow" or layout.abscissa not in ("speed", "relative"):
        return Solved(np.broadcast_to(y[0], shape), nowhere, nowhere)
    z = draws.standard(("airflow exponent", layout.model), "normal")
    exponent = 1.0 + AIRFLOW_EXPONENT * z
    return Solved(y[0] * (at / x[0]) ** exponent, nowhere, nowhere)


def _quantity_draws(draws: Draws, bench: Bench, curve: QuantityCurve) -> FloatArray:
    sitting, knots = curve.sitting, curve.knots
    cells = sitting.channels[curve.channel].values[knots.index, None]
    values = cells + reading_errors(draws, bench, sitting, curve.channel, knots.index).reading
    if curve.channel[0] == "temperature":
        ambient: Channel = ("ambient", "")
        room = sitting.channels[ambient].values[knots.index, None]
        values = values - room
        values = values - reading_errors(draws, bench, sitting, ambient, knots.index).reading
    return merged(knots, values)


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
    layout: ModelLayout,
    points: dict[str, Points],
    channel: Channel,
    *,
    undo_luck: bool = True,
) -> Points | None:
    """Read one quantity of a model off at its units' operating points.

    In a unit, the mean over its sittings; over units, the mean of their results. A unit that
    holds no curve of this quantity takes the model's mean curve, and one without operating points
    the model's mean points.

    Parameters
    ----------
    draws : Draws
        Where draws come from.
    request : Request
        What is asked.
    layout : ModelLayout
        The model.
    points : dict
        From `model_points`.
    channel : tuple of str
        Quantity and obstruction.
    undo_luck : bool
        False where `points` are not one a scope: the quantity's own luck is then left in.

    Returns
    -------
    Points or None
        The quantity in `at`; None where no unit holds points or none a curve.
    """
    holders = [unit for unit in layout.units if _carries(unit, channel)]
    if not points or not holders:
        return None
    everywhere = _mean_points(list(points.values()))
    results = []
    for unit in layout.units:
        here = points.get(unit.unit)
        own = _carries(unit, channel)
        if here is None and not own:
            continue
        sources = [unit] if own else holders
        at = here if here is not None else everywhere
        results.append(
            _mean_points(
                [_unit_value(draws, request, layout, u, channel, at, undo_luck) for u in sources]
            )
        )
    return _mean_points(results)


def _carries(unit: UnitLayout, channel: Channel) -> bool:
    curves = unit.quantities.get(channel, ())
    return bool(curves) and all(curve.knots.count > 0 for curve in curves)


def _unit_value(
    draws: Draws,
    request: Request,
    layout: ModelLayout,
    unit: UnitLayout,
    channel: Channel,
    points: Points,
    undo_luck: bool,
) -> Points:
    value = _mean_points(
        [
            quantity_values(draws, request, layout, curve, points)
            for curve in unit.quantities[channel]
        ]
    )
    luck = Luck(draws, request, layout.model, unit.unit)
    if not undo_luck:
        return Points(value.at * luck.fans, value.below, value.above)
    scopes = scopes_for(request, spreads_needed(request, channel[0]))
    at = _first_scopes(value.at, scopes)
    if channel[0] == "airflow":
        at = at * luck.airflow_together(scopes, layout.abscissa in ("speed", "relative"))
    else:
        at = at + luck.shift("temperature", scopes)
    return Points(at, _sides(value.below, scopes, at.shape), _sides(value.above, scopes, at.shape))


def _first_scopes(values: FloatArray, scopes: int) -> FloatArray:
    """Keep the tested unit alone where the others cannot be given."""
    return values[:1] if scopes == 1 else values


def _sides(past: BoolArray, scopes: int, shape: tuple[int, ...]) -> BoolArray:
    return np.broadcast_to(past[:1] if scopes == 1 else past, shape)


def noise_values(
    draws: Draws, request: Request, layout: ModelLayout, points: dict[str, Points]
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
    points : dict
        From `model_points`.

    Returns
    -------
    Points or None
        Noise in `at`, dB; None where no unit holds both.
    """
    results = []
    scopes = scopes_for(request, spreads_needed(request, "noise"))
    for unit in layout.units:
        here = points.get(unit.unit)
        if here is None or unit.noise_problem:
            continue
        luck = Luck(draws, request, layout.model, unit.unit)
        parts = []
        for curve in unit.noise:
            knots = level_knots(draws, request.bench, curve)
            solved = level_at(curve, knots, _first_scopes(here.at, scopes))
            level = solved.at + luck.shift("noise", scopes)
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
