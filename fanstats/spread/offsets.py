"""How far each sitting's curve lies off its siblings', and what moves it: one number a sitting."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from fanstats._typing import FloatArray, Shape
from fanstats.estimates.curves import monotone_values
from fanstats.estimates.draws import OneAtATime, Recorder, Unperturbed
from fanstats.estimates.knots import abscissa_draws, abscissa_values, choose_knots, merged
from fanstats.estimates.level_curve import level_at, level_knots
from fanstats.estimates.operating import Points, quantity_values
from fanstats.estimates.request import Request, SpreadKind
from fanstats.estimates.target import NoiseTarget

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Sequence

    from fanstats.estimates.draws import Draws, Label
    from fanstats.estimates.layout import ModelLayout, QuantityCurve
    from fanstats.estimates.level_curve import LevelCurve
    from fanstats.estimates.sittings import Sitting
    from fanstats.sources import Bench

__all__ = ["KINDS", "KIND_WORDS", "Offsets", "SpreadKind", "offsets_of"]

KINDS: Final[tuple[SpreadKind, ...]] = ("noise", "airflow", "speed", "temperature")
KIND_WORDS: Final[Mapping[SpreadKind, str]] = {
    "noise": "noise at a given speed",
    "airflow": "airflow at a given speed",
    "speed": "speed at a given drive",
    "temperature": "temperature rise at a given speed",
}
LEVEL_OF_SHARING: Final = 2  # place of the level of sharing in a label
# With no room known, as in the typical unit's own estimate.
_CLEAR_OF_ROOM: Final = 10.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Offsets:
    """The sittings of one model, each as one number, comparable among themselves alone.

    Attributes
    ----------
    kind : {"noise", "airflow", "speed", "temperature"}
        Level of the fan alone at a given speed (dB), ln airflow at a given speed, ln speed at a
        given drive, temperature rise at a given speed (K).
    model : str
        The model.
    units, sessions, sittings, rigs : tuple of str, length sitting
        Labels; a session as ``rig, session``, "" where none was recorded.
    values : ndarray, shape (sitting,)
        Mean over the common speeds or drives, at the readings as read.
    effects : ndarray, shape (sitting, label)
        What one standard uncertainty of each label moves them by.
    labels : tuple of tuple of str
        Labels of the errors.
    by_obstruction : dict of str to ndarray
        The values behind each obstruction alone.
    common : ndarray
        The common speeds or drives.
    profile : ndarray, shape (sitting, speed)
        The values speed by speed, before their mean is taken.
    profile_effects : ndarray, shape (sitting, speed, label)
        What one standard uncertainty of each label moves those by.
    """

    kind: SpreadKind
    model: str
    units: tuple[str, ...]
    sessions: tuple[str, ...]
    sittings: tuple[str, ...]
    rigs: tuple[str, ...]
    values: FloatArray
    effects: FloatArray
    labels: tuple[Label, ...]
    by_obstruction: dict[str, FloatArray]
    common: FloatArray
    profile: FloatArray
    profile_effects: FloatArray

    def covariance(self, without: Collection[str] = ()) -> FloatArray:
        """Give the covariance of the values due to what is stated of the instruments.

        Parameters
        ----------
        without : collection of str
            Levels of sharing to be left out.

        Returns
        -------
        ndarray, shape (sitting, sitting)
        """
        kept = [label[LEVEL_OF_SHARING] not in without for label in self.labels]
        effects = self.effects[:, np.array(kept, dtype=np.bool_)]
        return np.asarray(effects @ effects.T)


def offsets_of(kind: SpreadKind, bench: Bench, layout: ModelLayout) -> Offsets | str:
    """Reduce each sitting of a model to one number, or say why that cannot be done.

    Parameters
    ----------
    kind : {"noise", "airflow", "speed", "temperature"}
        What is asked.
    bench : Bench
        What is stated about the instruments.
    layout : ModelLayout
        The model.

    Returns
    -------
    Offsets or str
        The reason, where fewer than two sittings can be set side by side.
    """
    if kind == "speed":
        return _speed_offsets(bench, layout)
    if layout.abscissa != "speed":
        return "no speed readings: a sample that is noisier cannot be told from a faster one"
    if kind == "noise":
        return _noise_offsets(bench, layout)
    return _quantity_offsets(kind, bench, layout)


def _wide(values: FloatArray, draws: Draws) -> FloatArray:
    """Give every draw a column of its own."""
    return np.broadcast_to(values, (values.shape[0], draws.size))


class _BothWays(OneAtATime):
    """Draws that move nothing, then each label up by one standard uncertainty, then down."""

    def __init__(self, labels: Sequence[Label]) -> None:
        super().__init__(labels)
        self._down = len(labels)
        self.size = 2 * self._down + 1

    def standard(self, label: Label, shape: Shape) -> FloatArray:
        moved = super().standard(label, shape)
        moved[self._down + 1 :] = -moved[1 : self._down + 1]
        return moved


def _assembled(
    kind: SpreadKind,
    layout: ModelLayout,
    sittings: Sequence[Sitting],
    common: FloatArray,
    parts: dict[str, Callable[[Draws], FloatArray]],
) -> Offsets:
    """Evaluate at the readings as read, then with one label moved at a time, both ways."""
    recorder = Recorder()
    for part in parts.values():
        part(recorder)
    labels = tuple(recorder.labels)
    moved = _BothWays(labels)
    curves = {name: part(moved) for name, part in parts.items()}
    found = {name: curve.mean(axis=1) for name, curve in curves.items()}
    whole = np.mean(list(found.values()), axis=0)
    profile = _mean_profile(list(curves.values()))
    count = len(labels)
    return Offsets(
        kind=kind,
        model=layout.model,
        units=tuple(sitting.unit for sitting in sittings),
        sessions=tuple(_session(sitting) for sitting in sittings),
        sittings=tuple(sitting.sitting for sitting in sittings),
        rigs=tuple(sitting.rig for sitting in sittings),
        values=whole[:, 0],
        # The difference of both sides leaves the curvature near the room out.
        effects=_both_ways(whole, count),
        labels=labels,
        by_obstruction={name: each[:, 0] for name, each in found.items()} if len(found) > 1 else {},
        common=common,
        profile=profile[..., 0],
        profile_effects=_both_ways(profile, count),
    )


def _both_ways(moved: FloatArray, count: int) -> FloatArray:
    return np.asarray((moved[..., 1 : count + 1] - moved[..., count + 1 :]) / 2.0)


def _mean_profile(curves: list[FloatArray]) -> FloatArray:
    """Average over obstructions step by step; where steps differ in number, take the first."""
    alike = [curve for curve in curves if curve.shape == curves[0].shape]
    return np.asarray(np.mean(alike, axis=0))


def _session(sitting: Sitting) -> str:
    if not sitting.session:
        return ""
    return ", ".join(part for part in (sitting.rig, sitting.session) if part)


def _grid(ends: list[FloatArray], counts: list[int]) -> FloatArray | str:
    """Choose common speeds: as many as the shortest curve has steps, over what all share."""
    low, high = max(x[0] for x in ends), min(x[-1] for x in ends)
    if not high > low * (1.0 + 1e-6):
        return "the samples share no range of speed"
    return np.geomspace(low, high, min(counts))


# Noise -----------------------------------------------------------------------------------------


def _noise_offsets(bench: Bench, layout: ModelLayout) -> Offsets | str:
    curves = [c for unit in layout.units for c in unit.noise if not c.problem]
    if len(curves) < 2:
        return _too_few([c.problem for unit in layout.units for c in unit.noise])
    nothing = Unperturbed()
    knots = [level_knots(nothing, bench, curve) for curve in curves]
    speeds = _grid([k.x[:, 0] for k in knots], [c.knots.count for c in curves])
    if isinstance(speeds, str):
        return speeds
    speeds = _clear_of_unknown_rooms(bench, curves, speeds)
    if speeds.size == 0:
        return "room not read, and no speed 10 dB above the lowest noise is common to all samples"
    at = speeds[:, None]

    def levels(draws: Draws) -> FloatArray:
        return np.stack(
            [_wide(level_at(c, level_knots(draws, bench, c), at).at, draws) for c in curves]
        )

    sittings = [curve.sitting for curve in curves]
    return _assembled("noise", layout, sittings, speeds, {"": levels})


def _clear_of_unknown_rooms(
    bench: Bench, curves: list[LevelCurve], speeds: FloatArray
) -> FloatArray:
    """Keep the speeds at which no unknown room can hide a difference between samples."""
    clear = np.ones(speeds.size, dtype=np.bool_)
    nothing = Unperturbed()
    for curve in curves:
        if curve.room == "unknown":
            level = level_at(curve, level_knots(nothing, bench, curve), speeds[:, None]).at[:, 0]
            clear &= level >= curve.sitting.lowest_noise + _CLEAR_OF_ROOM
    return speeds[clear]


def _too_few(reasons: list[str]) -> str:
    told = list(dict.fromkeys(reason for reason in reasons if reason))
    return "; ".join(told) or "read in one sitting only"


# Airflow and temperature rise ------------------------------------------------------------------


def _quantity_offsets(kind: SpreadKind, bench: Bench, layout: ModelLayout) -> Offsets | str:
    name = "airflow" if kind == "airflow" else "temperature_rise"
    by_channel: dict[str, dict[int, QuantityCurve]] = {}
    for obstruction, curve in _curves_of(layout, name):
        if curve.knots.count >= 2:
            by_channel.setdefault(obstruction, {})[id(curve.sitting)] = curve
    chosen = _held_by_all(by_channel)
    if not chosen or len(next(iter(chosen.values()))) < 2:
        short = sum(c.knots.count == 1 for _, c in _curves_of(layout, name))
        return _too_few(["fewer than two usable steps a sitting"] if short > 1 else [])
    sittings = [curve.sitting for curve in next(iter(chosen.values()))]
    request = _bare_request(bench)
    parts: dict[str, Callable[[Draws], FloatArray]] = {}
    common = np.zeros(0)
    for obstruction, held in chosen.items():
        speeds = _grid([_speeds_of(curve) for curve in held], [c.knots.count for c in held])
        if isinstance(speeds, str):
            return speeds
        parts[obstruction] = _reader(kind, request, layout, held, speeds)
        common = speeds
    return _assembled(kind, layout, sittings, common, parts)


def _curves_of(layout: ModelLayout, name: str) -> list[tuple[str, QuantityCurve]]:
    """Give every curve of a quantity with the obstruction it was read behind."""
    return [
        (obstruction, curve)
        for unit in layout.units
        for (quantity, obstruction), curves in unit.quantities.items()
        for curve in curves
        if quantity == name
    ]


def _held_by_all(
    by_channel: dict[str, dict[int, QuantityCurve]],
) -> dict[str, list[QuantityCurve]]:
    """Keep the obstructions that every sitting read; without one, that read most often."""
    everyone = list(dict.fromkeys(key for curves in by_channel.values() for key in curves))
    kept = {name: c for name, c in by_channel.items() if all(key in c for key in everyone)}
    if not kept and by_channel:
        most = max(by_channel, key=lambda name: len(by_channel[name]))
        kept = {most: by_channel[most]}
    order = [key for key in everyone if all(key in curves for curves in kept.values())]
    return {name: [curves[key] for key in order] for name, curves in kept.items()}


def _speeds_of(curve: QuantityCurve) -> FloatArray:
    return np.sort(curve.sitting.channels["speed", ""].values[curve.knots.index])


def _bare_request(bench: Bench) -> Request:
    target = NoiseTarget(level=np.nan, background="removed", target="true", room=None)
    return Request(kind="equal speed", bench=bench, target=target)


def _reader(
    kind: SpreadKind,
    request: Request,
    layout: ModelLayout,
    curves: list[QuantityCurve],
    speeds: FloatArray,
) -> Callable[[Draws], FloatArray]:
    nowhere = np.zeros((speeds.size, 1), dtype=np.bool_)
    points = Points(speeds[:, None], nowhere, nowhere)

    def read(draws: Draws) -> FloatArray:
        values = [quantity_values(draws, request, layout, curve, points).at for curve in curves]
        if kind == "airflow":
            values = [np.log(np.maximum(each, 1e-12)) for each in values]
        return np.stack([_wide(each, draws) for each in values])

    return read


# Speed at a given drive ------------------------------------------------------------------------


def _speed_offsets(bench: Bench, layout: ModelLayout) -> Offsets | str:
    sittings = [s for unit in layout.units for s in unit.sittings if s.has(("speed", ""))]
    drive: Literal["drive_voltage", "drive_duty"] = (
        "drive_voltage"
        if sum(np.isfinite(s.drive_voltage).any() for s in sittings)
        >= sum(np.isfinite(s.drive_duty).any() for s in sittings)
        else "drive_duty"
    )
    found = [(s, choose_knots(bench, s, ("speed", ""), drive)) for s in sittings]
    found = [(sitting, knots) for sitting, knots in found if knots.count]
    if len(found) < 2:
        return _too_few([])
    x = [merged(k, abscissa_values(s, drive, k.index)[:, None]) for s, k in found]
    drives = x[0][:, 0]
    for other in x[1:]:
        drives = np.intersect1d(drives, other[:, 0])
    if drives.size == 0:
        low, high = max(each[0, 0] for each in x), min(each[-1, 0] for each in x)
        if not high > low:
            return "the samples share no drive"
        drives = np.linspace(low, high, min(each.shape[0] for each in x))

    def speeds(draws: Draws) -> FloatArray:
        rows = []
        for (sitting, knots), at in zip(found, x, strict=True):
            y = abscissa_draws(draws, bench, sitting, "speed", knots)
            if knots.count > 1:
                y = monotone_values(at, y, drives[:, None]).at
            rows.append(_wide(np.log(y), draws))
        return np.stack(rows)

    return _assembled("speed", layout, [sitting for sitting, _ in found], drives, {"": speeds})
