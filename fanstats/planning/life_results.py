"""What planned and finished life tests say, and a warranty against a claim."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from fanstats.planning.shown import Shown

__all__ = ["LifeShown", "LifeTest", "Warranty"]


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class LifeTest(Shown):
    """A test that supports a claimed life if it is passed.

    Attributes
    ----------
    claim_hours : float
        Claimed life.
    claim : str
        "L10" or "mean life".
    confidence : float
        Confidence with which a pass supports the claim.
    shape, acceleration : float
        The assumed Weibull shape and acceleration factor.
    units : int
        Units to be tested.
    hours : float
        Hours each is run (at the test's own conditions).
    failures : int
        Failures with which the test is still passed.
    chance_if_just_true : float
        Chance of a pass for fans that just meet the claim: 1 - confidence or a little less.
    chance_if_doubled : float
        Chance of a pass for fans that live twice as long as claimed.
    """

    claim_hours: float
    claim: str
    confidence: float
    shape: float
    acceleration: float
    units: int
    hours: float
    failures: int
    chance_if_just_true: float
    chance_if_doubled: float

    def sentence(self) -> str:
        """Say the test in words, with what it assumes.

        Returns
        -------
        str
        """
        failed = "no failure" if self.failures == 0 else f"at most {self.failures} failed"
        run = f"run for {self.hours:.0f} h"
        head = f"1 sample {run} with {failed} supports"
        if self.units > 1:
            head = f"{self.units} samples {run} each with {failed} support"
        return (
            f"{head} "
            f"{_claim_text(self.claim, self.claim_hours)} (confidence {self.confidence:g}). Fans "
            f"that live twice as long pass with chance {self.chance_if_doubled:.2f}. "
            + _assumed(self.shape, self.acceleration)
        )

    def table(self) -> pd.DataFrame:
        """Give the test as one row.

        Returns
        -------
        DataFrame
        """
        return _one_row(self)


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class LifeShown(Shown):
    """What a test that was run does show.

    Attributes
    ----------
    units, failures : int
        Units tested and failed.
    unit_hours : float
        Hours of all units together, at the test's conditions.
    confidence : float
        Confidence in each limit.
    shape, acceleration : float
        The assumed Weibull shape and acceleration factor.
    L10, mean_life : float
        Lower limits in hours of use. (Two ways of saying one limit, given the shape.)
    """

    units: int
    failures: int
    unit_hours: float
    confidence: float
    shape: float
    acceleration: float
    L10: float
    mean_life: float

    def sentence(self) -> str:
        """Say what is shown, with what it assumes.

        Returns
        -------
        str
        """
        samples = "1 sample" if self.units == 1 else f"{self.units} samples"
        return (
            f"{samples}, {self.unit_hours:.0f} h in all, {self.failures} failed: an L10 of at "
            f"least {self.L10:.0f} h, or a mean life of at least {self.mean_life:.0f} h "
            f"(confidence {self.confidence:g}). " + _assumed(self.shape, self.acceleration)
        )

    def table(self) -> pd.DataFrame:
        """Give the limits as one row.

        Returns
        -------
        DataFrame
        """
        return _one_row(self)


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Warranty(Shown):
    """A warranty in years against a claimed life in hours.

    Attributes
    ----------
    years, hours_per_day : float
        Warranty and daily use.
    hours_used : float
        Hours of use within the warranty.
    claim_hours : float
        Claimed life.
    claim : str
        "L10" or "mean life".
    claim_years : float
        Claimed life in years of that use.
    share_of_claim : float
        `hours_used` over `claim_hours`.
    shape : float
        The assumed Weibull shape.
    share_failing : float
        Share of fans that fail within the warranty if the claim is just true.
    """

    years: float
    hours_per_day: float
    hours_used: float
    claim_hours: float
    claim: str
    claim_years: float
    share_of_claim: float
    shape: float
    share_failing: float

    def sentence(self) -> str:
        """Say the comparison in words.

        Returns
        -------
        str
        """
        return (
            f"At {self.hours_per_day:g} h a day a warranty of {self.years:g} years covers "
            f"{self.hours_used:.0f} h; {_claim_text(self.claim, self.claim_hours)} is "
            f"{self.claim_years:.1f} years of that use. If the claim is just true, "
            f"{100 * self.share_failing:.2g} of 100 fail within the warranty. "
            + _assumed(self.shape, 1.0)
        )

    def table(self) -> pd.DataFrame:
        """Give the comparison as one row.

        Returns
        -------
        DataFrame
        """
        return _one_row(self)


def _one_row(result: LifeTest | LifeShown | Warranty) -> pd.DataFrame:
    return pd.DataFrame([{name: getattr(result, name) for name in result.__dataclass_fields__}])


def _claim_text(claim: str, hours: float) -> str:
    return f"an L10 of {hours:.0f} h" if claim == "L10" else f"a mean life of {hours:.0f} h"


def _assumed(shape: float, acceleration: float) -> str:
    text = f"Assumed, not measured: Weibull shape {shape:g}"
    if acceleration != 1:
        text += (
            f", acceleration factor {acceleration:.3g} (a test at one temperature cannot tell "
            "whether it holds)"
        )
    return text + "."
