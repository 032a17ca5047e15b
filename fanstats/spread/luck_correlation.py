"""Whether samples that are noisier also move more air: the correlation of two kinds of luck."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
from scipy.special import ndtri

from fanstats._typing import FloatArray
from fanstats.spread.strata import Strata, unit_means

if TYPE_CHECKING:
    from collections.abc import Sequence

    from fanstats.spread.offsets import Offsets

__all__ = ["Correlation", "luck_correlation"]

# From so many degrees of freedom on the correlation is used, its uncertainty drawn. In simulated
# gaps at equal noise, noise and airflow luck alike in size, ranges so made cover 94 to 98 times
# in 100 at 6 and more degrees of freedom, whatever the true correlation between -0.7 and 0.7;
# with the correlation left at 0 they cover 88 times in 100 at -0.7 and 99.9 at 0.7.
FEWEST: Final = 6
# A correlation corrected for errors of reading may come out beyond 1: this much is believed.
_MOST: Final = 0.95


class Correlation(NamedTuple):
    """Correlation of noise luck and airflow luck over the samples of like models.

    Attributes
    ----------
    read : float
        Between the offsets as read.
    low, high : float
        Ends of its interval, by Fisher's z.
    corrected : float
        With the scatter and the shared errors of reading taken out; NaN where one of the two
        spreads is not seen above them.
    dof : int
        Samples less models.
    used : float
        What draws of luck go by: the corrected one, at most 0.95 either way.
    used_dof : float
        Degrees of freedom that `used` is worth, fewer where errors of reading blur it.
    """

    read: float
    low: float
    high: float
    corrected: float
    dof: int
    used: float
    used_dof: float


def luck_correlation(
    noise: Sequence[Offsets],
    airflow: Sequence[Offsets],
    strata: tuple[Strata, Strata],
    probability: float = 0.95,
) -> Correlation | None:
    """Correlate noise and airflow offsets of the same units.

    Parameters
    ----------
    noise, airflow : sequence of Offsets
        One a model.
    strata : tuple of Strata
        Of noise and of airflow.
    probability : float
        Coverage probability.

    Returns
    -------
    Correlation or None
        None with fewer than 6 degrees of freedom.

    References
    ----------
    Fisher, Metron 1 (1921) 3-32 (interval by the inverse hyperbolic tangent).
    """
    pairs = [(a, b) for a in noise for b in airflow if a.model == b.model]
    pairs = [(a, b) for a, b in pairs if _labels(a) == _labels(b)]
    if not pairs:
        return None
    first, second = unit_means([a for a, _ in pairs]), unit_means([b for _, b in pairs])
    dof = first.dof
    if dof < FEWEST:
        return None
    scatter = np.array([first.deviations @ first.deviations, second.deviations @ second.deviations])
    if not (scatter > 0).all():
        return None
    product = float(first.deviations @ second.deviations)
    read = product / float(np.sqrt(scatter.prod()))
    reach = float(ndtri((1.0 + probability) / 2.0)) / np.sqrt(dof - 2.0)
    z = np.arctanh(np.clip(read, -1.0 + 1e-12, 1.0 - 1e-12))
    shared = _shared_errors(pairs)
    own = [max(0.0, each.mean_square - each.separable) for each in strata]
    corrected = float("nan")
    if min(own) > 0:
        corrected = (product / dof - first.share(shared)) / float(np.sqrt(own[0] * own[1]))
    blurred = 1.0 if not min(own) > 0 else float(np.sqrt(scatter.prod() / np.prod(own))) / dof
    used, used_dof = _used(read, corrected, blurred, dof)
    return Correlation(
        read=read,
        low=float(np.tanh(z - reach)),
        high=float(np.tanh(z + reach)),
        corrected=float(np.clip(corrected, -1.0, 1.0)),
        dof=dof,
        used=used,
        used_dof=used_dof,
    )


def _used(read: float, corrected: float, blurred: float, dof: int) -> tuple[float, float]:
    """Give the correlation that draws go by, and the degrees of freedom it is worth."""
    if not np.isfinite(corrected):
        return 0.0, float("inf")
    used = float(np.clip(corrected, -_MOST, _MOST))
    # The error of the correlation as read, magnified as the correction magnifies it.
    error = blurred * (1.0 - read**2) / np.sqrt(dof - 2.0)
    z_error = max(error / (1.0 - used**2), 1.0 / np.sqrt(dof - 2.0))
    return used, float(2.0 + z_error**-2.0)


def _labels(part: Offsets) -> tuple[tuple[str, ...], ...]:
    return part.units, part.sessions, part.sittings


def _shared_errors(pairs: Sequence[tuple[Offsets, Offsets]]) -> FloatArray:
    """Covariance of noise and airflow offsets from errors that hit both, a speed reading's."""
    size = sum(len(a.units) for a, _ in pairs)
    whole = np.zeros((size, size))
    start = 0
    for a, b in pairs:
        place = {label: column for column, label in enumerate(b.labels)}
        both = [(column, place[label]) for column, label in enumerate(a.labels) if label in place]
        stop = start + len(a.units)
        if both:
            left, right = zip(*both, strict=True)
            cross = a.effects[:, list(left)] @ b.effects[:, list(right)].T
            whole[start:stop, start:stop] = (cross + cross.T) / 2.0
        start = stop
    return whole
