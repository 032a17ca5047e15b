"""One source of uncertainty: a standard uncertainty with a shape and degrees of freedom."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from fanstats._typing import FloatArray, Shape
from fanstats.errors import FanstatsError, one_of
from fanstats.quantities import convert
from fanstats.sources.text import parse_limit

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
        Each rig has an error of its own.
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

    @property
    def is_zero(self) -> bool:
        """Whether the source says, in so many words, that there is no uncertainty."""
        return self.absolute == 0 and self.relative == 0

    def acts_at(self, rig: str) -> bool:
        """Say whether it acts on readings of a rig.

        Parameters
        ----------
        rig : str
            Label in the readings, "" where none was recorded.

        Returns
        -------
        bool
        """
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
        return float(convert(self.absolute, self.units, units, difference=True))

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


def half_width(
    a: float | str,
    relative: bool = False,
    shape: Literal["rectangular", "triangular", "u-shaped"] = "rectangular",
    *,
    name: str | None = None,
    acts_on: ActsOn | None = None,
    unsplit: bool = False,
    rigs: str | Sequence[str] = (),
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
    limit = parse_limit("half_width", a, relative)
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
        rigs=_as_rigs(rigs),
    )


def expanded(
    U: float | str,
    k: float = 2.0,
    relative: bool = False,
    *,
    name: str | None = None,
    acts_on: ActsOn | None = None,
    rigs: str | Sequence[str] = (),
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
    name, acts_on, rigs
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
    limit = parse_limit("expanded", U, relative)
    return Source(
        absolute=limit.absolute / k,
        relative=limit.relative / k,
        units=limit.units,
        kind="expanded",
        stated=f"U = {limit.text} (k = {k:g})",
        name=name,
        acts_on=acts_on,
        rigs=_as_rigs(rigs),
    )


def standard(
    u: float | str,
    relative: bool = False,
    dof: float = math.inf,
    *,
    name: str | None = None,
    acts_on: ActsOn | None = None,
    rigs: str | Sequence[str] = (),
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
    name, acts_on, rigs
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
    limit = parse_limit("standard", u, relative)
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
        rigs=_as_rigs(rigs),
    )
