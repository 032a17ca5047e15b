"""What the level functions take: numbers, arrays, labelled arrays, uncertain numbers.

Each function has one body for plain values. Here those are turned into float64 arrays, results
back into what came in, first-order uncertainty is carried along, and labels are put around it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

import numpy as np
import xarray as xr

from fanstats._typing import FloatArray
from fanstats.errors import FanstatsError
from fanstats.quantities import canonical_units

__all__ = [
    "common_units",
    "elementwise",
    "floats",
    "is_labelled",
    "is_uncertain",
    "on_floats",
    "plain",
    "propagate",
    "title",
    "where_first",
]


def is_labelled(*values: Any) -> bool:
    """Say whether any of the values is a DataArray."""
    return any(isinstance(value, xr.DataArray) for value in values)


def is_uncertain(values: Any) -> bool:
    """Say whether a value is, or an array holds, numbers of the `uncertainties` package."""
    array = np.asarray(values)
    return array.dtype == object and any(hasattr(item, "nominal_value") for item in array.flat)


def floats(argument: str, values: Any) -> FloatArray:
    """Turn numbers of any kind into a float64 array.

    Uncertain numbers go by their nominal value; None and a masked element are NaN, not read. Text
    is refused, even where it reads like a number.
    """
    if isinstance(values, np.ma.MaskedArray):
        values = np.ma.filled(values.astype(np.float64), np.nan)
    array = np.asarray(values)
    if is_uncertain(array):
        from uncertainties import unumpy

        array = unumpy.nominal_values(array)
    texts = array.dtype == object and any(isinstance(item, str | bytes) for item in array.flat)
    if array.dtype.kind not in "iufO" or texts:
        return _refuse(argument, values)
    try:
        return array.astype(np.float64, copy=False)
    except (TypeError, ValueError):
        return _refuse(argument, values)


def _refuse(argument: str, values: Any) -> FloatArray:
    text = repr(values)
    shown = text if len(text) <= 80 else text[:77] + "..."
    msg = f"`{argument}` must hold numbers and nothing else; got {shown}."
    raise FanstatsError(msg)


def plain(values: Any) -> Any:
    """Give a 0-dimensional result back as the number it is."""
    if isinstance(values, np.ndarray) and values.ndim == 0:
        return values.item()
    return values.item() if isinstance(values, np.generic) else values


def propagate(value: FloatArray, terms: Iterable[tuple[Any, Any, FloatArray]]) -> Any:
    """Add the first-order dependence on uncertain inputs to a value.

    Each term is (input, its numbers as floats, sensitivity). The sum keeps every correlation
    with the inputs: JCGM 100:2008, 5.1.2 and 5.2.2, in linear form.
    """
    result: Any = value
    for given, numbers, sensitivity in terms:
        if is_uncertain(given):
            result = result + sensitivity * (np.asarray(given, dtype=object) - numbers)
    return result


def elementwise(
    body: Callable[..., Any], *inputs: Any, long_name: str, attrs: dict[str, Any] | None = None
) -> Any:
    """Apply a function of plain values to plain or labelled ones.

    Labelled inputs must have equal labels: xarray's own arithmetic would keep what they have in
    common and drop the rest without a word.
    """
    if not is_labelled(*inputs):
        return plain(body(*inputs))
    try:
        xr.align(*(part for part in inputs if isinstance(part, xr.DataArray)), join="exact")
    except ValueError as error:  # older releases of xarray have no error of its own for it
        msg = f"The labels of the levels differ: {error}. Give both the same labels first."
        raise FanstatsError(msg) from error
    result: xr.DataArray = xr.apply_ufunc(body, *inputs, join="exact", keep_attrs=False)
    result.attrs = {"units": common_units(*inputs), "long_name": long_name, **(attrs or {})}
    return result


def on_floats(test: Callable[[FloatArray, FloatArray], Any], first: Any, second: Any) -> Any:
    """Apply a function of two float64 arrays to levels of any kind, labels kept."""
    return elementwise(
        lambda a, b: test(floats("total", a), floats("background", b)), first, second, long_name=""
    )


def common_units(*values: Any) -> str:
    """Give the one unit of labelled levels, dB where none says more."""
    found: list[str] = []
    for value in values:
        units = canonical_units(value.attrs.get("units", "dB")) if is_labelled(value) else "dB"
        if units not in ("dB", "", *found):
            found.append(units)
    if len(found) > 1:
        msg = (
            f"Levels in {' and in '.join(found)} cannot be combined: their weighting differs. "
            "Read both with one weighting."
        )
        raise FanstatsError(msg)
    return found[0] if found else "dB"


def title(value: Any, otherwise: str = "level") -> str:
    """Give the name a labelled array goes by in print."""
    if not isinstance(value, xr.DataArray):
        return otherwise
    name = otherwise if value.name is None else str(value.name)
    return str(value.attrs.get("long_name", name))


def where_first(mask: Any) -> str:
    """Say how many elements are marked and where the first one stands; "" for a lone number."""
    marked = np.asarray(mask)
    if marked.ndim == 0:
        return ""
    count = int(marked.sum())
    place = np.unravel_index(int(np.argmax(marked)), marked.shape)
    if isinstance(mask, xr.DataArray):
        labels = [
            f"{dim}={mask[dim].values[i].item()!r}" if dim in mask.coords else f"{dim} {i}"
            for dim, i in zip(mask.dims, place, strict=True)
        ]
    else:
        labels = [f"index {', '.join(str(i) for i in place)}"]
    return f" ({count:,} of {marked.size:,}, first at {', '.join(labels)})"
