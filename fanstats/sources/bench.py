"""All that is stated about a bench: its instruments and the unit-to-unit spread."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from fanstats.errors import FanstatsError, one_of
from fanstats.sources.instrument import Instrument
from fanstats.sources.spread import UnitSpread

__all__ = ["Bench"]

_INSTRUMENTS: Final = ("noise", "background", "speed", "airflow", "temperature", "ambient")


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """All that is stated about a bench: its instruments and the unit-to-unit spread.

    Parameters
    ----------
    noise, background, speed, airflow, temperature, ambient : Instrument, optional
        One instrument a quantity. Without `background` the noise instrument reads the room;
        without `ambient` the temperature instrument reads the ambient.
    spread : UnitSpread, optional
        How one unit differs from its model's typical unit.
    columns : mapping of str to str, optional
        A user's own headers against those of the readings table (``[columns]`` of a bench file).

    Examples
    --------
    >>> from fanstats.sources import Bench, Instrument, half_width
    >>> bench = Bench(noise=Instrument(shared=half_width(1.0)))
    >>> bench.instrument("background") is bench.noise
    True
    """

    noise: Instrument | None = None
    background: Instrument | None = None
    speed: Instrument | None = None
    airflow: Instrument | None = None
    temperature: Instrument | None = None
    ambient: Instrument | None = None
    spread: UnitSpread = field(default_factory=UnitSpread)
    columns: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for label in _INSTRUMENTS:
            given: object = getattr(self, label)
            if given is not None and not isinstance(given, Instrument):
                msg = f"`{label}` must be an Instrument; got {given!r}."
                raise FanstatsError(msg)
        spread: object = self.spread
        if not isinstance(spread, UnitSpread):
            msg = f"`spread` must be a UnitSpread; got {spread!r}."
            raise FanstatsError(msg)

    def instrument(self, quantity: str) -> Instrument | None:
        """Instrument that reads a quantity, None where nothing was said about it.

        Parameters
        ----------
        quantity : str
            One of noise, background, speed, airflow, temperature, ambient.

        Returns
        -------
        Instrument or None
        """
        one_of("quantity", quantity, _INSTRUMENTS)
        own: Instrument | None = getattr(self, quantity)
        if own is None and quantity == "background":
            return self.noise
        if own is None and quantity == "ambient":
            return self.temperature
        return own

    def instrument_name(self, quantity: str) -> str:
        """Name that labels the draws of the instrument reading a quantity.

        Parameters
        ----------
        quantity : str
            One of noise, background, speed, airflow, temperature, ambient.

        Returns
        -------
        str
            The instrument's own name, else the quantity whose table it stands in.
        """
        instrument = self.instrument(quantity)
        if instrument is not None and instrument.name is not None:
            return instrument.name
        fallback = {"background": "noise", "ambient": "temperature"}
        if quantity in fallback and getattr(self, quantity) is None:
            return fallback[quantity]
        return quantity

    @property
    def not_considered(self) -> tuple[str, ...]:
        """What nobody stated: instruments and levels of sharing, in words."""
        notes: list[str] = []
        for label in ("noise", "speed", "airflow", "temperature"):
            instrument = self.instrument(label)
            if instrument is None:
                notes.append(f"{label}: no instrument stated")
            elif instrument.unstated:
                notes.append(f"{label}: {', '.join(instrument.unstated)} errors not stated")
        return tuple(notes)
