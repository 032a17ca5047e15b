"""Airflow over noise level: of models, and of one model against another."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import xarray as xr

from fanstats._arguments import fraction
from fanstats._typing import FloatArray, Scope, SeedLike
from fanstats.decisions.model_curves import curve_band
from fanstats.decisions.order import joint_limits
from fanstats.errors import FanstatsError, one_of
from fanstats.estimates.level_sweep import AtLevel, grid_of, known_models, steps_of, sweep_of
from fanstats.estimates.matching import SCOPES
from fanstats.estimates.target import Background, Target

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import ArrayLike

    from fanstats.estimates.curves import CurveKind
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
        levels,
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
        Over `level`: ``ratio_value``, ``ratio`` (level, bound), ``ratio_status``. Attributes
        ``settled_from`` and ``settled_to`` (dB, NaN where nothing is settled): the ranges leave
        1 out, on one side, at every level from there to the loudest, or from the quietest to
        there.

    Raises
    ------
    FanstatsError
        As `equal_noise`, and if a model or obstruction is not there or both are the same.

    Notes
    -----
    The levels are gone through in a fixed order, from one end, until the first that is not
    settled. So no allowance for looking at many levels is needed: at equal truth a run of settled
    levels starts at most with probability ``1 - probability``.

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
    found, status = np.empty((grid.size, 3)), []
    for row, here in enumerate(sweep.along(grid)):
        found[row] = _log_gap(here, place, pair, probability)
        why = {sweep.models[k]: here.status[place, k] for k in pair}
        status.append("; ".join(f"{name}: {text}" for name, text in why.items() if text))
    start, stop = _settled(grid, found[:, 1:])
    about = {"units": "1", "long_name": f"airflow of {first} over that of {second}"}
    return xr.Dataset(
        {
            "ratio_value": ("level", np.exp(found[:, 0]), about),
            "ratio": (("level", "bound"), np.exp(found[:, 1:]), about),
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
        },
    )


def _log_gap(
    here: AtLevel, scope: int, pair: tuple[int, int], probability: float
) -> tuple[float, float, float]:
    """Logarithm of the ratio and its limits, missing where one of the two has none."""
    tail = (1.0 - probability) / 2.0
    value, draws = here.value[scope], here.draws[scope]
    present = np.flatnonzero(np.isfinite(value) & np.isfinite(draws).all(axis=-1))
    if not np.isin(pair, present).all():
        return (np.nan, np.nan, np.nan)
    one, two = (int(np.flatnonzero(present == place)[0]) for place in pair)
    values = np.log(value[present])
    joint = joint_limits(values, np.log(draws[present]), probability)
    low, high = float(joint.lower[one, two]), float(-joint.lower[two, one])
    below, above = here.below[scope, list(pair)] > tail, here.above[scope, list(pair)] > tail
    # Each end rests on one side of the first and on the other side of the second.
    if below[0] or above[1] or not np.isfinite(low):
        low = np.nan
    if above[0] or below[1] or not np.isfinite(high):
        high = np.nan
    return float(values[one] - values[two]), low, high


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
