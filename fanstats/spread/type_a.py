"""Repeatability from repeated readings: pooled, tested for equal scatter, put into a bench."""

from __future__ import annotations

import math
import warnings
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final, NamedTuple, get_args

import numpy as np
import pandas as pd
from scipy import stats

from fanstats._arguments import number
from fanstats._typing import FloatArray
from fanstats.engine.sittings import sittings_of
from fanstats.errors import FanstatsError, FanstatsWarning
from fanstats.loading.corrections import corrected
from fanstats.sources import Bench, Instrument, Source
from fanstats.spread.measured_bench import with_repeats
from fanstats.spread.repeats import Quantity, pooled_repeats, reads_relative

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    import xarray as xr

    from fanstats.engine.sittings import Sitting

__all__ = ["equal_scatter", "repeatability", "with_repeatability"]

_QUANTITIES: Final[tuple[Quantity, ...]] = get_args(Quantity)
# Policy: below this many degrees of freedom a measured scatter replaces no stated one. At five
# the pooled figure is right within a factor of 0.6 to 2.5, 95 times in 100.
_AT_LEAST: Final = 5.0
# Policy: the usual 5 %, shared by the two tests made of each quantity.
_ALPHA: Final = 0.05 / 2.0
_COLUMNS: Final = (
    "quantity",
    "units",
    "standard",
    "relative",
    "dof",
    "cells",
    "readings",
    "p_models",
    "p_levels",
    "equal_scatter",
    "status",
)


def repeatability(readings: xr.Dataset) -> pd.DataFrame:
    """Pool the scatter of readings repeated without touching the fan.

    Parameters
    ----------
    readings : xarray.Dataset
        From `read_readings`; rows of one key are repeats.

    Returns
    -------
    DataFrame
        A row a quantity: `standard` (of one reading, in `units`), `relative` (the same as a
        fraction of the reading; NaN for levels and temperatures), `dof`, `cells` repeated and
        `readings` in them, `p_models` and `p_levels` (p values of equal scatter between models,
        and between low, middle and high readings; NaN where they cannot be tested),
        `equal_scatter` and `status`: why there is no figure, or what to know about it. Noise
        behind an obstruction counts as noise. A single reading has no Type A scatter: it is
        missing, not 0.

    Raises
    ------
    FanstatsError
        If `readings` is no Dataset of readings.

    References
    ----------
    JCGM 100:2008, 4.2.2 and 4.2.4 (pooled estimate); Bartlett, Proc. R. Soc. A 160 (1937) 268-282
    (equal variances).

    Examples
    --------
    >>> import pandas as pd
    >>> import fanstats as fs
    >>> table = pd.DataFrame({"model": ["A"] * 5, "drive [V]": [5, 5, 7, 7, 7],
    ...                       "noise [dBA]": [30.0, 30.4, 34.1, 34.2, 34.3]})
    >>> found = repeatability(fs.read_readings(table)).set_index("quantity").loc["noise"]
    >>> f"{found.standard:.3f} dBA on {found.dof:g} degrees of freedom"
    '0.183 dBA on 3 degrees of freedom'
    """
    sittings = list(sittings_of(readings))
    rows = [
        _row(quantity, sittings, str(readings[quantity].attrs.get("units", "")))
        for quantity in _QUANTITIES
        if quantity in readings
    ]
    return pd.DataFrame(rows, columns=list(_COLUMNS))


class _Repeated(NamedTuple):
    """Cells that were read more than once."""

    squares: FloatArray
    dof: FloatArray
    means: FloatArray
    models: list[str]


def _repeated(quantity: str, sittings: Sequence[Sitting]) -> _Repeated:
    squares: list[float] = []
    dof: list[float] = []
    means: list[float] = []
    models: list[str] = []
    for sitting in sittings:
        for (name, _), cells in sitting.channels.items():
            if name.removesuffix("_obstructed") == quantity:
                again = cells.repeats > 1
                squares += cells.squares[again].tolist()
                dof += (cells.repeats[again] - 1.0).tolist()
                means += cells.values[again].tolist()
                models += [sitting.model] * int(again.sum())
    return _Repeated(np.array(squares), np.array(dof), np.array(means), models)


def _row(quantity: Quantity, sittings: Sequence[Sitting], units: str) -> dict[str, Any]:
    cells = _repeated(quantity, sittings)
    pooled = pooled_repeats(quantity, sittings)
    row: dict[str, Any] = {
        "quantity": quantity,
        "units": units,
        "standard": math.sqrt(pooled.mean_square) if pooled.dof else math.nan,
        "relative": math.nan,
        "dof": pooled.dof,
        "cells": cells.dof.size,
        "readings": int((cells.dof + 1).sum()),
        "p_models": math.nan,
        "p_levels": math.nan,
        "equal_scatter": True,
        "status": "",
    }
    if not pooled.dof:
        return row | {"status": "no repeated readings: Type A scatter is unknown, not 0"}
    ratio = quantity in ("airflow", "speed")
    if ratio:
        row["relative"] = math.sqrt(pooled_repeats(quantity, sittings, relative=True).mean_square)
    if pooled.mean_square == 0:
        return row | {"status": "all repeats read alike: the scatter is below the display's step"}
    # Airflow scatters in proportion to itself, so equal is meant as a fraction there.
    scale = np.square(cells.means) if quantity == "airflow" else np.ones(cells.dof.size)
    squares = cells.squares / scale
    row["p_models"] = equal_scatter(
        *_by(squares, cells.dof, np.unique(cells.models, return_inverse=True)[1])
    )
    row["p_levels"] = equal_scatter(*_by(squares, cells.dof, _thirds(cells.means)))
    return row | _judged(row)


def _by(squares: FloatArray, dof: FloatArray, group: np.ndarray) -> tuple[FloatArray, FloatArray]:
    return (
        np.bincount(group, squares).astype(np.float64),
        np.bincount(group, dof).astype(np.float64),
    )


def _thirds(means: FloatArray) -> np.ndarray:
    limits = np.quantile(means, [1.0 / 3.0, 2.0 / 3.0])
    return np.unique(np.searchsorted(limits, means), return_inverse=True)[1]


def _judged(row: dict[str, Any]) -> dict[str, Any]:
    told = [
        f"scatter differs between {what} (p = {row[column]:.2g}): the pooled figure is too small "
        "for some and too large for others"
        for column, what in (("p_models", "models"), ("p_levels", "low and high readings"))
        if row[column] < _ALPHA
    ]
    return {"equal_scatter": not told, "status": "; ".join(told)}


def equal_scatter(squares: FloatArray, dof: FloatArray) -> float:
    """Give the p value of equal variances behind pooled sums of squares.

    Parameters
    ----------
    squares : ndarray, shape (group,)
        Sums of squared deviations.
    dof : ndarray, shape (group,)
        Their degrees of freedom.

    Returns
    -------
    float
        NaN with fewer than two groups of at least two degrees of freedom: one pair tells nothing
        of its own scatter, and its normal approximation is rough.

    Notes
    -----
    Bartlett's test sees nothing of a sample but its variance and size, so it is handed samples
    that have just these. It supposes normal scatter.

    Examples
    --------
    >>> round(equal_scatter(np.array([0.4, 8.0]), np.array([10.0, 20.0])), 4)
    0.0006
    """
    known = dof >= 2
    if known.sum() < 2 or not (squares[known] > 0).any():
        return math.nan
    if (squares[known] == 0).any():
        # No scatter at all is rounding; the smallest other stands in, which can only hide a gap.
        mean = squares[known] / dof[known]
        mean = np.where(mean > 0, mean, mean[mean > 0].min())
        squares = np.where(known, squares, 0.0)
        squares[known] = mean * dof[known]
    pairs = zip(squares[known], dof[known], strict=True)
    return float(stats.bartlett(*(_sample(total, int(nu)) for total, nu in pairs)).pvalue)


def _sample(squares: float, dof: int) -> FloatArray:
    """Make a sample with the given sum of squared deviations and degrees of freedom."""
    sample = np.zeros(dof + 1)
    sample[:2] = math.sqrt(squares / 2.0) * np.array([1.0, -1.0])
    return sample


def with_repeatability(readings: xr.Dataset, bench: Bench, *, at_least: float = _AT_LEAST) -> Bench:
    """Put the measured scatter of readings in place of the stated one.

    Parameters
    ----------
    readings : xarray.Dataset
        From `read_readings`.
    bench : Bench
        What was stated.
    at_least : float
        Degrees of freedom that a measured scatter needs; with fewer the stated one stays.

    Returns
    -------
    Bench
        In the ``reading`` errors of every quantity with enough repeats, the ``standard`` sources
        are replaced by one named "repeats" with its degrees of freedom: one estimate, so one draw
        of how wrong it is for all readings. Half widths of displays stay. Sources without a name
        are given their place as one, so that their draws stay theirs. Instruments of single rigs
        are measured by the readings of their rigs. Which figure is used, and how the test of equal
        scatter went, stands in `describe` and in the attributes of every result.

    Raises
    ------
    FanstatsError
        If an argument is none of its kind.

    Warns
    -----
    FanstatsWarning
        Naming every quantity whose stated scatter stays, or whose scatter is not the same
        everywhere, and why.

    Notes
    -----
    Repeats that all read alike say only that the scatter is below the display's step: the stated
    one stays then too.

    References
    ----------
    JCGM 100:2008, 4.2.4; Bartlett, Proc. R. Soc. A 160 (1937) 268-282.

    Examples
    --------
    >>> import pandas as pd
    >>> import fanstats as fs
    >>> table = pd.DataFrame({"model": ["A"] * 6, "drive [V]": [5, 5, 5, 7, 7, 7],
    ...                       "noise [dBA]": [30.0, 30.4, 30.2, 34.1, 34.2, 34.3]})
    >>> bench = fs.Bench(noise=fs.Instrument(reading=[fs.half_width(0.05), fs.standard(0.3)]))
    >>> measured = with_repeatability(fs.read_readings(table), bench, at_least=4)
    >>> [source.stated for source in measured.noise.reading]
    ['±0.05', 's = 0.16 dBA measured (4 degrees of freedom)']
    """
    number("at_least", at_least, above=0)
    stated: object = bench
    if not isinstance(stated, Bench):
        msg = f"`bench` must be a Bench (see read_bench); got {type(stated).__name__}."
        raise FanstatsError(msg)
    readings = corrected(readings, bench)
    notes: list[str] = []
    for quantity in _QUANTITIES:
        if quantity in readings:
            for rig, part in _by_instrument(readings, bench, quantity):
                instrument, told = _measured(part, bench.on(rig).instrument(quantity), quantity,
                                             at_least)  # fmt: skip
                notes += [f"{quantity}{f' on rig {rig}' if rig else ''}: {text}" for text in told]
                bench = _with_instrument(bench, rig, quantity, instrument)
    if notes:
        warnings.warn(f"Repeats: {'. '.join(notes)}.", FanstatsWarning, stacklevel=2)
    return bench


def _by_instrument(
    readings: xr.Dataset, bench: Bench, quantity: str
) -> Iterator[tuple[str, xr.Dataset]]:
    """Go through rigs with an instrument of their own, and the readings of all others together."""
    own = [rig for rig, instruments in bench.rigs.items() if quantity in instruments]
    if not own or "rig" not in readings.coords:
        yield "", readings
        return
    rigs = readings["rig"].to_numpy().astype(str)
    for rig in own:
        if (rigs == rig).any():
            yield rig, readings.isel(row=rigs == rig)
    if not np.isin(rigs, own).all():
        yield "", readings.isel(row=~np.isin(rigs, own))


def _measured(
    readings: xr.Dataset, instrument: Instrument | None, quantity: Quantity, at_least: float
) -> tuple[Instrument | None, list[str]]:
    """Give the instrument with its measured scatter, and what a reader is to be told."""
    sittings = list(sittings_of(readings))
    row = _row(quantity, sittings, str(readings[quantity].attrs.get("units", "")))
    why = _too_little(row, at_least)
    if why:
        kept = _stated_scatter(instrument)
        if instrument is None or not kept:
            return instrument, []
        return _told(instrument, f"the stated one: {why}"), [f"{why}; the stated {kept} stays"]
    named = _named(instrument) if instrument is not None else Instrument()
    fields: dict[str, Any] = {quantity: named}
    pooled = pooled_repeats(quantity, sittings, relative=reads_relative(quantity, instrument))
    found = with_repeats(Bench(**fields), quantity, pooled).instrument(quantity)
    assert found is not None
    found = _told(found, _tested(row), measured=True, units=str(row["units"]))
    return found, [] if row["equal_scatter"] else [str(row["status"])]


def _told(
    instrument: Instrument, about: str, *, measured: bool = False, units: str = ""
) -> Instrument:
    """Write beside the scatter of readings where it comes from, and its unit where it has one."""
    sources = []
    for source in instrument.at("reading"):
        if not _is_scatter(source):
            sources.append(source)
            continue
        told = replace(source, about=about, measured=measured)
        if measured and source.absolute and source.units is None and units:
            stated = source.stated.replace(" measured", f" {units} measured")
            told = replace(told, units=units, stated=stated)
        sources.append(told)
    return replace(instrument, reading=sources)


def _is_scatter(source: Source) -> bool:
    return source.kind == "standard" and not source.is_zero


def _tested(row: Mapping[str, Any]) -> str:
    """Say how the test of equal scatter went."""
    if not row["equal_scatter"]:
        return str(row["status"])
    known = [
        f"{row[column]:.2g} between {what}"
        for column, what in (("p_models", "models"), ("p_levels", "low and high readings"))
        if not math.isnan(row[column])
    ]
    if not known:
        return "too few repeats to test whether all scatter alike"
    return f"no sign of unequal scatter: p = {' and '.join(known)}, Bartlett"


def _with_instrument(bench: Bench, rig: str, quantity: str, instrument: Instrument | None) -> Bench:
    if instrument is None or instrument is bench.on(rig).instrument(quantity):
        return bench
    if not rig:
        fields: dict[str, Any] = {quantity: instrument}
        return replace(bench, **fields)
    return replace(bench, rigs={**bench.rigs, rig: {**bench.rigs[rig], quantity: instrument}})


def _too_little(row: Mapping[str, Any], at_least: float) -> str:
    if not row["dof"]:
        return "no repeated readings"
    if row["dof"] < at_least:
        return f"{row['dof']:g} degrees of freedom of repeats, {at_least:g} wanted"
    return str(row["status"]) if row["standard"] == 0 else ""


def _stated_scatter(instrument: Instrument | None) -> str:
    sources: tuple[Source, ...] = instrument.at("reading") if instrument is not None else ()
    return " and ".join(s.stated for s in sources if _is_scatter(s))


def _named(instrument: Instrument) -> Instrument:
    """Give reading errors without a name their place as one."""
    stated = instrument.reading
    if stated is None:
        return instrument
    sources = [
        source if source.name is not None else replace(source, name=str(place + 1))
        for place, source in enumerate(instrument.at("reading"))
    ]
    return replace(instrument, reading=sources)
