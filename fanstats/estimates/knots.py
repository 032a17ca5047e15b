"""Which steps carry a curve: chosen once, at the readings as read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from fanstats._typing import BoolArray, FloatArray, IntArray
from fanstats.estimates.curves import rising
from fanstats.estimates.perturbation import reading_errors_of, reading_uncertainty

if TYPE_CHECKING:
    from collections.abc import Sequence

    from fanstats.estimates.draws import Draws
    from fanstats.estimates.sittings import Channel, Sitting
    from fanstats.sources import Bench

__all__ = [
    "ABOVE_ROOM",
    "Abscissa",
    "Knots",
    "abscissa_of",
    "choose_knots",
    "merged",
    "usable_cells",
]

# "relative": one step a sitting and no speed; the curve is a point, and fan laws carry it on.
Abscissa = Literal["speed", "relative", "drive_voltage", "drive_duty"]
Mean = Literal["arithmetic", "energy"]

# Policy: a step closer to the room than this carries no usable level.
ABOVE_ROOM: Final = 1.0
# Policy: neighbours closer than this many standard uncertainties of their distance are one knot.
_APART: Final = 4.0
_LN10_OVER_10: Final = float(np.log(10.0) / 10.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Knots:
    """The cells of one sitting that carry one channel's curve.

    Attributes
    ----------
    index : ndarray of int, shape (cell,)
        Cells used, in rising order of the abscissa.
    group : ndarray of int, shape (cell,)
        Knot that each cell belongs to; equal numbers are merged.
    count : int
        Number of knots.
    dropped : tuple of str
        Steps that carry nothing, with the reason.
    """

    index: IntArray
    group: IntArray
    count: int
    dropped: tuple[str, ...] = ()

    def part(self, knots: slice) -> Knots:
        """Keep some of the knots."""
        if knots.stop - knots.start == self.count:
            return self
        kept = (self.group >= knots.start) & (self.group < knots.stop)
        return Knots(
            index=self.index[kept],
            group=self.group[kept] - knots.start,
            count=knots.stop - knots.start,
        )


def abscissa_of(sittings: list[Sitting]) -> Abscissa | None:
    """Say what the curves of one model run over: speed where every curve has it, else drive.

    Parameters
    ----------
    sittings : list of Sitting
        All sittings of the model.

    Returns
    -------
    {"speed", "relative", "drive_voltage", "drive_duty"} or None
        None where the readings hold neither for all of them. "relative" where every sitting is
        one dialled-in step without a speed.
    """
    if all(_usable(sitting, "speed").sum() >= 1 for sitting in sittings):
        return "speed"
    if all(len(sitting.steps) == 1 and _usable(sitting, "relative").any() for sitting in sittings):
        return "relative"
    kinds: tuple[Abscissa, Abscissa] = ("drive_voltage", "drive_duty")
    for kind in kinds:
        if all(np.isfinite(sitting.drive(kind)).any() for sitting in sittings):
            return kind
    return None


def _usable(sitting: Sitting, abscissa: Abscissa) -> BoolArray:
    """Cells with a running fan: a stalled step is never part of a curve."""
    speed = sitting.channels.get(("speed", ""))
    if abscissa == "speed":
        if speed is None:
            return np.zeros(len(sitting.steps), dtype=np.bool_)
        return np.asarray(speed.values > 0)
    if abscissa == "relative":
        usable: BoolArray = np.ones(len(sitting.steps), dtype=np.bool_)
    else:
        usable = np.isfinite(sitting.drive(abscissa))
    return np.asarray(usable & ~(speed.values <= 0) if speed is not None else usable)


def abscissa_values(sitting: Sitting, abscissa: Abscissa, index: IntArray) -> FloatArray:
    """Give the abscissa of some cells as read.

    Parameters
    ----------
    sitting : Sitting
        The sitting.
    abscissa : {"speed", "relative", "drive_voltage", "drive_duty"}
        What the curve runs over.
    index : ndarray of int, shape (cell,)
        Which cells.

    Returns
    -------
    ndarray, shape (cell,)
    """
    if abscissa == "speed":
        return sitting.channels["speed", ""].values[index]
    if abscissa == "relative":
        return np.ones(index.size)
    return sitting.drive(abscissa)[index]


def usable_cells(
    sitting: Sitting, channel: Channel, abscissa: Abscissa, *, also: Channel | None = None
) -> BoolArray:
    """Find the cells that hold a reading at a running fan.

    Parameters
    ----------
    sitting : Sitting
        The sitting.
    channel : tuple of str
        What is read.
    abscissa : {"speed", "relative", "drive_voltage", "drive_duty"}
        What the curve runs over.
    also : tuple of str, optional
        A second channel the cell must hold, such as the ambient.

    Returns
    -------
    ndarray of bool, shape (cell,)
    """
    here = _usable(sitting, abscissa) & np.isfinite(sitting.channels[channel].values)
    if also is not None:
        held = sitting.channels.get(also)
        here &= np.isfinite(held.values) if held is not None else False
    return here


def choose_knots(
    bench: Bench,
    sitting: Sitting,
    channel: Channel,
    abscissa: Abscissa,
    *,
    above: float = np.nan,
    also: Channel | None = None,
) -> Knots:
    """Choose the cells that carry a curve, at the readings as read.

    Parameters
    ----------
    bench : Bench
        For how far apart readings of speed must lie.
    sitting : Sitting
        The sitting.
    channel : tuple of str
        What is read.
    abscissa : {"speed", "relative", "drive_voltage", "drive_duty"}
        What the curve runs over.
    above : float
        For noise: room level that a step must clear by 1 dB, NaN where unknown.
    also : tuple of str, optional
        A second channel the cell must hold, such as the ambient.

    Returns
    -------
    Knots
    """
    values = sitting.channels[channel].values
    here = usable_cells(sitting, channel, abscissa, also=also)
    audible = ~(values < above + ABOVE_ROOM)
    notes = [
        f"{sitting.place}, {sitting.steps[cell]}: {values[cell]:.1f} dB is less than "
        f"{ABOVE_ROOM:g} dB above the room ({above:.1f} dB), no usable level"
        for cell in np.flatnonzero(here & ~audible)
    ]
    index = np.flatnonzero(here & audible)
    if index.size == 0:
        return Knots(index=index, group=index, count=0, dropped=tuple(notes))
    x = abscissa_values(sitting, abscissa, index)
    order = np.lexsort((values[index], x))
    index, x = index[order], x[order]
    if abscissa == "speed":
        u = reading_uncertainty(bench, sitting, ("speed", ""), index)
    else:
        u = np.zeros(index.size)
    group = _groups(x, u)
    for knot in np.flatnonzero(np.bincount(group) > 1):
        steps = ", ".join(sitting.steps[cell] for cell in index[group == knot])
        notes.append(f"{sitting.place}: steps {steps} lie too close in speed and are one knot")
    return Knots(index=index, group=group, count=int(group[-1]) + 1, dropped=tuple(notes))


def _groups(x: FloatArray, u: FloatArray) -> IntArray:
    near = _APART * np.hypot(u[:-1], u[1:])
    if (np.diff(x) > near).all():
        return np.arange(x.size, dtype=np.intp)
    group = np.zeros(x.size, dtype=np.intp)
    start = 0
    for cell in range(1, x.size):
        centre = x[start:cell].mean()
        apart = x[cell] - centre > near[cell - 1]
        group[cell] = group[cell - 1] + apart
        if apart:
            start = cell
    return group


def merged(knots: Knots, values: FloatArray, mean: Mean = "arithmetic") -> FloatArray:
    """Average the cells of each knot.

    Parameters
    ----------
    knots : Knots
        Which cells belong together.
    values : ndarray, shape (cell, ...)
        Values of the cells in `knots.index`.
    mean : {"arithmetic", "energy"}
        By energy for levels.

    Returns
    -------
    ndarray, shape (knot, ...)
        `values` itself where nothing is merged.
    """
    if knots.count == knots.index.size:
        return values
    starts = np.flatnonzero(np.diff(knots.group, prepend=-1))
    share = np.bincount(knots.group).reshape((-1,) + (1,) * (values.ndim - 1))
    if mean == "energy":
        power = np.add.reduceat(np.exp(values * _LN10_OVER_10), starts, axis=0) / share
        return np.asarray(np.log(power) / _LN10_OVER_10)
    return np.asarray(np.add.reduceat(values, starts, axis=0) / share)


def abscissa_draws(
    draws: Draws, bench: Bench, sitting: Sitting, abscissa: Abscissa, knots: Knots
) -> FloatArray:
    """Perturb the abscissa of one sitting's knots; a drive is taken as set.

    Parameters
    ----------
    draws : Draws
        Where draws come from.
    bench : Bench
        What is stated about the instruments.
    sitting : Sitting
        The sitting.
    abscissa : {"speed", "relative", "drive_voltage", "drive_duty"}
        What the curve runs over.
    knots : Knots
        Which cells.

    Returns
    -------
    ndarray, shape (knot, draw) or (knot, 1)
    """
    return abscissa_draws_of(draws, bench, [sitting], abscissa, [knots])[:, 0]


def abscissa_draws_of(
    draws: Draws,
    bench: Bench,
    sittings: Sequence[Sitting],
    abscissa: Abscissa,
    knots: Sequence[Knots],
) -> FloatArray:
    """Perturb the abscissa of the knots of several sittings.

    Parameters
    ----------
    draws, bench, abscissa
        As in `abscissa_draws`.
    sittings : sequence of Sitting
        The sittings, all of one rig.
    knots : sequence of Knots
        Which cells of each; merged alike.

    Returns
    -------
    ndarray, shape (knot, sitting, draw) or (knot, sitting, 1)
    """
    # Airflow behind every obstruction is read at the same cells: one array serves them all.
    cells = tuple((k.index.tobytes(), k.group.tobytes()) for k in knots)
    key = ("abscissa", abscissa, cells, tuple(id(sitting) for sitting in sittings))
    return draws.in_full(key, lambda whole: _perturbed(whole, bench, sittings, abscissa, knots))


def _perturbed(
    draws: Draws,
    bench: Bench,
    sittings: Sequence[Sitting],
    abscissa: Abscissa,
    knots: Sequence[Knots],
) -> FloatArray:
    indices = [k.index for k in knots]
    columns = [
        abscissa_values(sitting, abscissa, index)
        for sitting, index in zip(sittings, indices, strict=True)
    ]
    values = np.stack(columns, axis=1)[:, :, None]
    if abscissa == "speed":
        errors = reading_errors_of(draws, bench, sittings, ("speed", ""), indices)
        # A speed stays above 0 whatever its error; half the reading is far outside any bench.
        values = np.maximum(values + errors.reading, 0.5 * values)
    return rising(merged(knots[0], values))
