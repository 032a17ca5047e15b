"""Models that stand on several charts, made into one set of estimates, disagreement included."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import xarray as xr
from scipy import stats
from scipy.sparse.csgraph import connected_components

from fanstats._typing import BoolArray, FloatArray, IntArray
from fanstats.decisions.between_charts import between, consensus_weights, leftover
from fanstats.decisions.chart_agreement import agreement_words
from fanstats.decisions.charts_alike import checked_charts, in_common, unlike
from fanstats.decisions.selection import Selection, select
from fanstats.engine.draws import LabelledDraws
from fanstats.errors import FanstatsError
from fanstats.quantities import QUANTITIES
from fanstats.sources import Source

if TYPE_CHECKING:
    from collections.abc import Sequence

    from fanstats.engine.sittings import Label

__all__ = ["combine_charts"]

_SCOPES: Final = ("tested unit", "model", "next unit")
# Correlation of two charts' draws from which on they share something, beyond chance (5 sigma).
_TIED: Final = 5.0
_STILL: Final = 1e-9


def combine_charts(
    charts: Mapping[str, xr.Dataset],
    *,
    shift: bool = True,
    between_charts: Source | None = None,
    related: bool = False,
) -> xr.Dataset:
    """Combine estimates from several charts, rigs or sources, with their disagreement.

    Parameters
    ----------
    charts : mapping of str to xarray.Dataset
        Estimates by name, from `from_chart`, `equal_noise` and its sisters; at least two. The
        first one sets the scale.
    shift : bool
        Whether a chart may be off as a whole (another meter, another room, another mesh): its
        shift is then estimated over the models it has in common with others, and taken off.
        Without, all charts are taken to be on one scale, as far as their stated errors allow.
    between_charts : Source, optional
        How far a model's value differs from chart to chart beyond what is stated, as a standard
        deviation (relative for airflow and speed). By default it is estimated from these charts.
    related : bool
        Say True where charts share a meter or samples, and were made with one root so that their
        draws say so. By default charts whose draws are tied to each other are refused.

    Returns
    -------
    xarray.Dataset
        Estimates for `compare`, `rank`, `summary` and the like, on the scale of the first chart,
        of what all charts hold. ``assumptions`` names the shifts and the disagreement, and
        `chart_agreement` reads them off in full. They hold no readings to ask again: `what_if`
        and plans want one of the charts.

    Raises
    ------
    FanstatsError
        If there are fewer than two charts, they have no quantity, unit or obstruction in common, a
        chart has no model in common with the others, or draws are tied and nobody said so.

    Notes
    -----
    A value is a model's own, plus its chart's shift, plus something between model and chart with
    standard deviation ``tau``, plus the stated errors; airflow and speed in logarithms. ``tau`` is
    that at which the weighed squares of what is left equal their degrees of freedom (Mandel and
    Paule). How well it is known enters every draw: ``tau`` is drawn such that the squares follow
    chi-squared. With few models in common that is little, and ranges widen accordingly. What
    charts share of one sample's luck cannot be told from what they share of its model.

    References
    ----------
    Mandel and Paule (1970), DerSimonian and Kacker (2007), Viechtbauer (2007): see
    `fanstats.decisions.between_charts`.

    Examples
    --------
    >>> import fanstats as fs
    >>> spread = fs.UnitSpread(noise=fs.standard(0.8), airflow=fs.standard("2 %"))
    >>> given = {"quantity": "airflow", "units": "fpm", "level": 36,
    ...          "bench": fs.Bench(spread=spread)}
    >>> both = combine_charts({
    ...     "mine": fs.from_chart({"A": 412, "B": 398, "C": 371}, rng=1, **given),
    ...     "theirs": fs.from_chart({"A": 391, "B": 385, "D": 402}, rng=2, **given)})
    >>> [str(name) for name in both.model.values]
    ['A', 'B', 'C', 'D']
    >>> fs.rank(both, quantity="airflow").ranked[0]
    'D'
    """
    held = checked_charts(charts)
    first = next(iter(held.values()))
    models = list(dict.fromkeys(str(m) for one in held.values() for m in one["model"].to_numpy()))
    variables: dict[str, Any] = {}
    record: list[dict[str, Any]] = []
    common, left_out = in_common(held)
    for quantity, places in common.items():
        parts = [
            _combined(held, quantity, place, models, shift, between_charts, related, record)
            for place in places
        ]
        variables |= _variables(first, quantity, places, parts)
    return xr.Dataset(
        variables,
        coords=_coords(held, models, first, related, common),
        attrs=_attrs(held, models, record, left_out),
    )


class _Part(NamedTuple):
    """One quantity behind one obstruction: arrays over scope and model."""

    value: FloatArray
    draws: FloatArray
    status: list[list[str]]
    below: FloatArray
    above: FloatArray
    units: IntArray


class _Cells(NamedTuple):
    """All values there are in one scope, on the scale they are combined on."""

    model: IntArray
    chart: IntArray
    y: FloatArray
    draws: FloatArray


def _combined(
    held: Mapping[str, xr.Dataset],
    quantity: str,
    place: str,
    models: list[str],
    shift: bool,
    stated: Source | None,
    related: bool,
    record: list[dict[str, Any]],
) -> _Part:
    picked = [select(one, quantity, place or None) for one in held.values()]
    ratio = all(one.ratio or not one.estimable.any() for one in picked) and any(
        one.ratio for one in picked
    )
    size = picked[0].draws.shape[-1]
    shape = (len(_SCOPES), len(models))
    value, draws = np.full(shape, np.nan), np.full((*shape, size), np.nan)
    roots = [one.root for one in picked]
    for scope in (0, 1):
        cells = _cells(picked, models, scope, ratio)
        if cells.y.size == 0:
            continue
        design = _design(cells, len(models), list(held), shift)
        _check_tied(cells, list(held), roots, related)
        about = {"quantity": quantity, "obstruction": place, "scope": _SCOPES[scope]}
        known = _known(stated, quantity, picked[0].units, ratio)
        fit = _fit(cells, design, roots, known, (quantity, place), list(held), models)
        here = np.unique(cells.model)
        value[scope, here], draws[scope, here] = fit.value, fit.draws
        record.append({**about, "ratio": ratio, **fit.record})
    _next_unit(picked, models, ratio, value, draws)
    if ratio:
        value, draws = np.exp(value), np.exp(draws)
    status, below, above = _around(picked, models, value)
    counts = np.array([one.units_tested[_index(one, m)] if m in one.models else 0
                       for one in picked for m in models]).reshape(len(picked), -1)  # fmt: skip
    units = counts.max(axis=0) if related else counts.sum(axis=0)
    return _Part(value, draws, status, below, above, units.astype(np.intp))


def _index(one: Selection, model: str) -> int:
    return one.models.index(model)


def _cells(picked: Sequence[Selection], models: list[str], scope: int, ratio: bool) -> _Cells:
    rows = [
        (models.index(name), chart, one, k)
        for chart, one in enumerate(picked)
        for k, name in enumerate(one.models)
        if one.estimable[scope, k]
    ]
    size = picked[0].draws.shape[-1]
    y = np.array([one.values[scope, k] for *_, one, k in rows])
    draws = np.array([one.draws[scope, k] for *_, one, k in rows]).reshape(len(rows), size)
    if ratio:
        y, draws = np.log(y), np.log(draws)
    places = np.array([row[:2] for row in rows], dtype=np.intp).reshape(-1, 2)
    return _Cells(places[:, 0], places[:, 1], y, draws)


def _design(cells: _Cells, models: int, names: list[str], shift: bool) -> FloatArray:
    """Columns of the models present, then of the shifts of all charts but the first present."""
    present, charts = np.unique(cells.model), np.unique(cells.chart)
    columns = [cells.model[:, np.newaxis] == present]
    if shift:
        joined = np.zeros((models + len(names),) * 2)
        joined[cells.model, models + cells.chart] = 1.0
        label = connected_components(joined, directed=False)[1][models + charts]
        if (label != label[0]).any():
            alone = [names[k] for k in charts[label != label[0]]]
            msg = (
                f"`charts` must have models in common: nothing ties {', '.join(map(repr, alone))} "
                f"to {names[charts[0]]!r}, so its shift cannot be estimated. Say shift=False if "
                "they are on one scale."
            )
            raise FanstatsError(msg)
        columns.append(cells.chart[:, np.newaxis] == charts[1:])
    return np.concatenate(columns, axis=1).astype(np.float64)


def _check_tied(
    cells: _Cells, names: list[str], roots: Sequence[str | None], related: bool
) -> None:
    """Refuse draws of two charts that hang together where nobody said that they should."""
    if related:
        return
    limit = _TIED / math.sqrt(cells.draws.shape[-1])
    for model in np.unique(cells.model):
        rows = np.flatnonzero(cells.model == model)
        varying = rows[cells.draws[rows].std(axis=1) > _STILL]
        if len(varying) < 2:
            continue
        root = np.array([str(roots[chart]) for chart in cells.chart[varying]])
        found: BoolArray = np.abs(np.corrcoef(cells.draws[varying])) > limit
        found &= root[:, np.newaxis] == root
        np.fill_diagonal(found, False)
        if found.any():
            one, two = (names[cells.chart[varying[k]]] for k in np.argwhere(found)[0])
            msg = (
                f"`charts` {one!r} and {two!r} share draws (roots {', '.join(map(str, roots))}): "
                "a meter or samples of one name. Give each another `rng` or, in from_chart, its "
                "own `rig`; or say related=True if they do share them."
            )
            raise FanstatsError(msg)


def _known(
    stated: Source | None, quantity: str, units: str, ratio: bool
) -> tuple[float, float] | None:
    """Give a stated standard deviation between charts, and its degrees of freedom."""
    if stated is None:
        return None
    checked: object = stated
    if not isinstance(checked, Source):
        msg = f"`between_charts` must be a Source such as standard('2 %'); got {checked!r}."
        raise FanstatsError(msg)
    if ratio != (stated.relative > 0 or stated.is_zero) and not stated.is_zero:
        form = "relative, such as standard('2 %')" if ratio else f"in {units}"
        msg = f"`between_charts` must be {form} for {quantity}; got {stated.stated}."
        raise FanstatsError(msg)
    size = stated.relative if ratio else float(stated.standard_uncertainty(np.zeros(1), units)[0])
    return size, stated.dof


class _Fit(NamedTuple):
    value: FloatArray
    draws: FloatArray
    record: dict[str, Any]


def _fit(
    cells: _Cells,
    design: FloatArray,
    roots: Sequence[str | None],
    known: tuple[float, float] | None,
    channel: tuple[str, str],
    names: list[str],
    models: list[str],
) -> _Fit:
    covariance = _covariance(cells, roots)
    left = leftover(design, cells.y, covariance)
    root = roots[0] or ""
    source = LabelledDraws(int(root) if root.isdecimal() else 0, cells.draws.shape[-1])
    label: Label = ("between charts", *channel)
    if known is not None:
        tau = known[0]
        sizes = tau * (source.scale(label, known[1]) if math.isfinite(known[1]) else 1.0)
        ends = [tau, tau]
    elif left.dof:
        tau = math.sqrt(float(between(left, float(left.dof))))
        sizes = np.sqrt(between(left, left.dof / source.scale(label, float(left.dof)) ** 2))
        quantiles = stats.chi2.ppf([0.975, 0.025], left.dof)
        ends = [float(end) for end in np.sqrt(between(left, quantiles))]
    else:
        tau, sizes, ends = 0.0, 0.0, [math.nan, math.nan]
    weights, own = consensus_weights(design, covariance, tau**2)
    apart = np.stack(
        [
            source.standard((*label, names[chart], models[model]), "normal")
            for model, chart in zip(cells.model, cells.chart, strict=True)
        ]
    )
    count = len(np.unique(cells.model))
    fitted = weights @ cells.y
    residuals = cells.y - design @ fitted
    charts = np.unique(cells.chart)
    return _Fit(
        fitted[:count],
        weights[:count] @ (cells.draws + sizes * apart),
        {
            "tau": tau,
            "tau_low": ends[0],
            "tau_high": ends[1],
            "stated": known is not None,
            "q": float(left.q(0.0)) if left.dof else math.nan,
            "dof": left.dof,
            "p_value": left.p_value,
            "charts": [names[chart] for chart in charts],
            "shift": [0.0, *fitted[count:].tolist()] if design.shape[1] > count else [],
            "shift_u": [0.0, *np.sqrt(np.diag(own)[count:]).tolist()],
            "cells": [
                [models[model], names[chart], float(y), float(r)]
                for model, chart, y, r in zip(
                    cells.model, cells.chart, cells.y, residuals, strict=True
                )
            ],
        },
    )


def _covariance(cells: _Cells, roots: Sequence[str | None]) -> FloatArray:
    """Covariance of all values; between charts of other roots there is none but by chance."""
    covariance = np.atleast_2d(np.cov(cells.draws))
    root = np.array([str(roots[chart]) for chart in cells.chart])
    same = (root[:, np.newaxis] == root) | (cells.chart[:, np.newaxis] == cells.chart)
    return np.asarray(np.where(same, covariance, 0.0))


def _next_unit(
    picked: Sequence[Selection],
    models: list[str],
    ratio: bool,
    value: FloatArray,
    draws: FloatArray,
) -> None:
    """Add the luck of one more sample to the typical one: that of the first chart that has it."""
    for row, name in enumerate(models):
        for one in picked:
            if name not in one.models or not np.isfinite(value[1, row]):
                continue
            k = _index(one, name)
            if one.estimable[2, k] and one.estimable[1, k]:
                new, old = one.draws[2, k], one.draws[1, k]
                luck = np.log(new / old) if ratio else new - old
                value[2, row], draws[2, row] = value[1, row], draws[1, row] + luck
                break


def _around(
    picked: Sequence[Selection], models: list[str], value: FloatArray
) -> tuple[list[list[str]], FloatArray, FloatArray]:
    """Give statuses, and the largest shares beyond the data of the charts that count."""
    status = [["" for _ in models] for _ in _SCOPES]
    shares = np.zeros((2, *value.shape))
    for scope in range(len(_SCOPES)):
        for row, name in enumerate(models):
            places = [(one, _index(one, name)) for one in picked if name in one.models]
            reasons = dict.fromkeys(one.reason(scope, k) for one, k in places)
            if np.isfinite(value[scope, row]):
                used = [one.shares[:, scope, k] for one, k in places if one.estimable[scope, k]]
                shares[:, scope, row] = np.max(used, axis=0) if used else 0.0
            else:
                status[scope][row] = "; ".join(reason for reason in reasons if reason)
    return status, shares[0], shares[1]


def _variables(
    first: xr.Dataset, quantity: str, places: list[str], parts: list[_Part]
) -> dict[str, Any]:
    wide = places != [""]
    dims: tuple[str, ...] = ("scope", "model", "obstruction") if wide else ("scope", "model")

    def laid(arrays: list[Any], axis: int) -> Any:
        return np.stack(arrays, axis=axis) if wide else np.asarray(arrays[0])

    title = QUANTITIES[quantity].title if quantity in QUANTITIES else quantity
    about = {"units": first[quantity].attrs.get("units", ""), "long_name": title}
    arrays = {
        "": laid([part.draws for part in parts], 2),
        "_value": laid([part.value for part in parts], 2),
        "_status": laid([np.array(part.status, dtype=str) for part in parts], 2),
        "_share_below": laid([part.below for part in parts], 2),
        "_share_above": laid([part.above for part in parts], 2),
    }
    found: dict[str, Any] = {
        quantity + key: ((*dims, "draw") if key == "" else dims, array, {
            **about, "long_name": f"{title}{key.replace('_', ' ')}"})
        for key, array in arrays.items()
    }  # fmt: skip
    if f"{quantity}_units" in first:
        counts = laid([part.units for part in parts], 1)
        found[f"{quantity}_units"] = (dims[1:], counts, first[f"{quantity}_units"].attrs)
    return found


def _coords(
    held: Mapping[str, xr.Dataset],
    models: list[str],
    first: xr.Dataset,
    related: bool,
    common: Mapping[str, list[str]],
) -> dict[str, Any]:
    coords: dict[str, Any] = {"scope": list(_SCOPES), "model": models, "root": first["root"].item()}
    wide = next((places for places in common.values() if places != [""]), None)
    if wide is not None:
        coords["obstruction"] = wide
    for name in ("units_tested", "readings_behind"):
        counts = np.zeros((len(held), len(models)), dtype=np.int64)
        for row, one in enumerate(held.values()):
            for model, count in zip(one["model"].to_numpy(), one[name].to_numpy(), strict=True):
                counts[row, models.index(str(model))] = int(count)
        same = related and name == "units_tested"  # the same samples again
        coords[name] = ("model", counts.max(axis=0) if same else counts.sum(axis=0))
    reasons = ["" for _ in models]
    for place, model in enumerate(models):
        own = [str(one["status"].sel(model=model).item()) for one in held.values()
               if model in one["model"].to_numpy()]  # fmt: skip
        if all(own):
            reasons[place] = "; ".join(dict.fromkeys(own))
    coords["status"] = ("model", np.array(reasons, dtype=str))
    return coords


def _attrs(
    held: Mapping[str, xr.Dataset],
    models: list[str],
    record: list[dict[str, Any]],
    left_out: list[str],
) -> dict[str, Any]:
    first = next(iter(held.values()))
    listed: dict[str, list[str]] = {}
    for name in ("assumptions", "measured", "not_considered", "left_out"):
        texts = [text for one in held.values() for text in json.loads(one.attrs.get(name, "[]"))]
        listed[name] = list(dict.fromkeys(texts))
    listed["left_out"] += left_out
    told = [agreement_words(entry) for entry in record if entry["scope"] == _spoken(record)]
    listed["assumptions"] = [*told, *listed["assumptions"], *unlike(held)]
    return {
        **first.attrs,
        "models": json.dumps(models),
        "source": f"several charts: {', '.join(held)}",
        **{name: json.dumps(texts) for name, texts in listed.items()},
        "combination": json.dumps(record),
    }


def _spoken(record: list[dict[str, Any]]) -> str:
    scopes = {entry["scope"] for entry in record}
    return "model" if "model" in scopes else "tested unit"
