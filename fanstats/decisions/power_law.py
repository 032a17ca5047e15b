"""Does one power law fit a model's steps: its exponent, its misfit, and steps that stand out."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal, NamedTuple

import numpy as np
import pandas as pd
from scipy import stats

from fanstats._arguments import fraction
from fanstats.decisions.decision import carried
from fanstats.decisions.generalised_fit import (
    GeneralisedFit,
    generalised_fit,
    misfit_p_value,
    outlier_limit,
)
from fanstats.decisions.power_law_points import PowerLawPoints, power_law_points
from fanstats.engine.curves import has_full_rank
from fanstats.errors import FanstatsError, one_of
from fanstats.tabled import Tabled
from fanstats.wording import figure, listed, range_words, times_words

if TYPE_CHECKING:
    import xarray as xr

    from fanstats._typing import FloatArray
    from fanstats.sources import Bench

__all__ = ["PowerLaw", "power_law"]

Of = Literal["noise", "airflow"]
_LN10: Final = math.log(10.0)
# What the fan laws say: dB a decade of speed, and power of speed.
_FAN_LAWS: Final = {"noise": 50.0, "airflow": 1.0}
_UNITS: Final = {"noise": "dB a decade of speed", "airflow": ""}
_ROUNDS: Final = 30


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class PowerLaw(Tabled):
    """A power law through all steps of one model.

    Attributes
    ----------
    model, of, obstruction : str
        Whose, and what rises with speed.
    exponent : float
        Noise: dB a decade of speed. Airflow: the power of speed.
    standard_uncertainty, low, high : float
        Of the exponent.
    probability : float
        Of its range.
    fan_law : float
        What the fan laws say: 50 lg N, or N.
    steps : DataFrame
        A row a step: sweep, step, speed, read (dB, or ln airflow), fitted, residual,
        standard_uncertainty, statistic, outlier.
    weighed : bool
        Whether stated errors weigh the steps; else all count alike, and their scatter about the
        line stands for errors.
    chi_squared, dof, denominator_dof, p_value : float
        The test of misfit: chi-squared over `dof`, held against F where `denominator_dof` is
        finite. NaN where nothing is stated to judge by.
    outliers : tuple of str
        Steps that stand out, in words.
    false_alarms : float
        Share of sound tables of this kind in which a step is named.
    exponent_without, low_without, high_without : float
        The exponent and its range without the steps that stand out; NaN without any.
    notes : tuple of str
        What should be known.
    """

    model: str
    of: Of
    obstruction: str
    exponent: float
    standard_uncertainty: float
    low: float
    high: float
    probability: float
    fan_law: float
    steps: pd.DataFrame
    weighed: bool
    chi_squared: float
    dof: int
    denominator_dof: float
    p_value: float
    outliers: tuple[str, ...]
    false_alarms: float
    exponent_without: float
    low_without: float
    high_without: float
    notes: tuple[str, ...]

    @property
    def fits(self) -> bool | None:
        """Whether errors of reading explain the misfit, 5 times in 100; None if unknown."""
        return None if math.isnan(self.p_value) else self.p_value >= 0.05

    @property
    def fan_law_inside(self) -> bool:
        """Whether the range of the exponent holds the fan law."""
        return self.low <= self.fan_law <= self.high

    def sentence(self) -> str:
        """Say it in words that can stand under a chart.

        Returns
        -------
        str
        """
        parts = [self._exponent_words(), self._misfit_words(), *self._outlier_words()]
        return " ".join([*parts, carried("Note", self.notes)]).rstrip()

    def _rows(self) -> pd.DataFrame:
        return self.steps

    def _exponent_words(self) -> str:
        u, units = self.standard_uncertainty, _UNITS[self.of]
        behind = f" behind {self.obstruction!r}" if self.obstruction else ""
        rises = {
            "noise": f"The noise of {self.model} rises by",
            "airflow": f"The airflow of {self.model}{behind} goes with speed to the power",
        }[self.of]
        inside = "inside" if self.fan_law_inside else "outside"
        return (
            f"{rises} {figure(self.exponent, u, units)}, range, {times_words(self.probability)} "
            f"(coverage interval): {range_words(self.low, self.high, u, '')}; the fan laws say "
            f"{self.fan_law:g}, {inside} that range."
        )

    def _misfit_words(self) -> str:
        if math.isnan(self.p_value):
            why = "no step is left over" if self.dof < 1 else "no errors of reading are stated"
            return f"Whether one power law fits cannot be judged: {why}."
        test = f"chi-squared {self.chi_squared:.3g} with {self.dof} degrees of freedom"
        if math.isfinite(self.denominator_dof):
            ratio = self.chi_squared / self.dof
            test = (
                f"F {ratio:.3g} with {self.dof} and {self.denominator_dof:.3g} degrees of freedom"
            )
        often = f"{test}; errors of reading alone misfit as much {_often(self.p_value)}"
        if self.fits:
            return f"One power law fits all {len(self.steps)} steps ({often})."
        return f"One power law does not fit all {len(self.steps)} steps ({often})."

    def _outlier_words(self) -> list[str]:
        rate = f"a sound table has such a step {100 * self.false_alarms:g} times in 100"
        if not self.outliers:
            return [f"No step stands out ({rate})."] if self.dof > 1 else []
        them = "it" if len(self.outliers) == 1 else "them"
        without = range_words(self.low_without, self.high_without, self.standard_uncertainty, "")
        return [
            f"Standing out: {listed(self.outliers)}: a resonance, or a typing error ({rate}). "
            f"Without {them}: {figure(self.exponent_without, self.standard_uncertainty)}, "
            f"range {without}."
        ]


def power_law(
    readings: xr.Dataset,
    model: str,
    *,
    bench: Bench,
    of: Of = "noise",
    obstruction: str | None = None,
    probability: float = 0.95,
    false_alarms: float = 0.05,
) -> PowerLaw:
    """Fit one power law to all steps of a model, by least squares weighed with their errors.

    Parameters
    ----------
    readings : xarray.Dataset
        From `read_readings`.
    model : str
        Which model.
    bench : Bench
        What is stated about the instruments: it gives the covariance of the steps.
    of : {"noise", "airflow"}
        What rises with speed: the level of the fan alone, in dB a decade, or the airflow.
    obstruction : str, optional
        Of airflow; may be left out where there is only one.
    probability : float
        Coverage probability of the exponent's range.
    false_alarms : float
        Share of sound tables in which a step may be named by mistake.

    Returns
    -------
    PowerLaw
        With ``sentence()``, ``to_csv()`` and the table ``steps``.

    Raises
    ------
    FanstatsError
        If the model, quantity or obstruction is not there, or it was not swept over speed.

    Notes
    -----
    All sweeps of the model share one exponent, and each has a level of its own: a sample that is
    louder at every speed is no misfit. Errors of speed count through the slope (effective
    variance), shared ones as shared. Steps are held against the others one by one, the largest
    first, by Bonferroni's inequality. Where every reading error is of known size the misfit is
    held against chi-squared; where it was estimated, as by `with_repeatability`, against F.

    References
    ----------
    Baarda, W. (1968), A testing procedure for use in geodetic networks, Netherlands Geodetic
    Commission 2(5). Orear, J. (1982), Least squares when both variables have uncertainties,
    American Journal of Physics 50, 912-916. Draper, N. R. and Smith, H. (1998), Applied Regression
    Analysis, 2.1 (lack of fit).

    Examples
    --------
    >>> import fanstats as fs
    >>> found = power_law(fs.demo.readings(), "Ombrel Sill", bench=fs.demo.bench())
    >>> 45 < found.exponent < 60
    True
    """
    fraction("probability", probability)
    fraction("false_alarms", false_alarms)
    one_of("of", of, ("noise", "airflow"))
    behind = _behind(readings, of, obstruction)
    points = power_law_points(readings, model, bench=bench, of=of, obstruction=behind)
    first = _fit(points, probability)
    named, last, kept = _outliers(points, first, probability, false_alarms)
    scale = _LN10 if of == "noise" else 1.0
    without = last if named else _Fit(first.fit, math.nan, math.nan, math.nan, math.nan, True)
    return PowerLaw(
        model=model,
        of=of,
        obstruction=behind,
        exponent=scale * first.slope,
        standard_uncertainty=scale * first.u,
        low=scale * (first.slope - first.reach),
        high=scale * (first.slope + first.reach),
        probability=probability,
        fan_law=_FAN_LAWS[of],
        steps=_table(points, first, kept),
        weighed=first.weighed,
        chi_squared=first.fit.chi_squared if first.weighed else math.nan,
        dof=first.fit.dof,
        denominator_dof=first.denominator,
        p_value=_p_value(first),
        outliers=tuple(_named(points, of, *entry) for entry in named),
        false_alarms=false_alarms,
        exponent_without=scale * without.slope,
        low_without=scale * (without.slope - without.reach),
        high_without=scale * (without.slope + without.reach),
        notes=_notes(points, first),
    )


def _behind(readings: xr.Dataset, of: str, obstruction: str | None) -> str:
    if of not in readings:
        msg = f"The readings hold no {of}; columns with numbers: {', '.join(map(str, readings))}."
        raise FanstatsError(msg)
    if of == "noise" or "obstruction" not in readings[of].dims:
        if obstruction is not None:
            msg = f"`obstruction` must be left out: {of} names none; got {obstruction!r}."
            raise FanstatsError(msg)
        return ""
    present = [str(name) for name in readings["obstruction"].to_numpy()]
    if obstruction is None and len(present) == 1:
        return present[0]
    return one_of("obstruction", obstruction, present)


class _Fit(NamedTuple):
    """One fit: its slope over ln speed, with `reach` to the ends of its range."""

    fit: GeneralisedFit
    slope: float
    u: float
    reach: float
    denominator: float
    weighed: bool


def _fit(points: PowerLawPoints, probability: float) -> _Fit:
    """Fit a common slope and a level a sweep; the covariance follows the slope."""
    sweeps = np.unique(points.sweep)
    own_level = (points.sweep[:, np.newaxis] == sweeps).astype(np.float64)
    design = np.column_stack([own_level, points.x])
    plain = generalised_fit(design, points.y, np.eye(len(points.y)))
    slope = float(plain.coefficients[-1])
    if not has_full_rank(points.covariance(slope)):
        return _unweighed(plain, probability)
    for _ in range(_ROUNDS):
        fit = generalised_fit(design, points.y, points.covariance(slope))
        moved, slope = abs(float(fit.coefficients[-1]) - slope), float(fit.coefficients[-1])
        if moved < 1e-12 * abs(slope):
            break
    u = math.sqrt(float(fit.covariance[-1, -1]))
    effects = points.y_effects - slope * points.x_effects
    freedom = _freedom(points, (fit.weights[-1] @ effects) ** 2)
    misfit = np.einsum("pl,pq,ql->l", effects, fit.left, effects)
    reach = u * float(stats.t.ppf((1 + probability) / 2, freedom))
    return _Fit(fit, slope, u, reach, _freedom(points, misfit), weighed=True)


def _unweighed(plain: GeneralisedFit, probability: float) -> _Fit:
    """Let the scatter about the line stand for errors that nobody stated."""
    slope, dof = float(plain.coefficients[-1]), plain.dof
    scatter = plain.chi_squared / dof if dof > 0 else math.nan
    u = math.sqrt(scatter * float(plain.covariance[-1, -1]))
    reach = u * float(stats.t.ppf((1 + probability) / 2, dof)) if dof > 0 else math.nan
    if dof > 1 and scatter > 0:
        # Each held against the scatter of the others (externally studentised).
        own = plain.statistics / math.sqrt(scatter)
        with np.errstate(invalid="ignore", divide="ignore"):
            others = own * np.sqrt((dof - 1) / np.maximum(dof - own**2, 0.0))
        plain = plain._replace(statistics=others)
    else:
        plain = plain._replace(statistics=np.full_like(plain.statistics, np.nan))
    return _Fit(plain, slope, u, reach, float(dof - 1), weighed=False)


def _freedom(points: PowerLawPoints, variances: FloatArray) -> float:
    """Effective degrees of freedom of a sum of variances (JCGM 100:2008, G.4.1)."""
    by_kind: dict[tuple[str, ...], tuple[float, float]] = {}
    for kind, dof, variance in zip(points.kinds, points.dof, variances, strict=True):
        by_kind[kind] = (by_kind.get(kind, (0.0, dof))[0] + float(variance), float(dof))
    total = sum(variance for variance, _ in by_kind.values())
    spoilt = sum(variance**2 / dof for variance, dof in by_kind.values())
    return total**2 / spoilt if spoilt > 0 else math.inf


def _p_value(first: _Fit) -> float:
    if not first.weighed:
        return math.nan
    return misfit_p_value(first.fit.chi_squared, first.fit.dof, first.denominator)


def _outliers(
    points: PowerLawPoints, first: _Fit, probability: float, false_alarms: float
) -> tuple[list[tuple[int, float]], _Fit, np.ndarray]:
    """Name the step that stands out most, fit again without it, and so on."""
    kept = np.ones(len(points.y), dtype=np.bool_)
    named: list[tuple[int, float]] = []
    last = first
    # With a single degree of freedom every step explains the misfit equally well.
    while last.fit.dof > 1 and len(named) < max(1, first.fit.dof // 2):
        sizes = np.abs(np.nan_to_num(last.fit.statistics))
        freedom = last.denominator
        if sizes.max() <= outlier_limit(last.fit.statistics, false_alarms, freedom):
            break
        worst = int(np.flatnonzero(kept)[sizes.argmax()])
        named.append((worst, float(last.fit.shifts[sizes.argmax()])))
        kept[worst] = False
        last = _fit(points.without(kept), probability)
    return named, last, kept


def _often(p: float) -> str:
    """Print a chance in hundredths.

    Examples
    --------
    >>> _often(0.384), _often(0.002)
    ('38 times in 100', 'less than once in 100 times')
    """
    return f"{round(100 * p)} times in 100" if p >= 0.01 else "less than once in 100 times"


def _named(points: PowerLawPoints, of: Of, place: int, shift: float) -> str:
    step = f"step {points.steps[place]} ({points.sweeps[points.sweep[place]]})"
    if of == "noise":
        return f"{step} is {abs(shift):.2g} dB {'louder' if shift > 0 else 'quieter'} than expected"
    share = 100 * abs(math.expm1(shift))
    return f"{step} has {share:.2g} % {'more' if shift > 0 else 'less'} air than expected"


def _table(points: PowerLawPoints, first: _Fit, kept: np.ndarray) -> pd.DataFrame:
    own = np.sqrt(np.diag(points.covariance(first.slope)))
    return pd.DataFrame(
        {
            "sweep": [points.sweeps[place] for place in points.sweep],
            "step": points.steps,
            "speed": np.exp(points.x),
            "read": points.y,
            "fitted": points.y - first.fit.residuals,
            "residual": first.fit.residuals,
            "standard_uncertainty": own if first.weighed else np.full_like(own, np.nan),
            "statistic": first.fit.statistics,
            "outlier": ~kept,
        }
    )


def _notes(points: PowerLawPoints, first: _Fit) -> tuple[str, ...]:
    notes = []
    if not first.weighed:
        notes.append(
            "no error of each reading by itself is stated: all steps count alike, and their "
            "scatter about the line stands for errors"
        )
    if not points.room_known:
        notes.append("the room was not read in every sweep: near it a line of levels as read bends")
    if len(points.sweeps) > 1:
        notes.append(f"one exponent for {len(points.sweeps)} sweeps, each at a level of its own")
    return tuple(notes)
