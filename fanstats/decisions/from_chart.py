"""Numbers off a published chart, made into estimates like any other."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import pandas as pd

from fanstats._arguments import number
from fanstats.errors import FanstatsError, one_of
from fanstats.face import equal_drive, equal_noise, equal_speed
from fanstats.loading.readings import read_readings

if TYPE_CHECKING:
    import xarray as xr

    from fanstats._typing import SeedLike
    from fanstats.engine.question import Background, Target
    from fanstats.sources import Bench

    Values = (
        Mapping[str, float | str]
        | Mapping[str, Mapping[str, float | str | None]]
        | pd.Series[Any]
        | pd.DataFrame
    )

__all__ = ["from_chart"]

_HEADERS = {"airflow": "airflow", "noise": "noise", "temperature_rise": "temperature"}


def from_chart(
    values: Values,
    *,
    quantity: Literal["airflow", "noise", "temperature_rise"],
    units: str,
    bench: Bench,
    level: float | None = None,
    drive: float | None = None,
    speed: float | None = None,
    drive_units: Literal["V", "%"] = "V",
    noise_units: str = "dBA",
    slope: float | tuple[float, float] | Literal["fan laws"] = "fan laws",
    room: float | None = None,
    samples: int | Mapping[str, int] = 1,
    chart: str = "chart",
    rig: str = "",
    draws: int = 10_000,
    rng: SeedLike = None,
    background: Background = "included",
    target: Target = "as read",
) -> xr.Dataset:
    """Turn one number a model off a chart into estimates with uncertainty.

    Parameters
    ----------
    values : mapping, Series or DataFrame
        ``{model: value}``, or ``{model: {obstruction: value}}``; a Series by model, or a DataFrame
        with a row a model and a column an obstruction. A value may be text that carries its own
        uncertainty: ``"412(6)"`` or ``"412 +/- 10"``. None or NaN behind an obstruction that a
        model was not tested with.
    quantity : {"airflow", "noise", "temperature_rise"}
        What the numbers are.
    units : str
        Their unit.
    bench : Bench
        What is stated about the instruments behind the chart, and the unit-to-unit spread. Its
        known corrections are not made: numbers and axes of a chart are taken as corrected.
    level, drive, speed : float
        What was held equal: a noise level, a drive, or a speed. Exactly one of them.
    drive_units : {"V", "%"}
        Unit of `drive`.
    noise_units : str
        Unit of `level`.
    slope : "fan laws", float or (float, float)
        How the level of the fan alone rises, dB a decade of speed, and its standard uncertainty:
        noise luck acts through it. "fan laws" is 50 lg N with an uncertainty of 5.8; `pooled_slope`
        gives that of models you swept.
    room : float, optional
        Room noise behind a chart at equal noise. Without it errors of the noise reading count as
        far from the room.
    samples : int or mapping of str to int
        Samples behind each number; 1 where a mapping does not name a model.
    chart : str
        Name of the chart: it labels the session that all numbers come from.
    rig : str
        Name of the bench behind the chart, where it is not the one of your other readings. Charts
        of other rigs share neither a meter nor samples with them, whatever the root.
    draws, rng, background, target
        As in `equal_noise`.

    Returns
    -------
    xarray.Dataset
        As `equal_noise`, `equal_drive` or `equal_speed` give, with ``kind`` "chart" behind it in
        the attribute ``source``.

    Raises
    ------
    FanstatsError
        If not exactly one of `level`, `drive` and `speed` is given, the quantity is the one held
        equal, or values are no numbers.

    Notes
    -----
    One point has no slope, but noise luck acts only through one: with a unit ``e`` dB noisier than
    its model at a given speed, the typical unit runs faster by ``10 ** (e / slope)`` at the same
    noise and, airflow going with speed, moves that much more air.

    Examples
    --------
    >>> import fanstats as fs
    >>> spread = fs.UnitSpread(noise=fs.standard(0.8), airflow=fs.standard("2 %"))
    >>> estimates = fs.from_chart(
    ...     {"A": 412, "B": 398},
    ...     quantity="airflow",
    ...     units="fpm",
    ...     level=36,
    ...     bench=fs.Bench(spread=spread),
    ...     rng=1,
    ... )
    >>> fs.compare(estimates, "A", "B", quantity="airflow").verdict
    'open'

    A handful of lines takes a published ranking to a checked one:

    >>> published = {"A": 430, "B": 421, "C": 398, "D": 340, "E": 268}  # fpm, at 36 dBA
    >>> checked = fs.rank(
    ...     fs.from_chart(published, quantity="airflow", units="fpm", level=36, rng=1,
    ...                   bench=fs.Bench(spread=spread)),
    ...     quantity="airflow")
    >>> [tuple(row) for row in checked.table[["model", "rank_low", "rank_high"]].values]
    [('A', 1, 3), ('B', 1, 3), ('C', 1, 3), ('D', 4, 4), ('E', 5, 5)]
    """
    one_of("quantity", quantity, list(_HEADERS))
    said = {"level": level, "drive": drive, "speed": speed}
    held = {name: None if value is None else number(name, value) for name, value in said.items()}
    room = None if room is None else number("room", room)
    given = [name for name, value in held.items() if value is not None]
    if len(given) != 1:
        msg = f"exactly one of `level`, `drive` and `speed` says what was equal; got {given}."
        raise FanstatsError(msg)
    if quantity == "noise" and level is not None:
        msg = "`quantity` noise cannot be what was held equal; give `drive` or `speed`."
        raise FanstatsError(msg)
    bench = bench.without_corrections()  # what is published is corrected, or its axis would not be
    table = _table(values, quantity, units, held, drive_units, noise_units, room, samples, chart,
                   rig)  # fmt: skip
    readings = read_readings(table)
    if slope == "fan laws":
        stated: float | tuple[float, float] | None = None
    else:
        stated = slope
    if level is not None:
        estimates = equal_noise(readings, level, bench=bench, draws=draws, rng=rng, slope=stated,
                                background=background, target=target)  # fmt: skip
    elif drive is not None:
        estimates = equal_drive(readings, drive, bench=bench, units=drive_units, draws=draws,
                                rng=rng, background=background, slope=stated)  # fmt: skip
    else:
        assert speed is not None
        estimates = equal_speed(readings, speed, bench=bench, draws=draws, rng=rng,
                                background=background, slope=stated)  # fmt: skip
    return estimates.assign_attrs(source=f"numbers off {chart!r}")


def _table(
    values: Values,
    quantity: str,
    units: str,
    held: Mapping[str, float | None],
    drive_units: str,
    noise_units: str,
    room: float | None,
    samples: int | Mapping[str, int],
    chart: str,
    rig: str,
) -> pd.DataFrame:
    by_model = _by_model(values)
    rows = []
    _check_names([str(model) for model in by_model])
    for model, value in by_model.items():
        places = value if isinstance(value, Mapping) else {"": value}
        for unit in range(1, _samples(samples, str(model)) + 1):
            row: dict[str, object] = {"model": str(model), "unit": str(unit), "session": chart}
            if rig:
                row |= {"rig": rig, "unit": f"{unit} ({rig})"}
            if held["level"] is not None:
                row[f"noise [{noise_units}]"] = held["level"]
            if held["drive"] is not None:
                row[f"drive [{drive_units}]"] = held["drive"]
            if held["speed"] is not None:
                row["speed [rpm]"] = held["speed"]
            if room is not None:
                row[f"background [{noise_units}]"] = room
            for place, told in places.items():
                header = _header(quantity, str(place), units)
                row[header] = np.nan if _is_missing(told, places) else _number(told, str(model))
                if quantity == "temperature_rise":
                    row[f"ambient [{_scale(units)}]"] = 0.0
            rows.append(row)
    return pd.DataFrame(rows)


def _check_names(models: list[str]) -> None:
    """Refuse two values of one model: a table would take them for repeats."""
    seen: dict[str, str] = {}
    for model in models:
        first = seen.setdefault(" ".join(model.split()), model)
        if first != model:
            msg = f"`values` must have one value a model; {first!r} and {model!r} are one name."
            raise FanstatsError(msg)


def _by_model(values: object) -> Mapping[Any, Any]:
    """Give the values of a mapping, Series or DataFrame by model."""
    if isinstance(values, (pd.Series, pd.DataFrame)) and len(values):
        twice = values.index[values.index.duplicated()]
        if len(twice):
            msg = f"`values` must have one row a model; got {twice[0]!r} more than once."
            raise FanstatsError(msg)
        if isinstance(values, pd.Series):
            return dict(values.items())
        return {model: dict(row.items()) for model, row in values.iterrows()}
    if isinstance(values, Mapping) and len(values):
        return values
    msg = f"`values` must be a mapping of model to value; got {type(values).__name__}."
    raise FanstatsError(msg)


def _is_missing(number: object, places: Mapping[Any, Any]) -> bool:
    """Whether a model was not tested here, but was behind another obstruction."""
    return _is_gap(number) and not all(_is_gap(other) for other in places.values())


def _is_gap(number: object) -> bool:
    return number is None or (isinstance(number, (float, np.floating)) and bool(np.isnan(number)))


def _scale(units: str) -> str:
    """Give the scale to read a rise in, as a temperature over an ambient of 0."""
    return "degC" if units == "K" else units


def _header(quantity: str, place: str, units: str) -> str:
    shown = _scale(units) if quantity == "temperature_rise" else units
    return f"{_HEADERS[quantity]} {place}".strip() + f" [{shown}]"


def _number(value: object, model: str) -> object:
    if isinstance(value, str):
        return value  # read as a cell of a table, with its own uncertainty
    if isinstance(value, (int, float, np.integer, np.floating)) and not isinstance(value, bool):
        with contextlib.suppress(OverflowError):
            return float(value)
    msg = f"`values` must be numbers or text such as '412(6)'; got {value!r} for {model!r}."
    raise FanstatsError(msg)


def _samples(samples: int | Mapping[str, int], model: str) -> int:
    count: object = samples.get(model, 1) if isinstance(samples, Mapping) else samples
    if isinstance(count, bool) or not isinstance(count, (int, np.integer)) or count < 1:
        msg = f"`samples` must be whole numbers of at least 1; got {count!r} for {model!r}."
        raise FanstatsError(msg)
    return int(count)
