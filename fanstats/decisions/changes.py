"""What still holds of what was published, after another test, another rig, or with more known."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal, NamedTuple

import numpy as np
import pandas as pd

from fanstats._typing import BoolArray, FloatArray, Scope
from fanstats.decisions.decision import Decision
from fanstats.decisions.rank import Ranking, rank
from fanstats.decisions.said import counted, in_hundred, shortened
from fanstats.errors import FanstatsError
from fanstats.wording import PAIR_WORDS, listed

if TYPE_CHECKING:
    import xarray as xr

    from fanstats.decisions.selection import Best

__all__ = ["Changes", "changes"]

Outcome = Literal[
    "holds", "firmer", "weakened", "fell", "new", "not tested again", "too close to call"
]
# How each fate is counted in a sentence: of one statement, of several.
_COUNTED: Final[Mapping[Outcome, tuple[str, str]]] = {
    "holds": ("still holds", "still hold"),
    "firmer": ("has become settled", "have become settled"),
    "weakened": ("is weaker", "are weaker"),
    "fell": ("fell", "fell"),
    "not tested again": ("cannot be told, as a model was not tested again",) * 2,
    "too close to call": (
        "is too close to call with so many draws",
        "are too close to call with so many draws",
    ),
}
# Odds within so many Monte Carlo standard errors of 3:1 may lie on the other side of it.
_CLOSE: Final = 2.0
# Odds of 3:1, from which a pair is said to lean.
_LEANING: Final = 0.75
_COLUMNS: Final = (
    *("statement", "kind", "first", "second", "before", "now"),
    *("chance_before", "chance_now", "outcome"),
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Changes(Decision):
    """Published statements, one by one, and what has become of them.

    Attributes
    ----------
    table : DataFrame
        One row a statement: `statement` (as published; a new one as it could be now), `kind`
        ("first", "place" or "pair"), `first`, `second` ("" but for pairs), `before` and `now` (in
        words), `chance_before` and `chance_now` (of a pair: that the first is ahead; of a first
        place: that it is the best), and `outcome`:

        - "holds": can still be said;
        - "firmer": was leaning, is settled;
        - "weakened": the estimates still say so, but less surely than was published;
        - "fell": the estimates say otherwise, or lean the other way;
        - "too close to call": it reads otherwise now, but before or now other Monte Carlo draws
          of the same readings could read it the other way: no news, take more draws;
        - "not tested again": a model is missing now;
        - "new": was open, can be said now.
    models : DataFrame
        One row a model: `model`, `place_before`, `place_now`, `value_before`, `value_now`,
        `change`.
    """

    models: pd.DataFrame

    def having(self, outcome: Outcome) -> pd.DataFrame:
        """Give the statements with one outcome.

        Parameters
        ----------
        outcome : {"holds", "firmer", "weakened", "fell", "too close to call", \
                "not tested again", "new"}

        Returns
        -------
        DataFrame
        """
        return self.table[self.table["outcome"] == outcome].reset_index(drop=True)

    def sentence(self) -> str:
        """Say it in words that can stand under a chart.

        Returns
        -------
        str
        """
        place = f" {self.where}" if self.where else ""
        about = PAIR_WORDS.get(self.scope, self.scope)
        published = self.table[self.table["outcome"] != "new"]
        if published.empty:
            head = f"Nothing was settled or leaning by {self.quantity}{place} for {about}."
        else:
            counts = [
                counted(len(self.having(outcome)), *words)
                for outcome, words in _COUNTED.items()
                if len(self.having(outcome))
            ]
            plural = "s" if len(published) > 1 else ""
            head = (
                f"Of {len(published)} statement{plural} by {self.quantity}{place}, for {about}: "
                f"{listed(counts)}."
            )
        parts = [head, self._named("Fell", "fell"), self._named("Weaker", "weakened")]
        parts.append(self._named("New", "new"))
        parts.append(self._named("No news before more draws are taken", "too close to call"))
        return " ".join(part for part in (*parts, *self._rests_on()) if part)

    def _named(self, label: str, outcome: Outcome) -> str:
        named = [self._with_odds(row) for row in self.having(outcome).to_dict("records")]
        return f"{label}: {shortened(named, 4)}." if named else ""

    def _with_odds(self, row: Mapping[Hashable, Any]) -> str:
        """Give a statement with the odds before and now."""
        odds = [
            f"{in_hundred(float(row[f'chance_{when}']), self.draws)} {when}"
            for when in ("before", "now")
            if not math.isnan(row[f"chance_{when}"])
        ]
        return f"{row['statement']} ({', '.join(odds)})" if odds else str(row["statement"])


def changes(
    old: xr.Dataset | xr.DataArray | Ranking,
    new: xr.Dataset | xr.DataArray | Ranking,
    *,
    quantity: str | None = None,
    obstruction: str | None = None,
    scope: Scope = "model",
    best: Best | None = None,
    probability: float = 0.95,
) -> Changes:
    """Go through what an old result let anybody say, and see what a new one lets them say.

    Parameters
    ----------
    old, new : Dataset, DataArray or Ranking
        Estimates before and now, or what `rank` made of them. They may stem from different root
        seeds: nothing is subtracted across the two.
    quantity, obstruction, scope, best, probability
        As in `rank`; for estimates only.

    Returns
    -------
    Changes

    Raises
    ------
    FanstatsError
        If the two are about different quantities, obstructions or scopes, or as in `rank`.

    Notes
    -----
    What Monte Carlo error alone can do is no news: where a limit, or odds of 3:1, lie within their
    Monte Carlo error before or now, a difference of the two readings is "too close to call".

    A statement that "fell" need not have been wrong when it was made, and one in twenty of those
    settled 95 times in 100 may be: this says what can be said now, not who erred.

    Examples
    --------
    >>> import fanstats as fs
    >>> estimates = fs.equal_noise(fs.demo.readings(), 33, bench=fs.demo.bench(), draws=500, rng=1)
    >>> found = changes(estimates, estimates, quantity="airflow", obstruction="open")
    >>> set(found.table["outcome"])
    {'holds'}
    """
    before, now = (
        result
        if isinstance(result, Ranking)
        else rank(
            result, quantity=quantity, obstruction=obstruction, scope=scope, best=best,
            probability=probability,
        )
        for result in (old, new)
    )  # fmt: skip
    _check_alike(before, now)
    was, says = _standing(before), _standing(now)
    rows = [*_first(before, now), *_places(before, now, was, says), *_pairs(was, says)]
    counted = {str(row["model"]): int(row["units_tested"]) for row in now.table.to_dict("records")}
    return Changes(
        table=pd.DataFrame(rows, columns=list(_COLUMNS)),
        models=_models(before, now),
        quantity=now.quantity,
        units=now.units,
        obstruction=now.obstruction,
        where=now.where,
        scope=now.scope,
        best=now.best,
        probability=now.probability,
        draws=now.draws,
        units_tested=counted,
        root=now.root,
        assumptions=now.assumptions,
        not_considered=now.not_considered,
        notes=_notes(before, now),
    )


def _check_alike(before: Ranking, now: Ranking) -> None:
    for name in ("quantity", "obstruction", "scope", "best", "units"):
        was, is_now = getattr(before, name), getattr(now, name)
        if was != is_now:
            msg = (
                f"`old` and `new` must be about the same {name}; got {was!r} and {is_now!r}. "
                "Results about different things say nothing about each other."
            )
            raise FanstatsError(msg)


def _notes(before: Ranking, now: Ranking) -> tuple[str, ...]:
    notes = list(now.notes)
    if before.where != now.where:
        notes.append(
            f"read off differently: {before.where or 'not stated'} before, now {now.where}"
        )
    if before.probability != now.probability:
        notes.append(f"settled meant {before.probability:g} before and {now.probability:g} now")
    dropped = [text for text in before.assumptions if text not in now.assumptions]
    if dropped:
        notes.append(f"assumed before, not now: {shortened(dropped)}")
    return tuple(dict.fromkeys(notes))


class _Standing(NamedTuple):
    """Who is ahead of whom in a ranking."""

    names: tuple[str, ...]
    settled: BoolArray  # (models, models): the row is surely ahead of the column
    odds: FloatArray  # (models, models): that the row is ahead of the column
    values: FloatArray  # larger being better
    close: BoolArray  # (models, models): other draws could settle or unsettle the pair
    draws: int

    def between(self, first: str, second: str) -> _Between | None:
        """Where two models stand, seen from the first; None if one of them is missing."""
        if first not in self.names or second not in self.names:
            return None
        row, other = self.names.index(first), self.names.index(second)
        return _Between(
            odds=float(self.odds[row, other]),
            settled=bool(self.settled[row, other] or self.settled[other, row]),
            gap=float(self.values[row] - self.values[other]),
            close=bool(self.close[row, other]),
            error=_CLOSE * math.sqrt(0.25 / self.draws),
        )


class _Between(NamedTuple):
    """Where two models stand, seen from the first."""

    odds: float
    settled: bool
    gap: float
    close: bool
    error: float  # within which odds may lie on the other side of 3:1

    @property
    def state(self) -> str:
        """Verdict as `compare` words it: "ahead", "leaning", "open", ..."""
        if self.settled:
            return "ahead" if self.gap > 0 else "behind"
        return self._leaning(self.odds)

    @property
    def possible(self) -> set[str]:
        """All verdicts that other draws of the same readings could give."""
        states = {self.state}
        if self.close:
            states.add("ahead" if self.gap > 0 else "behind")
        if self.close or not self.settled:
            states |= {self._leaning(self.odds + step) for step in (-self.error, 0.0, self.error)}
        return states

    @staticmethod
    def _leaning(odds: float) -> str:
        if odds >= _LEANING:
            return "leaning"
        return "leaning the other way" if odds <= 1.0 - _LEANING else "open"


def _standing(ranking: Ranking) -> _Standing:
    names = ranking.ranked
    count = len(names)
    together = np.zeros((count, count), dtype=bool)
    for group in ranking.groups:
        places = [names.index(name) for name in group]
        together[np.ix_(places, places)] = True
    sign = -1.0 if ranking.best == "low" else 1.0
    values = sign * ranking.table["value"].to_numpy(dtype=np.float64)[:count]
    ahead = values[:, np.newaxis] > values
    odds = ranking.pair_chances.sel(model=list(names), other=list(names)).values
    close = np.zeros((count, count), dtype=bool)
    for one, two in ranking.too_close:
        row, other = names.index(one), names.index(two)
        close[row, other] = close[other, row] = True
    return _Standing(names, ~together & ahead, odds, values, close, ranking.draws)


def _pairs(was: _Standing, says: _Standing) -> list[dict[str, Any]]:
    rows = []
    names = [*was.names, *(name for name in says.names if name not in was.names)]
    for place, one in enumerate(names):
        for two in names[place + 1 :]:
            row = _pair(one, two, was, says)
            if row is not None:
                rows.append(row)
    return rows


def _pair(one: str, two: str, was: _Standing, says: _Standing) -> dict[str, Any] | None:
    before, now = was.between(one, two), says.between(one, two)
    told = before.state if before is not None else "open"
    if told in ("behind", "leaning the other way") or (
        told == "open" and now is not None and now.state in ("behind", "leaning the other way")
    ):
        one, two = two, one
        before, now = was.between(one, two), says.between(one, two)
        told = before.state if before is not None else "open"
    is_now = now.state if now is not None else "not tested"
    outcome = _outcome(told, is_now, now.gap if now is not None else math.nan)
    if outcome is None:
        return None
    if outcome not in ("holds", "not tested again") and before is not None and now is not None \
            and before.possible & now.possible:  # fmt: skip
        outcome = "too close to call"
    sure = is_now == "ahead" if outcome == "new" else told == "ahead"
    words = f"{one} {'is ahead of' if sure else 'is probably ahead of'} {two}"
    return {
        **_row(words, "pair", (one, two), told if before is not None else "not tested", is_now),
        "chance_before": before.odds if before is not None else math.nan,
        "chance_now": now.odds if now is not None else math.nan,
        "outcome": outcome,
    }


def _row(words: str, kind: str, models: tuple[str, str], before: str, now: str) -> dict[str, Any]:
    given = (words, kind, *models, before, now)
    return {**dict(zip(_COLUMNS[:6], given, strict=True)), "chance_before": math.nan,
            "chance_now": math.nan}  # fmt: skip


def _outcome(told: str, is_now: str, gap: float) -> Outcome | None:
    """Say what has become of a statement on a pair; None where there was and is none."""
    if told == "open":
        return "new" if is_now in ("ahead", "leaning") else None
    if is_now == "not tested":
        return "not tested again"
    if is_now == told:
        return "holds"
    if is_now == "ahead":
        return "firmer"
    if is_now == "leaning" or (is_now == "open" and gap > 0):
        return "weakened"
    return "fell"


def _first(before: Ranking, now: Ranking) -> list[dict[str, Any]]:
    """Say what has become of the model on top."""
    if not before.ranked:
        return []
    name = before.ranked[0]
    if name not in now.ranked:
        outcome: Outcome = "not tested again"
        place = "not tested"
    else:
        standing = _place_of(now, name)
        place = f"place {standing:g}"
        outcome = "holds" if standing == _place_of(before, name) else "fell"
    told = f"place {_place_of(before, name):g}"
    chances = {
        f"chance_{when}": float(ranking.chance_best.sel(model=name))
        if name in ranking.ranked
        else math.nan
        for when, ranking in (("before", before), ("now", now))
    }
    return [
        {**_row(f"{name} stands first", "first", (name, ""), told, place), **chances,
         "outcome": outcome}
    ]  # fmt: skip


def _places(before: Ranking, now: Ranking, was: _Standing, says: _Standing) -> list[dict[str, Any]]:
    """Say what has become of settled places, and which are settled newly."""
    rows: list[tuple[int, str, str, str, Outcome]] = []
    # A place counts from the top: with other models on the chart it is another statement.
    for place, name in sorted(before.settled.items()):
        outcome: Outcome
        if name not in now.ranked:
            is_now, outcome = "not tested", "not tested again"
        else:
            sure = now.settled.get(place) == name
            standing = _place_of(now, name)
            is_now = "settled" if sure else f"place {standing:g}"
            outcome = "holds" if sure else "weakened" if standing == place else "fell"
        rows.append((place, name, "settled", is_now, outcome))
    for place, name in sorted(now.settled.items()):
        if before.settled.get(place) != name:
            told = f"place {_place_of(before, name):g}" if name in before.ranked else "not tested"
            rows.append((place, name, told, "settled", "new"))
    return [
        {
            **_row(f"place {place} is settled: {name}", "place", (name, ""), told, is_now),
            "outcome": "too close to call"
            if outcome not in ("holds", "not tested again") and _by_draws_alone(name, was, says)
            else outcome,
        }
        for place, name, told, is_now, outcome in rows
    ]


def _by_draws_alone(name: str, was: _Standing, says: _Standing) -> bool:
    """Whether all that changed about whom a model is told apart from could be Monte Carlo error."""
    differ = []
    for other in was.names:
        before, now = was.between(name, other), says.between(name, other)
        if other == name or before is None or now is None:
            continue
        sides = [(pair.settled, pair.settled and pair.gap > 0) for pair in (before, now)]
        if sides[0] != sides[1]:
            same_way = not (before.settled and now.settled)
            differ.append(same_way and (before.close or now.close))
    return bool(differ) and all(differ)


def _place_of(ranking: Ranking, name: str) -> float:
    table = ranking.table
    return float(table.loc[table["model"] == name, "place"].iloc[0])


def _models(before: Ranking, now: Ranking) -> pd.DataFrame:
    old, new = (
        ranking.table.set_index("model")[["place", "value"]].add_suffix(suffix)
        for ranking, suffix in ((before, "_before"), (now, "_now"))
    )
    names = [*new.index, *(name for name in old.index if name not in new.index)]
    joined = pd.concat([old.reindex(names), new.reindex(names)], axis=1)
    joined = joined[["place_before", "place_now", "value_before", "value_now"]]
    joined["change"] = joined["value_now"] - joined["value_before"]
    return joined.rename_axis("model").reset_index()
