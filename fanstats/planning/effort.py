"""What makes results of one model differ, and what it costs to test more of it.

What each purchase buys down differs. Repeats reduce `reading`, further sittings `sitting` and
`session`, further units all of these and the spread from unit to unit. The errors that belong to
a `model` stay whatever is bought: they are the floor.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from fanstats._arguments import count, number
from fanstats.errors import FanstatsError

if TYPE_CHECKING:
    from fanstats._typing import FloatArray

__all__ = ["Costs", "Design", "Effort", "Scatter", "cost_of", "variance_parts"]


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
    sitting, reading, session : float
        New with each sitting of a unit, each reading, each session.
    model : float
        New with each model only: nothing in a plan reduces it.
    """

    unit: float | tuple[float, float]
    unit_dof: float
    sitting: float = 0.0
    reading: float = 0.0
    session: float = 0.0
    model: float = 0.0

    def __post_init__(self) -> None:
        for name in ("sitting", "reading", "session", "model"):
            object.__setattr__(self, name, number(name, getattr(self, name), at_least=0))
        for deviation in self.units:
            number("unit", deviation, at_least=0)
        dof = number("unit_dof", self.unit_dof, at_least=0, infinite=True)
        object.__setattr__(self, "unit_dof", dof)
        if max(*self.units, self.sitting, self.reading, self.session) == 0:
            msg = "`unit`, `sitting`, `reading` and `session` must not all be 0; got 0 for each."
            raise FanstatsError(msg)

    @property
    def units(self) -> tuple[float, float]:
        """Spread of the first and of the second model."""
        if isinstance(self.unit, tuple):
            first, second = self.unit
            return first, second
        return self.unit, self.unit


@dataclass(frozen=True, slots=True, kw_only=True)
class Costs:
    """What a plan is paid with: prices of the two models, packs, and hours at the bench.

    Parameters
    ----------
    price_first, price_second : float
        Price of one pack of each model.
    pack_first, pack_second : int
        Units in a pack.
    sitting_hours, reading_hours, session_hours : float
        Hours for mounting a unit, for one round of readings, for starting a session.
    hour_price : float
        What an hour at the bench is worth.
    currency : str
        For sentences.
    """

    price_first: float
    price_second: float
    pack_first: int = 1
    pack_second: int = 1
    sitting_hours: float = 0.0
    reading_hours: float = 0.0
    session_hours: float = 0.0
    hour_price: float = 0.0
    currency: str = "EUR"

    def __post_init__(self) -> None:
        for name in ("price_first", "price_second", "sitting_hours", "reading_hours"):
            object.__setattr__(self, name, number(name, getattr(self, name), at_least=0))
        for name in ("session_hours", "hour_price"):
            object.__setattr__(self, name, number(name, getattr(self, name), at_least=0))
        for name in ("pack_first", "pack_second"):
            object.__setattr__(self, name, count(name, getattr(self, name)))


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
        object.__setattr__(self, "most_units", most)


def variance_parts(
    design: Design, *, scatter: Scatter, effort: Effort
) -> tuple[FloatArray, FloatArray]:
    """Give the variance of the measured difference, in a part new with each unit and the rest.

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
    by_unit, rest : ndarray
        Variances: unit, sitting and reading errors; session and model errors.

    Examples
    --------
    >>> scatter = Scatter(unit=0.8, unit_dof=10, reading=0.3, model=0.1)
    >>> by_unit, rest = variance_parts(Design(4, 4, 1, 3), scatter=scatter,
    ...                                effort=Effort(together=True, tested=(0, 0)))
    >>> by_unit.round(3), rest.round(3)
    (np.float64(0.335), np.float64(0.02))
    """
    sittings, repeats = design.sittings, design.repeats
    by_unit: FloatArray | float = 0.0
    session_weights = []
    for n, old, spread in zip(design[:2], effort.tested, scatter.units, strict=True):
        units = np.asarray(n, dtype=np.float64)
        share = old / units  # weight of the units tested already
        reading_old = (1 / effort.tested_repeats + (sittings - 1) / repeats) / sittings**2
        reading = share * reading_old + (1 - share) / (sittings * repeats)
        one_unit = spread**2 + scatter.sitting**2 / sittings + scatter.reading**2 * reading
        by_unit = by_unit + one_unit / units
        # Weights of the past session, of a round that holds the old units too, of the last round.
        session_weights.append((share / sittings, 1 / sittings + 0 * share, (1 - share) / sittings))
    session: FloatArray | float = 0.0
    for first, second, rounds in zip(*session_weights, (1, sittings - 1, 1), strict=True):
        square = (first - second) ** 2 if effort.together else first**2 + second**2
        session = session + rounds * square
    rest = scatter.session**2 * session + 2 * scatter.model**2
    return np.asarray(by_unit)[()], np.asarray(rest)[()]


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
        money = money + np.ceil(new / pack) * price
        mounted = mounted + new * sittings
        rounds.append(np.where(new > 0, sittings, (sittings - 1) * (old > 0)))
    sessions = np.maximum(*rounds) if effort.together else rounds[0] + rounds[1]
    one_sitting = costs.sitting_hours + design.repeats * costs.reading_hours
    hours = mounted * one_sitting + sessions * costs.session_hours
    return np.asarray(money + hours * costs.hour_price)[()], np.asarray(hours)[()]
