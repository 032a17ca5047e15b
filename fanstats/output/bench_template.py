"""A bench file to fill in: every figure that matters for these readings, none of them assumed."""

from __future__ import annotations

import json
import math
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from fanstats.spread.type_a import repeatability
from fanstats.whole_files import write_new

if TYPE_CHECKING:
    from collections.abc import Hashable, Mapping, Sequence

    import xarray as xr

__all__ = ["scatter_text", "write_bench_template"]

_HEAD: Final = """\
# What the instruments of this bench are good for, and how far one sample differs from another.
# Nothing here is assumed: a line that begins with # is not read. Put a number where a ? stands
# and take the # at its front away. What stays out is listed as "not considered" in every result;
# an empty list, as in  model = [],  says: none, checked.
#
# A figure is one of
#   {half_width = 1.0}           the +- on a box or in a data sheet, or half the last digit shown
#   {expanded = 0.4, k = 2}      from a certificate that names its k
#   {standard = 0.2, dof = 9}    scatter of your own repeats, dof = readings less 1
# It is in the table's units; a text carries its own: {half_width = "3 %"}, {standard = "0.1 m/s"}.
# Several figures of one line are put side by side: [{half_width = 0.05}, {standard = 0.2}].
#
# Who shares an error decides what it does to a comparison:
#   shared   everything read with this instrument (calibration, scale): leaves a gap nearly alone
#   session  one day
#   sitting  one mounting of a fan
#   model    everything read of one model (how the meter takes its tone or swirl): no repeat helps
#   reading  one reading (display, flicker)
"""
_LEVELS: Final = ("shared", "session", "sitting", "model", "reading")
_HINTS: Final[Mapping[str, Mapping[str, str]]] = {
    "noise": {
        "shared": "the +- of the meter's class or box",
        "session": "how far the same fan moves from day to day",
        "sitting": "putting fan and microphone up again",
        "model": "how differently the meter takes one fan's tone and another's",
    },
    "speed": {
        "shared": "the +- on the box of the tachometer",
        "session": "how far the same fan moves from day to day",
        "sitting": "how far it moves with the mounting",
        "model": "how differently it counts one fan's pulses and another's; [] if not at all",
    },
    "airflow": {
        "shared": "the +- on the box of the anemometer, such as \"3 %\"",
        "session": "how far the same fan moves from day to day",
        "sitting": "putting fan and anemometer up again",
        "model": "how differently the anemometer takes one fan's swirl and another's",
    },
    "temperature": {
        "shared": "the +- of the probe",
        "session": "how far the same fan moves from day to day, ambient taken off",
        "sitting": "putting probe or paste on again",
        "model": "how differently it takes one fan and another; [] if not at all",
    },
}  # fmt: skip
_READING: Final = "half the last digit shown, and the scatter of repeats without touching the fan"
_MEASURED: Final = "half the last digit shown; the scatter is that of your own repeats, measured"
_SPREADS: Final = {
    "speed": ("\"? %\"", "half_width", "the maker's tolerance, often 10 %"),
    "noise": ("?", "standard", "dB at one speed; from several samples of one model, or a guess"),
    "airflow": ("\"? %\"", "standard", "at one speed; from several samples, or a guess"),
    "temperature": ("?", "standard", "K at one speed; from several samples, or a guess"),
}  # fmt: skip
_NUMBER: Final = "# your number here"


def write_bench_template(path: str | os.PathLike[str], readings: xr.Dataset) -> Path:
    """Write a bench file to fill in, with the quantities and units of some readings.

    Every line that states something stands behind a #: read as it is, the file states nothing. A
    scatter that the readings' own repeats show stands in its line.

    Parameters
    ----------
    path : path
        Where the file is to stand; it must not exist.
    readings : xarray.Dataset
        From `read_readings`.

    Returns
    -------
    Path
        `path`.

    Raises
    ------
    FanstatsError
        If the file exists or cannot be written.

    Examples
    --------
    >>> import tempfile, fanstats as fs
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = write_bench_template(Path(folder) / "bench.toml", fs.demo.readings())
    ...     fs.read_bench(path).noise.unstated
    ('shared', 'session', 'sitting', 'model', 'reading')
    """
    text = _text(readings)
    return write_new(Path(path), lambda aside: aside.write_text(text, encoding="utf-8"))


def scatter_text(readings: xr.Dataset) -> str:
    """Say what scatter the repeats of some readings show.

    Parameters
    ----------
    readings : xarray.Dataset
        From `read_readings`.

    Returns
    -------
    str
        A line a quantity, or one line where nothing was repeated.
    """
    found = repeatability(readings)
    lines = []
    for row in found.to_dict("records"):
        if _measured(row):
            share = f" ({100 * row['relative']:.2g} %)" if math.isfinite(row["relative"]) else ""
            lines.append(
                f"  {row['quantity']}: {row['standard']:.2g} {row['units']}{share}, on "
                f"{row['dof']:g} degrees of freedom from {row['cells']} repeated steps"
            )
        else:
            lines.append(f"  {row['quantity']}: {row['status']}")
    head = "Scatter of one reading, from repeats without touching the fan (standard deviation):"
    return "\n".join([head, *lines]) if lines else f"{head} nothing was read that could repeat."


def _measured(row: Mapping[Hashable, Any]) -> bool:
    return bool(row["standard"] > 0 and row["dof"] > 0)


def _text(readings: xr.Dataset) -> str:
    found = {str(row["quantity"]): row for row in repeatability(readings).to_dict("records")}
    parts = [_HEAD]
    for quantity in _HINTS:
        behind = "noise_obstructed" if quantity == "noise" else quantity
        name = next((n for n in (quantity, behind) if n in readings), None)
        if name is not None:
            units = str(readings[name].attrs["units"])
            parts.append(_table(quantity, units, found, _rigs(readings, name)))
    return "\n".join([*parts, _spread(readings), _COLUMNS])


def _rigs(readings: xr.Dataset, name: str) -> list[str]:
    """Give the rigs on which a quantity was read, in order of their names."""
    read = readings[name].notnull()
    held = read.any([dim for dim in read.dims if dim != "row"]).to_numpy()
    return [str(rig) for rig in np.unique(readings["rig"].to_numpy()[held])]


def _table(
    quantity: str,
    units: str,
    found: Mapping[str, Mapping[Hashable, Any]],
    rigs: Sequence[str] = (),
) -> str:
    lines = [f"[{quantity}]", f'units = "{units}"']
    if len(rigs) > 1:
        listed = ", ".join(json.dumps(rig, ensure_ascii=False) for rig in rigs)
        lines.append(f"# carried = true  # if one and the same went from rig to rig: {listed}")
    follows = {"noise": "background", "temperature": "ambient"}.get(quantity)
    if follows:
        lines.insert(0, f"# [{follows}] is read with the same instrument unless it has a table.")
    for level in _LEVELS[:-1]:
        form = "half_width" if level in ("shared", "model") else "standard"
        lines.append(f"# {level:<7} = [{{{form} = ?}}]  {_NUMBER}: {_HINTS[quantity][level]}")
    scatter, hint = "?", _READING
    row = found.get(quantity)
    if row is not None and _measured(row):
        relative = math.isfinite(row["relative"])
        amount = f'"{100 * row["relative"]:.2g} %"' if relative else f"{row['standard']:.2g}"
        scatter, hint = f"{amount}, dof = {row['dof']:g}", _MEASURED
    lines.append(f"# reading = [{{half_width = ?}}, {{standard = {scatter}}}]  {_NUMBER}: {hint}")
    return "\n".join([*lines, ""])


def _spread(readings: xr.Dataset) -> str:
    lines = [
        "# How far one sample of a model differs from the model's typical one. What is not stated",
        "# is unknown, never 0: results are then about the samples tested alone.",
        "[spread]",
    ]
    for quantity, (amount, form, hint) in _SPREADS.items():
        if any(name in readings for name in (quantity, f"{quantity}_obstructed")):
            lines.append(f"# {quantity:<11} = {{{form} = {amount}}}  {_NUMBER}: {hint}")
    return "\n".join([*lines, ""])


_COLUMNS: Final = """\
# Headings of your table that the library does not know, against those it does.
[columns]
# "your heading" = "noise [dBA]"
"""
