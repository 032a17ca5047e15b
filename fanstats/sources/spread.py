"""Unit-to-unit spread: how one unit differs from its model's typical unit."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

from fanstats._arguments import number
from fanstats.errors import FanstatsError, one_of
from fanstats.quantities import convert
from fanstats.sources.source import Source, standard

__all__ = ["UnitSpread"]

_SPREAD_UNITS: Final = {"noise": "dB", "temperature": "K"}


def _as_spread(argument: str, given: Source | float | None, relative: bool) -> Source | None:
    if given is None or isinstance(given, Source):
        source = given
    elif type(given) in (int, float) and given == 0:
        source = standard(0.0)  # zero must be written, and here it was
    else:
        msg = (
            f"`{argument}` must be a source such as standard(0.8), the number 0, or None "
            f"(unknown); got {given!r}."
        )
        raise FanstatsError(msg)
    if source is not None and source.correction is not None:
        msg = f"`{argument}` spread has no correction: units differ either way; got "
        msg += f"{source.stated!r}."
        raise FanstatsError(msg)
    if source is not None and relative and source.absolute:
        msg = (
            f"`{argument}` spread is relative to the model's value: write "
            f"standard('2 %') or half_width('10 %'); got {source.stated!r}."
        )
        raise FanstatsError(msg)
    if source is not None and not relative and source.relative:
        msg = f"`{argument}` spread is absolute ({_SPREAD_UNITS[argument]}); got {source.stated!r}."
        raise FanstatsError(msg)
    if source is None or relative or source.units is None:
        return source
    return _in_units(argument, source, _SPREAD_UNITS[argument])


def _in_units(argument: str, source: Source, units: str) -> Source:
    """Hold an absolute spread in its own unit, whatever unit it was stated in."""
    try:
        factor = float(convert(1.0, source.units or units, units, difference=True))
    except FanstatsError as error:
        msg = f"`{argument}` spread is stated in {units}; got {source.stated!r}."
        raise FanstatsError(msg) from error
    return replace(source.scaled(factor), units=units)


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitSpread:
    """Unit-to-unit spread: how one unit differs from its model's typical unit.

    What is left out is *unknown*: never zero and never a default. Zero must be written.

    Parameters
    ----------
    speed : Source or 0, optional
        Relative: how much faster a unit runs at a given drive.
    noise : Source or 0, optional
        dB: how much noisier a unit is at a given speed, the fan alone.
    airflow : Source or 0, optional
        Relative: how much more air a unit moves at a given speed.
    temperature : Source or 0, optional
        K: how much higher the temperature rise is at a given speed.
    correlation : float
        Of noise luck and airflow luck at a given speed: above 0 where noisier samples move more
        air. Nobody states it as a rule; `unit_spread` measures it from enough samples.
    correlation_dof : float
        Degrees of freedom behind it; infinite where it is taken as it stands.

    Examples
    --------
    >>> from fanstats.sources import half_width
    >>> spread = UnitSpread(speed=half_width("10 %"), noise=standard(0.8), airflow=standard("2 %"))
    >>> spread.unknown
    ('temperature',)
    """

    speed: Source | float | None = None
    noise: Source | float | None = None
    airflow: Source | float | None = None
    temperature: Source | float | None = None
    correlation: float = 0.0
    correlation_dof: float = math.inf

    def __post_init__(self) -> None:
        together = number("correlation", self.correlation, at_least=-1.0)
        if together > 1.0:
            msg = f"`correlation` must lie between -1 and 1; got {self.correlation!r}."
            raise FanstatsError(msg)
        number("correlation_dof", self.correlation_dof, above=2.0, infinite=True)
        for label in ("speed", "noise", "airflow", "temperature"):
            relative = label in ("speed", "airflow")
            object.__setattr__(self, label, _as_spread(label, getattr(self, label), relative))

    def of(self, label: str) -> Source | None:
        """Give the spread of one kind, None where unknown.

        Parameters
        ----------
        label : {"speed", "noise", "airflow", "temperature"}
            Kind of spread.

        Returns
        -------
        Source or None
        """
        source: Source | None = getattr(
            self, one_of("label", label, ["speed", "noise", "airflow", "temperature"])
        )
        return source

    @property
    def unknown(self) -> tuple[str, ...]:
        """Kinds of spread that nobody stated."""
        kinds = ("speed", "noise", "airflow", "temperature")
        return tuple(kind for kind in kinds if getattr(self, kind) is None)
