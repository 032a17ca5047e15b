"""Limits and uncertainties in words, such as "3 % + 0.2 m/s", read as numbers."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np

from fanstats.errors import FanstatsError
from fanstats.quantities import canonical_units

__all__ = ["Correction", "Limit", "parse_correction", "parse_limit"]

_PART = re.compile(r"^\s*(?P<number>[0-9]*\.?[0-9]+(?:[eE][+-]?[0-9]+)?)\s*(?P<unit>.*?)\s*$")


@dataclass(frozen=True, slots=True)
class Limit:
    """A stated limit: the part that is an amount, the part that goes with the reading."""

    absolute: float
    relative: float
    units: str | None
    text: str


@dataclass(frozen=True, slots=True)
class Correction:
    """What is added to a reading before anything else: an amount, and a fraction of the reading.

    Attributes
    ----------
    absolute : float
        Amount, in `units`; None means the unit of the readings.
    relative : float
        Fraction of the reading as read.
    units : str or None
        Unit of the amount.
    text : str
        As it was stated.
    """

    absolute: float
    relative: float
    units: str | None
    text: str


def parse_correction(given: float | str | None, relative: bool) -> Correction | None:
    """Read -0.4, "-0.4 dB", "-2 %" or "-2 % + 0.1 m/s" as what is to be added to a reading."""
    if given is None:
        return None
    if isinstance(given, str):
        return _parse_signed(given)
    if isinstance(given, bool) or not isinstance(given, (int, float, np.integer, np.floating)):
        msg = f"`correction` must be a number or text such as '-0.4 dB' or '-2 %'; got {given!r}."
        raise FanstatsError(msg)
    number = float(given)
    if not math.isfinite(number):
        msg = f"`correction` must be finite; got {given!r}."
        raise FanstatsError(msg)
    if relative:
        return Correction(0.0, number, None, f"{number * 100:+g} %")
    return Correction(number, 0.0, None, f"{number:+g}")


def _parse_signed(text: str) -> Correction:
    signs, parts = "+-\u2212", []
    rest = text.strip()
    while rest:
        sign = -1.0 if rest[0] in "-\u2212" else 1.0
        rest = rest.lstrip(signs).strip()
        # The next part begins at a sign behind a blank or a per cent sign: "min-1" is a unit.
        end = next((at for at in range(1, len(rest))
                    if rest[at] in signs and rest[at - 1] in " %"), len(rest))  # fmt: skip
        parts.append((sign, rest[:end]))
        rest = rest[end:].strip()
    absolute, relative, units = 0.0, 0.0, None
    for sign, part in parts:
        limit = _parse_text("correction", part)
        if limit.absolute and absolute:
            msg = f"`correction` holds two amounts in {text!r}; add them up."
            raise FanstatsError(msg)
        relative += sign * limit.relative
        if limit.absolute:
            absolute, units = sign * limit.absolute, limit.units
    if not parts:
        msg = f"`correction` must read like '-0.4 dB', '-2 %' or '-2 % + 0.1 m/s'; got {text!r}."
        raise FanstatsError(msg)
    shown = " ".join(text.split())
    return Correction(absolute, relative, units, shown if shown[0] in signs else f"+{shown}")


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
