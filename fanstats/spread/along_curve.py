"""Luck that varies along the curve: what one speed adds to a sample's mean luck."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from fanstats.spread.component_intervals import component_interval

if TYPE_CHECKING:
    from collections.abc import Sequence

    from fanstats._typing import FloatArray
    from fanstats.spread.offsets import Offsets

__all__ = ["ALONG_FROM", "AlongCurve", "along_curve"]

# Policy: from so many degrees of freedom on it is taken into the spread, which is asked for at
# one speed. In simulated benches whose samples tilt, ranges then cover as stated over the sweep.
ALONG_FROM: Final = 6
# Squared: below a millionth of a decibel, of a kelvin, of a reading nothing is seen to vary.
_ROUND_OFF: Final = 1e-12


class AlongCurve(NamedTuple):
    """Variance of samples about their own mean luck, on the average over speeds.

    Attributes
    ----------
    mean_square : float
        As read.
    reading : float
        What errors of reading add to it.
    dof : float
        Units less models, as for a tilt: more speeds bring no more samples.
    low, high : float
        Ends of the interval for the variance; no upper one where all is alike and no error of
        reading is stated.
    """

    mean_square: float
    reading: float
    dof: float
    low: float
    high: float

    @property
    def raw(self) -> float:
        """The variance with the errors of reading taken out, below 0 where it came out so."""
        return self.mean_square - self.reading

    @property
    def used(self) -> bool:
        """Whether the spread at one speed is to hold it."""
        return self.dof >= ALONG_FROM and self.raw > _ROUND_OFF


def along_curve(parts: Sequence[Offsets], probability: float = 0.95) -> AlongCurve | None:
    """Estimate how much a sample's luck varies from speed to speed.

    Parameters
    ----------
    parts : sequence of Offsets
        One a model, all of one kind.
    probability : float
        Coverage probability of the interval.

    Returns
    -------
    AlongCurve or None
        None where no model has two samples read at two common speeds.

    Notes
    -----
    With ``t_uj`` the distance of sample ``u`` from its model's mean at speed ``j``, less its mean
    over speeds, the mean square is that of ``t_uj`` over speeds, summed over samples and divided
    by samples less models. A tilt is the usual form, one number a sample: more degrees of freedom
    are not claimed.
    """
    total, reading, dof = 0.0, 0.0, 0
    for part in parts:
        map_ = _tilting(part)
        if part.profile.shape[1] < 2 or map_ is None:
            continue
        tilts = _about_mean(map_ @ part.profile)
        effects = _about_mean(np.einsum("us,sjl->ujl", map_, part.profile_effects))
        count = part.profile.shape[1]
        total += float(np.sum(tilts**2)) / count
        reading += float(np.sum(effects**2)) / count
        dof += map_.shape[0] - 1
    if not dof:
        return None
    square = total / dof if total / dof > _ROUND_OFF**2 else 0.0
    low, high = component_interval(
        [square], [dof], [1.0], probability=probability, known=reading / dof
    )
    return AlongCurve(square, reading / dof, float(dof), low, high if high > 0 else float("nan"))


def _tilting(part: Offsets) -> FloatArray | None:
    """Average sittings into samples and take the model's mean off; None with one sample."""
    names = list(dict.fromkeys(part.units))
    if len(names) < 2:
        return None
    held = np.array([[unit == name for unit in part.units] for name in names], dtype=np.float64)
    averaging = held / held.sum(axis=1, keepdims=True)
    return np.asarray(averaging - averaging.mean(axis=0))


def _about_mean(profile: FloatArray) -> FloatArray:
    return np.asarray(profile - profile.mean(axis=1, keepdims=True))
