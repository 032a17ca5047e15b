"""The wish to settle a gap, and from the variances of a design to its chance."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from fanstats._arguments import count, fraction, number, power_above
from fanstats.errors import FanstatsError
from fanstats.planning.claims import chance_of_claim, claim_limit
from fanstats.planning.effort import Design, Effort, Scatter, Variances, variance_parts

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from fanstats._typing import FloatArray
    from fanstats.planning.claims import Readable

__all__ = ["Aim", "aim_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Aim:
    """The wish, and what stands between it and the bench.

    Attributes
    ----------
    gap, belief_sd : float
        True gap to be found, and how vaguely it is known.
    alpha, wanted : float
        Chance of a claim when there is no gap, and at it.
    models : int
        Like models the pair was picked from.
    scatter : Scatter
        What makes results differ.
    effort : Effort
        What has been tested and what may be done.
    """

    gap: float
    belief_sd: float
    alpha: float
    models: int
    wanted: float
    scatter: Scatter
    effort: Effort

    def parts(self, design: Design) -> Variances:
        """Give the variances of the difference, of one design or of many.

        Parameters
        ----------
        design : Design

        Returns
        -------
        Variances
        """
        return variance_parts(design, scatter=self.scatter, effort=self.effort)

    def chance(self, parts: Variances, first: ArrayLike, second: ArrayLike) -> FloatArray:
        """Give the chance of a claim, one a design.

        Parameters
        ----------
        parts : Variances
            Of the designs.
        first, second : array_like
            Units of either model.

        Returns
        -------
        ndarray
        """
        total = np.add(first, second, dtype=np.float64)
        return np.atleast_1d(
            chance_of_claim(
                self.gap,
                parts.estimated,
                parts.known,
                second=parts.second,
                dof=self.scatter.degrees(total),
                alpha=self.alpha,
                models=self.models,
                belief_sd=self.belief_sd,
                readable=self._readable(first, second),
            )
        )

    def _readable(self, first: ArrayLike, second: ArrayLike) -> Readable | None:
        reach = self.scatter.reach
        if reach is None or not reach.matters:
            return None
        one, two = (np.atleast_1d(np.asarray(n, dtype=np.float64)) for n in (first, second))
        dof = np.broadcast_to(self.scatter.degrees(one + two), one.shape)
        return reach.readable(one, two, dof, self.alpha / 2.0)

    def counts(self, parts: Variances, total: ArrayLike) -> FloatArray:
        """Give the smallest gap that would count, one a design.

        Parameters
        ----------
        parts : Variances
            Of the designs.
        total : array_like
            Units of both models.

        Returns
        -------
        ndarray
        """
        return np.atleast_1d(
            claim_limit(
                parts.estimated,
                parts.known,
                second=parts.second,
                dof=self.scatter.degrees(total),
                alpha=self.alpha,
                models=self.models,
            )
        )

    def outlook(self, design: Design) -> tuple[float, float]:
        """Give the chance and the smallest gap that would count, for one design.

        Parameters
        ----------
        design : Design

        Returns
        -------
        chance, gap : float
        """
        return self._both(self.parts(design), design.first, design.second)

    def _both(self, parts: Variances, first: ArrayLike, second: ArrayLike) -> tuple[float, float]:
        total = np.add(first, second, dtype=np.float64)
        return float(self.chance(parts, first, second)[0]), float(self.counts(parts, total)[0])

    def far_reaching(self) -> Aim:
        """Give the same aim with steps that reach as far as luck does.

        Returns
        -------
        Aim
        """
        return replace(self, scatter=replace(self.scatter, reach=None))

    def repeats_only(self) -> tuple[float, float]:
        """Give the same with the tested units measured without error.

        Returns
        -------
        chance, gap : float
            NaN where a model has not been tested.
        """
        if 0 in self.effort.tested:
            return math.nan, math.nan
        first, second = self.effort.tested
        luck = [pair[0] ** 2 / first + pair[1] ** 2 / second for pair in self.scatter.units]
        floor = 2 * self.scatter.model**2
        luck[2] += floor
        parts = Variances(np.asarray(luck[0]), np.asarray(luck[1]), np.asarray(luck[2]))
        return self._both(parts, first, second)


def aim_of(
    gap: float,
    scatter: Scatter,
    effort: Effort,
    power: float,
    alpha: float,
    models: int,
    belief_sd: float,
) -> Aim:
    """Check a wish against what is assumed and what may be done.

    Parameters
    ----------
    gap, scatter, effort, power, alpha, models, belief_sd
        As in `settle_gap`.

    Returns
    -------
    Aim

    Raises
    ------
    FanstatsError
        If it makes no sense, or leaves a spread that is to be estimated no degree of freedom.
    """
    difference = abs(number("gap", gap))
    if difference == 0:
        msg = "`gap` must not be 0; got 0. No number of units shows a difference that is not there."
        raise FanstatsError(msg)
    false_rate = fraction("alpha", alpha)
    if scatter.degrees(2 * effort.most_units) < 1 and any(map(any, scatter.units[:2])):
        name = "most_units" if scatter.dof_grows else "unit_dof"
        value = effort.most_units if scatter.dof_grows else scatter.unit_dof
        msg = (
            f"`{name}` must leave a degree of freedom for the spread, which is to be estimated; "
            f"got {value:g}. One unit of each model says nothing about it: test a second one, or "
            "state the spread with its degrees of freedom."
        )
        raise FanstatsError(msg)
    return Aim(
        gap=difference,
        belief_sd=number("belief_sd", belief_sd, at_least=0),
        alpha=false_rate,
        models=count("models", models, at_least=2),
        wanted=power_above(power, false_rate),
        scatter=scatter,
        effort=effort,
    )
