"""Set sittings of the same fans side by side, from readings: offsets of each kind, by model."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from fanstats._typing import FloatArray
from fanstats.engine.sittings import sittings_of
from fanstats.spread.component_intervals import satterthwaite_dof
from fanstats.spread.offsets import LEVEL_OF_SHARING, Offsets, curves_of, offsets_of

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Sequence

    import xarray as xr

    from fanstats.engine.curves import CurveKind
    from fanstats.engine.sittings import Label, Sitting
    from fanstats.sources import Bench
    from fanstats.spread.offsets import SpreadKind

__all__ = ["Spreading", "side_by_side", "spreading"]


def side_by_side(
    readings: xr.Dataset,
    bench: Bench,
    kind: SpreadKind,
    *,
    keep: Callable[[Sitting], bool],
    curve: CurveKind = "smooth",
) -> list[Offsets | str]:
    """Reduce chosen sittings to one number each, model by model.

    Parameters
    ----------
    readings : xarray.Dataset
        From `read_readings`.
    bench : Bench
        What is stated about the instruments.
    kind : {"noise", "airflow", "speed", "temperature"}
        What is compared.
    keep : callable
        Which sittings.
    curve : {"smooth", "straight", "power law"}
        Curve through each sitting's noise steps.

    Returns
    -------
    list of Offsets or str
        One a model, in the order of their names; a reason where its sittings cannot be compared.
    """
    every = sittings_of(readings)
    sittings = every.take([sitting.place for sitting in every if keep(sitting)])
    models = sorted(set(sittings.labels["model"].tolist()))
    curves = curves_of(sittings, models, bench, curve)
    return [offsets_of(kind, curves, model) for model in models]


class Spreading(NamedTuple):
    """How stated errors spread into sums of offsets.

    Attributes
    ----------
    effects : ndarray, shape (sum, label)
        What one standard uncertainty of each label moves them by.
    dof : ndarray, shape (label,)
        Degrees of freedom of the source behind each label.
    bases : tuple of tuple of str, length label
        What labels of one source have in common.
    """

    effects: FloatArray
    dof: FloatArray
    bases: tuple[Label, ...]

    @property
    def covariance(self) -> FloatArray:
        """Covariance of the sums, shape (sum, sum)."""
        return np.asarray(self.effects @ self.effects.T)

    def dof_of(self, variances: FloatArray) -> float:
        """Give the degrees of freedom of a sum of variances, one a label (Satterthwaite).

        Parameters
        ----------
        variances : ndarray, shape (label,)
            What each label contributes.

        Returns
        -------
        float
        """
        total: dict[Label, float] = {}
        for base, variance in zip(self.bases, variances.tolist(), strict=True):
            total[base] = total.get(base, 0.0) + variance
        known = dict(zip(self.bases, self.dof.tolist(), strict=True))
        finite = [base for base in total if np.isfinite(known[base])]
        if not finite or not sum(total.values()) > 0:
            return float("inf")
        shares = satterthwaite_dof(
            [total[base] for base in finite], [known[base] for base in finite], np.ones(len(finite))
        )
        part = sum(total[base] for base in finite)
        return float(shares * (sum(total.values()) / part) ** 2) if part > 0 else float("inf")


def spreading(
    parts: Sequence[Offsets],
    weights: Sequence[FloatArray],
    bench: Bench,
    without: Collection[str],
) -> Spreading:
    """Spread stated errors into weighted sums of offsets, labels of several models matched.

    Parameters
    ----------
    parts : sequence of Offsets
        One a model.
    weights : sequence of ndarray, shape (sum, sitting)
        How each model's sittings enter.
    bench : Bench
        Knows the degrees of freedom.
    without : collection of str
        Levels of sharing to be left out.

    Returns
    -------
    Spreading
    """
    labels = dict.fromkeys(
        label for part in parts for label in part.labels if label[LEVEL_OF_SHARING] not in without
    )
    place = {label: column for column, label in enumerate(labels)}
    effects = np.zeros((weights[0].shape[0], len(labels)))
    for part, weight in zip(parts, weights, strict=True):
        moved = weight @ part.effects
        for column, label in enumerate(part.labels):
            if label in place:
                effects[:, place[label]] += moved[:, column]
    known = _dof_by_base(bench, {part_rig for part in parts for part_rig in part.rigs})
    bases = tuple(label[:4] for label in labels)
    return Spreading(effects, np.array([known.get(base, np.inf) for base in bases]), bases)


def _dof_by_base(bench: Bench, rigs: Collection[str]) -> dict[Label, float]:
    known: dict[Label, float] = {}
    for rig in rigs:
        here = bench.on(rig)
        for quantity in ("noise", "background", "speed", "airflow", "temperature", "ambient"):
            for level, place, source in here.instrument(quantity) or ():
                name = source.name if source.name is not None else str(place + 1)
                known[*bench.owner(quantity, rig, level), level, name] = source.dof
    return known
