"""Variance components of readings in groups: closed forms, REML, and intervals for each."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
import pandas as pd

from fanstats._arguments import fraction
from fanstats._typing import FloatArray
from fanstats.errors import one_of
from fanstats.spread.anova import (
    Anova,
    analysis_of_variance,
    checked_values,
    groups_of,
    labels_within,
)
from fanstats.spread.component_intervals import component_interval, satterthwaite_dof

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import ArrayLike

__all__ = ["VarianceComponents", "labels_within", "variance_components"]

Method = Literal["REML", "closed form"]
# A component below this share of the total is at the boundary for the numerical optimiser.
_BOUNDARY: Final = 1e-6
_MODIFIED: Final = "modified large sample (Burdick and Graybill 1992)"
_EXACT: Final = "chi-square, exact"
_ZERO: Final = "raw variance is 0: read the upper limit"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class VarianceComponents:
    """Variance components, with what is known of each.

    Attributes
    ----------
    table : pandas.DataFrame
        A row a component, the residual last: component, sd, variance, raw_variance, dof, low,
        high (ends of the interval for the standard deviation; no upper one where readings are
        alike to the last digit), how, interval, status. The raw variance is the closed form,
        negative where it came out so; dof are Satterthwaite's.
    anova : Anova
        The mean squares behind it.
    means : pandas.Series
        Mean of each group of the fixed factor (of all readings without one), by generalised least
        squares.
    covariance : pandas.DataFrame
        Covariance of `means`.
    criterion : float
        Minus twice the restricted log likelihood at the estimates.
    probability : float
        Coverage probability of the intervals.
    """

    table: pd.DataFrame
    anova: Anova
    means: pd.Series
    covariance: pd.DataFrame
    criterion: float
    probability: float

    def component(self, name: str) -> float:
        """Give one estimated variance.

        Parameters
        ----------
        name : str
            Name of the component.

        Returns
        -------
        float
            NaN where it is not estimable.
        """
        one_of("name", name, self.table["component"])
        return float(self.table.set_index("component")["variance"][name])

    def __repr__(self) -> str:
        """Show the table."""
        shown = self.table[["component", "sd", "low", "high", "raw_variance", "dof", "status"]]
        return str(shown.to_string(index=False, float_format="{:.4g}".format))

    def _repr_html_(self) -> str:
        return str(self.table.to_html(index=False, float_format="{:.4g}".format, border=0))


def variance_components(
    values: ArrayLike,
    *,
    random: Mapping[str, Sequence[object] | ArrayLike],
    fixed: Sequence[object] | ArrayLike | None = None,
    residual: str = "readings",
    method: Method = "REML",
    probability: float = 0.95,
) -> VarianceComponents:
    """Estimate how much of the scatter of readings comes from each kind of group.

    Parameters
    ----------
    values : array_like, shape (reading,)
        Readings, in any unit.
    random : mapping of str to labels
        Kinds of group whose members are a sample, outermost first: unit, sitting. Labels that
        are numbered anew within each group go through `labels_within`. Kinds may cross.
    fixed : labels, optional
        Groups with means of their own that are no sample: the model.
    residual : str
        What is left: "readings".
    method : {"REML", "closed form"}
        Restricted maximum likelihood, or each raw variance with negative ones set to 0.
    probability : float
        Coverage probability of the intervals.

    Returns
    -------
    VarianceComponents

    Raises
    ------
    FanstatsError
        If a factor has not one label a reading, or readings are not finite.

    Notes
    -----
    In a balanced layout REML has a closed form: the mean squares solved for the components, and
    a negative one pooled into what lies below it. Otherwise it is found by statsmodels; where
    that ends on the boundary, does not converge or meets a singular matrix, the negative
    components are pooled away and the rest solved again. `how` says which.

    References
    ----------
    Searle, Casella and McCulloch, Variance Components (1992), chapters 3 to 6; Thompson, Ann.
    Math. Statist. 33 (1962) 273-289 (pooling). Intervals: `component_interval`.

    Examples
    --------
    >>> levels = [30.0, 30.2, 31.0, 31.2, 33.0, 33.2, 32.0, 32.2]
    >>> model, unit = list("AAAABBBB"), list("11221122")
    >>> found = variance_components(
    ...     levels, random={"unit": labels_within(model, unit)}, fixed=model
    ... )
    >>> round(found.component("unit"), 4), round(found.component("readings"), 4)
    (0.49, 0.02)
    """
    numbers = checked_values(values)
    one_of("method", method, ["REML", "closed form"])
    fraction("probability", probability)
    groups = {} if fixed is None else {"fixed": fixed}
    anova = analysis_of_variance(numbers, fixed=groups, random=random, residual=residual)
    raw = anova.components()
    variances, how, status = _estimate(numbers, anova, random, fixed, residual, method, raw)
    intervals = [_interval(anova, place, probability) for place in range(raw.size)]
    table = pd.DataFrame(
        {
            "component": anova.random,
            "sd": np.sqrt(variances),
            "variance": variances,
            "raw_variance": raw,
            "dof": [_dof(anova, place) for place in range(raw.size)],
            "low": [np.sqrt(each[0]) for each in intervals],
            "high": [np.sqrt(each[1]) for each in intervals],
            "how": how,
            "interval": [each[2] for each in intervals],
            "status": status,
        }
    )
    means, covariance, criterion = _generalised_means(numbers, anova, fixed, variances)
    return VarianceComponents(
        table=table,
        anova=anova,
        means=means,
        covariance=covariance,
        criterion=criterion,
        probability=probability,
    )


# Estimates -------------------------------------------------------------------------------------


def _estimate(
    values: FloatArray,
    anova: Anova,
    random: Mapping[str, Sequence[object] | ArrayLike],
    fixed: Sequence[object] | ArrayLike | None,
    residual: str,
    method: Method,
    raw: FloatArray,
) -> tuple[FloatArray, str, list[str]]:
    """Give variances, how they were found, and a status each."""
    can = anova.estimable
    status = [_status(anova, place, float(raw[place])) for place in range(raw.size)]
    if method == "closed form":
        return np.where(can, np.maximum(raw, 0.0), np.nan), "closed form", status
    if not can.all():
        return _pooled(values, random, fixed, residual), "closed form", status
    if anova.balanced:
        return _pooled(values, random, fixed, residual), "REML, closed form", status
    found, trouble = _by_statsmodels(values, random, fixed, raw)
    if found is not None:
        return found, "REML, statsmodels", status
    return _pooled(values, random, fixed, residual), f"closed form ({trouble})", status


def _status(anova: Anova, place: int, raw: float) -> str:
    if not anova.estimable[place]:
        if place == len(anova.random) - 1:
            return "not estimable: need at least 2 readings of one group"
        return "not estimable: no two groups of this kind to compare"
    hidden = (anova.coefficients[anova.fixed + place] > 0) & ~anova.estimable
    if hidden.any():
        names = " and ".join(np.array(anova.random)[hidden])
        return f"together with {names}, which cannot be told apart here"
    if raw < 0:
        return f"raw variance {raw:.3g} is negative: taken as 0, read the upper limit"
    if raw == 0:
        parts = _parts(anova, place)
        alike = parts is not None and not parts[0].any()
        return "readings alike to the last digit: no upper limit" if alike else _ZERO
    return ""


def _pooled(
    values: FloatArray,
    random: Mapping[str, Sequence[object] | ArrayLike],
    fixed: Sequence[object] | ArrayLike | None,
    residual: str,
) -> FloatArray:
    """Solve the mean squares, pooling what comes out negative into what lies below it."""
    kept = dict(random)
    groups = {} if fixed is None else {"fixed": fixed}
    while True:
        anova = analysis_of_variance(values, fixed=groups, random=kept, residual=residual)
        found = anova.components()
        lowest = int(np.argmin(np.nan_to_num(found[:-1], nan=1.0))) if found.size > 1 else -1
        if lowest < 0 or not found[lowest] < 0:
            break
        kept.pop(anova.random[lowest])
    estimates = dict(zip(anova.random, found, strict=True))
    return np.array([float(estimates.get(name, 0.0)) for name in (*random, residual)])


def _by_statsmodels(
    values: FloatArray,
    random: Mapping[str, Sequence[object] | ArrayLike],
    fixed: Sequence[object] | ArrayLike | None,
    raw: FloatArray,
) -> tuple[FloatArray | None, str]:
    """Maximise the restricted likelihood numerically; None with a reason where that fails."""
    import statsmodels.formula.api as smf

    if (raw[:-1] <= 0).any():
        return None, "a negative component is pooled"
    size = values.size
    scale = float(values.std())
    codes = {f"f{i}": groups_of(n, labels, size) for i, (n, labels) in enumerate(random.items())}
    model = np.zeros(size, dtype=np.intp) if fixed is None else groups_of("fixed", fixed, size)
    data = pd.DataFrame({"y": (values - values.mean()) / scale, "model": model, **codes})
    mean = "1" if fixed is None else "0 + C(model)"
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            fit: Any = smf.mixedlm(
                f"y ~ {mean}",
                data,
                groups=np.zeros(size),
                vc_formula={name: f"0 + C({name})" for name in codes},
            ).fit(reml=True, method=["lbfgs", "bfgs", "nm"], maxiter=500)
    except (np.linalg.LinAlgError, ValueError) as error:
        return None, f"statsmodels: {type(error).__name__}"
    # Names sort as f0, f1, ... up to ten kinds of group, which is the order they stand in.
    found = np.array([*fit.vcomp, fit.scale], dtype=np.float64) * scale**2
    if not (fit.converged and np.isfinite(found).all()):
        return None, "statsmodels did not converge"
    if (found[:-1] < _BOUNDARY * found.sum()).any():
        return np.where(found < _BOUNDARY * found.sum(), 0.0, found), ""
    return found, ""


# What is known of each -------------------------------------------------------------------------


def _parts(anova: Anova, place: int) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    """Mean squares, degrees of freedom and weights of one component."""
    weights = anova.weights()[place]
    if np.isnan(weights).any():
        return None
    used = weights != 0
    return anova.mean_squares[anova.fixed :][used], anova.dof[anova.fixed :][used], weights[used]


def _dof(anova: Anova, place: int) -> float:
    parts = _parts(anova, place)
    return float("nan") if parts is None else satterthwaite_dof(*parts)


def _interval(anova: Anova, place: int, probability: float) -> tuple[float, float, str]:
    parts = _parts(anova, place)
    if parts is None:
        return float("nan"), float("nan"), ""
    low, high = component_interval(*parts, probability=probability)
    if not high > 0:  # alike to the last digit: what lies below it is not known
        return low, float("nan"), ""
    return low, high, _EXACT if parts[0].size == 1 else _MODIFIED


def _generalised_means(
    values: FloatArray,
    anova: Anova,
    fixed: Sequence[object] | ArrayLike | None,
    variances: FloatArray,
) -> tuple[pd.Series, pd.DataFrame, float]:
    """Means by generalised least squares at the estimates, and the restricted criterion."""
    size = values.size
    codes = np.zeros(size, dtype=np.intp) if fixed is None else groups_of("fixed", fixed, size)
    names = ["mean"] if fixed is None else _names(fixed, codes)
    design = np.asarray(codes[:, None] == np.arange(len(names)), dtype=np.float64)
    v = np.eye(size) * np.nan_to_num(variances[-1])
    for indicator, variance in zip(anova.indicators, variances[:-1], strict=True):
        v += np.nan_to_num(variance) * (indicator @ indicator.T)
    sign, log_v = np.linalg.slogdet(v)
    if sign <= 0 or not np.isfinite(log_v):
        means = pd.Series(np.linalg.lstsq(design, values, rcond=None)[0], index=names)
        nothing = np.zeros((len(names),) * 2)
        return means, pd.DataFrame(nothing, index=names, columns=names), float("nan")
    origin = float(values.mean())
    solved = np.linalg.solve(v, np.column_stack([design, values - origin]))
    information = design.T @ solved[:, :-1]
    beta = np.linalg.solve(information, design.T @ solved[:, -1])
    left = values - origin - design @ beta
    criterion = (
        log_v
        + np.linalg.slogdet(information)[1]
        + float(left @ np.linalg.solve(v, left))
        + (size - len(names)) * np.log(2.0 * np.pi)
    )
    covariance = pd.DataFrame(np.linalg.inv(information), index=names, columns=names)
    return pd.Series(beta + origin, index=names), covariance, float(criterion)


def _names(fixed: Sequence[object] | ArrayLike, codes: np.ndarray) -> list[str]:
    labels = list(fixed) if isinstance(fixed, (list, tuple, str)) else np.asarray(fixed).tolist()
    first = np.unique(codes, return_index=True)[1]
    return [str(labels[place]) for place in first]
