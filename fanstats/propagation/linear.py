"""First-order propagation for anything written over labelled draws.

A function that takes a `Draws` and returns values with the draws last is all that is needed: the
functions that give the Monte Carlo draws give the sensitivities too, by moving one label at a
time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple, Protocol

import numpy as np
from scipy import stats

from fanstats._arguments import fraction
from fanstats._typing import FloatArray, IntArray, Shape
from fanstats.estimates.draws import Recorder, Remembering

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from numpy.typing import ArrayLike

    from fanstats.estimates.draws import Draws, Label

__all__ = [
    "Linear",
    "Touch",
    "coverage_factor",
    "dof_by_source",
    "effects_of",
    "linearise",
    "sources_of",
]

# Step of the differences in standard uncertainties. Rounding costs about 2e-15 / step of the value
# over the effect, curvature step**4 times a fifth derivative. Measured on a level less its room,
# errors of an effect stay below 1e-9 of it for uncertainties from 0.01 to 0.8 dB at 1 dB above the
# room; smaller ones lose digits to rounding where they no longer count.
_STEP: Final = 0.004
# Places of the odd differences and their weights: exact to fourth order on either side by itself,
# so that a second derivative that jumps (a target that lies exactly on a knot of a monotone cubic,
# the rule where readings are rounded) does not disturb the first.
_PLACES: Final = (1.0, 2.0, 3.0, 4.0)
_WEIGHTS: Final = np.array([4.0, -3.0, 4.0 / 3.0, -0.25])
_OFFSETS: Final = _STEP * np.array([sign * place for place in _PLACES for sign in (1.0, -1.0)])


class Propagated(Protocol):
    """What can be linearised: values over labelled draws, the draws last."""

    def __call__(self, draws: Draws, /) -> FloatArray:
        """Give values of shape (..., draw)."""
        ...


class _Stencil(Remembering):
    """Draws that move one place at a time by each of the offsets.

    Parameters
    ----------
    place : mapping of tuple of str to int
        Place of every label; labels that never meet in one value may have the same.
    places : int
        Number of places.
    """

    def __init__(self, place: Mapping[Label, int], places: int) -> None:
        super().__init__()
        self._place = place
        self.size = max(1, places) * _OFFSETS.size

    def standard(self, label: Label, shape: Shape) -> FloatArray:  # noqa: ARG002 - Draws' face
        """Give zeros but for the label's own stretch of draws."""
        moved = np.zeros(self.size)
        place = self._place.get(label)
        if place is not None:
            moved[place * _OFFSETS.size : (place + 1) * _OFFSETS.size] = _OFFSETS
        return moved

    def scale(self, label: Label, dof: float) -> FloatArray:  # noqa: ARG002 - Draws' face
        """Give ones."""
        return np.ones(self.size)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Linear:
    """Values and what one standard uncertainty of every error moves them by.

    Attributes
    ----------
    labels : tuple of tuple of str
        Labels of the errors.
    shapes : tuple of str
        Their shapes.
    dof_of : dict
        Degrees of freedom by source (the front part of its labels); infinite where absent.
    value : ndarray, shape (...)
        Values at zero error.
    effects : ndarray, shape (..., label)
        Sensitivity times standard uncertainty, signed.
    """

    labels: tuple[Label, ...]
    shapes: tuple[Shape, ...]
    dof_of: dict[Label, float]
    value: FloatArray
    effects: FloatArray

    @property
    def standard_uncertainty(self) -> FloatArray:
        """Combined standard uncertainty, shape (...)."""
        return np.asarray(np.sqrt(np.sum(np.square(self.effects), axis=-1)))

    @property
    def covariance(self) -> FloatArray:
        """Covariance of the values, flattened to one axis: shape (value, value)."""
        flat = self.effects.reshape(-1, self.effects.shape[-1])
        return np.asarray(flat @ flat.T)

    @property
    def dof(self) -> FloatArray:
        """Effective degrees of freedom, shape (...)."""
        sources, place = sources_of(self.labels, self.dof_of)
        limits = np.array([self.dof_of.get(source, math.inf) for source in sources])
        return dof_by_source(self.effects, place, limits)


def linearise(function: Propagated) -> Linear:
    """Find what every labelled error does to the values of a function, one at a time.

    Parameters
    ----------
    function : callable
        Takes a `Draws`, returns values of shape (..., draw).

    Returns
    -------
    Linear

    Notes
    -----
    Derivatives are differences at 4 to 16 thousandths of a standard uncertainty on either side,
    combined so that what is left is of fifth order; where the function bends, the mean of the
    slopes on both sides.

    References
    ----------
    JCGM 100:2008, 5.1.2 to 5.1.4.

    Examples
    --------
    >>> def energy_sum(draws):
    ...     first = 30.0 + 0.5 * draws.standard(("meter",), "normal")
    ...     second = 40.0 + 0.5 * draws.standard(("meter",), "normal")
    ...     return 10 * np.log10(10 ** (first / 10) + 10 ** (second / 10))
    >>> found = linearise(energy_sum)  # one meter: the whole level moves with it
    >>> round(float(found.standard_uncertainty), 9)
    0.5
    """
    known = Recorder()
    value = np.asarray(function(known), dtype=np.float64)[..., 0]
    return Linear(
        labels=tuple(known.labels),
        shapes=tuple(known.labels.values()),
        dof_of=dict(known.dof),
        value=value,
        effects=effects_of(
            lambda draws: np.asarray(function(draws))[None, ..., None, :], tuple(known.labels)
        )[0, ..., 0, :],
    )


class Touch(NamedTuple):
    """Where alone a label can be felt.

    Attributes
    ----------
    member : int
        The one member that it touches.
    output : int
        The one output that it touches there, -1 for any.
    """

    member: int
    output: int = -1


def effects_of(
    function: Propagated, labels: Sequence[Label], touches: Mapping[Label, Touch] | None = None
) -> FloatArray:
    """Find the effects of every label on several members that a function works out together.

    Labels that are never felt in one place are moved together, which takes as many values as one
    place feels labels, not as many as there are in all.

    Parameters
    ----------
    function : callable
        Takes a `Draws`, returns values of shape (output, ..., member, draw).
    labels : sequence of tuple of str
        All labels.
    touches : mapping of tuple of str to Touch, optional
        Where alone a label can be felt, for those of which it is known.

    Returns
    -------
    ndarray, shape (output, ..., member, label)
        Change of value with one standard uncertainty; 0 where a label is not felt.

    References
    ----------
    Curtis, Powell and Reid, J. Inst. Maths Applics 13 (1974) 117-119 (columns that share no row
    are differenced together).
    """
    alone = {} if touches is None else touches
    place, places = _places(labels, alone)
    moved = np.asarray(function(_Stencil(place, places)), dtype=np.float64)
    if moved.shape[-1] == 1:  # nothing moves it
        return np.zeros((*moved.shape[:-1], len(labels)))
    pairs = moved.reshape(*moved.shape[:-1], -1, len(_PLACES), 2)
    slopes = (0.5 * (pairs[..., 0] - pairs[..., 1])) @ (_WEIGHTS / _STEP)
    effects = slopes[..., [place[label] for label in labels]]
    felt = np.array([alone.get(label, Touch(-1)) for label in labels]).reshape(-1, 2)
    member = (felt[:, 0] == -1) | (felt[:, 0] == np.arange(effects.shape[-2])[:, None])
    output = (felt[:, 1] == -1) | (felt[:, 1] == np.arange(effects.shape[0])[:, None])
    middle = (1,) * (effects.ndim - 2)
    here = member & output.reshape(effects.shape[0], *middle, -1)
    return np.asarray(np.where(here, effects, 0.0))


def _places(
    labels: Sequence[Label], touches: Mapping[Label, Touch]
) -> tuple[dict[Label, int], int]:
    """Give labels places that no other label felt there has: common, a member's, an output's."""
    place: dict[Label, int] = {}
    first = 0
    for kind in range(3):
        used: dict[Touch | None, int] = {}
        for label in labels:
            touch = touches.get(label)
            if kind == (0 if touch is None else 1 + (touch.output >= 0)):
                place[label] = first + used.get(touch, 0)
                used[touch] = used.get(touch, 0) + 1
        first += max(used.values(), default=0)
    return place, first


def sources_of(
    labels: Sequence[Label], dof_of: Iterable[Label]
) -> tuple[tuple[Label, ...], IntArray]:
    """Gather labels by source.

    Parameters
    ----------
    labels : sequence of tuple of str
        Labels of errors.
    dof_of : iterable of tuple of str
        Sources with stated degrees of freedom.

    Returns
    -------
    sources : tuple of tuple of str
        In the order of first use.
    place : ndarray of int, shape (label,)
        Place of every label's source.
    """
    known = dict.fromkeys(dof_of)
    lengths = sorted({len(source) for source in known}, reverse=True)
    found: dict[Label, int] = {}
    place = np.empty(len(labels), dtype=np.intp)
    for index, label in enumerate(labels):
        source = next((label[:n] for n in lengths if label[:n] in known), label)
        place[index] = found.setdefault(source, len(found))
    return tuple(found), place


def dof_by_source(effects: FloatArray, place: IntArray, dof: ArrayLike) -> FloatArray:
    """Give effective degrees of freedom when all errors of one source share one estimated size.

    Parameters
    ----------
    effects : ndarray, shape (..., label)
        Sensitivity times standard uncertainty.
    place : ndarray of int, shape (label,)
        Source of each label.
    dof : array_like, shape (source,)
        Degrees of freedom of each source.

    Returns
    -------
    ndarray, shape (...)
        Infinite where no source that counts is limited; NaN where nothing is uncertain, for then
        there is nothing to have degrees of freedom.

    Notes
    -----
    The formula of JCGM 100:2008, G.4.1 takes the variances of independent estimates. Two readings
    whose scatter is one pooled ``s`` are one estimate: their variances are added first. So ``x +
    x`` and ``2 x``, and ten readings as well as one, have the degrees of freedom of the pool.

    References
    ----------
    JCGM 100:2008, G.4.1, equation (G.2b).

    Examples
    --------
    >>> dof_by_source(np.array([0.5, 0.2]), np.array([0, 1]), [np.inf, 2]).round(3)
    np.float64(105.125)
    """
    limits = np.asarray(dof, dtype=np.float64)
    squares = np.square(effects)
    total = squares.sum(axis=-1)
    loss = np.zeros(total.shape)
    for source in np.flatnonzero(np.isfinite(limits)):
        loss = loss + np.square(squares[..., place == source].sum(axis=-1)) / limits[source]
    with np.errstate(divide="ignore", invalid="ignore"):
        found = np.where(loss > 0, np.square(total) / loss, np.inf)
    return np.asarray(np.where(total > 0, found, np.nan))[()]


def coverage_factor(dof: ArrayLike, probability: float = 0.95) -> FloatArray:
    """Give the factor that turns a combined standard uncertainty into an expanded one.

    Parameters
    ----------
    dof : array_like
        Effective degrees of freedom, not truncated.
    probability : float
        Coverage probability.

    Returns
    -------
    ndarray
        The two-sided point of Student's t; of the normal where `dof` is infinite. NaN stays NaN.

    References
    ----------
    JCGM 100:2008, G.3 and Table G.2.

    Examples
    --------
    >>> coverage_factor(16, 0.99).round(2)
    np.float64(2.92)
    """
    tail = 0.5 * (1.0 + fraction("probability", probability))
    nu = np.asarray(dof, dtype=np.float64)
    return np.asarray(np.where(np.isinf(nu), stats.norm.ppf(tail), stats.t.ppf(tail, nu)))[()]
