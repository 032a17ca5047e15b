"""Airflow over noise level: of models, and of one model against another."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import numpy as np
import xarray as xr
from scipy.special import ndtr

from fanstats._arguments import fraction
from fanstats._typing import FloatArray, Scope, SeedLike
from fanstats.decisions.level_sweep import (
    AtLevel,
    finite_points,
    grid_of,
    known_models,
    steps_of,
    sweep_of,
)
from fanstats.decisions.model_curves import curve_band
from fanstats.decisions.order import joint_limits, joint_maximum, pair_reach
from fanstats.engine.points import SCOPES
from fanstats.engine.question import Background, Target
from fanstats.errors import FanstatsError, one_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import ArrayLike

    from fanstats.engine.curves import CurveKind
    from fanstats.sources import Bench

__all__ = ["difference_band", "noise_airflow_band"]

Chosen = Literal["from the chart", "before"]


def noise_airflow_band(
    readings: xr.Dataset,
    levels: ArrayLike | None = None,
    *,
    bench: Bench,
    models: str | Sequence[str] | None = None,
    obstruction: str | None = None,
    probability: float = 0.95,
    draws: int = 2_000,
    rng: SeedLike = None,
    background: Background = "included",
    target: Target = "as read",
    curve: CurveKind = "smooth",
    room: str | float | None = None,
    pooled: Mapping[str, Any] | str | None = None,
) -> xr.Dataset:
    """Give the airflow of some models at many noise levels, with its ranges.

    Parameters
    ----------
    readings : xarray.Dataset
        From `read_readings`: the whole table, also where only some models are wanted, because
        the reference room and the uncertainty of the curve are those of the table.
    levels : array_like, optional
        Noise levels in the unit of the readings; by default 31 from the quietest to the loudest
        step of the models, and each model's own ends.
    bench : Bench
        What is stated about the instruments and the unit-to-unit spread.
    models : str or sequence of str, optional
        Which models; all by default.
    obstruction : str, optional
        Which obstruction; may be left out where there is only one.
    probability : float
        Coverage probability of the ranges.
    draws, rng, background, target, curve, room, pooled
        As in `equal_noise`. One root gives the same draws at every level.

    Returns
    -------
    xarray.Dataset
        What `curve_band` gives of airflow over noise.

    Raises
    ------
    FanstatsError
        As `equal_noise`, and if a model or obstruction is not there.

    Examples
    --------
    >>> import fanstats as fs
    >>> band = noise_airflow_band(
    ...     fs.demo.readings(), [30, 33, 36], bench=fs.demo.bench(), models="Ombrel Sill",
    ...     obstruction="open", draws=200, rng=1)
    >>> band.airflow.dims
    ('scope', 'model', 'level', 'bound')
    """
    return curve_band(
        readings,
        levels
        if levels is None
        else finite_points("levels", levels, "noise levels", named_by="models"),
        of="airflow",
        over="noise",
        bench=bench,
        models=models,
        obstruction=obstruction,
        probability=probability,
        draws=draws,
        rng=rng,
        background=background,
        target=target,
        curve=curve,
        room=room,
        pooled=pooled,
    )


def difference_band(
    readings: xr.Dataset,
    first: str,
    second: str,
    levels: ArrayLike | None = None,
    *,
    bench: Bench,
    obstruction: str | None = None,
    scope: Scope = "model",
    chosen: Chosen = "from the chart",
    probability: float = 0.95,
    draws: int = 2_000,
    rng: SeedLike = None,
    background: Background = "included",
    target: Target = "as read",
    curve: CurveKind = "smooth",
    room: str | float | None = None,
    pooled: Mapping[str, Any] | str | None = None,
) -> xr.Dataset:
    """Give how much more air one model moves than another, level by level.

    Parameters
    ----------
    readings : xarray.Dataset
        From `read_readings`.
    first, second : str
        The two models; the ratio is first over second.
    levels : array_like, optional
        As in `noise_airflow_band`.
    bench : Bench
        What is stated about the instruments and the unit-to-unit spread.
    obstruction : str, optional
        Which obstruction; may be left out where there is only one.
    scope : {"tested unit", "model", "next unit"}
        Whose true values.
    chosen : {"from the chart", "before"}
        As in `compare`: whether the pair was picked because of how it did among all models.
    probability : float
        Of the range at each level.
    draws, rng, background, target, curve, room, pooled
        As in `equal_noise`.

    Returns
    -------
    xarray.Dataset
        Over `level`: ``ratio_value``; ``ratio`` (level, bound), each range right at its own level;
        ``ratio_simultaneous``, all right at once; ``ratio_status``. Attributes ``settled_from``
        and ``settled_to`` (dB, NaN where nothing is settled): the ranges leave 1 out, on one
        side, at every level from there to the loudest, or from the quietest to there; and the
        shares of draws in which the curves cross: ``crossing_never``, ``_once``, ``_often``.
        `crossing` reads where they do off it.

    Raises
    ------
    FanstatsError
        As `equal_noise`, and if a model or obstruction is not there or both are the same.

    Notes
    -----
    The levels are gone through in a fixed order, from one end, until the first that is not
    settled. So no allowance for looking at many levels is needed: at equal truth a run of settled
    levels starts at most with probability ``1 - probability``. The simultaneous ranges hold at
    every level whichever is looked at, for all pairs judged (the joint maximum over levels too).

    References
    ----------
    Maurer, W., Hothorn, L. A. and Lehmacher, W. (1995), in Vollmar (ed.), Biometrie in der
    chemisch-pharmazeutischen Industrie 6, 3-18 (tests in a fixed order).

    Examples
    --------
    >>> import fanstats as fs
    >>> gap = difference_band(
    ...     fs.demo.readings(), "Varnost Lull", "Wexcombe Pale", [30, 33], bench=fs.demo.bench(),
    ...     obstruction="open", chosen="before", draws=200, rng=1)
    >>> gap.ratio.dims
    ('level', 'bound')
    """
    fraction("probability", probability)
    one_of("scope", scope, SCOPES)
    one_of("chosen", chosen, ("from the chart", "before"))
    if first == second:
        msg = f"`second` must be another model than `first`; got {second!r} for both."
        raise FanstatsError(msg)
    known_models(readings, "first", [first])
    known_models(readings, "second", [second])
    sweep = sweep_of(
        readings,
        bench=bench,
        models=[first, second] if chosen == "before" else None,
        obstruction=obstruction,
        draws=draws,
        rng=rng,
        background=background,
        target=target,
        curve=curve,
        room=room,
        pooled=pooled,
    )
    pair = sweep.models.index(first), sweep.models.index(second)
    grid = grid_of(sweep, levels, steps_of(sweep, [first, second]), shared=True)
    place = SCOPES.index(scope)
    gaps, status = [], []
    for here in sweep.along(grid):
        gaps.append(_log_gap(here, place, pair, probability))
        why = {sweep.models[k]: here.status[place, k] for k in pair}
        status.append("; ".join(f"{name}: {text}" for name, text in why.items() if text))
    limits = np.array([gap.limits for gap in gaps])
    joint, multiplier = _simultaneous(gaps, limits, probability)
    start, stop = _settled(grid, limits)
    about = {"units": "1", "long_name": f"airflow of {first} over that of {second}"}
    return xr.Dataset(
        {
            "ratio_value": ("level", np.exp([gap.value for gap in gaps]), about),
            "ratio": (("level", "bound"), np.exp(limits), about),
            "ratio_simultaneous": (("level", "bound"), np.exp(joint), about),
            "ratio_status": ("level", status, {"long_name": "why the ratio is missing"}),
        },
        coords={
            **sweep.coords(grid),
            "bound": ["lower", "upper"],
        },
        attrs={
            **sweep.attrs(),
            "kind": "ratio over noise level",
            "first": first,
            "second": second,
            "scope": scope,
            "chosen": chosen,
            "judged_among": len(sweep.models),
            "probability": probability,
            "settled_from": start,
            "settled_to": stop,
            "multiplier": multiplier,
            **_share_crossing(gaps),
        },
    )


class _Gap(NamedTuple):
    """The logarithm of a ratio at one level; NaN where one of the two models has no estimate.

    `limits` and `reach` run over the low and the high side, `shares` are those of draws beyond the
    data on each; `maxima` are the largest standardised errors of any pair, draw by draw.
    """

    value: float
    limits: tuple[float, float]
    reach: tuple[float, float]
    shares: tuple[float, float]
    draws: FloatArray
    maxima: FloatArray


def _log_gap(here: AtLevel, scope: int, pair: tuple[int, int], probability: float) -> _Gap:
    value, draws = here.value[scope], here.draws[scope]
    present = np.flatnonzero(np.isfinite(value) & np.isfinite(draws).all(axis=-1))
    if not np.isin(pair, present).all():
        nothing, gone = np.full(draws.shape[-1], np.nan), (np.nan, np.nan)
        return _Gap(np.nan, gone, gone, gone, nothing, nothing)
    one, two = (int(np.flatnonzero(present == place)[0]) for place in pair)
    values, logs = np.log(value[present]), np.log(draws[present])
    joint = joint_limits(values, logs, probability)
    reach = pair_reach(values, logs)
    below, above = here.below[scope, list(pair)], here.above[scope, list(pair)]
    # Each end rests on one side of the first and on the other side of the second.
    shares = max(below[0], above[1]), max(above[0], below[1])
    ends = float(joint.lower[one, two]), float(-joint.lower[two, one])
    tail = (1.0 - probability) / 2.0
    low, high = (
        end if share <= tail and np.isfinite(end) else np.nan
        for end, share in zip(ends, shares, strict=True)
    )
    return _Gap(
        float(values[one] - values[two]),
        (low, high),
        (float(reach[one, two]), float(reach[two, one])),
        shares,
        logs[one] - logs[two],
        joint_maximum(values[:, np.newaxis] - logs, reach),
    )


def _simultaneous(
    gaps: list[_Gap], limits: FloatArray, probability: float
) -> tuple[FloatArray, float]:
    """Give limits that hold at all levels at once, and for all pairs of models judged."""
    maxima = np.array([gap.maxima for gap in gaps if np.isfinite(gap.value)])
    if maxima.size == 0 or not np.isfinite(maxima).all():
        return np.full_like(limits, np.nan), np.nan
    multiplier = float(np.quantile(maxima.max(axis=0), probability))
    value = np.array([[gap.value] for gap in gaps])
    reach = np.array([gap.reach for gap in gaps]) * np.array([-1.0, 1.0])
    joint = value + multiplier * reach
    joint = np.stack([np.minimum(joint[:, 0], limits[:, 0]), np.maximum(joint[:, 1], limits[:, 1])])
    # The further end must not rest on draws beyond the data either.
    beyond = np.array([gap.shares for gap in gaps]) > ndtr(-multiplier)
    return np.where(beyond, np.nan, joint.T), multiplier


def _share_crossing(gaps: list[_Gap]) -> dict[str, float]:
    """Say in what share of the draws the two curves cross never, once, and more often."""
    draws = np.array([gap.draws for gap in gaps if np.isfinite(gap.value)])
    if len(draws) < 2:
        return dict.fromkeys(("crossing_never", "crossing_once", "crossing_often"), np.nan)
    ahead = draws > 0
    crossed = np.count_nonzero(ahead[1:] != ahead[:-1], axis=0)
    return {
        "crossing_never": float(np.mean(crossed == 0)),
        "crossing_once": float(np.mean(crossed == 1)),
        "crossing_often": float(np.mean(crossed > 1)),
    }


def _settled(grid: FloatArray, limits: FloatArray) -> tuple[float, float]:
    """From where to the loudest, and from the quietest to where, the sign is settled."""
    held = np.flatnonzero(np.isfinite(limits).any(axis=1))
    if held.size == 0:
        return np.nan, np.nan
    sign = np.where(limits[held, 0] > 0, 1, np.where(limits[held, 1] < 0, -1, 0))
    levels = grid[held]

    def run(signs: FloatArray) -> int:
        same = (signs == signs[0]) & (signs != 0)
        return int(same.size if same.all() else same.argmin())

    up, down = run(sign[::-1]), run(sign)
    return (
        float(levels[levels.size - up]) if up else np.nan,
        float(levels[down - 1]) if down else np.nan,
    )
