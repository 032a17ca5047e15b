"""Smallest gaps that count between groups of readings, after ISO 5725-6."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from scipy.special import ndtri, stdtrit
from scipy.stats import studentized_range

from fanstats._arguments import count, fraction, number
from fanstats.errors import FanstatsError
from fanstats.sources import Source
from fanstats.spread.component_intervals import satterthwaite_dof
from fanstats.wording import figure, times_words

__all__ = ["CriticalDifference", "critical_difference", "critical_range"]

Stated = float | Source | Sequence[Source]
_ROUNDED: Final = 2.8  # 1.96 times the root of 2, as the standard prints it
_PRINTED_FOR: Final = 0.95
# Beyond so many degrees of freedom the studentised range is that of a known scatter.
_MANY: Final = 1e5


@dataclass(frozen=True, slots=True, kw_only=True)
class CriticalDifference:
    """The smallest gap between two means that counts.

    Attributes
    ----------
    value : float
        It, in the unit of the components; a fraction where they are stated in percent.
    u : float
        Standard deviation of the difference of two such means where nothing differs.
    factor : float
        `value` over `u`.
    dof : float
        Degrees of freedom of `u`.
    floor : float
        What is left of `value` however often is read: the session's share.
    probability : float
        Like means differ by less, so often.
    units : str
        Unit, for printing; "%" where the components are stated in percent.
    """

    value: float
    u: float
    factor: float
    dof: float
    floor: float
    probability: float
    units: str = ""

    def sentence(self) -> str:
        """Say it in words.

        Returns
        -------
        str
        """
        scale = 100.0 if self.units == "%" else 1.0
        value, least = (
            figure(scale * each, scale * each, self.units) for each in (self.value, self.floor)
        )
        floor = f" However often is read, {least} of it stay." if self.floor > 0 else ""
        return (
            f"Smallest gap that would count (critical difference): {value}. Like fans differ by "
            f"less, {times_words(self.probability)}.{floor}"
        )


def critical_difference(
    within: Stated,
    between: Stated | None = None,
    *,
    n: tuple[int, int] | tuple[int] = (1, 1),
    probability: float = 0.95,
    rounded: bool = False,
    units: str = "",
) -> CriticalDifference:
    """Give the gap between the means of two groups of readings that chance alone rarely makes.

    Parameters
    ----------
    within : float, Source or sequence of Source
        Scatter within a session (a laboratory): of repeats under one set of conditions, as a
        standard deviation; sources such as ``bench.noise.reading`` are taken together.
    between : float, Source or sequence of Source, optional
        Scatter between sessions (laboratories), beyond the one within. None: both groups were
        read in one session.
    n : tuple of int
        How many readings stand behind either mean. One number alone sets a mean against a
        reference value that has no uncertainty.
    probability : float
        How often like means differ by less.
    rounded : bool
        Take the factor 2.8 that the standard prints for 0.95 in place of 1.96 times the root of 2.
    units : str
        Unit, for printing.

    Returns
    -------
    CriticalDifference

    Raises
    ------
    FanstatsError
        If a number is out of its range, a percentage is mixed with an amount, or `rounded` is
        asked for another probability than 0.95.

    Notes
    -----
    ``u**2 = w**2 (1/n1 + 1/n2) + 2 b**2``, or ``w**2 / n + b**2`` against a reference value. With
    ``s_R**2 = w**2 + b**2`` these are the critical differences of ISO 5725-6, which takes both
    scatters as known. Where they were estimated from few readings, Student's t on their joint
    degrees of freedom takes the place of 1.96.

    References
    ----------
    ISO 5725-6:1994, 4.2.1 (two groups in one laboratory), 4.2.2 (in two), 4.2.3 (against a
    reference value); clauses quoted from memory, each formula derived anew. JCGM 100:2008, G.4.

    Examples
    --------
    >>> round(critical_difference(0.3, rounded=True).value, 2)
    0.84
    >>> round(critical_difference(0.3, 1.0, n=(3, 3), rounded=True).value, 2)
    2.84
    """
    sizes = tuple(count("n", each) for each in n)
    if len(sizes) not in (1, 2):
        msg = f"`n` must hold one or two numbers of readings; got {n!r}."
        raise FanstatsError(msg)
    chance = fraction("probability", probability)
    if rounded and chance != _PRINTED_FOR:
        msg = f"`rounded` is the factor printed for 0.95; got a probability of {chance:g}."
        raise FanstatsError(msg)
    inside, groups = _parts("within", within), _parts("between", between)
    if len({each.relative for each in (*inside, *groups) if each.variance}) > 1:
        msg = "`within` and `between` must be stated alike: all in percent, or all as amounts."
        raise FanstatsError(msg)
    shares = [(each, sum(1.0 / size for size in sizes)) for each in inside]
    common = [(each, float(len(sizes))) for each in groups]
    variances = [each.variance * weight for each, weight in (*shares, *common)]
    total = sum(variances)
    dof = satterthwaite_dof(
        variances, [each.dof for each, _ in (*shares, *common)], [1.0] * len(variances)
    )
    dof = dof if math.isfinite(dof) else math.inf
    factor = _ROUNDED / math.sqrt(2.0) if rounded else _factor(dof, chance)
    return CriticalDifference(
        value=factor * math.sqrt(total),
        u=math.sqrt(total),
        factor=factor,
        dof=dof,
        floor=factor * math.sqrt(sum(each.variance * weight for each, weight in common)),
        probability=chance,
        units="%" if any(each.relative for each in (*inside, *groups)) else units,
    )


def critical_range(
    within: Stated, n: int, *, probability: float = 0.95, units: str = ""
) -> CriticalDifference:
    """Give the distance between the largest and the least of n readings that is too much.

    Parameters
    ----------
    within : float, Source or sequence of Source
        Scatter of repeats under one set of conditions, as a standard deviation.
    n : int
        How many readings, at least 2.
    probability : float
        How often like readings lie closer together.
    units : str
        Unit, for printing.

    Returns
    -------
    CriticalDifference
        Its `factor` is over the standard deviation of one reading, in `u`.

    Raises
    ------
    FanstatsError
        If a number is out of its range.

    References
    ----------
    ISO 5725-6:1994, 5.2 (critical range; table quoted from memory, recomputed as the studentised
    range).

    Examples
    --------
    >>> round(critical_range(1.0, 4).value, 1)
    3.6
    """
    size, chance = count("n", n, at_least=2), fraction("probability", probability)
    parts = _parts("within", within)
    variances = [each.variance for each in parts]
    dof = satterthwaite_dof(variances, [each.dof for each in parts], [1.0] * len(parts))
    dof = dof if math.isfinite(dof) else math.inf
    factor = float(studentized_range.ppf(chance, size, min(dof, _MANY)))
    u = math.sqrt(sum(variances))
    return CriticalDifference(
        value=factor * u,
        u=u,
        factor=factor,
        dof=dof,
        floor=0.0,
        probability=chance,
        units="%" if any(each.relative for each in parts) else units,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Part:
    variance: float
    dof: float
    relative: bool


def _parts(argument: str, stated: Stated | None) -> list[_Part]:
    if stated is None:
        return []
    if isinstance(stated, Source):
        return [_of_source(argument, stated)]
    if isinstance(stated, Sequence):
        return [_of_source(argument, each) for each in stated]
    size = number(argument, stated, at_least=0)
    return [_Part(variance=size**2, dof=math.inf, relative=False)]


def _of_source(argument: str, source: object) -> _Part:
    if not isinstance(source, Source):
        msg = f"`{argument}` must be a number or sources such as standard(0.3); got {source!r}."
        raise FanstatsError(msg)
    if source.absolute and source.relative:
        msg = f"`{argument}` mixes a percentage and an amount: {source.stated}. State one of them."
        raise FanstatsError(msg)
    variance = max(0.0, (source.absolute + source.relative) ** 2 - source.removed_variance)
    return _Part(variance=variance, dof=source.dof, relative=source.relative > 0)


def _factor(dof: float, probability: float) -> float:
    upper = (1.0 + probability) / 2.0
    return float(ndtri(upper) if math.isinf(dof) else stdtrit(dof, upper))
