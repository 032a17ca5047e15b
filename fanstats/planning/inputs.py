"""Rows of numbers that plans are made of, checked at the door."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from fanstats.errors import FanstatsError

if TYPE_CHECKING:
    from fanstats._typing import FloatArray

__all__ = ["numbers_in_a_row", "plain_numbers"]


def plain_numbers(argument: str, values: Any, *, rule: str) -> FloatArray:
    """Return values as an array of floats of whatever shape, else raise.

    Parameters
    ----------
    argument : str
        The name of the argument, for the message.
    values : array_like
        What the caller passed.
    rule : str
        What it must be, for the message.

    Returns
    -------
    ndarray

    Raises
    ------
    FanstatsError
        If something in it is no number.

    Examples
    --------
    >>> plain_numbers("n", [2, 3], rule="whole numbers")
    array([2., 3.])
    """
    raw = np.asarray(values) if not isinstance(values, str) else np.array("")
    truth = raw.dtype == bool
    if raw.dtype.kind in "iufO" and not truth:
        try:
            return np.asarray(raw, dtype=np.float64)
        except (TypeError, ValueError, OverflowError):
            pass
    msg = f"`{argument}` must be {rule}; got {values!r}."
    raise FanstatsError(msg)


def numbers_in_a_row(argument: str, values: Any, *, rule: str, mend: str = "") -> FloatArray:
    """Return values as finite floats in a row, else raise.

    Parameters
    ----------
    argument : str
        The name of the argument, for the message.
    values : array_like
        What the caller passed; a single number is a row of one.
    rule : str
        What it must be, for the message.
    mend : str
        A sentence that says what to do instead.

    Returns
    -------
    ndarray, shape (values,)

    Raises
    ------
    FanstatsError
        If it is no row, or something in it is not a finite number.

    Examples
    --------
    >>> numbers_in_a_row("values", 31.2, rule="finite numbers in a row")
    array([31.2])
    """
    after = f" {mend}" if mend else ""
    try:
        row = np.atleast_1d(plain_numbers(argument, values, rule=rule))
    except (FanstatsError, ValueError) as error:  # a ragged list is no array at all
        msg = f"`{argument}` must be {rule}; got {values!r}.{after}"
        raise FanstatsError(msg) from error
    if row.ndim != 1 or row.size == 0 or not np.isfinite(row).all():
        msg = f"`{argument}` must be {rule}; got {values!r}.{after}"
        raise FanstatsError(msg)
    return row
