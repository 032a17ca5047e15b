"""Every result at one noise level, drive or speed with its uncertainty to first order."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
import xarray as xr

from fanstats.engine.answers import Table, ask, outputs_of, values_of
from fanstats.engine.first_order import Effects, effects_of
from fanstats.engine.points import SCOPES
from fanstats.face import common_attrs, held_attrs, model_coords, units_of
from fanstats.propagation.question import question_of
from fanstats.quantities import QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from fanstats._typing import FloatArray
    from fanstats.engine.curves import CurveKind
    from fanstats.engine.ledger import Ledger
    from fanstats.engine.points import Asked
    from fanstats.engine.question import Background, Target
    from fanstats.engine.sittings import Channel
    from fanstats.sources import Bench

__all__ = ["KIND", "first_order"]

KIND: Final = "first order"
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
    that answer it; only that they carry derivatives along instead of draws.

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
    question = question_of(
        readings,
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
    asked = ask(readings, bench, question)[0]
    outputs = outputs_of(question, asked.layout)
    models = range(len(asked.layout.models))
    tables, reasons = values_of(asked, outputs, models)
    channels = [(name, place) for name, places in outputs.items() for place in places]
    return _labelled(asked, outputs, tables, reasons, effects_of(asked, channels, models))


def _labelled(
    asked: Asked,
    outputs: dict[str, list[str]],
    tables: dict[str, Table],
    reasons: list[str],
    found: Effects,
) -> xr.Dataset:
    touched = _touched(found)
    labels, back = np.unique(touched.indices, return_inverse=True)
    starts = touched.indptr
    width = int(np.diff(starts).max(initial=0))
    label_of = np.full((touched.shape[0], width), -1, dtype=np.int64)
    inside = np.arange(width) < np.diff(starts)[:, np.newaxis]
    label_of[inside] = back
    variables: dict[str, Any] = {
        "label_of": (("model", "place"), label_of, {"long_name": "index along label"})
    }
    places = np.where(label_of >= 0, labels[label_of] if labels.size else 0, 0)
    for name, behind in outputs.items():
        variables.update(
            _variables(name, behind, tables[name], found, places, inside, units_of(name, asked))
        )
    coords = model_coords(asked, reasons) | _label_coords(asked.ledger, labels)
    obstructions = next((behind for behind in outputs.values() if behind != [""]), None)
    if obstructions is not None:
        coords["obstruction"] = obstructions
    attrs = common_attrs(asked, outputs)
    told = [*json.loads(attrs["assumptions"]), _ASSUMED]
    kind = {"kind": KIND, "question": asked.question.kind, **held_attrs(asked)}
    return xr.Dataset(
        variables, coords=coords, attrs={**kind, **attrs, "assumptions": json.dumps(told)}
    )


def _touched(found: Effects) -> Any:
    """Say which labels touch any result of each model, as a sparse matrix (model, label)."""
    from scipy import sparse

    shape = (len(found.models), found.asked.ledger.labels)
    whole = sparse.csr_array(shape)
    for channel, scope in found.by_unit:
        whole = whole + abs(found.of(channel, scope))
    whole.eliminate_zeros()
    whole.sort_indices()
    return whole


def _label_coords(ledger: Ledger, labels: Any) -> dict[str, Any]:
    bases = [ledger.bases[base] for base in ledger.label_base[labels]]
    dof = ledger.dof_of_labels()[labels]
    sources = [
        _text(base.label) if limited else ""
        for base, limited in zip(bases, np.isfinite(dof), strict=True)
    ]
    removed = [
        base.removed if limited and base.removed < 1.0 else 0.0
        for base, limited in zip(bases, np.isfinite(dof), strict=True)
    ]
    return {
        "label": np.array([_text(ledger.label_text(int(k))) for k in labels], dtype=np.str_),
        "shape": ("label", np.array([base.shape for base in bases], dtype=np.str_)),
        "label_dof": ("label", dof),
        "dof_source": ("label", np.array(sources, dtype=np.str_)),
        "removed_share": ("label", np.array(removed)),
    }


def _text(label: tuple[str, ...]) -> str:
    return json.dumps(label, ensure_ascii=False)


def _variables(
    name: str,
    places: Sequence[str],
    table: Table,
    found: Effects,
    labels: Any,
    inside: Any,
    units: str,
) -> dict[str, Any]:
    u, dof = np.full(table.value.shape, np.nan), np.full(table.value.shape, np.nan)
    effect = np.full((*table.value.shape, labels.shape[1]), np.nan)
    for column, place in enumerate(places):
        for scope in range(len(SCOPES)):
            there = np.isfinite(table.value[scope, :, column])
            if there.any():
                parts = _of(found, (name, place), scope, labels, inside)
                for whole, part in zip((u, dof, effect), parts, strict=True):
                    whole[scope, there, column] = part[there]
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


def _of(
    found: Effects, channel: Channel, scope: int, labels: Any, inside: Any
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Give standard uncertainty, degrees of freedom, and effects of the labels listed a model."""
    # A scope that no spread touches has the effects of the scope before it.
    held = max((k for k in range(scope + 1) if found.given(channel, k)), default=-1)
    if held < 0:
        nothing = np.zeros(labels.shape[0])
        return nothing, np.full(nothing.size, np.nan), np.where(inside, 0.0, 0.0)
    effects = found.of(channel, held)
    rows = np.broadcast_to(np.arange(labels.shape[0])[:, np.newaxis], labels.shape)
    dense = np.zeros(labels.shape)
    dense[inside] = np.asarray(effects[rows[inside], labels[inside]]).ravel()
    return found.standard_uncertainty(effects), found.dof(effects), dense
