"""Draws of a first-order result, for decisions on large catalogues and to tell roads apart."""

from __future__ import annotations

import json
import math
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from fanstats._arguments import count
from fanstats._typing import FloatArray, SeedLike
from fanstats.engine.draws import CHUNK, LabelledDraws, draw_sources, root_from
from fanstats.errors import FanstatsError
from fanstats.propagation.first_order import KIND

if TYPE_CHECKING:
    from fanstats.engine.sittings import Label

__all__ = ["as_draws"]


def as_draws(found: xr.Dataset, *, draws: int = 10_000, rng: SeedLike = None) -> xr.Dataset:
    """Draw a first-order result: what the errors would do if they acted in proportion.

    Parameters
    ----------
    found : Dataset
        From `first_order`, `from_uncertainties` or `from_covariance`.
    draws : int
        Number of draws.
    rng : int, numpy.random.Generator, numpy.random.SeedSequence or None
        Root of the draws, as in `equal_noise`.

    Returns
    -------
    Dataset
        For every quantity ``<name>`` (with `draw` as its last dimension) and ``<name>_value``;
        `compare`, `rank` and `summary` take it. Errors are drawn under their own labels and in
        their own shapes, so with one root they are the very draws that `equal_noise` makes: a
        difference between the two is curvature, not chance.

    Raises
    ------
    FanstatsError
        If `found` is no first-order result.

    Examples
    --------
    >>> import fanstats as fs
    >>> from fanstats.propagation.interop import from_covariance
    >>> found = from_covariance({"A": 450.0, "B": 440.0}, [6.0, 5.0], quantity="airflow",
    ...                         units="fpm")
    >>> estimates = as_draws(found, draws=1000, rng=1)
    >>> fs.compare(estimates, "A", "B", quantity="airflow", scope="as given").verdict
    'leaning'
    """
    if found.attrs.get("kind") != KIND:
        msg = f"`found` must come from first_order; got {found.attrs.get('kind')!r}."
        raise FanstatsError(msg)
    number, root = count("draws", draws), root_from(rng)
    names = [str(name).removesuffix("_effect") for name in found if str(name).endswith("_effect")]
    variables: dict[str, Any] = {}
    for name in names:
        effect = found[f"{name}_effect"].transpose(..., "model", "place")
        value = found[f"{name}_value"].transpose(*effect.dims[:-1])
        drawn = np.empty((*value.shape, number))
        for source in draw_sources(root, number):
            start = source.chunk * CHUNK
            stop = start + source.size
            for row in range(found.sizes["model"]):
                errors = _errors(found, source, row)
                part = effect.to_numpy()[..., row, :] @ errors
                drawn[..., row, start:stop] = value.to_numpy()[..., row, None] + part
        variables[name] = ((*effect.dims[:-1], "draw"), drawn, found[f"{name}_value"].attrs)
        variables[f"{name}_value"] = found[f"{name}_value"]
        if f"{name}_status" in found:
            variables[f"{name}_status"] = found[f"{name}_status"]
    kept = ("scope", "model", "obstruction", "units_tested", "readings_behind", "status")
    coords = {name: found[name] for name in kept if name in found.coords}
    kind = str(found.attrs.get("question", "as given"))
    attrs = {**found.attrs, "draws": number, "kind": kind, "road": KIND}
    return xr.Dataset(variables, coords={**coords, "root": str(root)}, attrs=attrs)


def _errors(found: xr.Dataset, source: LabelledDraws, row: int) -> FloatArray:
    """Draw every error of one model, shape (place, draw)."""
    label_of = found["label_of"].to_numpy()[row]
    errors = np.zeros((label_of.size, source.size))
    for place in np.flatnonzero(label_of >= 0):
        index = int(label_of[place])
        label: Label = tuple(json.loads(str(found["label"].values[index])))
        errors[place] = source.standard(label, found["shape"].values[index])
        errors[place] *= _scale(source, found, index)
    return errors


def _scale(source: LabelledDraws, found: xr.Dataset, index: int) -> FloatArray | float:
    """Draw how wrong the size of an error may be, what was measurement taken out after drawing."""
    dof = float(found["label_dof"].values[index])
    if math.isinf(dof):
        return 1.0
    base: Label = tuple(json.loads(str(found["dof_source"].values[index])))
    removed = float(found["removed_share"].values[index])
    drawn = source.scale(base, dof / (1.0 - removed) ** 2)
    left = np.maximum(0.0, np.square(drawn) - removed) / (1.0 - removed)
    return np.asarray(np.sqrt(left)) if removed else drawn
