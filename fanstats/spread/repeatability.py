"""The afternoon with one fan that fills in what nobody stated about a bench."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar, Final

import pandas as pd
from scipy.special import chdtri

from fanstats._arguments import count, fraction, number
from fanstats.cautions import ABOUT_BENCH
from fanstats.errors import FanstatsError
from fanstats.sources import Bench
from fanstats.tabled import Tabled
from fanstats.wording import listed, times_words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from fanstats.sources import Instrument

__all__ = ["RepeatabilityPlan", "plan_repeatability"]

_QUANTITIES: Final = ("noise", "speed", "airflow", "temperature")
_LEVELS: Final = ("reading", "sitting", "session")
_TESTS: Final = {
    "reading": "read each of {steps} steps {repeats} times without touching the fan",
    "sitting": "take the fan off and mount it again, {remounts} sittings in all",
    "session": "sit the same fan on the bench on {sessions} other days",
}
# What one fan on one bench can never show, however often it is read.
_BEYOND: Final = {
    "shared": "calibration: a calibrator, or the figure on the box",
    "model": "how the meter answers a model's tone or swirl: the same fans on a second meter",
}
_COLUMNS: Final = ("quantity", "level", "now", "test", "readings", "minutes", "dof", "factor")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class RepeatabilityPlan(Tabled):
    """What to do with one fan, and how well it will then be known.

    Attributes
    ----------
    table : pandas.DataFrame
        A row a term: quantity, level of sharing, now (as it stands), test, readings of the whole
        test, minutes of the whole test, dof, factor (the term's standard deviation is then known
        within this factor either way).
    minutes : float
        Bench time of the afternoon; further days come on top.
    probability : float
        Coverage probability behind `factor`.
    beyond : tuple of str
        What no repeat on this bench can tell, with what would.
    """

    _DIGITS: ClassVar[int] = 3

    table: pd.DataFrame
    minutes: float
    probability: float
    beyond: tuple[str, ...]

    def sentence(self) -> str:
        """Say what to do.

        Returns
        -------
        str
        """
        if self.table.empty:
            head = (
                "Every scatter of reading, mounting and day is stated with what stands behind it."
            )
        else:
            tests = self.table.drop_duplicates("level")
            steps = [
                f"{row.test} ({_quantities(self.table, row.level)}; "
                f"then known within a factor of {row.factor:.1f})"
                for row in tests.itertuples()
            ]
            head = (
                f"With one fan, in about {self.minutes:.0f} minutes: {'; '.join(steps)}. Factors "
                f"hold {times_words(self.probability)}. Enter each mounting as a sitting of its "
                "own and each day as a session, and hand the readings to unit_spread."
            )
        return " ".join([head, *(f"Not by repeats: {note}." for note in self.beyond), *ABOUT_BENCH])

    def _rows(self) -> pd.DataFrame:
        return self.table


def plan_repeatability(
    bench: Bench,
    *,
    repeats: int = 5,
    steps: int = 3,
    remounts: int = 6,
    days: int = 2,
    minutes_a_reading: float = 1.0,
    minutes_a_mounting: float = 8.0,
    probability: float = 0.95,
) -> RepeatabilityPlan:
    """Plan the afternoon with one fan that measures what is unstated or only guessed.

    Parameters
    ----------
    bench : Bench
        What is stated.
    repeats, steps : int
        Readings of each step without touching the fan, and how many steps.
    remounts : int
        Sittings of the same fan, mounted anew each time.
    days : int
        Further days; they do not fit into the afternoon.
    minutes_a_reading, minutes_a_mounting : float
        What they take.
    probability : float
        Coverage probability of how well a term is then known.

    Returns
    -------
    RepeatabilityPlan
        Terms already stated from repeats (with degrees of freedom) or as none are left out.

    Raises
    ------
    FanstatsError
        If an argument is out of its range.

    References
    ----------
    JCGM 100:2008, 4.2.4 (pooling), E.4.3 (how uncertain an uncertainty is); ISO 5725-3
    (intermediate precision).

    Examples
    --------
    >>> plan = plan_repeatability(Bench())
    >>> plan.table["level"].unique().tolist()
    ['reading', 'sitting', 'session']
    """
    stated: object = bench
    if not isinstance(stated, Bench):
        msg = f"`bench` must be a Bench (see read_bench); got {type(stated).__name__}."
        raise FanstatsError(msg)
    sizes = {
        "repeats": count("repeats", repeats, at_least=2),
        "steps": count("steps", steps),
        "remounts": count("remounts", remounts, at_least=2),
        "sessions": count("days", days),
    }
    reading = number("minutes_a_reading", minutes_a_reading, above=0)
    mounting = number("minutes_a_mounting", minutes_a_mounting, above=0)
    chance = fraction("probability", probability)
    dof = {
        "reading": sizes["steps"] * (sizes["repeats"] - 1),
        "sitting": sizes["remounts"] - 1,
        "session": sizes["sessions"],
    }
    readings = {
        "reading": sizes["steps"] * sizes["repeats"],
        "sitting": sizes["remounts"] * sizes["steps"],
        "session": sizes["sessions"] * sizes["steps"],
    }
    mountings = {"reading": 0, "sitting": sizes["remounts"], "session": sizes["sessions"]}
    minutes = {lev: readings[lev] * reading + mountings[lev] * mounting for lev in _LEVELS}
    rows = [
        {
            "quantity": quantity,
            "level": level,
            "now": now,
            "test": _TESTS[level].format(**sizes),
            "readings": readings[level],
            "minutes": minutes[level],
            "dof": dof[level],
            "factor": _factor(dof[level], chance),
        }
        for level in _LEVELS
        for quantity in _QUANTITIES
        if (now := _standing(bench.instrument(quantity), level))
    ]
    table = pd.DataFrame(rows, columns=list(_COLUMNS))
    afternoon = sum(minutes[lev] for lev in ("reading", "sitting") if lev in set(table["level"]))
    return RepeatabilityPlan(
        table=table, minutes=afternoon, probability=chance, beyond=tuple(_beyond(bench))
    )


def _standing(instrument: Instrument | None, level: str) -> str:
    """Say how a term stands; "" where nothing needs to be measured."""
    if instrument is None or level in instrument.unstated:
        return "not stated"
    guessed = [
        source
        for source in instrument.at(level)
        if not source.is_zero and source.kind == "standard" and math.isinf(source.dof)
    ]
    if guessed:
        return f"assumed: {', '.join(source.stated for source in guessed)}"
    only_display = [source for source in instrument.at(level) if not source.is_zero]
    if level == "reading" and only_display and all(s.kind == "half width" for s in only_display):
        return "only the display stated"
    return ""


def _factor(dof: int, probability: float) -> float:
    """How many times too large or small an estimate on `dof` may be, the larger of the two."""
    tail = (1.0 - probability) / 2.0
    low, high = dof / float(chdtri(dof, tail)), dof / float(chdtri(dof, 1.0 - tail))
    return max(math.sqrt(high), 1.0 / math.sqrt(low))


def _beyond(bench: Bench) -> list[str]:
    told = []
    for level, mend in _BEYOND.items():
        missing = [
            quantity
            for quantity in _QUANTITIES
            if (instrument := bench.instrument(quantity)) is None or level in instrument.unstated
        ]
        if missing:
            told.append(f"{listed(missing)}, {mend}")
    return told


def _quantities(table: pd.DataFrame, level: object) -> str:
    names: Sequence[str] = [str(each) for each in table[table["level"] == level]["quantity"]]
    return listed(names)
