"""Sources of uncertainty: what is stated about instruments and about units of a model."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from fanstats._typing import FloatArray, Shape
from fanstats.errors import FanstatsError, one_of
from fanstats.quantities import canonical_units, convert

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

__all__ = [
    "LEVELS_OF_SHARING",
    "Bench",
    "Instrument",
    "Source",
    "UnitSpread",
    "expanded",
    "half_width",
    "standard",
]

LEVELS_OF_SHARING: Final = ("shared", "session", "sitting", "model", "reading")
ActsOn = Literal["fan", "reading"]
Kind = Literal["half width", "expanded", "standard", "mean square"]

# Half width over standard deviation, JCGM 100:2008 4.3.7, 4.3.9 and the arcsine law.
_DIVISORS: Final[dict[str, float]] = {
    "rectangular": math.sqrt(3.0),
    "triangular": math.sqrt(6.0),
    "u-shaped": math.sqrt(2.0),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """One source of uncertainty, as a standard uncertainty with a shape and degrees of freedom.

    Make one with `half_width`, `expanded` or `standard`; those say what the number on the box
    means. The standard uncertainty of a reading ``x`` is ``absolute + relative * |x|``.

    Attributes
    ----------
    absolute : float
        Standard uncertainty that does not depend on the reading, in `units`.
    relative : float
        Standard uncertainty as a fraction of the reading.
    units : str or None
        Unit of `absolute`; None means the unit of the readings.
    shape : {"normal", "rectangular", "triangular", "u-shaped"}
        Shape of the distribution.
    dof : float
        Degrees of freedom of the standard uncertainty itself, JCGM 100:2008 4.2.6 and G.4.
    kind : {"half width", "expanded", "standard", "mean square"}
        How it was stated. Only "standard" scatter shrinks with the root of the repeats.
    stated : str
        The statement in words, for tables and sentences.
    name : str or None
        A name of its own; without one its place in the instrument's list names its draws.
    acts_on : {"fan", "reading"} or None
        For noise: whether it moves the level of the fan alone or the reading. None takes the
        rule of the level of sharing it stands at.
    removed_variance : float
        For kind "mean square" (an estimated spread whose `absolute` or `relative` is the root of
        the mean square): measurement variance still to be taken out, after drawing.
    unsplit : bool
        Whether nobody knows how much of it is common to all models and how much a model's own:
        limits of a data sheet cover both. See `fanstats.instruments.split_both_ways`.
    """

    absolute: float = 0.0
    relative: float = 0.0
    units: str | None = None
    shape: Shape = "normal"
    dof: float = math.inf
    kind: Kind = "standard"
    stated: str = ""
    name: str | None = None
    acts_on: ActsOn | None = None
    removed_variance: float = 0.0
    unsplit: bool = False

    def __post_init__(self) -> None:
        for label in ("absolute", "relative", "removed_variance"):
            number = getattr(self, label)
            if not (math.isfinite(number) and number >= 0):
                msg = f"`{label}` must be a finite number of at least 0; got {number!r}."
                raise FanstatsError(msg)
        if not self.dof > 0:
            msg = f"`dof` must be above 0 (math.inf where nothing limits it); got {self.dof!r}."
            raise FanstatsError(msg)
        one_of("shape", self.shape, ["normal", *_DIVISORS])
        if self.acts_on is not None:
            one_of("acts_on", self.acts_on, ["fan", "reading"])

    @property
    def is_zero(self) -> bool:
        """Whether the source says, in so many words, that there is no uncertainty."""
        return self.absolute == 0 and self.relative == 0

    def standard_uncertainty(self, values: FloatArray, units: str) -> FloatArray:
        """Give the standard uncertainty of readings.

        Parameters
        ----------
        values : ndarray
            Readings in `units`, any shape.
        units : str
            Their unit.

        Returns
        -------
        ndarray
            Same shape, in `units`.

        Raises
        ------
        FanstatsError
            If the source's own unit cannot be converted to `units`.
        """
        return self.absolute_in(units) + self.relative * np.abs(values)

    def absolute_in(self, units: str) -> float:
        """Give the absolute part in the given unit, converted as a difference.

        Parameters
        ----------
        units : str
            The unit wanted.

        Returns
        -------
        float
        """
        if self.absolute == 0 or self.units is None:
            return self.absolute
        return float(convert(self.absolute, self.units, units, difference=True))

    def scaled(self, factor: float) -> Source:
        """Return the same source with its size multiplied by `factor`."""
        return replace(
            self,
            absolute=self.absolute * factor,
            relative=self.relative * factor,
            removed_variance=self.removed_variance * factor**2,
        )


_PART = re.compile(r"^\s*(?P<number>[0-9]*\.?[0-9]+(?:[eE][+-]?[0-9]+)?)\s*(?P<unit>.*?)\s*$")


@dataclass(frozen=True, slots=True)
class _Limit:
    absolute: float
    relative: float
    units: str | None
    text: str


def _parse_limit(argument: str, limit: float | str, relative: bool) -> _Limit:
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
        return _Limit(0.0, number, None, f"{number * 100:g} %")
    return _Limit(number, 0.0, None, f"{number:g}")


def _parse_text(argument: str, text: str) -> _Limit:
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
    return _Limit(absolute, relative, units, text.strip())


def half_width(
    a: float | str,
    relative: bool = False,
    shape: Literal["rectangular", "triangular", "u-shaped"] = "rectangular",
    *,
    name: str | None = None,
    acts_on: ActsOn | None = None,
    unsplit: bool = False,
) -> Source:
    """State the +- on a box or data sheet: the true value lies within `a` either way.

    Parameters
    ----------
    a : float or str
        Half width of the limits, in the unit of the readings; or text: ``"3 %"``,
        ``"0.2 m/s"``, ``"3 % + 0.2 m/s"``.
    relative : bool
        Whether the number `a` is a fraction of the reading.
    shape : {"rectangular", "triangular", "u-shaped"}
        Rectangular unless you know more.
    name : str, optional
        A name for tables; it also names the draws.
    acts_on : {"fan", "reading"}, optional
        For noise only: overrides where the error acts.
    unsplit : bool
        True where nobody knows how much of it all models share, see
        `fanstats.instruments.split_both_ways`.

    Returns
    -------
    Source

    Raises
    ------
    FanstatsError
        If `a` is negative, not finite, or text that cannot be read.

    References
    ----------
    JCGM 100:2008, 4.3.7 (rectangular, ``a / sqrt(3)``) and 4.3.9 (triangular, ``a / sqrt(6)``).

    Examples
    --------
    >>> round(half_width(1.0).absolute, 4)
    0.5774
    >>> half_width("3 % + 0.2 m/s").stated
    '±(3 % + 0.2 m/s)'
    """
    one_of("shape", shape, list(_DIVISORS))
    limit = _parse_limit("half_width", a, relative)
    divisor = _DIVISORS[shape]
    text = f"({limit.text})" if "+" in limit.text else limit.text
    return Source(
        absolute=limit.absolute / divisor,
        relative=limit.relative / divisor,
        units=limit.units,
        shape=shape,
        kind="half width",
        stated=f"±{text}" + ("" if shape == "rectangular" else f", {shape}"),
        name=name,
        acts_on=acts_on,
        unsplit=unsplit,
    )


def expanded(
    U: float | str,
    k: float = 2.0,
    relative: bool = False,
    *,
    name: str | None = None,
    acts_on: ActsOn | None = None,
) -> Source:
    """State the expanded uncertainty of a certificate with its coverage factor.

    Parameters
    ----------
    U : float or str
        Expanded uncertainty, in the unit of the readings, or text such as ``"2 %"``.
    k : float
        Coverage factor on the certificate.
    relative : bool
        Whether the number `U` is a fraction of the reading.
    name, acts_on
        As in `half_width`.

    Returns
    -------
    Source

    Raises
    ------
    FanstatsError
        If `U` is negative or not finite, or `k` is not above 0.

    References
    ----------
    JCGM 100:2008, 4.3.3.

    Examples
    --------
    >>> expanded(0.4, k=2).absolute
    0.2
    """
    if not (math.isfinite(k) and k > 0):
        msg = f"`k` must be a finite number above 0; got {k!r}."
        raise FanstatsError(msg)
    limit = _parse_limit("expanded", U, relative)
    return Source(
        absolute=limit.absolute / k,
        relative=limit.relative / k,
        units=limit.units,
        kind="expanded",
        stated=f"U = {limit.text} (k = {k:g})",
        name=name,
        acts_on=acts_on,
    )


def standard(
    u: float | str,
    relative: bool = False,
    dof: float = math.inf,
    *,
    name: str | None = None,
    acts_on: ActsOn | None = None,
) -> Source:
    """State a standard uncertainty: the scatter of your own repeats, as one standard deviation.

    Parameters
    ----------
    u : float or str
        Standard uncertainty, in the unit of the readings, or text such as ``"2 %"``.
    relative : bool
        Whether the number `u` is a fraction of the reading.
    dof : float
        Degrees of freedom behind `u`; infinite where it was not estimated from few repeats.
    name, acts_on
        As in `half_width`.

    Returns
    -------
    Source

    Raises
    ------
    FanstatsError
        If `u` is negative or not finite, or `dof` is not above 0.

    References
    ----------
    JCGM 100:2008, 4.2.

    Examples
    --------
    >>> standard(0.2, dof=9).stated
    's = 0.2 (9 degrees of freedom)'
    """
    limit = _parse_limit("standard", u, relative)
    count = "" if math.isinf(dof) else f" ({dof:g} degrees of freedom)"
    return Source(
        absolute=limit.absolute,
        relative=limit.relative,
        units=limit.units,
        dof=dof,
        kind="standard",
        stated=f"s = {limit.text}{count}",
        name=name,
        acts_on=acts_on,
    )


def _as_sources(
    argument: str, given: Source | Sequence[Source] | None
) -> tuple[Source, ...] | None:
    if given is None:
        return None
    if isinstance(given, Source):
        return (given,)
    entries: Iterable[object] = given if isinstance(given, (list, tuple)) else (given,)
    sources: list[Source] = []
    for position, entry in enumerate(entries):
        if not isinstance(entry, Source):
            msg = (
                f"`{argument}` must hold sources made by half_width, expanded or standard; "
                f"got {entry!r} at place {position + 1}."
            )
            raise FanstatsError(msg)
        sources.append(entry)
    return tuple(sources)


@dataclass(frozen=True, slots=True, kw_only=True)
class Instrument:
    """What is known of one instrument's errors, grouped by how widely each error is shared.

    A level of sharing left out is *unstated* and listed as "not considered"; an empty list
    means "none, checked".

    Parameters
    ----------
    shared : Source or sequence of Source, optional
        One draw for everything read with this instrument: calibration, scale.
    session : Source or sequence of Source, optional
        One draw a session.
    sitting : Source or sequence of Source, optional
        One draw a sitting: mounting, microphone position.
    model : Source or sequence of Source, optional
        One draw a model and quantity: the answer to that model's tone or swirl.
    reading : Source or sequence of Source, optional
        One draw a reading: display, flicker.
    name : str, optional
        Name of the instrument; two quantities read with one named instrument share its errors.

    Examples
    --------
    >>> meter = Instrument(shared=half_width(1.0), reading=[half_width(0.05), standard(0.15)])
    >>> meter.unstated
    ('session', 'sitting', 'model')
    """

    shared: Source | Sequence[Source] | None = None
    session: Source | Sequence[Source] | None = None
    sitting: Source | Sequence[Source] | None = None
    model: Source | Sequence[Source] | None = None
    reading: Source | Sequence[Source] | None = None
    name: str | None = None

    def __post_init__(self) -> None:
        for level in LEVELS_OF_SHARING:
            object.__setattr__(self, level, _as_sources(level, getattr(self, level)))

    def at(self, level: str) -> tuple[Source, ...]:
        """Give the sources stated at one level of sharing; none where the level is unstated.

        Parameters
        ----------
        level : {"shared", "session", "sitting", "model", "reading"}
            Level of sharing.

        Returns
        -------
        tuple of Source
        """
        sources: tuple[Source, ...] | None = getattr(
            self, one_of("level", level, LEVELS_OF_SHARING)
        )
        return sources or ()

    @property
    def unstated(self) -> tuple[str, ...]:
        """Levels of sharing about which nothing was said."""
        return tuple(level for level in LEVELS_OF_SHARING if getattr(self, level) is None)

    def __iter__(self) -> Iterator[tuple[str, int, Source]]:
        """Go through (level of sharing, place in its list, source)."""
        for level in LEVELS_OF_SHARING:
            for place, source in enumerate(self.at(level)):
                yield level, place, source


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

    Examples
    --------
    >>> spread = UnitSpread(speed=half_width("10 %"), noise=standard(0.8), airflow=standard("2 %"))
    >>> spread.unknown
    ('temperature',)
    """

    speed: Source | float | None = None
    noise: Source | float | None = None
    airflow: Source | float | None = None
    temperature: Source | float | None = None

    def __post_init__(self) -> None:
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


def combine_standard(uncertainties: Iterable[FloatArray]) -> FloatArray | float:
    """Root of the sum of squares of independent standard uncertainties (JCGM 100:2008, 5.1.2)."""
    total: FloatArray | float = 0.0
    for uncertainty in uncertainties:
        total = total + np.square(uncertainty)
    return np.sqrt(total)
