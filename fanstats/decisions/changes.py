"""What still holds of what was published, after another test, another rig, or with more known."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal, NamedTuple

import numpy as np
import pandas as pd

from fanstats._typing import BoolArray, FloatArray, Scope
from fanstats.decisions.decision import Decision, shortened
from fanstats.decisions.rank import Ranking, rank
from fanstats.errors import FanstatsError
from fanstats.wording import PAIR_WORDS, listed

if TYPE_CHECKING:
    import xarray as xr

    from fanstats.decisions.selection import Best

__all__ = ["Changes", "changes"]

Outcome = Literal["holds", "firmer", "weakened", "fell", "new", "not tested again"]
# How each fate is counted in a sentence.
_COUNTED: Final[Mapping[Outcome, str]] = {
    "holds": "still hold",
    "firmer": "have become settled",
    "weakened": "are weaker",
    "fell": "fell",
    "not tested again": "cannot be told, as a model was not tested again",
}
# Odds of 3:1, from which a pair is said to lean.
_LEANING: Final = 0.75
_COLUMNS: Final = ("statement", "kind", "first", "second", "before", "now", "outcome")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Changes(Decision):
    """Published statements, one by one, and what has become of them.

    Attributes
    ----------
    table : DataFrame
        One row a statement: `statement` (as published; a new one as it could be now), `kind`
        ("first", "place" or "pair"), `first`, `second` ("" but for pairs), `before` and `now` (in
        words), and `outcome`:

        - "holds": can still be said;
        - "firmer": was leaning, is settled;
        - "weakened": the estimates still say so, but less surely than was published;
        - "fell": the estimates say otherwise, or lean the other way;
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
        outcome : {"holds", "firmer", "weakened", "fell", "not tested again", "new"}

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
                f"{len(self.having(outcome))} {words}"
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
        return " ".join(part for part in (*parts, *self._rests_on()) if part)

    def _named(self, label: str, outcome: Outcome) -> str:
        named = list(self.having(outcome)["statement"])
        return f"{label}: {shortened(named, 4)}." if named else ""


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
    rows = [*_first(before, now), *_places(before, now), *_pairs(was, says)]
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

    def between(self, first: str, second: str) -> tuple[float, bool, float] | None:
        """Odds that the first is ahead, whether the pair is settled, and the gap, if both stand."""
        if first not in self.names or second not in self.names:
            return None
        row, other = self.names.index(first), self.names.index(second)
        sure = bool(self.settled[row, other] or self.settled[other, row])
        gap = float(self.values[row] - self.values[other])
        return float(self.odds[row, other]), sure, gap


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
    return _Standing(names, ~together & ahead, odds, values)


def _state(odds: float, settled: bool, gap: float) -> str:
    """Verdict on a pair as `compare` words it, seen from the first: "ahead", "leaning", ..."""
    if settled:
        return "ahead" if gap > 0 else "behind"
    if odds >= _LEANING:
        return "leaning"
    return "leaning the other way" if odds <= 1.0 - _LEANING else "open"


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
    told = _state(*before) if before is not None else "open"
    if told in ("behind", "leaning the other way") or (
        told == "open" and now is not None and _state(*now) in ("behind", "leaning the other way")
    ):
        one, two = two, one
        before, now = was.between(one, two), says.between(one, two)
        told = _state(*before) if before is not None else "open"
    is_now = _state(*now) if now is not None else "not tested"
    outcome = _outcome(told, is_now, now[2] if now is not None else math.nan)
    if outcome is None:
        return None
    sure = is_now == "ahead" if outcome == "new" else told == "ahead"
    words = f"{one} {'is ahead of' if sure else 'is probably ahead of'} {two}"
    before_words = told if before is not None else "not tested"
    return dict(
        zip(_COLUMNS, (words, "pair", one, two, before_words, is_now, outcome), strict=True)
    )


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
    words = f"{name} stands first"
    told = f"place {_place_of(before, name):g}"
    return [dict(zip(_COLUMNS, (words, "first", name, "", told, place, outcome), strict=True))]


def _places(before: Ranking, now: Ranking) -> list[dict[str, Any]]:
    """Say what has become of settled places, and which are settled newly."""
    rows = []
    # A place counts from the top: with other models on the chart it is another statement.
    for place, name in sorted(before.settled.items()):
        words = f"place {place} is settled: {name}"
        if name not in now.ranked:
            is_now, outcome = "not tested", "not tested again"
        else:
            sure = now.settled.get(place) == name
            standing = _place_of(now, name)
            is_now = "settled" if sure else f"place {standing:g}"
            outcome = "holds" if sure else "weakened" if standing == place else "fell"
        rows.append((words, "place", name, "", "settled", is_now, outcome))
    for place, name in sorted(now.settled.items()):
        if before.settled.get(place) != name:
            words = f"place {place} is settled: {name}"
            told = f"place {_place_of(before, name):g}" if name in before.ranked else "not tested"
            rows.append((words, "place", name, "", told, "settled", "new"))
    return [dict(zip(_COLUMNS, row, strict=True)) for row in rows]


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
