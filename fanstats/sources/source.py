"""One source of uncertainty: a standard uncertainty with a shape and degrees of freedom."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
from scipy.special import ndtri, stdtrit

from fanstats._arguments import fraction
from fanstats._typing import FloatArray, Shape
from fanstats.errors import FanstatsError, one_of
from fanstats.quantities import convert
from fanstats.sources.text import Correction, parse_correction, parse_limit

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["ActsOn", "Source", "expanded", "half_width", "standard"]

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
    rigs : tuple of str
        The rigs whose readings it acts on, as labelled in the readings; empty for all of them.
        Each rig has an error of its own, but for one ``shared`` with a carried instrument.
    obstructions : tuple of str
        The obstructions behind which it acts; empty for all of them.
    correction : Correction or None
        What is added to every reading it acts on before anything else; its own uncertainty is
        that of the source. Stated where an error is ``shared``.
    measured : bool
        Whether it was estimated from the readings themselves (Type A), see `with_repeatability`.
    about : str
        What else is to be known of it: how it was tested, or why it stays.
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
    rigs: tuple[str, ...] = ()
    obstructions: tuple[str, ...] = ()
    correction: Correction | None = None
    measured: bool = False
    about: str = ""

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
        object.__setattr__(self, "rigs", _as_rigs(self.rigs))
        if self.correction is not None and self.acts_on == "fan":
            msg = (
                "`correction` is of the reading, and `acts_on` says the level of the fan; got "
                f"{self.stated!r}. State the two as two sources."
            )
            raise FanstatsError(msg)

    @property
    def is_zero(self) -> bool:
        """Whether the source says, in so many words, that there is no uncertainty."""
        return self.absolute == 0 and self.relative == 0

    def acts_at(self, rig: str, obstruction: str | None = None) -> bool:
        """Say whether it acts on readings of a rig.

        Parameters
        ----------
        rig : str
            Label in the readings, "" where none was recorded.
        obstruction : str, optional
            What the reading was taken behind; without it, whether it acts behind any.

        Returns
        -------
        bool
        """
        if self.obstructions and obstruction is not None and obstruction not in self.obstructions:
            return False
        return not self.rigs or rig in self.rigs

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
        try:
            return float(convert(self.absolute, self.units, units, difference=True))
        except FanstatsError as error:
            msg = (
                f"The source {self.name or self.stated!r} is stated in {self.units}, and the "
                f"readings are in {units}. State it in {units} or as a percentage."
            )
            raise FanstatsError(msg) from error

    def without_correction(self) -> Source:
        """Return the same source for readings that are corrected already."""
        if self.correction is None:
            return self
        stated = self.stated.removeprefix(f"correction {self.correction.text}, ")
        return replace(self, correction=None, stated=stated)

    def scaled(self, factor: float) -> Source:
        """Return the same source with its size multiplied by `factor`."""
        return replace(
            self,
            absolute=self.absolute * factor,
            relative=self.relative * factor,
            removed_variance=self.removed_variance * factor**2,
        )


def _as_rigs(given: object) -> tuple[str, ...]:
    names = (given,) if isinstance(given, str) else given
    if isinstance(names, (list, tuple)) and all(isinstance(n, str) and n for n in names):
        return tuple(dict.fromkeys(names))
    msg = f"`rigs` must be names as in the readings' rig column, such as ['attic']; got {given!r}."
    raise FanstatsError(msg)


def _said(correction: Correction | None) -> str:
    return "" if correction is None else f"correction {correction.text}, "


def half_width(
    a: float | str,
    relative: bool = False,
    shape: Literal["rectangular", "triangular", "u-shaped"] = "rectangular",
    *,
    name: str | None = None,
    acts_on: ActsOn | None = None,
    unsplit: bool = False,
    rigs: str | Sequence[str] = (),
    correction: float | str | None = None,
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
    rigs : str or sequence of str
        The rigs whose readings it acts on; all of them where none is named.
    correction : float or str, optional
        What a calibration says is to be *added* to every reading: -0.4 where the meter reads 0.4
        too high. Text such as ``"-2 %"`` or ``"-2 % + 0.1 m/s"`` carries its unit; a number is
        one as `a` is. What is stated is then the uncertainty of the correction.

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
    limit, known = parse_limit("half_width", a, relative), parse_correction(correction, relative)
    divisor = _DIVISORS[shape]
    text = f"({limit.text})" if "+" in limit.text else limit.text
    return Source(
        absolute=limit.absolute / divisor,
        relative=limit.relative / divisor,
        units=limit.units,
        shape=shape,
        kind="half width",
        stated=f"{_said(known)}±{text}" + ("" if shape == "rectangular" else f", {shape}"),
        name=name,
        acts_on=acts_on,
        unsplit=unsplit,
        rigs=_as_rigs(rigs),
        correction=known,
    )


def expanded(
    U: float | str,
    k: float | None = None,
    relative: bool = False,
    *,
    probability: float | None = None,
    dof: float = math.inf,
    name: str | None = None,
    acts_on: ActsOn | None = None,
    rigs: str | Sequence[str] = (),
    correction: float | str | None = None,
) -> Source:
    """State the expanded uncertainty of a certificate: with k, or with coverage probability.

    Parameters
    ----------
    U : float or str
        Expanded uncertainty, in the unit of the readings, or text such as ``"2 %"``.
    k : float, optional
        Coverage factor on the certificate; 2 where neither it nor `probability` is given.
    relative : bool
        Whether the number `U` is a fraction of the reading.
    probability : float, optional
        Coverage probability on the certificate, such as 0.95: the factor is then the two-sided
        point of Student's t on `dof`. Beside `k` it must agree with it.
    dof : float
        Effective degrees of freedom on the certificate; they stay those of the source.
    name, acts_on, rigs, correction
        As in `half_width`.

    Returns
    -------
    Source

    Raises
    ------
    FanstatsError
        If `U` is negative or not finite, `k` or `dof` is not above 0, `probability` is no
        fraction, or `k` is not the factor that `probability` and `dof` make.

    Notes
    -----
    Certificates round: "k = 2, coverage probability approximately 95 %" agrees, although the
    factor of 95 % is 1.96. What differs by more than 3 % is refused.

    References
    ----------
    JCGM 100:2008, 4.3.3, 4.3.4, G.3 and G.6.4.

    Examples
    --------
    >>> expanded(0.4, k=2).absolute
    0.2
    >>> expanded(0.4, probability=0.95, dof=9).stated
    'U = 0.4 (95 %, 9 degrees of freedom: k = 2.26)'
    """
    if not dof > 0:
        msg = f"`dof` must be above 0 (math.inf where nothing limits it); got {dof!r}."
        raise FanstatsError(msg)
    k = _coverage_factor(k, probability, dof)
    limit, known = parse_limit("expanded", U, relative), parse_correction(correction, relative)
    return Source(
        absolute=limit.absolute / k,
        relative=limit.relative / k,
        units=limit.units,
        dof=dof,
        kind="expanded",
        stated=f"{_said(known)}U = {limit.text} ({_covering(k, probability, dof)})",
        name=name,
        acts_on=acts_on,
        rigs=_as_rigs(rigs),
        correction=known,
    )


# Policy: a certificate's k = 2 "for 95 %" (1.96) is rounding; more is a contradiction.
_ROUNDED: Final = 0.03


def _coverage_factor(k: float | None, probability: float | None, dof: float) -> float:
    if k is not None and not (math.isfinite(k) and k > 0):
        msg = f"`k` must be a finite number above 0; got {k!r}."
        raise FanstatsError(msg)
    if probability is None:
        if k is None and not math.isinf(dof):
            msg = (
                f"`dof` alone makes no coverage factor; got {dof:g}. Give `probability` or `k` too."
            )
            raise FanstatsError(msg)
        return 2.0 if k is None else float(k)
    tail = 0.5 * (1.0 + fraction("probability", probability))
    factor = float(ndtri(tail) if math.isinf(dof) else stdtrit(dof, tail))
    if k is not None and abs(factor / k - 1.0) > _ROUNDED:
        limited = "" if math.isinf(dof) else f" on {dof:g} degrees of freedom"
        msg = (
            f"`k` and `probability` contradict each other: {probability:g}{limited} makes "
            f"k = {factor:.3g}; got k = {k:g}. Give the one that the certificate means."
        )
        raise FanstatsError(msg)
    return factor if k is None else float(k)


def _covering(k: float, probability: float | None, dof: float) -> str:
    parts = [] if probability is None else [f"{100 * probability:g} %"]
    if not math.isinf(dof):
        parts.append(f"{dof:g} degrees of freedom")
    known = f"k = {k:g}" if probability is None else f"k = {k:.3g}"
    return f"{', '.join(parts)}: {known}" if parts else known


def standard(
    u: float | str,
    relative: bool = False,
    dof: float = math.inf,
    *,
    name: str | None = None,
    acts_on: ActsOn | None = None,
    rigs: str | Sequence[str] = (),
    correction: float | str | None = None,
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
    name, acts_on, rigs, correction
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
    limit, known = parse_limit("standard", u, relative), parse_correction(correction, relative)
    count = "" if math.isinf(dof) else f" ({dof:g} degrees of freedom)"
    return Source(
        absolute=limit.absolute,
        relative=limit.relative,
        units=limit.units,
        dof=dof,
        kind="standard",
        stated=f"{_said(known)}s = {limit.text}{count}",
        name=name,
        acts_on=acts_on,
        rigs=_as_rigs(rigs),
        correction=known,
    )
