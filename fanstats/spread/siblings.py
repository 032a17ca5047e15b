"""Samples unlike their siblings: named at a stated rate of false alarms, never removed."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar, Final

import numpy as np
import pandas as pd
from scipy.special import stdtr

from fanstats._arguments import fraction
from fanstats.errors import FanstatsError
from fanstats.tabled import Tabled
from fanstats.wording import per_hundred, two_digits

if TYPE_CHECKING:
    from fanstats._typing import FloatArray
    from fanstats.spread.unit_spread import SpreadEstimate

__all__ = ["Siblings", "studentised", "unlike_siblings"]

_FEWEST_DOF: Final = 2
_COLUMNS: Final = ("model", "unit", "kind", "deviation", "studentised", "p", "unlike")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Siblings(Tabled):
    """Every sample held against its siblings.

    Attributes
    ----------
    table : pandas.DataFrame
        A row a sample and kind: model, unit, kind, deviation from its model's mean,
        studentised (over the scatter of all others), p (how often any bench of like samples
        shows one so far off), unlike.
    false_alarm : float
        At most so many benches of like samples name any sample, over all kinds together.
    not_judged : tuple of str
        Kinds with too few samples.
    """

    _DIGITS: ClassVar[int] = 3

    table: pd.DataFrame
    false_alarm: float
    not_judged: tuple[str, ...]

    def sentence(self) -> str:
        """Say which samples are unlike their siblings.

        Returns
        -------
        str
        """
        return " ".join([_found_words(self), *(f"{note}." for note in self.not_judged)])

    def _rows(self) -> pd.DataFrame:
        return self.table


def studentised(deviations: FloatArray, models: list[str]) -> tuple[FloatArray, int, int]:
    """Hold each unit's distance from its model's mean against the scatter of all the others.

    Parameters
    ----------
    deviations : ndarray, shape (unit,)
        Unit means less their model's mean.
    models : list of str
        Model of each.

    Returns
    -------
    t : ndarray, shape (unit,)
        Student's t on `dof` degrees of freedom where all units are alike.
    dof : int
        Units less models, less 1.
    looks : int
        How many different distances there are: the two units of a pair share theirs.

    References
    ----------
    Thompson, Ann. Math. Statist. 6 (1935) 214-219 (the distribution); Grubbs, Ann. Math.
    Statist. 21 (1950) 27-58 (the largest of several).

    Examples
    --------
    >>> t, dof, looks = studentised(np.array([-1.0, 0.0, 1.0, -0.5, 0.5]), list("AAABB"))
    >>> t.round(2).tolist(), dof, looks
    ([-1.73, 0.0, 1.73, -0.71, 0.71], 2, 4)
    """
    counts = pd.Series(models).map(pd.Series(models).value_counts()).to_numpy(dtype=np.float64)
    looks = int(np.sum(counts > 2)) + int(np.sum(counts == 2)) // 2
    dof = len(models) - len(set(models))
    squares = float(deviations @ deviations)
    leverage = np.where(counts > 1, 1.0 - 1.0 / counts, np.nan)
    own = np.square(deviations) / leverage
    with np.errstate(divide="ignore", invalid="ignore"):
        left = np.maximum(squares - own, 0.0) / (dof - 1)
        t = np.sign(deviations) * np.sqrt(own / left)
    return np.where(own > 0, t, np.where(counts > 1, 0.0, np.nan)), dof - 1, looks


def unlike_siblings(estimate: SpreadEstimate, *, false_alarm: float = 0.05) -> Siblings:
    """Name samples that stand further from their siblings than like samples do.

    Parameters
    ----------
    estimate : SpreadEstimate
        From `unit_spread`.
    false_alarm : float
        Rate at which benches whose samples are all alike may name any sample at all.

    Returns
    -------
    Siblings

    Raises
    ------
    FanstatsError
        If `estimate` is not what `unit_spread` gives or the rate is no fraction.

    Notes
    -----
    Each distance is studentised by the scatter of all other samples, so that an odd one does not
    hide behind the scatter it makes. The rate holds for the largest distance over all samples and
    kinds (Bonferroni, a little cautious). Nothing is removed: an odd sample is what somebody may
    buy.

    Examples
    --------
    >>> import fanstats as fs
    >>> from fanstats.spread.unit_spread import unit_spread
    >>> found = unlike_siblings(unit_spread(fs.demo.readings(), fs.demo.bench()))
    >>> bool(found.table["unlike"].any())
    False
    """
    rate = fraction("false_alarm", false_alarm)
    deviations = getattr(estimate, "deviations", None)
    if not isinstance(deviations, pd.DataFrame):
        msg = f"`estimate` must come from unit_spread; got {type(estimate).__name__}."
        raise FanstatsError(msg)
    groups = dict(list(deviations.groupby("kind", sort=False)))
    judged = {kind: group for kind, group in groups.items() if _dof(group) >= _FEWEST_DOF}
    parts = [_judge(group, len(judged), rate) for group in judged.values()]
    table = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=_COLUMNS)
    not_judged = [
        f"{str(kind).capitalize()} is not judged: it takes at least three samples to say that one "
        "is odd" for kind in groups if kind not in judged
    ]  # fmt: skip
    return Siblings(table=table, false_alarm=rate, not_judged=tuple(not_judged))


def _dof(group: pd.DataFrame) -> int:
    return len(group) - int(group["model"].nunique())


def _judge(group: pd.DataFrame, kinds: int, rate: float) -> pd.DataFrame:
    t, dof, looks = studentised(
        group["deviation"].to_numpy(dtype=np.float64), [str(m) for m in group["model"]]
    )
    p = np.minimum(1.0, 2.0 * stdtr(dof, -np.abs(t)) * looks * kinds)
    held = group[["model", "unit", "kind", "deviation"]].copy()
    return held.assign(studentised=t, p=p, unlike=p <= rate)


def _found_words(found: Siblings) -> str:
    odd = found.table[found.table["unlike"].astype(bool)] if len(found.table) else found.table
    if not len(odd):
        return "No sample stands out from its siblings." if len(found.table) else "None is judged."
    told = []
    for (model, kind), group in odd.groupby(["model", "kind"], sort=False):
        together = found.table[(found.table["model"] == model) & (found.table["kind"] == kind)]
        row = group.iloc[0]
        often = f"{per_hundred(float(row['p']))} of 100 benches of like samples show as much"
        if len(together) == 2:
            told.append(
                f"The two samples of {model} stand further apart in {kind} than like samples do "
                f"({often}); which of them is odd cannot be said."
            )
        else:
            names = " and ".join(f"{unit}" for unit in group["unit"])
            told.append(
                f"Sample {names} of {model} is unlike its siblings in {kind}: "
                f"{_distance(float(row['deviation']), str(kind))} their mean ({often})."
            )
    return " ".join([*told, "Nothing was removed: an odd sample is one somebody may buy."])


def _distance(deviation: float, kind: str) -> str:
    side = "above" if deviation > 0 else "below"
    size = abs(deviation)
    if kind.startswith(("airflow", "speed")):
        return f"{two_digits(100 * math.expm1(size))} % {side}"
    return f"{two_digits(size)} {'dB' if kind.startswith('noise') else 'K'} {side}"
