"""The uncertainty budget of one result, or of the difference of two models."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
import pandas as pd

from fanstats._typing import FloatArray, Scope
from fanstats.engine.answers import ask, outputs_of, values_of
from fanstats.engine.first_order import dof_by_source, effects_of
from fanstats.engine.points import SCOPES
from fanstats.errors import FanstatsError, one_of
from fanstats.face import units_of
from fanstats.propagation.components import (
    Component,
    components_of,
    input_sizes,
    key_of,
    place_of,
    scope_added,
    stated_components,
)
from fanstats.propagation.question import question_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import xarray as xr

    from fanstats.engine.curves import CurveKind
    from fanstats.engine.ledger import Ledger
    from fanstats.engine.points import Asked
    from fanstats.engine.question import Background, Target
    from fanstats.sources import Bench

__all__ = ["budget"]

By = Literal["source", "group", "scope", "label"]
# The order of Table H.1 of JCGM 100:2008; what the table there does not have stands behind it.
COLUMNS: Final = (
    "component",
    "source",
    "standard_uncertainty",
    "sensitivity",
    "contribution",
    "dof",
    "share",
    "units",
)
COMBINED: Final = "u_c"
_COARSE: Final = ("group", "scope")  # one row of sources in different units


def budget(
    readings: xr.Dataset,
    level: float | None = None,
    *,
    bench: Bench,
    model: str,
    other: str | None = None,
    quantity: str = "airflow",
    obstruction: str | None = None,
    scope: Scope = "model",
    by: By = "source",
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
) -> pd.DataFrame:
    """List what the uncertainty of a result at equal noise, drive or speed is made of.

    To first order.

    Parameters
    ----------
    readings : xarray.Dataset
        From `read_readings`: the whole table, whose room and choice of curve count.
    level : float, optional
        The noise level; or `drive`, or `speed`: exactly one of them.
    bench : Bench
        What is stated about the instruments and the unit-to-unit spread.
    model : str
        Whose result.
    other : str, optional
        Another model: the budget is then that of the difference, `model` minus `other`, in which
        what both share cancels.
    quantity : {"airflow", "speed", "temperature_rise", "noise"}
        Which result.
    obstruction : str, optional
        Behind what; may be left out where there is only one.
    scope : {"tested unit", "model", "next unit"}
        For whom.
    by : {"source", "group", "scope", "label"}
        One row a stated source; one row an instrument, sample luck, choice of curve; one row for
        what every scope adds (measuring the tested units, their luck, the luck of the next); or
        one row an error, reading by reading.
    drive, speed : float, optional
        What is held equal in place of a noise level.
    drive_units, background, target, curve, room, noise_obstruction, fans, slope, pooled
        As in `first_order`.

    Returns
    -------
    DataFrame
        In the order of columns of JCGM 100:2008, Table H.1: `component`; `source` of uncertainty;
        `standard_uncertainty` u(x_i) in its own `units` ("1" for a fraction of the reading);
        `sensitivity` c_i; `contribution` |c_i| u(x_i) in the unit of the result; `dof`. Then
        `share` of the variance. For a difference also `in_first`, `in_second` (contribution to
        either alone) and `cancelled`, the fraction of both variances that the difference is rid
        of. Rows by size; what was stated and moves nothing keeps its row, with a share of 0. The
        last row, component ``u_c``, is the combined standard uncertainty with its effective
        degrees of freedom. A row of several errors (one a reading, say) has the root sum of
        squares of their contributions; its u(x_i) is the root mean square of theirs.
        ``attrs`` holds the value, its unit and what was asked.

    Raises
    ------
    FanstatsError
        As `first_order`, and if a model, quantity, obstruction or scope has no estimate.

    References
    ----------
    JCGM 100:2008, 5.1.2, H.1 (Table H.1) and G.4.1.

    Examples
    --------
    >>> import fanstats as fs
    >>> readings, bench = fs.demo.readings(), fs.demo.bench()
    >>> table = budget(readings, 33, bench=bench, model="Ombrel Sill", obstruction="open")
    >>> table.component[0]
    'sample luck in noise: tested sample'
    >>> pair = budget(readings, 33, bench=bench, model="Ombrel Sill", other="Pellwick 80 Mild",
    ...               obstruction="open").set_index("component")
    >>> bool(pair.cancelled["airflow: vane calibration"] > 0.99)
    True
    """
    one_of("by", by, ["source", "group", "scope", "label"])
    one_of("scope", scope, SCOPES)
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
    names = [model] if other is None else [model, other]
    held = zip(("model", "other"), names, strict=False)
    places = [asked.layout.models.index(one_of(k, n, asked.layout.models)) for k, n in held]
    index = SCOPES.index(scope)
    values, channel = _values(asked, places, quantity, obstruction, index)
    rows = list(dict.fromkeys(places))  # once, where a model is set against itself
    found = effects_of(asked, [channel], rows)
    scope_held = max((k for k in range(index + 1) if found.given(channel, k)), default=-1)
    effects = np.zeros((len(rows), asked.ledger.labels))
    if scope_held >= 0:
        effects = found.of(channel, scope_held).toarray()
    joined = _Joined(asked.ledger, np.array([effects[rows.index(place)] for place in places]))
    table = _table(asked, joined, quantity, by)
    table.attrs = {
        "value": float(values[0] - (values[1] if len(values) > 1 else 0.0)),
        "units": units_of(quantity, asked),
        "quantity": quantity,
        "obstruction": obstruction or "",
        "scope": scope,
        "model": model,
        "other": other or "",
    }
    return table


def _values(
    asked: Asked, rows: Sequence[int], quantity: str, obstruction: str | None, scope: int
) -> tuple[list[float], tuple[str, str]]:
    """Give the values of the models, and the channel that is meant."""
    outputs = outputs_of(asked.question, asked.layout)
    behind = outputs[one_of("quantity", quantity, list(outputs))]
    alone = obstruction is None and len(behind) == 1
    place = behind[0] if alone else one_of("obstruction", obstruction, behind)
    some = list(dict.fromkeys(rows))
    tables, reasons = values_of(asked, outputs, some)
    table, column = tables[quantity], behind.index(place)
    values = []
    for row in map(some.index, rows):
        value = float(table.value[scope, row, column])
        if not np.isfinite(value):
            why = reasons[row] or str(table.status[scope, row, column]) or "no estimate"
            name = asked.layout.models[some[row]]
            msg = f"{name!r} has no {quantity} for scope {SCOPES[scope]!r}: {why}."
            raise FanstatsError(msg)
        values.append(value)
    return values, (quantity, place)


class _Joined:
    """Effects of one or two models side by side, on the labels that touch either."""

    def __init__(self, ledger: Ledger, parts: FloatArray) -> None:
        touched = np.flatnonzero(parts.any(axis=0))
        self.labels: list[int] = touched.tolist()
        self.parts = parts[:, touched]
        self.effects: FloatArray = (
            self.parts[0] - self.parts[1] if len(parts) > 1 else self.parts[0]
        )
        self.source_place = ledger.label_base[touched]
        self.limits = np.full(len(ledger.bases), np.inf)
        self.limits[self.source_place] = ledger.dof_of_labels()[touched]

    def dof(self, rows: FloatArray) -> float:
        """Effective degrees of freedom of some labels together."""
        chosen = np.zeros(self.effects.shape)
        chosen[rows] = self.effects[rows]
        if not chosen.any():
            chosen[rows] = np.abs(self.parts[:, rows]).sum(axis=0)  # cancelled, but still estimated
        return float(dof_by_source(chosen, self.source_place, self.limits))


def _table(asked: Asked, joined: _Joined, quantity: str, by: By) -> pd.DataFrame:
    bench, ledger = asked.layout.bench, asked.ledger
    named = components_of(ledger, joined.labels, bench)
    sizes = input_sizes(asked, joined.labels)
    combined = float(np.sqrt(np.sum(np.square(joined.effects))))
    rows = []
    for component, members, name in _gathered(ledger, joined.labels, named, by):
        index = np.array(members, dtype=np.intp)
        size, units = _size([sizes[joined.labels[i]] for i in members], by)
        rows.append(_row(joined, index, combined, component, name, size, units, by))
    held = "cancels: the level is held on this meter" if asked.question.omit_shared else ""
    stated = stated_components(bench, quantity, named, held)
    rows += _nothing(stated, {row["component"] for row in rows}, by, len(joined.parts) > 1)
    rows.sort(key=lambda row: -row["contribution"])
    rows.append(_total(joined, combined))
    extra = ["in_first", "in_second", "cancelled"] if len(joined.parts) > 1 else []
    return pd.DataFrame(rows, columns=[*COLUMNS, *extra])


def _gathered(
    ledger: Ledger, labels: Sequence[int], named: Mapping[tuple[str, ...], Component], by: By
) -> list[tuple[Component, list[int], str]]:
    """Gather labels into rows."""
    rows: dict[object, tuple[Component, list[int], str]] = {}
    for index, label in enumerate(labels):
        component = named[key_of(ledger, label)]
        name, key = component.name, component.key
        if by in _COARSE:
            name = component.group if by == "group" else scope_added(component.key)
            key = (name,)
        elif by == "label":
            where = place_of(ledger, label)
            name, key = f"{name} ({where})" if where else name, (str(label),)
        rows.setdefault(key, (component, [], name))[1].append(index)
    return list(rows.values())


def _size(sizes: Sequence[tuple[float, str]], by: By) -> tuple[float, str]:
    units = {unit for _, unit in sizes}
    if by in _COARSE or len(units) > 1:
        return float("nan"), ""
    return float(np.sqrt(np.mean([size**2 for size, _ in sizes]))), units.pop()


def _row(
    joined: _Joined,
    index: np.ndarray,
    combined: float,
    component: Component,
    name: str,
    size: float,
    units: str,
    by: By,
) -> dict[str, Any]:
    alone = np.sqrt(np.sum(np.square(joined.parts[:, index]), axis=1))
    contribution = float(np.sqrt(np.sum(np.square(joined.effects[index]))))
    sign = np.sign(joined.effects[index[0]]) if index.size == 1 else 1.0
    row = {
        "component": name,
        "source": "" if by in _COARSE else component.stated,
        "standard_uncertainty": size,
        "sensitivity": float(sign * contribution / size) if size > 0 else float("nan"),
        "contribution": contribution,
        "dof": joined.dof(index),
        "share": (contribution / combined) ** 2 if combined > 0 else 0.0,
        "units": units,
    }
    if alone.size > 1:
        row |= {
            "in_first": float(alone[0]),
            "in_second": float(alone[1]),
            "cancelled": _cancelled(joined.parts[:, index]),
        }
    return row


def _nothing(
    stated: Sequence[Component], present: set[str], by: By, difference: bool
) -> list[dict[str, Any]]:
    """Rows of what was stated and moves nothing."""
    rows = {}
    for component in stated:
        name = {"group": component.group, "scope": scope_added(component.key)}.get(
            by, component.name
        )
        if name in present or name in rows:
            continue
        source = component.source
        zero = source is not None and source.is_zero
        rows[name] = {
            "component": name,
            "source": "" if by in _COARSE else component.stated,
            "standard_uncertainty": 0.0 if zero else _stated_size(component),
            "sensitivity": 0.0,
            "contribution": 0.0,
            "dof": source.dof if source is not None else np.inf,
            "share": 0.0,
            "units": _stated_units(component),
        }
        if difference:
            rows[name] |= {"in_first": 0.0, "in_second": 0.0, "cancelled": float("nan")}
    return list(rows.values())


def _stated_size(component: Component) -> float:
    source = component.source
    if source is None or (source.absolute and source.relative):
        return float("nan")
    return source.absolute + source.relative


def _stated_units(component: Component) -> str:
    source = component.source
    if source is None or (source.relative and not source.absolute):
        return "1"
    return source.units or ("dB" if component.group in ("noise", "background") else "")


def _total(joined: _Joined, combined: float) -> dict[str, Any]:
    dof = dof_by_source(joined.effects, joined.source_place, joined.limits)
    row = {
        "component": COMBINED,
        "source": "combined standard uncertainty",
        "standard_uncertainty": float("nan"),
        "sensitivity": float("nan"),
        "contribution": combined,
        "dof": float(dof),
        "share": 1.0 if combined > 0 else 0.0,
        "units": "",
    }
    if len(joined.parts) > 1:
        alone = np.sqrt(np.sum(np.square(joined.parts), axis=1))
        row |= {
            "in_first": float(alone[0]),
            "in_second": float(alone[1]),
            "cancelled": _cancelled(joined.parts),
        }
    return row


def _cancelled(parts: FloatArray) -> float:
    """Give twice the covariance of both models over the sum of their variances."""
    total = float(np.sum(np.square(parts)))
    return 2.0 * float(np.sum(parts[0] * parts[1])) / total if total > 0 else float("nan")
