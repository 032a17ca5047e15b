"""One quantity over another: values and ranges along a whole curve, point by point and at once."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import xarray as xr

from fanstats._arguments import fraction
from fanstats._typing import BoolArray, FloatArray, SeedLike
from fanstats.decisions.envelopes import Envelope, envelope
from fanstats.decisions.level_sweep import AtLevel, Of, Over, Sweep, grid_of, steps_of, sweep_of
from fanstats.engine.points import SCOPES
from fanstats.engine.question import Background, Target
from fanstats.quantities import QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import ArrayLike, NDArray

    from fanstats.engine.curves import CurveKind
    from fanstats.sources import Bench

__all__ = ["curve_band"]

# By whether the lower and the upper end are missing.
_MISSING: Final = {
    (False, False): "",
    (True, False): "lower end not covered by data",
    (False, True): "upper end not covered by data",
    (True, True): "neither end covered by data",
}


def curve_band(
    readings: xr.Dataset,
    at: ArrayLike | None = None,
    *,
    of: Of = "airflow",
    over: Over = "noise",
    bench: Bench,
    models: str | Sequence[str] | None = None,
    obstruction: str | None = None,
    probability: float = 0.95,
    keep_draws: bool = False,
    draws: int = 2_000,
    rng: SeedLike = None,
    background: Background = "included",
    target: Target = "as read",
    curve: CurveKind = "smooth",
    room: str | float | None = None,
    pooled: Mapping[str, Any] | str | None = None,
) -> xr.Dataset:
    """Give one quantity of some models over another, with its ranges for every scope.

    Parameters
    ----------
    readings : xarray.Dataset
        From `read_readings`: the whole table, also where only some models are wanted, because
        the reference room and the uncertainty of the curve are those of the table.
    at : array_like, optional
        Noise levels, in the unit of the readings, or speeds in rpm; by default 31 from the lowest
        to the highest step of the models, and each model's own ends.
    of : {"airflow", "noise", "speed", "temperature_rise"}
        What the curve shows.
    over : {"noise", "speed"}
        What it runs over.
    bench : Bench
        What is stated about the instruments and the unit-to-unit spread.
    models : str or sequence of str, optional
        Which models; all by default.
    obstruction : str, optional
        Which obstruction; may be left out where there is only one, or none applies.
    probability : float
        Coverage probability of the ranges.
    keep_draws : bool
        Also give the draws behind the ranges.
    draws, rng, background, target, curve, room, pooled
        As in `equal_noise`; `target` matters over noise alone. One root gives the same draws at
        every point.

    Returns
    -------
    xarray.Dataset
        With ``airflow`` standing for the quantity, and a dimension ``level`` or ``speed`` as last:
        ``airflow_value`` (scope, model, ...); ``airflow`` (scope, model, ..., bound), each range
        right at its own point; ``airflow_simultaneous``, the same but right at all points of one
        model's curve at once; ``airflow_ends``, which ends the data do not cover (they are NaN);
        ``airflow_status``, why there is none; ``airflow_multiplier`` (scope, model), what one
        sigma was multiplied by for the simultaneous ranges; with `keep_draws`, ``airflow_draws``
        (scope, model, ..., draw). Over `step`, what was read, levels in the reference room, with
        the coordinates ``step_model``, ``step_unit`` and ``step_usable``.

    Raises
    ------
    FanstatsError
        As `equal_noise` and `equal_speed`, and if a model, quantity or obstruction is not there.

    Notes
    -----
    The simultaneous ranges of one model and scope hold along its whole curve with `probability`;
    they make no allowance for looking at several models or scopes. They are calibrated on the
    points of the grid; between them the curve is smooth. Over noise, and of noise over speed,
    unless `pooled` says otherwise, the uncertainty of the choice of curve is one for the whole
    curve: the root mean square of those at three levels or speeds. Of anything else over speed the
    choice of curve between steps is not considered, and the attribute ``not_considered`` says so.

    References
    ----------
    Montiel Olea, J. L. and Plagborg-Moller, M. (2019), Simultaneous confidence bands: theory,
    implementation, and an application to SVARs, Journal of Applied Econometrics 34, 1-17.

    Examples
    --------
    >>> import fanstats as fs
    >>> band = curve_band(
    ...     fs.demo.readings(), [1400, 1800], of="noise", over="speed", bench=fs.demo.bench(),
    ...     models="Ombrel Sill", draws=200, rng=1)
    >>> band.noise_simultaneous.dims
    ('scope', 'model', 'speed', 'bound')
    """
    fraction("probability", probability)
    sweep = sweep_of(
        readings, of=of, over=over, bench=bench, models=models, obstruction=obstruction,
        draws=draws, rng=rng, background=background, target=target, curve=curve, room=room,
        pooled=pooled,
    )  # fmt: skip
    steps = steps_of(sweep, sweep.models)
    grid = grid_of(sweep, at, steps, argument="at", named_by="models")
    found = list(sweep.along(grid))
    variables = _variables(sweep, found, probability, keep_draws)
    return xr.Dataset(
        {**variables, **{name: steps[name] for name in (f"step_{over}", f"step_{of}")}},
        coords={
            **sweep.coords(grid),
            **{name: steps[name] for name in ("step_model", "step_unit", "step_usable")},
            "scope": list(SCOPES),
            "model": sweep.models,
            "units_tested": ("model", _tested(readings, sweep.models)),
            "bound": ["lower", "upper"],
        },
        attrs={
            **sweep.attrs(),
            "kind": f"{QUANTITIES[of].title} over {'noise level' if over == 'noise' else over}",
            "of": of,
            "over": over,
            "probability": probability,
            "not_considered": "" if "noise" in (of, over) else "choice of curve between steps",
        },
    )


def _variables(
    sweep: Sweep, found: list[AtLevel], probability: float, keep_draws: bool
) -> dict[str, Any]:
    """Give values, ranges, statuses and draws over scope, model and point."""
    value, draws, status, below, above = (
        np.stack(part, axis=2) for part in zip(*found, strict=True)
    )
    ranges = [
        [
            envelope(
                value[place], draws[place], np.stack([below[place], above[place]]), probability
            )
            for place in ((scope, model) for model in range(value.shape[1]))
        ]
        for scope in range(value.shape[0])
    ]
    return _labelled(sweep, value, status, ranges, draws if keep_draws else None, probability)


def _labelled(
    sweep: Sweep,
    value: FloatArray,
    status: NDArray[np.str_],
    ranges: list[list[Envelope]],
    draws: FloatArray | None,
    probability: float,
) -> dict[str, Any]:
    of, dims = sweep.of, ("scope", "model", sweep.dim)
    title = QUANTITIES[of].title
    about = {"units": _units(sweep), "long_name": title}
    own, joint = (np.array([[one[which] for one in row] for row in ranges]) for which in (0, 1))
    ranged = {**about, "long_name": f"range of {title}", "probability": probability}
    whole = {**ranged, "long_name": f"range of {title} over the whole curve at once"}
    factors = np.array([[one.multiplier for one in row] for row in ranges])
    errors = np.array([[one.multiplier_error for one in row] for row in ranges])
    found: dict[str, Any] = {
        f"{of}_value": (dims, value, about),
        of: ((*dims, "bound"), own, ranged),
        f"{of}_simultaneous": ((*dims, "bound"), joint, whole),
        f"{of}_ends": (dims, _ends(value, own), {"long_name": "ends of ranges that are missing"}),
        f"{of}_status": (dims, status.astype(str), {"long_name": f"why {title} is missing"}),
        f"{of}_multiplier": (dims[:2], factors, {
            "units": "1", "long_name": "multiplier of the simultaneous ranges"}),
        f"{of}_multiplier_error": (dims[:2], errors, {
            "units": "1", "long_name": "Monte Carlo standard error of the multiplier"}),
    }  # fmt: skip
    if draws is not None:
        found[f"{of}_draws"] = ((*dims, "draw"), draws, {**about, "long_name": f"draws of {title}"})
    return found


def _units(sweep: Sweep) -> str:
    columns = {"temperature_rise": "temperature"}
    units = str(sweep.readings[columns.get(sweep.of, sweep.of)].attrs.get("units", ""))
    return "K" if sweep.of == "temperature_rise" and units == "degC" else units


def _ends(value: FloatArray, ranges: FloatArray) -> NDArray[np.str_]:
    """Name the ends that are missing beside a value."""
    missing: BoolArray = np.isnan(ranges) & np.isfinite(value)[..., np.newaxis]
    flat = [_MISSING[bool(low), bool(high)] for low, high in missing.reshape(-1, 2)]
    return np.array(flat).reshape(value.shape)


def _tested(readings: xr.Dataset, models: list[str]) -> list[int]:
    model, unit = readings["model"].to_numpy(), readings["unit"].to_numpy()
    return [int(np.unique(unit[model == name]).size) for name in models]
