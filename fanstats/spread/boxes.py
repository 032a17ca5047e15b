"""Samples of one box: what is known of boxes, and how much of the spread lies between them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from fanstats.spread.anova import labels_within
from fanstats.spread.component_intervals import component_interval, satterthwaite_dof
from fanstats.spread.taken_out import labels_of
from fanstats.spread.variance_components import variance_components

if TYPE_CHECKING:
    from collections.abc import Mapping

    import xarray as xr

    from fanstats.spread.strata import UnitMeans

__all__ = ["ONE_BOX", "BoxSplit", "box_note", "boxes_of", "split_by_box"]

ONE_BOX = "samples of one box: at least this much"
_SOME = "some samples of one box: perhaps more"

# Two boxes of one model, and two samples of one of them.
_FEWEST_SAMPLES = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class BoxSplit:
    """Spread between boxes of one model, and between samples of one box.

    Attributes
    ----------
    between_raw, within_raw : float
        Variances, the errors of reading taken out; below 0 where they came out so.
    between, within : tuple of float
        Ends of their intervals.
    between_dof, within_dof : float
        Degrees of freedom; NaN where the raw value is not above 0.
    total : float
        Variance of samples from boxes of their own, errors of reading left in.
    total_dof : float
        Its degrees of freedom.
    boxes : int
        How many.
    """

    between_raw: float
    between: tuple[float, float]
    between_dof: float
    within_raw: float
    within: tuple[float, float]
    within_dof: float
    total: float
    total_dof: float
    boxes: int


def boxes_of(readings: xr.Dataset) -> dict[tuple[str, str], str]:
    """Give the box that each sample came in, as far as it was recorded.

    Parameters
    ----------
    readings : xarray.Dataset
        From `read_readings`.

    Returns
    -------
    dict of (model, unit) to str
        Empty where no column says it.
    """
    if "batch" not in readings.coords:
        return {}
    rows = zip(*(labels_of(readings, n) for n in ("model", "unit", "batch")), strict=True)
    return {(model, unit): box for model, unit, box in rows if box}


def box_note(means: UnitMeans, boxes: Mapping[tuple[str, str], str]) -> str:
    """Say whether the samples behind a spread came from one box each model.

    Parameters
    ----------
    means : UnitMeans
        The samples.
    boxes : mapping
        From `boxes_of`.

    Returns
    -------
    str
        "" where nothing is known, or every model has samples of several boxes alone.
    """
    held: dict[str, list[str]] = {}
    for model, unit in zip(means.models, means.units, strict=True):
        held.setdefault(model, []).append(boxes.get((model, unit), ""))
    known = [names for names in held.values() if len(names) > 1 and "" not in names]
    if known and all(len(set(names)) == 1 for names in known):
        return ONE_BOX
    return _SOME if any(len(set(names)) == 1 for names in known) else ""


def split_by_box(
    means: UnitMeans,
    boxes: Mapping[tuple[str, str], str],
    reading: float,
    probability: float,
) -> BoxSplit | None:
    """Tell the spread between boxes from that within, where samples of several boxes were tested.

    Parameters
    ----------
    means : UnitMeans
        Unit means of one kind.
    boxes : mapping
        From `boxes_of`.
    reading : float
        What the errors of reading add to the variance of a unit mean.
    probability : float
        Coverage probability of the intervals.

    Returns
    -------
    BoxSplit or None
        None where no model has samples of two boxes, or no box two samples.

    References
    ----------
    Searle, Casella and McCulloch, Variance Components (1992), 5.4 (unbalanced nested layout);
    Burdick and Graybill (1992), 3.3 (intervals).
    """
    keys = list(zip(means.models, means.units, strict=True))
    unknown = {key[0] for key in keys if key not in boxes}
    used = [place for place, (model, _) in enumerate(keys) if model not in unknown]
    if len(used) < _FEWEST_SAMPLES:
        return None
    models = [keys[place][0] for place in used]
    labels = labels_within(models, [boxes[keys[place]] for place in used])
    found = variance_components(
        means.deviations[used], random={"box": labels}, fixed=models, residual="samples"
    ).anova
    if not found.estimable.all():
        return None
    squares, dof = found.mean_squares[found.fixed :], found.dof[found.fixed :]
    between, within = found.weights()
    raw = float(within @ squares) - reading
    return BoxSplit(
        between_raw=float(between @ squares),
        between=component_interval(squares, dof, between, probability=probability),
        between_dof=satterthwaite_dof(squares, dof, between),
        within_raw=raw,
        within=component_interval(squares, dof, within, probability=probability, known=reading),
        within_dof=float(dof[-1]) * (raw / (raw + reading)) ** 2 if raw > 0 else np.nan,
        total=float((between + within) @ squares),
        total_dof=satterthwaite_dof(squares, dof, between + within),
        boxes=len(set(labels)),
    )
