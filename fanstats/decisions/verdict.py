"""What a comparison of two models returns."""

from __future__ import annotations

import html
import math
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal

import numpy as np
import pandas as pd

from fanstats._arguments import fraction
from fanstats._typing import FloatArray
from fanstats.decisions.verdict_words import (
    comparison_caption,
    comparison_rows,
    comparison_sentence,
    comparison_table,
)
from fanstats.exports import markdown_text
from fanstats.tabled import Tabled

__all__ = ["Chosen", "Comparison", "Gap", "Odds", "SpreadNeeded", "Verdict"]

Verdict = Literal["ahead", "leaning", "open"]
Chosen = Literal["from the chart", "before"]
AgainstMargin = Literal["more than the margin", "within the margin", "open"]
OddsLabel = Literal["chance", "confidence", ""]


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """A difference or ratio of two models, first against second.

    Attributes
    ----------
    value : float
        Estimate.
    standard_uncertainty : float
        Of the difference; of the logarithm for a ratio, so roughly relative.
    low, high : float
        Ends of the interval that the verdict rests on; NaN where there is none, or the end is not
        covered by data.
    low_error, high_error : float
        Monte Carlo standard errors of the two ends.
    units : str
        "" for a ratio.
    """

    value: float = math.nan
    standard_uncertainty: float = math.nan
    low: float = math.nan
    high: float = math.nan
    low_error: float = math.nan
    high_error: float = math.nan
    units: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Odds:
    """How likely it is that the first model is ahead of the second.

    Attributes
    ----------
    first_ahead : float
        A probability, NaN where there is none.
    label : {"chance", "confidence", ""}
        "chance": of calls stated so, as many come true (random effects of five or more models).
        "confidence": a flat view of the two true values, which is no hit rate.
    standard_error : float
        Monte Carlo standard error.
    models : int
        How many models it was judged among.
    """

    first_ahead: float = math.nan
    label: OddsLabel = ""
    standard_error: float = math.nan
    models: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class SpreadNeeded:
    """Luck of one sample, about its model, at which the gap would no longer count.

    0: measurement alone suffices.

    Attributes
    ----------
    factor : float
        How many times the stated spread; NaN where the spread is not stated.
    unit_sd : float
        As one standard deviation a unit of the quantity itself, relative for a ratio quantity.
    unit_sd_units : str
        Unit of `unit_sd`; "" where it is a fraction.
    noise_db : float
        As noise luck alone, in dB of the fan at a given speed; NaN away from equal noise.
    multiplier : float
        Multiplier of the standard uncertainty that the gap was held against.
    """

    factor: float = math.nan
    unit_sd: float = math.nan
    unit_sd_units: str = ""
    noise_db: float = math.nan
    multiplier: float = math.nan


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Comparison(Tabled):
    """Two models side by side: what can be claimed, and what it would take to explain the gap.

    Attributes
    ----------
    first, second : str
        The models; differences are first minus second, ratios first over second.
    quantity, units, obstruction : str
        What was compared.
    where : str
        Under which conditions, in words.
    scope : str
        Which true values the verdict is about: of the tested units, the models, or next units.
    probability : float
        Coverage probability of the interval, and of the family it stands in.
    chosen : {"from the chart", "before"}
        Whether the pair was picked because the chart put it on top.
    best : {"high", "low"} or None
        Which way is better.
    comparative : tuple of str
        What a model with more of it, and one with less of it, is said to do.
    values : tuple of float
        Estimates of the two.
    difference, ratio : Gap
        Their gap in the scope; `ratio` is empty unless models are compared as ratios.
    tested : Gap
        Difference of the tested units, with the plain interval of the pair.
    critical_difference : tuple of float
        Smallest gap that would count, if the first leads and if the second leads.
    verdict : {"ahead", "leaning", "open"}
        Settled; odds of 3:1 or better but not settled; neither.
    who : str or None
        The model that is ahead or leaned to.
    odds, odds_typical, odds_bought : Odds
        In the scope judged; for the models' typical samples; for one bought sample of each.
    too_close : bool
        Whether an end of the interval lies within its Monte Carlo error of 0, so that more draws
        could turn the verdict.
    margin : float or None
        Gap that matters to the reader.
    against_margin : {"more than the margin", "within the margin", "open"} or None
        Whether the gap is known to exceed the margin, or to be too small to matter.
    units_tested : tuple of int
        Samples behind either model, 0 where not recorded.
    draws : int
        Monte Carlo draws.
    judged_among : tuple of str
        Models whose differences share the probability.
    root : str or None
        Root seed; None where it could not be verified that both share their draws.
    assumptions, not_considered, notes : tuple of str
        What was assumed, left out, and should be known.
    """

    first: str
    second: str
    quantity: str
    units: str
    obstruction: str | None
    where: str
    scope: str
    probability: float
    chosen: Chosen
    best: Literal["high", "low"] | None
    comparative: tuple[str, str]
    values: tuple[float, float]
    difference: Gap = field(default_factory=Gap)
    ratio: Gap = field(default_factory=Gap)
    tested: Gap = field(default_factory=Gap)
    critical_difference: tuple[float, float] = (math.nan, math.nan)
    verdict: Verdict = "open"
    who: str | None = None
    odds: Odds = field(default_factory=Odds)
    odds_typical: Odds = field(default_factory=Odds)
    odds_bought: Odds = field(default_factory=Odds)
    too_close: bool = False
    margin: float | None = None
    against_margin: AgainstMargin | None = None
    units_tested: tuple[int, int] = (0, 0)
    draws: int = 0
    judged_among: tuple[str, ...] = ()
    root: str | None = None
    assumptions: tuple[str, ...] = ()
    not_considered: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    _pair: FloatArray = field(default_factory=lambda: np.zeros((2, 0)), repr=False)
    _explain: Callable[[], SpreadNeeded] = field(default=SpreadNeeded, repr=False)

    def __post_init__(self) -> None:
        held = np.array(self._pair, dtype=np.float64)
        held.setflags(write=False)
        object.__setattr__(self, "_pair", held)

    @cached_property
    def spread_needed(self) -> SpreadNeeded:
        """Sample luck that would explain the gap, worked out when first asked for."""
        return self._explain()

    def coverage_interval(
        self, probability: float, *, of: Literal["difference", "ratio"] = "difference"
    ) -> tuple[float, float]:
        """Coverage interval of this one difference, as if no other pair had been looked at.

        Parameters
        ----------
        probability : float
            Coverage probability, in (0, 1).
        of : {"difference", "ratio"}
            Which of the two.

        Returns
        -------
        low, high : float
            Probabilistically symmetric (JCGM 101:2008, 7.7.2); NaN where the spread is unknown.
        """
        tail = (1.0 - fraction("probability", probability)) / 2.0
        if self._pair.size == 0 or (of == "ratio" and math.isnan(self.ratio.value)):
            return math.nan, math.nan
        first, second = self._pair
        draws = first / second if of == "ratio" else first - second
        low, high = np.quantile(draws, (tail, 1.0 - tail))
        return float(low), float(high)

    def sentence(self) -> str:
        """Say it in words that can stand under a chart.

        Returns
        -------
        str
        """
        return comparison_sentence(self)

    def _rows(self) -> pd.DataFrame:
        return self.table

    def caption(self) -> str:
        """Say it in fewer words, still with the odds, the samples and the luck assumed.

        Returns
        -------
        str
        """
        return comparison_caption(self)

    @property
    def table(self) -> pd.DataFrame:
        """The numbers in one row, as columns of plain names."""
        return comparison_table(self)

    def to_markdown(self) -> str:
        """Give what a reader looks for first as a Markdown table of two columns.

        Returns
        -------
        str
        """
        rows = pd.DataFrame(comparison_rows(self), columns=["", f"{self.first} - {self.second}"])
        return markdown_text(rows)

    def __repr__(self) -> str:
        """Show the verdict with the numbers behind it."""
        winner = f" {self.who}" if self.who else ""
        rows = "\n".join(f"  {label:<36}{text}" for label, text in comparison_rows(self))
        return f"Comparison {self.first} - {self.second}: {self.verdict}{winner}\n{rows}"

    def _repr_html_(self) -> str:
        rows = "".join(
            f"<tr><th style='text-align:left'>{html.escape(label)}</th>"
            f"<td style='text-align:left'>{html.escape(text)}</td></tr>"
            for label, text in comparison_rows(self)
        )
        return f"<p>{html.escape(self.sentence())}</p><table>{rows}</table>"
