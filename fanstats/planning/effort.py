"""What makes results of one model differ, and what it costs to test more of it.

What each purchase buys down differs. Repeats reduce `reading`, further sittings `sitting` and
`session`, further units all of these and the spread from unit to unit. The errors that belong to
a `model` stay whatever is bought: they are the floor.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from fanstats._arguments import count, number
from fanstats.errors import FanstatsError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from fanstats._typing import FloatArray
    from fanstats.planning.sweep_reach import Reach

__all__ = ["Costs", "Design", "Effort", "Scatter", "Variances", "cost_of", "variance_parts"]


# Units of one model up to which every design is weighed.
_MOST_PLANNED: Final = 1000


class Variances(NamedTuple):
    """Variance of the measured difference: of estimated size, estimated by itself, known."""

    estimated: FloatArray
    second: FloatArray
    known: FloatArray

    @property
    def whole(self) -> FloatArray:
        """All of it."""
        return self.estimated + self.second + self.known


class Design(NamedTuple):
    """Units of each model in the end, sittings of each unit in the end, readings in a new one."""

    first: FloatArray | int
    second: FloatArray | int
    sittings: int
    repeats: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Scatter:
    """What makes two results of one model differ, each a standard deviation in the gap's unit.

    Parameters
    ----------
    unit : float or tuple of float
        From unit to unit of a model; two numbers where the models differ.
    unit_dof : float
        Degrees of freedom behind `unit` from other models; infinite where it is known, 0 where
        the units of this plan alone will tell.
    unit_second : float or tuple of float
        A further part of the spread from unit to unit, estimated by itself with as many degrees of
        freedom: two kinds of luck that move one result.
    unit_known : float or tuple of float
        A further part of the spread from unit to unit, whose size is known whatever `unit_dof`.
    dof_grows : bool
        Whether the spread is estimated anew with the plan's own units, each beyond a model's first
        adding a degree of freedom. False keeps those stated.
    mean_square : bool
        Whether `unit` is estimated as a mean square of results that hold `sitting` and `reading`
        errors too, as `unit_spread` does. False where `unit` alone carries the degrees of freedom
        and those errors are known beside it.
    sitting, reading : float
        New with each sitting of a unit, each reading.
    session : float or tuple of float
        New with each session; two numbers where the models answer to it differently.
    days : tuple of float, optional
        What the sessions so far left in the means of the units tested: the variance of the first
        model, of the second, and their covariance. Without it they shared one session, or had one
        each, as the plan's own sessions are held.
    model : float
        New with each model only: nothing in a plan reduces it.
    reach : Reach, optional
        How far the steps read reach; without it they are taken to reach as far as luck does.
    """

    unit: float | tuple[float, float]
    unit_dof: float
    unit_second: float | tuple[float, float] = 0.0
    unit_known: float | tuple[float, float] = 0.0
    dof_grows: bool = True
    mean_square: bool = True
    sitting: float = 0.0
    reading: float = 0.0
    session: float | tuple[float, float] = 0.0
    days: tuple[float, float, float] | None = None
    model: float = 0.0
    reach: Reach | None = None

    def __post_init__(self) -> None:
        for name in ("sitting", "reading", "model"):
            object.__setattr__(self, name, number(name, getattr(self, name), at_least=0))
        for name in ("unit", "unit_second", "unit_known", "session"):
            for deviation in _pair(getattr(self, name)):
                number(name, deviation, at_least=0)
        dof = number("unit_dof", self.unit_dof, at_least=0, infinite=True)
        object.__setattr__(self, "unit_dof", dof)
        if max(*self.units_whole, self.sitting, self.reading, *_pair(self.session)) == 0:
            msg = "`unit`, `sitting`, `reading` and `session` must not all be 0; got 0 for each."
            raise FanstatsError(msg)

    @property
    def units(self) -> tuple[tuple[float, float], tuple[float, float], tuple[float, float]]:
        """Spread of the first and of the second model: estimated, estimated by itself, known."""
        return _pair(self.unit), _pair(self.unit_second), _pair(self.unit_known)

    @property
    def units_whole(self) -> tuple[float, float]:
        """Spread of the first and of the second model, all parts together."""
        first, second = (math.hypot(*parts) for parts in zip(*self.units, strict=True))
        return first, second

    def degrees(self, total: ArrayLike) -> FloatArray:
        """Give the degrees of freedom behind the spread with so many units of both models.

        Parameters
        ----------
        total : array_like
            Units of both models.

        Returns
        -------
        ndarray
        """
        units = np.asarray(total, dtype=np.float64)
        if not self.dof_grows:
            return np.full(units.shape, self.unit_dof)
        return np.asarray(self.unit_dof + units - 2.0)


def _pair(given: float | tuple[float, float]) -> tuple[float, float]:
    if isinstance(given, tuple):
        first, second = given
        return first, second
    return given, given


@dataclass(frozen=True, slots=True, kw_only=True)
class Costs:
    """What a plan is paid with: prices of the two models, packs, and hours at the bench.

    Parameters
    ----------
    price_first, price_second : float, optional
        Price of one pack of each model; both or none.
    pack_first, pack_second : int
        Units in a pack.
    sitting_hours, reading_hours, session_hours : float, optional
        Hours for mounting a unit, for one round of readings, for starting a session.
    hour_price : float
        What an hour at the bench is worth.
    currency : str
        For sentences; "" where nobody stated one.
    """

    price_first: float | None = None
    price_second: float | None = None
    pack_first: int = 1
    pack_second: int = 1
    sitting_hours: float | None = None
    reading_hours: float | None = None
    session_hours: float | None = None
    hour_price: float = 0.0
    currency: str = ""

    def __post_init__(self) -> None:
        for name in ("price_first", "price_second", "sitting_hours", "reading_hours"):
            self._check(name)
        for name in ("session_hours", "hour_price"):
            self._check(name)
        for name in ("pack_first", "pack_second"):
            object.__setattr__(self, name, count(name, getattr(self, name)))
        if (self.price_first is None) != (self.price_second is None):
            missing = "price_first" if self.price_first is None else "price_second"
            msg = f"`{missing}` must be given with the other price; got None. Give both or none."
            raise FanstatsError(msg)
        if self.hour_price and not self.hours_stated:
            msg = f"`hour_price` must come with hours; got {self.hour_price:g} and no hours."
            raise FanstatsError(msg)

    def _check(self, name: str) -> None:
        if getattr(self, name) is not None:
            object.__setattr__(self, name, number(name, getattr(self, name), at_least=0))

    @property
    def money_stated(self) -> bool:
        """Whether anything is said about money."""
        return self.price_first is not None or self.hour_price > 0

    @property
    def hours_stated(self) -> bool:
        """Whether anything is said about hours."""
        stated = (self.sitting_hours, self.reading_hours, self.session_hours)
        return any(hours is not None for hours in stated)


@dataclass(frozen=True, slots=True, kw_only=True)
class Effort:
    """How the bench is run: what has been tested, and what may be done.

    Parameters
    ----------
    together : bool
        Whether every session holds units of both models, so that what a session shares cancels.
    tested : tuple of int
        Units of the first and of the second model tested already, one sitting each.
    tested_repeats : int
        Readings taken in each of those sittings.
    most_units, most_sittings, most_repeats : int
        Limits of a plan: units of one model, sittings of one unit, readings in one sitting.
    equal : bool
        Whether both models must get the same number of units.
    """

    together: bool
    tested: tuple[int, int] = (1, 1)
    tested_repeats: int = 1
    most_units: int = 40
    most_sittings: int = 3
    most_repeats: int = 5
    equal: bool = False

    def __post_init__(self) -> None:
        first, second = self.tested
        tested = (count("tested", first, at_least=0), count("tested", second, at_least=0))
        object.__setattr__(self, "tested", tested)
        for name in ("tested_repeats", "most_sittings", "most_repeats"):
            object.__setattr__(self, name, count(name, getattr(self, name)))
        most = count("most_units", self.most_units, at_least=max(1, *tested))
        if most > _MOST_PLANNED:
            msg = (
                f"`most_units` must be at most {_MOST_PLANNED}, beyond which no bench is planned; "
                f"got {most}."
            )
            raise FanstatsError(msg)
        object.__setattr__(self, "most_units", most)


def variance_parts(design: Design, *, scatter: Scatter, effort: Effort) -> Variances:
    """Give the variance of the measured difference, of estimated size and of known size.

    Parameters
    ----------
    design : Design
        The state of the bench in the end. A unit tested already keeps its sitting and gets the
        missing ones; round by round every unit is mounted once.
    scatter : Scatter
        What is assumed.
    effort : Effort
        What has been tested.

    Returns
    -------
    Variances
        The spread from unit to unit, with the sitting and reading errors that a mean square of
        results holds; a part of it that is estimated by itself; and all others.

    Examples
    --------
    >>> scatter = Scatter(unit=0.8, unit_dof=10, reading=0.3, model=0.1)
    >>> found = variance_parts(Design(4, 4, 1, 3), scatter=scatter,
    ...                        effort=Effort(together=True, tested=(0, 0)))
    >>> found.estimated.round(3), found.known.round(3)
    (np.float64(0.335), np.float64(0.02))
    """
    sittings, repeats = design.sittings, design.repeats
    spreads: list[FloatArray | float] = [0.0, 0.0, 0.0]
    measured: FloatArray | float = 0.0
    session_weights = []
    for place, (n, old) in enumerate(zip(design[:2], effort.tested, strict=True)):
        units = np.asarray(n, dtype=np.float64)
        share = old / units  # weight of the units tested already
        reading_old = (1 / effort.tested_repeats + (sittings - 1) / repeats) / sittings**2
        reading = share * reading_old + (1 - share) / (sittings * repeats)
        spreads = [
            total + pair[place] ** 2 / units
            for total, pair in zip(spreads, scatter.units, strict=True)
        ]
        one_unit = scatter.sitting**2 / sittings + scatter.reading**2 * reading
        measured = measured + one_unit / units
        # Weights of the past, of a session that holds the old units too, of the last session.
        session_weights.append((share / sittings, 1 / sittings + 0 * share, (1 - share) / sittings))
    past, *coming = zip(*session_weights, strict=True)
    one, other = _pair(scatter.session)
    new_day = (one**2, other**2, one * other if effort.together else 0.0)
    session = _of_difference(past, scatter.days or new_day)
    for weights, rounds in zip(coming, (sittings - 1, 1), strict=True):
        session = session + rounds * _of_difference(weights, new_day)
    fixed = spreads[2] + session + 2 * scatter.model**2
    parts = [spreads[0], spreads[1], fixed]
    at = 0 if scatter.mean_square else 2
    parts[at] = parts[at] + measured
    estimated, second, known = np.broadcast_arrays(*parts)
    return Variances(estimated[()], second[()], known[()])


def _of_difference(
    weights: tuple[FloatArray, FloatArray], variances: tuple[float, float, float]
) -> FloatArray:
    """Give the variance of a weighted difference from two variances and their covariance."""
    (first, second), (one, other, both) = weights, variances
    return np.asarray(first**2 * one + second**2 * other - 2.0 * first * second * both)


def cost_of(design: Design, *, costs: Costs, effort: Effort) -> tuple[FloatArray, FloatArray]:
    """Give the money (the hours' price included) and the hours that a design still takes.

    Parameters
    ----------
    design : Design
        The state of the bench in the end.
    costs : Costs
        Prices and hours.
    effort : Effort
        What has been tested.

    Returns
    -------
    money, hours : ndarray
        What is not stated counts as 0.

    Examples
    --------
    >>> money, hours = cost_of(
    ...     Design(3, 2, 1, 1), costs=Costs(price_first=20, price_second=30, sitting_hours=0.5),
    ...     effort=Effort(together=True))
    >>> float(money), float(hours)
    (70.0, 1.5)
    """
    sittings = design.sittings
    money: FloatArray | float = 0.0
    mounted: FloatArray | float = float(sum(effort.tested) * (sittings - 1))
    rounds = []
    packs = ((costs.pack_first, costs.price_first), (costs.pack_second, costs.price_second))
    for n, old, (pack, price) in zip(design[:2], effort.tested, packs, strict=True):
        new = np.asarray(n, dtype=np.float64) - old
        money = money + np.ceil(new / pack) * (price or 0.0)
        mounted = mounted + new * sittings
        rounds.append(np.where(new > 0, sittings, (sittings - 1) * (old > 0)))
    sessions = np.maximum(*rounds) if effort.together else rounds[0] + rounds[1]
    one_sitting = (costs.sitting_hours or 0.0) + design.repeats * (costs.reading_hours or 0.0)
    hours = mounted * one_sitting + sessions * (costs.session_hours or 0.0)
    return np.asarray(money + hours * costs.hour_price)[()], np.asarray(hours)[()]
