"""A sample against its rating: how likely it conforms, and where in the maker's band it sits."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from scipy.special import ndtr, ndtri, stdtr, stdtrit

from fanstats._arguments import fraction, number
from fanstats.errors import FanstatsError
from fanstats.sources import Source, half_width
from fanstats.tabled import Told
from fanstats.wording import figure, per_hundred, times_words

__all__ = ["Conformity", "conformity"]

_VERDICTS: Final = {
    "conforms": "inside",
    "does not conform": "outside",
    "open": "not settled",
}


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Conformity(Told):
    """One measured value against a rated one.

    Attributes
    ----------
    value, u : float
        Measured, with its standard uncertainty.
    rated : float
        Rated value.
    low, high : float
        Limits of the maker's band; infinite where there is none on that side.
    probability : float
        Chance that the true value lies within the band.
    below, above : float
        Chance that it lies beyond either limit.
    place : float
        Where the value sits: 0 at the rated value, -1 and 1 at the limits.
    place_low, place_high : float
        Ends of the range of its place, as often as `wanted`.
    capability : float
        Width of the band over four standard uncertainties; NaN for a one-sided band. Below 1 the
        reading is too rough to judge by.
    wanted : float
        Chance asked for before a verdict.
    verdict : {"conforms", "does not conform", "open"}
        Whether either is at least as likely as `wanted`.
    units : str
        Unit, for printing.
    """

    value: float
    u: float
    rated: float
    low: float
    high: float
    probability: float
    below: float
    above: float
    place: float
    place_low: float
    place_high: float
    capability: float
    wanted: float
    verdict: Literal["conforms", "does not conform", "open"]
    units: str = ""

    def sentence(self) -> str:
        """Say it in words.

        Returns
        -------
        str
        """
        read = figure(self.value, self.u, self.units)
        chance = f"{per_hundred(self.probability)} times in 100"
        side = "above" if self.value > self.rated else "below"
        where = (
            "at the rated value"
            if self.place == 0
            else f"{_percent(abs(self.place))} of the way to the limit {side} the rated value"
        )
        if math.isfinite(self.place_low + self.place_high) and self.u > 0:
            where += f" (range of its place, {times_words(self.wanted)}: {self._place_range()})"
        rough = (
            " The reading is too rough to judge by: its own range is wider than the band."
            if self.capability < 1
            else ""
        )
        return (
            f"This sample reads {read}, {where}; it lies within the band {self._band()} {chance}, "
            f"as far as the errors of reading tell: {_VERDICTS[self.verdict]}.{rough} This is no "
            "conformity statement: ratings are the maker's."
        )

    def _place_range(self) -> str:
        if self.place_low < 0 < self.place_high:
            return f"{_percent(self.place_low, '+')} to {_percent(self.place_high, '+')}"
        nearer, farther = sorted([abs(self.place_low), abs(self.place_high)])
        return f"{_percent(nearer)} to {_percent(farther)}"

    def _band(self) -> str:
        units = f" {self.units}" if self.units else ""
        if math.isinf(self.low):
            return f"up to {self.high:g}{units}"
        if math.isinf(self.high):
            return f"from {self.low:g}{units}"
        return f"{self.low:g} to {self.high:g}{units}"


def _percent(share: float, sign: str = "") -> str:
    digits = ".3g" if abs(share) < 10.0 else ",.0f"
    return f"{100 * share:{sign}{digits}} %"


def conformity(
    value: float,
    u: float,
    *,
    rated: float,
    tolerance: float | str | Source | tuple[float, float],
    dof: float = math.inf,
    probability: float = 0.95,
    units: str = "",
) -> Conformity:
    """Hold one sample's measured value against its rated one.

    Parameters
    ----------
    value : float
        Measured value, such as the speed at 12 V.
    u : float
        Its standard uncertainty, from the instrument alone: sample luck is what is judged. Both
        stand in `summary` of the estimates, in the row of the tested unit.
    rated : float
        Rated value.
    tolerance : float, str, Source or tuple of float
        The maker's band around it: a half width (``200``, ``"10 %"``, ``half_width("10 %")``),
        or the distances of the two limits, ``(-math.inf, 3)`` for "at most 3 above".
    dof : float
        Degrees of freedom of `u`.
    probability : float
        How likely either side must be before a verdict.
    units : str
        Unit, for printing.

    Returns
    -------
    Conformity

    Raises
    ------
    FanstatsError
        If a number is out of its range or the band is empty.

    References
    ----------
    JCGM 106:2012, 7.2 to 7.4 (conformance probability with a flat view of the true value), 7.6
    (measurement capability index).

    Examples
    --------
    >>> fan = conformity(1090, 15, rated=1000, tolerance="10 %", units="rpm")
    >>> round(fan.probability, 3), round(fan.place, 2), fan.verdict
    (0.748, 0.9, 'open')
    """
    read, spread = number("value", value), number("u", u, at_least=0)
    nominal = number("rated", rated)
    freedom = number("dof", dof, above=0, infinite=True)
    wanted = fraction("probability", probability)
    low, high = _limits(nominal, tolerance)
    below = _beyond(low - read, spread, freedom)
    above = _beyond(read - high, spread, freedom)
    within = max(0.0, 1.0 - below - above)
    reach = spread * _factor(freedom, wanted)
    verdict: Literal["conforms", "does not conform", "open"] = "open"
    if within >= wanted:
        verdict = "conforms"
    elif 1.0 - within >= wanted:
        verdict = "does not conform"
    return Conformity(
        value=read,
        u=spread,
        rated=nominal,
        low=low,
        high=high,
        probability=within,
        below=below,
        above=above,
        place=_place(read - nominal, low - nominal, high - nominal),
        place_low=_place(read - reach - nominal, low - nominal, high - nominal),
        place_high=_place(read + reach - nominal, low - nominal, high - nominal),
        capability=_capability(high - low, spread),
        wanted=wanted,
        verdict=verdict,
        units=units,
    )


def _limits(
    rated: float, tolerance: float | str | Source | tuple[float, float]
) -> tuple[float, float]:
    if isinstance(tolerance, tuple):
        if not tolerance[0] < tolerance[1]:
            msg = (
                f"`tolerance` as a pair must be (below, above) with below < above; got {tolerance}."
            )
            raise FanstatsError(msg)
        return rated + float(tolerance[0]), rated + float(tolerance[1])
    source = tolerance if isinstance(tolerance, Source) else half_width(tolerance)
    if source.kind != "half width" or source.shape != "rectangular":
        msg = (
            f"`tolerance` must be limits, as half_width makes them; got {source.stated}. A "
            "standard deviation is a spread, not a band."
        )
        raise FanstatsError(msg)
    reach = math.sqrt(3.0) * (source.absolute + source.relative * abs(rated))
    if not reach > 0:
        msg = f"`tolerance` must be above 0; got {tolerance!r}."
        raise FanstatsError(msg)
    return rated - reach, rated + reach


def _beyond(distance: float, u: float, dof: float) -> float:
    """Chance that the true value lies more than `distance` to one side."""
    if u == 0:
        return float(distance > 0)
    z = distance / u
    return float(ndtr(z) if math.isinf(dof) or math.isinf(z) else stdtr(dof, z))


def _factor(dof: float, probability: float) -> float:
    upper = (1.0 + probability) / 2.0
    return float(ndtri(upper) if math.isinf(dof) else stdtrit(dof, upper))


def _place(away: float, low: float, high: float) -> float:
    if away == 0:
        return 0.0
    reach = high if away > 0 else -low
    if math.isinf(reach):
        return 0.0
    return away / reach if reach > 0 else math.copysign(math.inf, away)


def _capability(width: float, u: float) -> float:
    if math.isinf(width):
        return math.nan
    return width / (4.0 * u) if u > 0 else math.inf
