"""To and from numbers of the `uncertainties` package, and from covariances."""

from __future__ import annotations

import json
import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import xarray as xr

from fanstats._typing import FloatArray
from fanstats.engine.first_order import dof_by_source
from fanstats.errors import FanstatsError
from fanstats.propagation.correlation import correlation_factor
from fanstats.propagation.effect_tables import picked
from fanstats.propagation.first_order import KIND
from fanstats.quantities import canonical_units
from fanstats.quantities import quantity as known_quantity

if TYPE_CHECKING:
    from collections.abc import Mapping, MutableMapping, Sequence

    from numpy.typing import ArrayLike
    from uncertainties.core import AffineScalarFunc, Variable

__all__ = ["from_covariance", "from_uncertainties", "to_uncertainties"]

_AS_GIVEN: Final = "as given"
# What an error of unknown origin is labelled with, so that it never meets one of the bench's.
_FOREIGN: Final = "uncertainties"


def to_uncertainties(
    found: xr.Dataset,
    quantity: str,
    *,
    obstruction: str | None = None,
    scope: str = "model",
    variables: MutableMapping[str, Variable] | None = None,
) -> dict[str, AffineScalarFunc]:
    """Turn one first-order result into correlated numbers of the `uncertainties` package.

    Parameters
    ----------
    found : Dataset
        From `first_order`.
    quantity : str
        Which quantity.
    obstruction : str, optional
        Which obstruction; may be left out where there is only one.
    scope : {"tested unit", "model", "next unit"}
        Which scope.
    variables : dict, optional
        Holds the independent errors by label and is added to. Hand the same one over again, and
        what two results share stays shared; without it every call makes errors of its own, and
        numbers of two calls are independent of each other.

    Returns
    -------
    dict
        A number by model, without those that have no estimate. Each labelled error is one
        variable with standard deviation 1, its tag the label; models that share an error share
        the variable.

    Raises
    ------
    FanstatsError
        If `found` does not hold what is asked for.

    Examples
    --------
    >>> import fanstats as fs
    >>> from fanstats.propagation.first_order import first_order
    >>> found = first_order(fs.demo.readings(), 33, bench=fs.demo.bench())
    >>> airflow = to_uncertainties(found, "airflow", obstruction="open", scope="tested unit")
    >>> first, second = airflow["Ombrel Sill"], airflow["Pellwick 80 Mild"]
    >>> bool((first - second).s < (first.s**2 + second.s**2) ** 0.5)  # one vane, one meter
    True
    """
    from uncertainties.core import AffineScalarFunc, LinearCombination

    held = {} if variables is None else variables
    values = picked(found, quantity, obstruction, scope, "_value").to_numpy()
    effects = picked(found, quantity, obstruction, scope, "_effect")
    effects = effects.transpose("model", "place")
    label_of, labels = found["label_of"].to_numpy(), found["label"].to_numpy()
    numbers: dict[str, AffineScalarFunc] = {}
    for row, model in enumerate(found["model"].to_numpy()):
        if not np.isfinite(values[row]):
            continue
        own = effects.to_numpy()[row]
        parts = {
            _variable(str(labels[label_of[row, place]]), held): float(own[place])
            for place in np.flatnonzero((label_of[row] >= 0) & (own != 0))
        }
        numbers[str(model)] = AffineScalarFunc(float(values[row]), LinearCombination(parts))
    return numbers


def _variable(label: str, held: MutableMapping[str, Variable]) -> Variable:
    from uncertainties.core import Variable

    if label not in held:
        held[label] = Variable(0.0, 1.0, tag=label)
    return held[label]


def from_uncertainties(
    numbers: Mapping[str, AffineScalarFunc | float],
    *,
    quantity: str,
    units: str,
    dof: Mapping[Variable, float] | None = None,
) -> xr.Dataset:
    """Turn numbers of the `uncertainties` package into a first-order result.

    Parameters
    ----------
    numbers : mapping of str to ufloat or float
        A number by model.
    quantity : str
        What they are, such as ``"airflow"``.
    units : str
        Their unit.
    dof : mapping of Variable to float, optional
        Degrees of freedom of the independent variables; infinite where not named.

    Returns
    -------
    Dataset
        As `first_order` gives, with the one scope "as given". Variables that the numbers share
        are errors that the models share. A variable that `to_uncertainties` made keeps its label,
        also after a copy; any other is labelled by its tag or its place.

    Raises
    ------
    FanstatsError
        If something is no number, or a standard deviation is negative or not finite.

    Examples
    --------
    >>> from uncertainties import ufloat
    >>> from fanstats.propagation.effect_tables import covariance
    >>> meter = ufloat(0, 0.5)
    >>> found = from_uncertainties(
    ...     {"A": ufloat(31, 0.2) + meter, "B": ufloat(33, 0.3) + meter},
    ...     quantity="noise", units="dBA")
    >>> covariance(found, "noise", scope="as given").round(2).values.tolist()
    [[0.29, 0.25], [0.25, 0.34]]
    """
    from uncertainties import nominal_value

    values = np.array([float(nominal_value(number)) for number in numbers.values()])
    names: dict[Variable, str] = {}
    freedom: dict[str, float] = {}
    parts: list[dict[str, float]] = []
    for number in numbers.values():
        own: dict[str, float] = {}
        for variable, slope in getattr(number, "derivatives", {}).items():
            label = names.setdefault(variable, _label(variable, len(names)))
            freedom[label] = math.inf if dof is None else dof.get(variable, math.inf)
            own[label] = own.get(label, 0.0) + slope * variable.std_dev
        parts.append(own)
    labels = list(freedom)
    effects = np.array([[own.get(label, 0.0) for label in labels] for own in parts])
    effects = effects.reshape(len(parts), len(labels))
    return _dataset(list(numbers), values, effects, labels, list(freedom.values()), quantity, units)


def _label(variable: Variable, place: int) -> str:
    """Give the label of a variable: its own where it came from here, else one of this call."""
    tag = variable.tag
    if isinstance(tag, str) and tag.startswith("["):
        return tag
    return json.dumps([_FOREIGN, str(place), "" if tag is None else str(tag)], ensure_ascii=False)


def from_covariance(
    values: Mapping[str, float],
    standard_uncertainties: ArrayLike | None = None,
    correlation: ArrayLike | None = None,
    *,
    covariance: ArrayLike | None = None,
    quantity: str,
    units: str,
) -> xr.Dataset:
    """Turn values with a covariance into a first-order result.

    Parameters
    ----------
    values : mapping of str to float
        A value by model.
    standard_uncertainties : array_like, shape (model,)
        Of each value.
    correlation : array_like, shape (model, model), optional
        Correlations; none by default.
    covariance : array_like, shape (model, model)
        In place of the two.
    quantity, units : str
        What the values are.

    Returns
    -------
    Dataset
        As `first_order` gives, with the one scope "as given".

    Raises
    ------
    FanstatsError
        If the matrix is not symmetric, has a correlation outside -1 to 1, or is none that any
        quantities can have (not positive semidefinite).

    References
    ----------
    JCGM 102:2011, 6.2.

    Examples
    --------
    >>> found = from_covariance({"A": 31.0, "B": 33.0}, covariance=[[0.29, 0.25], [0.25, 0.34]],
    ...                         quantity="noise", units="dBA")
    >>> numbers = to_uncertainties(found, "noise", scope="as given")
    >>> round((numbers["A"] - numbers["B"]).s, 6)
    0.360555
    """
    size = len(values)
    if (covariance is None) == (standard_uncertainties is None):
        msg = "give either `standard_uncertainties` (and `correlation`) or `covariance`, not both."
        raise FanstatsError(msg)
    if covariance is not None:
        matrix = _square("covariance", covariance, size)
        u = np.sqrt(_variances(matrix))
        scale = np.where(u > 0, u, 1.0)
        factor = correlation_factor(matrix / np.outer(scale, scale) + np.diag((u == 0) * 1.0))
    else:
        u = np.asarray(standard_uncertainties, dtype=np.float64)
        factor = correlation_factor(
            np.eye(size) if correlation is None else _square("correlation", correlation, size)
        )
    if u.shape != (size,) or not (np.isfinite(u).all() and (u >= 0).all()):
        msg = f"`standard_uncertainties` must be {size} finite numbers of at least 0; got {u}."
        raise FanstatsError(msg)
    labels = [json.dumps([_FOREIGN, str(place), "component"]) for place in range(size)]
    numbers = np.array([float(value) for value in values.values()])
    effects = u[:, None] * factor
    return _dataset(list(values), numbers, effects, labels, [math.inf] * size, quantity, units)


def _square(argument: str, given: ArrayLike, size: int) -> FloatArray:
    matrix = np.asarray(given, dtype=np.float64)
    if matrix.shape != (size, size) or not np.isfinite(matrix).all():
        msg = f"`{argument}` must be {size} by {size} finite numbers; got shape {matrix.shape}."
        raise FanstatsError(msg)
    return matrix


def _variances(matrix: FloatArray) -> FloatArray:
    variances = np.diag(matrix)
    if (variances < 0).any():
        msg = f"`covariance` must have variances of at least 0; got {variances.min():g}."
        raise FanstatsError(msg)
    return variances


def _dataset(
    models: Sequence[str],
    values: FloatArray,
    effects: FloatArray,
    labels: Sequence[str],
    dof: Sequence[float],
    quantity: str,
    units: str,
) -> xr.Dataset:
    title = known_quantity(quantity).title
    if not (np.isfinite(values).all() and np.isfinite(effects).all()):
        msg = "`numbers` must be finite, with finite standard deviations."
        raise FanstatsError(msg)
    limits = np.asarray(dof, dtype=np.float64)
    freedom = np.asarray(dof_by_source(effects, np.arange(limits.size), limits))
    unit = {"units": canonical_units(units)}
    dims = ("scope", "model")
    variables: dict[str, Any] = {
        "label_of": (("model", "place"), np.tile(np.arange(len(labels)), (len(models), 1))),
        f"{quantity}_value": (dims, values[None], {**unit, "long_name": title}),
        f"{quantity}_standard_uncertainty": (
            dims,
            np.sqrt(np.sum(np.square(effects), axis=-1))[None],
            {**unit, "long_name": f"combined standard uncertainty of {title}"},
        ),
        f"{quantity}_dof": (
            dims,
            freedom[None],
            {"units": "1", "long_name": f"effective degrees of freedom of {title}"},
        ),
        f"{quantity}_effect": (
            (*dims, "place"),
            effects[None],
            {**unit, "long_name": f"sensitivity times standard uncertainty in {title}"},
        ),
    }
    coords = {
        "scope": [_AS_GIVEN],
        "model": list(models),
        "label": np.array(list(labels), dtype=np.str_),
        "shape": ("label", np.full(len(labels), "normal", dtype="<U6")),
        "label_dof": ("label", limits),
        "dof_source": ("label", np.where(np.isfinite(limits), labels, "")),
        "removed_share": ("label", np.zeros(len(labels))),
    }
    return xr.Dataset(variables, coords=coords, attrs={"kind": KIND})
