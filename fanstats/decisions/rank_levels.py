"""Does the advice hold at every noise level: rankings at several levels, told together."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from fanstats._arguments import fraction
from fanstats._typing import Scope
from fanstats.decisions.decision import carried
from fanstats.decisions.rank import Ranking, rank
from fanstats.decisions.selection import Best
from fanstats.errors import FanstatsError
from fanstats.tabled import Tabled
from fanstats.wording import SCOPE_WORDS, listed, times_words

if TYPE_CHECKING:
    from collections.abc import Iterable

    import xarray as xr

__all__ = ["RankedLevels", "Turn", "rank_levels"]

# So many names or pairs are written out; the table holds the rest.
_NAMED = 5


class Turn(NamedTuple):
    """Two models that are told apart at two levels, one way at one and the other way at another.

    Attributes
    ----------
    first, second : str
        The models; `first` is ahead at `ahead_at`.
    ahead_at, behind_at : float
        Levels at which it is settled that `first` is ahead, and behind.
    """

    first: str
    second: str
    ahead_at: float
    behind_at: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class RankedLevels(Tabled):
    """Rankings at several levels, and what they say together.

    Attributes
    ----------
    table : DataFrame
        One row a level and model, in the order of each ranking: `level`, then the columns of
        `Ranking.table` that a reader needs (`model`, `place`, `value`, `low`, `high`,
        `chance_best`, `group`, `status`), and `may_be_best`: whether it cannot be told apart from
        the first.
    rankings : dict
        `Ranking` by level.
    turns : tuple of Turn
        Pairs whose order turns between levels beyond doubt, one entry a pair.
    always : tuple of str
        Models that may be the best at every level.
    units : str
        Unit of the levels.
    probability : float
        That no two models are wrongly called different at any of the levels.
    """

    table: pd.DataFrame
    rankings: dict[float, Ranking]
    turns: tuple[Turn, ...]
    always: tuple[str, ...]
    units: str
    probability: float

    @property
    def levels(self) -> tuple[float, ...]:
        """The levels, quietest first."""
        return tuple(self.rankings)

    def places(self) -> pd.DataFrame:
        """Give places with a row a model and a column a level.

        Returns
        -------
        DataFrame
            Indexed by model, best mean place first; NaN where a model has no place.
        """
        wide = self.table.pivot(index="model", columns="level", values="place")
        return wide.loc[wide.mean(axis=1).sort_values(kind="stable").index]

    def sentence(self) -> str:
        """Say it in words that can stand under a chart.

        Returns
        -------
        str
        """
        one = next(iter(self.rankings.values()))
        parts = [
            self._leaders(one),
            self._candidates(),
            self._turned(),
            self._missing(),
            "Over all levels at once, what is called settled or beyond doubt is right "
            f"{times_words(self.probability)}.",
            carried("Assumed", self._listed("assumptions")),
            carried("Not considered", self._listed("not_considered")),
        ]
        return " ".join(part for part in parts if part)

    def _rows(self) -> pd.DataFrame:
        return self.table

    def _listed(self, name: str) -> list[str]:
        """Gather what the rankings say, each sentence once."""
        said = (text for ranking in self.rankings.values() for text in getattr(ranking, name))
        return list(dict.fromkeys(said))

    def _at(self, levels: Iterable[float]) -> str:
        return f"{listed([f'{level:g}' for level in levels])} {self.units}"

    def _leaders(self, one: Ranking) -> str:
        about = SCOPE_WORDS.get(one.scope, one.scope)
        place = f", obstruction: {one.obstruction}" if one.obstruction else ""
        by = f"by {one.quantity}{place}, for {about}"
        at: dict[str, list[float]] = {}
        for level, ranking in self.rankings.items():
            if ranking.ranked:
                at.setdefault(ranking.ranked[0], []).append(level)
        if not at:
            return f"No model can be ranked {by} at {self._at(self.levels)}."
        if len(at) == 1 and len(next(iter(at.values()))) == len(self.levels):
            return f"{next(iter(at))} stands first at {self._at(self.levels)} {by}."
        firsts = [f"{name} at {self._at(levels)}" for name, levels in at.items()]
        return f"First {by}: {'; '.join(firsts)}."

    def _candidates(self) -> str:
        if not self.always:
            return "No model may be the best at every level."
        names = list(self.always)
        more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
        if len(names) == 1:
            return f"Only {names[0]} may be the best at every level."
        shown = ", ".join(names[:_NAMED]) if more else listed(names)
        return f"Models that may be the best at every level: {shown}{more}."

    def _turned(self) -> str:
        if not self.turns:
            return "No two models change order between these levels beyond doubt."
        said = [
            f"{turn.first} is ahead of {turn.second} at {self._at([turn.ahead_at])} and behind at "
            f"{self._at([turn.behind_at])}"
            for turn in self.turns[:_NAMED]
        ]
        more = len(self.turns) - _NAMED
        rest = f"; and {more} more" if more > 0 else ""
        return f"Settled both ways: {'; '.join(said)}{rest}."

    def _missing(self) -> str:
        absent: dict[str, list[float]] = {}
        for level, ranking in self.rankings.items():
            for name in ranking.unranked:
                absent.setdefault(name, []).append(level)
        if not absent:
            return ""
        entries = [f"{name} at {self._at(levels)}" for name, levels in absent.items()]
        more = f" and {len(entries) - _NAMED} more" if len(entries) > _NAMED else ""
        return f"Without a place: {', '.join(entries[:_NAMED])}{more} (the table says why)."


def rank_levels(
    estimates: xr.Dataset,
    *,
    quantity: str | None = None,
    obstruction: str | None = None,
    scope: Scope = "model",
    best: Best | None = None,
    probability: float = 0.95,
) -> RankedLevels:
    """Rank models at several noise levels, and say whether the advice is the same at all.

    Parameters
    ----------
    estimates : Dataset
        What `equal_noise` returns for several levels.
    quantity : str
        Such as "airflow". May be left out where there is only one.
    obstruction : str, optional
        Which obstruction; may be left out where there is only one.
    scope : {"tested unit", "model", "next unit"}
        Which true values are ranked.
    best : {"high", "low"}, optional
        Which way is better; follows from the quantity where that is known.
    probability : float
        That nothing said to be settled is wrong, at any level.

    Returns
    -------
    RankedLevels

    Raises
    ------
    FanstatsError
        If the estimates hold one level only, or as in `rank`.

    Notes
    -----
    Each of ``n`` levels is ranked at ``1 - (1 - probability) / n`` (Bonferroni), so what is said of
    all of them together holds. Levels go up and down together, so this is on the cautious side.

    Examples
    --------
    >>> import fanstats as fs
    >>> estimates = fs.equal_noise(
    ...     fs.demo.readings(), [30, 36], bench=fs.demo.bench(), draws=500, rng=1)
    >>> found = rank_levels(estimates, quantity="airflow", obstruction="open")
    >>> found.levels, found.rankings[30.0].ranked[0]
    ((30.0, 36.0), 'Varnost Lull')
    """
    fraction("probability", probability)
    if "level" not in getattr(estimates, "dims", ()) or estimates.sizes["level"] < 2:
        msg = (
            "`estimates` must hold several levels, as from equal_noise(readings, [30, 33, 36], "
            "bench=...); for one level use rank."
        )
        raise FanstatsError(msg)
    levels = np.sort(estimates["level"].to_numpy().astype(np.float64))
    each = 1.0 - (1.0 - probability) / levels.size
    rankings = {
        float(level): rank(
            estimates.sel(level=level),
            quantity=quantity,
            obstruction=obstruction,
            scope=scope,
            best=best,
            probability=each,
        )
        for level in levels
    }
    candidates = [_may_be_best(ranking) for ranking in rankings.values()]
    first = candidates[0]
    return RankedLevels(
        table=pd.concat([_rows_of(level, one) for level, one in rankings.items()]).reset_index(
            drop=True
        ),
        rankings=rankings,
        turns=_turns(rankings),
        always=tuple(name for name in first if all(name in others for others in candidates)),
        units=str(estimates["level"].attrs.get("units") or estimates.attrs.get("level_units", "")),
        probability=probability,
    )


def _may_be_best(ranking: Ranking) -> list[str]:
    """List models that cannot be told apart from the first, the best first."""
    if not ranking.ranked:
        return []
    leader = ranking.ranked[0]
    alike = {name for group in ranking.groups if leader in group for name in group} | {leader}
    return [name for name in ranking.ranked if name in alike]


def _rows_of(level: float, ranking: Ranking) -> pd.DataFrame:
    columns = ["model", "place", "value", "low", "high", "chance_best", "group", "status"]
    rows = ranking.table[columns].copy()
    rows.insert(0, "level", level)
    rows.insert(3, "may_be_best", rows["model"].isin(_may_be_best(ranking)))
    return rows


def _settled_order(ranking: Ranking) -> dict[tuple[str, str], bool]:
    """Say of every pair that is told apart, names sorted, whether the first is ahead."""
    alike = {pair for group in ranking.groups for pair in combinations(sorted(group), 2)}
    place = {name: k for k, name in enumerate(ranking.ranked)}
    return {
        pair: place[pair[0]] < place[pair[1]]
        for pair in combinations(sorted(ranking.ranked), 2)
        if pair not in alike
    }


def _turns(rankings: dict[float, Ranking]) -> tuple[Turn, ...]:
    """Find pairs settled one way at one level and the other way at another."""
    seen: dict[tuple[str, str], dict[bool, float]] = {}
    for level, ranking in rankings.items():
        for pair, ahead in _settled_order(ranking).items():
            seen.setdefault(pair, {}).setdefault(ahead, level)
    return tuple(
        Turn(*pair, at[True], at[False]) for pair, at in sorted(seen.items()) if len(at) == 2
    )
