"""Estimates with a known truth: from readings of exact power laws, or made without readings."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
import xarray as xr

import fanstats as fs
from fanstats.sources import Bench, Instrument, Source, UnitSpread, standard

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
    """Make estimates at equal noise from chosen values, errors and spread, without readings.

    They rest on no answer, so nothing can be asked again: for that take `benched`.

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
    }
    coords = {
        "scope": SCOPES,
        "model": names,
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


# Through readings ---------------------------------------------------------------------------------

REFERENCE_SPEED = 900.0
_STEP = 2.0  # dB from one step of a sweep to the next


def benched(
    values: Mapping[str, float | Mapping[str, float]],
    *,
    quantity: str = "airflow",
    slope: float | Sequence[float] | None = None,
    shared: float = 0.0,
    own: float = 0.01,
    mounting: float = 0.0,
    noise_spread: Source | float | None = 0.8,
    airflow_spread: Source | float | None = 0.02,
    temperature_spread: Source | float | None = None,
    correlation: float = 0.0,
    units_tested: int | Sequence[int] = 1,
    level: float = 33.0,
    room: float = -10.0,
    below: float | Sequence[float] = 20.0,
    above: float | Sequence[float] = 20.0,
    draws: int = 10_000,
    root: int = 7,
) -> xr.Dataset:
    """Make estimates with a known truth through readings: exact power laws, `units_tested` alike.

    `equal_noise` reads ``"airflow"`` or ``"temperature_rise"`` off at `level`, `equal_speed` reads
    ``"noise"`` off at 900 rpm. Readings and bench come from `power_law_readings` and `plain_bench`,
    which take the same arguments.

    Parameters
    ----------
    values : mapping
        Result of every tested unit, in m/s, K or dBA; by obstruction where there are several.
    slope : float or one a model
        What a dB of noise luck moves the result by: ln m/s (0.04 unless stated) or K (-0.5).
    shared, own, mounting : float
        Standard uncertainties of the instrument that reads the quantity: common to all models,
        one a model, and one a sitting (so one a unit). Relative for airflow, K or dB else.
    noise_spread, airflow_spread, temperature_spread : Source, float or None
        Unit-to-unit spread: dB, relative, K. None: nobody stated it.
    below, above : float or one a model, a multiple of 2
        How many dB the sweep reaches down and up from the operating point.
    room : float
        Level of the room, read without error. `level` includes it.

    Notes
    -----
    With `v` a value, `s` its slope, and normal numbers `a` (shared), `m` (one a model), `p` (one a
    unit), `e` dB and `f` (luck of a unit, relative), `e'` and `f'` (luck of the one bought next):

    - airflow: the tested units give the mean of ``v (1 + a)(1 + m)(1 + p)``, the model the mean of
      ``v (1 + a)(1 + m)(1 + p) exp(s e) / (1 + f)``, and the next unit that times
      ``exp(-s e') (1 + f')``, while the luck stays within the sweep. So, in logarithms and to
      first order, the variance of a difference of two models with ``n1`` and ``n2`` units is
      ``2 own**2 + (mounting**2 + s**2 noise**2 + airflow**2 - 2 rho s noise airflow)
      (1 / n1 + 1 / n2)``; for the next units the luck counts with ``1 / n1 + 1 / n2 + 2``. Noise
      luck alone is exactly lognormal.
    - temperature rise: the same as a sum, ``v + m + p + s e - t``, `t` K being the luck in the
      rise at a given speed, which goes in step with nothing.
    - noise at equal speed: ``v + a + m + p - e``, and ``+ e'`` for the next unit.
    """
    readings = power_law_readings(
        values, quantity=quantity, slope=slope, units_tested=units_tested, level=level, room=room,
        below=below, above=above,
    )  # fmt: skip
    bench = plain_bench(
        quantity=quantity, shared=shared, own=own, mounting=mounting, noise_spread=noise_spread,
        airflow_spread=airflow_spread, temperature_spread=temperature_spread,
        correlation=correlation,
    )  # fmt: skip
    if quantity == "noise":
        return fs.equal_speed(readings, REFERENCE_SPEED, bench=bench, draws=draws, rng=root)
    made = fs.equal_noise(readings, level, bench=bench, draws=draws, rng=root)
    return made.drop_vars([name for name in made.data_vars if str(name).startswith("speed")])


def power_law_readings(
    values: Mapping[str, float | Mapping[str, float]],
    *,
    quantity: str = "airflow",
    slope: float | Sequence[float] | None = None,
    units_tested: int | Sequence[int] = 1,
    level: float = 33.0,
    room: float = -10.0,
    below: float | Sequence[float] = 20.0,
    above: float | Sequence[float] = 20.0,
) -> xr.Dataset:
    """Read invented sweeps that are exact power laws; arguments as in `benched`."""
    count = len(values)
    slopes = _per_model({"temperature_rise": -0.5}.get(quantity, 0.04) if slope is None else slope,
                        count)  # fmt: skip
    tested = _per_model(units_tested, count).astype(int)
    ends = zip(_per_model(below, count), _per_model(above, count), strict=True)
    rows = []
    for (model, value), rate, units, (down, up) in zip(
        values.items(), slopes, tested, ends, strict=True
    ):
        luck = np.arange(-down, up + _STEP / 2, _STEP)
        for unit in range(1, units + 1):
            rows += _sweep(model, str(unit), value, quantity, rate, luck, level, room)
    return fs.read_readings(pd.DataFrame(rows))


def _sweep(model, unit, value, quantity, slope, luck, level, room):
    """Give the rows of one unit: steps at which the fan alone is louder by so many dB."""
    decade = np.log(10.0) / (slope if quantity == "airflow" else 0.04)
    alone = _energy(value if quantity == "noise" else level, room, -1)
    rows = []
    for step in luck:
        row = {
            "model": model,
            "unit": unit,
            "session": "day",
            "speed [rpm]": REFERENCE_SPEED * 10 ** (step / decade),
            "noise [dBA]": _energy(alone + step, room),
            "background [dBA]": room,
        }
        read = value if isinstance(value, Mapping) else {"": value}
        for behind, number in read.items():
            if quantity == "airflow":
                row[f"airflow {behind} [m/s]".replace("  ", " ")] = number * np.exp(slope * step)
            elif quantity == "temperature_rise":
                row |= {"temperature [degC]": 20.0 + number + slope * step, "ambient [degC]": 20.0}
        rows.append(row)
    return rows


def _energy(level, other, sign=1):
    return 10 * np.log10(10 ** (level / 10) + sign * 10 ** (other / 10))


def plain_bench(
    *,
    quantity: str = "airflow",
    shared: float = 0.0,
    own: float = 0.01,
    mounting: float = 0.0,
    noise_spread: Source | float | None = 0.8,
    airflow_spread: Source | float | None = 0.02,
    temperature_spread: Source | float | None = None,
    correlation: float = 0.0,
) -> Bench:
    """State a bench of one instrument with errors; arguments as in `benched`."""
    relative = quantity == "airflow"
    errors = Instrument(
        shared=standard(shared, relative=relative), session=[],
        sitting=standard(mounting, relative=relative), model=standard(own, relative=relative),
        reading=[],
    )  # fmt: skip
    exact = Instrument(shared=[], session=[], sitting=[], model=[], reading=[])
    fields = dict.fromkeys(("noise", "background", "speed", "airflow", "temperature", "ambient"),
                           exact)  # fmt: skip
    fields[{"temperature_rise": "temperature"}.get(quantity, quantity)] = errors
    if quantity == "noise":
        del fields["background"]  # read with the same meter
    spread = UnitSpread(
        noise=_stated(noise_spread), airflow=_stated(airflow_spread, relative=True),
        speed=0, temperature=_stated(temperature_spread), correlation=correlation,
    )  # fmt: skip
    return Bench(**fields, spread=spread)


def _stated(spread, relative=False):
    given = isinstance(spread, (int, float))
    return standard(float(spread), relative=relative) if given else spread
