"""Which curves stand behind each unit and model: chosen once, at the readings as read."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from fanstats.estimates.curves import fit_power_law
from fanstats.estimates.draws import Unperturbed
from fanstats.estimates.knots import (
    Abscissa,
    Knots,
    abscissa_of,
    choose_knots,
    usable_cells,
)
from fanstats.estimates.level_curve import LevelCurve, Slope, level_curve, level_knots
from fanstats.estimates.power_law_weights import weighed

if TYPE_CHECKING:
    from collections.abc import Sequence

    from fanstats.estimates.curves import CurveKind
    from fanstats.estimates.sittings import Channel, Sitting
    from fanstats.sources import Bench

__all__ = ["ModelLayout", "QuantityCurve", "UnitLayout", "channels_of", "layout_models"]

# Fan law: 50 lg N for the level, from memory of the fan-law literature; fitted slopes of 40 to 60
# dB a decade are usual, hence a rectangular half width of 10.
FAN_LAW = Slope(50.0, 10.0 / 3.0**0.5, "from the fan laws (50 lg N)")
# Policy: how far a sweep's overall slope may be off at one point of it, dB a decade.
OWN_SWEEP = 2.0

# What is read off a curve over speed, against the channel that holds it.
READ_OFF = {"airflow": "airflow", "temperature_rise": "temperature"}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class QuantityCurve:
    """One sitting's curve of airflow or temperature rise.

    Attributes
    ----------
    sitting : Sitting
        The sitting.
    channel : tuple of str
        Quantity as read (``"temperature"`` for a rise) and obstruction.
    knots : Knots
        Cells that carry it.
    """

    sitting: Sitting
    channel: Channel
    knots: Knots


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class UnitLayout:
    """The curves of one unit.

    Attributes
    ----------
    unit : str
        Its label.
    noise : tuple of LevelCurve
        One a noise sitting.
    quantities : dict
        Tuples of `QuantityCurve` by (quantity, obstruction).
    sittings : tuple of Sitting
        All of its sittings.
    """

    unit: str
    noise: tuple[LevelCurve, ...]
    quantities: dict[Channel, tuple[QuantityCurve, ...]]
    sittings: tuple[Sitting, ...]

    @property
    def noise_problem(self) -> str:
        """Why no noise curve of the unit can be used, "" where all can."""
        if not self.noise:
            return "no noise readings"
        return next((curve.problem for curve in self.noise if curve.problem), "")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ModelLayout:
    """The units of one model.

    Attributes
    ----------
    model : str
        Its label.
    units : tuple of UnitLayout
        In order of their labels.
    abscissa : {"speed", "drive_voltage", "drive_duty"} or None
        What its curves run over.
    """

    model: str
    units: tuple[UnitLayout, ...]
    abscissa: Abscissa | None

    @property
    def readings(self) -> int:
        """Numbers read of the model."""
        return sum(sitting.readings for unit in self.units for sitting in unit.sittings)

    @property
    def dropped(self) -> list[str]:
        """Steps left out of curves, with reasons."""
        notes = [n for unit in self.units for curve in unit.noise for n in curve.knots.dropped]
        notes += [
            note
            for unit in self.units
            for curves in unit.quantities.values()
            for curve in curves
            for note in curve.knots.dropped
        ]
        return list(dict.fromkeys(notes))


def channels_of(sittings: Sequence[Sitting]) -> list[Channel]:
    """List what can be read off: (quantity, obstruction), in the order of the readings.

    Parameters
    ----------
    sittings : sequence of Sitting
        All sittings.

    Returns
    -------
    list of tuple of str
    """
    found: list[Channel] = []
    for quantity, read in READ_OFF.items():
        present = {c: None for s in sittings for c in s.channels if c[0] == read}
        found += [(quantity, obstruction) for _, obstruction in present]
    return found


def layout_models(
    sittings: Sequence[Sitting],
    models: Sequence[str],
    bench: Bench,
    *,
    noise: Channel,
    curve: CurveKind,
    omit_shared: bool,
    slope: Slope | None = None,
) -> list[ModelLayout]:
    """Lay out the curves of every model.

    Parameters
    ----------
    sittings : sequence of Sitting
        All sittings.
    models : sequence of str
        Models, in the order of the results.
    bench : Bench
        What is stated about the instruments.
    noise : tuple of str
        Channel that noise is read from.
    curve : {"smooth", "straight", "power law"}
        Curve through the noise knots.
    omit_shared : bool
        Leave the noise instrument's shared error out.
    slope : Slope, optional
        For curves that are a single point; else the model's own sweep, the pooled slope of swept
        models or the fan laws carry them on.

    Returns
    -------
    list of ModelLayout
    """
    by_model: dict[str, list[Sitting]] = {model: [] for model in models}
    for sitting in sittings:
        by_model[sitting.model].append(sitting)
    channels = channels_of(sittings)

    def one(model: str) -> ModelLayout:
        own = [s for s in by_model[model] if _reads(s, noise, channels)]
        abscissa = abscissa_of(own) if own else None
        names = dict.fromkeys(sitting.unit for sitting in by_model[model])
        units = tuple(
            _unit(
                name,
                [s for s in by_model[model] if s.unit == name],
                bench,
                abscissa,
                channels,
                noise=noise,
                curve=curve,
                omit_shared=omit_shared,
            )
            for name in sorted(names)
        )
        return ModelLayout(model=model, units=units, abscissa=abscissa)

    layouts = with_slopes([one(model) for model in models], bench, slope)
    return _with_weights(layouts, bench) if curve == "power law" else layouts


def _with_weights(layouts: list[ModelLayout], bench: Bench) -> list[ModelLayout]:
    """Give every power law the weights of its steps."""
    found = weighed(bench, (c for lay in layouts for unit in lay.units for c in unit.noise))

    def with_own(unit: UnitLayout) -> UnitLayout:
        return replace(unit, noise=tuple(found.get(id(curve), curve) for curve in unit.noise))

    return [replace(lay, units=tuple(with_own(unit) for unit in lay.units)) for lay in layouts]


def with_slopes(layouts: list[ModelLayout], bench: Bench, given: Slope | None) -> list[ModelLayout]:
    """Give every curve that is a single point a slope.

    Parameters
    ----------
    layouts : list of ModelLayout
        Every model.
    bench : Bench
        What is stated about the instruments.
    given : Slope or None
        A slope the caller states.

    Returns
    -------
    list of ModelLayout
        The same where no curve is a point.
    """
    if not any(curve.is_point for lay in layouts for unit in lay.units for curve in unit.noise):
        return layouts
    own = {lay.model: _slopes(lay, bench) for lay in layouts}
    pooled = np.array([np.mean(slopes) for slopes in own.values() if slopes])

    def best(model: str) -> Slope:
        if given is not None:
            return given
        if own[model]:
            return Slope(float(np.mean(own[model])), OWN_SWEEP, "from the model's own sweep")
        if pooled.size > 1:
            spread = float(np.hypot(pooled.std(ddof=1), OWN_SWEEP))
            return Slope(float(pooled.mean()), spread, f"pooled over {pooled.size} swept models")
        return FAN_LAW

    def sloped(unit: UnitLayout, model: str) -> UnitLayout:
        curves = (replace(c, slope=best(model)) if c.is_point else c for c in unit.noise)
        return replace(unit, noise=tuple(curves))

    return [
        replace(lay, units=tuple(sloped(unit, lay.model) for unit in lay.units)) for lay in layouts
    ]


def _slopes(layout: ModelLayout, bench: Bench) -> list[float]:
    """Give the slope of each of a model's sweeps over speed, dB a decade."""
    found = []
    for unit in layout.units:
        for curve in unit.noise:
            if curve.abscissa == "speed" and not curve.problem and curve.knots.count > 1:
                knots = level_knots(Unperturbed(), bench, curve)
                slope = fit_power_law(np.log(knots.x[:, 0]), knots.level[:, 0])[1]
                found.append(float(slope) * float(np.log(10.0)))
    return found


def _reads(sitting: Sitting, noise: Channel, channels: Sequence[Channel]) -> bool:
    wanted = [noise, *((READ_OFF[quantity], obstruction) for quantity, obstruction in channels)]
    return any(sitting.has(channel) for channel in wanted)


def _unit(
    name: str,
    sittings: list[Sitting],
    bench: Bench,
    abscissa: Abscissa | None,
    channels: list[Channel],
    *,
    noise: Channel,
    curve: CurveKind,
    omit_shared: bool,
) -> UnitLayout:
    if abscissa is None:
        return UnitLayout(unit=name, noise=(), quantities={}, sittings=tuple(sittings))
    levels = tuple(
        level_curve(bench, sitting, noise, abscissa, curve, omit_shared=omit_shared)
        for sitting in sittings
        if sitting.has(noise)
    )
    chosen: dict[tuple[int, bytes], Knots] = {}
    quantities = {
        channel: tuple(
            _quantity_curve(bench, sitting, channel, abscissa, chosen)
            for sitting in sittings
            if sitting.has((READ_OFF[channel[0]], channel[1]))
        )
        for channel in channels
    }
    return UnitLayout(unit=name, noise=levels, quantities=quantities, sittings=tuple(sittings))


def _quantity_curve(
    bench: Bench,
    sitting: Sitting,
    channel: Channel,
    abscissa: Abscissa,
    chosen: dict[tuple[int, bytes], Knots],
) -> QuantityCurve:
    """Take the knots that were `chosen` for another obstruction read at the same steps."""
    read = (READ_OFF[channel[0]], channel[1])
    also = ("ambient", "") if channel[0] == "temperature_rise" else None
    key = (id(sitting), usable_cells(sitting, read, abscissa, also=also).tobytes())
    if key not in chosen:
        chosen[key] = choose_knots(bench, sitting, read, abscissa, also=also, above=np.nan)
    return QuantityCurve(sitting=sitting, channel=read, knots=chosen[key])
