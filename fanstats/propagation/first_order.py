"""The first-order road of JCGM 100: sensitivities of every result to every labelled error."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
import xarray as xr

from fanstats._typing import FloatArray
from fanstats.estimates.case import room_record
from fanstats.estimates.draws import Recorder
from fanstats.estimates.filling import SCOPES, Filling, Table, read_points
from fanstats.estimates.matching import Asked, outputs_of, units_of
from fanstats.estimates.notes import (
    assumptions,
    has_sweeps,
    measured,
    not_considered,
    spread_record,
)
from fanstats.estimates.operating import signature
from fanstats.propagation.components import belonging_of
from fanstats.propagation.linear import Linear, Touch, effects_of
from fanstats.propagation.question import ask
from fanstats.quantities import QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from fanstats.estimates.curves import CurveKind
    from fanstats.estimates.draws import Draws, Label
    from fanstats.estimates.layout import ModelLayout
    from fanstats.estimates.request import Request
    from fanstats.estimates.sittings import Channel
    from fanstats.estimates.target import Background, Target
    from fanstats.sources import Bench, Source

__all__ = ["KIND", "Effects", "effects_on", "first_order", "removed_share"]

KIND: Final = "first order"
# What is read for a quantity that has another name.
_READ_FOR: Final = {"temperature_rise": "temperature"}
# Alike models linearised in one array.
_TOGETHER: Final = 16
_ASSUMED: Final = "errors act in proportion to their size (first order)"
_VARIABLES: Final[Mapping[str, str]] = {
    "_value": "{title} at the readings as read",
    "_standard_uncertainty": "combined standard uncertainty of {title}",
    "_dof": "effective degrees of freedom of {title}",
    "_status": "why {title} is missing",
    "_effect": "sensitivity times standard uncertainty in {title}",
}


def first_order(
    readings: xr.Dataset,
    level: float | None = None,
    *,
    bench: Bench,
    drive: float | None = None,
    speed: float | None = None,
    drive_units: Literal["V", "%"] | None = None,
    background: Background = "included",
    target: Target = "as read",
    curve: CurveKind = "smooth",
    room: str | float | None = None,
    noise_obstruction: str | None = None,
    fans: Mapping[str, int] | None = None,
    slope: float | tuple[float, float] | None = None,
    pooled: Mapping[str, Any] | str | None = None,
) -> xr.Dataset:
    """Read every model off at one noise level, drive or speed, with its uncertainty to first order.

    The question is that of `equal_noise`, `equal_drive` or `equal_speed`, and so are the functions
    that answer it; only that each labelled error is moved by itself instead of all of them by
    chance.

    Parameters
    ----------
    readings : xarray.Dataset
        From `read_readings`.
    level, drive, speed : float, optional
        What is held equal: exactly one of them.
    bench : Bench
        What is stated about the instruments and the unit-to-unit spread.
    drive_units : {"V", "%"}, optional
        Which drive is meant; needed only where the readings hold both.
    background, target, curve, room, noise_obstruction, fans, slope, pooled
        As in `equal_noise`; `target`, `noise_obstruction` and `fans` are for a noise level.

    Returns
    -------
    xarray.Dataset
        For every quantity ``<name>_value``, ``_standard_uncertainty``, ``_dof`` (effective),
        ``_status`` over scope, model and obstruction (where it applies), and ``_effect`` over
        these and `place`: sensitivity times standard uncertainty of each error. Row ``place`` of a
        model is the error ``label_of[model, place]``, an index along `label`, -1 where unused:
        an error that two models share has one label, and that is how they are correlated. Labels
        are JSON text, with the coordinates ``shape`` of the error and ``label_dof``. Size grows
        with the number of models, not its square.

    Raises
    ------
    FanstatsError
        As `equal_noise`, `equal_drive` and `equal_speed`, and if not exactly one is held.

    Notes
    -----
    First order knows no tails and no curvature: a target close to the room or to the end of a
    sweep needs `equal_noise`, and `compare_roads` says where the two part. Nothing is dropped for
    having too many draws beyond the readings, for there are none.

    References
    ----------
    JCGM 100:2008, 5.1.2 (law of propagation) and G.4.1 (effective degrees of freedom).

    Examples
    --------
    >>> import fanstats as fs
    >>> found = first_order(fs.demo.readings(), 33, bench=fs.demo.bench())
    >>> u = found.airflow_standard_uncertainty.sel(scope="model", obstruction="open")
    >>> f"{float(u.sel(model='Ombrel Sill')):.3f} m/s"
    '0.066 m/s'
    >>> at_seven = first_order(fs.demo.readings(), drive=7, bench=fs.demo.bench())
    >>> "noise_standard_uncertainty" in at_seven
    True
    """
    asked = ask(
        readings,
        bench,
        level=level,
        drive=drive,
        speed=speed,
        drive_units=drive_units,
        background=background,
        target=target,
        curve=curve,
        room=room,
        noise_obstruction=noise_obstruction,
        fans=fans,
        slope=slope,
        pooled=pooled,
    )
    return _labelled(asked, effects_on(asked, range(len(asked.layouts))))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Effects:
    """Values of some models and what every error does to them.

    Attributes
    ----------
    layouts : tuple of ModelLayout
        The models.
    outputs : dict
        Obstructions by quantity.
    tables : dict
        Values and statuses by quantity.
    reasons : tuple of str
        Why a model has no estimate at all, "" where it has one.
    channels : tuple of (str, str)
        Quantities and obstructions that the effects run over.
    linear : tuple of Linear
        A model each: values of shape (channel, scope), effects of shape (channel, scope, label).
    """

    layouts: tuple[ModelLayout, ...]
    outputs: dict[str, list[str]]
    tables: dict[str, Table]
    reasons: tuple[str, ...]
    channels: tuple[Channel, ...]
    linear: tuple[Linear, ...]


def effects_on(asked: Asked, models: Sequence[int]) -> Effects:
    """Read some models off and move every error that touches them.

    Parameters
    ----------
    asked : Asked
        The question.
    models : sequence of int
        Places of the models, each once: their errors are told apart by the names of models.

    Returns
    -------
    Effects
    """
    request, layouts = asked.request, [asked.layouts[place] for place in models]
    outputs = outputs_of(request, asked.case)
    tables = {name: Table(len(layouts), len(places), 1) for name, places in outputs.items()}
    filling = Filling(request, layouts, outputs, tables)
    alike: dict[tuple[object, ...], list[int]] = {}
    for row, layout in enumerate(layouts):
        alike.setdefault(signature(request, layout), []).append(row)
    linear: dict[int, Linear] = {}
    for rows in alike.values():
        recorder = Recorder()
        filling.values(rows, recorder)
        linear |= dict(zip(rows, _linear(filling, rows, recorder), strict=True))
    return Effects(
        layouts=tuple(layouts),
        outputs=outputs,
        tables=tables,
        reasons=tuple(filling.reasons),
        channels=tuple(filling.channels),
        linear=tuple(linear[row] for row in range(len(layouts))),
    )


def _linear(filling: Filling, rows: Sequence[int], recorder: Recorder) -> list[Linear]:
    """Linearise alike models, a few at a time."""
    request, channels = filling.request, filling.channels
    layouts = [filling.layouts[row] for row in rows]
    touches = _touches(request, layouts, channels, recorder.labels)
    common = [label for label in recorder.labels if label not in touches]
    own: list[list[Label]] = [[] for _ in layouts]
    for label, touch in touches.items():
        own[touch.member].append(label)
    dof = _dof_of_sources(recorder, request.bench)
    found: list[Linear] = []
    for start in range(0, len(rows), _TOGETHER):
        block = slice(start, start + _TOGETHER)
        for row, labels, effects in zip(
            rows[block], own[block], _effects(request, layouts[block], channels, common,
                                              own[block], touches, start), strict=True,
        ):  # fmt: skip
            touched = np.flatnonzero(np.nan_to_num(effects).any(axis=(0, 1)))
            names = [*common, *labels]
            chosen = tuple(names[index] for index in touched)
            found.append(
                Linear(
                    labels=chosen,
                    shapes=tuple(recorder.labels[label] for label in chosen),
                    dof_of=dof,
                    value=_value_of(filling, row),
                    effects=effects[..., touched],
                )
            )
    return found


def _effects(
    request: Request,
    layouts: Sequence[ModelLayout],
    channels: Sequence[Channel],
    common: Sequence[Label],
    own: Sequence[Sequence[Label]],
    touches: Mapping[Label, Touch],
    start: int,
) -> list[FloatArray]:
    """Give each model's effects of the common labels and its own: (channel, scope, label)."""
    if layouts[0].abscissa is None:
        return [np.zeros((len(channels), len(SCOPES), len(common) + len(part))) for part in own]
    labels = [*common, *(label for part in own for label in part)]
    here = {
        label: Touch(touches[label].member - start, touches[label].output)
        for part in own
        for label in part
    }
    function = partial(_values, request=request, layouts=layouts, channels=channels)
    together = effects_of(function, labels, here)
    found, first = [], len(common)
    for member, part in enumerate(own):
        columns = [*range(len(common)), *range(first, first + len(part))]
        found.append(together[:, :, member, columns])
        first += len(part)
    return found


def _value_of(filling: Filling, row: int) -> FloatArray:
    values = [filling.tables[c[0]].value[:, row, filling.column(c)] for c in filling.channels]
    return np.array(values).reshape(len(filling.channels), len(SCOPES))


def _touches(
    request: Request,
    layouts: Sequence[ModelLayout],
    channels: Sequence[Channel],
    labels: Iterable[Label],
) -> dict[Label, Touch]:
    """Find labels felt by one model alone: they name it, and are no error of the room of all."""
    member = {layout.model: index for index, layout in enumerate(layouts)}
    room = Recorder()
    request.target.fan_level(room, request.bench)
    output = {
        (_READ_FOR.get(quantity, quantity), obstruction): index
        for index, (quantity, obstruction) in enumerate(channels)
        if quantity not in ("speed", "noise")
    }
    found = {}
    for label in labels:
        model, channel = ("", None) if label in room.labels else belonging_of(label)
        if model in member:
            found[label] = Touch(member[model], -1 if channel is None else output.get(channel, -1))
    return found


def _values(
    draws: Draws, request: Request, layouts: Sequence[ModelLayout], channels: Sequence[Channel]
) -> FloatArray:
    """Read every output off: shape (channel, scope, model, draw)."""
    values = np.full((len(channels), len(SCOPES), len(layouts), draws.size), np.nan)
    found = read_points(draws, request, layouts, channels)
    for row, channel in enumerate(channels):
        part = found[channel]
        if part is not None:
            values[row, : part.at.shape[0]] = part.at
    return values


def _dof_of_sources(recorder: Recorder, bench: Bench) -> dict[Label, float]:
    """Count down the degrees of freedom of a spread whose mean square holds more than the spread.

    The variance of ``MS - v`` is that of ``MS``, so relative to the smaller difference it is
    known by so much less.
    """
    return {
        source: dof * (1.0 - removed_share(source, bench)) ** 2
        for source, dof in recorder.dof.items()
    }


def removed_share(source: Label, bench: Bench) -> float:
    """Give the share of an estimated spread's mean square that is measurement.

    Parameters
    ----------
    source : tuple of str
        The front part of its labels: ("spread", kind), or (rig, instrument, level, name).
    bench : Bench
        What was stated.

    Returns
    -------
    float
        0 for any other source, and where measurement makes up all of it.
    """
    luck = len(source) == 2 and source[0] == "spread"
    stated = bench.spread.of(source[1]) if luck else _of_instrument(source, bench)
    if stated is None or not stated.removed_variance:
        return 0.0
    share = stated.removed_variance / (stated.absolute + stated.relative) ** 2
    return share if share < 1.0 else 0.0


def _of_instrument(label: Label, bench: Bench) -> Source | None:
    """Find the measured source whose labels begin so."""
    for rig, quantity, level, source in bench.stated():
        if source.removed_variance and label[2:] == (level, source.name):
            owner = bench.owner(quantity, rig or label[0], level)
            if owner == label[:2]:
                return source
    return None


# The labelled shell ----------------------------------------------------------------------------


def _labelled(asked: Asked, found: Effects) -> xr.Dataset:
    labels: dict[Label, int] = {}
    shapes: list[str] = []
    dofs: list[float] = []
    sources: list[Label] = []
    for linear in found.linear:
        for label, shape in zip(linear.labels, linear.shapes, strict=True):
            if label not in labels:
                labels[label] = len(labels)
                shapes.append(shape)
                sources.append(_source_of(label, linear.dof_of))
                dofs.append(linear.dof_of.get(sources[-1], math.inf))
    width = max((len(linear.labels) for linear in found.linear), default=0)
    label_of = np.full((len(found.linear), width), -1, dtype=np.int64)
    for row, linear in enumerate(found.linear):
        label_of[row, : len(linear.labels)] = [labels[label] for label in linear.labels]
    variables: dict[str, Any] = {
        "label_of": (("model", "place"), label_of, {"long_name": "index along label"})
    }
    for name, places in found.outputs.items():
        variables.update(_variables(name, places, found, width, units_of(name, asked.case)))
    share = {source: removed_share(source, asked.request.bench) for source in set(sources)}
    coords = _coords(found) | {
        "label": np.array([_text(label) for label in labels], dtype=np.str_),
        "shape": ("label", np.array(shapes, dtype=np.str_)),
        "label_dof": ("label", np.array(dofs, dtype=np.float64)),
        "dof_source": ("label", np.array([_text(s) if s else "" for s in sources], dtype=np.str_)),
        "removed_share": ("label", np.array([share[source] for source in sources])),
    }
    return xr.Dataset(variables, coords=coords, attrs=_attrs(asked, found))


def _text(label: Label) -> str:
    return json.dumps(label, ensure_ascii=False)


def _source_of(label: Label, dof_of: Mapping[Label, float]) -> Label:
    held = [source for source in dof_of if label[: len(source)] == source]
    return max(held, key=len, default=())


def _coords(found: Effects) -> dict[str, Any]:
    coords: dict[str, Any] = {
        "scope": list(SCOPES),
        "model": [layout.model for layout in found.layouts],
        "units_tested": ("model", [len(layout.units) for layout in found.layouts]),
        "readings_behind": ("model", [layout.readings for layout in found.layouts]),
        "status": ("model", np.array(found.reasons, dtype=np.str_)),
    }
    obstructions = next((places for places in found.outputs.values() if places != [""]), None)
    return coords if obstructions is None else coords | {"obstruction": obstructions}


def _attrs(asked: Asked, found: Effects) -> dict[str, Any]:
    request, case = asked.request, asked.case
    held = dict(asked.attributes)
    u_curve = held.pop("curve_uncertainty", float("nan"))
    told = {"u": u_curve, "curves": asked.curves_told}
    common = (request, asked.layouts, case.sittings, told)
    return {
        "kind": KIND,
        "question": request.kind,
        **held,
        "background": request.target.background,
        "target": request.target.target,
        "curve": case.curve,
        "spread": json.dumps(spread_record(case.bench)),
        "assumptions": json.dumps([*assumptions(*common), _ASSUMED]),
        "measured": json.dumps(measured(*common)),
        "not_considered": json.dumps(
            not_considered(request, found.outputs, told, sweeps=has_sweeps(asked.layouts))
        ),
        "pooled": json.dumps(
            {"room": room_record(case.room), "curve": None if np.isnan(u_curve) else u_curve}
        ),
    }


def _variables(
    name: str, places: Sequence[str], found: Effects, width: int, units: str
) -> dict[str, Any]:
    table = found.tables[name]
    u, dof = np.full(table.value.shape, np.nan), np.full(table.value.shape, np.nan)
    effect = np.full((*table.value.shape, width), np.nan)
    own = [place for place, channel in enumerate(found.channels) if channel[0] == name]
    for row, linear in enumerate(found.linear):
        there = np.isfinite(table.value[:, row])
        part = np.zeros((len(SCOPES), len(places), width))
        part[..., : len(linear.labels)] = linear.effects[own].swapaxes(0, 1)
        effect[:, row][there] = part[there]
        u[:, row][there] = linear.standard_uncertainty[own].T[there]
        dof[:, row][there] = linear.dof[own].T[there]
    arrays: dict[str, Any] = {
        "_value": table.value,
        "_standard_uncertainty": u,
        "_dof": dof,
        "_status": table.status.astype(str),
        "_effect": effect,
    }
    dims: tuple[str, ...] = ("scope", "model", "obstruction")
    if list(places) == [""]:
        dims, arrays = dims[:2], {key: array[:, :, 0] for key, array in arrays.items()}
    title = QUANTITIES[name].title
    variables: dict[str, Any] = {}
    for key, array in arrays.items():
        about = {"long_name": _VARIABLES[key].format(title=title)}
        if key != "_status":
            about["units"] = "1" if key == "_dof" else units
        variables[name + key] = ((*dims, "place")[: array.ndim], array, about)
    return variables
