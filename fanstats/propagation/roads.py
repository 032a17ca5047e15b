"""Both roads side by side: where first order agrees with Monte Carlo, and what parts them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
import pandas as pd

from fanstats._arguments import fraction
from fanstats._typing import FloatArray
from fanstats.decisions.selection import quantities_of
from fanstats.engine.first_order import coverage_factor
from fanstats.errors import FanstatsError
from fanstats.propagation.effect_tables import first_order_interval
from fanstats.propagation.linear_draws import as_draws
from fanstats.propagation.monte_carlo import coverage_interval, quantile_error
from fanstats.propagation.stability import numerical_tolerance

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["Roads", "compare_ends", "compare_roads"]

Verdict = Literal["agree", "few degrees of freedom", "disagree", "more draws needed"]
# Below this share of a value there is rounding, not uncertainty.
_NOTHING: Final = 1e-12
_COLUMNS: Final = (
    "quantity",
    "obstruction",
    "scope",
    "model",
    "verdict",
    "trusted",
    "because",
    "low",
    "high",
    "first_order_low",
    "first_order_high",
    "tolerance",
    "low_error",
    "high_error",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Roads:
    """One interval on both roads.

    Attributes
    ----------
    verdict : {"agree", "few degrees of freedom", "disagree", "more draws needed"}
        Whether both ends lie within the tolerance of each other; "few degrees of freedom" where
        they do not, and only because the formula for effective degrees of freedom is rough.
    because : str
        What parts the roads: "curvature" (results do not move in proportion to errors), "shape"
        (one limit rules, so the sum is no normal), "few degrees of freedom", or "".
    trusted : bool
        Whether first order may be used.
    low, high : float
        Ends by Monte Carlo.
    first_order_low, first_order_high : float
        Ends by first order.
    tolerance : float
        Half a unit of the last digit of u that counts.
    low_error, high_error : float
        Monte Carlo standard errors of the ends.
    """

    verdict: Verdict
    because: str
    trusted: bool
    low: float
    high: float
    first_order_low: float
    first_order_high: float
    tolerance: float
    low_error: float
    high_error: float


def compare_ends(
    draws: FloatArray,
    first_order: tuple[float, float],
    *,
    standard_uncertainty: float,
    linear: FloatArray | None = None,
    linear_known: FloatArray | None = None,
    known: tuple[float, float] | None = None,
    probability: float = 0.95,
    digits: int = 1,
) -> Roads:
    """Compare one interval by first order with one by Monte Carlo.

    Parameters
    ----------
    draws : ndarray, shape (draw,)
        Monte Carlo draws.
    first_order : (float, float)
        Interval to first order: estimate plus and minus the expanded uncertainty.
    standard_uncertainty : float
        Combined standard uncertainty to first order.
    linear : ndarray, shape (draw,), optional
        What the same errors would give if they acted in proportion: tells curvature from the rest.
    linear_known : ndarray, shape (draw,), optional
        As `linear`, with every standard uncertainty taken as known: tells the shape of the
        distribution from degrees of freedom.
    known : (float, float), optional
        The interval to first order with infinite degrees of freedom, beside `linear_known`.
    probability : float
        Coverage probability of the intervals.
    digits : int
        Significant digits of the standard uncertainty that count.

    Returns
    -------
    Roads

    Notes
    -----
    The tolerance is half a unit of the last digit that counts. An end counts as apart when it is
    so by more than the tolerance and twice its Monte Carlo standard error, as together when it is
    so even with that added. Few degrees of freedom are no fault of first order: they widen both
    intervals, and where the two widen differently it is the formula of Welch and Satterthwaite
    that is rough, not the linear model.

    References
    ----------
    JCGM 101:2008, 8.1 and 8.2.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> length = rng.normal(0.0, 0.005, 100_000)
    >>> loss = compare_ends(length**2, (0.0, 0.0), standard_uncertainty=0.0)
    >>> loss.verdict
    'disagree'
    """
    values = np.asarray(draws, dtype=np.float64)
    tails = np.array([(1.0 - probability) / 2.0, (1.0 + probability) / 2.0])
    ends = np.array(coverage_interval(values, fraction("probability", probability)))
    errors = np.nan_to_num(quantile_error(values, tails), nan=np.inf)
    size = standard_uncertainty if standard_uncertainty > 0 else float(values.std())
    if size <= _NOTHING * np.abs(values).max():
        errors, size = np.zeros(2), 0.0  # nothing is uncertain on either road but rounding
    tolerance = max(float(numerical_tolerance(size, digits)), _NOTHING * float(np.abs(ends).max()))
    apart, together = _apart(ends, np.array(first_order), errors, tolerance)
    verdict: Verdict = "agree"
    because = ""
    if apart:
        because = _because(ends, tolerance, errors, linear, linear_known, known, probability)
        few = because == "few degrees of freedom"
        verdict = "few degrees of freedom" if few else "disagree"
    elif not together:
        verdict = "more draws needed"
    return Roads(
        verdict=verdict,
        because=because,
        trusted=verdict in ("agree", "few degrees of freedom"),
        low=float(ends[0]),
        high=float(ends[1]),
        first_order_low=float(first_order[0]),
        first_order_high=float(first_order[1]),
        tolerance=tolerance,
        low_error=float(errors[0]),
        high_error=float(errors[1]),
    )


def _apart(
    ends: FloatArray, others: FloatArray, errors: FloatArray, tolerance: float
) -> tuple[bool, bool]:
    distance = np.abs(ends - others)
    return (
        bool((distance - 2.0 * errors > tolerance).any()),
        bool((distance + 2.0 * errors <= tolerance).all()),
    )


def _because(
    ends: FloatArray,
    tolerance: float,
    errors: FloatArray,
    linear: FloatArray | None,
    linear_known: FloatArray | None,
    known: tuple[float, float] | None,
    probability: float,
) -> str:
    """Name what parts the roads; the same draws stand behind both, so chance hardly does."""
    if linear is None:
        return "curvature, shape or degrees of freedom"
    straight = np.array(coverage_interval(linear, probability))
    if (np.abs(ends - straight) > tolerance).any():
        return "curvature"
    if linear_known is None or known is None:
        return "shape or degrees of freedom"
    plain = np.array(coverage_interval(linear_known, probability))
    apart, _ = _apart(plain, np.array(known), errors, tolerance)
    return "shape" if apart else "few degrees of freedom"


def compare_roads(
    found: xr.Dataset,
    estimates: xr.Dataset,
    *,
    probability: float = 0.95,
    digits: int = 1,
) -> pd.DataFrame:
    """Say result by result whether first order may be trusted where Monte Carlo was run too.

    Parameters
    ----------
    found : Dataset
        From `first_order`.
    estimates : Dataset
        From `equal_noise`, `equal_drive` or `equal_speed`, of the same readings, bench and
        question.
    probability : float
        Coverage probability of the intervals.
    digits : int
        Significant digits of the standard uncertainty that count: 1 or 2. Two take some hundred
        thousand draws.

    Returns
    -------
    DataFrame
        A row a result: `quantity`, `obstruction`, `scope`, `model`, and the fields of `Roads`. A
        result that only one road gives has the verdict "disagree".

    Raises
    ------
    FanstatsError
        If the two do not answer one question.

    References
    ----------
    JCGM 101:2008, clause 8.

    Examples
    --------
    >>> import fanstats as fs
    >>> from fanstats.propagation.first_order import first_order
    >>> readings, bench = fs.demo.readings(), fs.demo.bench()
    >>> roads = compare_roads(
    ...     first_order(readings, 33, bench=bench),
    ...     fs.equal_noise(readings, 33, bench=bench, draws=4000, rng=1))
    >>> sorted(roads.verdict.unique())
    ['agree', 'disagree', 'more draws needed']
    """
    _check_same(found, estimates)
    root, number = int(str(estimates["root"].item())), int(estimates.sizes["draw"])
    straight = as_draws(found, draws=number, rng=root)
    limits = found["label_dof"].copy(data=np.full(found.sizes["label"], np.inf))
    plain = as_draws(found.assign_coords(label_dof=limits), draws=number, rng=root)
    rows: list[dict[str, Any]] = []
    for name in quantities_of(estimates):
        array = estimates[name].transpose(..., "draw")
        dims = array.dims[:-1]
        interval = first_order_interval(found, name, probability=probability)
        parts = {
            "mc": array.to_numpy(),
            "linear": straight[name].transpose(*dims, "draw").to_numpy(),
            "known": plain[name].transpose(*dims, "draw").to_numpy(),
            "ends": interval.transpose(*dims, "bound").to_numpy(),
            "value": found[f"{name}_value"].transpose(*dims).to_numpy(),
            "u": found[f"{name}_standard_uncertainty"].transpose(*dims).to_numpy(),
        }
        for place in np.ndindex(array.shape[:-1]):
            labels = {str(d): str(array[d].values[i]) for d, i in zip(dims, place, strict=True)}
            roads = _roads({key: part[place] for key, part in parts.items()}, probability, digits)
            if roads is not None:
                rows.append({"quantity": name, "obstruction": "", **labels, **_fields(roads)})
    return pd.DataFrame(rows, columns=list(_COLUMNS))


def _fields(roads: Roads) -> dict[str, Any]:
    return {name: getattr(roads, name) for name in Roads.__dataclass_fields__}


def _check_same(found: xr.Dataset, estimates: xr.Dataset) -> None:
    held = ("level", "drive", "drive_units", "speed", "background", "target", "curve", "pooled")
    for name in held:
        if found.attrs.get(name) != estimates.attrs.get(name):
            msg = (
                f"both roads must answer one question: `found` has {name} "
                f"{found.attrs.get(name)!r} and `estimates` {estimates.attrs.get(name)!r}."
            )
            raise FanstatsError(msg)
    if list(found["model"].values) != list(estimates["model"].values):
        msg = "both roads must answer one question: `found` and `estimates` hold other models."
        raise FanstatsError(msg)


def _roads(part: dict[str, FloatArray], probability: float, digits: int) -> Roads | None:
    here = bool(np.isfinite(part["value"]))
    there = bool(np.isfinite(part["mc"]).all())
    if not (here or there):
        return None
    if not (here and there):
        missing = "more than half of the draws lie beyond the readings" if here else "no value"
        nan = float("nan")
        return Roads(
            verdict="disagree", because=missing, trusted=False, low=nan, high=nan,
            first_order_low=float(part["ends"][0]), first_order_high=float(part["ends"][1]),
            tolerance=nan, low_error=nan, high_error=nan,
        )  # fmt: skip
    u, value = float(part["u"]), float(part["value"])
    reach = float(coverage_factor(np.inf, probability)) * u
    return compare_ends(
        part["mc"],
        (float(part["ends"][0]), float(part["ends"][1])),
        standard_uncertainty=u,
        linear=part["linear"],
        linear_known=part["known"],
        known=(value - reach, value + reach),
        probability=probability,
        digits=digits,
    )
