"""Where a fan starts, stops and tops out, with the steps of the sweep as resolution."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final, Literal, NamedTuple

import numpy as np
import pandas as pd

from fanstats._typing import BoolArray, FloatArray
from fanstats.engine.ledger import reading_uncertainty
from fanstats.engine.sittings import Sitting, sittings_of
from fanstats.errors import FanstatsError
from fanstats.loading.corrections import corrected
from fanstats.sources import Bench, Source
from fanstats.spread.rated_range import set_against_rating

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import xarray as xr

__all__ = ["control_range"]

_COLUMNS: Final = ("model", "unit", "quantity", "value", "low", "high", "u", "units", "status")
_NO_DIRECTION: Final = "nobody noted which way the drive went"


def control_range(
    readings: xr.Dataset,
    *,
    up: str | None = None,
    down: str | None = None,
    bench: Bench | None = None,
    ratings: Mapping[str, Mapping[str, float]] | None = None,
    tolerance: float | str | Source = "10 %",
) -> pd.DataFrame:
    """List start, stop, lowest and top of each sample's control range.

    Parameters
    ----------
    readings : xarray.Dataset
        From `read_readings`; rows at 0 rpm are stalled.
    up, down : str, optional
        The sittings (or sessions) swept with the drive going up and going down. Starting from
        rest and running on until it stops are two different quantities.
    bench : Bench, optional
        For the errors of reading speed.
    ratings : mapping of str to mapping of str to float, optional
        What the maker rates, by model and quantity, such as ``{"A": {"start drive": 7}}``.
    tolerance : float, str or Source
        The band around a rated speed; 10 % either way is common practice.

    Returns
    -------
    pandas.DataFrame
        A row a sample and quantity: start drive, stop drive, lowest running drive, lowest speed,
        top speed; value (middle of the step it fell in), low and high (the ends of that step), u
        (rectangular over the step), units, status. With `ratings` also rated and kept: the chance
        that it starts, stops or runs at the rated drive or below, or that a speed lies in its band.

    Raises
    ------
    FanstatsError
        If the readings hold no speed or no drive, `up` or `down` names no sitting, both name one,
        or a rating names no model or quantity.

    Notes
    -----
    A fan that stands still at one step going up and turns at the next starts somewhere between.
    Where the direction was not noted, only this holds: it starts above the highest step at which
    it stood still, and stops below the lowest at which it ran.

    References
    ----------
    JCGM 100:2008, 4.3.7 and F.2.2.1 (a step as a rectangular distribution); JCGM 106:2012, 7.

    Examples
    --------
    >>> import fanstats as fs
    >>> found = control_range(fs.demo.readings())
    >>> found[found["quantity"] == "start drive"]["status"].iloc[0]
    'never seen at rest: starts at 9 V or below'
    """
    readings = corrected(readings, bench or Bench())
    every = sittings_of(readings)
    sittings = [s for s in every if ("speed", "") in s.channels]
    driven = [s for s in sittings if any(np.isfinite(d).any() for d in s.drives.values())]
    if not driven:
        msg = "The readings hold no sitting with both a drive and a speed: no control range."
        raise FanstatsError(msg)
    for argument, label in (("up", up), ("down", down)):
        if label is not None and not any(_named(s, label) for s in driven):
            known = sorted({s.sitting for s in driven} | {s.session for s in driven} - {""})
            names = ", ".join(map(repr, known))
            msg = f"`{argument}` must name a sitting or session; got {label!r}. There are {names}."
            raise FanstatsError(msg)
    if up is not None and up == down:
        msg = f"`up` and `down` must name two sweeps; got {up!r} for both. Leave one of them out."
        raise FanstatsError(msg)
    errors = None if bench is None else reading_uncertainty(every, bench, ("speed", ""))
    groups: dict[tuple[str, str], list[Sitting]] = {}
    for sitting in driven:
        groups.setdefault((sitting.model, sitting.unit), []).append(sitting)
    rows = [
        {"model": model, "unit": unit, **row}
        for (model, unit), held in groups.items()
        for kind in _kinds(held)
        for row in _rows(held, kind, up, down, errors)
    ]
    table = pd.DataFrame(rows, columns=list(_COLUMNS))
    return table if ratings is None else set_against_rating(table, ratings, tolerance)


Drive = Literal["drive_voltage", "drive_duty"]


def _named(sitting: Sitting, label: str) -> bool:
    return label in (sitting.sitting, sitting.session)


def _kinds(sittings: Sequence[Sitting]) -> list[Drive]:
    kinds: tuple[Drive, ...] = ("drive_voltage", "drive_duty")
    return [k for k in kinds if any(np.isfinite(s.drives[k]).any() for s in sittings)]


class Steps(NamedTuple):
    """Every step at which both drive and speed were read, in order of the drive."""

    drive: FloatArray
    running: BoolArray


def _steps(sittings: Sequence[Sitting], kind: Drive) -> Steps:
    drive = np.concatenate([sitting.drives[kind] for sitting in sittings])
    speed = np.concatenate([sitting.channels["speed", ""].values for sitting in sittings])
    read = np.isfinite(drive) & np.isfinite(speed)
    order = np.argsort(drive[read], kind="stable")
    return Steps(drive[read][order], speed[read][order] > 0)


def _swept(sittings: list[Sitting], kind: Drive, label: str | None) -> Steps | None:
    """Gather the steps swept one way; None where nobody noted which they are."""
    held = [s for s in sittings if label is not None and _named(s, label)]
    steps = _steps(held, kind) if held else None
    return steps if steps is not None and steps.drive.size else None


def _rows(
    sittings: list[Sitting],
    kind: Drive,
    up: str | None,
    down: str | None,
    errors: FloatArray | None,
) -> list[dict[str, object]]:
    units = "V" if kind == "drive_voltage" else "%"
    every = _steps(sittings, kind)
    drive, running = every
    rows = [
        _start(_swept(sittings, kind, up), every, units),
        _stop(_swept(sittings, kind, down), every, units),
    ]
    if not running.any():
        return [*rows, _row("lowest running drive", units, status="never seen running")]
    lowest = float(drive[running].min())
    beneath = drive[drive < lowest]
    rows.append(
        _bracket("lowest running drive", units, float(beneath.max(initial=-np.inf)), lowest)
        | {"value": lowest}
    )
    rows.append(_speed_row("lowest speed", sittings, kind, lowest, errors))
    rows.append(_speed_row("top speed", sittings, kind, float(drive[running].max()), errors))
    return rows


def _row(
    quantity: str,
    units: str,
    value: float = math.nan,
    low: float = math.nan,
    high: float = math.nan,
    u: float = math.nan,
    status: str = "",
) -> dict[str, object]:
    return {
        "quantity": quantity, "value": value, "low": low, "high": high, "u": u, "units": units,
        "status": status,
    }  # fmt: skip


def _bracket(
    quantity: str, units: str, low: float, high: float, status: str = ""
) -> dict[str, object]:
    """Place a threshold between two neighbouring steps, as far as both exist."""
    if math.isfinite(low) and math.isfinite(high) and low < high:
        width = high - low
        return _row(quantity, units, (low + high) / 2, low, high, width / math.sqrt(12.0), status)
    low, high = (end if math.isfinite(end) else math.nan for end in (low, high))
    return _row(quantity, units, low=low, high=high, status=status)


def _start(told: Steps | None, every: Steps, units: str) -> dict[str, object]:
    """Find the drive at which a fan at rest begins to turn."""
    name = "start drive"
    drive, running = told or every
    stalled = drive[~running]
    if stalled.size == 0:
        lowest = float(drive.min())
        note = f"never seen at rest: starts at {lowest:g} {units} or below"
        return _bracket(name, units, -math.inf, lowest, note)
    rest = float(stalled.max())
    if told is None:
        note = f"{_NO_DIRECTION}: starts above {rest:g} {units}"
        return _bracket(name, units, rest, math.inf, note)
    turning = drive[running & (drive > rest)]
    if turning.size == 0:
        note = f"still at rest at the highest step, {rest:g} {units}"
        return _bracket(name, units, rest, math.inf, note)
    crossed = bool((drive[running] < rest).any())
    note = "turned at a lower step too: it does not start reliably there" if crossed else ""
    return _bracket(name, units, rest, float(turning.min()), note)


def _stop(told: Steps | None, every: Steps, units: str) -> dict[str, object]:
    """Find the drive at which a running fan comes to rest."""
    name = "stop drive"
    drive, running = told or every
    turning = drive[running]
    if turning.size == 0:
        return _row(name, units, status="never seen running")
    lowest = float(turning.min())
    if told is None:
        note = f"{_NO_DIRECTION}: stops below {lowest:g} {units}"
        return _bracket(name, units, -math.inf, lowest, note)
    beneath = drive[~running & (drive < lowest)]
    if beneath.size == 0:
        note = f"never seen to stop: stops below {lowest:g} {units}"
        return _bracket(name, units, -math.inf, lowest, note)
    crossed = bool((drive[~running] > lowest).any())
    note = "stood still at a higher step too: it does not stop reliably there" if crossed else ""
    return _bracket(name, units, float(beneath.max()), lowest, note)


def _speed_row(
    quantity: str, sittings: list[Sitting], kind: Drive, at: float, errors: FloatArray | None
) -> dict[str, object]:
    """Average the speeds read at one drive, with what the tachometer's readings leave open."""
    speeds, variances = [], []
    for sitting in sittings:
        values = sitting.channels["speed", ""].values
        index = np.flatnonzero((sitting.drives[kind] == at) & (values > 0))
        speeds += [float(speed) for speed in values[index]]
        if errors is not None:
            variances += [float(one) ** 2 for one in errors[sitting.cells][index]]
    units = "V" if kind == "drive_voltage" else "%"
    mean = float(np.mean(speeds))
    u = math.sqrt(sum(variances)) / len(speeds) if errors is not None else math.nan
    status = f"at {at:g} {units}" + ("" if errors is not None else ", errors of reading not stated")
    return _row(quantity, "rpm", mean, min(speeds), max(speeds), u, status)
