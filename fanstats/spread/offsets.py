"""How far each sitting's curve lies off its siblings', and what moves it: one number a sitting."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal, NamedTuple

import numpy as np

from fanstats._typing import FloatArray, IntArray
from fanstats.engine.choices import weighed
from fanstats.engine.curves import monotone_values
from fanstats.engine.draws import Moved, Still
from fanstats.engine.layout import PROBLEMS, Block, Layout, Parallel, lay_out
from fanstats.engine.ledger import Ledger, SpreadKind, open_ledger
from fanstats.engine.points import Points, abscissa, level_at, level_knots, quantity_values
from fanstats.engine.sittings import SPEED

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Sequence

    from fanstats.engine.curves import CurveKind
    from fanstats.engine.layout import LevelCurves, QuantityCurves
    from fanstats.engine.sittings import Label, Sittings
    from fanstats.sources import Bench

__all__ = ["KINDS", "KIND_WORDS", "Curves", "Offsets", "SpreadKind", "curves_of", "offsets_of"]

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


class Curves(NamedTuple):
    """The curves of some sittings, and the errors that move them."""

    layout: Layout
    ledger: Ledger


def curves_of(sittings: Sittings, models: Sequence[str], bench: Bench, curve: CurveKind) -> Curves:
    """Lay out the curves of some sittings, every stated error in them."""
    noise = ("noise", "")
    layout = lay_out(sittings, models, bench, noise=noise, curve=curve)
    ledger = open_ledger(sittings, bench, models=models, noise=noise, omit_shared=False)
    return Curves(weighed(layout, ledger), ledger.with_parameters())


def offsets_of(kind: SpreadKind, curves: Curves, model: str) -> Offsets | str:
    """Reduce each sitting of a model to one number, or say why that cannot be done."""
    place = curves.layout.models.index(model)
    if kind == "speed":
        return _speed_offsets(curves, place)
    if curves.layout.abscissa[place] != "speed":
        return "no speed readings: a sample that is noisier cannot be told from a faster one"
    if kind == "noise":
        return _noise_offsets(curves, place)
    return _quantity_offsets(kind, curves, place)


def _wide(values: FloatArray, x: Still) -> FloatArray:
    """Give every column of its own."""
    return np.broadcast_to(values, (values.shape[0], x.size))


def _assembled(
    kind: SpreadKind,
    curves: Curves,
    place: int,
    sittings: Sequence[int],
    common: FloatArray,
    inputs: Sequence[IntArray],
    parts: Mapping[str, Callable[[Still], FloatArray]],
) -> Offsets:
    """Evaluate at the readings as read, then with one label moved at a time, both ways."""
    ledger, labels = curves.ledger, curves.layout.sittings.labels
    wanted = np.ones(ledger.labels, dtype=np.bool_)
    up, down = (Moved(ledger, inputs, wanted, step=step) for step in (1.0, -1.0))
    raised = {name: part(up) for name, part in parts.items()}
    lowered = {name: part(down) for name, part in parts.items()}
    found = {name: curve.mean(axis=1) for name, curve in raised.items()}
    whole, below = (
        np.mean([curve.mean(axis=1) for curve in each.values()], axis=0)
        for each in (raised, lowered)
    )
    profile, under = (_mean_profile(list(each.values())) for each in (raised, lowered))
    return Offsets(
        kind=kind,
        model=curves.layout.models[place],
        units=tuple(str(labels["unit"][s]) for s in sittings),
        sessions=tuple(_session(labels, s) for s in sittings),
        sittings=tuple(str(labels["sitting"][s]) for s in sittings),
        rigs=tuple(str(labels["rig"][s]) for s in sittings),
        values=whole[:, 0],
        # The difference of both sides leaves the curvature near the room out.
        effects=(whole - below)[..., 1:] / 2.0,
        labels=tuple(ledger.label_text(int(label)) for label in up.labels),
        by_obstruction={name: each[:, 0] for name, each in found.items()} if len(found) > 1 else {},
        common=common,
        profile=profile[..., 0],
        profile_effects=(profile - under)[..., 1:] / 2.0,
    )


def _mean_profile(curves: list[FloatArray]) -> FloatArray:
    """Average over obstructions step by step; where steps differ in number, take the first."""
    alike = [curve for curve in curves if curve.shape == curves[0].shape]
    return np.asarray(np.mean(alike, axis=0))


def _session(labels: Mapping[str, np.ndarray], sitting: int) -> str:
    session = str(labels["session"][sitting])
    if not session:
        return ""
    return ", ".join(part for part in (str(labels["rig"][sitting]), session) if part)


def _grid(ends: list[FloatArray], counts: list[int]) -> FloatArray | str:
    """Choose common speeds: as many as the shortest curve has steps, over what all share."""
    low, high = max(x[0] for x in ends), min(x[-1] for x in ends)
    if not high > low * (1.0 + 1e-6):
        return "the samples share no range of speed"
    return np.geomspace(low, high, min(counts))


# Noise -----------------------------------------------------------------------------------------


def _noise_offsets(curves: Curves, place: int) -> Offsets | str:
    layout, ledger = curves
    noisy = [s for unit in layout.units[place] for s in layout.noise_sittings(unit)]
    levels = [layout.level_curve(ledger, s) for s in noisy if not layout.problem[s]]
    if len(levels) < 2:
        return _too_few([PROBLEMS[layout.problem[s]] for s in noisy])
    still = Still(ledger)
    knots = [level_knots(still, curve) for curve in levels]
    speeds = _grid([k.x[:, 0, 0] for k in knots], [c.noise.size for c in levels])
    if isinstance(speeds, str):
        return speeds
    speeds = _clear_of_unknown_rooms(curves, levels, speeds)
    if speeds.size == 0:
        return "room not read, and no speed 10 dB above the lowest noise is common to all samples"
    at = speeds[:, None, None]

    def read(x: Still) -> FloatArray:
        return np.stack([_wide(level_at(c, level_knots(x, c), at).at[:, 0], x) for c in levels])

    inputs = [ids for curve in levels for ids in curve.inputs()]
    sittings = [int(curve.sittings[0]) for curve in levels]
    return _assembled("noise", curves, place, sittings, speeds, inputs, {"": read})


def _clear_of_unknown_rooms(
    curves: Curves, levels: list[LevelCurves], speeds: FloatArray
) -> FloatArray:
    """Keep the speeds at which no unknown room can hide a difference between samples."""
    clear = np.ones(speeds.size, dtype=np.bool_)
    still = Still(curves.ledger)
    lowest = curves.layout.sittings.lowest_noise
    for curve in levels:
        if curve.room_kind == "unknown":
            read = level_at(curve, level_knots(still, curve), speeds[:, None, None]).at[:, 0, 0]
            clear &= read >= lowest[curve.sittings[0]] + _CLEAR_OF_ROOM
    return speeds[clear]


def _too_few(reasons: list[str]) -> str:
    told = list(dict.fromkeys(reason for reason in reasons if reason))
    return "; ".join(told) or "read in one sitting only"


# Airflow and temperature rise ------------------------------------------------------------------


def _quantity_offsets(kind: SpreadKind, curves: Curves, place: int) -> Offsets | str:
    layout, ledger = curves
    name = "airflow" if kind == "airflow" else "temperature_rise"
    block = next(layout.blocks(ledger, [place]))
    by_channel: dict[str, dict[int, QuantityCurves]] = {}
    short = 0
    for unit in block.units:
        for (quantity, obstruction), held in unit.quantities.items():
            for curve in held if quantity == name else ():
                short += curve.values.size == 1
                if curve.values.size >= 2:
                    by_channel.setdefault(obstruction, {})[int(curve.sittings[0])] = curve
    chosen = _held_by_all(by_channel)
    if not chosen or len(next(iter(chosen.values()))) < 2:
        return _too_few(["fewer than two usable steps a sitting"] if short > 1 else [])
    parts: dict[str, Callable[[Still], FloatArray]] = {}
    common = np.zeros(0)
    for obstruction, own in chosen.items():
        ends = [np.sort(curve.x[:, 0, 0]) for curve in own]
        speeds = _grid(ends, [c.values.size for c in own])
        if isinstance(speeds, str):
            return speeds
        parts[obstruction] = _reader(kind, block, (name, obstruction), own, speeds)
        common = speeds
    inputs = [ids for own in chosen.values() for curve in own for ids in curve.inputs()]
    sittings = [int(curve.sittings[0]) for curve in next(iter(chosen.values()))]
    return _assembled(kind, curves, place, sittings, common, inputs, parts)


def _held_by_all(
    by_channel: dict[str, dict[int, QuantityCurves]],
) -> dict[str, list[QuantityCurves]]:
    """Keep the obstructions that every sitting read; without one, that read most often."""
    everyone = list(dict.fromkeys(key for curves in by_channel.values() for key in curves))
    kept = {name: c for name, c in by_channel.items() if all(key in c for key in everyone)}
    if not kept and by_channel:
        most = max(by_channel, key=lambda name: len(by_channel[name]))
        kept = {most: by_channel[most]}
    order = [key for key in everyone if all(key in curves for curves in kept.values())]
    return {name: [curves[key] for key in order] for name, curves in kept.items()}


def _reader(
    kind: SpreadKind,
    block: Block,
    channel: tuple[str, str],
    curves: list[QuantityCurves],
    speeds: FloatArray,
) -> Callable[[Still], FloatArray]:
    at = speeds[:, None, None]
    nowhere = np.zeros(at.shape, dtype=np.bool_)
    points = Points(at, nowhere, nowhere)

    def read(x: Still) -> FloatArray:
        values = [quantity_values(x, block, curve, channel, points).at[:, 0] for curve in curves]
        if kind == "airflow":
            values = [np.log(np.maximum(each, 1e-12)) for each in values]
        return np.stack([_wide(each, x) for each in values])

    return read


# Speed at a given drive ------------------------------------------------------------------------


def _speed_offsets(curves: Curves, place: int) -> Offsets | str:
    layout, ledger = curves
    if SPEED not in layout.sittings.channels:
        return _too_few([])
    read = layout.sittings.has(SPEED)
    sittings = [s for unit in layout.units[place] for s in unit.sittings if read[s]]
    swept = {
        kind: sum(bool(np.isfinite(layout.sittings[s].drives[kind]).any()) for s in sittings)
        for kind in ("drive_voltage", "drive_duty")
    }
    drive: Literal["drive_voltage", "drive_duty"] = (
        "drive_voltage" if swept["drive_voltage"] >= swept["drive_duty"] else "drive_duty"
    )
    knots = layout.drive_knots[drive]
    found: list[tuple[int, Parallel, FloatArray]] = []
    for s in sittings:
        if knots.counts[s]:
            cells = layout.parallel(ledger, SPEED, knots, np.array([s]))
            x = layout.sittings.drives[drive][cells.cells][..., None]
            found.append((s, cells, cells.merged(x)[:, 0]))
    if len(found) < 2:
        return _too_few([])
    drives = found[0][2][:, 0]
    for _, _, other in found[1:]:
        drives = np.intersect1d(drives, other[:, 0])
    if drives.size == 0:
        low, high = max(x[0, 0] for _, _, x in found), min(x[-1, 0] for _, _, x in found)
        if not high > low:
            return "the samples share no drive"
        drives = np.linspace(low, high, min(x.shape[0] for _, _, x in found))

    def speeds(x: Still) -> FloatArray:
        rows = []
        for _, cells, at in found:
            y = abscissa(x, cells.inputs, at, cells)[:, 0]
            if cells.size > 1:
                y = monotone_values(at, y, drives[:, None]).at
            rows.append(_wide(np.log(y), x))
        return np.stack(rows)

    inputs = [cells.inputs for _, cells, _ in found]
    return _assembled(
        "speed", curves, place, [s for s, _, _ in found], drives, inputs, {"": speeds}
    )
