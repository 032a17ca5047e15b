"""Means and sums of levels: by energy, or arithmetic across the units of a model."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Sequence
from typing import Any, Final

import numpy as np
import xarray as xr

from fanstats._typing import FloatArray
from fanstats.errors import FanstatsError
from fanstats.levels._values import floats, is_uncertain, plain, title
from fanstats.levels.kernels import Axis, energy_level, energy_weights

__all__ = ["arithmetic_mean", "energy_mean", "energy_sum"]

Reduction = Callable[..., Any]

DRAWS: Final = "draw"


def energy_mean(
    levels: Any,
    *,
    weights: Any = None,
    axis: Axis = None,
    dim: Hashable | Iterable[Hashable] | None = None,
    skipna: bool = False,
) -> Any:
    """Average levels by energy: the level of the mean energy.

    For readings **of one source**: repeats, microphone positions, stretches of time. Across the
    units of a model use `arithmetic_mean`.

    Parameters
    ----------
    levels : float, array_like, DataArray, or uncertain numbers
        Levels in dB.
    weights : array_like or DataArray, optional
        Weight of each level: share of the time, area of a position. Along one axis or of the
        shape of `levels`; they need not add up to 1.
    axis : int or tuple of int, optional
        Axes of an array to average over; all by default.
    dim : str or iterable of str, optional
        Dimensions of a DataArray to average over; by default all but ``draw``.
    skipna : bool
        Leave NaN out. Otherwise a mean with a NaN in it is NaN.

    Returns
    -------
    float, ndarray, DataArray or uncertain number
        As came in. A DataArray says in its attributes which mean it is (``mean``), over what
        (``over``), and with `skipna` how many levels were left out (``left_out``).

    Raises
    ------
    FanstatsError
        If there is no level at all, a weight is negative, or `dim` names the draws: draws are
        possible values of one level, not readings.

    Notes
    -----
    ``L = 10 lg( sum w_i 10^(0.1 L_i) / sum w_i )``. For normal scatter of standard deviation s it
    lies (ln 10 / 20) s^2 = 0.115 s^2 above the arithmetic mean: 0.1 dB at s = 1 dB, 0.5 dB at
    2 dB. Between the smallest and the largest level it is always. Uncertain numbers are carried
    to first order, with each level's share of the energy as its sensitivity.

    References
    ----------
    ISO 3744:2010, Eq. 12.

    Examples
    --------
    >>> round(energy_mean([30.0, 30.0, 40.0]), 4)
    36.0206
    >>> round(energy_mean([30.0, 40.0], weights=[9, 1]), 2)  # 40 dB for a tenth of the time
    32.79
    >>> readings = xr.DataArray([[34.0, 36.0], [30.0, 30.0]], dims=("step", "repeat"))
    >>> energy_mean(readings, dim="repeat").round(2).values.tolist()
    [35.11, 30.0]
    """
    return _reduce("energy mean", _energy_mean, levels, weights, axis, dim, skipna)


def energy_sum(
    levels: Any,
    *,
    weights: Any = None,
    axis: Axis = None,
    dim: Hashable | Iterable[Hashable] | None = None,
    skipna: bool = False,
) -> Any:
    """Add levels by energy: what several sources that know nothing of each other make together.

    Parameters
    ----------
    levels, axis, dim, skipna
        As in `energy_mean`.
    weights : array_like or DataArray, optional
        How many of each: ``energy_sum([30, 35], weights=[3, 1])`` is three fans of 30 dB and one
        of 35 dB.

    Returns
    -------
    float, ndarray, DataArray or uncertain number
        As came in.

    Raises
    ------
    FanstatsError
        As `energy_mean`.

    Notes
    -----
    ``L = 10 lg( sum w_i 10^(0.1 L_i) )``. Equal fans at equal speed can beat: the sound is then
    not steady and its level swings about this sum.

    Examples
    --------
    >>> round(energy_sum([35.0, 40.0, 45.0]), 2)
    46.51
    """
    return _reduce("energy sum", _energy_sum, levels, weights, axis, dim, skipna)


def arithmetic_mean(
    levels: Any,
    *,
    weights: Any = None,
    axis: Axis = None,
    dim: Hashable | Iterable[Hashable] | None = None,
    skipna: bool = False,
) -> Any:
    """Average the decibels themselves: for the units of a model, the typical one's level.

    Standards that declare a value for a model or batch take this mean **across units**, each of
    which is a level in its own right. Within one source use `energy_mean`.

    Parameters
    ----------
    levels, weights, axis, dim, skipna
        As in `energy_mean`.

    Returns
    -------
    float, ndarray, DataArray or uncertain number
        As came in.

    Raises
    ------
    FanstatsError
        As `energy_mean`.

    References
    ----------
    ISO 9296:2017 (mean A-weighted level over the sample of a batch); ISO 7574-4 and ISO 4871
    (declaration and verification from the mean of three units).

    Examples
    --------
    >>> round(arithmetic_mean([30.0, 30.0, 40.0]), 4)
    33.3333
    """
    return _reduce("arithmetic mean", _arithmetic_mean, levels, weights, axis, dim, skipna)


def _energy_mean(levels: FloatArray, axis: Axis, weights: FloatArray | None) -> Any:
    value = energy_level(levels, axis, weights=weights, mean=True)
    return value, lambda: energy_weights(levels, axis, weights=weights)


def _energy_sum(levels: FloatArray, axis: Axis, weights: FloatArray | None) -> Any:
    value = energy_level(levels, axis, weights=weights, mean=False)
    return value, lambda: energy_weights(levels, axis, weights=weights)


def _arithmetic_mean(levels: FloatArray, axis: Axis, weights: FloatArray | None) -> Any:
    shares = np.ones_like(levels) if weights is None else np.broadcast_to(weights, levels.shape)
    with np.errstate(invalid="ignore"):  # no weight at all: NaN
        shares = shares / np.sum(shares, axis=axis, keepdims=True)
    value = np.sum(np.where(shares > 0, levels, 0.0) * shares, axis=axis)
    return value, lambda: shares


def _reduce(
    name: str,
    body: Reduction,
    levels: Any,
    weights: Any,
    axis: Axis,
    dim: Hashable | Iterable[Hashable] | None,
    skipna: bool,
) -> Any:
    if isinstance(levels, xr.DataArray):
        if axis is not None:
            msg = f"`axis` is for plain arrays; got {axis!r} with a DataArray. Name a `dim`."
            raise FanstatsError(msg)
        return _reduce_labelled(name, body, levels, weights, dim, skipna)
    if dim is not None:
        msg = f"`dim` is for a DataArray; got {dim!r} with a plain array. Give `axis`."
        raise FanstatsError(msg)
    if isinstance(weights, xr.DataArray):
        msg = "`weights` with labels go with labelled `levels`; got plain levels."
        raise FanstatsError(msg)
    return _reduce_plain(levels, axis=axis, body=body, weights=weights, skipna=skipna)


def _reduce_plain(levels: Any, *, axis: Axis, body: Reduction, weights: Any, skipna: bool) -> Any:
    numbers = np.atleast_1d(floats("levels", levels))
    given = np.atleast_1d(np.asarray(levels, dtype=object)) if is_uncertain(levels) else None
    if numbers.size == 0:
        msg = "`levels` must hold at least one level; got none."
        raise FanstatsError(msg)
    fitted = None if weights is None else _fit_weights(weights, numbers, axis)
    if skipna:
        known = ~np.isnan(numbers)
        fitted = known.astype(np.float64) if fitted is None else np.where(known, fitted, 0.0)
    value, sensitivities = body(numbers, axis, fitted)
    if given is None:
        return plain(value)
    shares = sensitivities()
    terms = shares * np.where(shares > 0, given - numbers, 0.0)
    return plain(np.asarray(np.sum(terms, axis=axis) + value, dtype=object))


def _fit_weights(weights: Any, levels: FloatArray, axis: Axis) -> FloatArray:
    fitted = floats("weights", weights)
    if fitted.ndim == 1 and levels.ndim > 1 and isinstance(axis, int):
        shape = [1] * levels.ndim
        shape[axis] = fitted.size
        fitted = fitted.reshape(shape)
    try:
        np.broadcast_to(fitted, levels.shape)
    except ValueError:
        msg = (
            f"`weights` must have the shape of `levels` or run along `axis`; got shape "
            f"{fitted.shape} for levels of shape {levels.shape} and axis {axis}."
        )
        raise FanstatsError(msg) from None
    if not (np.all(fitted >= 0) and np.all(np.isfinite(fitted)) and np.any(fitted > 0)):
        msg = f"`weights` must be finite, at least 0 and not all 0; got {fitted.ravel().tolist()}."
        raise FanstatsError(msg)
    return fitted


def _reduce_labelled(
    name: str,
    body: Reduction,
    levels: xr.DataArray,
    weights: Any,
    dim: Hashable | Iterable[Hashable] | None,
    skipna: bool,
) -> xr.DataArray:
    dims = reduced_dims(levels, dim)
    result = levels.reduce(
        _reduce_plain,
        dim=dims,
        keep_attrs=False,
        body=body,
        weights=None if weights is None else _labelled_weights(weights, levels, dims),
        skipna=skipna,
    )
    result.attrs = {
        "units": str(levels.attrs.get("units", "dB")),
        "long_name": f"{name} of {title(levels)}",
        "mean": name,
        "over": ", ".join(str(d) for d in dims),
        "weights": "equal" if weights is None else "given",
    }
    if skipna:
        result.attrs["left_out"] = int(np.isnan(floats("levels", levels.values)).sum())
    return result


def reduced_dims(
    levels: xr.DataArray, dim: Hashable | Iterable[Hashable] | None
) -> Sequence[Hashable]:
    """Give the dimensions a mean goes over: those named, else all but the draws."""
    if dim is None:
        return [d for d in levels.dims if d != DRAWS]
    dims = [dim] if isinstance(dim, str) or not isinstance(dim, Iterable) else list(dim)
    missing = [d for d in dims if d not in levels.dims]
    if missing:
        msg = f"`dim` must name dimensions of the levels, {levels.dims}; got {missing[0]!r}."
        raise FanstatsError(msg)
    if DRAWS in dims:
        msg = (
            "`dim` must not name 'draw': draws are possible values of one level, not readings of "
            "it, and their energy mean lies too high. Take their median or quantiles."
        )
        raise FanstatsError(msg)
    return dims


def _labelled_weights(weights: Any, levels: xr.DataArray, dims: Sequence[Hashable]) -> FloatArray:
    if not isinstance(weights, xr.DataArray):
        if len(dims) != 1:
            msg = f"`weights` over several dimensions {tuple(dims)} must be a DataArray."
            raise FanstatsError(msg)
        fitted = np.atleast_1d(floats("weights", weights))
        if fitted.shape != (levels.sizes[dims[0]],):
            msg = (
                f"`weights` must hold one number for each of the {levels.sizes[dims[0]]} of "
                f"{dims[0]!r}; got {fitted.shape}."
            )
            raise FanstatsError(msg)
        weights = xr.DataArray(fitted, dims=list(dims))
    foreign = [d for d in weights.dims if d not in levels.dims]
    if foreign:
        msg = f"`weights` must stay within the dimensions {levels.dims}; got {weights.dims}."
        raise FanstatsError(msg)
    try:
        xr.align(levels, weights, join="exact")
    except ValueError as error:  # older releases of xarray have no error of its own for it
        msg = f"`weights` must have the labels of `levels`: {error}."
        raise FanstatsError(msg) from error
    shape = [weights.sizes.get(d, 1) for d in levels.dims]
    in_order = weights.transpose(*[d for d in levels.dims if d in weights.dims])
    return floats("weights", in_order.values).reshape(shape)
