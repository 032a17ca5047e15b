"""Results made twice, for limits of which nobody knows how much all models share."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import partial
from itertools import combinations
from typing import TYPE_CHECKING, Final, Protocol

import pandas as pd

from fanstats._typing import Scope, SeedLike
from fanstats.decisions.compare import compare
from fanstats.decisions.rank import Ranking, rank
from fanstats.engine.draws import root_from
from fanstats.errors import FanstatsError
from fanstats.sources.splitting import Unsplit, split, unsplit_limits

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    import xarray as xr

    from fanstats.decisions.selection import Best
    from fanstats.decisions.verdict import Chosen, Comparison
    from fanstats.sources import Bench

__all__ = [
    "BothEstimates",
    "ComparedBothWays",
    "RankedBothWays",
    "both_ways",
    "compare_both_ways",
    "rank_both_ways",
]

# An afternoon that splits a limit, by what the instrument reads.
_TESTS: Final[Mapping[str, str]] = {
    "noise": (
        "with this meter and a second one of another make side by side, read six models or more "
        "of different sound, one step each, and take the differences of the two meters"
    ),
    "airflow": (
        "read six models or more of different kind, one step each, with this instrument and with "
        "one that works in another way (a hot wire beside a vane, or the time to fill a large "
        "bag), and take the ratios of the two"
    ),
    "speed": (
        "read six models or more, one step each, with this tachometer and with a strobe, and take "
        "the ratios of the two"
    ),
    "temperature": (
        "with six models or more, one step each, read with this sensor and with a second one "
        "beside it, and take the differences of the two"
    ),
}
_READ_LIKE: Final[Mapping[str, str]] = {"background": "noise", "ambient": "temperature"}
# Halvings of the share at which a verdict turns: known to 1/32 of the limit's variance.
_HALVINGS: Final = 5
_PAIRS_TOLD: Final = 5  # pairs named in a sentence; all of them stand in the fields


class Makes(Protocol):
    """Makes estimates from a bench and a root."""

    def __call__(self, *, bench: Bench, rng: int) -> xr.Dataset:
        """Give estimates."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BothEstimates:
    """Estimates with every unsplit limit taken wholly as shared, and wholly as each model's own.

    Attributes
    ----------
    shared, model : Dataset
        The two, of one root: they differ in nothing but the limits.
    alone : dict
        By limit, with that one alone as each model's own.
    limits : dict
        The unsplit limits by name.
    make : callable
        Makes estimates from a bench and a root.
    bench : Bench
        What was stated.
    root : int
        Root of all draws.
    """

    shared: xr.Dataset
    model: xr.Dataset
    alone: dict[str, xr.Dataset]
    limits: dict[str, Unsplit]
    make: Makes
    bench: Bench
    root: int


def both_ways(make: Makes, bench: Bench, *, rng: SeedLike = None) -> BothEstimates:
    """Make estimates twice: every limit that nobody split as shared, and as each model's own.

    Parameters
    ----------
    make : callable
        Makes estimates from the keywords `bench` and `rng`, such as
        ``functools.partial(fs.equal_noise, readings, 36)``.
    bench : Bench
        With unsplit limits: ready-made instruments have them, and ``half_width(...,
        unsplit=True)``.
    rng : int, numpy.random.Generator, numpy.random.SeedSequence or None
        Root of all draws.

    Returns
    -------
    BothEstimates
        For `compare_both_ways` and `rank_both_ways`.

    Raises
    ------
    FanstatsError
        If the bench has no unsplit limit, for then there are no two ways.

    Examples
    --------
    >>> import functools
    >>> import fanstats as fs
    >>> bench = fs.Bench(airflow=fs.instruments.vane("3 %"),
    ...                  spread=fs.UnitSpread(noise=fs.standard(0.2), airflow=fs.standard("1 %")))
    >>> make = functools.partial(fs.from_chart, {"A": 440, "B": 418}, quantity="airflow",
    ...                          units="fpm", level=36)
    >>> both = both_ways(make, bench, rng=1)
    >>> pair = compare_both_ways(both, "A", "B", quantity="airflow")
    >>> pair.shared.verdict, pair.model.verdict, pair.stands
    ('ahead', 'leaning', False)
    """
    limits = unsplit_limits(bench)
    if not limits:
        msg = (
            "`bench` has no limit that nobody has split, so there are no two ways; state one with "
            "half_width(..., unsplit=True), or make the estimates once."
        )
        raise FanstatsError(msg)
    root = root_from(rng)
    own = {name: make(bench=split(bench, {name: 1.0}), rng=root) for name in limits}
    return BothEstimates(
        shared=make(bench=split(bench, {}), rng=root),
        model=next(iter(own.values()))
        if len(own) == 1
        else make(bench=split(bench, dict.fromkeys(limits, 1.0)), rng=root),
        alone=own,
        limits=limits,
        make=make,
        bench=bench,
        root=root,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ComparedBothWays:
    """Two models compared both ways: a verdict stands only if it is the same either way.

    Attributes
    ----------
    shared, model : Comparison
        With the limits wholly shared, and wholly each model's own.
    stands : bool
        Whether both say the same of the same model.
    verdict : {"ahead", "leaning", "open"}
        The verdict of both; "open" where they differ.
    who : str or None
        The model that is ahead or leaned to, either way.
    decided_by : tuple of str
        Limits that by themselves turn the verdict when taken as each model's own; all of them
        where only all together do.
    largest_own : float
        Largest share of those limits' variance that may be each model's own without turning the
        verdict, NaN where it stands.
    limits : dict
        The unsplit limits by name.
    """

    shared: Comparison
    model: Comparison
    stands: bool
    verdict: str
    who: str | None
    decided_by: tuple[str, ...]
    largest_own: float
    limits: dict[str, Unsplit] = field(repr=False)

    def sentence(self) -> str:
        """Say what stands, and which afternoon's test would decide the rest.

        Returns
        -------
        str
        """
        pair = f"{self.shared.first} against {self.shared.second}"
        listed = f"{_listed(self.limits)} {'is' if len(self.limits) == 1 else 'are'}"
        it_is = "it is" if len(self.limits) == 1 else "they are"
        if self.stands:
            return (
                f"{pair}: {_said(self.shared)}, whether {listed} shared by all models or each "
                f"model's own. {self.shared.caption()}"
            )
        return (
            f"{pair}: {_said(self.shared)} if {listed} shared by all models, "
            f"{_said(self.model)} if {it_is} each model's own. Nobody has split that, so no "
            "verdict stands. "
            f"{_test(self.decided_by, self.limits, self.largest_own)}"
        )


def _said(result: Comparison) -> str:
    return result.verdict if result.who is None else f"{result.verdict} ({result.who})"


def _listed(limits: Mapping[str, Unsplit]) -> str:
    return " and ".join(f"{name} {limit.source.stated}" for name, limit in limits.items())


def _test(names: tuple[str, ...], limits: Mapping[str, Unsplit], largest: float) -> str:
    """Say which test would decide, and what it would have to find."""
    parts = []
    for name in names:
        limit = limits[name]
        read = _READ_LIKE.get(limit.quantity, limit.quantity)
        parts.append(
            f"An afternoon decides it: {_TESTS[read]}. Their scatter from model to model, over the "
            "root of 2 where both instruments are alike, is what each model has for itself; their "
            f"mean is shared. The verdict for a shared {name} holds {_holds(limit, largest)}."
        )
    return " ".join(parts)


def _holds(limit: Unsplit, largest: float) -> str:
    share = max(0.0, largest) ** 0.5
    parts = []
    if limit.source.relative:
        parts.append(f"{100 * share * limit.source.relative:.2g} %")
    if limit.source.absolute or not parts:
        size = share * limit.source.absolute
        parts.append(f"{size:.2g} {limit.source.units or ''}".strip())
    return f"as long as that scatter is below some {' + '.join(parts)} (standard deviation)"


def compare_both_ways(
    both: BothEstimates,
    first: str,
    second: str,
    *,
    quantity: str | None = None,
    obstruction: str | None = None,
    scope: Scope = "model",
    probability: float = 0.95,
    margin: float | None = None,
    chosen: Chosen = "from the chart",
    best: Best | None = None,
) -> ComparedBothWays:
    """Compare two models with unsplit limits taken either way.

    Parameters
    ----------
    both : BothEstimates
        From `both_ways`.
    first, second : str
        The two models.
    quantity, obstruction, scope, probability, margin, chosen, best
        As in `fanstats.compare`.

    Returns
    -------
    ComparedBothWays

    Raises
    ------
    FanstatsError
        As `compare`.

    Notes
    -----
    Where the verdict turns, the share of the limits at which it does is found by halving, with
    results made anew at each share.

    Examples
    --------
    >>> import functools
    >>> import fanstats as fs
    >>> bench = fs.Bench(airflow=fs.instruments.vane("3 %"), spread=fs.UnitSpread(
    ...     noise=fs.standard(0.2), airflow=fs.standard("1 %")))
    >>> make = functools.partial(fs.from_chart, {"A": 440, "B": 418}, quantity="airflow",
    ...                          units="fpm", level=36)
    >>> pair = compare_both_ways(both_ways(make, bench, rng=1), "A", "B", quantity="airflow")
    >>> pair.shared.verdict, pair.model.verdict
    ('ahead', 'leaning')
    """
    judge = partial(
        compare,
        first=first,
        second=second,
        quantity=quantity,
        obstruction=obstruction,
        scope=scope,
        probability=probability,
        margin=margin,
        chosen=chosen,
        best=best,
    )
    shared, model = judge(both.shared), judge(both.model)
    stands = _alike(shared, model)
    decided: tuple[str, ...] = ()
    largest = float("nan")
    if not stands:
        turned = [
            name for name, estimates in both.alone.items() if not _alike(shared, judge(estimates))
        ]
        decided = tuple(turned or both.limits)
        largest = _largest_own(both, decided, shared, judge)
    return ComparedBothWays(
        shared=shared,
        model=model,
        stands=stands,
        verdict=shared.verdict if stands else "open",
        who=shared.who if stands else None,
        decided_by=decided,
        largest_own=largest,
        limits=both.limits,
    )


def _alike(one: Comparison, other: Comparison) -> bool:
    return (one.verdict, one.who) == (other.verdict, other.who)


def _largest_own(
    both: BothEstimates,
    names: tuple[str, ...],
    shared: Comparison,
    judge: Callable[[xr.Dataset], Comparison],
) -> float:
    low, high = 0.0, 1.0
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        bench = split(both.bench, dict.fromkeys(names, middle))
        found = judge(both.make(bench=bench, rng=both.root))
        low, high = (middle, high) if _alike(shared, found) else (low, middle)
    return low


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RankedBothWays:
    """A ranking both ways: what is settled, and told apart, is so either way.

    Attributes
    ----------
    shared, model : Ranking
        With the limits wholly shared, and wholly each model's own.
    table : DataFrame
        A row a model in the order of `shared`: `model`, `place`, `value`, `rank_low`, `rank_high`
        (the wider of both), `chance_best_low` and `chance_best_high` (of both).
    settled : dict
        Places that are certain either way, and who holds them.
    apart : tuple of (str, str)
        Pairs that are told apart either way, the better first.
    in_doubt : tuple of (str, str)
        Pairs that are told apart only if the limits are split the right way.
    limits : dict
        The unsplit limits by name.
    """

    shared: Ranking
    model: Ranking
    table: pd.DataFrame
    settled: dict[int, str]
    apart: tuple[tuple[str, str], ...]
    in_doubt: tuple[tuple[str, str], ...]
    limits: dict[str, Unsplit] = field(repr=False)

    def sentence(self) -> str:
        """Say what stands either way, and which afternoon's test would decide the rest.

        Returns
        -------
        str
        """
        listed = f"{_listed(self.limits)} {'is' if len(self.limits) == 1 else 'are'}"
        count = f"Told apart whether {listed} shared or each model's own: {_pairs(self.apart)}"
        places = ", ".join(f"place {place} ({name})" for place, name in self.settled.items())
        text = f"{count}. Settled either way: {places or 'no place'}."
        if not self.in_doubt:
            return f"{text} Nothing hangs on how that is split."
        tests = [
            f"An afternoon decides it: {_TESTS[_READ_LIKE.get(limit.quantity, limit.quantity)]}."
            for limit in self.limits.values()
        ]
        deciding = " ".join(dict.fromkeys(tests))
        return f"{text} On how that is split hang: {_pairs(self.in_doubt)}. {deciding}"


def _pairs(pairs: tuple[tuple[str, str], ...]) -> str:
    told = [f"{one} from {other}" for one, other in pairs[:_PAIRS_TOLD]]
    more = [f"{len(pairs) - _PAIRS_TOLD} more"] if len(pairs) > _PAIRS_TOLD else []
    return ", ".join([*told, *more]) or "no two models"


def rank_both_ways(
    both: BothEstimates,
    *,
    quantity: str | None = None,
    obstruction: str | None = None,
    scope: Scope = "model",
    best: Best | None = None,
    probability: float = 0.95,
) -> RankedBothWays:
    """Rank all models with unsplit limits taken either way.

    Parameters
    ----------
    both : BothEstimates
        From `both_ways`.
    quantity, obstruction, scope, best, probability
        As in `fanstats.rank`.

    Returns
    -------
    RankedBothWays

    Raises
    ------
    FanstatsError
        As `rank`.

    Examples
    --------
    >>> import functools
    >>> import fanstats as fs
    >>> bench = fs.Bench(airflow=fs.instruments.vane("3 %"), spread=fs.UnitSpread(
    ...     noise=fs.standard(0.2), airflow=fs.standard("1 %")))
    >>> make = functools.partial(fs.from_chart, {"A": 500, "B": 440, "C": 416},
    ...                          quantity="airflow", units="fpm", level=36)
    >>> found = rank_both_ways(both_ways(make, bench, rng=1), quantity="airflow")
    >>> found.settled, found.in_doubt
    ({1: 'A'}, (('B', 'C'),))
    """
    shared, model = (
        rank(each, quantity=quantity, obstruction=obstruction, scope=scope, best=best,
             probability=probability)
        for each in (both.shared, both.model)
    )  # fmt: skip
    columns = ["rank_low", "rank_high", "chance_best"]
    other = model.table.set_index("model")[columns].loc[shared.table["model"]].reset_index()
    table = shared.table[["model", "place", "value"]].copy()
    table["rank_low"] = shared.table["rank_low"].combine(other["rank_low"], min)
    table["rank_high"] = shared.table["rank_high"].combine(other["rank_high"], max)
    table["chance_best_low"] = shared.table["chance_best"].combine(other["chance_best"], min)
    table["chance_best_high"] = shared.table["chance_best"].combine(other["chance_best"], max)
    one, two = _apart(shared), _apart(model)
    return RankedBothWays(
        shared=shared,
        model=model,
        table=table,
        settled={p: name for p, name in shared.settled.items() if model.settled.get(p) == name},
        apart=tuple(pair for pair in one if pair in two),
        in_doubt=tuple(
            pair for pair in dict.fromkeys([*one, *two]) if (pair in one) != (pair in two)
        ),
        limits=both.limits,
    )


def _apart(ranking: Ranking) -> list[tuple[str, str]]:
    """List pairs that stand in no group together, the better first."""
    return [
        pair
        for pair in combinations(ranking.ranked, 2)
        if not any(set(pair) <= set(group) for group in ranking.groups)
    ]
