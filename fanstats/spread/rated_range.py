"""A control range against what the maker rates: how likely each of its ends keeps it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Final

from fanstats._arguments import number
from fanstats.errors import FanstatsError, one_of
from fanstats.spread.conformity import conformity

if TYPE_CHECKING:
    import pandas as pd

    from fanstats.sources import Source

Ratings = Mapping[str, Mapping[str, float]]

__all__ = ["set_against_rating"]

# Rated drives are promises of the kind "starts at 7 V": at most so much. Rated speeds have a band.
_DRIVES: Final = ("start drive", "stop drive", "lowest running drive")
_SPEEDS: Final = ("lowest speed", "top speed")


def set_against_rating(
    table: pd.DataFrame, ratings: Ratings, tolerance: float | str | Source
) -> pd.DataFrame:
    """Add what is rated to a table of control ranges, and how likely it is kept.

    Parameters
    ----------
    table : pandas.DataFrame
        A row a sample and quantity, with value, low, high, u.
    ratings : mapping of str to mapping of str to float
        By model and quantity.
    tolerance : float, str or Source
        The band around a rated speed.

    Returns
    -------
    pandas.DataFrame
        With the columns rated and kept: the chance that a drive is at most the rated one, that a
        speed lies in its band; NaN where nothing is rated or the sweep does not tell.

    Raises
    ------
    FanstatsError
        If a model or quantity is none of those in the table.
    """
    _check(table, ratings)
    rated, kept = [], []
    for row in table.to_dict("records"):
        nominal = ratings.get(str(row["model"]), {}).get(str(row["quantity"]), math.nan)
        rated.append(float(nominal))
        kept.append(_kept({str(k): v for k, v in row.items()}, float(nominal), tolerance))
    return table.assign(rated=rated, kept=kept)


def _check(table: pd.DataFrame, ratings: Ratings) -> None:
    models = list(dict.fromkeys(table["model"].astype(str)))
    for model, held in ratings.items():
        if model not in models:
            names = ", ".join(models)
            msg = f"`ratings` must name models of the readings ({names}); got {model!r}."
            raise FanstatsError(msg)
        for quantity, value in held.items():
            one_of(f"ratings[{model!r}]", quantity, [*_DRIVES, *_SPEEDS])
            number(f"ratings[{model!r}][{quantity!r}]", value, above=0)


def _kept(row: Mapping[str, object], rated: float, tolerance: float | str | Source) -> float:
    value, low, high, u = (float(str(row[name])) for name in ("value", "low", "high", "u"))
    if math.isnan(rated):
        return math.nan
    if row["quantity"] in _SPEEDS:
        if math.isnan(value) or math.isnan(u):
            return math.nan
        return conformity(value, u, rated=rated, tolerance=tolerance).probability
    if not math.isnan(high) and rated >= high:
        return 1.0
    if not math.isnan(low) and rated <= low:
        return 0.0
    # It lies anywhere between two steps of the sweep; with one end missing nothing is known.
    return (rated - low) / (high - low) if low < high else math.nan
