"""Estimates with a known truth, made without readings: for tests of what is decided from them."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence

import numpy as np
import xarray as xr

SCOPES = ["tested unit", "model", "next unit"]


def _per_model(given, count):
    return np.broadcast_to(np.asarray(given, dtype=float), count)


def make_estimates(
    values: Mapping[str, float],
    *,
    quantity: str = "airflow",
    units: str = "fpm",
    relative: bool = True,
    shared: float = 0.0,
    own: float | Sequence[float] = 0.01,
    noise_spread: float | None = 0.8,
    airflow_spread: float | None = 0.02,
    slope: float | Sequence[float] = 0.04,
    units_tested: int | Sequence[int] = 1,
    obstructions: Sequence[str] | None = None,
    obstruction_factors: Sequence[float] | None = None,
    level: float = 36.0,
    draws: int = 10_000,
    root: int = 7,
    statuses: Mapping[str, str] | None = None,
) -> xr.Dataset:
    """Make estimates at equal noise from chosen values, errors and spread.

    Parameters
    ----------
    values : mapping of str to float
        Estimate of every model; NaN for a model without one.
    relative : bool
        Whether errors, spread and slope are relative (airflow, speed) or absolute (noise).
    shared, own : float
        Standard uncertainties: common to all models, and each model's own.
    noise_spread, airflow_spread : float or None
        Unit-to-unit spread: of noise in dB, and of the quantity itself. None: nobody stated it.
    slope : float
        Change of the quantity per dB of noise luck.
    """
    names = list(values)
    count = len(names)
    rng = np.random.default_rng(root)
    centre = np.array(list(values.values()), dtype=float)
    slopes, tested = _per_model(slope, count), _per_model(units_tested, count)
    size = (count, draws)

    def luck(spread, shape):
        return (0.0 if spread is None else spread) * rng.standard_normal(shape)

    measured = shared * rng.standard_normal(draws) + (
        _per_model(own, count)[:, None] * rng.standard_normal(size)
    )
    root_n = np.sqrt(tested)[:, None]
    e_old, f_old = luck(noise_spread, size) / root_n, luck(airflow_spread, size) / root_n
    e_new, f_new = luck(noise_spread, size), luck(airflow_spread, size)
    known = noise_spread is not None and airflow_spread is not None
    typical = measured + slopes[:, None] * e_old - f_old
    bought = typical - slopes[:, None] * e_new + f_new
    errors = np.stack([measured, typical, bought])
    factors = np.ones(1) if obstruction_factors is None else np.asarray(obstruction_factors)
    if obstructions is not None and obstruction_factors is None:
        factors = np.ones(len(obstructions))

    value = np.broadcast_to(centre, (3, count)).copy()
    drawn = centre[:, None] * np.exp(errors) if relative else centre[:, None] + errors
    if not known:
        drawn[1:] = np.nan
        value[1:] = np.nan
    drawn[np.isnan(value)] = np.nan
    steps = np.arange(-6.0, 6.01, 0.5)
    change = slopes[:, None] * steps
    response = centre[:, None] * np.exp(change) if relative else centre[:, None] + change
    status = np.full((3, count), "", dtype=object)
    if not known:
        status[1:] = (
            "spread not stated: noise" if noise_spread is None else "spread not stated: airflow"
        )
    for name, text in (statuses or {}).items():
        status[:, names.index(name)] = text

    extra = () if obstructions is None else ("obstruction",)

    def behind(array, last=()):
        """Repeat an array behind every obstruction, with the dimension after `model`."""
        if obstructions is None:
            return array
        axis = array.ndim - len(last)
        copies = [array * factor if array.dtype != object else array for factor in factors]
        return np.stack(copies, axis=axis)

    data = {
        quantity: (("scope", "model", *extra, "draw"), behind(drawn, ("draw",)), {"units": units}),
        f"{quantity}_value": (("scope", "model", *extra), behind(value), {"units": units}),
        f"{quantity}_status": (("scope", "model", *extra), behind(status).astype(str)),
        f"{quantity}_share_below": (("scope", "model", *extra), behind(np.zeros((3, count)))),
        f"{quantity}_share_above": (("scope", "model", *extra), behind(np.zeros((3, count)))),
        f"{quantity}_by_luck": (("model", *extra, "luck"), behind(response, ("luck",))),
    }
    coords = {
        "scope": SCOPES,
        "model": names,
        "luck": ("luck", steps, {"units": "dB"}),
        "units_tested": ("model", tested.astype(int)),
        "readings_behind": ("model", 5 * tested.astype(int)),
        "status": ("model", [(statuses or {}).get(name, "") for name in names]),
        "root": str(root),
    }
    if obstructions is not None:
        coords["obstruction"] = list(obstructions)

    def stated(spread):
        if spread is None:
            return None
        return {"stated": f"{spread}", "standard": spread, "dof": None}

    attrs = {
        "kind": "equal noise",
        "level": float(level),
        "level_units": "dBA",
        "background": "included",
        "target": "as read",
        "curve": "smooth",
        "draws": draws,
        "models": json.dumps(names),
        "assumptions": json.dumps(["samples scatter normally about their model"]),
        "not_considered": json.dumps(["airflow: session errors not stated"]),
        "measured": json.dumps([]),
        "spread": json.dumps({"noise": stated(noise_spread), "airflow": stated(airflow_spread)}),
    }
    return xr.Dataset(data, coords=coords, attrs=attrs)
