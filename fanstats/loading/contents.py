"""What a load has read, in a sentence: models, samples, sessions, and how much of each quantity."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Final

import numpy as np

from fanstats.loading.complaints import numbered
from fanstats.quantities import units_label

if TYPE_CHECKING:
    from collections.abc import Mapping

    import xarray as xr

__all__ = ["what_was_read"]

_NAMES: Final[Mapping[str, str]] = {
    "drive_voltage": "drive",
    "drive_duty": "drive",
    "speed": "speed",
    "noise": "noise",
    "noise_obstructed": "noise",
    "airflow": "airflow",
    "temperature": "temperature",
    "background": "background",
    "ambient": "ambient",
    "load": "load",
}


def what_was_read(readings: xr.Dataset) -> str:
    r"""Say what readings hold.

    Parameters
    ----------
    readings : xarray.Dataset
        As `read_readings` makes them.

    Returns
    -------
    str
        One sentence; empty where there are no rows.

    Examples
    --------
    >>> import io
    >>> from fanstats.loading.readings import read_readings
    >>> text = "model,drive [V],airflow none [fpm]\nA12,7,402\nA12,12,\nB7,7,310\n"
    >>> what_was_read(read_readings(io.StringIO(text)))
    'Read: 2 models in 2 samples; drive [V] 3, airflow none [fpm] 2.'
    """
    if not readings.sizes.get("row", 0):
        return ""
    parts = [_whose(readings), ", ".join(_how_many(readings)), *_joined(readings)]
    prices = json.loads(str(readings.attrs.get("prices", "{}")))
    if prices:
        parts.append(f"prices of {numbered(len(prices), 'model')}")
    return f"Read: {'; '.join(part for part in parts if part)}."


def _whose(readings: xr.Dataset) -> str:
    labels = {name: readings[name].to_numpy() for name in ("rig", "model", "unit", "session")}
    samples = len(set(zip(labels["model"], labels["unit"], strict=True)))
    sessions, rigs = (set(labels[name]) - {""} for name in ("session", "rig"))
    text = f"{numbered(len(set(labels['model'])), 'model')} in {numbered(samples, 'sample')}"
    text += f", {numbered(len(sessions), 'session')}" if sessions else ""
    return text + (f", {numbered(len(rigs), 'rig')}" if rigs else "")


def _how_many(readings: xr.Dataset) -> list[str]:
    """Count the readings of each column that were not noted once a session."""
    told = []
    for variable, name in _NAMES.items():
        if variable not in readings or _per_session(readings, variable):
            continue
        units = units_label(str(readings[variable].attrs["units"]))
        counts = np.isfinite(readings[variable].to_numpy()).sum(axis=0)
        behind = [""]
        if readings[variable].ndim > 1:
            behind = [f" {label}" for label in readings["obstruction"].to_numpy()]
        told += [
            f"{name}{label} [{units}] {int(count)}"
            for label, count in zip(behind, np.atleast_1d(counts), strict=True)
            if count
        ]
    return told


def _joined(readings: xr.Dataset) -> list[str]:
    noted = ["rig"] if _per_session(readings, "rig") else []
    noted += [
        f"{_NAMES[name]} [{units_label(str(readings[name].attrs['units']))}]"
        for name in ("background", "ambient", "load")
        if name in readings and _per_session(readings, name)
    ]
    return [f"joined by session: {', '.join(noted)}"] if noted else []


def _per_session(readings: xr.Dataset, name: str) -> bool:
    return readings.attrs.get(f"{name}_per") == "session"
