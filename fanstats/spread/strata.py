"""What scatters between units, sessions and sittings of like models: one kind of offset at a time.

Everything works on one number a sitting. A mean square is the variance of unit means about their
model's mean, pooled over models; what the instruments contribute to it follows from the
covariance of the offsets.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from fanstats._typing import FloatArray, IntArray
from fanstats.spread.anova import Anova, analysis_of_variance
from fanstats.spread.component_intervals import component_interval
from fanstats.spread.offsets import LEVEL_OF_SHARING
from fanstats.spread.variance_components import variance_components

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from fanstats.spread.offsets import Offsets

__all__ = [
    "ALL_ALIKE",
    "FEWEST_DOF",
    "Component",
    "Strata",
    "UnitMeans",
    "strata_of",
    "told_raw",
    "unit_means",
]


# Policy: with fewer degrees of freedom a figure is reported and not put in a bench. A standard
# deviation from one pair is known within a factor of 30 or so.
FEWEST_DOF: Final = 2
# What is left of rounding in readings that are all alike, in dB, K or as a fraction.
_ROUND_OFF: Final = 1e-9
ALL_ALIKE: Final = (
    "alike to the last digit read, which tells nothing of what lies below it: state the half width "
    "of the display"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Component:
    """One component of variance.

    Attributes
    ----------
    name : str
        What it lies between, such as ``"between units"``.
    variance : float
        Estimate, at least 0.
    raw : float
        The closed form, negative where it came out so.
    dof : float
        Degrees of freedom; NaN where the estimate is 0.
    low, high : float
        Ends of the interval for the variance.
    how, status : str
        How it was found, and what to know of it.
    square, square_dof : float
        The mean square that holds it, weighted, and its degrees of freedom; NaN where it is not
        to stand in an instrument.
    removed : float
        What else that mean square holds: ``square - removed`` is the raw value.
    """

    name: str
    variance: float
    raw: float
    dof: float
    low: float
    high: float
    how: str
    status: str = ""
    square: float = float("nan")
    square_dof: float = 0.0
    removed: float = 0.0

    @property
    def enters(self) -> bool:
        """Whether it is known well enough to stand in a bench."""
        return self.square_dof >= FEWEST_DOF and self.square > 0


class UnitMeans(NamedTuple):
    """Unit means of one kind of offset, about their model's mean.

    Attributes
    ----------
    models, units, sittings : list
        Model and unit of each, and how many sittings stand behind it.
    deviations : ndarray, shape (unit,)
        Distance from the model's mean.
    averaging : ndarray, shape (unit, sitting)
        Turns sittings into unit means.
    centring : ndarray, shape (unit, unit)
        Takes each model's mean off.
    dof : int
        Units less models.
    """

    models: list[str]
    units: list[str]
    sittings: list[int]
    deviations: FloatArray
    averaging: FloatArray
    centring: FloatArray
    dof: int

    def share(self, covariance: FloatArray) -> float:
        """Give what a covariance of the sittings adds to the mean square of units."""
        between = self.averaging @ covariance @ self.averaging.T
        return float(np.sum(self.centring * between)) / self.dof


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Strata:
    """The components of one kind.

    Attributes
    ----------
    means : UnitMeans
        Unit means.
    mean_square : float
        Variance of unit means about their model's mean; NaN without a second unit.
    separable : float
        What of it is reading noise and what else the design tells apart.
    counted_elsewhere : float
        What of it stands in the instruments' own errors, separable or not.
    unit, sitting, session : Component or None
        The components, None where the design says nothing of them.
    joined : tuple of str
        What cannot be told from the units: "sittings", "sessions".
    """

    means: UnitMeans
    mean_square: float
    separable: float
    counted_elsewhere: float
    unit: Component | None
    sitting: Component | None
    session: Component | None
    joined: tuple[str, ...]


def _rounded(deviations: FloatArray) -> FloatArray:
    return np.where(np.abs(deviations) < _ROUND_OFF, 0.0, deviations)


def _codes(keys: Sequence[object]) -> IntArray:
    numbered = {key: place for place, key in enumerate(dict.fromkeys(keys))}
    return np.array([numbered[key] for key in keys], dtype=np.intp)


def unit_means(parts: Sequence[Offsets]) -> UnitMeans:
    """Average sittings within units and take each model's mean off.

    Parameters
    ----------
    parts : sequence of Offsets
        One a model, all of one kind.

    Returns
    -------
    UnitMeans
        Units numbered alike under different models are different units.
    """
    keys = [(part.model, unit) for part in parts for unit in part.units]
    values = np.concatenate([part.values for part in parts])
    unit = _codes(keys)
    names = list(dict.fromkeys(keys))
    held = np.asarray(unit[None, :] == np.arange(len(names))[:, None], dtype=np.float64)
    averaging = held / held.sum(axis=1, keepdims=True)
    model = _codes([name for name, _ in names])
    same = np.asarray(model[:, None] == model[None, :], dtype=np.float64)
    centring = np.eye(len(names)) - same / same.sum(axis=1, keepdims=True)
    return UnitMeans(
        models=[name for name, _ in names],
        units=[label for _, label in names],
        sittings=[int(n) for n in held.sum(axis=1)],
        deviations=_rounded(centring @ (averaging @ values)),
        averaging=averaging,
        centring=centring,
        dof=len(names) - int(model.max()) - 1,
    )


class _Within(NamedTuple):
    """What repeats of the same units on the bench tell."""

    anova: Anova
    reading: FloatArray  # what reading noise adds to each mean square of a random term
    sessions: bool  # whether sessions and sittings are told apart
    joined: bool  # whether sittings hold session errors that nothing tells apart

    @property
    def told(self) -> bool:
        """Whether so many repeats were made that they can be set against the units."""
        return bool(self.anova.dof[-1] >= FEWEST_DOF)


def strata_of(
    parts: Sequence[Offsets],
    *,
    checked: Sequence[str] = (),
    aligned: Collection[tuple[str, str]] = (),
    probability: float = 0.95,
) -> Strata:
    """Split the scatter of one kind of offset.

    Parameters
    ----------
    parts : sequence of Offsets
        One a model, all of one kind.
    checked : sequence of str
        Levels of sharing ("sitting", "session") stated to hold no error at all.
    aligned : collection of (str, str)
        Models and units whose sittings were made to read alike: they tell nothing of sittings.
    probability : float
        Coverage probability of the intervals.

    Returns
    -------
    Strata
    """
    values = np.concatenate([part.values for part in parts])
    keys = [(part.model, unit) for part in parts for unit in part.units]
    sessions = [session for part in parts for session in part.sessions]
    means = unit_means(parts)
    within = _within(parts, values, keys, sessions, aligned)
    sitting, session = _below(within, probability)
    loose = _not_told_apart(parts, within, checked)
    known = _known(parts, _left_in(loose, within))
    everything = _known(parts, set(), sitting, session)
    told = _told(values.size, sessions, sitting, session)
    if means.dof == 0:
        nothing = float("nan")
        return Strata(
            means=means, mean_square=nothing, separable=nothing, counted_elsewhere=nothing,
            unit=None, sitting=sitting, session=session, joined=loose,
        )  # fmt: skip
    mean_square = float(means.deviations @ means.deviations) / means.dof
    unit = _unit(parts, means, mean_square, means.share(known), within, loose, probability)
    return Strata(
        means=means,
        mean_square=mean_square,
        separable=means.share(known + told),
        counted_elsewhere=means.share(everything + told),
        unit=unit,
        sitting=sitting,
        session=session,
        joined=loose,
    )


# Below the units -------------------------------------------------------------------------------


def _within(
    parts: Sequence[Offsets],
    values: FloatArray,
    keys: Sequence[tuple[str, str]],
    sessions: Sequence[str],
    aligned: Collection[tuple[str, str]],
) -> _Within | None:
    """Analyse the sittings of units that sat on the bench more than once."""
    unit = _codes(keys)
    own = np.array([key not in aligned for key in keys], dtype=np.bool_)
    again = np.flatnonzero((np.bincount(unit)[unit] > 1) & own)
    if again.size == 0:
        return None
    groups: dict[str, list[object]] = {"unit": [keys[place] for place in again.tolist()]}
    rigs = [rig for part in parts for rig in part.rigs]
    if len({rigs[place] for place in again.tolist()}) > 1:
        # A bridge made rigs agree by what these very sittings showed: that is no repeat.
        groups["rig"] = [rigs[place] for place in again.tolist()]
    days = [sessions[place] for place in again.tolist()]
    split = analysis_of_variance(
        values[again], fixed=groups, random={"session": days}, residual="sitting"
    )
    several = all(days) and bool(split.dof[-2] > 0)
    apart = several and bool(split.dof[-1] > 0)
    alone = analysis_of_variance(values[again], fixed=groups, residual="sitting")
    anova = split if apart else alone
    if not anova.dof[-1] > 0:
        return None
    # What is estimated here is left in; a stated session error that cannot be is taken out.
    without = {"sitting", "session"} if apart else {"sitting"}
    if "rig" in groups:
        without.add("shared")  # what all readings of a rig share stands in its mean
    covariance = _blocks([part.covariance(without) for part in parts])[np.ix_(again, again)]
    stated = any(label[LEVEL_OF_SHARING] == "session" for part in parts for label in part.labels)
    return _Within(
        anova, anova.expected(covariance)[anova.fixed :], apart, several and not (apart or stated)
    )


def _below(within: _Within | None, probability: float) -> tuple[Component | None, Component | None]:
    """Give the components of sittings and of sessions."""
    if within is None:
        return None, None
    name = "between sittings" if not within.joined else "between sittings and sessions, together"
    sitting = _component(within, -1, name, probability)
    session = _component(within, 0, "between sessions", probability) if within.sessions else None
    return sitting, session


def _component(within: _Within, place: int, name: str, probability: float) -> Component:
    anova = within.anova
    weights = anova.weights()[place]
    squares, dof = _squares(anova), anova.dof[anova.fixed :]
    known = float(weights @ within.reading)
    raw = _settled(float(weights @ squares) - known)
    low, high = _interval(squares, dof, weights, probability, known)
    return Component(
        name=name,
        variance=max(raw, 0.0),
        raw=raw,
        dof=_dof_less_known(squares, dof, weights, raw),
        low=low,
        high=high,
        how="closed form",
        status=told_raw(raw, high)
        or ("" if dof[place] >= FEWEST_DOF else "1 degree of freedom: too few for a bench"),
        square=float(weights[place] * squares[place]),
        square_dof=float(dof[place]),
        removed=max(0.0, float(weights[place] * squares[place]) - raw),
    )


def _settled(raw: float) -> float:
    """Give a variance, 0 where rounding alone is left."""
    return 0.0 if abs(raw) < _ROUND_OFF**2 else raw


def _dof_less_known(squares: FloatArray, dof: FloatArray, weights: FloatArray, raw: float) -> float:
    parts = weights * squares
    return raw**2 / float(np.sum(parts**2 / dof)) if raw > 0 else float("nan")


def told_raw(raw: float, high: float) -> str:
    """Say what to read where a variance did not come out above 0.

    Parameters
    ----------
    raw : float
        The closed form.
    high : float
        Upper end of its interval; NaN where none can be told.

    Returns
    -------
    str
    """
    if raw > 0:
        return ""
    if not np.isfinite(high):
        return ALL_ALIKE
    return f"raw variance {raw:.2g} is not above 0: read the upper limit"


def _squares(anova: Anova) -> FloatArray:
    """Mean squares of the random terms, 0 where rounding alone is left."""
    squares = anova.mean_squares[anova.fixed :]
    return np.where(squares < _ROUND_OFF**2, 0.0, squares)


def _interval(
    squares: Sequence[float] | FloatArray,
    dof: Sequence[float] | FloatArray,
    weights: Sequence[float] | FloatArray,
    probability: float,
    known: float,
) -> tuple[float, float]:
    """Give the ends for a variance; no upper one where all is alike and nothing was taken off."""
    low, high = component_interval(squares, dof, weights, probability=probability, known=known)
    return low, high if high > 0 else float("nan")


def _not_told_apart(
    parts: Sequence[Offsets], within: _Within | None, checked: Sequence[str]
) -> tuple[str, ...]:
    """Name what hides in the scatter between units."""
    loose = []
    if (within is None or not within.told) and "sitting" not in checked:
        loose.append("sittings")
    differ = any(len(set(part.sessions)) > 1 for part in parts)
    if differ and "session" not in checked and (within is None or not within.sessions):
        loose.append("sessions")
    return tuple(loose)


# Covariances -----------------------------------------------------------------------------------


def _blocks(blocks: Sequence[FloatArray]) -> FloatArray:
    size = sum(len(block) for block in blocks)
    whole = np.zeros((size, size))
    start = 0
    for block in blocks:
        stop = start + len(block)
        whole[start:stop, start:stop] = block
        start = stop
    return whole


def _left_in(loose: tuple[str, ...], within: _Within | None) -> set[str]:
    """Levels of sharing whose stated errors are no part of what the design takes out."""
    apart = within is not None and within.sessions
    return {"sitting"} | ({"session"} if apart or "sessions" in loose else set())


def _known(
    parts: Sequence[Offsets],
    without: set[str],
    sitting: Component | None = None,
    session: Component | None = None,
) -> FloatArray:
    """Covariance of the sittings from stated errors, leaving out what is estimated instead."""
    left_out = set(without)
    if sitting is not None and sitting.enters:
        left_out.add("sitting")
    if session is not None and session.enters:
        left_out.add("session")
    return _blocks([part.covariance(left_out) for part in parts])


def _told(
    size: int,
    sessions: Sequence[str],
    sitting: Component | None,
    session: Component | None,
) -> FloatArray:
    """Covariance of the sittings from what was estimated of sittings and sessions."""
    covariance = np.zeros((size, size))
    if sitting is not None and sitting.enters:
        covariance += sitting.variance * np.eye(size)
    if session is not None and session.enters:
        day = _codes(sessions)
        covariance += session.variance * (day[:, None] == day[None, :])
    return covariance


# Units -----------------------------------------------------------------------------------------


def _unit(
    parts: Sequence[Offsets],
    means: UnitMeans,
    mean_square: float,
    reading: float,
    within: _Within | None,
    loose: tuple[str, ...],
    probability: float,
) -> Component:
    """Give the component between units: the mean square less what lies below it."""
    squares, dof, weights = [mean_square], [float(means.dof)], [1.0]
    known, how, estimate = reading, "closed form", None
    if within is not None and within.told:
        size = means.averaging.shape[1]
        shares = [means.share(np.eye(size))]
        if within.sessions:
            day = _codes([s for part in parts for s in part.sessions])
            same = np.asarray(day[:, None] == day[None, :], dtype=np.float64)
            shares = [means.share(same), *shares]
        below = np.array(shares) @ within.anova.weights()
        squares += list(_squares(within.anova))
        dof += list(within.anova.dof[within.anova.fixed :])
        weights += list(-below)
        known -= float(below @ within.reading)
        estimate, how = _by_likelihood(parts, within)
    raw = _settled(float(np.dot(weights, squares)) - known)
    low, high = _interval(squares, dof, weights, probability, known)
    name = " and ".join(("between units", *loose))
    return Component(
        name=f"{name}, together" if loose else name,
        variance=max(raw, 0.0) if estimate is None or raw <= 0 else estimate,
        raw=raw,
        dof=_dof_less_known(np.array(squares), np.array(dof), np.array(weights), raw),
        low=low,
        high=high,
        how=how,
        status=told_raw(raw, high),
    )


def _by_likelihood(parts: Sequence[Offsets], within: _Within) -> tuple[float | None, str]:
    values = np.concatenate([part.values for part in parts])
    units = [(part.model, unit) for part in parts for unit in part.units]
    random: dict[str, list[object]] = {"unit": list(units)}
    if within.sessions:
        random["session"] = [session for part in parts for session in part.sessions]
    found = variance_components(
        values, random=random, fixed=[model for model, _ in units], residual="sittings"
    )
    estimate = found.component("unit")
    how = str(found.table["how"].iloc[0])
    return (estimate, how) if np.isfinite(estimate) and estimate > 0 else (None, "closed form")
