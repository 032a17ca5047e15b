"""Readings perturbed by every source: which label each error is drawn under, and how large it is.

A label is rig, instrument, level of sharing and name of the source, then as much of the reading
as the level of sharing says: nothing (``shared``), the session, the sitting, the model and
quantity, or all of these and the step. Two readings share an error exactly when their labels are
equal, and labels never hold a source's size. A carried instrument is one on every rig: the errors
that go with it have no rig in their label.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from fanstats._typing import FloatArray, IntArray
from fanstats.sources import EVERY_RIG, Source, UnitSpread

if TYPE_CHECKING:
    from collections.abc import Sequence

    from fanstats.estimates.draws import Draws, Label
    from fanstats.estimates.request import SpreadKind
    from fanstats.estimates.sittings import Cells, Channel, Sitting
    from fanstats.sources import Bench, Instrument

__all__ = [
    "Errors",
    "cancels_as_read",
    "luck_draws",
    "reading_errors",
    "reading_errors_of",
    "reading_uncertainty",
    "room_error",
    "room_errors",
    "spread_draws",
]

# A correlation of exactly 1 has no Fisher's z.
_NEARLY_ONE: Final = 1.0 - 1e-9


class Errors(NamedTuple):
    """Errors of one channel of one sitting.

    Attributes
    ----------
    reading : ndarray, shape (cell, sitting, draw) or (cell, draw)
        What the reading is off by, in its own unit.
    fan : ndarray, same shape, or with one cell
        For noise: what the level of the fan alone is off by (mounting, microphone position).
    """

    reading: FloatArray
    fan: FloatArray


def _instrument_of(quantity: str) -> str:
    return "noise" if quantity == "noise_obstructed" else quantity


def _name(source: Source, place: int) -> str:
    return source.name if source.name is not None else str(place + 1)


def _scaled(draws: Draws, source: Source, base: Label, label: Label) -> FloatArray:
    """Give the standardised error, times the one draw of how wrong its estimated size may be."""
    error = draws.standard(label, source.shape)
    if math.isinf(source.dof) and not source.removed_variance:
        return error
    scale: FloatArray | float = 1.0 if math.isinf(source.dof) else draws.scale(base, source.dof)
    if source.removed_variance:
        # A mean square that holds more than this error: drawn first, the rest taken off after.
        rest = source.removed_variance / (source.absolute + source.relative) ** 2
        scale = np.sqrt(np.maximum(0.0, np.square(scale) - rest))
    return error * scale


def _shared_part(base: Label, sitting: Sitting, channel: Channel) -> Label:
    """Give what of a reading an error is told apart by; `base` ends in level and name."""
    level = base[2]
    if level == "session":
        # A session that nobody recorded is a sitting, and so belongs to one rig.
        apart = base[0] == EVERY_RIG and not sitting.session
        return (*sitting.session_label, sitting.rig) if apart else sitting.session_label
    if level == "sitting":
        return sitting.own_label
    if level == "model":
        return (sitting.model, *channel)
    return ()


def reading_errors(
    draws: Draws,
    bench: Bench,
    sitting: Sitting,
    channel: Channel,
    index: IntArray,
    *,
    omit_shared: bool = False,
) -> Errors:
    """Draw the errors of one channel's cells in one sitting.

    Parameters
    ----------
    draws : Draws
        Where draws come from.
    bench : Bench
        What is stated about the instruments.
    sitting : Sitting
        The sitting.
    channel : tuple of str
        Quantity and obstruction.
    index : ndarray of int, shape (cell,)
        Which of the sitting's cells.
    omit_shared : bool
        Leave the instrument's shared errors out: the target is held as read on this meter.

    Returns
    -------
    Errors
        Without the axis of sittings.
    """
    errors = reading_errors_of(draws, bench, [sitting], channel, [index], omit_shared=omit_shared)
    return Errors(errors.reading[:, 0], errors.fan[:, 0])


def reading_errors_of(
    draws: Draws,
    bench: Bench,
    sittings: Sequence[Sitting],
    channel: Channel,
    indices: Sequence[IntArray],
    *,
    omit_shared: bool = False,
) -> Errors:
    """Draw the errors of one channel's cells in several sittings of one rig.

    Parameters
    ----------
    draws : Draws
        Where draws come from.
    bench : Bench
        What is stated about the instruments.
    sittings : sequence of Sitting
        The sittings, all of one rig.
    channel : tuple of str
        Quantity and obstruction.
    indices : sequence of ndarray of int
        Which cells of each sitting; equally many of each.
    omit_shared : bool
        Leave the instrument's shared errors out.

    Returns
    -------
    Errors
        Arrays of shape (cell, sitting, draw); `fan` may have one cell.
    """
    quantity = _instrument_of(channel[0])
    cells = [sitting.channels[channel] for sitting in sittings]
    values = np.stack([c.values[i] for c, i in zip(cells, indices, strict=True)], axis=1)
    units = sittings[0].units[channel[0]]
    reading = np.zeros((*values.shape, draws.size))
    fan = np.zeros((1, values.shape[1], draws.size))
    if draws.still:
        return Errors(reading, fan)
    rig = sittings[0].rig
    instrument = bench.on(rig).instrument(quantity)
    own = _own_uncertainty(cells, indices)
    repeats = np.stack([c.repeats[i] for c, i in zip(cells, indices, strict=True)], axis=1)
    for level, place, source in instrument or ():
        if source.is_zero or not source.acts_at(rig, channel[1]):
            continue
        if omit_shared and cancels_as_read(instrument, level, source):
            continue
        base = (*bench.owner(quantity, rig, level), level, _name(source, place))
        size = source.standard_uncertainty(values, units)
        on_fan = _acts_on_fan(quantity, level, source)
        if level == "reading":
            here = np.where(np.isfinite(own), 0.0, _per_cell(source, size, repeats))
            for column, (sitting, index) in enumerate(zip(sittings, indices, strict=True)):
                error = _cell_errors(draws, source, base, sitting, channel, index, here[:, column])
                if on_fan:
                    fan = fan + np.zeros_like(reading)
                (fan if on_fan else reading)[:, column] += error
            continue
        error = _common_errors(draws, source, base, level, sittings, channel, size)
        if on_fan:
            fan = fan + error
        else:
            reading += error
    for column, of_cells in enumerate(cells):
        if not of_cells.states_own:
            continue
        label = (*bench.owner(quantity, rig, "reading"), "reading", "cell")
        reading[:, column] += _own_errors(
            draws, label, sittings[column], channel, indices[column], own[:, column]
        )
    return Errors(reading, fan)


def _common_errors(
    draws: Draws,
    source: Source,
    base: Label,
    level: str,
    sittings: Sequence[Sitting],
    channel: Channel,
    size: FloatArray,
) -> FloatArray:
    """Draw an error that the cells of a sitting have in common, times each cell's size."""
    if level == "shared":
        error = _scaled(draws, source, base, base)[None, :]
    else:
        labels = [(*base, *_shared_part(base, sitting, channel)) for sitting in sittings]
        error = np.stack([_scaled(draws, source, base, label) for label in labels])
    if source.relative == 0:
        size = size[:1]  # one size for all cells
    return np.asarray(size[:, :, None] * error)


def _acts_on_fan(quantity: str, level: str, source: Source) -> bool:
    if quantity != "noise":
        return False
    if source.acts_on is not None:
        return source.acts_on == "fan"
    return level in ("sitting", "model")


def _per_cell(source: Source, size: FloatArray, repeats: IntArray) -> FloatArray:
    """Shrink scatter with the root of the repeats; a display's half width does not shrink."""
    if source.kind != "standard":
        return size
    return np.asarray(size / np.sqrt(np.maximum(repeats, 1)))


def _cell_label(base: Label, sitting: Sitting, channel: Channel, cell: int) -> Label:
    return (*base, *sitting.own_label, *channel, sitting.steps[cell])


def _cell_errors(
    draws: Draws,
    source: Source,
    base: Label,
    sitting: Sitting,
    channel: Channel,
    index: IntArray,
    size: FloatArray,
) -> FloatArray:
    errors = np.empty((index.size, draws.size))
    for row, cell in enumerate(index.tolist()):
        if size[row] > 0:
            label = _cell_label(base, sitting, channel, cell)
            np.multiply(_scaled(draws, source, base, label), size[row], out=errors[row])
        else:
            errors[row] = 0.0
    return errors


def _own_uncertainty(cells: Sequence[Cells], indices: Sequence[IntArray]) -> FloatArray:
    """Give what cells state of themselves, shape (cell, sitting); NaN where they state nothing."""
    pairs = list(zip(cells, indices, strict=True))
    if not any(c.states_own for c in cells):
        return np.full((indices[0].size, len(cells)), np.nan)
    standard = np.stack([c.own_standard[i] for c, i in pairs], axis=1)
    half_width = np.stack([c.own_half_width[i] for c, i in pairs], axis=1)
    return np.where(np.isfinite(standard), standard, half_width / np.sqrt(3.0))


def _own_errors(
    draws: Draws,
    base: Label,
    sitting: Sitting,
    channel: Channel,
    index: IntArray,
    own: FloatArray,
) -> FloatArray:
    errors = np.zeros((index.size, draws.size))
    cells = sitting.channels[channel]
    for row, cell in enumerate(index):
        if np.isfinite(own[row]):
            normal = np.isfinite(cells.own_standard[cell])
            label = _cell_label(base, sitting, channel, int(cell))
            errors[row] = own[row] * draws.standard(label, "normal" if normal else "rectangular")
    return errors


def reading_uncertainty(
    bench: Bench, sitting: Sitting, channel: Channel, index: IntArray
) -> FloatArray:
    """Give the standard uncertainty of each cell from errors of its own reading alone.

    Parameters
    ----------
    bench : Bench
        What is stated about the instruments.
    sitting : Sitting
        The sitting.
    channel : tuple of str
        Quantity and obstruction.
    index : ndarray of int, shape (cell,)
        Which of the sitting's cells.

    Returns
    -------
    ndarray, shape (cell,)
        In the channel's unit.
    """
    instrument = bench.on(sitting.rig).instrument(_instrument_of(channel[0]))
    cells = sitting.channels[channel]
    values, units = cells.values[index], sitting.units[channel[0]]
    variance = np.zeros(index.size)
    for source in instrument.at("reading") if instrument is not None else ():
        if not source.acts_at(sitting.rig, channel[1]):
            continue
        size = source.standard_uncertainty(values, units)
        variance += _per_cell(source, size, cells.repeats[index]) ** 2
    own = _own_uncertainty([cells], [index])[:, 0]
    return np.asarray(np.where(np.isfinite(own), own, np.sqrt(variance)))


def room_error(
    draws: Draws, bench: Bench, sitting: Sitting, *, omit_shared: bool = False
) -> FloatArray:
    """Draw the error of the room's level in one sitting.

    Without a table of its own the background is read with the noise instrument: the instrument's
    ``shared`` and ``session`` draws are then the very draws that hit its noise readings, and
    errors of the fan's level (``sitting``, ``model``) do not touch the room.

    Parameters
    ----------
    draws : Draws
        Where draws come from.
    bench : Bench
        What is stated about the instruments.
    sitting : Sitting
        The sitting.
    omit_shared : bool
        Leave the noise instrument's shared errors out.

    Returns
    -------
    ndarray, shape (draw,)
        dB.
    """
    error = np.zeros(draws.size)
    if draws.still:
        return error
    here = bench.on(sitting.rig)
    instrument: Instrument | None = here.instrument("background")
    same_meter = here.instrument_name("background") == here.instrument_name("noise")
    value, units = np.array([sitting.background]), sitting.units["background"]
    for level, place, source in instrument or ():
        if source.is_zero or not source.acts_at(sitting.rig):
            continue
        if same_meter and _skips_room(instrument, level, source, omit_shared):
            continue
        base = (*bench.owner("background", sitting.rig, level), level, _name(source, place))
        if level == "reading":
            label = (*base, "background", "", *sitting.background_reading)
        else:
            label = (*base, *_shared_part(base, sitting, ("background", "")))
        size = float(source.standard_uncertainty(value, units)[0])
        error = error + size * _scaled(draws, source, base, label)
    return error


def room_errors(
    draws: Draws, bench: Bench, sittings: Sequence[Sitting], *, omit_shared: bool = False
) -> FloatArray:
    """Draw the error of the room's level in several sittings.

    Parameters
    ----------
    draws, bench, omit_shared
        As in `room_error`.
    sittings : sequence of Sitting
        The sittings.

    Returns
    -------
    ndarray, shape (sitting, draw)
        dB.
    """
    found: dict[tuple[object, ...], FloatArray] = {}
    keys = [_room_of(bench, sitting) for sitting in sittings]
    for key, sitting in zip(keys, sittings, strict=True):
        if key not in found:
            found[key] = room_error(draws, bench, sitting, omit_shared=omit_shared)
    return np.stack([found[key] for key in keys])


def _room_of(bench: Bench, sitting: Sitting) -> tuple[object, ...]:
    """Say what sittings have in common whose room is read with one error."""
    instrument = bench.on(sitting.rig).instrument("background")
    apart = instrument is not None and (instrument.at("sitting") or instrument.at("model"))
    own = sitting.own_label if apart else ()
    reading = (sitting.background, sitting.background_reading)
    return (sitting.rig, sitting.session_label, own, reading)


def cancels_as_read(instrument: Instrument | None, level: str, source: Source) -> bool:
    """Say whether holding a level as read on the meter takes an error out.

    What a carried instrument has on some rigs only, a bridge between two, does not cancel.

    Parameters
    ----------
    instrument : Instrument or None
        The noise instrument.
    level : str
        Level of sharing of the error.
    source : Source
        The error.

    Returns
    -------
    bool
    """
    of_some_rigs = instrument is not None and instrument.carried and bool(source.rigs)
    return level == "shared" and not of_some_rigs


def _skips_room(
    instrument: Instrument | None, level: str, source: Source, omit_shared: bool
) -> bool:
    if omit_shared and cancels_as_read(instrument, level, source):
        return True
    return source.acts_on == "fan" or level in ("sitting", "model")


def luck_draws(
    draws: Draws, spread: UnitSpread, kind: SpreadKind, label: Label
) -> FloatArray | None:
    """Draw the luck of one unit in one kind, airflow in step with noise as far as they go together.

    Parameters
    ----------
    draws : Draws
        Where draws come from.
    spread : UnitSpread
        Stated or estimated.
    kind : {"noise", "airflow", "speed", "temperature"}
        Which spread.
    label : tuple of str
        The unit, as in `spread_draws`.

    Returns
    -------
    ndarray, shape (draw,), or None
        None where the spread is unknown or zero.

    Notes
    -----
    A correlation that was estimated is drawn once for all units, by Fisher's z.
    """
    own, noise = spread.of(kind), spread.noise
    if own is None or (own.is_zero and not own.removed_variance):
        return None
    known = spread.correlation != 0 or math.isfinite(spread.correlation_dof)
    if kind != "airflow" or not known or not isinstance(noise, Source):
        return spread_draws(draws, own, kind, label)
    share: FloatArray | float = spread.correlation
    if math.isfinite(spread.correlation_dof):
        z = np.arctanh(np.clip(spread.correlation, -_NEARLY_ONE, _NEARLY_ONE))
        error = draws.standard(("spread", "correlation"), "normal")
        share = np.tanh(z + error / np.sqrt(spread.correlation_dof - 2.0))
    with_noise = draws.standard(("spread", "noise", *label), noise.shape)
    return spread_draws(draws, own, kind, label, in_step=(share, with_noise))


def spread_draws(
    draws: Draws,
    spread: Source,
    kind: str,
    label: Label,
    *,
    in_step: tuple[FloatArray | float, FloatArray] | None = None,
) -> FloatArray:
    """Draw the luck of one unit: how it differs from its model's typical unit.

    An estimated spread enters as one draw of its mean square, shared by all units and models,
    from which the measurement's share is taken *after* drawing.

    Parameters
    ----------
    draws : Draws
        Where draws come from.
    spread : Source
        Stated or estimated unit-to-unit spread.
    kind : {"noise", "airflow", "speed", "temperature"}
        Which spread.
    label : tuple of str
        The unit: ("unit", model, unit) or ("next unit", model).
    in_step : tuple, optional
        A correlation, and the standardised draws that this luck goes in step with.

    Returns
    -------
    ndarray, shape (draw,)
        dB for noise, K for temperature, relative for speed and airflow.
    """
    base = ("spread", kind)
    size: FloatArray | float = spread.absolute + spread.relative
    if math.isfinite(spread.dof):
        mean_square = size**2 * draws.scale(base, spread.dof) ** 2
        size = np.sqrt(np.maximum(0.0, mean_square - spread.removed_variance))
    elif spread.removed_variance:
        size = float(np.sqrt(max(0.0, size**2 - spread.removed_variance)))
    luck = draws.standard((*base, *label), spread.shape)
    if in_step is not None:
        share, other = in_step
        luck = share * other + np.sqrt(1.0 - np.square(share)) * luck
    return np.asarray(size * luck)
