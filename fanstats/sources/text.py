"""Limits and uncertainties in words, such as "3 % + 0.2 m/s", read as numbers."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np

from fanstats.errors import FanstatsError
from fanstats.quantities import canonical_units

__all__ = ["Limit", "parse_limit"]

_PART = re.compile(r"^\s*(?P<number>[0-9]*\.?[0-9]+(?:[eE][+-]?[0-9]+)?)\s*(?P<unit>.*?)\s*$")


@dataclass(frozen=True, slots=True)
class Limit:
    """A stated limit: the part that is an amount, the part that goes with the reading."""

    absolute: float
    relative: float
    units: str | None
    text: str


def parse_limit(argument: str, limit: float | str, relative: bool) -> Limit:
    """Read 1.0, "3 %", "0.2 m/s" or "3 % + 0.2 m/s" as absolute and relative parts."""
    if isinstance(limit, str):
        if relative:
            msg = (
                f"`relative` must stay False where `{argument}` is text such as '3 %'; "
                f"got {limit!r}."
            )
            raise FanstatsError(msg)
        return _parse_text(argument, limit)
    if isinstance(limit, bool) or not isinstance(limit, (int, float, np.integer, np.floating)):
        msg = f"`{argument}` must be a number or text such as '3 % + 0.2 m/s'; got {limit!r}."
        raise FanstatsError(msg)
    number = float(limit)
    if not (math.isfinite(number) and number >= 0):
        msg = f"`{argument}` must be a finite number of at least 0; got {limit!r}."
        raise FanstatsError(msg)
    if relative:
        return Limit(0.0, number, None, f"{number * 100:g} %")
    return Limit(number, 0.0, None, f"{number:g}")


def _parse_text(argument: str, text: str) -> Limit:
    absolute, relative, units = 0.0, 0.0, None
    for part in re.sub(r"±|\+/-|\+-", "", text).split("+"):
        match = _PART.match(part)
        if match is None:
            msg = f"`{argument}` must read like '3 %', '0.2 m/s' or '3 % + 0.2 m/s'; got {text!r}."
            raise FanstatsError(msg)
        number, unit = float(match["number"]), match["unit"].removesuffix("of reading").strip()
        if unit == "%":
            relative += number / 100.0
        elif absolute:
            msg = (
                f"`{argument}` holds two absolute parts in {text!r}; add them up or use two "
                "sources."
            )
            raise FanstatsError(msg)
        else:
            absolute, units = number, canonical_units(unit) if unit else None
    return Limit(absolute, relative, units, text.strip())
