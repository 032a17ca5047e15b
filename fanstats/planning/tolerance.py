"""Promises for most units of a model, and for the next ones: tolerance and prediction intervals.

A tolerance interval holds, with the stated confidence, at least a stated share (content) of all
units of a model. A prediction interval holds all of the next `k` units with a stated probability.
Both speak of the units themselves: the measurement error of the units tested is taken out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
import pandas as pd
from scipy import stats

from fanstats._arguments import count, fraction, number
from fanstats.errors import FanstatsError, one_of
from fanstats.planning.inputs import numbers_in_a_row
from fanstats.planning.power import smallest_whole
from fanstats.planning.regions import (
    SIDES,
    Side,
    UnitsState,
    prediction_distance,
    tolerance_distance,
    tolerance_factor,
)
from fanstats.planning.shown import Shown

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from fanstats._typing import FloatArray

__all__ = [
    "PromisedRange",
    "distribution_free_interval",
    "distribution_free_units",
    "prediction_interval",
    "tolerance_factor",
    "tolerance_interval",
]


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class PromisedRange(Shown):
    """A range that most units, or the next ones, keep to.

    Attributes
    ----------
    kind : {"tolerance", "prediction"}
        For a share of all units, or for the next ones.
    low, high : float
        Ends; infinite on a side about which nothing is promised.
    content : float
        Least share of all units inside (NaN for a prediction interval).
    confidence : float
        Confidence that the share is kept; for a prediction interval its probability.
    ahead : int
        Number of next units that all lie inside (0 for a tolerance interval).
    n : int
        Units tested.
    mean : float
        Their mean.
    spread : float
        Estimate of the spread from unit to unit, measurement error taken out.
    dof : float
        Degrees of freedom behind it.
    factor : float
        Distance from the mean to the end, in standard deviations of one unit's result.
    method : str
        How the ends were found.
    units : str
        Unit of the numbers.
    """

    kind: Literal["tolerance", "prediction"]
    low: float
    high: float
    content: float
    confidence: float
    ahead: int
    n: int
    mean: float
    spread: float
    dof: float
    factor: float
    method: str
    units: str

    def sentence(self) -> str:
        """Say the promise in one sentence.

        Returns
        -------
        str
        """
        unit = f" {self.units}" if self.units else ""
        if math.isinf(self.low):
            where = f"at or below {self.high:.4g}{unit}"
        elif math.isinf(self.high):
            where = f"at or above {self.low:.4g}{unit}"
        else:
            where = f"between {self.low:.4g} and {self.high:.4g}{unit}"
        samples = "1 sample" if self.n == 1 else f"{self.n} samples"
        if self.kind == "tolerance":
            who = f"at least {100 * self.content:g} of 100 samples of the model lie"
            sure = f"confidence {self.confidence:g}"
        else:
            who = (
                "the next sample lies"
                if self.ahead == 1
                else f"the next {self.ahead} samples all lie"
            )
            sure = f"{100 * self.confidence:g} times in 100"
        return f"{who[0].upper()}{who[1:]} {where} ({sure}; {samples} tested; {self.method})."

    def table(self) -> pd.DataFrame:
        """Give the promise as one row.

        Returns
        -------
        DataFrame
        """
        names = ("kind", "low", "high", "content", "confidence", "ahead", "n", "mean", "spread",
                 "dof", "factor", "method", "units")  # fmt: skip
        return pd.DataFrame([{name: getattr(self, name) for name in names}])


def _results(values: ArrayLike, least: int) -> FloatArray:
    results = numbers_in_a_row(
        "values",
        values,
        rule="finite numbers in a row, one a unit",
        mend="Leave a unit without a result out and say so.",
    )
    if results.size < least:
        msg = (
            f"`values` must hold at least {least} units; got {results.size}. One unit says "
            "nothing about the spread: test a second, or state `spread` and `spread_dof`."
        )
        raise FanstatsError(msg)
    return results


def _state(
    values: ArrayLike,
    spread: float | None,
    spread_dof: float | None,
    measurement: float,
    shared: float,
) -> tuple[UnitsState, float]:
    """Give the state of knowledge and the mean."""
    if (spread is None) != (spread_dof is None):
        missing = "spread" if spread is None else "spread_dof"
        msg = f"`{missing}` must be given with its partner: a spread and its degrees of freedom."
        raise FanstatsError(msg)
    error = number("measurement", measurement, at_least=0) ** 2
    common = number("shared", shared, at_least=0) ** 2
    if spread is None or spread_dof is None:
        results = _results(values, 2)
        square, dof = float(results.var(ddof=1)), float(results.size - 1)
        if square == 0:
            msg = (
                f"`values` must not all be equal; got {results.size} times {results[0]:g}. A "
                "display that rounds them alike hides the spread: state `spread` and `spread_dof`."
            )
            raise FanstatsError(msg)
    else:
        results = _results(values, 1)
        square = number("spread", spread, at_least=0) ** 2 + error
        dof = number("spread_dof", spread_dof, above=0, infinite=True)
        if square == 0:
            msg = "`spread` and `measurement` must not both be 0; got 0 and 0."
            raise FanstatsError(msg)
    state = UnitsState(n=results.size, mean_square=square, dof=dof, error=error, shared=common)
    return state, float(results.mean())


def _ends(mean: float, distance: float, side: Side) -> tuple[float, float]:
    low = -math.inf if side == "upper" else mean - distance
    high = math.inf if side == "lower" else mean + distance
    return low, high


def _method(state: UnitsState) -> str:
    origin = (
        "spread known" if math.isinf(state.dof) else f"spread with {state.dof:g} degrees of freedom"
    )
    exact = state.error == 0 and state.shared == 0
    return f"normal, {origin}, " + ("exact" if exact else "measurement error taken out")


def tolerance_interval(
    values: ArrayLike,
    *,
    content: float,
    confidence: float,
    side: Side = "both",
    spread: float | None = None,
    spread_dof: float | None = None,
    measurement: float = 0.0,
    shared: float = 0.0,
    units: str = "",
) -> PromisedRange:
    """Promise for most units: a normal tolerance interval.

    Parameters
    ----------
    values : array_like
        One result a unit.
    content : float
        Least share of all units of the model inside.
    confidence : float
        Confidence that this share is kept.
    side : {"both", "upper", "lower"}
        A range, an upper limit ("not louder than") or a lower one.
    spread, spread_dof : float, optional
        Spread from unit to unit and its degrees of freedom where it comes from elsewhere, such as
        other models (infinite: known); both or none. Left out, these units tell.
    measurement : float
        Standard uncertainty of one unit's measurement, new with each unit: taken out.
    shared : float
        Standard uncertainty of what all these results share, such as the meter's calibration.
        It shifts the whole promise, so it widens it.
    units : str
        Unit of the numbers, for sentences.

    Returns
    -------
    PromisedRange

    Raises
    ------
    FanstatsError
        With one unit and no stated spread; with results all equal; with fractions that are none.

    Notes
    -----
    With no measurement error this is the exact interval of ISO 16269-6. With one, the mean
    square of results is drawn as ``MS nu / chi2`` *before* the measurement variance comes off, and
    is not let below 0 (a fiducial interval). In simulation 0.95 came out as 0.945-0.958 for 2 to
    20 units and a measurement error from 0 to twice the spread; a shared error makes it cautious
    (0.96-0.97).

    References
    ----------
    ISO 16269-6:2014; Krishnamoorthy and Mathew (2009), Statistical Tolerance Regions.

    Examples
    --------
    >>> limit = tolerance_interval([31.2, 31.9, 30.8], content=0.95, confidence=0.95,
    ...                            side="upper", units="dBA")
    >>> round(limit.high, 4)
    35.5626
    >>> limit.sentence().partition(" (")[0]
    'At least 95 of 100 samples of the model lie at or below 35.56 dBA'
    """
    one_of("side", side, SIDES)
    share, sure = fraction("content", content), fraction("confidence", confidence)
    state, mean = _state(values, spread, spread_dof, measurement, shared)
    deviation = math.sqrt(state.mean_square)
    if state.error == 0 and state.shared == 0:
        factor = float(
            tolerance_factor(state.n, content=share, confidence=sure, side=side, dof=state.dof)
        )
    else:
        factor = tolerance_distance(state, share, sure, side) / deviation
    low, high = _ends(mean, factor * deviation, side)
    return PromisedRange(
        kind="tolerance",
        low=low,
        high=high,
        content=share,
        confidence=sure,
        ahead=0,
        n=state.n,
        mean=mean,
        spread=math.sqrt(max(0.0, state.mean_square - state.error)),
        dof=state.dof,
        factor=factor,
        method=_method(state),
        units=units,
    )


def prediction_interval(
    values: ArrayLike,
    *,
    ahead: int = 1,
    probability: float = 0.95,
    side: Side = "both",
    spread: float | None = None,
    spread_dof: float | None = None,
    measurement: float = 0.0,
    shared: float = 0.0,
    units: str = "",
) -> PromisedRange:
    """Predict the next units somebody buys: all of them lie inside.

    Parameters
    ----------
    values : array_like
        One result a unit.
    ahead : int
        Number of next units.
    probability : float
        Probability that all of them lie inside.
    side, spread, spread_dof, measurement, shared, units
        As in `tolerance_interval`. The next units' own values are meant, without the error of
        measuring them; for what the same bench will *read*, leave `measurement` at 0.

    Returns
    -------
    PromisedRange

    Raises
    ------
    FanstatsError
        As in `tolerance_interval`.

    References
    ----------
    Hahn and Meeker (1991), Statistical Intervals, chapter 4.

    Examples
    --------
    >>> next_one = prediction_interval([31.2, 31.9, 30.8], units="dBA")
    >>> round(next_one.low, 2), round(next_one.high, 2)
    (28.53, 34.07)
    """
    one_of("side", side, SIDES)
    number_ahead, sure = count("ahead", ahead), fraction("probability", probability)
    state, mean = _state(values, spread, spread_dof, measurement, shared)
    deviation = math.sqrt(state.mean_square)
    distance = prediction_distance(state, sure, number_ahead, side)
    low, high = _ends(mean, distance, side)
    return PromisedRange(
        kind="prediction",
        low=low,
        high=high,
        content=math.nan,
        confidence=sure,
        ahead=number_ahead,
        n=state.n,
        mean=mean,
        spread=math.sqrt(max(0.0, state.mean_square - state.error)),
        dof=state.dof,
        factor=distance / deviation,
        method=_method(state),
        units=units,
    )


# --- without a distribution ------------------------------------------------------------------


def _kept(n: int, left_out: int, content: float) -> float:
    """Confidence that all but `left_out` of the n + 1 blocks between results keep `content`."""
    return float(stats.beta.sf(content, n + 1 - left_out, left_out))


def distribution_free_units(content: float, confidence: float, *, side: Side = "both") -> int:
    """Give the least number of units for a promise without any assumption on the distribution.

    Parameters
    ----------
    content, confidence : float
        As in `tolerance_interval`.
    side : {"both", "upper", "lower"}
        Smallest to largest result, or one of them as a limit.

    Returns
    -------
    int

    Raises
    ------
    FanstatsError
        If a fraction is none.

    References
    ----------
    ISO 16269-6:2014, clause on distribution-free intervals; Wilks (1941), Annals of
    Mathematical Statistics 12, 91-96.

    Examples
    --------
    >>> distribution_free_units(0.95, 0.95), distribution_free_units(0.95, 0.95, side="upper")
    (93, 59)
    """
    one_of("side", side, SIDES)
    share, sure = fraction("content", content), fraction("confidence", confidence)
    left_out = 2 if side == "both" else 1
    n = smallest_whole(lambda units: _kept(units, left_out, share) >= sure, left_out, 10**9)
    if n is None:
        msg = f"`content` of {share!r} is too close to 1 for any number of units."
        raise FanstatsError(msg)
    return n


def distribution_free_interval(
    values: ArrayLike,
    *,
    content: float,
    confidence: float,
    side: Side = "both",
    units: str = "",
) -> PromisedRange:
    """Promise for most units without any assumption on the distribution.

    Parameters
    ----------
    values : array_like
        One result a unit, measurement error and all.
    content, confidence, side, units
        As in `tolerance_interval`.

    Returns
    -------
    PromisedRange
        Ends are results: as far inside as the confidence permits. `confidence` is the one
        really reached; `factor` is NaN.

    Raises
    ------
    FanstatsError
        With too few units; the message says how many it takes.

    Examples
    --------
    >>> import numpy as np
    >>> results = np.random.default_rng(1).normal(30.0, 0.8, 60)
    >>> limit = distribution_free_interval(results, content=0.95, confidence=0.95, side="upper")
    >>> limit.high == results.max(), round(limit.confidence, 3)
    (np.True_, 0.954)
    """
    results = np.sort(_results(values, 1))
    least = distribution_free_units(content, confidence, side=side)
    n = results.size
    if n < least:
        msg = (
            f"`values` must hold at least {least} units for content {content:g} at confidence "
            f"{confidence:g} without a distribution; got {n}. Test more, ask for less, or use "
            "tolerance_interval if a normal distribution may be assumed."
        )
        raise FanstatsError(msg)
    left_out = 2 if side == "both" else 1
    while left_out < n and _kept(n, left_out + 1, content) >= confidence:
        left_out += 1
    below = {"both": left_out // 2, "upper": 0, "lower": left_out}[side]
    above = left_out - below
    return PromisedRange(
        kind="tolerance",
        low=-math.inf if side == "upper" else float(results[below - 1]),
        high=math.inf if side == "lower" else float(results[n - above]),
        content=content,
        confidence=_kept(n, left_out, content),
        ahead=0,
        n=n,
        mean=float(results.mean()),
        spread=float(results.std(ddof=1)) if n > 1 else math.nan,
        dof=float(n - 1),
        factor=math.nan,
        method="distribution-free",
        units=units,
    )
