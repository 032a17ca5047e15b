"""All that is stated about a bench: its instruments and the unit-to-unit spread."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Final

from fanstats.errors import FanstatsError, one_of
from fanstats.sources.instrument import Instrument
from fanstats.sources.spread import UnitSpread

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from fanstats.sources.source import Source

__all__ = ["EVERY_RIG", "INSTRUMENTS", "Bench"]

INSTRUMENTS: Final = ("noise", "background", "speed", "airflow", "temperature", "ambient")
# Where an instrument stands that is carried from rig to rig, in the labels of its draws.
EVERY_RIG: Final = "every rig"
# What goes with an instrument wherever it is carried; the rest belongs to one set-up.
_CARRIED_LEVELS: Final = ("shared", "session", "model")
_FALLBACKS: Final[Mapping[str, str]] = {"background": "noise", "ambient": "temperature"}


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
    rigs : mapping of str to mapping of str to Instrument, optional
        Instruments of single rigs, by the label in the readings' ``rig`` column and quantity; what
        a rig does not name is read as stated above. Readings of different rigs share no error,
        unless an instrument is ``carried``.

    Examples
    --------
    >>> from fanstats.sources import Bench, Instrument, half_width
    >>> bench = Bench(noise=Instrument(shared=half_width(1.0)))
    >>> bench.instrument("background") is bench.noise
    True
    >>> two = Bench(noise=bench.noise, rigs={"attic": {"noise": Instrument(shared=[])}})
    >>> two.on("attic").noise.shared, len(two.on("cellar").noise.shared)
    ((), 1)
    """

    noise: Instrument | None = None
    background: Instrument | None = None
    speed: Instrument | None = None
    airflow: Instrument | None = None
    temperature: Instrument | None = None
    ambient: Instrument | None = None
    spread: UnitSpread = field(default_factory=UnitSpread)
    columns: dict[str, str] = field(default_factory=dict)
    rigs: Mapping[str, Mapping[str, Instrument]] = field(default_factory=dict)
    _on: dict[str, Bench] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        for label in INSTRUMENTS:
            given: object = getattr(self, label)
            if given is not None and not isinstance(given, Instrument):
                msg = f"`{label}` must be an Instrument; got {given!r}."
                raise FanstatsError(msg)
        spread: object = self.spread
        if not isinstance(spread, UnitSpread):
            msg = f"`spread` must be a UnitSpread; got {spread!r}."
            raise FanstatsError(msg)
        object.__setattr__(self, "rigs", _checked_rigs(self.rigs))
        _check_corrections(self)
        object.__setattr__(self, "_on", {rig: self._with(own) for rig, own in self.rigs.items()})

    def _with(self, instruments: Mapping[str, Instrument]) -> Bench:
        fields: dict[str, Any] = dict(instruments)
        return replace(self, rigs={}, **fields)

    def on(self, rig: str) -> Bench:
        """Give the bench as it stands on one rig.

        Parameters
        ----------
        rig : str
            Label in the readings, "" where none was recorded.

        Returns
        -------
        Bench
            With the rig's own instruments in their places.
        """
        return self._on.get(rig, self)

    def without_corrections(self) -> Bench:
        """Return the same bench for readings that are corrected already.

        Returns
        -------
        Bench
            Uncertainties of the corrections stay.
        """
        own = {name: _uncorrected(instrument) for name, instrument in _own(self).items()}
        rigs = {
            rig: {name: _uncorrected(instrument) for name, instrument in instruments.items()}
            for rig, instruments in self.rigs.items()
        }
        fields: dict[str, Any] = {**own, "rigs": rigs}
        return replace(self, **fields)

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
        one_of("quantity", quantity, INSTRUMENTS)
        own: Instrument | None = getattr(self, quantity)
        if own is None and quantity in _FALLBACKS:
            other: Instrument | None = getattr(self, _FALLBACKS[quantity])
            return other
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
        if quantity in _FALLBACKS and getattr(self, quantity) is None:
            return _FALLBACKS[quantity]
        return quantity

    def owner(self, quantity: str, rig: str, level: str) -> tuple[str, str]:
        """Front of the labels of an instrument's draws: where it stands and its name.

        Parameters
        ----------
        quantity : str
            One of noise, background, speed, airflow, temperature, ambient.
        rig : str
            Label in the readings.
        level : {"shared", "session", "sitting", "model", "reading"}
            Level of sharing: where a carried instrument is put up belongs to the rig.

        Returns
        -------
        tuple of str
        """
        here = self.on(rig)
        instrument = here.instrument(quantity)
        carried = instrument is not None and instrument.carried and level in _CARRIED_LEVELS
        return (EVERY_RIG if carried else rig, here.instrument_name(quantity))

    @property
    def rigs_named(self) -> tuple[str, ...]:
        """Rigs that have an instrument or a source of their own."""
        named = dict.fromkeys(self.rigs)
        for _, _, _, source in self.stated():
            named |= dict.fromkeys(source.rigs)
        return tuple(named)

    def stated(self) -> Iterator[tuple[str, str, str, Source]]:
        """Go through (rig, quantity, level of sharing, source); rig "" for all rigs."""
        for rig, here in {"": self, **self._on}.items():
            for quantity in INSTRUMENTS if not rig else self.rigs[rig]:
                instrument: Instrument | None = getattr(here, quantity)
                for level, _, source in instrument or ():
                    yield rig, quantity, level, source

    @property
    def not_considered(self) -> tuple[str, ...]:
        """What nobody stated: instruments and levels of sharing, in words."""
        return self.unstated(("noise", "speed", "airflow", "temperature"))

    def unstated(self, quantities: Iterable[str]) -> tuple[str, ...]:
        """List what nobody stated about some quantities, in words.

        Parameters
        ----------
        quantities : iterable of str
            Such as ``("noise", "airflow")``.

        Returns
        -------
        tuple of str
        """
        notes: list[str] = []
        for label in quantities:
            own = [rig for rig, instruments in self.rigs.items() if label in instruments]
            instrument = self.instrument(label)
            if instrument is None:
                others = f" for rigs other than {', '.join(own)}" if own else ""
                notes.append(f"{label}: no instrument stated{others}")
            elif instrument.unstated:
                notes.append(f"{label}: {', '.join(instrument.unstated)} errors not stated")
            notes += [
                f"{label} on rig {rig}: {', '.join(missing)} errors not stated"
                for rig in own
                if (missing := self.rigs[rig][label].unstated)
            ]
        mounting = self.mounting_unstated(quantities)
        return (*notes, mounting) if mounting else tuple(notes)

    def mounting_unstated(self, quantities: Iterable[str] = INSTRUMENTS) -> str:
        """Say what a range for the tested unit is worth where nothing is said about mounting.

        Parameters
        ----------
        quantities : iterable of str
            Those that count.

        Returns
        -------
        str
            "" where all that is stated says it. An instrument about which nothing is said at all
            is not listed here.
        """
        wanted = set(quantities)
        missing = [
            f"{quantity} on rig {rig}" if rig else quantity
            for rig, here in {"": self, **self._on}.items()
            for quantity in (INSTRUMENTS if not rig else self.rigs[rig])
            if quantity in wanted and _without_sitting(getattr(here, quantity))
        ]
        if not missing:
            return ""
        return (
            f"mounting (sitting errors of {', '.join(missing)}): a range for this sample holds for "
            "the mounting it was read in, and covers far less often than it says once the fan is "
            "put up again: some 52 times in 100 instead of 95, where mounting scatters 2.6 times "
            "as much as all else. Put a fan up again and read it again to know"
        )


def _without_sitting(instrument: Instrument | None) -> bool:
    # A range of 1.96 u that leaves out a normal error of 2.6 u: 2 Phi(1.96 / sqrt(1 + 2.6**2)) - 1.
    return instrument is not None and instrument.sitting is None


def _own(bench: Bench) -> dict[str, Instrument]:
    given = {name: getattr(bench, name) for name in INSTRUMENTS}
    return {name: instrument for name, instrument in given.items() if instrument is not None}


def _uncorrected(instrument: Instrument) -> Instrument:
    sources = [source.without_correction() for source in instrument.at("shared")]
    return replace(instrument, shared=sources) if sources else instrument


def _check_corrections(bench: Bench) -> None:
    """Refuse a percentage of what has no zero: a level, a temperature."""
    for rigs in ({"": _own(bench)}, bench.rigs):
        for instruments in rigs.values():
            for quantity, instrument in instruments.items():
                for source in instrument.at("shared"):
                    known = source.correction
                    if known is None or not known.relative or quantity in ("speed", "airflow"):
                        continue
                    msg = f"`{quantity}`: a level or temperature has no percentage; got the "
                    msg += f"correction {known.text!r}. State it as an amount."
                    raise FanstatsError(msg)


def _checked_rigs(given: object) -> dict[str, dict[str, Instrument]]:
    if not isinstance(given, Mapping):
        msg = f"`rigs` must be a mapping of rig to instruments by quantity; got {given!r}."
        raise FanstatsError(msg)
    checked: dict[str, dict[str, Instrument]] = {}
    for rig, instruments in given.items():
        place = f"`rigs` of {rig!r}"
        if not isinstance(rig, str) or not rig or rig == EVERY_RIG:
            msg = f"`rigs` must be named as in the readings' rig column; got {rig!r}."
            raise FanstatsError(msg)
        if not isinstance(instruments, Mapping):
            msg = f"{place} must be a mapping of quantity to Instrument; got {instruments!r}."
            raise FanstatsError(msg)
        for quantity, instrument in instruments.items():
            one_of(f"rigs[{rig!r}]", quantity, INSTRUMENTS)
            if not isinstance(instrument, Instrument):
                msg = f"{place}, {quantity}, must be an Instrument; got {instrument!r}."
                raise FanstatsError(msg)
        checked[rig] = dict(instruments)
    return checked
