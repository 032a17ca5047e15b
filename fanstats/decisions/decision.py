"""What every decision carries with it: what it is about, and what it rests on."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TypedDict

import numpy as np
import pandas as pd

from fanstats.decisions.population import outsiders_words
from fanstats.decisions.said import shortened
from fanstats.decisions.selection import Best, Selection
from fanstats.tabled import Tabled
from fanstats.wording import samples_words, where

__all__ = [
    "Decision",
    "Facts",
    "carried",
    "facts_of",
    "samples_tested",
]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Decision(Tabled):
    """A result in a table, with the sentence that may be published and what it rests on.

    Attributes
    ----------
    table : DataFrame
        The numbers.
    quantity, units, obstruction, where, scope : str
        What was decided about; `where` says under which conditions, in words.
    best : {"high", "low"} or None
        Which way is better.
    probability : float
        Of ranges and settled statements.
    draws : int
        Monte Carlo draws.
    units_tested : dict
        Samples tested, by model; 0 where not recorded.
    root : str or None
        Root seed; None where it could not be verified that all models share their draws.
    assumptions, not_considered, notes : tuple of str
        What was assumed, left out, and should be known.
    """

    table: pd.DataFrame
    quantity: str
    units: str
    obstruction: str | None
    where: str
    scope: str
    best: Best | None
    probability: float
    draws: int
    units_tested: dict[str, int]
    root: str | None
    assumptions: tuple[str, ...]
    not_considered: tuple[str, ...]
    notes: tuple[str, ...]

    def _rows(self) -> pd.DataFrame:
        return self.table

    def _rests_on(self) -> list[str]:
        """Give the sentences that stand at the end: samples, assumptions, gaps, notes."""
        return [
            samples_tested(self.units_tested),
            carried("Assumed", self.assumptions),
            carried("Not considered", self.not_considered),
            carried("Note", self.notes),
        ]


class Facts(TypedDict):
    """Fields of a `Decision` that follow from what was selected."""

    quantity: str
    obstruction: str | None
    where: str
    scope: str
    draws: int
    units_tested: dict[str, int]
    root: str | None
    assumptions: tuple[str, ...]
    not_considered: tuple[str, ...]
    notes: tuple[str, ...]


def facts_of(
    picked: Selection,
    place: int,
    members: Sequence[int] | np.ndarray,
    notes: Iterable[str] = (),
) -> Facts:
    """Collect what a decision carries from the estimates it was made with.

    Parameters
    ----------
    picked : Selection
    place : int
        The scope.
    members : sequence of int
        Models it is about.
    notes : iterable of str
        Further notes.

    Returns
    -------
    Facts
    """
    known = [] if picked.root is not None else ["no root seed: shared draws could not be verified"]
    return Facts(
        quantity=picked.title,
        obstruction=picked.obstruction,
        where=where(picked.attrs, picked.obstruction),
        scope=picked.scopes[place],
        draws=picked.draws.shape[-1],
        units_tested={picked.models[k]: round(picked.units_tested[k]) for k in members},
        root=picked.root,
        assumptions=picked.listed("assumptions"),
        not_considered=picked.listed("not_considered"),
        notes=tuple(dict.fromkeys([*known, *notes, *_outsiders(picked, place, members)])),
    )


def _outsiders(picked: Selection, place: int, members: Sequence[int] | np.ndarray) -> list[str]:
    """Models judged that are no part of the chart's population."""
    said = outsiders_words(picked, np.flatnonzero(picked.estimable[place]))
    named = [picked.models[k] for k in members]
    return [text for text in said if any(f"{name} (" in text for name in named)]


def samples_tested(units_tested: dict[str, int]) -> str:
    """Say how many samples stand behind every model.

    Parameters
    ----------
    units_tested : dict

    Returns
    -------
    str
        "" where nothing was recorded.

    Examples
    --------
    >>> samples_tested({"A": 1, "B": 1, "C": 3})
    'Tested: 1 sample of A and B, 3 samples of C.'
    """
    if not any(units_tested.values()):
        return ""
    parts = []
    for count in sorted(set(units_tested.values())):
        names = [name for name, number in units_tested.items() if number == count]
        parts.append(f"{samples_words(count)} of {shortened(names)}")
    return f"Tested: {', '.join(parts)}."


def carried(label: str, sentences: Iterable[str]) -> str:
    """Join sentences after a label; "" if there are none.

    Parameters
    ----------
    label : str
    sentences : iterable of str

    Returns
    -------
    str

    Examples
    --------
    >>> carried("Note", ["one sample each.", "no root seed"])
    'Note: one sample each; no root seed.'
    """
    texts = [text.rstrip(".") for text in sentences]
    return f"{label}: {'; '.join(texts)}." if texts else ""
